"""The parts page: what it says, what its charts draw, and sliders whose figures are those of the command."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import altair as alt
import numpy as np
import polars as pl
import pytest

from models import offset_records
from models.choose import gain_of, growth_of, parts_of
from models.curve_records import GainCurve, GainPoint
from models.estimate import Estimate
from models.gain_answers import answer_gains
from models.gain_records import CurveGain, Span
from models.offset_boost import answer_offset
from models.offset_draws import standard_draws
from models.offset_evidence import highest_tested
from models.offset_records import Engine, Gain, OffsetModel, PowerCurve
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA
from models.simulate_changes import ChangeTruth, simulate_changes
from pipeline.cli.offset import _engine_of, _share_of
from pipeline.cli.offset_shown import written
from reports.charts.export import chart_to_png
from reports.charts.parts import chart_both_ways, chart_part_gains, charts_gain_by_size, kinds_drawn, rows_of_parts
from reports.numbers import SI, US
from reports.parts_calculator import commonest_kind, largest_share
from reports.parts_page import render_parts_page, write_parts_page
from reports.parts_sentences import say_by_size, say_falls_short, say_parts_headline
from reports.parts_tables import round_outputs, table_of_the_trade

HP = 0.7456998715822702
HOSTILE = "</script><img src=x onerror=window.pwned=1> {{ 7*7 }} \u202e"


def kind(induction, cooling, fuel, builds, low, high, tops):
    boosts = tuple(psi * KPA_PER_PSI for psi in tops)
    ratios = tuple(boost / SEA_LEVEL_KPA for boost in boosts)
    return offset_records.TestedKind(induction, cooling, fuel, builds, low, high, boosts, ratios, (builds,) * int(tops[0]) + (1,))


CURVED = PowerCurve(None, None, 0.92, -0.05, 0.0002, 0.0001, -0.00004, 0.012, 20, 226, 855, 21, 226, None, 0.0003)
STRAIGHT = replace(CURVED, induction="centrifugal", slope=0.85, curvature=0.0, var_curvature=0.0, covariance=0.0,
                   curvature_why="Too few levels.", engine_var_curvature=0.0, builds_of_kind=9)  # fmt: skip
WEAK = replace(CURVED, induction="positive_displacement", slope=0.35, engine_var=0.04, builds_of_kind=5)
MODEL = OffsetModel(
    "3f9a1c", "0.1.0", "2026-01-01", True,
    (CURVED, replace(CURVED, induction="turbocharger", charge_cooling="air_to_air", slope=0.95, builds_of_kind=98), STRAIGHT, WEAK),
    (
        kind("turbocharger", "air_to_air", "petrol", 98, 60 * HP, 800 * HP, (19.0, 18.0, 17.4, 12.0)),
        kind("turbocharger", "none", "race_petrol", 2, 100 * HP, 500 * HP, (12.0, 9.0)),
        kind("centrifugal", "none", "petrol", 9, 110 * HP, 340 * HP, (9.0, 8.0, 6.55, 4.0)),
        kind("positive_displacement", "air_to_water", "petrol", 5, 90 * HP, 520 * HP, (11.0, 10.0, 9.25, 7.0)),
    ),
    0.0224, 1.38, 0.95, 2.086, standard_draws(20),
)  # fmt: skip

pytestmark = pytest.mark.slow
PARTS = ["study.html", "parts.html", "appendix.html"]


@pytest.fixture(scope="module")
def gains(results):
    made = simulate_changes(ChangeTruth(engines=70, growth=0.7, both_share=0.4), 9)
    source = pl.DataFrame({"source": made.changes["source"].unique(), "invented": True})
    return answer_gains({"run": made.runs, "build": made.builds, "source": source, "change": made.changes}, results)


@pytest.fixture(scope="module")
def html(results, gains):
    return render_parts_page(results, gains, MODEL, PARTS)


@pytest.fixture(scope="module")
def file(results, gains, tmp_path_factory):
    return write_parts_page(results, gains, MODEL, tmp_path_factory.mktemp("parts") / "parts.html", PARTS)


def data_of(html):
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', html, re.DOTALL)[1])


def test_caution_stands_before_any_boost_and_each_script_has_its_hash(html):
    body = html[html.index("<main") :]
    assert body.index("Equal power is not equal stress.") < min(body.index(f"\u202f{unit}") for unit in ("psi", "kPa"))
    assert "Nothing here proposes more boost than the evidence of its class." in body
    assert len(re.findall("sha256-", html.split("style-src")[0])) == html.count("<script>") == 3


def test_headline_names_the_gain_the_next_engine_can_count_on(gains):
    said = say_parts_headline(gains).us
    first = max(gains.parts, key=lambda one: one.new_engine_pct.low if one.new_engine_pct.low is not None else -99.0)
    if (first.new_engine_pct.low or 0.0) > 0.0:
        assert first.part.replace("_", " ").capitalize() in said and "the next engine gains" in said
    wide = tuple(
        replace(one, new_engine_pct=replace(one.new_engine_pct, low=-1.0), not_measurable=replace(one.not_measurable, value=0.0))
        for one in gains.parts
    )
    assert say_parts_headline(replace(gains, parts=wide)).us == "No kind of part gives a gain that the next engine can count on."
    assert "cannot be told" in say_parts_headline(replace(gains, parts=())).us


def test_growth_with_specific_output_is_said_no_stronger_than_its_interval(gains):
    def said(low, high):
        moderation = Estimate((low + high) / 2, low, high, 0.95, "1", 10, 20)
        return say_by_size(replace(gains, growth=replace(gains.growth, moderation=moderation))).us

    assert "gain more, also as a share" in said(0.2, 0.9)
    assert "cannot be told" in said(-0.2, 0.9) and "gain less" in said(-0.9, -0.2)


def test_simple_figure_lies_below_the_range_only_where_it_does(gains):
    engine = Engine(400 * HP, SEA_LEVEL_KPA, 17 * KPA_PER_PSI, None, "turbocharger", "air_to_air", "petrol")
    high = answer_offset(MODEL, engine, Gain(0.1), growth_of(gains))
    low = answer_offset(MODEL, replace(engine, boost_kpa=KPA_PER_PSI), Gain(0.1), growth_of(gains))
    assert high.rule_kpa < high.at_boost.low and "below the whole range" in say_falls_short((low, high)).us
    assert low.rule_kpa > low.at_boost.low and "within the range" in say_falls_short((low,)).si
    assert "17\u202fpsi" in say_falls_short((high,)).us and "117\u202fkPa" in say_falls_short((high,)).si


def test_trade_table_holds_round_engines_of_either_system_within_what_was_tested(gains):
    engine = Engine(1.0, SEA_LEVEL_KPA, None, None, "turbocharger", "air_to_air", "petrol")
    assert [round(kw / HP) for kw in round_outputs(60 * HP, 800 * HP, US)] == [300, 400, 500, 600, 700, 800]
    assert all(45.0 <= kw <= 400.0 and kw % 75 == pytest.approx(0) for kw in round_outputs(45.0, 400.0, SI))
    boosts = {"us": 8 * KPA_PER_PSI, "si": 55.0}
    table = table_of_the_trade(MODEL, engine, (60 * HP, 800 * HP), boosts, growth_of(gains))
    assert table.rows[0][0].us == "20 on 300\u202fhp" and table.rows[0][0].si == "15 on 225\u202fkW"
    # simple rule: 20 hp on 300 hp is 20 / (300 / 14.7) psi
    assert table.rows[0][1].us == f"{20 / (300 / 14.7):.2f}"
    answer = answer_offset(MODEL, replace(engine, na_kw=300 * HP, boost_kpa=8 * KPA_PER_PSI), Gain(20 / 300), growth_of(gains))
    low, high = (f"{end / KPA_PER_PSI:.2f}" for end in (answer.at_boost.low, answer.at_boost.high))
    assert table.rows[0][4].us == f"{low} to {high}"


def test_rows_and_charts_hold_every_pair_once_and_ratios_of_noise_set_no_axis(gains):
    rows = rows_of_parts(gains)
    fed = [p for p in gains.pairs if "kind" in p.feeds]
    boosted = {one.part: one.condition == "under boost" for one in kinds_drawn(gains)}
    assert len(rows["part_pairs"]) == sum(p.is_boosted == boosted.get(p.kind) for p in fed) > 20
    told = [row["ratio"] for row in rows["both_ways"] if row["is_told"]]
    assert all(
        0.0 <= row["drawn_at"] <= max(2.0, *told, *(r["power_ratio"] for r in rows["both_ways"])) for row in rows["both_ways"]
    )
    frames = [(place, f"frame {place}") for place in range(2)]
    charts = [chart_part_gains(rows, "d"), chart_both_ways(rows, SI, "d"), *charts_gain_by_size(rows, frames, US)]
    for chart in charts:
        alt.LayerChart.from_dict(chart.spec)
        shown = chart_to_png(chart.spec, rows, width=300, scale=1)
        assert shown != chart_to_png(chart.spec, {name: [] for name in chart.uses}, width=300, scale=1)
    assert "datum.k === 1 &&" in json.dumps(charts[-1].spec) and charts[-1].spec["description"] == "frame 1"


def test_page_without_pairs_without_curve_and_without_kinds_still_reads(results, gains):
    none = replace(gains, pairs=(), parts=(), curves=(), notes=(), growth=replace(
        gains.growth, growth=Estimate(None, None, None, 0.95, "1", 0, 0, "No pairs."), both_ways=(), left_out=(), named=(),
    ))  # fmt: skip
    page = render_parts_page(results, none, replace(MODEL, curves=(), tested=(), draws=(), why="One publisher <b>only</b>."))
    assert "No before/after pair is on record yet" in page and "One publisher &lt;b&gt;only&lt;/b&gt;." in page
    assert data_of(page)["calculator"] is None and data_of(page)["uses"] == {}
    assert "cannot be told" in render_parts_page(results, none, MODEL)


def test_contributed_text_stays_text(results, gains):
    pairs = tuple(replace(p, build=HOSTILE, publisher=HOSTILE, engine=HOSTILE) for p in gains.pairs)
    points = tuple(GainPoint(rpm, 100.0, 104.0, 4.0, 2.0, 6.0) for rpm in (3000.0, 5000.0))
    curve = GainCurve("c", "b", "a", "s", HOSTILE, HOSTILE, ("camshaft",), "as reported", True, 0.95, points)
    won = Estimate(4.0, 2.0, 6.0, 0.95, "kW", 1, 2)
    over = CurveGain(curve, Span(4000.0, 5000.0), won, replace(won, unit="%"), 8000.0, (Span(3000.0, 5000.0),), (), "Won 4.0 kW.")
    page = render_parts_page(results, replace(gains, pairs=pairs, curves=(over,)), MODEL, PARTS)
    assert "<img src=x" not in page and "\u202e" not in page and "{{ 7*7 }}" in page
    assert 'href="study.html#speeds"' in page and "Won 5 hp." in page


def test_sliders_start_from_the_commonest_kind_and_end_at_what_pairs_showed(gains):
    assert commonest_kind(MODEL).builds == 98
    most = max(p.gain_pct.value for p in gains.pairs if p.feeds and not p.is_boosted) / 100
    assert largest_share(gains) == pytest.approx(min(most, 0.25))
    assert largest_share(replace(gains, pairs=())) == 0.15


# ---- in a real browser ----


def asked(rng, gains, units):
    """A random question in the reader's units: options of the command by name."""
    codes = [("turbocharger", "air_to_air", "petrol"), ("centrifugal", "none", "petrol"),
             ("positive_displacement", "air_to_water", "petrol"), ("", "", ""), ("turbocharger", "", "")]  # fmt: skip
    induction, cooling, fuel = codes[rng.integers(len(codes))]
    one = Engine(1.0, SEA_LEVEL_KPA, None, None, induction or None, cooling or None, fuel or None)
    kinds = [
        k for k in MODEL.tested if (not induction or k.induction == induction) and (not cooling or k.charge_cooling == cooling)
    ]
    per, boost_per, digits = (HP, KPA_PER_PSI, 1) if units == "us" else (1.0, 1.0, 0)
    na = int(rng.integers(np.ceil(min(k.lowest_na_kw for k in kinds) / per), np.floor(max(k.highest_na_kw for k in kinds) / per)))
    top = np.floor(highest_tested(MODEL, one).boost_kpa / boost_per * 10**digits) / 10**digits
    boost = 0.0 if rng.random() < 0.2 else round(float(rng.uniform(0.1, max(top, 0.1))), digits)
    part = parts_of(gains)[rng.integers(len(parts_of(gains)))].part if rng.random() < 0.3 else ""
    gain = int(rng.integers(1, max(2, int(largest_share(gains) * na))))
    return {
        "na": na,
        "gain": gain,
        "boost": min(boost, float(top)),
        "part": part,
        "induction": induction,
        "cooling": cooling,
        "fuel": fuel,
    }


