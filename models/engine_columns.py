"""From a request and the stored model to the curve of one engine: design, slope, power ratio and its standard deviation.

Plain arithmetic on numbers only, so that a page's script can do the same, step by step and in the same order::

    x    = boost / ambient,  c = x (x - x_r)
    z_0  = 1;  z_j = [level = level_j] - mean_j   or   (clip(value, low, high) - mean_j) / step;   0 where nothing is stated
    s    = sum_j z_j b_j
    M    = max(1 + s x + q c, M_least)                 power over NA power
    u    = x / M,  k = c / M,  g = (s + q (2 x - x_r)) / (M ambient)
    D    = (u z_0, ..., u z_(p-1), k)
    var  = max(D'V1 D, D'V2 D) + u^2 spread^2 + k^2 spread_q^2 + u^2 sum_(i,j not stated) b_i C_ij b_j
           + 2 phi pull^2 + 2 session^2 + (g sd_boost)^2 + wheel^2 + catalogue^2

(``var`` is that of ln power; DEVELOPERS.md, Estimators.) ``V`` covers the curvature too, which stands last.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from models.estimate_records import Covariate, EngineRequest, PredictionModel

#: Places of measurement behind the gearbox.
BEHIND_GEARBOX = ("wheel", "hub")


@dataclass(frozen=True, slots=True)
class EngineCurve:
    """One engine in the model's terms.

    Attributes
    ----------
    row : (p,) its row of the design. stated : (p,) whether each column is known.
    slope, curvature : of its expected curve.
    """

    row: tuple[float, ...]
    stated: tuple[bool, ...]
    slope: float
    curvature: float


def figure_of(request: EngineRequest, name: str) -> float | None:
    """A number of the request by the name of a covariate or dimension: ``specific_output`` [kW per litre], ``na_power`` [kW] ..."""
    if name == "na_power":
        return request.na_power_kw
    if name == "specific_output":
        return None if request.displacement_cc is None else request.na_power_kw / (request.displacement_cc / 1000.0)
    value: float | None = getattr(request, name)
    return value


def columns_of(covariate: Covariate, request: EngineRequest) -> tuple[float, ...] | None:
    """Values of a covariate's columns; None where the request does not state it, or states a level that too few builds share."""
    if covariate.kind == "code":
        level = getattr(request, covariate.name) or covariate.default
        if level not in covariate.levels:
            return None
        return tuple(
            (1.0 if level == one else 0.0) - mean for one, mean in zip(covariate.levels[1:], covariate.means, strict=True)
        )
    value = figure_of(request, covariate.name)
    if value is None:
        return None
    low = value if covariate.low is None else max(value, covariate.low)
    held = low if covariate.high is None else min(low, covariate.high)
    return ((held - covariate.means[0]) / covariate.step,)


def curve_of(model: PredictionModel, request: EngineRequest) -> EngineCurve:
    """The engine's row of the design and its expected curve."""
    row, stated = [1.0] + [0.0] * (len(model.coefficients) - 1), [True] + [False] * (len(model.coefficients) - 1)
    for covariate in model.covariates:
        values = columns_of(covariate, request)
        if values is None:
            continue
        for place, value in zip(covariate.columns, values, strict=True):
            row[place], stated[place] = value, True
    return EngineCurve(tuple(row), tuple(stated), slope_of(row, model.coefficients), model.curvature)


def slope_of(row: Sequence[float], coefficients: Sequence[float]) -> float:
    """``sum_j z_j b_j``, summed in order."""
    total = 0.0
    for value, coefficient in zip(row, coefficients, strict=True):
        total += value * coefficient
    return total


def power_ratio(model: PredictionModel, slope: float, curvature: float, x: float) -> float:
    """Power over NA power at boost ratio ``x``."""
    return max(1.0 + slope * x + curvature * x * (x - model.reference_boost_ratio), model.lowest_power_ratio)


def quadratic(vector: Sequence[float], matrix: Sequence[Sequence[float]]) -> float:
    """``v' A v``, summed row by row."""
    total = 0.0
    for i, left in enumerate(vector):
        for j, right in enumerate(vector):
            total += left * matrix[i][j] * right
    return total


def coefficient_variance(model: PredictionModel, vector: Sequence[float]) -> float:
    """Variance of ``vector' (coefficients, curvature)``: the larger of the model's and the jackknife's."""
    errors = model.errors
    plain = quadratic(vector, errors.covariance_model)
    return plain if errors.covariance_jackknife is None else max(plain, quadratic(vector, errors.covariance_jackknife))


def unstated_variance(model: PredictionModel, curve: EngineCurve) -> float:
    """Variance of the slope for what the request does not state."""
    unstated = [0.0 if known else b for known, b in zip(curve.stated, model.coefficients, strict=True)]
    return quadratic(unstated, model.errors.column_covariance)


def log_power_sd(model: PredictionModel, request: EngineRequest, curve: EngineCurve, x: float) -> float:
    """Standard deviation of ln power of an engine not yet tested (formula at the head of the module)."""
    errors, ratio = model.errors, power_ratio(model, curve.slope, curve.curvature, x)
    u, k = x / ratio, x * (x - model.reference_boost_ratio) / ratio
    steepness = (curve.slope + curve.curvature * (2.0 * x - model.reference_boost_ratio)) / (ratio * request.ambient_kpa)
    behind = request.measured_at in BEHIND_GEARBOX
    phi = errors.phi_wheel if behind else errors.phi_crank
    variance = coefficient_variance(model, [*(u * value for value in curve.row), k])
    variance += u * u * errors.spread**2 + k * k * errors.curvature_spread**2 + u * u * unstated_variance(model, curve)
    variance += 2.0 * phi * errors.pull_rel_sd**2 + 2.0 * errors.session_rel_sd**2 + (steepness * errors.boost_sd_kpa) ** 2
    variance += (errors.wheel_rel_sd**2 if behind else 0.0) + (errors.catalogue_rel_sd**2 if request.is_catalogue_figure else 0.0)
    return math.sqrt(variance)
