"""Verdicts on rules of thumb: each of the four can be reached by every judge, none is reached by less."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.estimate import Estimate
from models.results import RuleEvidence
from models.rule_table import RULES
from models.rules_of_thumb import FAILS, HOLDS, LEANS, UNKNOWN, VERDICTS, judge_outside, judge_rules, judge_side

BAND = next(rule for rule in RULES if rule.id == "na_power_over_14_7")
ABOVE = replace(BAND, predicts=None, low=0.0, high=None, judge=judge_side)
BELOW = replace(BAND, predicts=None, low=None, high=0.0, judge=judge_side)
NOT_SAME = replace(BAND, predicts=1.0, low=0.95, high=1.05, judge=judge_outside)


def found(value: float | None, half95: float | None, half90: float | None, name: str = "rule_ratio") -> RuleEvidence:
    def at(half: float | None, level: float) -> Estimate:
        if value is None or half is None:
            return Estimate(value, None, None, level, "1", 10, 30, "One publisher.")
        return Estimate(value, value - half, value + half, level, "1", 10, 30)

    return RuleEvidence(name, "a figure", at(half95, 0.95), at(half90, 0.90))


def verdict(evidence: RuleEvidence, rule=BAND) -> str:
    return judge_rules([replace(evidence, name=rule.tested_by)], (rule,))[0].verdict


@pytest.mark.parametrize(
    ("value", "half95", "half90", "wanted"),
    [
        (1.00, 0.06, 0.05, HOLDS),
        (0.99, 0.02, 0.015, HOLDS),
        (0.95, 0.03, 0.025, LEANS),  # inside the tolerance, and yet not 1
        (1.05, 0.04, 0.03, LEANS),
        (0.95, 0.06, 0.049, HOLDS),  # narrow interval just inside, wide one holds 1
        (0.95, 0.07, 0.055, UNKNOWN),  # narrow interval reaches out
        (0.85, 0.03, 0.025, FAILS),
        (0.85, 0.06, 0.04, UNKNOWN),  # wide interval reaches in
        (1.20, 0.05, 0.04, FAILS),
        (1.00, 0.30, 0.25, UNKNOWN),
        (0.95, None, None, UNKNOWN),
        (None, None, None, UNKNOWN),
    ],
)
def test_band(value, half95, half90, wanted):
    assert verdict(found(value, half95, half90)) == wanted


@pytest.mark.parametrize(
    ("value", "half95", "half90", "wanted"),
    [
        (0.10, 0.05, 0.04, HOLDS),
        (0.05, 0.055, 0.045, LEANS),  # only the narrow interval stays above 0
        (0.02, 0.05, 0.04, UNKNOWN),
        (-0.10, 0.05, 0.04, FAILS),
        (-0.02, 0.05, 0.04, UNKNOWN),
        (0.10, None, None, UNKNOWN),
    ],
)
def test_one_side(value, half95, half90, wanted):
    assert verdict(found(value, half95, half90), ABOVE) == wanted
    assert verdict(found(None if value is None else -value, half95, half90), BELOW) == wanted


@pytest.mark.parametrize(
    ("value", "half95", "half90", "wanted"),
    [
        (0.85, 0.05, 0.04, HOLDS),
        (0.93, 0.05, 0.04, LEANS),  # not the same, and perhaps by little
        (0.97, 0.05, 0.04, UNKNOWN),
        (1.00, 0.04, 0.03, FAILS),
        (1.20, 0.05, 0.04, HOLDS),
        (None, None, None, UNKNOWN),
    ],
)
def test_claims_that_two_things_differ(value, half95, half90, wanted):
    assert verdict(found(value, half95, half90), NOT_SAME) == wanted


def test_only_what_cannot_be_told_says_what_would_tell():
    told, untold = (judge_rules([found(1.0, h, h)], (BAND,))[0] for h in (0.02, 0.5))
    assert told.would_tell == ""
    assert untold.would_tell == BAND.would_tell != ""


def test_absent_evidence_cannot_be_told_and_says_why():
    verdicts = judge_rules((), RULES)
    assert [v.verdict for v in verdicts] == [UNKNOWN] * len(RULES)
    assert all(v.estimate.value is None and v.estimate.why and v.would_tell for v in verdicts)


def test_table_is_sound():
    assert len(RULES) == 19 and len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        ends = [end for end in (rule.low, rule.predicts, rule.high) if end is not None]
        assert ends == sorted(ends) and ends
        assert (rule.low is None or rule.high is None) == (rule.judge is judge_side)
        assert rule.statement.endswith(".") and rule.would_tell.endswith(".") and rule.tolerance


def test_a_rule_is_added_by_a_row():
    extra = replace(BAND, id="belts", tested_by="belts", predicts=0.0, low=-0.05, high=0.05)
    assert judge_rules([found(0.0, 0.04, 0.03, "belts")], (*RULES, extra))[-1].verdict == HOLDS


@given(
    value=st.floats(-1.5, 1.5), half=st.floats(0.001, 0.4), share=st.floats(0.5, 0.99),
    rule=st.sampled_from([BAND, ABOVE, BELOW, NOT_SAME]),
)  # fmt: skip
def test_verdict_is_one_of_four_and_wider_intervals_never_settle_more(value, half, share, rule):
    narrow, wide = (verdict(found(value, h, h * share), rule) for h in (half, 3 * half))
    assert {narrow, wide} <= set(VERDICTS)
    if narrow == UNKNOWN:
        assert wide == UNKNOWN or (rule is NOT_SAME and wide != HOLDS)
    if wide == FAILS and rule is not NOT_SAME:
        assert narrow == FAILS
    if wide == HOLDS and rule is not BAND:
        assert narrow == HOLDS