def of_the_command(q, gains, units):
    """What the command prints for the question: best and range from no boost, the same at boost, the simple figure."""
    power, boost = ("hp", "psi") if units == "us" else ("kW", "kPa")
    options = {"units": units, "ambient": None, "made": None, "boost": f"{q['boost']:g}{boost}" if q["boost"] else None}
    options |= {name: (q[name] or None) and q[name].replace("_", " ") for name in ("induction", "cooling", "fuel")}
    from pipeline.cli.amounts import read_amount

    engine = _engine_of(read_amount(f"{q['na']}{power}", "power", units), options)
    part = next((p for p in parts_of(gains) if p.part == q["part"]), None)
    gain = gain_of(part) if part else Gain(_share_of(f"{q['gain']}{power}", engine.na_kw, units, "gain"))
    # the command asks for the growth only where boost runs or a kind of part is named
    growth = growth_of(gains) if part or q["boost"] else growth_of(None)
    answer = answer_offset(MODEL, engine, gain, growth)

    def cells(estimate):
        return (
            None
            if estimate is None
            else [written(v, "kPa", units, unit=False) for v in (estimate.value, estimate.low, estimate.high)]
        )

    return {
        "rule": written(answer.rule_kpa, "kPa", units, unit=False),
        "still": cells(answer.at_no_boost),
        "running": cells(answer.at_boost),
    }


