"""What to expect of one engine: power and yield at one boost, the boost for a power, and the NA output that a power implies.

Arithmetic on the stored model alone, so that a page's script gives the same figures. With the curve and ``sd`` of
:mod:`models.engine_columns`, the ends of :mod:`models.predictive_ranges` (``down``, ``up``: distances on the log scale) and the factor
``w`` of :mod:`models.outside_evidence`::

    P        = NA M,  ends NA M exp(-w down), NA M exp(w up)
    gain     = P / NA - 1,  yield = (P - NA) / boost * ambient / 101.325        (and so for the ends)
    marginal = NA m / 101.325,  m = s + q (2 x - x_r),  ends NA (m -+ w t sd_m) / 101.325
    sd_m^2   = max(D'V1 D, D'V2 D) + spread^2 + (2 x - x_r)^2 spread_q^2 + what is not stated,  D = (z, 2 x - x_r)
    rule     = NA (1 + boost / ambient),  its yield NA / 101.325

Boost for a power, and NA output for a power, are found by halving an interval sixty times.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from models.charge_physics import ChargeSetup, expected_charge
from models.engine_columns import (
    EngineCurve,
    coefficient_variance,
    curve_of,
    power_ratio,
    unstated_variance,
)
from models.estimate_answers import EngineEstimate, ImpliedOutput, Ranges, TargetBoost
from models.estimate_records import CODES, EngineRequest, PhysicsSetup, PredictionModel, StandardAir
from models.outside_evidence import find_outside, highest_ratio, widening
from models.predictive_ranges import LogEnds, log_ends
from models.rule import SEA_LEVEL_KPA, rule_power, rule_yield
from models.similar_builds import NEIGHBOURS, similar_builds
from pipeline.errors import RequestProblem
from pipeline.fields import fields_of

HALVINGS = 60

#: What an engine can be: outside, a figure is a slip of the pen and no engine.
POSSIBLE = {
    "na_power_kw": (1.0, 10_000.0, "kW"),
    "boost_kpa": (0.1, 700.0, "kPa"),
    "ambient_kpa": (40.0, 115.0, "kPa"),
    "displacement_cc": (20.0, 200_000.0, "cc"),
    "compression_ratio": (3.0, 30.0, ""),
    "octane_ron": (40.0, 150.0, "RON"),
    "octane_aki": (40.0, 150.0, "AKI"),
    "compressor_rating_kw": (1.0, 10_000.0, "kW"),
}

_NOT_STUDIED = {"induction": ("none",), "baseline_hardware": ("unstated",)}


def check_request(request: EngineRequest) -> None:
    """That the request is one of an engine.

    Raises
    ------
    RequestProblem
        A figure is absurd or a code is not in the dictionary.
    """
    for name, (low, high, unit) in POSSIBLE.items():
        value = getattr(request, name)
        if value is not None and not low <= value <= high:
            words = name.rpartition("_")[0] if name.endswith(("_kw", "_kpa", "_cc")) else name
            raise RequestProblem(
                f"{words.replace('_', ' ')} was given as {value:g} {unit}".rstrip()
                + f"; what an engine can have is {low:g} to {high:g} {unit}".rstrip()
                + ". The estimate asks for it; check the figure and its unit."
            )
    for name in CODES:
        code = getattr(request, name)
        allowed = [one for one in allowed_codes(name) if one not in _NOT_STUDIED.get(name, ())]
        if code is not None and code not in allowed:
            raise RequestProblem(
                f"{name.replace('_', ' ')} was given as {code!r}; allowed is {', '.join(allowed)}. "
                "The dictionary lists the codes (`poundworth dictionary`); take one of them, or leave it out where it is not known."
            )


def allowed_codes(name: str) -> tuple[str, ...]:
    """Codes of the dictionary for a field of :data:`models.estimate_records.CODES`."""
    return next(field.codes for field in fields_of("run") if field.name == name)


def predict(model: PredictionModel, request: EngineRequest, neighbours: int = NEIGHBOURS) -> EngineEstimate:
    """What to expect of one engine at one boost.

    Parameters
    ----------
    model : of a study.
    request : the engine, its boost and its air; powers come back on the basis of its NA figure.
    neighbours : how many builds to set beside it.

    Raises
    ------
    RequestProblem
        The request is impossible.
    """
    check_request(request)
    curve, x = curve_of(model, request), request.boost_kpa / request.ambient_kpa
    outside = find_outside(model.evidence, request)
    widened = widening(outside)
    ends = log_ends(model, request, curve, x, widened)
    na, boost = request.na_power_kw, request.boost_kpa
    power = _power(na * power_ratio(model, curve.slope, curve.curvature, x), ends)
    to_yield = request.ambient_kpa / SEA_LEVEL_KPA / boost
    low, high = _physics(model, request)
    return EngineEstimate(
        request=request,
        power=power,
        gain_ratio=_each(power, "1", lambda kw: kw / na - 1.0),
        yield_=_each(power, "kW/kPa", lambda kw: (kw - na) * to_yield),
        marginal_yield=_marginal(model, request, curve, x, widened),
        rule_power_kw=float(rule_power(na, boost, request.ambient_kpa)),
        rule_yield=float(rule_yield(na)),
        physics_low_kw=na * (1.0 + low),
        physics_high_kw=na * (1.0 + high),
        neighbours=similar_builds(model, request, neighbours) if neighbours else (),
        outside=outside,
        widened=widened,
        method=model.method,
        why=model.why,
        builds=model.builds,
        runs=model.runs,
    )


def _power(expected_kw: float, ends: LogEnds) -> Ranges:
    def down(by: float | None) -> float | None:
        return None if by is None else expected_kw * math.exp(-by)

    def up(by: float | None) -> float | None:
        return None if by is None else expected_kw * math.exp(by)

    return Ranges(expected_kw, down(ends.down80), up(ends.up80), down(ends.down95), up(ends.up95), "kW")


def _each(of: Ranges, unit: str, by: Callable[[float], float]) -> Ranges:
    """A rising function of a figure and of its ends."""
    ends = [None if end is None else by(end) for end in (of.low80, of.high80, of.low95, of.high95)]
    return Ranges(by(of.value), ends[0], ends[1], ends[2], ends[3], unit)


def _marginal(model: PredictionModel, request: EngineRequest, curve: EngineCurve, x: float, widened: float) -> Ranges:
    lever = 2.0 * x - model.reference_boost_ratio
    value, per = curve.slope + curve.curvature * lever, request.na_power_kw / SEA_LEVEL_KPA
    variance = coefficient_variance(model, [*curve.row, lever]) + unstated_variance(model, curve)
    sd = math.sqrt(variance + model.errors.spread**2 + (lever * model.errors.curvature_spread) ** 2)
    half80, half95 = widened * model.errors.t80 * sd, widened * model.errors.t95 * sd
    if model.method == "none":
        return Ranges(value * per, None, None, None, None, "kW/kPa")
    wide = ((value - half95) * per, (value + half95) * per) if model.has_95 else (None, None)
    return Ranges(value * per, (value - half80) * per, (value + half80) * per, wide[0], wide[1], "kW/kPa")


def _physics(model: PredictionModel, request: EngineRequest) -> tuple[float, float]:
    """Least and most gain ratio over the corners that the stated codes leave open; codes that physics does not know leave all."""
    fits = [s for s in model.physics if request.induction in (None, s.induction)] or list(model.physics)
    fits = [s for s in fits if request.charge_cooling in (None, s.charge_cooling)] or fits
    gains = [expected_charge(request.boost_kpa, request.ambient_kpa, _setup(one)).gain_ratio for one in fits]
    return min(gains), max(gains)


def _setup(one: PhysicsSetup) -> ChargeSetup:
    return ChargeSetup(
        one.compressor_efficiency, one.cooler_effectiveness, one.temperature_exponent, one.is_belt_driven, one.exhaust_over_boost,
        one.mechanical_efficiency, one.drive_efficiency, one.volumetric_efficiency, one.na_bmep_kpa, one.inlet_c,
    )  # fmt: skip


# --- the other way round ------------------------------------------------------------------------------------------------


def boost_for(model: PredictionModel, request: EngineRequest, target_kw: float) -> TargetBoost:
    """Boost at which a power is to be expected; the boost of ``request`` is not looked at.

    Raises
    ------
    RequestProblem
        The request is impossible, or the target is no more than the NA output.
    """
    check_request(request)
    if not request.na_power_kw < target_kw <= POSSIBLE["na_power_kw"][1]:
        raise RequestProblem(
            f"The target of {target_kw:.1f} kW is not above the NA output of {request.na_power_kw:.1f} kW (or is beyond "
            f"{POSSIBLE['na_power_kw'][1]:g} kW), so no boost is needed or none would do; --target asks for more power than without boost."
        )
    limit = highest_ratio(model.evidence, request) * request.ambient_kpa

    def end(boost_kpa: float, which: str) -> float | None:
        value: float | None = getattr(predict(model, replace(request, boost_kpa=boost_kpa), neighbours=0).power, which)
        return value

    def reaches(which: str) -> float | None:
        top = end(limit, which)
        if top is None or top < target_kw:
            return None
        return halve(lambda boost: (end(boost, which) or 0.0) >= target_kw, POSSIBLE["boost_kpa"][0], limit)

    found = reaches("value")
    why = (
        None
        if found is not None
        else "No build of its kind was tested at so much boost: nothing beyond the evidence is proposed."
    )
    return TargetBoost(target_kw, found, reaches("high80"), reaches("low80"), limit, why)


def implied_output(model: PredictionModel, request: EngineRequest, made_kw: float) -> ImpliedOutput:
    """NA output that a boosted figure implies; the NA figure of ``request`` is not looked at.

    Notes
    -----
    The value is where the expectation at the boost is ``made_kw``. The range takes the ends' distances there: an engine that takes
    boost worse than expected must have had more without it.

    Raises
    ------
    RequestProblem
        The figure or the request is impossible.
    """
    low, high, _ = POSSIBLE["na_power_kw"]
    if not low < made_kw <= high:
        raise RequestProblem(
            f"The power made was given as {made_kw:g} kW; what an engine can make is {low:g} to {high:g} kW. "
            "--made asks for the power under boost; check the figure and its unit."
        )
    least = max(low, made_kw / 20.0)
    check_request(replace(request, na_power_kw=least))
    x = request.boost_kpa / request.ambient_kpa

    def makes(na_kw: float) -> float:
        curve = curve_of(model, replace(request, na_power_kw=na_kw))
        return na_kw * power_ratio(model, curve.slope, curve.curvature, x)

    na = halve(lambda kw: makes(kw) >= made_kw, least, made_kw)
    at = replace(request, na_power_kw=na)
    outside = find_outside(model.evidence, at)
    ends = log_ends(model, at, curve_of(model, at), x, widening(outside))
    turned = LogEnds(ends.up80, ends.down80, ends.up95, ends.down95)
    return ImpliedOutput(made_kw, at, _power(na, turned), outside, model.why)


def halve(is_enough: Callable[[float], bool], low: float, high: float) -> float:
    """Where ``is_enough`` turns true between ``low`` (taken as not enough) and ``high`` (taken as enough)."""
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high


def corrected_over_observed(air: StandardAir, ambient_kpa: float) -> float:
    """Factor from an observed figure to the standard's, at its reference temperature and the humidity taken."""
    return air.multiplier * air.reference_dry_kpa / (ambient_kpa - air.vapour_kpa) - (air.multiplier - 1.0)
