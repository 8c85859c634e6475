"""How the yield scales with NA output: an exponent, corrected for the error of the baseline that stands on both sides.

The rule says that yield is proportional to NA output, exponent 1. A plain regression cannot test that: the baseline is in
the yield and in the NA output, so that its error alone makes a relation. The estimate works on each build's (level, slope)
pair and takes the known covariance of the two errors out again (moment estimate with errors in variables; Fuller 1987, from
memory; DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.build_sums import Floats
from models.deviator_records import ElasticityAnswers
from models.estimate import Estimate
from models.fit_answers import missing, one_publisher_why, t_quantile
from models.joint_fit import JointFit
from models.level_slopes import LevelSlopes, level_slopes
from models.naive_correlation import naive_correlations, plain_yields
from models.plain_sums import dot
from models.sample import Sample

#: Above this share of error in the spread of NA power the engines are too alike to tell.
MOST_NOISE = 0.5

#: Fewer builds than this cannot carry an exponent, a mean and their errors.
LEAST_BUILDS = 5

#: An interval that reaches this far both sides of the rule's exponent separates nothing that anybody argues about.
WIDE = 0.10

_LEVEL, _SLOPE = 2, 3  # places in the moment matrix over (1, chassis, level, slope)


@dataclass(frozen=True, slots=True)
class Moments:
    """Weighted sums that the exponent is made of; a leading axis where there are several subsets.

    Attributes
    ----------
    cross : (..., 4, 4) over (1, chassis, level, slope).
    vaa, vas : (...,) weighted sums of the error variance of levels and of the covariance of level and slope errors.
    builds : (...,) number of builds.
    """

    cross: Floats
    vaa: Floats
    vas: Floats
    builds: Floats


def answer_elasticity(fit: JointFit, sample: Sample, level: float = 0.95) -> ElasticityAnswers:
    """Exponent of the yield in NA power, with what plain correlations would have said.

    Parameters
    ----------
    fit : the headline fit.
    sample : what it was fitted to; the plain correlations are worked out from its figures.
    level : coverage of the interval: delete-one-publisher jackknife, t(G - 1).
    """
    if fit.effects is None or fit.level_grams is None:
        return ElasticityAnswers(missing(fit, level), None, None, (), ())
    if fit.builds < LEAST_BUILDS:
        why = f"An exponent needs at least {LEAST_BUILDS} builds; the fit has {fit.builds}."
        return ElasticityAnswers(missing(fit, level, why), None, None, (), ())
    pairs = level_slopes(fit)
    moments = _moments(pairs, fit)
    whole = Moments(moments.cross.sum(0), moments.vaa.sum(0), moments.vas.sum(0), moments.builds.sum(0))
    noise, found, plain = exponent(whole)
    naive = naive_correlations(pairs, fit.answer.tau, plain_yields(sample))
    share = float(noise)
    if not share <= MOST_NOISE:
        return ElasticityAnswers(
            missing(fit, level, _too_alike(share)), None, min(share, 1.0) if np.isfinite(share) else 1.0, naive, ()
        )
    estimate = _interval(fit, moments, whole, float(found), level)
    return ElasticityAnswers(estimate, float(plain), share, naive, _notes(estimate, pairs))


def _moments(pairs: LevelSlopes, fit: JointFit) -> Moments:
    """Sums by publisher, with weights 1/(tau^2 + v)."""
    group, groups = fit.publisher_index, len(fit.publishers)
    weights = 1.0 / (fit.answer.tau**2 + pairs.slope_variance)
    is_chassis = (fit.units["dyno_class"] == "chassis").to_numpy().astype(np.float64)
    # about their means: the sums keep their digits, and the intercept takes the shift
    level = pairs.level - dot(weights, pairs.level) / weights.sum()
    columns = (np.ones_like(weights), is_chassis, level, pairs.slope)
    made = np.empty((groups, 4, 4))
    for i, left in enumerate(columns):
        for j, right in enumerate(columns):
            made[:, i, j] = np.bincount(group, weights * left * right, groups)
    return Moments(
        made,
        np.bincount(group, weights * pairs.level_variance, groups).astype(np.float64),
        np.bincount(group, weights * pairs.covariance, groups).astype(np.float64),
        np.bincount(group, minlength=groups).astype(np.float64),
    )


def exponent(moments: Moments) -> tuple[Floats, Floats, Floats]:
    """Noise share, corrected and uncorrected exponent from the moments; leading axes are kept.

    ``1 + [sum w ea es - h sum w vas] / [sum w ea^2 - h sum w vaa] / mean s``, with ea, es the residuals of level and slope on
    (1, chassis) and h = 1 - columns/n.
    """
    base, both = moments.cross[..., :2, :2], moments.cross[..., :2, 2:]
    spare = moments.cross[..., 2:, 2:] - np.swapaxes(both, -1, -2) @ np.linalg.pinv(base, hermitian=True) @ both
    columns = 1.0 + ((base[..., 1, 1] > 0.0) & (base[..., 1, 1] < base[..., 0, 0] * (1.0 - 1e-12)))
    h = 1.0 - columns / moments.builds
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = h * moments.vaa / spare[..., 0, 0]
        mean = moments.cross[..., 0, _SLOPE] / moments.cross[..., 0, 0]
        found = 1.0 + (spare[..., 0, 1] - h * moments.vas) / (spare[..., 0, 0] - h * moments.vaa) / mean
        plain = 1.0 + spare[..., 0, 1] / spare[..., 0, 0] / mean
    return noise, found, plain


def _interval(fit: JointFit, parts: Moments, whole: Moments, value: float, level: float) -> Estimate:
    """Delete-one-publisher jackknife about the full estimate."""
    groups = fit.answer.publishers
    if groups < 2:
        return Estimate(value, None, None, level, "1", fit.builds, fit.runs, one_publisher_why(fit))
    rest = Moments(whole.cross - parts.cross, whole.vaa - parts.vaa, whole.vas - parts.vas, whole.builds - parts.builds)
    if float(rest.builds.min()) < LEAST_BUILDS - 1:
        why = "One publisher has nearly all builds: without it no exponent is left, so there is no interval."
        return Estimate(value, None, None, level, "1", fit.builds, fit.runs, why)
    noise, left, _ = exponent(rest)
    if not (np.isfinite(left).all() and (noise < 1.0).all()):
        why = "Without one of the publishers the engines are too alike to tell, so there is no interval."
        return Estimate(value, None, None, level, "1", fit.builds, fit.runs, why)
    half = t_quantile(fit.answer, level) * ((groups - 1) / groups * float(((left - value) ** 2).sum())) ** 0.5
    return Estimate(value, value - half, value + half, level, "1", fit.builds, fit.runs)


def _too_alike(noise: float) -> str:
    said = f"{noise:.0%}" if np.isfinite(noise) and noise < 1.0 else "all"
    return (
        f"These engines are too alike to tell how yield scales with NA output: {said} of the spread of their NA power is error of "
        f"measurement, and no more than {MOST_NOISE:.0%} may be. Add builds with much more or much less NA power."
    )


def _notes(estimate: Estimate, pairs: LevelSlopes) -> tuple[str, ...]:
    if estimate.low is None or estimate.high is None or not (estimate.low < 1.0 - WIDE and estimate.high > 1.0 + WIDE):
        return ()
    return (
        f"NA power differs between these engines by {np.expm1(float(pairs.level.std())):.0%} only (one standard deviation): an "
        f"exponent {WIDE:.0%} away from the rule's in either direction would still agree with them.",
    )
