"""Ways towards a target power: more boost, a part, or a part and boost; never more boost than was tested or than the reader allows.

The chance of a way is that of its dyno figure, if the engine survives: survival is not estimated. The best boost of a way is
where the expected power meets the target, held to what enough builds of the engine's class were tested at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from models.choose_power import NO_PART, Setting, boost_for, needed_boost, power_at
from models.estimate import Estimate
from models.gain_records import GainsResults
from models.offset_boost import curve_for, engine_curve
from models.offset_cautions import BELT_DRIVEN, BOOST_CAUTIONS, COMPRESSOR_CAUTION, FIXED_DRIVE_NOTE
from models.offset_evidence import HP_KW, HighestTested, builds_at, check_engine, highest_tested, outside_evidence
from models.offset_records import Choice, Engine, Gain, Growth, OffsetModel, PartGain, Way
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO
from pipeline.errors import RequestProblem

UNBOOSTED_CAUTION = "An engine that was built to run without boost may stand less of it than those tested."

SURVIVAL = "Chances are of the dyno figure, if the engine survives; survival is not estimated."

#: The part's range counts as normal: this many standard errors to an end of a range at 95 %.
_ENDS_SD = 1.959964

#: Below this many pairs the gain of a kind of part leans on very few tests, and the way says so.
FEW_PAIRS = 5

#: A boost within this share of the allowed one counts as it.
_SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Limits:
    """What the reader sets: most boost [kPa] and the compressor's rating [kW]; None: not stated."""

    max_boost_kpa: float | None = None
    compressor_rating_kw: float | None = None


@dataclass(frozen=True, slots=True)
class _Case:
    """All that the ways of one choice share."""

    model: OffsetModel
    engine: Engine
    target_kw: float
    at: Setting
    growth: Growth
    highest_kpa: float
    stopped_by: str
    rating_kw: float | None

    @property
    def x0(self) -> float:
        return (self.engine.boost_kpa or 0.0) / self.engine.ambient_kpa

    @property
    def wanted(self) -> float:
        return self.target_kw / self.engine.na_kw


def growth_of(gains: GainsResults | None) -> Growth:
    """How gains grow under boost, as measured; multiplied in full where that is not known."""
    found = gains.growth.growth if gains is not None else None
    if found is None or found.value is None or found.low is None or found.high is None:
        return Growth()
    return Growth(found.value, (found.high - found.low) / 2.0 / _ENDS_SD, is_measured=True)


def parts_of(gains: GainsResults | None) -> tuple[PartGain, ...]:
    """Kinds of part with a gain and a range for one engine more."""
    if gains is None:
        return ()
    return tuple(
        PartGain(one.part, one.gain_pct, one.new_engine_pct, one.growth_under_boost, one.pairs)
        for one in gains.parts
        if one.gain_pct.value is not None and one.condition == "without boost"
    )


def gain_of(part: PartGain) -> Gain:
    """The gain of one engine more as a share, with its spread; with no range the gain counts as exact."""
    new, value = part.new_engine_pct, part.gain_pct.value or 0.0
    sd = 0.0 if new.low is None or new.high is None else (new.high - new.low) / 2.0 / _ENDS_SD
    return Gain(value / 100.0, sd / 100.0)


def own_part(gain_share: float, sd_share: float = 0.0, name: str = "your own gain") -> PartGain:
    """A gain of the reader's own as a part."""
    value, half = 100.0 * gain_share, 100.0 * sd_share * _ENDS_SD
    estimate = Estimate(value, value - half, value + half, 0.95, "%", 0, 0)
    return PartGain(name, estimate, estimate, None, 0, is_own=True)


