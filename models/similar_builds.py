"""The builds most like an engine, how each differs, and what each would say: an explanation beside the estimate.

Distance: root of the sum of squares over the axes that the request states (``(value - mean) / scale``) and over
``ln(x / x_nearest) / boost_scale``, ``x_nearest`` the boost ratio of the build's run nearest to the one asked about. Equal distances
are ordered by ``unit_id``.
"""

from __future__ import annotations

import math

from models.engine_columns import figure_of, power_ratio
from models.estimate_answers import Difference, Neighbour
from models.estimate_records import CODES, Dimension, EngineRequest, KnownBuild, PredictionModel

NEIGHBOURS = 10

#: Distances in words.
LIKENESS = ((0.75, "very like it"), (1.5, "like it"), (2.5, "like it in part"))
FARTHEST = "not very like it"

#: Figures closer than this share are no difference.
LEAST_DIFFERENCE = 0.05

_NUMBERS = (
    ("na_power_kw", "kW"), ("displacement_cc", "cc"), ("compression_ratio", "1"), ("octane_ron", "1"), ("octane_aki", "1"),
    ("ambient_kpa", "kPa"),
)  # fmt: skip

#: A code that differs counts as much as a figure half as large again.
_CODE_WEIGHT = 0.4
#: What a build does not state comes last.
_NOT_STATED_WEIGHT = 0.0


def similar_builds(model: PredictionModel, request: EngineRequest, most: int = NEIGHBOURS) -> tuple[Neighbour, ...]:
    """The most similar builds, nearest first."""
    x = request.boost_kpa / request.ambient_kpa
    place = tuple(_coordinate(axis, request) for axis in model.dimensions)
    measured = sorted(
        (_distance(model, place, build, x), build.unit_id, i) for i, build in enumerate(model.known_builds) if build.boosts_kpa
    )
    return tuple(_neighbour(model, request, model.known_builds[i], distance, x) for distance, _, i in measured[:most])


def _coordinate(axis: Dimension, request: EngineRequest) -> float | None:
    """Where the request stands on an axis; None where it does not say."""
    if axis.kind == "code":
        level = getattr(request, axis.name)
        return None if level is None else ((1.0 if level == axis.level else 0.0) - axis.mean) / axis.scale
    value = figure_of(request, axis.name)
    if value is None:
        return None
    return ((math.log(value) if axis.kind == "log" else value) - axis.mean) / axis.scale


def _nearest_run(build: KnownBuild, x: float) -> int:
    """The run whose boost ratio is nearest to ``x`` on the log scale, the lower of two equally near."""
    apart = [abs(math.log(boost / build.ambient_kpa / x)) for boost in build.boosts_kpa]
    return apart.index(min(apart))


def _distance(model: PredictionModel, place: tuple[float | None, ...], build: KnownBuild, x: float) -> float:
    nearest = build.boosts_kpa[_nearest_run(build, x)] / build.ambient_kpa
    total = (math.log(nearest / x) / model.boost_scale) ** 2
    for own, theirs in zip(place, build.coordinates, strict=True):
        if own is not None:
            total += (theirs - own) ** 2
    return math.sqrt(total)


def say_likeness(distance: float) -> str:
    """A distance in words."""
    return next((words for end, words in LIKENESS if distance < end), FARTHEST)


def _neighbour(model: PredictionModel, request: EngineRequest, build: KnownBuild, distance: float, x: float) -> Neighbour:
    run = _nearest_run(build, x)
    return Neighbour(
        build=build,
        distance=distance,
        likeness=say_likeness(distance),
        nearest_boost_kpa=build.boosts_kpa[run],
        nearest_gain_ratio=build.gain_ratios[run],
        differences=_differences(request, build, build.boosts_kpa[run]),
        would_make_kw=request.na_power_kw * power_ratio(model, build.rule_ratio, model.curvature, x),
    )


def _differences(request: EngineRequest, build: KnownBuild, boost_kpa: float) -> tuple[Difference, ...]:
    """How the build differs in what the request states, the largest first; what it does not state last."""
    boost = Difference("boost_kpa", boost_kpa, request.boost_kpa, "kPa")
    found: list[tuple[float, Difference]] = [(abs(math.log(boost_kpa / request.boost_kpa)), boost)]
    for name, unit in _NUMBERS:
        yours, theirs = getattr(request, name), getattr(build, name)
        if yours is not None:
            weight = _NOT_STATED_WEIGHT if theirs is None else abs(math.log(theirs / yours))
            found.append((weight, Difference(name, theirs, yours, unit)))
    for name in CODES:
        mine, other = getattr(request, name), getattr(build, name)
        if mine is not None and mine != other:
            found.append((_NOT_STATED_WEIGHT if other is None else _CODE_WEIGHT, Difference(name, other, mine, "")))
    told = [(w, d) for w, d in found if d.theirs is None or w >= LEAST_DIFFERENCE]
    return tuple(difference for _, difference in sorted(told, key=lambda pair: -pair[0]))


_WORDS = {
    "na_power_kw": ("{:.0f} kW", "more without boost", "less without boost"),
    "boost_kpa": ("{:.1f} kPa", "more boost", "less boost"),
    "displacement_cc": ("{:.0f} cc", "larger", "smaller"),
    "compression_ratio": ("{:.1f}", "higher compression ratio", "lower compression ratio"),
    "octane_ron": ("{:.0f} RON", "higher octane", "lower octane"),
    "octane_aki": ("{:.0f} AKI", "higher octane", "lower octane"),
    "ambient_kpa": ("{:.0f} kPa", "denser air", "thinner air"),
}


def say_difference(difference: Difference) -> str:
    """A difference in a few words; figures in kW, kPa and cc."""
    name, theirs, yours = difference.name, difference.theirs, difference.yours
    plain = name.removesuffix("_kw").removesuffix("_kpa").removesuffix("_cc").replace("_", " ")
    if theirs is None:
        return f"{plain} not stated"
    if isinstance(theirs, str) or isinstance(yours, str) or yours is None:
        return f"{plain} {theirs} instead of {yours}".replace("_", " ")
    figure, more, less = _WORDS[name]
    return f"{more if theirs > yours else less} ({figure.format(theirs)})"


def say_differences(neighbour: Neighbour) -> str:
    """All differences as one phrase."""
    return "; ".join(say_difference(one) for one in neighbour.differences) or "agrees in all that is known"
