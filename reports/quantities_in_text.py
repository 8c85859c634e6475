"""Quantities inside a recorded sentence, in the reader's units.

Sentences that come with the results (causes of a deviation, statements and tolerances of rules, reasons) hold a few numbers
with units. They are shown in the units of the reader like every other number of a page: an amount in a unit of the other
system is converted and written with the digits usual for a reported figure; what is already in the reader's unit stays as it
was written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, write_number

#: Unit as written in a sentence -> quantity. Longer spellings first, so that "hp per psi" is not read as "hp".
_SPELLINGS: tuple[tuple[str, str], ...] = (
    ("hp per psi", "yield"), ("hp/psi", "yield"), ("kW per kPa", "yield"), ("kW/kPa", "yield"),
    ("lbf ft", "torque"), ("N m", "torque"), ("psi", "boost"), ("kPa", "boost"), ("hp", "power"), ("kW", "power"),
)  # fmt: skip
_QUANTITY = dict(_SPELLINGS)
_UNIT = "|".join(re.escape(unit).replace(r"\ ", "[ \u202f]") for unit, _ in _SPELLINGS)
_NUMBER = r"[+\-\u2212]?\d[\d,\u202f]*(?:\.\d+)?"
_AMOUNT = re.compile(
    rf"(?P<first>{_NUMBER})(?:(?P<between> (?:to|and|or) )(?P<second>{_NUMBER}))?(?P<gap>[ \u202f])(?P<unit>{_UNIT})\b"
)
_WORD = re.compile(rf"\b(?P<unit>{_UNIT})\b")


def in_reader_units(text: str) -> InBothUnits:
    """A sentence in both unit systems.

    ``A loss of 3.5 psi`` becomes ``A loss of 24 kPa``; ``3 to 5 hp per psi`` becomes ``0.32 to 0.54 kW per kPa``; a unit
    without a number is renamed (``the last psi``: ``the last kPa``).
    """
    return InBothUnits(*(_rewrite(text, system) for system in SYSTEMS.values()))


def _rewrite(text: str, system: UnitSystem) -> str:
    return "".join(
        part if is_amount else _WORD.sub(lambda found: _unit_for(found["unit"], system), part)
        for part, is_amount in _parts(text, system)
    )


def _parts(text: str, system: UnitSystem) -> Iterator[tuple[str, bool]]:
    """The text cut at its amounts, these already rewritten."""
    done = 0
    for found in _AMOUNT.finditer(text):
        yield text[done : found.start()], False
        yield _amount(found, system), True
        done = found.end()
    yield text[done:], False


def _amount(found: re.Match[str], system: UnitSystem) -> str:
    unit = found["unit"].replace("\u202f", " ")
    if _is_of(unit, system):
        return found[0]
    texts = [_converted(number, unit, system) for number in (found["first"], found["second"]) if number is not None]
    return (found["between"] or "").join(texts) + found["gap"] + _unit_for(unit, system)


def _is_of(unit: str, system: UnitSystem) -> bool:
    return unit.replace(" per ", "/") == system.scales[_QUANTITY[unit]].unit


def _unit_for(unit: str, system: UnitSystem) -> str:
    plain = unit.replace("\u202f", " ")
    if _is_of(plain, system):
        return unit
    printed = system.scales[_QUANTITY[plain]].unit
    return printed.replace("/", " per ") if " per " in plain else printed


def _converted(number: str, unit: str, system: UnitSystem) -> str:
    """A number of the other system in this one; a sign that was written is kept."""
    other = next(s for s in SYSTEMS.values() if _is_of(unit, s))
    value = float(number.replace(",", "").replace("\u202f", "").replace("\u2212", "-"))
    scale = system.scales[_QUANTITY[unit]]
    shown = write_number(value / other.scales[_QUANTITY[unit]].factor * scale.factor, scale.digits)
    return "+" + shown if number.startswith("+") else shown
