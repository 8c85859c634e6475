"""The trade's rules of thumb, declared: what each predicts, what would count as holding, and the verdict.

A rule is a row of `RULES`. It names the estimate that tests it and the function that judges
it; adding a rule adds a row, and a function only where it is judged in a new way. The verdicts
are four, and none of them says that a rule is proven.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from models.estimate import Estimate
from models.results import RuleVerdict

HOLDS = "holds"
LEANS = "holds with a lean"
FAILS = "does not hold"
UNKNOWN = "cannot tell yet"

#: The whole set of verdicts, strongest first.
VERDICTS = (HOLDS, LEANS, FAILS, UNKNOWN)

#: Level of the interval that must lie inside the tolerance: two one-sided tests at 5 %
#: (Schuirmann 1987, from memory; DEVELOPERS.md, Estimators).
EQUIVALENCE_LEVEL = 0.90


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the study found on one question.

    Attributes
    ----------
    estimate : at the level of the study.
    narrow : the same at `EQUIVALENCE_LEVEL`, for the test against the tolerance.
    """

    estimate: Estimate
    narrow: Estimate


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of thumb.

    Attributes
    ----------
    id : short stable name.
    statement : the rule in plain words.
    tested_by : name of the evidence that tests it.
    predicts : value of that estimate if the rule were exact.
    low, high : what the trade would still call holding, in the unit of the estimate.
    tolerance : the same in words.
    would_tell : the test that would settle it, said when it cannot be told yet.
    judge : from rule and evidence to a verdict.
    """

    id: str
    statement: str
    tested_by: str
    predicts: float
    low: float
    high: float
    tolerance: str
    would_tell: str
    judge: Callable[[Rule, Evidence], str]


def _inside(estimate: Estimate, low: float, high: float) -> bool:
    return estimate.low is not None and estimate.high is not None and low < estimate.low and estimate.high < high


def _apart(estimate: Estimate, low: float, high: float) -> bool:
    """Whether the whole interval lies outside a range; an end that is not known keeps it from being so."""
    return (estimate.low is not None and estimate.low > high) or (estimate.high is not None and estimate.high < low)


def judge_band(rule: Rule, evidence: Evidence) -> str:
    """Equivalence against the tolerance.

    *Holds* when the narrow interval lies inside the tolerance, *with a lean* when the wider one
    then still excludes the exact prediction, *does not hold* when the whole wider interval lies
    outside the tolerance, else it cannot be told yet.
    """
    if _inside(evidence.narrow, rule.low, rule.high):
        return LEANS if _apart(evidence.estimate, rule.predicts, rule.predicts) else HOLDS
    return FAILS if _apart(evidence.estimate, rule.low, rule.high) else UNKNOWN


RULES: tuple[Rule, ...] = (
    Rule(
        id="na_power_over_14_7",
        statement="Each psi of boost is worth the naturally aspirated power divided by 14.7.",
        tested_by="rule_ratio",
        predicts=1.0,
        low=0.90,
        high=1.10,
        tolerance="mean over builds within 10 % of the rule, from no boost to 10 psi",
        would_tell="Builds from publishers that are not in the study yet, each with its unboosted run and one run near 10 psi.",
        judge=judge_band,
    ),
    Rule(
        id="one_atmosphere_doubles",
        statement="One atmosphere of boost (14.7 psi) doubles naturally aspirated power.",
        tested_by="gain_at_one_atmosphere",
        predicts=1.0,
        low=0.90,
        high=1.10,
        tolerance="mean gain at 14.7 psi at sea level between 90 and 110 % of unboosted power",
        would_tell="Builds tested without boost and at several boosts up to 15 psi or more, from more publishers.",
        judge=judge_band,
    ),
)


def judge_rules(evidence: Mapping[str, Evidence], rules: tuple[Rule, ...] = RULES) -> tuple[RuleVerdict, ...]:
    """The verdict on each rule, in the order of the table.

    Parameters
    ----------
    evidence : what the study found, by name. A rule whose evidence is absent cannot be told yet.
    rules : rules to judge.
    """
    return tuple(_verdict(rule, evidence.get(rule.tested_by)) for rule in rules)


def _verdict(rule: Rule, evidence: Evidence | None) -> RuleVerdict:
    if evidence is None:
        nothing = Estimate(None, None, None, 0.95, "1", 0, 0, why="The study does not answer this question.")
        return RuleVerdict(rule.id, rule.statement, UNKNOWN, nothing, rule.tolerance, rule.would_tell)
    verdict = rule.judge(rule, evidence)
    return RuleVerdict(
        rule.id, rule.statement, verdict, evidence.estimate, rule.tolerance, rule.would_tell if verdict == UNKNOWN else ""
    )
