"""What would have to be true for a claim to be in line: another output without boost, another boost, a slip in the figures.

A condition is told where with it the claim would be in line; two are told always: the output without boost that the power implies, and
the boost at which it is to be expected. Boost beyond what was tested is never named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from models.claim_power import is_in_line
from models.claim_records import Condition, Verdict
from models.engine_columns import curve_of, power_ratio
from models.estimate_records import EngineRequest, PredictionModel
from models.expected_power import POSSIBLE, corrected_over_observed, halve, implied_output
from models.outside_evidence import highest_ratio
from pipeline.errors import RequestProblem
from pipeline.units import convert, unit_named

#: Power at the wheel over power at the crank as the trade takes it (common practice; the study tests it as a rule of thumb).
WHEEL_OVER_CRANK = 0.85

#: Air so far from the standard that a forgotten correction matters.
LEAST_CORRECTION = 0.01

#: Codes that are tried one at a time.
_TRIED = ("induction", "charge_cooling", "fuel")


def conditions_for(model: PredictionModel, request: EngineRequest, made_kw: float, verdict: Verdict) -> tuple[Condition, ...]:
    """What would have to be true.

    Parameters
    ----------
    model, request, made_kw : as for :func:`models.claim_power.judge_power`.
    verdict : on the claim as it was made; one in line asks for nothing.
    """
    if verdict == "in line":
        return ()
    is_high = made_kw > request.na_power_kw * _expected_ratio(model, request)
    found = [*_implied(model, request, made_kw)]
    for condition, engine, power in _slips(model, request, made_kw, is_high):
        try:
            would_do = is_in_line(model, engine, power)
        except RequestProblem:
            continue
        if would_do:
            found.append(replace(condition, verdict="in line"))
    return tuple(found)


def _expected_ratio(model: PredictionModel, request: EngineRequest) -> float:
    curve = curve_of(model, request)
    return power_ratio(model, curve.slope, curve.curvature, request.boost_kpa / request.ambient_kpa)


def _implied(model: PredictionModel, request: EngineRequest, made_kw: float) -> Iterator[Condition]:
    """NA output and boost that the power implies."""
    try:
        na = implied_output(model, request, made_kw).na_power
        yield Condition("na_output", na.low80, na.value, na.high80, "kW")
    except RequestProblem:
        pass
    boost = _implied_boost(model, request, made_kw)
    if boost is not None:
        yield Condition("boost", None, boost, None, "kPa")


def _implied_boost(model: PredictionModel, request: EngineRequest, made_kw: float) -> float | None:
    """Boost at which the power is to be expected, within what was tested; None beyond it."""
    wanted, curve = made_kw / request.na_power_kw, curve_of(model, request)
    most = highest_ratio(model.evidence, request)
    if wanted <= 1.0 or not power_ratio(model, curve.slope, curve.curvature, most) >= wanted:
        return None
    found = halve(lambda x: power_ratio(model, curve.slope, curve.curvature, x) >= wanted, 0.0, most) * request.ambient_kpa
    return found if found >= POSSIBLE["boost_kpa"][0] else None


def _slips(
    model: PredictionModel, request: EngineRequest, made_kw: float, is_high: bool
) -> Iterator[tuple[Condition, EngineRequest, float]]:
    """Each thing that may have been left unsaid, with the engine and the power as they would be then."""

    def moved(factor: float) -> tuple[EngineRequest, float]:
        """More without boost where the claim is high, more under boost where it is low."""
        if is_high:
            return replace(request, na_power_kw=request.na_power_kw * factor), made_kw
        return request, made_kw * factor

    which = "na" if is_high else "made"
    yield Condition("wheel_against_crank", value=WHEEL_OVER_CRANK, words=which), *moved(1.0 / WHEEL_OVER_CRANK)
    per_kw = convert(1.0, unit_named("kW"), unit_named("hp"))
    yield Condition("powers_in_two_units", value=per_kw, words=which), *moved(per_kw)
    correction = corrected_over_observed(model.standard_air, request.ambient_kpa)
    if abs(math.log(correction)) >= LEAST_CORRECTION:
        yield Condition("air", value=correction, words=which), *moved(correction)
    gauge = request.boost_kpa - request.ambient_kpa
    if not is_high and gauge > POSSIBLE["boost_kpa"][0]:
        yield Condition("boost_is_absolute", value=gauge, unit="kPa"), replace(request, boost_kpa=gauge), made_kw
    if not request.is_catalogue_figure:
        yield Condition("catalogue_figure"), replace(request, is_catalogue_figure=True), made_kw
    for name in _TRIED:
        for level in sorted(model.evidence.levels.get(name, {})):
            if level not in (getattr(request, name), "unstated") and not (name == "induction" and level == "none"):
                changed: dict[str, Any] = {name: level}
                yield Condition(name, words=level), replace(request, **changed), made_kw
