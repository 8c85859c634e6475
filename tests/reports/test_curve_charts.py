"""Charts against engine speed: records in SI, axes in the reader's unit, pictures that draw, schema."""

from __future__ import annotations

import json

import altair as alt
import pytest

from models.curve_records import GainCurve, GainPoint, YieldCurve, YieldPoint
from reports.charts.curves import MOST_CURVES, chart_gain_by_rpm, chart_yield_by_rpm, rows_of_gains, rows_of_yields
from reports.charts.export import chart_to_png
from reports.numbers import SI, US
from reports.theme import LIGHT

GAIN = GainCurve(
    "c", "b", "a", "s", "Kettle Lane Dyno", "Alder <b>2.0</b>", ("camshaft", "valve_springs"), "as reported", True, 0.95,
    tuple(GainPoint(r, 100.0, 100 + g, g, g - 3, g + 3) for r, g in ((3000.0, -4.0), (4500.0, 2.0), (6000.0, 9.0))),
)  # fmt: skip
YIELD = YieldCurve(
    "u", "r", "s", "Kettle Lane Dyno", "Alder 2.0", "turbocharger", "air_to_air", 100.0, 6000.0, 1, 0.95,
    tuple(YieldPoint(r, 100.0, 150.0, 55.0, e, e - 0.1, e + 0.1, e) for r, e in ((3000.0, 0.8), (4500.0, 0.95), (6000.0, 0.9))),
)  # fmt: skip


def charts(system):
    gains, yields = rows_of_gains([GAIN]), rows_of_yields([YIELD])
    return [
        (chart_gain_by_rpm(gains, system, "Power won by one change."), gains),
        (chart_yield_by_rpm(yields, system, "Worth of boost against speed."), yields),
    ]


@pytest.mark.slow
def test_charts_draw_the_same_picture_twice_and_the_data_shows():
    for chart, rows in charts(US):
        picture = chart_to_png(chart.spec, rows, width=300, scale=1)
        assert picture.startswith(b"\x89PNG")
        assert picture == chart_to_png(chart.spec, rows, width=300, scale=1)
        nothing = {name: [] for name in chart.uses}
        assert picture != chart_to_png(chart.spec, nothing, width=300, scale=1)


def test_axes_and_words_are_in_the_readers_unit():
    (us, _), (us_yield, _) = charts(US)
    (si, _), _ = charts(SI)
    assert "Power won, hp" in json.dumps(us.spec)
    assert "Power won, kW" in json.dumps(si.spec)
    assert US.scales["yield"].unit in json.dumps(us_yield.spec)
    assert us.spec["description"] == "Power won by one change."


def test_zero_and_the_rule_are_always_in_sight():
    (gain, _), (ratio, _) = charts(SI)
    domains = [layer["encoding"]["y"]["scale"]["domain"] for layer in (gain.spec["layer"][0], ratio.spec["layer"][0])]
    assert domains[0][0] <= -7
    assert domains[0][0] < 0 < domains[0][1]
    assert domains[1][0] < 1 < domains[1][1]


def test_only_known_colours_and_hostile_names_stay_text():
    text = json.dumps([chart.spec for chart, _ in charts(US)])
    assert {part.split(")")[0] for part in text.split("var(--")[1:]} <= set(LIGHT)
    assert "Alder <b>" not in text
    assert rows_of_gains([GAIN])["gain_by_rpm"][0]["parts"] == "camshaft + valve springs"


def test_many_curves_are_cut_and_none_draws_an_empty_frame():
    assert len({r["curve"] for r in rows_of_gains([GAIN] * 40)["gain_by_rpm"]}) == MOST_CURVES
    empty = rows_of_gains([])
    assert chart_to_png(chart_gain_by_rpm(empty, US, "").spec, empty, width=200, scale=1).startswith(b"\x89PNG")


@pytest.mark.slow
def test_descriptions_fit_the_schema():
    for chart, _ in charts(US):
        alt.LayerChart.from_dict(chart.spec)
