"""Records of the answer for one engine: expected power with its ranges, what stands beside it, and what it rests on.

Nothing here computes. Powers in kW, boosts in gauge kPa, yields in kW per kPa of boost referred to sea level.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.estimate_records import EngineRequest, KnownBuild, Method


@dataclass(frozen=True, slots=True)
class Ranges:
    """A figure with its 80 % and 95 % range; an end that cannot be given is None."""

    value: float
    low80: float | None
    high80: float | None
    low95: float | None
    high95: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class OutsideItem:
    """One way in which an engine lies outside the evidence.

    Attributes
    ----------
    code : ``na_power``, ``boost``, ``boost_of_class``, ``specific_output``, ``compression_ratio``, ``displacement``, ``ambient``,
        ``octane_ron``, ``octane_aki``, ``class``, or a code field (``fuel``, ``induction`` ...).
    yours : the figure asked about, or the words of a code.
    limit : nearest figure that was seen; None for codes.
    unit : canonical unit of the two; "" for codes.
    is_above : whether yours is above what was seen; None for codes.
    builds : builds that share the code (0: none).
    widens : factor on the half width of the ranges.
    """

    code: str
    yours: float | str
    limit: float | None
    unit: str
    is_above: bool | None
    builds: int
    widens: float


@dataclass(frozen=True, slots=True)
class Difference:
    """How a neighbour differs: ``theirs`` against ``yours`` in a canonical unit, or two codes. None: not stated."""

    name: str
    theirs: float | str | None
    yours: float | str | None
    unit: str


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A build like the one asked about.

    Attributes
    ----------
    build : the build.
    distance : steps of likeness (root of the sum of squares over the axes that the request states).
    likeness : the distance in words.
    nearest_boost_kpa, nearest_gain_ratio : its run nearest to the boost ratio asked about.
    differences : how it differs, the largest first; empty where it agrees in all that is known.
    would_make_kw : power of the engine asked about if it took boost as this build did.
    """

    build: KnownBuild
    distance: float
    likeness: str
    nearest_boost_kpa: float
    nearest_gain_ratio: float
    differences: tuple[Difference, ...]
    would_make_kw: float


@dataclass(frozen=True, slots=True)
class EngineEstimate:
    """What to expect of one engine at one boost.

    Attributes
    ----------
    request : what was asked.
    power : expected power, on the basis of the request's NA figure.
    gain_ratio : expected gain over NA power.
    yield_ : (P - NA) / boost, referred to sea level. marginal_yield : what the next kPa adds there, by the model's own range.
    rule_power_kw, rule_yield : what the rule says.
    physics_low_kw, physics_high_kw : what heat, friction, belt and exhaust lead one to expect.
    neighbours : the most similar builds, nearest first.
    outside : ways in which the engine lies outside the evidence; empty inside. widened : factor on the ranges for them.
    method : how the ranges were made. why : why a range is missing, or None.
    """

    request: EngineRequest
    power: Ranges
    gain_ratio: Ranges
    yield_: Ranges
    marginal_yield: Ranges
    rule_power_kw: float
    rule_yield: float
    physics_low_kw: float
    physics_high_kw: float
    neighbours: tuple[Neighbour, ...]
    outside: tuple[OutsideItem, ...]
    widened: float
    method: Method
    why: str | None
    builds: int
    runs: int


@dataclass(frozen=True, slots=True)
class TargetBoost:
    """Boost at which a power is to be expected.

    Attributes
    ----------
    target_kw : the power asked for.
    boost_kpa : where the expected curve reaches it; None where it does not within the evidence.
    low_kpa, high_kpa : where the upper, and the lower, end of the 80 % range reaches it; None beyond the evidence.
    limit_kpa : highest boost tested in the engine's class: nothing beyond it is proposed.
    why : why a figure is missing, or None.
    """

    target_kw: float
    boost_kpa: float | None
    low_kpa: float | None
    high_kpa: float | None
    limit_kpa: float
    why: str | None


@dataclass(frozen=True, slots=True)
class ImpliedOutput:
    """NA output that a boosted figure implies: ``made_kw`` at the boost of ``request`` (whose NA figure is the value found)."""

    made_kw: float
    request: EngineRequest
    na_power: Ranges
    outside: tuple[OutsideItem, ...]
    why: str | None