SET = """(q) => {
  const put = (id, value, event) => { const e = document.getElementById(id); e.value = value; e.dispatchEvent(new Event(event, {bubbles: true})); };
  for (const name of ['part', 'induction', 'cooling', 'fuel']) put('c-' + name, q[name], 'change');
  put('c-na-typed', q.na, 'change');
  if (!q.part) put('c-gain-typed', q.gain, 'change');
  put('c-boost-typed', q.boost, 'change');
  const text = (id) => document.getElementById(id).textContent.replace(/\\u202f/g, ' ').replace(/\\u2212/g, '-');
  return {
    simple: text('r-simple'), still: text('r-still'), stillBest: text('r-still-small'), command: text('r-command'),
    running: document.getElementById('r-running-line').hidden ? null : text('r-running'), runningBest: text('r-running-small'),
  };
}"""


def as_shown(cells, unit):
    value, low, high = cells
    if high == "-":
        reach = "not bounded by these data" if low == "-" else f"{low} and up, not bounded {unit}"
    else:
        reach = f"up to {high}, not bounded below {unit}" if low == "-" else f"{low} to {high} {unit}"
    return reach, "no boost gives the same power on this curve" if value == "-" else f"best single figure {value} {unit}"


@pytest.mark.browser
@pytest.mark.parametrize("units", ["us", "si"])
def test_figures_are_those_of_the_command_to_the_last_digit(file, gains, open_page, units):
    opened = open_page(file, f"#offset&units={units}")
    rng, unit = np.random.default_rng(5), "psi" if units == "us" else "kPa"
    running = unbounded = straight = 0
    for _ in range(100):
        q = asked(rng, gains, units)
        seen, right = opened.page.evaluate(SET, q), of_the_command(q, gains, units)
        assert seen["simple"] == f"{right['rule']} {unit}", (q, seen)
        assert (seen["still"], seen["stillBest"]) == as_shown(right["still"], unit), (q, seen)
        assert (seen["running"] is None) == (right["running"] is None), (q, seen)
        if right["running"]:
            assert (seen["running"], seen["runningBest"]) == as_shown(right["running"], unit), (q, seen)
        running += right["running"] is not None
        unbounded += right["still"][2] == "-"
        straight += q["induction"] == "centrifugal"
    assert running > 50 and unbounded > 3 and straight > 5
    assert opened.messages == [] and opened.requests == [file.resolve().as_uri()]


