"""Does the rule hold within a margin: for the mean over builds, and for single builds.

Two answers that must stand side by side: a mean well inside the margin leaves many single builds outside it when builds
differ. Neither says that the rule is proven (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from models.build_sums import Floats
from models.deviator_records import EquivalenceAnswers, MeanVerdict
from models.estimate import Estimate
from models.fit_answers import contrast_estimate, curve_row, missing, one_publisher_why
from models.joint_fit import JointFit
from models.laws import chi2, t
from models.plain_sums import dot
from pipeline.errors import RequestProblem

#: The trade would still call the rule right within this much of it.
MARGIN = 0.10

#: Two one-sided tests at 5 % each: the interval of this level must lie inside the margin (Schuirmann 1987, from memory).
EQUIVALENCE_LEVEL = 0.90

#: Quantiles of spread and of mean that are crossed for the interval of the share: 81 x 81 points leave it steady to 0.001.
PIVOT_POINTS = 81

#: Points at which Cochran's Q is worked out to invert it.
PROFILE_POINTS = 257


def answer_equivalence(fit: JointFit, level: float = 0.95, margin: float = MARGIN) -> EquivalenceAnswers:
    """Whether the mean lies within ``margin`` of the rule, and which share of builds does.

    Parameters
    ----------
    fit : the headline fit, without covariates.
    level : coverage of the share's interval, and of the interval that must miss the margin for "does not hold".
    margin : half width of the band about 1.

    Raises
    ------
    RequestProblem : the fit has covariates, so that its spread is not that of builds at large.
    """
    if fit.design.shape[1] != 1:
        raise RequestProblem(
            f"The fit has {fit.design.shape[1]} coefficients of the slope; the share of builds needs the fit without covariates, "
            "whose spread is that of builds at large. Hand in the headline fit."
        )
    if fit.effects is None:
        none = missing(fit, level)
        return EquivalenceAnswers(
            "cannot tell", missing(fit, EQUIVALENCE_LEVEL), margin, None, None, None, none, None, none.why or ""
        )
    narrow = contrast_estimate(fit, curve_row(fit, 1.0, 0.0), EQUIVALENCE_LEVEL)
    wide = contrast_estimate(fit, curve_row(fit, 1.0, 0.0), level)
    lower_t, upper_t, p_value = _one_sided_tests(fit, margin)
    verdict = judge_mean(narrow, wide, margin)
    share = _share_of_builds(fit, level, margin)
    return EquivalenceAnswers(
        mean=verdict,
        mean_estimate=narrow,
        margin=margin,
        lower_t=lower_t,
        upper_t=upper_t,
        p_value=p_value,
        share_of_builds=share,
        raw_share=float((np.abs(fit.own_slope - 1.0) <= margin).mean()),
        sentence=f"{_say_mean(verdict, narrow, wide, margin)} {_say_share(share)}",
    )


def judge_mean(narrow: Estimate, wide: Estimate, margin: float = MARGIN) -> MeanVerdict:
    """Verdict on the mean: the narrow interval inside the band, the whole wide one outside it, or neither."""
    if narrow.low is None or narrow.high is None or wide.low is None or wide.high is None:
        return "cannot tell"
    if 1.0 - margin < narrow.low and narrow.high < 1.0 + margin:
        return "holds"
    if wide.low > 1.0 + margin or wide.high < 1.0 - margin:
        return "does not hold"
    return "not shown"


def one_sided_tests(value: float, se: float, freedom: float, low: float, high: float) -> tuple[float, float, float]:
    """Two one-sided t tests of ``low < true value < high``: both t statistics and the larger p-value (Schuirmann 1987).

    The first statistic tests against the lower bound and is large where the value lies well above it, the second against
    the upper bound and is well below zero where the value lies below it.
    """
    lower_t, upper_t = (value - low) / se, (value - high) / se
    return lower_t, upper_t, float(max(t.sf(lower_t, freedom), t.cdf(upper_t, freedom)))


def _one_sided_tests(fit: JointFit, margin: float) -> tuple[float | None, float | None, float | None]:
    effects = fit.answer
    variance = effects.variance_of(curve_row(fit, 1.0, 0.0))
    if effects.publishers < 2 or not variance > 0.0:
        return None, None, None
    return one_sided_tests(float(effects.beta[0]), variance**0.5, effects.publishers - 1, 1.0 - margin, 1.0 + margin)


def _share_of_builds(fit: JointFit, level: float, margin: float) -> Estimate:
    """Normal share of true rule ratios inside the band, at the spread over all publishers.

    Its interval crosses the pivots of spread (Q-profile) and mean (t with G - 1) at fixed quantiles, so that nothing is drawn
    at random.
    """
    effects = fit.answer
    if fit.builds < 2:
        return missing(fit, level, "One build shows no spread, so the share of builds within the margin cannot be told.")
    value = float(share_inside(float(effects.beta[0]), effects.tau, margin))
    if effects.publishers < 2:
        return Estimate(value, None, None, level, "1", fit.builds, fit.runs, one_publisher_why(fit))
    middles = (np.arange(PIVOT_POINTS) + 0.5) / PIVOT_POINTS
    taus = spread_quantiles(fit.own_slope, fit.own_variance, middles)
    se = effects.variance_of(curve_row(fit, 1.0, 0.0)) ** 0.5
    means = float(effects.beta[0]) + se * t.ppf(middles, effects.publishers - 1)
    shares = share_inside(means[:, None], taus[None, :], margin)
    low, high = np.quantile(shares, [0.5 - level / 2.0, 0.5 + level / 2.0])
    return Estimate(value, min(float(low), value), max(float(high), value), level, "1", fit.builds, fit.runs)


def share_inside(mean: Floats | float, tau: Floats | float, margin: float) -> Floats:
    """Share of a normal spread that lies within ``margin`` of 1; without spread all or nothing."""
    spread = np.maximum(np.asarray(tau, dtype=np.float64), 1e-12)
    inside: Floats = ndtr((1.0 + margin - mean) / spread) - ndtr((1.0 - margin - mean) / spread)
    return inside


def spread_quantiles(y: Floats, v: Floats, quantiles: Floats) -> Floats:
    """Quantiles of the spread's pivot: tau at which Cochran's Q equals a chi-squared quantile (Viechtbauer 2007, from memory).

    Parameters
    ----------
    y, v : (n,) estimates and their variances.
    quantiles : (m,) in (0, 1); a small one gives a small spread.

    Returns
    -------
    (m,) spreads, 0 where even no spread leaves Q below its quantile.
    """
    targets = chi2.ppf(1.0 - quantiles, y.size - 1)

    def q_at(tau2: float) -> float:
        w = 1.0 / (tau2 + v)
        return dot(w, (y - dot(w, y) / float(w.sum())) ** 2)

    lowest = float(targets.min())
    if q_at(0.0) <= lowest:
        return np.zeros(quantiles.size)
    top = float(np.var(y) + v.mean())
    while q_at(top) > lowest:
        top *= 4.0
    end = float(brentq(lambda tau2: q_at(tau2) - lowest, 0.0, top, rtol=1e-9)) ** 0.5
    taus = np.linspace(0.0, end, PROFILE_POINTS)
    profile = np.array([q_at(float(tau) ** 2) for tau in taus])  # falls with tau
    found: Floats = np.interp(targets, profile[::-1], taus[::-1])
    return found


# --- words --------------------------------------------------------------------------------------------------------------


def _band(estimate: Estimate) -> str:
    return f"mean rule ratio {estimate.value:.2f}, {estimate.level:.0%} interval {estimate.low:.2f} to {estimate.high:.2f}"


def _say_mean(verdict: MeanVerdict, narrow: Estimate, wide: Estimate, margin: float) -> str:
    within = f"within {margin:.0%}"
    if verdict == "cannot tell":
        return f"Whether the rule holds {within} on average cannot be told. {narrow.why or wide.why}"
    if verdict == "holds":
        return f"On average the rule holds {within} ({_band(narrow)})."
    if verdict == "does not hold":
        return f"On average the rule does not hold {within} ({_band(wide)})."
    return f"These data do not show that the rule holds {within} ({_band(narrow)})."


def _say_share(share: Estimate) -> str:
    if share.value is None:
        return share.why or ""
    if share.low is None or share.high is None:
        return f"A single build follows it that closely in about {share.value:.0%} of cases; no interval can be given."
    return (
        f"A single build follows it that closely in about {share.value:.0%} of cases "
        f"({share.level:.0%} interval {share.low:.0%} to {share.high:.0%})."
    )