def choose_way(
    model: OffsetModel,
    engine: Engine,
    target_kw: float,
    parts: Sequence[PartGain] = (),
    growth: Growth | None = None,
    limits: Limits | None = None,
) -> Choice:
    """All ways towards a target.

    Parameters
    ----------
    model : curves, draws and evidence of the study.
    engine : the engine as it is; ``boost_kpa`` what it runs now.
    target_kw : power to reach.
    parts : kinds of part with their gains.
    growth : how gains grow under boost; in full where it is None.
    limits : of the reader.

    Returns
    -------
    Choice
        More boost alone, then parts alone from the best chance down, then parts with boost from the least boost up.

    Raises
    ------
    RequestProblem : an impossible engine or limit, a target that is reached already, or a study without a curve.
    """
    growth, limits = growth or Growth(), limits or Limits()
    check_engine(engine)
    curve = curve_for(model, engine.induction, engine.charge_cooling)
    at = Setting(model, curve, engine_curve(model, curve, engine), engine, NO_PART, growth)
    _check_target(at, engine, target_kw)
    tested = highest_tested(model, engine)
    highest, stopped_by = _highest(tested, limits)
    case = _Case(model, engine, target_kw, at, growth, highest, stopped_by, limits.compressor_rating_kw)
    usable = [part for part in parts if gain_of(part).share > 0.0]
    boost = [_way(case, None, with_boost=True)]
    alone = [_way(case, part, with_boost=False) for part in usable]
    tried = [_way(case, part, with_boost=True) for part, way in zip(usable, alone, strict=True) if not way.reaches_target]
    both = [way for way in tried if way.extra_boost_kpa > 0.0]
    ordered = [*boost, *sorted(alone, key=_by_chance), *sorted(both, key=_by_boost)]
    notes = _notes(case, tested, limits, len(usable), len(parts) - len(usable))
    unboosted = () if engine.boost_kpa else (UNBOOSTED_CAUTION,)
    cautions = (*BOOST_CAUTIONS, *unboosted, COMPRESSOR_CAUTION, SURVIVAL)
    return Choice(engine, target_kw, curve, highest, stopped_by, tuple(ordered), notes, cautions)


def _by_chance(way: Way) -> tuple[float, float, str]:
    return -(way.chance_figure_reached or 0.0), way.extra_boost_kpa, way.way


def _by_boost(way: Way) -> tuple[bool, float, str]:
    return not way.reaches_target, way.extra_boost_kpa, way.way


def _check_target(at: Setting, engine: Engine, target_kw: float) -> None:
    if not (math.isfinite(target_kw) and target_kw > 0.0):
        raise RequestProblem(f"The target is {target_kw:g} kW; it must be above zero. Give the power to reach, such as 600hp.")
    x0 = (engine.boost_kpa or 0.0) / engine.ambient_kpa
    now = engine.made_kw or engine.na_kw * at.share_at(x0)
    if target_kw <= now:
        raise RequestProblem(
            f"The target of {target_kw / HP_KW:.0f} hp is no more than the {now / HP_KW:.0f} hp that the engine makes now"
            f"{'' if engine.made_kw or not x0 else ' by the study'}; there is nothing to choose. Give a higher target."
        )


def _highest(tested: HighestTested, limits: Limits) -> tuple[float, str]:
    most = limits.max_boost_kpa
    if most is None:
        return tested.boost_kpa, "evidence"
    if not (math.isfinite(most) and most >= 0.0):
        raise RequestProblem(
            f"The most boost allowed is {most:g} kPa; it must be zero or above. Give it as gauge boost, such as 12psi."
        )
    return (most, "max_boost") if most < tested.boost_kpa else (tested.boost_kpa, "evidence")


def _way(case: _Case, part: PartGain | None, *, with_boost: bool) -> Way:
    """One way: its boost, its power, its chance, and what stands against it."""
    at, engine, now = case.at, case.engine, case.engine.boost_kpa or 0.0
    gain = NO_PART if part is None else gain_of(part)
    at = Setting(at.model, at.curve, at.one, engine, gain, case.growth)
    boost, stopped = now, None
    if with_boost:
        boost, stopped = _proposed(case, at, now)
    x = boost / engine.ambient_kpa
    power, chance = power_at(at, x, case.target_kw)
    reaches = power.value is not None and power.value >= case.target_kw * (1.0 - _SAME)
    if with_boost:
        needed = needed_boost(at, case.wanted, case.x0, boost, case.highest_kpa)
    else:
        why = "Boost stays as it is."
        needed = Estimate(boost, None, None, case.model.level, "kPa", at.curve.builds, at.curve.runs, why)
    rating = case.rating_kw
    outside = [*outside_evidence(case.model, engine, boost), *_few_pairs(part)]
    return Way(
        way=_name(part, with_boost),
        parts=() if part is None else tuple(part.part.split(" + ")),
        boost=needed,
        extra_boost_kpa=boost - now,
        power=power,
        chance_figure_reached=chance,
        reaches_target=reaches,
        stopped_by=stopped,
        compressor_exceeded=None if rating is None or power.value is None else power.value > rating,
        builds_at_boost=builds_at(case.model, engine, boost) if boost else 0,
        outside_evidence=tuple(outside),
        cautions=_cautions(case, part, boost, now, power, rating),
    )