@pytest.mark.browser
def test_simple_figures_of_common_practice_no_published_source(file, open_page):
    page = open_page(file).page
    plain = {"gain": 56, "boost": 0, "part": "", "induction": "turbocharger", "cooling": "air_to_air", "fuel": "petrol"}
    found = [float(page.evaluate(SET, plain | {"na": na})["simple"].split()[0]) for na in (400, 500, 600, 700)]
    assert found == pytest.approx([2.06, 1.65, 1.37, 1.18], abs=0.006)
    assert found == pytest.approx([2, 1.9, 1.5, 1.25], abs=0.3)  # as the trade rounds them


@pytest.mark.browser
def test_a_slider_moves_the_figure_and_nothing_typed_goes_beyond_what_was_tested(file, open_page):
    page = open_page(file).page
    before = page.locator("#r-running").inner_text()
    page.locator("#c-boost").focus()
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    assert page.locator("#c-boost-typed").input_value() == "9.0" and page.locator("#r-running").inner_text() != before
    page.locator("#c-boost-typed").fill("60")
    page.keyboard.press("Tab")
    assert page.locator("#c-boost-typed").input_value() == "17.4" == page.locator("#c-boost").get_attribute("max")
    assert "17.4\u202fpsi that three builds of this class ran" in page.locator("#r-beyond").inner_text()
    page.locator("#c-na-typed").fill("5000")
    page.keyboard.press("Tab")
    assert page.locator("#c-na-typed").input_value() == "800"
    page.locator("#c-induction").select_option("centrifugal")
    assert "no build of the study" in page.locator("#r-none").inner_text().lower() and page.locator("#r-some").is_hidden()
    page.locator("#c-cooling").select_option("none")
    assert page.locator("#c-boost").get_attribute("max") == "6.5" and page.locator("#c-na-typed").input_value() == "340"


