"""The scale of measurement errors that wrong records cannot inflate.

Runs that do not lie on their build's line raise the fitted scale of the errors of a whole kind of dyno and so hide themselves,
just as odd builds raise the spread between builds. The median of the builds' residuals is not moved by a tenth of them.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from scipy.optimize import brentq

from models.build_grams import BuildGrams
from models.build_sums import Floats
from models.joint_fit import JointFit
from models.laws import chi2

#: The median of fewer builds' residuals says less than the fitted scale.
LEAST_BUILDS = 15

#: The scale is sought within this many powers of e either way.
WIDEST_LOG_SCALE = 12.0


def robust_grams(fit: JointFit, grams: BuildGrams) -> BuildGrams:
    """Statistics with the error variance of each kind of dyno rescaled by its builds' median residual.

    A build's residual sum of squares about its own line is chi-squared with n_i - 2 degrees of freedom times the scale; the
    scale used puts the median over builds of its distribution function at one half.
    """
    freedom = (fit.baseline_runs + fit.boosted_runs - 2).astype(np.float64)
    squares = _own_squares(grams, fit.answer.q)
    scale = np.ones(fit.builds)
    for dyno_class in fit.units["dyno_class"].unique().sort().to_list():
        mine = (fit.units["dyno_class"] == dyno_class).to_numpy()
        used = mine & (freedom > 0.0)
        if int(used.sum()) >= LEAST_BUILDS:
            scale[mine] = median_scale(squares[used], freedom[used])
    return BuildGrams(**{part.name: getattr(grams, part.name) / scale for part in fields(BuildGrams)})


def median_scale(squares: Floats, freedom: Floats) -> float:
    """Scale at which the median of chi-squared distribution functions of ``squares / scale`` is one half; 1 if there is none."""

    def excess(log_scale: float) -> float:
        return float(np.median(chi2.cdf(squares / np.exp(log_scale), freedom))) - 0.5

    if excess(-WIDEST_LOG_SCALE) < 0.0 or excess(WIDEST_LOG_SCALE) > 0.0:
        return 1.0
    return float(np.exp(brentq(excess, -WIDEST_LOG_SCALE, WIDEST_LOG_SCALE)))


def _own_squares(grams: BuildGrams, q: float) -> Floats:
    """Residual sum of squares of each build about its own level and slope, in units of the error variance."""
    total = grams.cyy - 2.0 * q * grams.cky + q * q * grams.ckk
    made: Floats = np.maximum(total - (grams.czy - q * grams.czk) ** 2 / grams.czz, 0.0)
    return made
