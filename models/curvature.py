"""Curvature: are later psi worth more or less than earlier ones?

Two estimates of the common curvature q stand side by side. The one-stage q of the joint fit also compares builds that
were tested at different boosts; the within-build q compares each build with itself only. Where they disagree, boost was
chosen by how well engines took it, and only the second can be read as curvature (Hausman 1978, Mundlak 1978; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.build_sums import Floats
from models.estimate import Estimate
from models.fit_answers import contrast_estimate, curve_row, missing, one_publisher_why, t_quantile
from models.joint_fit import LEAST_CURVATURE_INFORMATION, JointFit
from models.laws import t
from models.pooling import pool
from models.ratio_interval import fieller_interval
from models.results import BoostPoint
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA, TRADE_ATMOSPHERE_PSI

#: Boost ratio at which "the last psi" is taken: 15 psi at the rule's 14.7 psi.
LAST_BOOST_RATIO = 15.0 / TRADE_ATMOSPHERE_PSI

#: Gauge boosts at which the marginal yield is printed: 5, 10, 15 and 20 psi [kPa].
MARGINAL_BOOSTS_KPA = tuple(psi * KPA_PER_PSI for psi in (5.0, 10.0, 15.0, 20.0))

#: Difference of the two estimates of q, in standard errors of the difference, beyond which boost counts as confounded.
CONFOUNDED_BEYOND = 2.0

#: The variance of the difference is a difference of variances; it is not taken below this share of the within-build one.
LEAST_DIFFERENCE_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class CurvatureAnswers:
    """What the study says of curvature.

    Attributes
    ----------
    one_stage : q of the joint fit; below 0: later psi are worth less.
    within_builds : q from builds tested at two boosts or more, each compared with itself.
    within_builds_sd : spread of q between builds (barely identified with few runs a build), or None.
    confounded : whether boost was chosen by how engines took it; None where the two estimates cannot be compared.
    last_over_first : yield of the last psi at 15 psi over that of the first.
    marginal_yield : slope of the fitted curve relative to the rule at stated gauge boosts at sea level.
    notes : sentences to print beside the figures.
    """

    one_stage: Estimate
    within_builds: Estimate
    within_builds_sd: float | None
    confounded: bool | None
    last_over_first: Estimate
    marginal_yield: tuple[BoostPoint, ...]
    notes: tuple[str, ...]


def answer_curvature(fit: JointFit, boosts_kpa: Sequence[float] = MARGINAL_BOOSTS_KPA, level: float = 0.95) -> CurvatureAnswers:
    """Curvature of the joint fit and within builds, the last psi over the first, marginal yield at ``boosts_kpa``."""
    one_stage = _one_stage(fit, level)
    within, sd, model_variance = _within_builds(fit, level)
    confounded, notes = _compare(fit, within, model_variance)
    return CurvatureAnswers(
        one_stage=one_stage,
        within_builds=within,
        within_builds_sd=sd,
        confounded=confounded,
        last_over_first=_last_over_first(fit, level),
        marginal_yield=tuple(BoostPoint(boost_kpa, marginal_yield(fit, boost_kpa, level)) for boost_kpa in boosts_kpa),
        notes=notes,
    )


def marginal_yield(fit: JointFit, boost_kpa: float, level: float = 0.95) -> Estimate:
    """Slope dM/dx = s + q (2x - x_r) of the mean curve at a gauge boost at sea level [kPa]; 1 is the rule."""
    if fit.effects is None:
        return missing(fit, level)
    return contrast_estimate(fit, _slope_row(fit, boost_kpa / SEA_LEVEL_KPA), level)


def _slope_row(fit: JointFit, x: float) -> Floats:
    return curve_row(fit, 1.0, 2.0 * x - REFERENCE_BOOST_RATIO)


def _one_stage(fit: JointFit, level: float) -> Estimate:
    if fit.effects is None:
        return missing(fit, level)
    if fit.curvature_why is not None:
        return missing(fit, level, fit.curvature_why)
    return contrast_estimate(fit, curve_row(fit, 0.0, 1.0), level)


def _within_builds(fit: JointFit, level: float) -> tuple[Estimate, float | None, float | None]:
    """Mean q over builds with two boosts or more: the estimate, the spread between builds, the variance without scaling.

    Per build q_i = num/den with den = Ckk - Czk^2/Czz, num = Cky - Czk Czy/Czz, variance 1/den; kept where den > 4.
    Paule-Mandel spread, Hartung-Knapp standard error without floor, t(m - 1).
    """
    if fit.effects is None or fit.grams is None:
        return missing(fit, level), None, None
    grams = fit.grams
    den = grams.ckk - grams.czk**2 / grams.czz
    keep = den > LEAST_CURVATURE_INFORMATION
    m = int(keep.sum())
    if m == 0:
        why = "No build was tested at two boosts far enough apart to show its own curvature."
        return Estimate(None, None, None, level, "1", 0, 0, why), None, None
    runs = int((fit.boosted_runs + fit.baseline_runs)[keep].sum())
    own = (grams.cky[keep] - (grams.czk * grams.czy / grams.czz)[keep]) / den[keep]
    if m == 1:
        why = "Only one build was tested at two boosts far enough apart; one build gives no interval."
        return Estimate(float(own[0]), None, None, level, "1", 1, runs, why), None, None
    pooled = pool(own, 1.0 / den[keep], method="pm", knapp_hartung=True)
    low, high = pooled.interval(level)
    estimate = Estimate(float(pooled.coefficients[0]), low, high, level, "1", m, runs)
    return estimate, pooled.tau2**0.5, 1.0 / float((1.0 / (pooled.tau2 + 1.0 / den[keep])).sum())


def _compare(fit: JointFit, within: Estimate, model_variance: float | None) -> tuple[bool | None, tuple[str, ...]]:
    """Whether the two estimates of q differ by more than chance, and what to say of it.

    Under no confounding the one-stage estimate is the efficient one, so that the variance of the difference is the
    difference of the variances (Hausman 1978); both variances are the scaled or model ones, whichever is larger.
    """
    if fit.effects is None:
        return None, ()
    if fit.curvature_why is not None:
        return None, (f"Curvature is taken as none. {fit.curvature_why}",)
    if within.value is None:
        return None, ("Curvature rests on comparing different builds only: no build was tested at two boosts far enough apart.",)
    if within.low is None or within.high is None or model_variance is None:
        return None, ("Curvature within builds rests on one build only.",)
    half = (within.high - within.low) / 2.0
    scaled = (half / float(t.ppf(0.5 + within.level / 2.0, within.builds - 1))) ** 2
    own = max(scaled, model_variance)
    variance = max(own - float(fit.effects.covariance_model[-1, -1]), LEAST_DIFFERENCE_SHARE * own)
    difference = fit.effects.q - within.value
    if abs(difference) <= CONFOUNDED_BEYOND * variance**0.5:
        return False, ()
    return True, (
        f"Boost is confounded with yield: comparing builds gives a curvature of {fit.effects.q:.3f}, "
        f"each build against itself {within.value:.3f}. Boost was chosen by how engines took it; read the second.",
    )


def _last_over_first(fit: JointFit, level: float) -> Estimate:
    """(s + q (2x - x_r)) / (s - q x_r) at x = 15/14.7, interval by Fieller with t(G - 1).

    The covariance used is the one, of model and jackknife, that gives the ratio the larger variance.
    """
    if fit.effects is None:
        return missing(fit, level)
    if fit.curvature_why is not None:
        return missing(fit, level, fit.curvature_why)
    effects = fit.effects
    last, first = _slope_row(fit, LAST_BOOST_RATIO), _slope_row(fit, 0.0)
    top, bottom = float(last @ effects.theta), float(first @ effects.theta)
    if bottom <= 0.0:
        return missing(fit, level, "The fitted first psi is worth nothing, so there is no ratio to it.")
    ratio = top / bottom
    if effects.publishers < 2:
        return Estimate(ratio, None, None, level, "1", fit.builds, fit.runs, one_publisher_why(fit))
    covariance = effects.covariance_for(last - ratio * first)
    interval = fieller_interval(
        top,
        bottom,
        float(last @ covariance @ last),
        float(first @ covariance @ first),
        float(last @ covariance @ first),
        t_quantile(effects, level),
    )
    why = (
        None
        if interval.bounded
        else "The yield of the first psi cannot be told from zero, so the ratio is not bounded by these data."
    )
    return Estimate(ratio, interval.low, interval.high, level, "1", fit.builds, fit.runs, why)
