"""What rules of thumb are judged by: every figure with its name, its words, its interval and its narrower one.

Figures of the mean curve come from the headline fit, contrasts between kinds of build from :mod:`models.rule_contrasts`,
figures of single runs (rpm, torque, charge heat) from :mod:`models.rule_run_figures`, of before/after changes from
:mod:`models.rule_change_figures`. A figure that these records cannot give has no value and says why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import polars as pl

from models.curvature import answer_curvature
from models.deviator_records import ElasticityAnswers, EquivalenceAnswers
from models.estimate import Estimate
from models.fit_answers import missing, t_quantile
from models.joint_fit import JointFit
from models.results import RuleEvidence
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA
from models.rule_change_figures import change_figures
from models.rule_contrasts import contrast_figures
from models.rule_run_figures import run_figures
from models.rules_of_thumb import EQUIVALENCE_LEVEL
from models.sample import Sample
from models.yield_fit import answer_rule_ratio, mean_curve

#: Boosts at which gain and marginal yield are offered to a reader's own rules [psi at sea level].
OFFERED_PSI = (5, 10, 15)

#: A figure at a level of coverage.
At = Callable[[float], Estimate]


def gather_evidence(
    fit: JointFit,
    sample: Sample,
    tables: Mapping[str, pl.DataFrame],
    *,
    level: float,
    elasticity: ElasticityAnswers,
    equivalence: EquivalenceAnswers,
    cooled_turbo: JointFit,
    beyond: Callable[[JointFit, float], str | None],
) -> tuple[RuleEvidence, ...]:
    """All figures, in a fixed order.

    Parameters
    ----------
    fit, sample : the headline fit and what it was fitted to.
    tables : clean tables ``run``, ``build`` and, where there is one, ``change``.
    level : coverage of the wider interval.
    elasticity, equivalence : answers already made.
    cooled_turbo : the fit of charge-cooled turbocharged builds alone.
    beyond : why nothing is said at a boost [kPa], or None where it was tested.
    """

    def offered(name: str, meaning: str, at: At) -> RuleEvidence:
        return RuleEvidence(name, meaning, at(level), at(EQUIVALENCE_LEVEL))

    def gain(of: JointFit, boost_kpa: float) -> At:
        return lambda at: _unless(beyond(of, boost_kpa), mean_curve(of, [boost_kpa], at).mean[0].estimate)

    def marginal(boost_kpa: float) -> At:
        return lambda at: _unless(beyond(fit, boost_kpa), answer_curvature(fit, [boost_kpa], at).marginal_yield[0].estimate)

    found = [
        offered("rule_ratio", "mean rule ratio, from no boost to 10 psi (1 is the rule)", lambda at: answer_rule_ratio(fit, at).rule_ratio),
        offered("gain_at_one_atmosphere", "mean gain at 14.7 psi at sea level, as a share of unboosted power", gain(fit, SEA_LEVEL_KPA)),
        offered(
            "gain_at_one_atmosphere_cooled", "the same on charge-cooled turbocharged builds", gain(cooled_turbo, SEA_LEVEL_KPA)
        ),
        offered(
            "last_over_first", "yield of the last psi at 15 psi over that of the first",
            lambda at: answer_curvature(fit, level=at).last_over_first,
        ),
    ]  # fmt: skip
    for psi in OFFERED_PSI:
        kpa = psi * KPA_PER_PSI
        found.append(
            offered(f"gain_at_{psi}_psi", f"mean gain at {psi} psi at sea level, as a share of unboosted power", gain(fit, kpa))
        )
        found.append(
            offered(f"marginal_yield_at_{psi}_psi", f"what the next psi gives at {psi} psi, over the rule", marginal(kpa))
        )
    exponent = elasticity.elasticity
    found.append(_rescaled("elasticity", "exponent of the yield in unboosted power (the rule says 1)", exponent, fit))
    found.append(
        _rescaled(
            "offset_boost_by_output",
            "exponent in unboosted power of the boost that replaces a given gain",
            _mirrored(exponent),
            fit,
        )
    )
    share = equivalence.share_of_builds
    found.append(
        RuleEvidence("share_of_builds_within_10_pct", "share of builds whose rule ratio lies within 10 % of 1", share, share)
    )
    figures = (
        *contrast_figures(fit, level),
        *run_figures(sample, tables["run"], fit, level),
        *change_figures(tables, level),
    )
    return (*found, *figures)


def _unless(why: str | None, estimate: Estimate) -> Estimate:
    if why is None:
        return estimate
    return Estimate(None, None, None, estimate.level, estimate.unit, estimate.builds, estimate.runs, why)


def _rescaled(name: str, meaning: str, wide: Estimate, fit: JointFit) -> RuleEvidence:
    """A figure whose t(G - 1) interval is known at one level, with the one at the other level."""
    if fit.effects is None:
        return RuleEvidence(name, meaning, wide, missing(fit, EQUIVALENCE_LEVEL))
    if wide.value is None or wide.low is None or wide.high is None:
        return RuleEvidence(name, meaning, wide, replace(wide, level=EQUIVALENCE_LEVEL))
    part = t_quantile(fit.effects, EQUIVALENCE_LEVEL) / t_quantile(fit.effects, wide.level)
    low, high = wide.value - part * (wide.value - wide.low), wide.value + part * (wide.high - wide.value)
    return RuleEvidence(name, meaning, wide, replace(wide, low=low, high=high, level=EQUIVALENCE_LEVEL))


def _mirrored(estimate: Estimate) -> Estimate:
    """The estimate with its sign turned, its ends exchanged."""

    def turned(value: float | None) -> float | None:
        return None if value is None else -value

    return replace(estimate, value=turned(estimate.value), low=turned(estimate.high), high=turned(estimate.low))
