"""Mean and spread that a tenth of wrong records cannot pull: Huber weights, and a spread from the median residual.

The REML spread is inflated by the very builds that one looks for and so hides them; this one is not (Huber 1964, from memory;
DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from models.build_sums import Floats
from models.plain_sums import cross, weigh

#: Residuals up to this many standard deviations keep their full weight: 95 % efficiency at the normal law.
HUBER_K = 1.345

#: Median of the absolute value of a standard normal variable, as it is usually rounded.
NORMAL_MEDIAN = 0.6745

#: Alternations of mean and spread; about ten settle.
MOST_ALTERNATIONS = 25

#: Change of the spread below which they have settled.
SETTLED = 1e-10


@dataclass(frozen=True, slots=True)
class RobustMean:
    """Result of :func:`fit_robust_mean`.

    Attributes
    ----------
    coefficients, covariance : (p,) and (p, p), the inverse of X'WX at the final weights.
    tau : spread of the true values about the fitted means.
    residuals, fitted : (n,).
    leverage : (n,) weight of each estimate in its own fitted value.
    mean_variance : (n,) X_i' V X_i.
    """

    coefficients: Floats
    covariance: Floats
    tau: float
    residuals: Floats
    fitted: Floats
    leverage: Floats
    mean_variance: Floats

    def left_out(self, v: Floats) -> tuple[Floats, Floats]:
        """Residual of each estimate from the fit without it, and that residual's standard deviation; v its variance."""
        return self.residuals / (1.0 - self.leverage), np.sqrt(self.tau**2 + v + self.mean_variance)


def fit_robust_mean(y: Floats, v: Floats, design: Floats) -> RobustMean:
    """Fit means by Huber weights and the spread by the median of scaled residuals, in turn.

    Parameters
    ----------
    y, v : (n,) estimates and their variances.
    design : (n, p) of full column rank, n above p.
    """
    from statsmodels.robust.norms import HuberT  # a second to import, and needed here alone

    norm = HuberT(t=HUBER_K)
    n, p = design.shape
    tau = float(np.median(np.abs(y - np.median(y)))) / NORMAL_MEDIAN
    coefficients, covariance, weights = _solve(y, design, 1.0 / (tau**2 + v))
    for _ in range(MOST_ALTERNATIONS):
        residuals = y - weigh(design, coefficients)
        spread = _spread(residuals, v, (n / (n - p)) ** 0.5)
        sd = np.sqrt(spread**2 + v)
        coefficients, covariance, weights = _solve(y, design, norm.weights(residuals / sd) / sd**2)
        moved, tau = abs(spread - tau), spread
        if moved < SETTLED:
            break
    fitted = weigh(design, coefficients)
    mean_variance = np.einsum("ij,jk,ik->i", design, covariance, design)
    return RobustMean(coefficients, covariance, tau, y - fitted, fitted, weights * mean_variance, mean_variance)


def _solve(y: Floats, design: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Weighted least squares: coefficients, inverse of X'WX, and the weights."""
    weighted = design * weights[:, None]
    inverse: Floats = np.linalg.inv(cross(weighted, design)).astype(np.float64)
    return inverse @ cross(weighted, y[:, None])[:, 0], inverse, weights


def _spread(residuals: Floats, v: Floats, inflate: float) -> float:
    """Tau with median(|e| / sqrt(tau^2 + v)) * sqrt(n / (n - p)) = 0.6745; 0 where errors alone explain the residuals."""
    size = np.abs(residuals) * inflate

    def excess(tau: float) -> float:
        return float(np.median(size / np.sqrt(tau**2 + v))) - NORMAL_MEDIAN

    if excess(0.0) <= 0.0:
        return 0.0
    top = float(np.median(size)) / NORMAL_MEDIAN + float(np.sqrt(v.max()))
    while excess(top) > 0.0:
        top *= 2.0
    return float(brentq(excess, 0.0, top, xtol=1e-12))
