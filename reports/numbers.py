"""How a number is written: rounded by its uncertainty, in the reader's units. No other module of the pages rounds.

Results are in SI (kW, kPa, N m). Two unit systems are offered; the conversion factors come
from ``pipeline.units``. A text that holds a quantity exists in both systems at once
(:class:`InBothUnits`), so that one switch on the page changes every number together.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from models.estimate import Estimate
from pipeline.units import factor_and_offset, unit_named

MINUS = "\u2212"
#: Narrow no-break space: between a number and its unit, and between groups of three digits.
THIN = "\u202f"
#: Significant digits of an interval's half-width that are kept: two, the usual practice of reporting measurements.
HALF_WIDTH_DIGITS = 2
#: Significant digits where no interval says how well a number is known.
UNSUPPORTED_DIGITS = 3
#: Beyond this many decimals a number is noise to a reader, however narrow the interval.
MOST_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class Scale:
    """One quantity in one unit system.

    Attributes
    ----------
    unit : unit as printed.
    factor : printed value = SI value * factor.
    digits : decimals of a *reported* figure (estimates are rounded by their uncertainty instead).
    """

    unit: str
    factor: float
    digits: int


@dataclass(frozen=True, slots=True)
class UnitSystem:
    """The reader's units: a scale for each quantity, and an engine of a round size for examples."""

    code: str
    title: str
    scales: dict[str, Scale]
    boost_word: str
    example_power_kw: float

    def convert(self, value: float, quantity: str) -> float:
        """An SI value in this system's unit."""
        return value * self.scales[quantity].factor


@dataclass(frozen=True, slots=True)
class InBothUnits:
    """One text in US and in SI units; equal where it holds no quantity."""

    us: str
    si: str

    def in_system(self, code: str) -> str:
        """The text for ``us`` or ``si``."""
        return self.si if code == "si" else self.us


def _factor(from_name: str, to_name: str) -> float:
    factor, _ = factor_and_offset(unit_named(from_name), unit_named(to_name))
    return factor


def _scales(power: str, torque: str, boost: str, digits: tuple[int, int, int, int]) -> dict[str, Scale]:
    per_power, per_boost = _factor("kW", power), _factor("kPa", boost)
    return {
        "power": Scale(power, per_power, digits[0]),
        "torque": Scale(torque, _factor("N m", torque), digits[1]),
        "boost": Scale(boost, per_boost, digits[2]),
        "yield": Scale(f"{power}/{boost}", per_power / per_boost, digits[3]),
        "volume": Scale("L", 0.001, 2),
        "ratio": Scale("", 1.0, 2),
        "share": Scale("%", 100.0, 0),
        "tenths": Scale("%", 100.0, 1),
        "points": Scale("points", 100.0, 1),
        "small": Scale("", 1.0, 3),
    }


US = UnitSystem("us", "hp, psi, lbf ft", _scales("hp", "lbf ft", "psi", (0, 0, 1, 1)), "psi", 400.0 / _factor("kW", "hp"))
SI = UnitSystem("si", "kW, kPa, N m", _scales("kW", "N m", "kPa", (0, 0, 0, 2)), "kPa", 300.0)
SYSTEMS: dict[str, UnitSystem] = {"us": US, "si": SI}

#: Unit of an Estimate -> quantity that the unit switch converts. Other units are printed as they are.
QUANTITY_OF: dict[str, str] = {"kW": "power", "N m": "torque", "kPa": "boost", "kW/kPa": "yield"}


def in_both(write: Callable[[UnitSystem], str]) -> InBothUnits:
    """Write one text for each unit system."""
    return InBothUnits(write(US), write(SI))


def scales_json() -> dict[str, dict[str, dict[str, Any]]]:
    """Factors and digits of both systems, for the page's script: the same numbers that this module uses."""
    return {code: {name: asdict(scale) for name, scale in system.scales.items()} for code, system in SYSTEMS.items()}


def decimals_of(size: float, significant: int) -> int:
    """Decimals that show ``significant`` digits of ``size``; negative decimals round before the point.

    The size is rounded first, so that a half-width of 0.0996 counts as 0.10, not as 0.099.
    """
    if not math.isfinite(size) or size == 0:
        return 2
    rounded = float(f"{abs(size):.{significant - 1}e}")
    return min(significant - 1 - math.floor(math.log10(rounded)), MOST_DECIMALS)


