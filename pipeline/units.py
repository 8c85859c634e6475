"""Units: what a spelling means, and conversion.

A conversion is exact arithmetic on definitions (``pipeline.unit_table``). The same power under other air is another
matter: ``pipeline.correction``. Spellings are rows of ``unit_spellings.csv``: a new one is a row there, no code.

Nothing heavy is imported, so that the command line may use this module freely. ``convert`` uses operators only and
works on floats, numpy arrays, polars Series and polars expressions alike.
"""

from __future__ import annotations

import csv
import math
import re
import unicodedata
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pipeline.errors import UnitProblem
from pipeline.unit_table import UNITS, Unit, name_of_kind

T = TypeVar("T")

_DROPPED = frozenset(" \t\r\n\v\f.·⋅•∙・*^_()[]{},;:‐‑‒–—―−-")
_QUOTES = str.maketrans(
    {"”": '"', "“": '"', "„": '"', "″": '"', "’": "'", "‘": "'", "′": "'", "`": "'", "×": "x", "º": "°", "˚": "°"}
)


def fold_unit(text: str) -> str:
    """A spelling without what does not matter: case, accents, spaces, dots, hyphens, brackets, superscripts.

    ``"kg/cm²"`` gives ``"kg/cm2"``, ``"LB.-FT"`` gives ``"lbft"``, ``"in. Hg"`` gives ``"inhg"``. Full-width and
    one-character forms (㎪, ℃) are taken apart. The result is for comparing, not for printing.
    """
    # quotes and the ordinal sign go first: compatibility folding would turn them into other characters
    plain = unicodedata.normalize("NFKC", text.translate(_QUOTES)).translate(_QUOTES).replace("''", '"')
    kept = [_without_accent(mark) for mark in plain if not (mark in _DROPPED or mark.isspace() or unicodedata.combining(mark))]
    return "".join(kept).casefold()


def _without_accent(mark: str) -> str:
    """A Latin letter without its accents; any other character as it is (Japanese marks carry meaning)."""
    base = unicodedata.normalize("NFD", mark)[0]
    return base if base.isascii() else mark


@dataclass(frozen=True, slots=True)
class _Spellings:
    """The table ``unit_spellings.csv``, folded.

    ``always`` holds spellings that mean one unit whatever the column; ``by_quantity`` those that a column's quantity
    decides, with None where even that leaves it open (a bare degree sign of a temperature); ``implied`` the codes that
    a spelling states besides.
    """

    always: dict[str, str]
    by_quantity: dict[tuple[str, str], str | None]
    implied: dict[str, dict[str, str]]


@cache
def _spellings() -> _Spellings:
    always = {fold_unit(name): name for name in UNITS}
    by_quantity: dict[tuple[str, str], str | None] = {}
    implied: dict[str, dict[str, str]] = {}
    with Path(__file__).with_name("unit_spellings.csv").open(encoding="utf-8", newline="") as table:
        for row in csv.DictReader(table):
            folded = fold_unit(row["spelling"])
            if row["quantity"]:
                by_quantity[folded, row["quantity"]] = row["unit"] or None
            else:
                always[folded] = row["unit"]
            if row["implies"]:
                implied[folded] = dict(pair.split("=") for pair in row["implies"].split("+"))
    return _Spellings(always, by_quantity, implied)


_KIND_WORDS = {
    "gauge": "gauge gage rel relative relativ relatif manometrique manometrica manometrico uberdruck ueberdruck ゲージ 相対",
    "absolute": "abs absolute absolut absolu absolue absoluta absoluto 絶対 絶対圧",
}
#: Folded endings that turn a pressure into gauge or absolute, longest first; single letters only after a unit's own spelling.
_KIND_ENDINGS = sorted(
    [(fold_unit(word), kind) for kind, words in _KIND_WORDS.items() for word in words.split()]
    + [("g", "gauge"), ("u", "gauge"), ("a", "absolute")],
    key=lambda ending: -len(ending[0]),
)


def find_unit(text: str, quantity: str | None = None) -> Unit | None:
    """The unit that a spelling means, or None where it is unknown.

    Parameters
    ----------
    text : the spelling as printed.
    quantity : quantity of the column. It decides where one spelling means several things ("lb" of boost is psi,
        "in" of pressure is inHg), and a unit of any other quantity is not returned.
    """
    folded = fold_unit(text)
    if not folded:
        return None
    name = _name_of(folded, quantity)
    if name is None and quantity in (None, "pressure"):
        name = _name_with_kind(folded, quantity)
    if name is None or (quantity is not None and UNITS[name].quantity != quantity):
        return None
    return UNITS[name]


def _name_of(folded: str, quantity: str | None) -> str | None:
    if quantity is not None and (folded, quantity) in _spellings().by_quantity:
        return _spellings().by_quantity[folded, quantity]
    return _spellings().always.get(folded)


def _name_with_kind(folded: str, quantity: str | None) -> str | None:
    """Name of a gauge or absolute pressure unit written as a plain one and an ending ("kpaabs")."""
    for ending, kind in _KIND_ENDINGS:
        if folded.endswith(ending):
            base = _name_of(folded.removesuffix(ending), None if len(ending) == 1 else quantity)
            if base is not None and UNITS[base].quantity == "pressure" and UNITS[base].pressure_kind is None:
                return name_of_kind(base, kind)
    return None


