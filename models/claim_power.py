"""The verdict on a claimed power: where it stands in the predictive range, and whether comparable records reach it.

``in line``: inside the 80 % range. ``low``: below it. Above it, ``high but seen`` where the claim is inside the 95 % range or a comparable
record took boost so well, and ``beyond the evidence`` where neither is so. ``cannot judge`` where no range can be given, where the 95 %
range would be needed and is missing, or where the engine lies so far outside what was tested that being inside a range says nothing.
Comparable: tested within a quarter of the claim's boost ratio, and of no other induction, cooling, fuel or place of measurement than is stated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.claim_percentile import Place, place_of
from models.claim_records import Verdict
from models.engine_columns import curve_of
from models.estimate_answers import EngineEstimate, Neighbour
from models.estimate_records import EngineRequest, PredictionModel
from models.expected_power import POSSIBLE, predict
from models.similar_builds import similar_builds
from pipeline.errors import RequestProblem

#: A record counts as tested at such a boost when its boost ratio is within this factor of the claim's.
NEAR_BOOST = 1.25

#: From this widening on, nothing like the engine was tested: a claim inside the range is no claim borne out.
FAR_OUTSIDE = 2.0

#: What a record may not differ in to be set against a claim.
_CLASS = ("induction", "charge_cooling", "fuel", "measured_at")


@dataclass(frozen=True, slots=True)
class PowerJudgement:
    """Verdict with all that it rests on; ``compared`` are comparable records, ``seen`` how many of them reach the claim."""

    verdict: Verdict
    why: str | None
    place: Place
    estimate: EngineEstimate
    compared: tuple[Neighbour, ...]
    seen: int


def judge_power(model: PredictionModel, request: EngineRequest, made_kw: float, neighbours: int = 10) -> PowerJudgement:
    """How a power under boost sits among engines like it.

    Parameters
    ----------
    model : of a study.
    request : the engine and the boost of the claim.
    made_kw : power claimed, on the basis of the request's NA figure.
    neighbours : how many near records the estimate lists.

    Raises
    ------
    RequestProblem
        The engine or the power is impossible.
    """
    low, high, unit = POSSIBLE["na_power_kw"]
    if not (math.isfinite(made_kw) and low <= made_kw <= high):
        raise RequestProblem(
            f"The power made comes to {made_kw:g} {unit}; what an engine can make is {low:g} to {high:g} {unit}. "
            "The claim states it; check the figure and its unit."
        )
    estimate = predict(model, request, neighbours)
    place = place_of(model, request, curve_of(model, request), estimate.widened, made_kw)
    compared = comparable_records(model, request)
    is_high = made_kw >= estimate.power.value
    seen = sum(one.would_make_kw >= made_kw if is_high else one.would_make_kw <= made_kw for one in compared)
    verdict, why = _verdict(model, estimate, made_kw, seen)
    return PowerJudgement(verdict, why, place, estimate, compared, seen)


def is_in_line(model: PredictionModel, request: EngineRequest, made_kw: float) -> bool:
    """Whether a claim so changed would be in line; quick, for it sets no record beside it."""
    estimate = predict(model, request, neighbours=0)
    power = estimate.power
    if power.low80 is None or power.high80 is None or estimate.widened >= FAR_OUTSIDE:
        return False
    return power.low80 <= made_kw <= power.high80


def comparable_records(model: PredictionModel, request: EngineRequest) -> tuple[Neighbour, ...]:
    """Builds that were tested near the boost ratio and agree in what is stated of the class, the most alike first."""
    x = request.boost_kpa / request.ambient_kpa

    def is_near(one: Neighbour) -> bool:
        ratio = one.nearest_boost_kpa / one.build.ambient_kpa / x
        if not 1.0 / NEAR_BOOST <= ratio <= NEAR_BOOST:
            return False
        return all(getattr(request, name) in (None, getattr(one.build, name)) for name in _CLASS)

    return tuple(one for one in similar_builds(model, request, len(model.known_builds)) if is_near(one))


def _verdict(model: PredictionModel, estimate: EngineEstimate, made_kw: float, seen: int) -> tuple[Verdict, str | None]:
    power = estimate.power
    if power.low80 is None or power.high80 is None:
        return "cannot judge", model.why or "No range can be given for such an engine."
    is_outside_80 = not power.low80 <= made_kw <= power.high80
    is_beyond_95 = power.high95 is not None and made_kw > power.high95
    if estimate.widened >= FAR_OUTSIDE and not is_beyond_95 and not (power.low95 is not None and made_kw < power.low95):
        return "cannot judge", "The engine lies far outside what was tested, so that being inside a range says little."
    if not is_outside_80:
        return "in line", None
    if made_kw < power.low80:
        return "low", None
    if power.high95 is None and not seen:
        return "cannot judge", f"It is above the 80 % range. {model.why or 'A 95 % range cannot be given.'}"
    return ("beyond the evidence" if is_beyond_95 and not seen else "high but seen"), None