def decimals_by_uncertainty(value: float | None, low: float | None, high: float | None, reference: float | None = None) -> int:
    """Decimals by the interval's half-width; three significant digits of the value where an end is missing.

    With ``reference`` (1 for a rule ratio), decimals are added until an end that differs from the reference is also
    printed differently, so that a sentence never seems to contradict its own numbers.
    """
    ends = [end for end in (low, high) if end is not None]
    if len(ends) < 2 or low == high:
        known = value if value is not None else (ends[0] if ends else 0.0)
        return decimals_of(known, UNSUPPORTED_DIGITS)
    decimals = decimals_of((ends[1] - ends[0]) / 2, HALF_WIDTH_DIGITS)
    while reference is not None and decimals < MOST_DECIMALS and _hides(ends, reference, decimals):
        decimals += 1
    return decimals


def _hides(ends: list[float], reference: float, decimals: int) -> bool:
    return any(round(end, decimals) == round(reference, decimals) and abs(end - reference) > 1e-9 for end in ends)


def write_number(value: float, decimals: int) -> str:
    """A number with a true minus sign and thin spaces between thousands from 10 000 on; never a negative zero.

    A number that is not finite is written as a dash.
    """
    if not math.isfinite(value):
        return "\u2013"
    rounded = round(value, decimals)
    text = f"{abs(rounded):.{max(decimals, 0)}f}"
    whole, _, part = text.partition(".")
    if len(whole) > 4:
        whole = f"{int(whole):,}".replace(",", THIN)
    sign = MINUS if rounded < 0 else ""
    return sign + whole + ("." + part if part else "")


def write_count(count: int) -> str:
    """A count of things."""
    return write_number(float(count), 0)


def _with_unit(text: str, unit: str) -> str:
    return text + THIN + unit if unit else text


def show_reported(value: float | None, quantity: str, system: UnitSystem) -> str:
    """A reported figure in the reader's unit with the digits usual for it; a dash where it is missing."""
    if value is None:
        return "\u2013"
    scale = system.scales[quantity]
    return _with_unit(write_number(value * scale.factor, scale.digits), scale.unit)


def show_nominal(value: float, quantity: str, system: UnitSystem, *, unit: bool = True) -> str:
    """A round mark such as a boost level, to the whole unit: ``15 psi``, ``103 kPa``."""
    scale = system.scales[quantity]
    return _with_unit(write_number(value * scale.factor, 0), scale.unit if unit else "")


@dataclass(frozen=True, slots=True)
class Shown:
    """An estimate as text: best value, ends (None where missing) and unit, all to the same decimals."""

    value: str | None
    low: str | None
    high: str | None
    unit: str

    @property
    def best(self) -> str:
        """The best value with its unit, or ``not known``."""
        return "not known" if self.value is None else _with_unit(self.value, self.unit)

    @property
    def range(self) -> str:
        """``low to high unit``, or ``no range``."""
        if self.low is None or self.high is None:
            return "no range"
        return _with_unit(f"{self.low} to {self.high}", self.unit)

    @property
    def full(self) -> str:
        """``value (low to high) unit``."""
        if self.value is None:
            return "not known" if self.low is None or self.high is None else self.range
        ends = f"{self.low} to {self.high}" if self.low is not None and self.high is not None else "no range"
        return _with_unit(f"{self.value} ({ends})", self.unit)


def show_estimate(estimate: Estimate, system: UnitSystem, *, share: bool = False, reference: float | None = None) -> Shown:
    """An estimate rounded by its own uncertainty.

    Parameters
    ----------
    estimate : value and ends in its unit.
    system : the reader's units.
    share : write a pure ratio as a percentage.
    reference : value that the sentence compares with, in the estimate's unit.
    """
    scale = system.scales["share"] if share and estimate.unit == "1" else _scale_of(estimate.unit, system)
    value, low, high, mark = (_scaled(x, scale.factor) for x in (estimate.value, estimate.low, estimate.high, reference))
    decimals = decimals_by_uncertainty(value, low, high, mark)
    text = [None if x is None else write_number(x, decimals) for x in (value, low, high)]
    return Shown(text[0], text[1], text[2], scale.unit)


def _scale_of(unit: str, system: UnitSystem) -> Scale:
    if unit in QUANTITY_OF:
        return system.scales[QUANTITY_OF[unit]]
    return Scale("" if unit == "1" else unit, 1.0, 2)


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None or not math.isfinite(value) else value * factor


def show_level(estimate: Estimate) -> str:
    """The coverage of an interval as a percentage: ``95 %``."""
    return write_number(estimate.level * 100, 0) + THIN + "%"


def count_of(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun in the right number: ``1 build``, ``118 builds``."""
    return f"{write_count(count)} {one if count == 1 else many or one + 's'}"
