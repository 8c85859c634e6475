"""What one header says, and how a field, its unit and the kind of pressure settle with one another.

A unit of another quantity is never accepted: such a column stays unrecognised with a doubt. Absolute pressure under
the name boost is ``manifold_kpa``, gauge pressure under the name manifold is ``boost_kpa``.
"""

from __future__ import annotations

import dataclasses
import re
from dataclasses import dataclass, replace

from pipeline.fields import FIELDS, Field
from pipeline.header_words import header_table
from pipeline.units import Unit, find_unit, implied_by_unit, units_of
from pipeline.words import fold_words

#: Ranks of a reading, best first; they settle two columns that claim one field.
OVERRIDE, EXACT, STEM, ALIAS = -1, 0, 1, 2
#: Quantities whose unit goes without saying in this trade: rpm, degrees of crank, percent.
SELF_EVIDENT = frozenset({"speed", "angle", "share", "speed_rate"})
#: Figures about which a header may say where, how corrected or that it is a peak.
FIGURES = frozenset({"power_kw", "torque_nm", "observed_power_kw", "curve_power_kw", "curve_torque_nm"})
#: Fields that hold gauge pressure, and those that hold absolute pressure.
GAUGE_FIELDS = frozenset({"boost_kpa", "curve_boost_kpa", "exhaust_back_kpa"})
ABSOLUTE_FIELDS = frozenset({"manifold_kpa", "ambient_kpa"})
#: Units that messages name; every other unit of the quantity is read too.
TRADE_UNITS: dict[str, tuple[str, ...]] = {
    "power": ("kW", "hp", "PS"),
    "torque": ("N m", "lbf ft", "kgf m"),
    "pressure": ("kPa", "bar", "psi", "inHg", "kgf/cm2", "mmHg"),
}
#: What may stand around a unit.
EDGES = " \t\r\n_.,;:/|=-–—@()[]{}<>【】・"


@dataclass(frozen=True, slots=True)
class Reading:
    """What one header says, before the other headers are looked at.

    Attributes
    ----------
    field, unit : canonical field and unit name, or None.
    rank : OVERRIDE, EXACT, STEM or ALIAS.
    role : "", "before", "after", "baseline", "boosted" or "level".
    level_boost, level_unit : gauge boost of a level and its unit name.
    implied : codes that the words state.
    otherwise : field where another column claims `field`.
    is_peak : the words say that the figure is a peak.
    is_bare : only a side or a level was given ("6 psi", "NA"); power is understood.
    candidates : fields that an ambiguous header may mean.
    doubt : one sentence, or None.
    """

    field: str | None
    unit: str | None = None
    rank: int = ALIAS
    role: str = ""
    level_boost: float | None = None
    level_unit: str | None = None
    implied: dict[str, str] = dataclasses.field(default_factory=dict)
    otherwise: str | None = None
    is_peak: bool = False
    is_bare: bool = False
    candidates: tuple[str, ...] = ()
    doubt: str | None = None


NOTHING = Reading(None)


def unit_not_stated(name: str) -> str:
    """The doubt about a field that needs a unit and has none."""
    given = FIELDS[name]
    assert given.quantity is not None
    return (
        f"unit not stated: {name} can be in {', '.join(_plain_units(given.quantity))}; write the unit into the header, "
        "into the cells, or under `headers` in source.toml"
    )


def _plain_units(quantity: str) -> tuple[str, ...]:
    return TRADE_UNITS.get(quantity, units_of(quantity))


def canonical_unit(named: Field) -> Unit | None:
    """The unit in which a field is stored, or None for a field without one."""
    return find_unit(named.unit, named.quantity) if named.unit is not None else None


def stated_unit(text: str, named: Field) -> Unit | None:
    """The unit that a whole name states ("whp", "psia"), else the one that goes without saying."""
    if named.quantity is None:
        return None
    words = re.split(r"[\s_]+", text.strip(EDGES))
    for spelling in (" ".join(words), " ".join(words[-2:]), words[-1], words[0]):
        unit, plain = find_unit(spelling, named.quantity), find_unit(spelling)
        if unit is not None and (plain is None or plain.quantity == named.quantity):
            return unit
    return _self_evident_unit(named)


