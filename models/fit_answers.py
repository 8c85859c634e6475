"""A linear combination of a fit's coefficients as an answer with its interval: shared by all questions asked of the fit.

Intervals use t with one degree of freedom less than there are publishers, and the larger of the model's and the
publisher jackknife's variance: builds of one publisher are not independent (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

import numpy as np

from models.build_sums import Floats
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.laws import t
from models.random_effects import RandomEffects


def curve_row(fit: JointFit, by_slope: float, by_curvature: float) -> Floats:
    """Contrast over theta, (p,) or (p + 1,): the mean slope times ``by_slope``, and q, where fitted, times ``by_curvature``."""
    p = fit.design.shape[1]
    row = np.zeros(fit.answer.theta.size)
    row[:p] = by_slope * fit.design.mean(axis=0)
    row[p:] = by_curvature
    return row


def contrast_estimate(fit: JointFit, contrast: Floats, level: float, *, more_variance: float = 0.0) -> Estimate:
    """Value of ``contrast @ theta`` with its t(G - 1) interval; null ends with one publisher.

    Parameters
    ----------
    fit : a fit that stands.
    contrast : (p,) or (p + 1,) weights of the coefficients.
    level : coverage asked for.
    more_variance : added for a single new build: the variance of its own slope in this combination.

    Raises
    ------
    RequestProblem : the fit has no answer.
    """
    effects = fit.answer
    value = float(contrast @ effects.theta)
    if effects.publishers < 2:
        return Estimate(value, None, None, level, "1", fit.builds, fit.runs, one_publisher_why(fit))
    half = t_quantile(effects, level) * (effects.variance_of(contrast) + more_variance) ** 0.5
    return Estimate(value, value - half, value + half, level, "1", fit.builds, fit.runs)


def t_quantile(effects: RandomEffects, level: float) -> float:
    """Two-sided quantile of t with G - 1 degrees of freedom, G the publishers with data."""
    return float(t.ppf(0.5 + level / 2.0, effects.publishers - 1))


def missing(fit: JointFit, level: float, why: str | None = None) -> Estimate:
    """An estimate that cannot be given; the fit's own reason unless another is named."""
    return Estimate(None, None, None, level, "1", fit.builds, fit.runs, why or fit.why or "There is no fit.")


def one_publisher_why(fit: JointFit) -> str:
    """Why one publisher gives no interval."""
    return f"All builds come from one publisher ({fit.publishers[0]}); without others there is no interval."
