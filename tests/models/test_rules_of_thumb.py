"""Verdicts on rules of thumb: each of the four can be reached, none is reached by less."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.estimate import Estimate
from models.rules_of_thumb import FAILS, HOLDS, LEANS, RULES, UNKNOWN, VERDICTS, Evidence, judge_rules


def found(value: float | None, half95: float | None, half90: float | None) -> Evidence:
    def at(half: float | None, level: float) -> Estimate:
        if value is None or half is None:
            return Estimate(value, None, None, level, "1", 10, 30, "One publisher.")
        return Estimate(value, value - half, value + half, level, "1", 10, 30)

    return Evidence(at(half95, 0.95), at(half90, 0.90))


def verdict(evidence: Evidence, rule: int = 0) -> str:
    return judge_rules({RULES[rule].tested_by: evidence}, (RULES[rule],))[0].verdict


CASES = [
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
]


@pytest.mark.parametrize("rule", range(len(RULES)))
@pytest.mark.parametrize(("value", "half95", "half90", "wanted"), CASES)
def test_verdict(rule, value, half95, half90, wanted):
    assert verdict(found(value, half95, half90), rule) == wanted


def test_only_what_cannot_be_told_says_what_would_tell():
    told, untold = (judge_rules({"rule_ratio": found(1.0, h, h)}, RULES[:1])[0] for h in (0.02, 0.5))
    assert told.would_tell == ""
    assert untold.would_tell == RULES[0].would_tell != ""


def test_absent_evidence_cannot_be_told_and_says_why():
    verdicts = judge_rules({})
    assert [v.verdict for v in verdicts] == [UNKNOWN] * len(RULES)
    assert all(v.estimate.value is None and v.estimate.why for v in verdicts)


def test_table_is_sound():
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.low < rule.predicts < rule.high
        assert rule.statement.endswith(".") and rule.would_tell.endswith(".")


def test_a_rule_is_added_by_a_row():
    extra = replace(RULES[0], id="belts", tested_by="belts", predicts=0.0, low=-0.05, high=0.05)
    assert judge_rules({"belts": found(0.0, 0.04, 0.03)}, (*RULES, extra))[-1].verdict == HOLDS


@given(value=st.floats(0.5, 1.5), half=st.floats(0.001, 0.4), share=st.floats(0.5, 0.99))
def test_verdict_is_one_of_four_and_wider_intervals_never_settle_more(value, half, share):
    narrow, wide = (verdict(found(value, h, h * share)) for h in (half, 3 * half))
    assert {narrow, wide} <= set(VERDICTS)
    if narrow == UNKNOWN:
        assert wide == UNKNOWN
    if wide == FAILS:
        assert narrow == FAILS
