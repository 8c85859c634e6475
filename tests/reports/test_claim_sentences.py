"""Sentences of a judged claim: every verdict in both unit systems, no word above its rung, hostile names cleaned."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.claim_records import VERDICTS, Claim, ClaimAnswer, Condition, NearRecord
from models.estimate import Estimate
from models.estimate_answers import OutsideItem, Ranges
from models.estimate_records import EngineRequest
from models.strength import strength_of_ranges
from reports.claim_sentences import say_claim
from reports.numbers import SI, US

RANGES = Ranges(470.0, 445.0, 498.0, 425.0, 520.0, "kW")
ENGINE = EngineRequest(313.2, 55.16, induction="turbocharger", charge_cooling="air_to_air")
HOSTILE = "<script>alert(1)</script>\u202e=cmd|'/C calc'!A0 " + "W" * 400
MADE = {"low": 430.0, "in line": 470.0, "high but seen": 510.0, "beyond the evidence": 560.0, "cannot judge": 470.0}


def answer(verdict="in line", kind="boost", **more) -> ClaimAnswer:
    made = more.pop("made", MADE[verdict])
    figure = {"made_kw": made} if kind == "boost" else {"made_kw": made, "yield_kw_per_kpa": 2.8} if kind == "yield" else {}
    figure = {"parts": ("cylinder_head",), "gain_kw": made} if kind == "part" else figure
    claim = Claim(kind, engine=ENGINE, **figure)
    known = {} if verdict == "cannot judge" else {"expected": RANGES, "percentile": 60.0, "highest_percentile": 99.8}
    plain = ClaimAnswer(
        claim, verdict=verdict, claimed=made, rule_kw=483.0, seen=2, compared=30, strength=strength_of_ranges(RANGES, made).name,
        why="It lies far outside." if verdict == "cannot judge" else None, builds=226, runs=854, **known,
    )  # fmt: skip
    return replace(plain, **more)


@pytest.mark.parametrize("system", [US, SI])
@pytest.mark.parametrize("kind", ["boost", "yield", "part"])
@pytest.mark.parametrize("verdict", VERDICTS)
def test_every_verdict_is_said_in_both_systems(verdict, kind, system):
    words = say_claim(answer(verdict, kind), system)
    for text in (words.verdict, words.to_print, words.to_avoid):
        assert text.endswith(".") and "None" not in text and "nan" not in text and "  " not in text
    unit = {"us": "hp", "si": "kW"}[system.code]
    other = {"us": "kW", "si": "hp"}[system.code]
    assert unit in words.to_print and not re.search(rf"\d\s?{other}\b", words.to_print)
    if verdict == "cannot judge":
        assert "80" not in words.verdict and "cannot tell" in words.to_print


def test_the_printed_range_is_that_of_the_answer():
    words = say_claim(answer("in line"), US)
    assert "597 to 668" in words.to_print and "597 to 668" in words.verdict  # 445 and 498 kW
    assert "four engines in five" in words.to_print and "226 builds" in words.to_print


def test_seen_and_unseen_are_told_apart():
    seen, unseen = (say_claim(answer("high but seen", seen=n), US).verdict for n in (2, 0))
    assert "2 of 30 comparable records came out as high" in seen
    assert "none of 30 comparable records came out as high" in unseen and "inside the 95" in unseen
    alone = say_claim(answer("high but seen", seen=0, compared=0), US)
    assert "no record is comparable" in alone.verdict
    assert any("only the fitted range speaks" in one for one in alone.caveats)
    one = say_claim(answer("beyond the evidence", seen=0, compared=1), US).verdict
    assert "the one comparable record did not come out as high" in one


@pytest.mark.parametrize(
    ("share", "said"), [(99.6, "more than 99 of 100"), (0.3, "fewer than 1 of 100"), (62.4, "about 62 of 100")]
)
def test_places_are_never_finer_than_builds_can_tell(share, said):
    assert said in say_claim(answer(percentile=share), US).verdict


def test_few_builds_cap_the_place_lower():
    text = say_claim(answer(percentile=97.4, highest_percentile=97.5), US).verdict
    assert "more than 97 of 100" in text


@settings(max_examples=60)
@given(
    st.floats(200, 800), st.floats(1, 80), st.floats(1.01, 3.0), st.floats(150, 1200),
    st.sampled_from(["boost", "part"]), st.booleans(),
)  # fmt: skip
def test_no_sentence_says_more_than_its_range(value, half, wider, made, kind, has_wide):
    ranges = Ranges(
        value,
        value - half,
        value + half,
        value - half * wider if has_wide else None,
        value + half * wider if has_wide else None,
        "kW",
    )
    verdict = (
        "in line" if abs(made - value) <= half else "low" if made < value
        else "high but seen" if not has_wide or made <= value + half * wider else "beyond the evidence"
    )  # fmt: skip
    rung = strength_of_ranges(ranges, made).name
    words = say_claim(answer(verdict, kind, made=made, expected=ranges, strength=rung), US)
    says_show, says_suggest = ("records show" in words.to_print, "records suggest" in words.to_print)
    is_outside_wide = has_wide and abs(made - value) > half * wider
    assert not says_show or is_outside_wide
    assert not says_suggest or abs(made - value) > half
    assert ("cannot tell" in words.to_print) >= (verdict == "in line")
    assert "prove" not in words.to_print and "always" not in words.to_print


def test_what_would_have_to_be_true_is_told():
    conditions = (
        Condition("na_output", 330.0, 345.0, 360.0, "kW"), Condition("boost", None, 80.0, None, "kPa"),
        Condition("wheel_against_crank", value=0.85, words="na"), Condition("powers_in_two_units", value=1.34, words="na"),
        Condition("air", value=1.1, words="made"), Condition("boost_is_absolute", value=20.0, unit="kPa"),
        Condition("catalogue_figure"), Condition("charge_cooling", words="air_to_water"),
    )  # fmt: skip
    told = say_claim(answer("beyond the evidence", conditions=conditions), US).conditions
    assert len(told) == len(conditions)
    assert "443 to 483" in told[0] and "11.6" in told[1] and "not a boost to set" in told[1]
    assert "wheels" in told[2] and "in kW" in told[3] and "as read" in told[4] and "absolute" in told[5]
    assert "maker's rating" in told[6] and "air to water" in told[7]


def test_hostile_names_are_one_line_of_plain_characters():
    record = NearRecord("s", HOSTILE, HOSTILE, "like it", HOSTILE, 300.0, 450.0, 50.0, 440.0, False)
    outside = OutsideItem("fuel", HOSTILE, None, "", None, 0, 1.5)
    words = say_claim(answer("high but seen", evidence=(record,), outside=(outside,), widened=1.5, name=HOSTILE), US)
    for text in (*words.evidence, *words.caveats):
        assert "\u202e" not in text and len(text) < 900
    problem = say_claim(ClaimAnswer(None, HOSTILE, 3, {"a": HOSTILE}, problem=HOSTILE), US)
    assert problem.verdict.startswith("Not read: ") and "\u202e" not in problem.verdict and problem.to_print == ""


def test_powers_as_read_in_thin_air_are_shown_as_given():
    claim = replace(answer().claim, given_to_corrected=1.25)
    words = say_claim(answer(claim=claim), US)
    assert "477 to 534" in words.to_print and any("as read" in one for one in words.caveats)


@pytest.mark.parametrize(
    ("verdict", "rule_verdict"),
    [("in line", "holds"), ("beyond the evidence", "does not hold"), ("cannot judge", "cannot tell yet")],
)
def test_rules_are_said_with_what_the_records_give(verdict, rule_verdict):
    found = ClaimAnswer(
        Claim("rule", rule="r"), verdict=verdict, claimed=1.0, figure=Estimate(0.92, 0.89, 0.95, 0.95, "1", 226, 854),
        statement="Each psi of boost is worth so much.", rule_verdict=rule_verdict, tolerance="10 % of the rule", why="More builds.", builds=226,
    )  # fmt: skip
    words = say_claim(found, US)
    assert "0.92" in words.to_print and "0.89" in words.to_print and words.to_avoid
    assert ("cannot tell" in words.to_print) == (verdict == "cannot judge")
