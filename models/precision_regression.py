"""Regression of estimates on a measure of their precision: the tests that look for missing small studies.

Egger's test regresses estimates on their standard errors (Egger et al. 1997, from memory). In dyno results precision is mostly
set by how much boost was run, so that the same regression on the boost range stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.build_sums import Floats, Ints
from models.laws import t


@dataclass(frozen=True, slots=True)
class PrecisionRegression:
    """Result of :func:`fit_precision_regression`.

    Attributes
    ----------
    slope, slope_se : change of the estimate per unit of the measure.
    intercept, intercept_se : the estimate where the measure is 0 (for a standard error: the limit of perfect precision).
    t_value, freedom, p_value : two-sided test of no slope.
    """

    slope: float
    slope_se: float
    intercept: float
    intercept_se: float
    t_value: float
    freedom: int
    p_value: float

    def half_width(self, se: float, level: float = 0.95) -> float:
        """Half width of a t interval for a coefficient with this standard error."""
        return float(t.ppf(0.5 + level / 2.0, self.freedom)) * se


def fit_precision_regression(
    y: Floats, measure: Floats, variance: Floats, groups: Ints | None = None
) -> PrecisionRegression | None:
    """Weighted regression of ``y`` on ``measure``; None where the measure does not vary or too few are left to test.

    Parameters
    ----------
    y : (n,) estimates.
    measure : (n,) their standard errors, or another measure of precision.
    variance : (n,) variance of each estimate; weights are the inverse, and what is left over scales the errors.
    groups : (n,) index of the publisher; standard errors are then clustered by it, with t(G - 1). None: as in Egger et al.,
        with t(n - 2).
    """
    from statsmodels.regression.linear_model import WLS  # a second to import, and needed here alone
    from statsmodels.tools.tools import add_constant

    count = y.size if groups is None else int(np.unique(groups).size)
    if y.size < 4 or count < 3 or not float(np.ptp(measure)) > 1e-9 * float(np.abs(measure).max()):
        return None
    model = WLS(y, add_constant(measure), weights=1.0 / variance)
    if groups is None:
        result, freedom = model.fit(), y.size - 2
    else:
        result, freedom = model.fit(cov_type="cluster", cov_kwds={"groups": groups}, use_t=True), count - 1
    slope, se = float(result.params[1]), float(result.bse[1])
    if not (np.isfinite(slope) and se > 0.0):
        return None
    t_value = slope / se
    return PrecisionRegression(
        slope, se, float(result.params[0]), float(result.bse[0]), t_value, freedom, float(2.0 * t.sf(abs(t_value), freedom))
    )
