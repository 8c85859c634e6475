"""Judging rules of thumb: what each predicts, what would count as holding, and the verdict.

A rule names the evidence that tests it (:mod:`models.rule_evidence`) and the function that judges it. The trade's own rules
are rows of :data:`models.rule_table.RULES`; a reader's are read by :mod:`models.rule_file`. The verdicts are four, and none
of them says that a rule is proven.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from models.estimate import Estimate
from models.results import RuleEvidence, RuleVerdict

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
class Rule:
    """One rule of thumb.

    Attributes
    ----------
    id : short stable name.
    statement : the rule in plain words.
    tested_by : name of the evidence that tests it.
    predicts : value of that estimate if the rule were exact; None where the rule only names a side.
    low, high : what the trade would still call holding, in the unit of the estimate; None where that side is open.
    tolerance : the same in words.
    would_tell : the test that would settle it, said when it cannot be told yet.
    judge : from rule and evidence to a verdict.
    """

    id: str
    statement: str
    tested_by: str
    predicts: float | None
    low: float | None
    high: float | None
    tolerance: str
    would_tell: str
    judge: Callable[[Rule, RuleEvidence], str]


def _inside(estimate: Estimate, low: float | None, high: float | None) -> bool:
    """Whether the whole interval lies inside a range; an end that is not known keeps it from being so."""
    if estimate.low is None or estimate.high is None:
        return False
    return (low is None or low < estimate.low) and (high is None or estimate.high < high)


def _apart(estimate: Estimate, low: float | None, high: float | None) -> bool:
    """Whether the whole interval lies outside a range; an end that is not known keeps it from being so."""
    above = high is not None and estimate.low is not None and estimate.low > high
    return above or (low is not None and estimate.high is not None and estimate.high < low)


def judge_band(rule: Rule, evidence: RuleEvidence) -> str:
    """Equivalence against the tolerance.

    *Holds* when the narrow interval lies inside the tolerance, *with a lean* when the wider one
    then still excludes the exact prediction, *does not hold* when the whole wider interval lies
    outside the tolerance, else it cannot be told yet.
    """
    if _inside(evidence.narrow, rule.low, rule.high):
        leans = rule.predicts is not None and _apart(evidence.estimate, rule.predicts, rule.predicts)
        return LEANS if leans else HOLDS
    return FAILS if _apart(evidence.estimate, rule.low, rule.high) else UNKNOWN


def judge_side(rule: Rule, evidence: RuleEvidence) -> str:
    """A claim about one side: the figure lies above ``low``, or below ``high``.

    *Holds* when the wide interval lies on that side, *with a lean* when only the narrow one does (one-sided at 5 %),
    *does not hold* when the whole wide interval lies on the other side, else it cannot be told yet.
    """
    if _inside(evidence.estimate, rule.low, rule.high):
        return HOLDS
    if _inside(evidence.narrow, rule.low, rule.high):
        return LEANS
    return FAILS if _apart(evidence.estimate, rule.low, rule.high) else UNKNOWN


def judge_outside(rule: Rule, evidence: RuleEvidence) -> str:
    """A claim that two things are *not* the same: the figure lies outside the range that counts as the same.

    *Holds* when the whole wide interval lies outside the range, *with a lean* when it only excludes sameness itself
    (``predicts``), *does not hold* when the narrow interval lies inside the range, else it cannot be told yet.
    """
    if _apart(evidence.estimate, rule.low, rule.high):
        return HOLDS
    if _inside(evidence.narrow, rule.low, rule.high):
        return FAILS
    same = rule.predicts is not None and _apart(evidence.estimate, rule.predicts, rule.predicts)
    return LEANS if same else UNKNOWN


def judge_rules(evidence: Sequence[RuleEvidence], rules: Sequence[Rule]) -> tuple[RuleVerdict, ...]:
    """The verdict on each rule, in the order of the table.

    Parameters
    ----------
    evidence : what the study found. A rule whose evidence is absent cannot be told yet.
    rules : rules to judge.
    """
    by_name: Mapping[str, RuleEvidence] = {found.name: found for found in evidence}
    return tuple(_verdict(rule, by_name.get(rule.tested_by)) for rule in rules)


def _verdict(rule: Rule, evidence: RuleEvidence | None) -> RuleVerdict:
    if evidence is None:
        nothing = Estimate(None, None, None, 0.95, "1", 0, 0, why="The study does not answer this question.")
        return RuleVerdict(rule.id, rule.statement, UNKNOWN, nothing, rule.tolerance, rule.would_tell, rule.tested_by)
    verdict = rule.judge(rule, evidence)
    would_tell = rule.would_tell if verdict == UNKNOWN else ""
    return RuleVerdict(rule.id, rule.statement, verdict, evidence.estimate, rule.tolerance, would_tell, rule.tested_by)
