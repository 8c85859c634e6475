"""Sentences say what their interval carries, and no more."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.estimate import Estimate
from reports.numbers import THIN
from reports.sentences import (
    Evidence,
    evidence_against,
    say_basis,
    say_curvature,
    say_estimate,
    say_example,
    say_flow,
    say_headline,
    say_marginal,
    say_next_engine,
    say_sensitivity,
    say_spread,
)

WHY = "Only one publisher has results; a second one is needed."


def ratio(low, high, level=0.95):
    return Estimate((low + high) / 2, low, high, level, "1", 40, 90)


@pytest.mark.parametrize(
    ("low", "high", "opening"),
    [
        (0.97, 1.04, "The rule holds."),
        (0.91, 0.96, "The rule runs a little high."),
        (1.02, 1.08, "The rule runs a little low."),
        (0.86, 0.93, "The rule runs high."),
        (1.04, 1.20, "The rule runs low."),
        (0.70, 0.85, "The rule promises too much."),
        (1.15, 1.30, "The rule promises too little."),
        (0.85, 1.05, "Cannot tell yet whether the rule holds."),
    ],
)
def test_headline_ladder(results, low, high, opening):
    said = say_headline(replace(results, rule_ratio=ratio(low, high)))
    assert said.us.startswith(opening) and said.si.startswith(opening)
    assert "one psi" in said.us and "kilopascal" in said.si and "psi" not in said.si


def test_headline_gives_the_range(results):
    assert say_headline(results).us == (
        f"The rule runs high. On average, a pound of boost (one psi) gives 88.1 to 92.9{THIN}% of what the rule says."
    )


def test_missing_answers_say_cannot_tell_and_why(results, estimate):
    none = Estimate(None, None, None, 0.95, "1", 0, 0, WHY)
    bare = replace(
        results, rule_ratio=none, new_build_rule_ratio=none, between_builds_sd=none, last_over_first=none, marginal_yield=()
    )
    for say in (say_headline, say_next_engine, say_spread, say_curvature):
        text = say(bare).us.lower()
        assert "cannot" in text and WHY.lower() in text
    assert "cannot be told" in say_marginal(bare).us
    assert "no range can be given" in say_headline(replace(results, rule_ratio=estimate(0.9, None))).us
    assert say_estimate("Spread", none).us == f"Spread: cannot tell. {WHY}"


ends = st.tuples(st.floats(0.01, 3), st.floats(0.001, 1.5)).map(lambda pair: (pair[0], pair[0] + pair[1]))


@settings(deadline=None)
@given(pair=ends)
def test_no_headline_says_more_than_its_interval(results, pair):
    low, high = pair

    text = say_headline(replace(results, rule_ratio=ratio(low, high))).us
    if text.startswith("The rule holds"):
        assert low >= 0.9 and high <= 1.1 and low <= 1 <= high
    elif "high" in text.split(".")[0] or "too much" in text:
        assert high < 1
    elif "low" in text.split(".")[0] or "too little" in text:
        assert low > 1
    else:
        assert low <= 1 <= high
    if "promises" in text:
        assert high < 0.9 or low > 1.1
    if "a little" in text:
        assert low >= 0.9 and high <= 1.1


@settings(deadline=None)
@given(pair=ends)
def test_curvature_is_plain_only_where_the_interval_is(results, pair):
    text = say_curvature(replace(results, last_over_first=ratio(*pair))).us
    low, high = pair
    if text.startswith("Later boost is worth less"):
        assert high < 1
    elif text.startswith("Later boost is worth more"):
        assert low > 1
    else:
        assert low <= 1 <= high and ("not settled" in text or "cannot tell" in text)


@pytest.mark.parametrize(
    ("estimate_", "grade"),
    [
        (ratio(0.8, 0.9), Evidence.CLEAR),
        (ratio(0.8, 0.9, level=0.8), Evidence.LEANING),
        (ratio(0.8, 1.01), Evidence.LEANING),
        (ratio(0.9, 1.09), Evidence.OPEN),
        (Estimate(1.0, 1.0, 1.0, 0.95, "1", 2, 2), Evidence.OPEN),
        (Estimate(0.9, None, 0.95, 0.95, "1", 2, 2, "w"), Evidence.MISSING),
    ],
)
def test_grades(estimate_, grade):
    assert evidence_against(estimate_, 1.0) is grade


def test_example_engine_in_both_systems(results):
    said = say_example(results)
    assert f"400{THIN}hp" in said.us and f"27.2{THIN}hp/psi" in said.us
    # 27.21 hp/psi times 0.8812 and 0.9294
    assert f"23.98 to 25.29{THIN}hp/psi" in said.us
    # 300 kW over 101.325 kPa
    assert f"300{THIN}kW" in said.si and f"2.96{THIN}kW/kPa" in said.si and "hp" not in said.si


def test_marginal_names_boost_and_rule(results):
    said = say_marginal(results)
    assert said.us == f"On a 400{THIN}hp engine at 20{THIN}psi, the next psi adds 19.4 to 21.8{THIN}hp; the rule says 27.2."
    assert said.si.startswith(f"On a 300{THIN}kW engine at 138{THIN}kPa, the next kPa adds")


def test_basis_and_flow_count_in_the_right_number(results, summary, estimate):
    one = replace(results, rule_ratio=estimate(0.9, 0.1, 1, 1), units=results.units[:1])
    assert say_basis(one).us == "1 run on 1 build by 1 publisher"
    assert say_basis(results).us == f"{len(results.runs)} runs on 118 builds by 14 publishers"
    text = say_flow(results, {"files": 1, "rows_read": 1, "accepted": 1, "refused": 1, "repeated": 0}).us
    assert text.startswith("1 row was read from 1 file; 1 was accepted, 1 refused with its reason, and 0 had")
    assert "531 rows were read from 16 files" in say_flow(results, summary).us


def test_sensitivity_names_the_ends(results):
    text = say_sensitivity(results).us
    assert f"87.8{THIN}% (straight line, no curvature)" in text and f"93.3{THIN}% of the rule" in text
    assert "have not been tried" in say_sensitivity(replace(results, sensitivity=())).us