@pytest.mark.browser
def test_switch_of_units_keeps_the_engine_and_the_command_line_answers(file, open_page):
    page = open_page(file, width=360).page
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.locator("#c-part").select_option("camshaft")
    assert page.locator("#c-gain").is_disabled()
    assert page.locator("#r-command").inner_text() == (
        'poundworth offset --na 400hp --part "camshaft" --boost 8psi --induction "turbocharger" --cooling "air to air" --fuel "petrol"'
    )
    page.locator("input[name=units][value=si]").check(force=True)
    page.wait_for_selector("html[data-drawn=si]")
    assert page.locator("#c-na-typed").input_value() == "298" and page.locator("#c-boost-typed").input_value() == "55"
    assert page.locator("#r-command").inner_text().endswith("--units si") and "kPa" in page.locator("#r-running").inner_text()
    page.locator("details.data[data-chart=offset_output] summary").click()
    page.locator("#chart-offset_output tbody tr").first.wait_for()
    assert page.locator("#chart-offset_output tbody tr").count() > 20
    assert "hp" not in re.findall(r"\w+", page.locator("#offset").inner_text())


@pytest.mark.browser
def test_charts_are_drawn_and_a_table_opens(file, open_page):
    page = open_page(file).page
    drawn = page.locator(".plot svg.marks").count()
    assert drawn == 4 + page.locator("figure.map").count() >= 7
    page.locator("details.data[data-chart=both_ways] summary").click()
    page.locator("#chart-both_ways tbody tr").first.wait_for()
    assert page.locator("#chart-both_ways tbody tr").count() > 5
    assert page.locator("#plot-offset_output svg path").count() > 9