def _self_evident_unit(named: Field) -> Unit | None:
    return canonical_unit(named) if named.quantity in SELF_EVIDENT else None


def settle_with_unit(named: Field, unit_text: str, is_bracketed: bool, rank: int) -> Reading:
    """A field with the text of its unit; unrecognised with a doubt where the unit is of another quantity.

    Parameters
    ----------
    named : the field that the rest of the header names.
    unit_text : what stands where a unit may stand.
    is_bracketed : in brackets even an unknown word is meant as a unit, or is a remark on a field without one.
    rank : EXACT, STEM or ALIAS, handed on.
    """
    plain = find_unit(unit_text)
    if named.quantity is None:
        if plain is not None:
            return Reading(
                None,
                candidates=(named.name,),
                doubt=f"{unit_text.strip()!r} is a unit of {plain.quantity}, and {named.name} has no unit",
            )
        return Reading(named.name, None, rank) if is_bracketed else NOTHING
    unit = find_unit(unit_text, named.quantity)
    if plain is not None and plain.quantity != named.quantity and not (plain.quantity == "angle" and unit is not None):
        return Reading(
            None,
            candidates=(named.name,),
            doubt=f"{unit_text.strip()!r} is a unit of {plain.quantity}, and {named.name} is a {named.quantity}; "
            f"allowed are {', '.join(_plain_units(named.quantity))}",
        )
    if unit is not None:
        return settle(named, unit, rank, unit_text)
    if not is_bracketed or fold_words(unit_text) in header_table().modifiers:
        return NOTHING
    if not fold_words(unit_text):
        return settle(named, _self_evident_unit(named), rank, "")
    return Reading(
        None,
        candidates=(named.name,),
        doubt=f"{unit_text.strip()!r} is not a unit known here; {named.name} can be in {', '.join(_plain_units(named.quantity))}",
    )


def settle(named: Field, unit: Unit | None, rank: int, unit_text: str) -> Reading:
    """A reading of a field with its unit; gauge and absolute pressure go to the field that holds them."""
    if named.quantity is None:
        return Reading(named.name, None, rank)
    if unit is None:
        return Reading(named.name, None, rank, doubt=unit_not_stated(named.name))
    implied = _implied(unit_text) if named.name in FIGURES else {}
    return with_pressure_kind(Reading(named.name, unit.name, rank, implied=implied), unit.pressure_kind)


def _implied(unit_text: str) -> dict[str, str]:
    """Codes that the words of a unit state: "SAE hp" the correction, "whp" the wheel."""
    modifiers = header_table().modifiers
    words = fold_words(unit_text).split()
    found: dict[str, str] = {}
    for size in range(len(words), 0, -1):
        for start in range(len(words) - size + 1):
            word = modifiers.get(" ".join(words[start : start + size]))
            if word is not None and word.role == "qualifier":
                found = word.implied | found
    return found | implied_by_unit(unit_text)


def with_pressure_kind(reading: Reading, kind: str | None) -> Reading:
    """The reading under a stated kind of pressure ("gauge", "absolute" or None): the field that holds it, or a doubt."""
    wrong = (kind == "absolute" and reading.field in GAUGE_FIELDS) or (kind == "gauge" and reading.field in ABSOLUTE_FIELDS)
    if not wrong:
        return reading
    if reading.field == "boost_kpa":
        taken = {name: code for name, code in reading.implied.items() if name == "boost_taken"}
        return replace(reading, field="manifold_kpa", implied=taken, doubt=_doubt_for("manifold_kpa", reading))
    if reading.field == "manifold_kpa":
        return replace(reading, field="boost_kpa", doubt=_doubt_for("boost_kpa", reading))
    held = "gauge" if kind == "absolute" else "absolute"
    return Reading(
        None, candidates=(str(reading.field),), doubt=f"{reading.field} holds {held} pressure and the header says {kind}"
    )


def _doubt_for(name: str, reading: Reading) -> str | None:
    return unit_not_stated(name) if reading.unit is None else None
