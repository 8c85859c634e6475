"""How far the evidence reaches for an engine: what may be asked of it, how much boost its class was tested at, what lies outside."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.offset_records import Engine, OffsetModel, TestedKind
from models.rule import KPA_PER_PSI
from pipeline.errors import RequestProblem
from pipeline.fields import fields_of

#: So many builds of a class must have run a boost before it counts as tested: one alone may be a misprint, or luck.
LEAST_BUILDS_AT_BOOST = 3

#: Kilowatts in one mechanical horsepower, 550 ft lbf/s.
HP_KW = 550.0 * 0.3048 * 0.45359237 * 9.80665 / 1000.0

#: Figures that can be at all, from the dictionary.
_POSSIBLE = {
    field.name: field.possible
    for field in fields_of("run")
    if field.name in ("power_kw", "boost_kpa", "ambient_kpa") and field.possible
}

_CODES = ("induction", "charge_cooling", "fuel")
_WORDS = {"induction": "induction", "charge_cooling": "charge cooling", "fuel": "fuel"}


@dataclass(frozen=True, slots=True)
class HighestTested:
    """Highest boost that enough builds of an engine's class ran.

    Attributes
    ----------
    boost_kpa : gauge boost, in the engine's own air; 0 where the class was not tested by enough builds.
    kind : the class that sets it; None where there is none.
    not_stated : codes that the engine leaves open: the class that was tested least far sets the limit.
    """

    boost_kpa: float
    kind: TestedKind | None
    not_stated: tuple[str, ...]


def check_engine(engine: Engine) -> None:
    """Refuse an engine that cannot be.

    Raises
    ------
    RequestProblem : a figure is not a finite number above zero, or it makes less under boost than without.
    """
    figures = [("The output without boost", engine.na_kw, "power_kw"), ("The air pressure", engine.ambient_kpa, "ambient_kpa")]
    if engine.boost_kpa:
        figures.append(("The present boost", engine.boost_kpa, "boost_kpa"))
    if engine.made_kw is not None:
        figures.append(("The power under boost", engine.made_kw, "power_kw"))
    for name, value, field in figures:
        low, high = _POSSIBLE[field]
        if not (max(low, 0.0) <= value <= high):
            unit = "kW" if field == "power_kw" else "kPa"
            raise RequestProblem(
                f"{name} is {value:.4g} {unit}; it must be {max(low, 0.0):g} to {high:g} {unit}. Look at figure and unit."
            )
    if engine.made_kw is not None and not engine.boost_kpa:
        raise RequestProblem(
            f"A power of {engine.made_kw / HP_KW:.0f} hp under boost is given without the boost; both belong together. "
            "Give the boost at which it was measured."
        )
    if engine.made_kw is not None and engine.made_kw <= engine.na_kw:
        raise RequestProblem(
            f"The engine makes {engine.made_kw / HP_KW:.0f} hp under boost and {engine.na_kw / HP_KW:.0f} hp without; boost must add power. "
            "Look whether the two figures are swapped."
        )


def kinds_like(model: OffsetModel, engine: Engine) -> tuple[TestedKind, ...]:
    """Kinds that agree with all that the engine states."""
    stated = {code: getattr(engine, code) for code in _CODES if getattr(engine, code) is not None}
    return tuple(kind for kind in model.tested if all(getattr(kind, code) == value for code, value in stated.items()))


def highest_tested(model: OffsetModel, engine: Engine) -> HighestTested:
    """Boost that at least three builds of the engine's class were tested at, at no more than their boost ratio either.

    Where the engine leaves induction, cooling or fuel open, the class that was tested least far counts: the open code may be
    that class.
    """
    not_stated = tuple(_WORDS[code] for code in _CODES if getattr(engine, code) is None)
    found: HighestTested | None = None
    for kind in kinds_like(model, engine):
        if kind.builds < LEAST_BUILDS_AT_BOOST or None in (kind.induction, kind.charge_cooling, kind.fuel):
            continue
        place = LEAST_BUILDS_AT_BOOST - 1
        boost = min(kind.top_boosts_kpa[place], kind.top_boost_ratios[place] * engine.ambient_kpa)
        if found is None or boost < found.boost_kpa:
            found = HighestTested(boost, kind, not_stated)
    return found or HighestTested(0.0, None, not_stated)


def builds_at(model: OffsetModel, engine: Engine, boost_kpa: float) -> int:
    """Builds like the engine that were tested at this boost or more (at the next whole psi or more where many were)."""
    return sum(_builds_at(kind, boost_kpa) for kind in kinds_like(model, engine))


def _builds_at(kind: TestedKind, boost_kpa: float) -> int:
    if boost_kpa > kind.top_boosts_kpa[-1] or len(kind.top_boosts_kpa) == kind.builds:
        return sum(boost >= boost_kpa * (1.0 - 1e-9) for boost in kind.top_boosts_kpa)
    psi = math.ceil(boost_kpa / KPA_PER_PSI - 1e-9)
    return kind.builds_by_psi[psi] if psi < len(kind.builds_by_psi) else 0


def outside_evidence(model: OffsetModel, engine: Engine, boost_kpa: float | None) -> tuple[str, ...]:
    """What of an engine, at up to ``boost_kpa`` in all, lies outside what was tested; sentences."""
    kinds = kinds_like(model, engine)
    if not kinds:
        return ("No build in the study has this induction, charge cooling and fuel together.",)
    said = []
    low, high = min(kind.lowest_na_kw for kind in kinds), max(kind.highest_na_kw for kind in kinds)
    builds = sum(kind.builds for kind in kinds)
    if builds < LEAST_BUILDS_AT_BOOST:
        said.append(f"Only {builds} {'build' if builds == 1 else 'builds'} of this class in the study.")
    if engine.na_kw < low:
        said.append(f"No build of this class in the study made less than {low / HP_KW:.0f} hp without boost.")
    if engine.na_kw > high:
        said.append(f"No build of this class in the study made more than {high / HP_KW:.0f} hp without boost.")
    top = max(kind.top_boosts_kpa[0] for kind in kinds)
    if boost_kpa is not None and boost_kpa > top * (1.0 + 1e-9):
        said.append(
            f"No build of this class in the study was tested above {top / KPA_PER_PSI:.1f} psi; the curve is carried on beyond."
        )
    return tuple(said)