def _proposed(case: _Case, at: Setting, now: float) -> tuple[float, str | None]:
    """The boost of a way, never above the highest allowed nor below the present one, and what stopped it."""
    ratio = boost_for(at, case.wanted, case.x0)
    ceiling = max(case.highest_kpa, now)
    if ratio == math.inf:
        # the curve bends over: boost beyond its top would lose power, so the top is the most that is of use
        top = _top_ratio(at) * case.engine.ambient_kpa
        return (max(now, top), "no boost reaches it") if top < ceiling else (ceiling, case.stopped_by)
    wanted = ratio * case.engine.ambient_kpa
    if wanted > ceiling * (1.0 + _SAME):
        return ceiling, case.stopped_by
    return max(wanted, now), None


def _top_ratio(at: Setting) -> float:
    """Boost ratio at which the expected curve is highest; 0 where it falls from the start."""
    if at.one.curvature >= 0.0:
        return 0.0 if at.one.slope <= 0.0 else math.inf
    return max((REFERENCE_BOOST_RATIO - at.one.slope / at.one.curvature) / 2.0, 0.0)


def _name(part: PartGain | None, with_boost: bool) -> str:
    if part is None:
        return "more boost alone"
    words = part.part.replace("_", " ")
    return f"{words} and more boost" if with_boost else f"{words} alone"


def _few_pairs(part: PartGain | None) -> list[str]:
    if part is None or part.is_own or part.pairs >= FEW_PAIRS:
        return []
    return [f"The gain rests on {part.pairs} {'pair' if part.pairs == 1 else 'pairs'} of tests only."]


def _cautions(
    case: _Case, part: PartGain | None, boost: float, now: float, power: Estimate, rating: float | None
) -> tuple[str, ...]:
    """What stands against this way in particular."""
    said = []
    if now > case.highest_kpa * (1.0 + _SAME) and part is None:
        said.append("The engine already runs more boost than is proposed here: no more is proposed.")
    if rating is not None and power.value is not None and power.value > rating:
        said.append(f"The expected power is above the compressor's rating of {rating / HP_KW:.0f} hp.")
    elif rating is not None and power.high is not None and power.high > rating:
        said.append(f"The upper end of the expected power is above the compressor's rating of {rating / HP_KW:.0f} hp.")
    return tuple(said)


def _notes(case: _Case, tested: HighestTested, limits: Limits, usable: int, left: int) -> tuple[str, ...]:
    notes = []
    psi = tested.boost_kpa / KPA_PER_PSI
    if tested.kind is None:
        notes.append("Fewer than three builds of this class were tested: no more boost is proposed than the engine runs now.")
    else:
        kind = ", ".join(str(code).replace("_", " ") for code in (tested.kind.induction, tested.kind.fuel))
        cooling = "uncooled" if tested.kind.charge_cooling == "none" else str(tested.kind.charge_cooling).replace("_", " ")
        notes.append(
            f"Three builds of the class ({kind}, {cooling}) were tested at {psi:.1f} psi or more: nothing beyond is proposed."
        )
    if case.stopped_by == "max_boost":
        notes.append(f"You allow {case.highest_kpa / KPA_PER_PSI:.1f} psi: nothing beyond is proposed.")
    if tested.not_stated and tested.kind is not None:
        notes.append(
            f"Not stated: {', '.join(tested.not_stated)}. The class that was tested least far sets the limit; state them to get that of "
            "your own."
        )
    if limits.max_boost_kpa is not None and limits.max_boost_kpa > tested.boost_kpa and tested.kind is not None:
        notes.append(
            f"The boost allowed, {limits.max_boost_kpa / KPA_PER_PSI:.1f} psi, is beyond what was tested; it is not proposed."
        )
    if case.growth.is_measured:
        notes.append(f"Under boost gains grow as the power ratio to the {case.growth.value:.2f}, as measured.")
    elif usable:
        notes.append("How gains grow under boost is not known from these data: they are multiplied by the full power ratio.")
    if case.engine.induction is None or case.engine.induction in BELT_DRIVEN:
        notes.append(FIXED_DRIVE_NOTE)
    if not usable:
        notes.append("No kind of part has a gain in this store; give a gain of your own to compare a part with boost.")
    if left:
        notes.append(f"{left} kinds of part without a gain above zero are left out.")
    return tuple(notes)
