"""Headers of wide tables: which curve a column belongs to, and what must never become a curve."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.curve_headers import curves_beside, label_curves, label_of, looks_like_sweep, split_overrides
from pipeline.grid import find_tables
from pipeline.headers import knows_header, recognise_headers
from pipeline.text_grid import Grid


def read(headers, units=None):
    return [
        (c.field, c.unit, label_of(c) or c.role, c.level_boost)
        for c in label_curves(recognise_headers(headers, units, None, "sweep"), units)
    ]


@pytest.mark.parametrize(
    ("header", "field", "unit", "label"),
    [
        ("Run 3 power (hp)", "curve_power_kw", "hp", "Run 3"),
        ("Run 3 boost", "curve_boost_kpa", None, "Run 3"),
        ("Kurve 2 Drehmoment Nm", "curve_torque_nm", "N m", "Kurve 2"),
        ("Power Run 2 (hp)", "curve_power_kw", "hp", "Run 2"),
        ("Puissance essai 4 (kW)", "curve_power_kw", "kW", "essai 4"),
        ("stage 1 wheel hp", "curve_power_kw", "hp", "stage 1"),
        ("出力 走行1 (PS)", "curve_power_kw", "PS", "走行1"),
        ("Run 3: MAP (kPa)", "manifold_kpa", "kPa", "Run 3"),
    ],
)
def test_a_free_label_and_the_rest(header, field, unit, label):
    beside = f"{label} kW" if field != "curve_power_kw" else f"{label} Nm"
    assert read(["rpm", header, beside])[1] == (field, unit, label, None)


def test_label_that_most_columns_share_wins():
    # Alone, "Run 2 bar" would be power at two bar.
    assert read(["rpm", "Run 2 bar", "Run 2 kW"])[1:] == [
        ("curve_boost_kpa", "bar", "Run 2", None),
        ("curve_power_kw", "kW", "Run 2", None),
    ]


def test_levels_keep_torque_beside_their_power():
    found = read(["rpm", "NA hp", "6 psi hp", "6 psi torque lb-ft", "Run 2 (9 psi) hp"])
    assert found[1:] == [
        ("curve_power_kw", "hp", "baseline", None),
        ("curve_power_kw", "hp", "level", 6.0),
        ("curve_torque_nm", "lbf ft", "level", 6.0),
        ("curve_power_kw", "hp", "Run 2 (9 psi)", 9.0),
    ]


@pytest.mark.parametrize(
    "header",
    ["Run 1 loss power (kW)", "Run 1 hp gain", "Turbo rpm", "Verlustleistung PS", "target hp", "oil pressure psi", "Fan 2 rpm"],
)
def test_what_is_no_curve_stays_unrecognised(header):
    assert read(["rpm", "Run 1 kW", "Run 2 kW", header])[3][0] is None


def test_no_label_beside_a_curve_that_has_none():
    assert read(["rpm", "Power (kW)", "Cell 7 power (kW)"])[2][0] is None


def test_repeated_headers_are_curves_in_their_order():
    assert [c[2] for c in read(["rpm", "hp", "Nm", "rpm", "hp", "Nm"])] == ["1", "1", "1", "2", "2", "2"]
    assert [c[2] for c in read(["rpm", "hp", "rpm.1", "hp.1"])] == ["", "", "1", "1"]


def test_second_column_for_one_field_of_a_curve_says_what_it_lost_to():
    columns = label_curves(recognise_headers(["rpm", "Run 1 kW", "Run 1 power (hp)", "Run 2 kW"], None, None, "sweep"))
    assert columns[2].field is None
    assert "'Run 1 kW' already gives curve_power_kw" in (columns[2].doubt or "")


def test_headers_the_contributor_decided_on_are_left_alone():
    columns = recognise_headers(["rpm", "Run 1 kW", "Run 2 kW"], None, {"Run 2 kW": ""}, "sweep")
    assert label_curves(columns, None, {"Run 2 kW"})[2].field is None
    assert split_overrides({"P_A": "Run A power_hp", "P": "power_hp"}) == ({"P": "power_hp"}, {"P_A": "Run A power_hp"})


def test_units_in_the_second_row_reach_labelled_columns():
    assert read(["Speed", "Run 1 power", "Run 1 torque"], ["rpm", "kW", "Nm"])[1:] == [
        ("curve_power_kw", "kW", "Run 1", None),
        ("curve_torque_nm", "N m", "Run 1", None),
    ]


def test_curves_are_named_for_the_contributor():
    columns = label_curves(recognise_headers(["rpm", "stock hp", "6 psi hp", "Run 9 kW"], None, None, "sweep"))
    assert curves_beside(columns) == ["before", "6 psi", "Run 9"]


def table_of(rows):
    width = max(map(len, rows))
    cells = pl.DataFrame(
        {"line": range(1, len(rows) + 1)} | {f"c{i}": [r[i] if i < len(r) else None for r in rows] for i in range(width)}
    ).cast({f"c{i}": pl.String for i in range(width)})
    return find_tables(Grid(cells=cells, sheet=None, form="delimited", notes={}, first_line_is_header=False), knows_header)[0]


def test_kind_is_worked_out_from_speeds_in_order_only():
    def why(speeds):
        rows = [["rpm", "before hp", "after hp"], *([str(s), "200", "210"] for s in speeds)]
        table = table_of(rows)
        return looks_like_sweep(table, recognise_headers(table.headers, table.units, None, None))

    assert "12 rows of one run" in (why(range(3000, 6000, 250)) or "")
    assert why(range(6000, 3000, -250))
    assert why([5600, 6200, 5400, 6000, 5800, 6400, 5500]) is None  # peaks of unlike engines
    assert why([5600, 5700, 5800]) is None


words = st.sampled_from(
    ["run", "1", "2", "hp", "power", "(kW)", "[Nm]", "stage", "rpm", "boost", "psi", "6", "-", "loss", "ü", ")("]
)


@given(st.lists(st.lists(words, min_size=1, max_size=5).map(" ".join), min_size=1, max_size=7))
@settings(max_examples=60, deadline=None)
def test_any_headers_keep_their_place_and_each_curve_has_each_field_once(headers):
    columns = label_curves(recognise_headers(headers, None, None, "sweep"))
    assert [(c.position, c.header) for c in columns] == list(enumerate(headers))
    claims = [(c.role.lower(), c.level_boost, c.level_unit, c.field) for c in columns if c.field is not None]
    assert len(claims) == len(set(claims))
