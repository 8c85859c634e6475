"""A field name with any known unit at its end is read, and a cell's unit is never of another quantity."""

from __future__ import annotations

import re

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.fields import FIELDS
from pipeline.header_reading import read_header
from pipeline.headers import recognise_headers
from pipeline.shapes import Side
from pipeline.unit_table import UNITS
from pipeline.units import convert, find_unit, unit_named
from pipeline.values import type_side

PRESSURES = ("boost_kpa", "manifold_kpa", "ambient_kpa", "exhaust_back_kpa", "curve_boost_kpa")
NAMED = [
    (field.name, unit.name)
    for field in FIELDS.values()
    for unit in UNITS.values()
    if field.quantity is not None and unit.quantity == field.quantity and unit.pressure_kind is None
]


@pytest.mark.parametrize("form", ["as printed", "with underscores"])
def test_a_field_name_with_any_unit_at_its_end_is_read(form):
    lost = []
    for name, unit in NAMED:
        ending = unit if form == "as printed" else re.sub(r"[^A-Za-z0-9%]+", "_", unit).lower()
        found = read_header(f"{FIELDS[name].stem}_{ending}")
        if (found.field, found.unit) != (name, unit):
            lost.append((name, ending, found.field, found.unit))
    assert lost == []


@pytest.mark.parametrize("header", ["boost_kgf_cm2_gauge", "boost_kgf_cm2", "manifold_kgf_cm2_abs", "manifold_inhg_abs"])
def test_gauge_and_absolute_endings(header):
    found = read_header(header)
    assert found.field == header.split("_")[0] + "_kpa"


def one_cell(name: str, text: str, header_unit: str | None = None) -> tuple[float | None, list[str]]:
    cells = pl.DataFrame({"line": [2], name: [text]})
    typed = type_side(Side("", 1, cells, {name: name}, {name: header_unit}), None)
    return typed.frame[name][0], typed.reasons["code"].to_list()


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("ambient_kpa", "101 k"), ("ambient_kpa", "760 mm"), ("ambient_kpa", "30 in"), ("boost_kpa", '12"'), ("power_kw", "150 Nm"),
        ("power_kw", "150 km"), ("torque_nm", "150 kW"), ("air_c", "20 kPa"), ("displacement_cc", "2 bar"), ("altitude_m", "500 hPa"),
        ("power_rpm", "6000 km"), ("compression_ratio", "9 bar"), ("boost_kpa", "5 psia"), ("manifold_kpa", "5 psig"), ("ambient_kpa", "0 barg"),
    ],
)  # fmt: skip
def test_a_unit_of_another_quantity_is_not_taken(name, text):
    value, codes = one_cell(name, text, FIELDS[name].unit)
    assert value is None and codes == ["unit_unknown"]


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("boost_kpa", "6 lb", 6 * 6.894757), ("boost_kpa", "0.5 kg", 49.03325), ("torque_nm", "20 kg", 196.133), ("air_c", "20 grad C", 20.0),
        ("displacement_cc", "2 l", 2000.0), ("power_kw", "100 ch", 73.54988), ("spark_deg", "12°", 12.0),
    ],
)  # fmt: skip
def test_words_whose_meaning_the_column_decides(name, text, value):
    read, codes = one_cell(name, text)
    assert codes == [] and read == pytest.approx(value, rel=1e-6)


@given(unit=st.sampled_from(sorted(UNITS)), name=st.sampled_from(sorted({name for name, _ in NAMED})), value=st.integers(1, 999))
@settings(max_examples=30, deadline=None)
def test_a_cell_is_converted_by_its_own_unit_or_refused(unit, name, value):
    """Whatever unit stands in a cell under whatever header: the figure is right or there is none."""
    field = FIELDS[name]
    read, codes = one_cell(name, f"{value} {unit}", field.unit)
    meant = find_unit(unit)
    kind_fits = UNITS[unit].pressure_kind in (None, "absolute" if name in ("manifold_kpa", "ambient_kpa") else "gauge")
    if read is None:
        assert codes and set(codes) <= {"unit_unknown", "number_unreadable"}
    else:
        assert codes == [] and meant is not None and meant.quantity == field.quantity
        assert read == pytest.approx(float(convert(float(value), UNITS[unit], unit_named(str(field.unit)))), rel=1e-9)
        assert kind_fits or name not in PRESSURES


def test_boost_in_technical_atmospheres_needs_no_mapping():
    (column,) = recognise_headers(["boost_kgf_cm2"])
    assert (column.field, column.unit) == ("boost_kpa", "kgf/cm2")
