"""Where a claimed power stands among engines like it: the predictive distribution read the other way round.

The ranges of :mod:`models.predictive_ranges` are ends at given levels; here the level is found at which an end meets the claim. With
``d`` the claim's distance from the expectation on the log scale, freed of the widening for engines outside the evidence, and ``L`` the
level whose upper (or lower) end lies at ``d``, the claim stands at ``(1 + L) / 2`` (or ``(1 - L) / 2``).

From builds (CV+) ``L`` is the weight of the candidates at or below ``d``; it cannot pass ``B / (B + 1)``, so that B builds tell no more
than one in ``2 (B + 1)``. From the model alone it is that of Student's t, whose degrees of freedom follow from the stored quantile.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

from models.engine_columns import EngineCurve, log_power_sd, power_ratio, slope_of
from models.estimate_records import EngineRequest, PredictionModel
from models.laws import norm, t

#: From so many degrees of freedom on, t counts as normal.
_MANY = 1e6


@dataclass(frozen=True, slots=True)
class Place:
    """Share of engines below the claim, and the most and least that the builds can tell; all None where no range is given."""

    below: float | None
    most: float | None


def place_of(model: PredictionModel, request: EngineRequest, curve: EngineCurve, widened: float, made_kw: float) -> Place:
    """Where a power stands in the predictive distribution.

    Parameters
    ----------
    model, request, curve : what answers, the engine with its boost, and its curve.
    widened : factor on the ranges for an engine outside the evidence.
    made_kw : power claimed, on the basis of the request's NA figure.
    """
    if model.method == "none":
        return Place(None, None)
    x = request.boost_kpa / request.ambient_kpa
    expected = math.log(request.na_power_kw * power_ratio(model, curve.slope, curve.curvature, x))
    apart = (math.log(made_kw) - expected) / widened
    sd = log_power_sd(model, request, curve, x)
    if model.method == "model":
        freedom = freedom_of(model.errors.t95)
        level = 2.0 * (float(norm.cdf(abs(apart) / sd)) if freedom is None else float(t.cdf(abs(apart) / sd, freedom))) - 1.0
        return Place(_below(apart, level), 1.0)
    level, most = _level_of_builds(model, curve, x, sd, apart)
    return Place(_below(apart, level), (1.0 + most) / 2.0)


def _below(apart: float, level: float) -> float:
    return (1.0 + math.copysign(level, apart)) / 2.0


def _level_of_builds(model: PredictionModel, curve: EngineCurve, x: float, sd: float, apart: float) -> tuple[float, float]:
    """Weight of the candidates no farther out than the claim, and of all candidates."""
    expected = math.log(power_ratio(model, curve.slope, curve.curvature, x))
    side, inside, total = math.copysign(1.0, apart), 0.0, 0.0
    for fold in model.folds:
        shift = math.log(power_ratio(model, slope_of(curve.row, fold.coefficients), fold.curvature, x)) - expected
        for score, weight in zip(fold.scores, fold.weights, strict=True):
            total += weight
            if score * sd + side * shift <= abs(apart):
                inside += weight
    return min(inside, 1.0), min(total, 1.0)


def freedom_of(t95: float) -> float | None:
    """Degrees of freedom whose two-sided 95 % quantile is ``t95``; None: as good as normal."""
    if t95 <= float(t.ppf(0.975, _MANY)):
        return None

    def off(log_freedom: float) -> float:
        return float(t.ppf(0.975, math.exp(log_freedom))) - t95

    return math.exp(float(brentq(off, math.log(0.5), math.log(_MANY))))
