"""The table of units: exact factors and where they come from.

Factors are computed from exact definitions: pound 0.45359237 kg, inch 0.0254 m, standard gravity 9.80665 m/s2 (NIST
SP 811, appendix B; international yard and pound agreement, 1959). Conventional columns of mercury and water name the
density that they assume. Spellings and conversion: ``pipeline.units``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit.

    Attributes
    ----------
    name : canonical name, as it is printed.
    quantity : power, torque, pressure, speed, speed_rate, volume, length, temperature, angle or share.
    factor, offset : base value = value * factor + offset. Bases: W, N m, Pa, rpm, rpm/s, m3, m, K, degree, fraction.
    pressure_kind : "gauge", "absolute", or None where the unit does not say.
    note : where the factor comes from or what it assumes.
    """

    name: str
    quantity: str
    factor: float
    offset: float = 0.0
    pressure_kind: str | None = None
    note: str = ""


_POUND_KG = 0.45359237
_INCH_M = 0.0254
_FOOT_M = 0.3048
_GRAVITY_M_S2 = 9.80665
_POUND_FORCE_N = _POUND_KG * _GRAVITY_M_S2
_PSI_PA = _POUND_FORCE_N / _INCH_M**2
_ATMOSPHERE_PA = 101325.0
#: Conventional millimetre of mercury: 13 595.1 kg/m3 (0 C) at standard gravity.
_MMHG_PA = 13.5951 * _GRAVITY_M_S2
#: Conventional millimetre of water: 1000 kg/m3 at standard gravity.
_MMH2O_PA = _GRAVITY_M_S2

_MERCURY = "conventional column: mercury 13595.1 kg/m3 (0 C), standard gravity"
_WATER = "conventional column: water 1000 kg/m3, standard gravity"

_PLAIN = (
    Unit("kW", "power", 1000.0),
    Unit("W", "power", 1.0),
    Unit("hp", "power", 550 * _FOOT_M * _POUND_FORCE_N, note="mechanical: 550 ft lbf/s"),
    Unit("PS", "power", 75 * _GRAVITY_M_S2, note="metric horsepower: 75 kgf m/s"),
    Unit("hp electric", "power", 746.0, note="exact by definition"),
    Unit("kgf m/s", "power", _GRAVITY_M_S2),
    Unit("N m", "torque", 1.0),
    Unit("daN m", "torque", 10.0),
    Unit("lbf ft", "torque", _POUND_FORCE_N * _FOOT_M),
    Unit("lbf in", "torque", _POUND_FORCE_N * _INCH_M),
    Unit("kgf m", "torque", _GRAVITY_M_S2),
    Unit("kgf cm", "torque", _GRAVITY_M_S2 / 100),
    Unit("kPa", "pressure", 1000.0),
    Unit("Pa", "pressure", 1.0),
    Unit("hPa", "pressure", 100.0),
    Unit("MPa", "pressure", 1e6),
    Unit("bar", "pressure", 1e5),
    Unit("mbar", "pressure", 100.0),
    Unit("psi", "pressure", _PSI_PA),
    Unit("atm", "pressure", _ATMOSPHERE_PA),
    Unit("kgf/cm2", "pressure", _GRAVITY_M_S2 * 1e4, note="technical atmosphere (at)"),
    Unit("inHg", "pressure", 25.4 * _MMHG_PA, note=_MERCURY),
    Unit("mmHg", "pressure", _MMHG_PA, note=_MERCURY),
    Unit("cmHg", "pressure", 10 * _MMHG_PA, note=_MERCURY),
    Unit("inHg 60 F", "pressure", 3376.85, note="mercury at 60 F, as printed in NIST SP 811 (from memory)"),
    Unit("Torr", "pressure", _ATMOSPHERE_PA / 760, note="1/760 atm; 1.4e-7 less than the conventional mmHg"),
    Unit("inH2O", "pressure", 25.4 * _MMH2O_PA, note=_WATER),
    Unit("mmH2O", "pressure", _MMH2O_PA, note=_WATER),
    Unit("rpm", "speed", 1.0),
    Unit("krpm", "speed", 1000.0),
    Unit("rps", "speed", 60.0),
    Unit("rad/s", "speed", 30 / math.pi),
    Unit("rpm/s", "speed_rate", 1.0),
    Unit("cc", "volume", 1e-6),
    Unit("l", "volume", 1e-3),
    Unit("cu in", "volume", _INCH_M**3),
    Unit("m3", "volume", 1.0),
    Unit("mm", "length", 1e-3),
    Unit("cm", "length", 1e-2),
    Unit("m", "length", 1.0),
    Unit("km", "length", 1e3),
    Unit("ft", "length", _FOOT_M),
    Unit("in", "length", _INCH_M),
    Unit("thou", "length", _INCH_M / 1000),
    Unit("K", "temperature", 1.0),
    Unit("C", "temperature", 1.0, 273.15),
    Unit("F", "temperature", 5 / 9, 459.67 * 5 / 9),
    Unit("R", "temperature", 5 / 9, note="Rankine"),
    Unit("deg", "angle", 1.0),
    Unit("rad", "angle", 180 / math.pi),
    Unit("%", "share", 0.01),
    Unit("fraction", "share", 1.0),
)

#: Trade names of gauge and absolute forms; the others are called "kPa gauge", "inHg abs".
_KIND_NAMES = {("psi", "gauge"): "psig", ("psi", "absolute"): "psia", ("bar", "gauge"): "barg", ("bar", "absolute"): "bara"}


def name_of_kind(plain: str, kind: str) -> str:
    """Name of the gauge or absolute form of a plain pressure unit."""
    return _KIND_NAMES.get((plain, kind), f"{plain} {'gauge' if kind == 'gauge' else 'abs'}")


def _with_kinds(plain: tuple[Unit, ...]) -> Iterator[Unit]:
    """Every plain unit, followed by its gauge and absolute forms where it is a pressure."""
    yield from plain
    for unit in plain:
        if unit.quantity == "pressure":
            for kind in ("gauge", "absolute"):
                yield Unit(name_of_kind(unit.name, kind), "pressure", unit.factor, pressure_kind=kind, note=unit.note)


#: Every unit by its name, in the order in which messages list them.
UNITS: dict[str, Unit] = {unit.name: unit for unit in _with_kinds(_PLAIN)}
