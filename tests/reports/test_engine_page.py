"""The engine page as written: cautions first, policy, tables, sentences, and what its script is handed."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace

import pytest

from models.expected_power import POSSIBLE, allowed_codes
from models.prediction_check import answer_prediction
from models.prediction_records import CoverageLine, PredictionResults
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
from pipeline.cli import estimate_shown as shown
from reports.engine_calculator import DIGITS, choices_of, engine_json, example_of
from reports.engine_page import render_engine_page
from reports.engine_sentences import say_comparison, say_honest, say_short
from reports.engine_tables import table_of_coverage, table_of_methods
from reports.page import script_json

PAGES = ["study.html", "engine.html", "appendix.html"]


@pytest.fixture(scope="module")
def prediction():
    made = simulate_study(world("base", 130), 5)
    return answer_prediction(choose_sample(made.runs, made.builds), invented=True)


@pytest.fixture(scope="module")
def html(results, prediction):
    return render_engine_page(results, prediction, PAGES)


def visible(html):
    """Text of the page without its scripts and styles."""
    return re.sub(r"<[^>]+>", " ", re.sub(r"<(script|style)[^>]*>.*?</\1>", " ", html, flags=re.S))


# ---- what stands in the file ----


def test_cautions_come_before_any_figure_of_power_or_boost(html):
    text = visible(html.split('<main id="main">')[1])
    first = re.search(r"\d\s*(hp|kW|psi|kPa)\b", text)
    assert text.index("More boost raises cylinder pressure") < text.index("guarded dyno") < first.start()


def test_policy_names_every_script_and_the_chart_library_stays_out(html):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)[1].replace("&#39;", "'")
    scripts = re.findall(r"<script>(.*?)</script>", html, flags=re.S)
    assert sum("window.engineModel" in script for script in scripts) == 2
    for script in scripts:
        assert base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() in policy
    assert "vega" not in html.replace("vega-embed", "").replace("vegaEmbed", "").replace("#vg-", "").lower().replace(
        "vega sets", ""
    )
    assert len(html) < 700_000 and not re.search(r"https?://(?!www\.w3\.org)", "".join(scripts[1:]))


def test_digits_and_units_are_those_of_the_command():
    for code, digits in DIGITS.items():
        printed = shown._UNITS[code]
        assert digits == {"power": printed["kW"][1], "boost": printed["kPa"][1], "yield": printed["kW/kPa"][1]}


def test_factors_are_those_of_the_command(prediction):
    units = engine_json(prediction.model, ())["units"]
    for code, one in units.items():
        assert one["perKw"] == shown._factor("kW", code) and one["perKpa"] == shown._factor("kPa", code)
        assert one["perYield"] == shown._factor("kW/kPa", code)


def test_choices_hold_every_code_and_say_which_the_study_lacks(prediction):
    choices = choices_of(prediction.model)
    seen = prediction.model.evidence.levels["fuel"]
    assert {code for code, _ in choices["fuel"]} == {code for code in allowed_codes("fuel") if code != "unstated"}
    for code, words in choices["fuel"]:
        assert words.endswith("(none in the study)") == (code not in seen)
    assert "none" not in dict(choices["induction"]) and "none" in dict(choices["charge_cooling"])


def test_the_example_lies_in_the_evidence(prediction):
    start = example_of(prediction.model)
    most = max(one.builds for one in prediction.model.evidence.classes)
    own = [
        c
        for c in prediction.model.evidence.classes
        if (c.induction, c.charge_cooling) == (start["induction"], start["charge_cooling"])
    ]
    assert own[0].builds == most


def test_coverage_and_other_ways_stand_in_tables(prediction, html):
    check = prediction.check
    coverage, methods = table_of_coverage(check), table_of_methods(check)
    assert len(coverage.rows) == len(check.lines) and len(methods.rows) == 5
    assert coverage.rows[0][1] == f"{100 * check.lines[0].cover80:.0f}\u202f%"
    band = next(row for row, line in zip(coverage.rows, check.lines, strict=True) if line.group == "5 to 10 psi")
    assert band[0].us == "Boost 5 to 10 psi" and band[0].si == "Boost 34 to 69 kPa"
    text = visible(html)
    assert say_honest(check) in text and say_comparison(check) in text
    assert f"{check.methods[1].error_pct:.1f}" in methods.rows[1][1]


def test_groups_that_fell_short_are_named_and_only_they(prediction):
    line = CoverageLine("induction", "centrifugal", None, None, 30, 60, 4.0, 0.2, 0.60, 0.90)
    whole = replace(line, kind="all", group="all boosted runs", cover80=0.6)
    few, fine = replace(line, builds=5, group="turbocharger"), replace(line, kind="charge_cooling", group="none", cover80=0.8)
    said = say_short(replace(prediction.check, lines=(whole, line, few, fine)))
    assert "centrifugal supercharger (60\u202f% of 30 builds)" in said.us
    assert "urbo" not in said.us and "ncooled" not in said.us and "all boosted" not in said.us
    assert say_short(replace(prediction.check, lines=(whole, fine))) is None


def test_a_better_way_to_predict_is_admitted(prediction):
    check = prediction.check
    best = replace(check.methods[1], error_pct=0.1)
    assert "The bare rule came closer here." in say_comparison(replace(check, methods=(check.methods[0], best)))


def test_without_a_model_the_page_says_why(results):
    html = render_engine_page(results, PredictionResults(None, None, "There are 2 builds <b>only</b>."), PAGES)
    assert "There are 2 builds &lt;b&gt;only&lt;/b&gt;." in html and 'id="calculator"' not in html.split("<script")[0]


def test_without_a_check_the_page_says_so(results, prediction):
    html = render_engine_page(results, replace(prediction, check=None), PAGES)
    assert "Too few builds to measure it" in html and 'id="calculator"' in html


def test_ends_of_the_possible_are_handed_over(prediction):
    text = script_json(engine_json(prediction.model, ()))
    assert json.loads(text)["possible"]["boost_kpa"][:2] == list(POSSIBLE["boost_kpa"][:2])
