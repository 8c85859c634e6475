"""Claims against the study: an engine under boost, a yield, a part's gain, a rule of thumb. One claim in, one answer out.

A claimed yield is judged as the power that it comes to, at the claim's boost or, where none is stated, at the reference boost of the
study. A rule has its verdict from the study; what holds is ``in line``, what promises more than the records give is ``beyond the
evidence``, what promises less is ``low``, and what cannot be told yet cannot be judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from models.claim_conditions import conditions_for
from models.claim_parts import judge_gain
from models.claim_power import judge_power
from models.claim_records import Claim, ClaimAnswer, NearRecord, Verdict
from models.estimate_answers import Neighbour
from models.estimate_records import PredictionModel
from models.gain_records import GainsResults
from models.results import RuleVerdict, StudyResults
from models.rule import REFERENCE_BOOST_RATIO
from models.rule_table import RULES
from models.rules_of_thumb import FAILS, HOLDS, LEANS
from models.similar_builds import say_differences
from models.strength import NO_FIGURE, strength_of, strength_of_ranges
from pipeline.errors import RequestProblem

#: Levels of percentiles are read from builds in steps; two further decimals would be noise.
_DECIMALS = 1


@dataclass(frozen=True, slots=True)
class Basis:
    """What claims are set against: the study, its model of the estimate (or why there is none), its answers on parts."""

    study: StudyResults
    model: PredictionModel | None
    why_no_model: str | None = None
    gains: GainsResults | None = None


def judge_claim(basis: Basis, claim: Claim) -> ClaimAnswer:
    """How a claim sits against rule, physics and evidence.

    Raises
    ------
    RequestProblem
        The claim is of an impossible engine, or names a rule that the study does not know.
    """
    if claim.kind == "rule":
        return _judge_rule(basis, claim)
    if claim.kind == "part":
        return _judge_part(basis, claim)
    return _judge_boost(basis, claim)


def reference_boost_kpa(ambient_kpa: float) -> float:
    """Boost at which a yield without boost is judged."""
    return REFERENCE_BOOST_RATIO * ambient_kpa


def _percent(share: float | None) -> float | None:
    return None if share is None else round(100.0 * share, _DECIMALS)


def _judge_boost(basis: Basis, claim: Claim) -> ClaimAnswer:
    engine, made = claim.engine, claim.made_kw
    if engine is None or made is None:
        raise RequestProblem(
            "The claim states no engine or no power; a claim on boost needs the output without boost, the boost and the power made. "
            "Give --na, --boost and --made."
        )
    x = engine.boost_kpa / engine.ambient_kpa
    plain = ClaimAnswer(
        claim, claim.name, claim.line, rule_kw=engine.na_power_kw * (1.0 + x), claimed=made,
        rule_ratio=(made / engine.na_power_kw - 1.0) / x,
    )  # fmt: skip
    if basis.model is None:
        return replace(plain, why=basis.why_no_model or "The study gives no estimate.")
    found = judge_power(basis.model, engine, made)
    estimate = found.estimate
    return replace(
        plain,
        verdict=found.verdict,
        percentile=_percent(found.place.below),
        highest_percentile=_percent(found.place.most),
        expected=estimate.power,
        physics_low_kw=estimate.physics_low_kw,
        physics_high_kw=estimate.physics_high_kw,
        conditions=conditions_for(basis.model, engine, made, found.verdict),
        evidence=tuple(_near(one, made) for one in estimate.neighbours),
        seen=found.seen,
        compared=len(found.compared),
        outside=estimate.outside,
        widened=estimate.widened,
        strength=strength_of_ranges(estimate.power, made).name,
        why=found.why,
        builds=estimate.builds,
        runs=estimate.runs,
    )


def _near(one: Neighbour, made_kw: float) -> NearRecord:
    build = one.build
    return NearRecord(
        build.source, build.publisher, build.build, one.likeness, say_differences(one), build.na_power_kw,
        build.na_power_kw * (1.0 + one.nearest_gain_ratio), one.nearest_boost_kpa, one.would_make_kw, one.would_make_kw >= made_kw,
    )  # fmt: skip


def _judge_part(basis: Basis, claim: Claim) -> ClaimAnswer:
    plain = ClaimAnswer(claim, claim.name, claim.line, claimed=claim.gain_kw)
    if basis.gains is None:
        return replace(plain, why="The study has no answers on parts.")
    found = judge_gain(basis.gains, basis.model, claim)
    strength = NO_FIGURE if found.expected is None else strength_of_ranges(found.expected, claim.gain_kw or 0.0)
    return replace(
        plain,
        verdict=found.verdict,
        percentile=_percent(found.below),
        expected=found.expected,
        figure=None if found.found is None else found.found.gain_pct,
        evidence=found.records,
        seen=found.seen,
        compared=found.compared,
        strength=strength.name,
        why=found.why,
        builds=0 if found.found is None else found.found.engines,
        runs=0 if found.found is None else 2 * found.found.pairs,
    )


def _judge_rule(basis: Basis, claim: Claim) -> ClaimAnswer:
    rule = next((one for one in basis.study.rules if one.id == claim.rule), None)
    if rule is None:
        known = ", ".join(one.id for one in basis.study.rules)
        raise RequestProblem(
            f"The rule {claim.rule!r} is not one that the study judges; it judges: {known}. --rule asks for one of them; "
            "`poundworth rules` shows what each says."
        )
    predicts = next((one.predicts for one in RULES if one.id == rule.id), None)
    return ClaimAnswer(
        claim, claim.name or rule.id, claim.line, verdict=_of_rule(rule, predicts), claimed=predicts, figure=rule.estimate,
        statement=rule.statement, rule_verdict=rule.verdict, tolerance=rule.tolerance,
        strength=NO_FIGURE.name if predicts is None else strength_of(rule.estimate, predicts).name,
        why=(rule.estimate.why or rule.would_tell or None) if rule.verdict not in (HOLDS, LEANS, FAILS) else None,
        builds=rule.estimate.builds, runs=rule.estimate.runs,
    )  # fmt: skip


def _of_rule(rule: RuleVerdict, predicts: float | None) -> Verdict:
    """A rule's verdict in the words of claims: too little asked for is ``low``, too much ``beyond the evidence``."""
    if rule.verdict in (HOLDS, LEANS):
        return "in line"
    if rule.verdict != FAILS:
        return "cannot judge"
    value = rule.estimate.value
    is_low = predicts is not None and value is not None and abs(value) > abs(predicts) and value * predicts > 0.0
    return "low" if is_low else "beyond the evidence"
