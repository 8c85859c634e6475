"""Charts of offset boost: what they read, units, the simple figure, and that they draw."""

from __future__ import annotations

from dataclasses import replace

import altair as alt
import pytest

from models import offset_records
from models.offset_draws import standard_draws
from models.offset_records import Engine, Gain, Growth, OffsetModel, PowerCurve
from models.offset_tables import LARGEST_SHARE, make_offset_tables
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA
from reports.charts.export import chart_to_png
from reports.charts.offset import chart_offset_by_boost, chart_offset_by_output, rows_of_offsets, rows_of_offsets_at_boost
from reports.numbers import SI, US

HP = 0.7456998715822702
CURVE = PowerCurve(None, None, 0.92, -0.05, 0.0002, 0.0001, 0.0, 0.012, 20, 226, 855, 21, 226, None, 0.0003)
KIND = offset_records.TestedKind(
    "turbocharger", "air_to_air", "petrol", 3, 70.0, 500.0, (125.0, 90.0, 70.0), (1.25, 0.9, 0.7), (3,) * 10 + (2,)
)
MODEL = OffsetModel("f", "0.1.0", "2026-01-01", True, (CURVE,), (KIND,), 0.0224, 1.38, 0.95, 2.086, standard_draws(20, 8))
GAINS = (20 * HP, 40 * HP, 60 * HP)


@pytest.fixture(scope="module")
def tables():
    return make_offset_tables(MODEL, Engine(400 * HP, SEA_LEVEL_KPA, None, None, "turbocharger"), GAINS, Gain(0.1), Growth())


@pytest.fixture(scope="module")
def rows(tables):
    return rows_of_offsets(tables.by_output) | rows_of_offsets_at_boost(tables.by_boost)


def test_tables_span_what_was_tested_and_no_gain_that_no_part_has(tables):
    assert all(one.gain.share <= LARGEST_SHARE + 1e-12 for one in tables.by_output)
    of_20 = [one for one in tables.by_output if one.gain_kw == pytest.approx(GAINS[0])]
    assert [min(o.engine.na_kw for o in of_20), max(o.engine.na_kw for o in of_20)] == pytest.approx([70.0, 500.0])
    assert [one.engine.boost_kpa / KPA_PER_PSI for one in tables.by_boost] == pytest.approx(list(range(19)))
    assert make_offset_tables(MODEL, Engine(300.0, 100.0, None, None, "centrifugal"), GAINS, Gain(0.1)).by_boost == ()


def test_rows_hold_the_answers_in_si(rows, tables):
    assert [row["line"] for row in rows["offset_by_output"] if row["first"]] == [0, 1, 2]
    for row, one in zip(rows["offset_by_boost"], tables.by_boost, strict=True):
        assert (row["offset_kpa"], row["low_kpa"], row["high_kpa"]) == (one.at_boost.value, one.at_boost.low, one.at_boost.high)
    simple = {row["rule_kpa"] for row in rows["offset_by_boost"]}
    assert len(simple) == 1 and rows["offset_by_boost"][-1]["low_kpa"] > simple.pop()


@pytest.mark.parametrize("system", [US, SI], ids=["us", "si"])
def test_charts_draw_and_name_their_units(rows, system):
    for draw in (chart_offset_by_output, chart_offset_by_boost):
        chart = draw(rows, system, "What it shows.")
        assert chart.spec["description"] == "What it shows." and len(chart.uses) == 1
        assert f", {system.scales['boost'].unit}" in str(chart.spec["layer"][0]["encoding"]["y"])
        picture = chart_to_png(chart.spec, {use: rows[use] for use in chart.uses}, width=300, scale=1)
        assert picture.startswith(b"\x89PNG")


def test_an_end_that_is_not_given_and_no_rows_at_all_still_draw(tables):
    open_ended = [replace(one, at_boost=replace(one.at_boost, high=None, why="Not bounded.")) for one in tables.by_boost]
    for rows in (rows_of_offsets_at_boost(open_ended), rows_of_offsets_at_boost([])):
        chart = chart_offset_by_boost(rows, US, "d")
        assert chart_to_png(chart.spec, {"offset_by_boost": rows["offset_by_boost"]}, width=300, scale=1)
    assert chart_offset_by_output(rows_of_offsets([]), US, "d").spec["layer"]


@pytest.mark.slow
def test_descriptions_fit_the_schema(rows):
    for draw in (chart_offset_by_output, chart_offset_by_boost):
        alt.LayerChart.from_dict(draw(rows, US, "d").spec)
