"""Each build's own NA power and rule ratio as a pair, with the covariance of their errors.

From the build's Gram matrix before its level is swept out: the error of the baseline enters both figures with opposite signs,
and whatever relates the two must know by how much (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

from models.build_sums import Floats
from models.joint_fit import JointFit
from pipeline.errors import RequestProblem


@dataclass(frozen=True, slots=True)
class LevelSlopes:
    """One entry per fitted build; each (n,).

    Attributes
    ----------
    level : ln of NA power [ln kW].
    slope : rule ratio at the fitted curvature, no unit.
    level_variance, slope_variance, covariance : of their errors; the covariance is below 0.
    """

    level: Floats
    slope: Floats
    level_variance: Floats
    slope_variance: Floats
    covariance: Floats


def level_slopes(fit: JointFit) -> LevelSlopes:
    """(level, slope) = H^-1 (y1, yz) with H the Gram over (1, z) and y net of curvature; their covariance is H^-1.

    Raises
    ------
    RequestProblem : the fit has no answer.
    """
    grams, q = fit.level_grams, fit.answer.q
    if grams is None:
        raise RequestProblem(fit.why or "There is no fit.")
    y1, yz = grams.g1y - q * grams.g1k, grams.gzy - q * grams.gzk
    det = grams.g11 * grams.gzz - grams.g1z**2
    return LevelSlopes(
        level=(grams.gzz * y1 - grams.g1z * yz) / det + fit.log_baseline,
        slope=(grams.g11 * yz - grams.g1z * y1) / det,
        level_variance=grams.gzz / det,
        slope_variance=grams.g11 / det,
        covariance=-grams.g1z / det,
    )
