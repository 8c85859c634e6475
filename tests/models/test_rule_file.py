"""A reader's own rules: read, judged, or refused with a sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.estimate import Estimate
from models.results import RuleEvidence
from models.rule_file import parse_rules
from models.rules_of_thumb import judge_band, judge_outside, judge_rules, judge_side
from pipeline.errors import RequestProblem

FIGURES = ("rule_ratio", "last_over_first", "charge_cooling")
MINE = """
[[rule]]
id = "mine"
statement = "Each psi is worth 6 % of unboosted power."
estimate = "rule_ratio"
low = 0.8
high = 0.95
predicts = 0.9
[[rule]]
id = "cooled"
statement = "A cooler pays."
estimate = "charge_cooling"
low = 0
tolerance = "anything above nothing"
would_tell = "Cooled and uncooled builds."
[[rule]]
id = "bent"
statement = "The last psi is not the first."
estimate = "last_over_first"
low = 0.98
high = 1.02
outside = true
"""


def test_rules_are_read_and_judged():
    rules = parse_rules(MINE, "my.toml", FIGURES)
    assert [rule.judge for rule in rules] == [judge_band, judge_side, judge_outside]
    assert rules[0].tolerance == "between 0.8 and 0.95" and rules[2].tolerance == "outside 0.98 to 1.02"
    estimate = Estimate(0.9, 0.88, 0.92, 0.95, "1", 9, 30)
    verdicts = judge_rules([RuleEvidence("rule_ratio", "", estimate, estimate)], rules)
    assert [v.verdict for v in verdicts] == ["holds", "cannot tell yet", "cannot tell yet"]
    assert verdicts[1].would_tell == "Cooled and uncooled builds."


GOOD = {"id": '"a"', "statement": '"S."', "estimate": '"rule_ratio"', "low": "0.9", "high": "1.1"}


def one(**changes: str | None) -> str:
    lines = [f"{key} = {value}" for key, value in {**GOOD, **changes}.items() if value is not None]
    return "[[rule]]\n" + "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("low = [", "my.toml is no TOML"),
        ("", "no such list"),
        ("rule = 3", "no such list"),
        ("[[rule]]\n" * 501, "more than that"),
        ("other = 1\n" + one(), "other beside its rules"),
        (one(id=None), "has id = 'None'"),
        (one(id='"A b"'), "an id is a small letter"),
        (one(statement='" "'), "statement = ' '"),
        (one(statement='"' + "x" * 501 + '"'), "1 to 500"),
        (one(estimate='"rule_ratoi"'), "nearest are rule_ratio"),
        (one(estimate='"zzz"'), "it has rule_ratio, last_over_first"),
        (one(low='"0.9"'), "must be a plain number"),
        (one(low="nan"), "must be a plain number"),
        (one(low="true"), "must be a plain number"),
        (one(low="1.2"), "low must be below high"),
        (one(low=None, high=None), "neither low nor high"),
        (one(predicts="2"), "outside its own tolerance"),
        (one(outside="1"), "true or false"),
        (one(low=None, outside="true"), "needs both"),
        (one(lwo="1"), "has lwo; allowed are"),
        (one() + "\n" + one(), "the id 'a' to more than one rule"),
    ],
)
def test_what_is_wrong_is_a_sentence(text, says):
    with pytest.raises(RequestProblem) as told:
        parse_rules(text, "my.toml", FIGURES)
    assert says in str(told.value) and "my.toml" in str(told.value)


@given(st.text(max_size=80))
def test_any_text_is_rules_or_a_sentence(text):
    for content in (text, f"[[rule]]\n{text}"):
        try:
            parse_rules(content, "f", FIGURES)
        except RequestProblem as problem:
            assert "f" in str(problem)
