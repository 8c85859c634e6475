"""The rule ratio: its mean over builds, the spread between builds, the range for a new build, the mean curve.

Intervals use t with one degree of freedom less than there are publishers, and the larger of the model's and the
publisher jackknife's variance: builds of one publisher are not independent (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.estimate import Estimate
from models.fit_answers import contrast_estimate, curve_row, missing
from models.joint_fit import JointFit
from models.pooling import q_profile
from models.results import BoostPoint
from models.rule import REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA

#: Scatter about the builds' own lines, over the stated errors, from which on it is more likely misprints than bad dynos.
WIDE_SCATTER = 3.0

#: Below this many publishers an interval leans on very few independent voices, and the answer says so.
FEW_PUBLISHERS = 5


@dataclass(frozen=True, slots=True)
class YieldAnswers:
    """The headline.

    Attributes
    ----------
    rule_ratio : mean over builds of the rule ratio; 1 means the rule is exact.
    between_builds_sd : sd of builds' true rule ratios; interval by Q-profile.
    new_build_rule_ratio : the same value with the range for one new build.
    notes : sentences to print beside the figures.
    """

    rule_ratio: Estimate
    between_builds_sd: Estimate
    new_build_rule_ratio: Estimate
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MeanCurve:
    """Gain ratio at stated boosts at sea level: of the mean over builds, and the range of a new build."""

    mean: tuple[BoostPoint, ...]
    new_build: tuple[BoostPoint, ...]


def answer_rule_ratio(fit: JointFit, level: float = 0.95) -> YieldAnswers:
    """Mean rule ratio, spread between builds and range for a new build; missing figures carry their reason.

    The mean is that of the design's average row; without covariates, the mean over builds.
    """
    if fit.effects is None:
        none = missing(fit, level)
        return YieldAnswers(none, none, none, ())
    average = curve_row(fit, 1.0, 0.0)
    return YieldAnswers(
        rule_ratio=contrast_estimate(fit, average, level),
        between_builds_sd=_between_builds(fit, level),
        new_build_rule_ratio=contrast_estimate(fit, average, level, more_variance=fit.effects.tau**2),
        notes=_notes(fit),
    )


def mean_curve(fit: JointFit, boosts_kpa: Sequence[float], level: float = 0.95) -> MeanCurve:
    """Gain ratio s x + q x (x - x_r) of the mean build, and of a new build, at gauge boosts at sea level [kPa].

    A new build differs from the mean by its slope only (variance tau^2 x^2): the spread of curvature is barely known.
    """
    mean, new = [], []
    for boost_kpa in boosts_kpa:
        x = boost_kpa / SEA_LEVEL_KPA
        if fit.effects is None:
            none = missing(fit, level)
            mean.append(BoostPoint(boost_kpa, none))
            new.append(BoostPoint(boost_kpa, none))
            continue
        row = curve_row(fit, x, x * (x - REFERENCE_BOOST_RATIO))
        mean.append(BoostPoint(boost_kpa, contrast_estimate(fit, row, level)))
        new.append(BoostPoint(boost_kpa, contrast_estimate(fit, row, level, more_variance=(fit.effects.tau * x) ** 2)))
    return MeanCurve(tuple(mean), tuple(new))


def _between_builds(fit: JointFit, level: float) -> Estimate:
    """sqrt(tau_build^2 + tau_source^2), with the Q-profile interval of the builds' own slopes."""
    effects = fit.answer
    if fit.builds <= fit.design.shape[1]:
        return missing(fit, level, f"A spread needs more builds than the {fit.builds} of this fit.")
    low, high = q_profile(fit.own_slope, fit.own_variance, fit.design, level=level)
    return Estimate(effects.tau, min(low**0.5, effects.tau), max(high**0.5, effects.tau), level, "1", fit.builds, fit.runs)


def _notes(fit: JointFit) -> tuple[str, ...]:
    """What a reader must know beside the figures."""
    effects = fit.answer
    notes = []
    if 1 < effects.publishers < FEW_PUBLISHERS:
        notes.append(f"Only {effects.publishers} publishers: the interval rests on very few independent sources.")
    if effects.publishers >= 2 and effects.covariance_jackknife is None:
        notes.append(f"No publisher jackknife ({effects.jackknife_why}): the interval is the model's alone.")
    if fit.single_boost_level:
        notes.append("Only one boost was tested: the rule ratio holds at the boost tested, and curvature is taken as none.")
    elif fit.curvature_why is not None:
        notes.append(f"Curvature is taken as none. {fit.curvature_why}")
    if effects.publishers == fit.builds > 1:
        notes.append("Each publisher has one build: the spread between publishers cannot be told from that between builds.")
    notes.extend(_doubts(fit))
    if fit.dropped.height:
        notes.append(f"{fit.dropped.height} builds were left out of the fit: {', '.join(sorted(set(fit.dropped['reason'])))}.")
    return tuple(notes)


def _doubts(fit: JointFit) -> list[str]:
    """Figures that look like misprints."""
    notes = []
    wild = fit.beyond_belief()
    if wild.height:
        publishers = ", ".join(sorted(set(wild["publisher"])))
        notes.append(f"{wild.height} builds give a rule ratio below -0.5 or above 3 ({publishers}): look for a misprint.")
    for dyno, phi in fit.phi.items():
        if phi > WIDE_SCATTER**2:
            notes.append(f"Runs on {dyno} dynos scatter {phi**0.5:.1f} times as widely as stated: look for misprints.")
    return notes
