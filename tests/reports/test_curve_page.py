"""Curves against engine speed on the study page: sentences, charts, tables; nothing where there are no curves."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from models.curve_records import CurveAnswers, GainCurve, GainPoint, SpeedPoint, YieldCurve, YieldPoint
from models.estimate import Estimate
from models.results import results_from_json, results_to_json
from reports.captions_curves import CURVE_COLUMNS, curve_captions
from reports.charts.curves import MOST_CURVES, MOST_NAMED, rows_of_gains, rows_of_yields
from reports.sentences_curves import say_gain_by_rpm, say_yield_by_rpm
from reports.study_page import render_study_page, write_study_page

HOSTILE = "Alder <script>alert(1)</script> \u202e2.0"


def gain(key="c", build="Alder 2.0", rise=0.004, half=3.0, parts=("camshaft",)):
    points = tuple(GainPoint(r, 100.0, 100 + rise * (r - 4000), rise * (r - 4000), rise * (r - 4000) - half, rise * (r - 4000) + half)
                   for r in (3000.0, 4000.0, 5000.0, 6000.0))  # fmt: skip
    return GainCurve(key, "b", "a", "s", "Kettle Lane Dyno", build, parts, "as reported", True, 0.95, points)


def boosted(unit="u", key="r", ratio=0.9, build="Alder 2.0"):
    points = tuple(YieldPoint(r, 100.0, 150.0, 55.0, ratio + d, ratio + d - 0.1, ratio + d + 0.1, ratio + d)
                   for r, d in ((3000.0, -0.1), (4500.0, 0.0), (6000.0, 0.05)))  # fmt: skip
    return YieldCurve(unit, key, "s", "Kettle Lane Dyno", build, "turbocharger", "air_to_air", 100.0, 6000.0, 1, 0.95, points)


def speed(share, value, half, builds=4):
    if value is None:
        return SpeedPoint(
            share, Estimate(None, None, None, 0.95, "1", 1, 1, "1 build has boost logged at this speed; an average needs 3.")
        )
    return SpeedPoint(share, Estimate(value, value - half, value + half, 0.95, "1", builds, builds))


@pytest.fixture(scope="module")
def curves():
    return CurveAnswers(
        (gain(), gain("d", HOSTILE, -0.003, 2.0, ("headers", "exhaust"))), (boosted(),), (speed(0.5, None, 0),), ()
    )


@pytest.fixture(scope="module")
def html(results, curves):
    unit = results.units[0].unit_id
    mine = replace(curves, yields=(boosted(unit), boosted("elsewhere", "q", 1.1, HOSTILE)))
    return render_study_page(replace(results, curves=mine))


def test_page_has_both_charts_each_with_all_that_belongs_to_it(html):
    section = re.search(r'<section id="speeds".*?</section>', html, re.S).group(0)
    for name in ("yield_rpm", "gain_rpm"):
        chart = re.search(rf'<figure class="chart" id="chart-{name}">.*?</figure>', section, re.S).group(0)
        assert 'class="finding"' in chart and "<figcaption>" in chart and f'data-chart="{name}"><summary>Table' in chart
        assert f'class="csv" data-chart="{name}"' in chart
    assert "Alder 2.0, camshaft: most at 6000 rpm" in section
    assert "<script>alert" not in html


def test_records_of_the_page_hold_every_point_and_the_number_of_the_build(html, results):
    text = re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.S)
    data = json.loads((text or re.search(r"<script[^>]*application/json[^>]*>(.*?)</script>", html, re.S)).group(1))
    for name, (rows, columns) in CURVE_COLUMNS.items():
        held = data["rows"][rows]
        assert data["columns"][name]["rows"] == rows
        assert {c.field for c in columns} <= set(held)
        assert name in data["charts"]["us"] and name in data["charts"]["si"]
    assert len(data["rows"]["gain_by_rpm"]["rpm"]) == 8
    numbers = data["rows"]["yield_by_rpm"]["u"]
    assert len(numbers) == 6 and numbers[3:] == [None] * 3
    own = next(u for u in range(len(data["rows"]["units"]["name"])) if data["rows"]["units"]["u"][u] == numbers[0])
    assert data["rows"]["units"]["name"][own] == results.units[0].build
    described = data["charts"]["us"]["gain_rpm"]["description"]
    assert "hp" in described and "2 changes" in described
    assert "kW" in data["charts"]["si"]["gain_rpm"]["description"]


def test_a_study_without_curves_has_no_section(results):
    assert results.curves is None
    assert 'id="speeds"' not in render_study_page(results)
    assert 'id="speeds"' not in render_study_page(replace(results, curves=CurveAnswers((), (), (), ())))
    assert curve_captions(results) == {}


def test_curves_are_stored_with_the_study_and_read_back_equal(results, curves):
    mine = replace(results, curves=curves)
    assert results_from_json(json.loads(json.dumps(results_to_json(mine)))) == mine


def test_gain_sentence_says_where_and_counts_what_loses():
    said = say_gain_by_rpm(CurveAnswers((gain("d", "Birch", -0.003, 2.0), gain()), (), (), ()))
    assert said.us.startswith(
        "Alder 2.0, camshaft: most at 6000 rpm, +11\u202fhp (+7 to +15); shown as a gain between 5000 rpm and 6000 rpm; "
    )
    assert "it costs power between 3000 rpm and 3000 rpm" in said.us
    assert said.us.endswith("Of 2 changes with curves, 2 cost power at some speed beyond the error of the test.")
    assert "+8\u202fkW" in said.si
    nothing = say_gain_by_rpm(CurveAnswers((gain(half=50.0),), (), (), ()))
    assert "nowhere more than the error of the test." in nothing.us and "changes" not in nothing.us


def test_yield_sentence_gives_the_average_only_where_it_is_known():
    four = tuple(boosted(f"u{i}", f"r{i}") for i in range(4))
    told = say_yield_by_rpm(CurveAnswers((), four, (speed(0.5, 2.0, 3.7), speed(0.6, 0.8, 0.1), speed(1.0, 0.92, 0.07)), ())).us
    assert "80 (70 to 90)\u202f% of the rule at 60\u202f% of the speed" in told and "200" not in told
    assert told.endswith("92.0 (85.0 to 99.0)\u202f% of the rule at the speed of the unboosted power peak.")
    few = say_yield_by_rpm(CurveAnswers((), (boosted(),), (speed(0.5, None, 0),), ())).us
    assert few.startswith("1 build with boost logged against engine speed gives 80\u202f% of the rule at the bottom")
    assert "95\u202f% at the top" in few and few.endswith("an average needs 3.")
    assert "No boosted curve" in say_yield_by_rpm(CurveAnswers((), (), (), ())).us


def test_names_stand_clear_of_one_another_and_many_curves_have_none():
    def named(rows):
        return [(r["curve"], r["name"]) for r in rows if r["end"]]

    close = [boosted("u", "a", 0.9), boosted("u", "b", 1.3), boosted("v", "c", 1.31, "Birch"), boosted("w", "d", 1.8, "Larch")]
    rows = rows_of_yields(close)["yield_by_rpm"]
    assert named(rows) == [(0, "Alder 2.0"), (2, "Birch"), (3, "Larch")]  # a build once; Birch is clear of the named ones
    assert named(rows_of_yields([boosted(f"u{i}", f"r{i}") for i in range(MOST_NAMED + 1)])["yield_by_rpm"]) == []
    assert len({r["curve"] for r in rows_of_yields([boosted()] * 40)["yield_by_rpm"]}) == MOST_CURVES
    assert [r["rpm"] for r in rows_of_gains([gain()])["gain_by_rpm"] if r["end"]] == [6000.0]


@pytest.mark.browser
def test_both_charts_are_drawn_and_their_tables_open(results, curves, open_page, tmp_path):
    from playwright.sync_api import expect

    made = write_study_page(replace(results, curves=curves), tmp_path / "study.html")
    opened = open_page(made, "#speeds")
    page = opened.page
    page.locator("#speeds").scroll_into_view_if_needed()
    for name in ("yield_rpm", "gain_rpm"):
        page.wait_for_selector(f"#plot-{name} svg, #plot-{name} canvas", timeout=15000)
        page.locator(f"#chart-{name} details summary").click()
    expect(page.locator("#chart-gain_rpm tbody tr")).to_have_count(8)
    expect(page.locator("#chart-yield_rpm tbody tr")).to_have_count(3)
