"""Ranges for the power of an engine not yet tested: CV+ over engines from 40 builds on, else the model's own.

CV+ (Barber, Candes, Ramdas & Tibshirani 2021, from memory) on the log scale with scaled scores: for score ``R`` of fold ``k`` and
weight ``w`` the candidates are ``ln P_k - R sd`` below and ``ln P_k + R sd`` above, ``P_k`` the expectation of the fit without the
fold. The upper end is the smallest candidate with weight ``level`` at or below it, the lower end its mirror. Weights add up to
``B / (B + 1)``, the rest stands at infinity, so that 95 % needs 19 builds. Each build counts once, however many runs it has.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from models.engine_columns import EngineCurve, log_power_sd, power_ratio, slope_of
from models.estimate_records import EngineRequest, PredictionModel

#: Builds from which on CV+ is used, and below which there is no 95 % range.
BUILDS_FOR_CV = 40
BUILDS_FOR_95 = 19

#: Sums of weights that differ by rounding alone count as equal.
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class LogEnds:
    """Distances of the ends from the expectation on the log scale, each 0 or above; None: not given."""

    down80: float | None
    up80: float | None
    down95: float | None
    up95: float | None


def weighted_end(values: Sequence[float], weights: Sequence[float], level: float) -> float | None:
    """Smallest value with weight ``level`` at or below it; None where all of them weigh less (the end is at infinity)."""
    total = 0.0
    for value, weight in sorted(zip(values, weights, strict=True)):
        total += weight
        if total >= level - _ROUNDING:
            return value
    return None


def log_ends(model: PredictionModel, request: EngineRequest, curve: EngineCurve, x: float, widened: float) -> LogEnds:
    """How far the ranges reach from the expectation, on the log scale.

    Parameters
    ----------
    model, request, curve : what answers, what is asked, and the engine's curve.
    x : boost ratio.
    widened : factor on both distances for an engine outside the evidence.
    """
    if model.method == "none":
        return LogEnds(None, None, None, None)
    sd = log_power_sd(model, request, curve, x)
    if model.method == "model":
        half80, half95 = model.errors.t80 * sd * widened, model.errors.t95 * sd * widened
        return LogEnds(half80, half80, *((half95, half95) if model.has_95 else (None, None)))
    expected = math.log(power_ratio(model, curve.slope, curve.curvature, x))
    above: list[float] = []
    below: list[float] = []
    weights: list[float] = []
    for fold in model.folds:
        shift = math.log(power_ratio(model, slope_of(curve.row, fold.coefficients), fold.curvature, x)) - expected
        for score, weight in zip(fold.scores, fold.weights, strict=True):
            above.append(shift + score * sd)
            below.append(score * sd - shift)
            weights.append(weight)
    ends = [
        _reach(weighted_end(side, weights, level), widened) if level < 0.9 or model.has_95 else None
        for level in (0.80, 0.95)
        for side in (below, above)
    ]
    return LogEnds(*ends)


def _reach(end: float | None, widened: float) -> float | None:
    """An end as a distance; a range never leaves out its own expectation."""
    return None if end is None else max(end, 0.0) * widened


def why_no_range(builds: int) -> str | None:
    """Why a range is missing with so many builds, or None."""
    if builds >= BUILDS_FOR_95:
        return None
    return (
        f"The study has {builds} builds. A 95 % range needs {BUILDS_FOR_95}: with fewer, one surprise among them is already "
        "more than 5 %. Only the 80 % range is given."
    )