def implied_by_unit(text: str) -> dict[str, str]:
    """Codes that a spelling states besides the unit: "whp" that power was measured at the wheel, "DIN PS" the correction."""
    return dict(_spellings().implied.get(fold_unit(text), {}))


def unit_named(name: str) -> Unit:
    """The unit of a canonical name.

    Raises
    ------
    UnitProblem : no unit has that name.
    """
    if name not in UNITS:
        raise UnitProblem(f"unit {name!r} is not one of this project's unit names: {', '.join(UNITS)}. Use one of them.")
    return UNITS[name]


def units_of(quantity: str) -> tuple[str, ...]:
    """Names of the units of a quantity, for messages; empty for an unknown quantity."""
    return tuple(unit.name for unit in UNITS.values() if unit.quantity == quantity)


def factor_and_offset(from_: Unit, to: Unit) -> tuple[float, float]:
    """(a, b) such that ``value_in_to = value_in_from * a + b``.

    Raises
    ------
    UnitProblem : the units are of different quantities, or one is gauge and the other absolute pressure.
    """
    if from_.quantity != to.quantity:
        raise UnitProblem(
            f"{from_.name} is a unit of {from_.quantity} and cannot become {to.name}, a unit of {to.quantity}; "
            f"allowed are {', '.join(units_of(from_.quantity))}. Give a unit of the same quantity."
        )
    if from_.pressure_kind and to.pressure_kind and from_.pressure_kind != to.pressure_kind:
        raise UnitProblem(
            f"{from_.name} is {from_.pressure_kind} and {to.name} is {to.pressure_kind} pressure; they differ by the ambient "
            "pressure, which a unit does not hold. Add or subtract the ambient pressure first."
        )
    if from_.factor == to.factor and from_.offset == to.offset:
        return 1.0, 0.0
    if not from_.offset and not to.offset:
        return from_.factor / to.factor, 0.0
    # both offsets are whole numbers of 180ths of a kelvin; the rounding gives 0 C = 32 F, not 31.999999999999986
    return from_.factor / to.factor, round((from_.offset - to.offset) * 180) / 180 / to.factor


def convert(value: T, from_: Unit, to: Unit) -> T:
    """A value in another unit of its quantity; a float, numpy array, polars Series or polars expression gives the same kind.

    Raises
    ------
    UnitProblem : the units are of different quantities, or one is gauge and the other absolute pressure.
    """
    factor, offset = factor_and_offset(from_, to)
    scaled: Any = value
    if factor != 1.0:
        scaled = scaled * factor
    return scaled + offset if offset else scaled


_NUMBER_THEN_UNIT = re.compile(r"\s*([+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+\-]?\d+)?)\s*(.*?)\s*", re.DOTALL)
_THOUSANDS_OR_DECIMAL = re.compile(r"[+\-−]?[1-9]\d{0,2},\d{3}")


#: Units that a message names; the rest are spellings of pressures that few would try.
_MOST_NAMED = 10


def _some_units(quantity: str) -> str:
    names = units_of(quantity)
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def parse_quantity(text: str, quantity: str, default_unit: Unit | str) -> tuple[float, Unit]:
    """Read a value with an optional unit, as typed on a command line: "400hp", "0.55 bar", "1600".

    Parameters
    ----------
    text : a number, then a unit or nothing. A decimal comma is understood; "1,600" is refused as ambiguous.
    quantity : quantity that the unit must be of.
    default_unit : unit of a bare number.

    Returns
    -------
    value as typed (not converted), unit

    Raises
    ------
    UnitProblem : no finite number, an ambiguous number, or a unit that is unknown or of another quantity.
    """
    default = unit_named(default_unit) if isinstance(default_unit, str) else default_unit
    match = _NUMBER_THEN_UNIT.fullmatch(text)
    allowed = f"a number with a unit of {quantity} ({_some_units(quantity)}), such as 12.5{default.name}"
    if match is None:
        raise UnitProblem(
            f"{text!r} does not begin with a number; what is allowed is {allowed}. A bare number is read in {default.name}."
        )
    number, spelling = match.groups()
    if _THOUSANDS_OR_DECIMAL.fullmatch(number):
        plain = number.replace(",", "")
        raise UnitProblem(
            f"{text!r} can mean {plain} or {number.replace(',', '.')}; allowed is {allowed}. Write it without the comma."
        )
    value = float(number.replace(",", ".").replace("−", "-"))
    if not math.isfinite(value):
        raise UnitProblem(f"{text!r} is too large to be a number here; allowed is {allowed}. Give an ordinary number.")
    if not spelling:
        return value, default
    unit = find_unit(spelling, quantity)
    if unit is None:
        other = find_unit(spelling)
        what = f"is a unit of {other.quantity}" if other else "is not a unit known here"
        raise UnitProblem(f"{spelling!r} in {text!r} {what}; allowed is {allowed}. Leave the unit out to mean {default.name}.")
    return value, unit
