"""What physics expects of one class of build: bands between stated ranges of what no record states.

A band is no interval with a coverage: its ends take every unknown at the end of its range that gives the least and the most
power. A build outside its band is at odds with all of them together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.charge_physics import (
    DRIVE_EFFICIENCY,
    INLET_C,
    MECHANICAL_EFFICIENCY,
    NOTHING_READ,
    SEA_LEVEL_KPA,
    VOLUMETRIC_EFFICIENCY,
    ChargeSetup,
    Readings,
    expected_charge,
)
from models.driver_records import PhysicsAssumption, PhysicsBand
from models.rule import REFERENCE_BOOST_RATIO

#: Isentropic efficiency by what makes the boost (turbine and centrifugal: radial compressors at their best; Roots to screw).
COMPRESSOR_EFFICIENCY = {"turbocharger": (0.65, 0.80), "centrifugal": (0.65, 0.80), "positive_displacement": (0.50, 0.80)}
#: Effectiveness of the charge cooler.
COOLER_EFFECTIVENESS = {"air_to_air": (0.60, 0.80), "air_to_water": (0.70, 0.90), "none": (0.0, 0.0)}
#: From the ideal gas to the correction standards (least power first).
TEMPERATURE_EXPONENT = (1.0, 0.5)
#: Gauge pressure before the turbine over gauge boost (least power first).
EXHAUST_OVER_BOOST = (2.0, 1.0)
#: Brake mean pressure at peak power without boost [kPa].
NA_BMEP_KPA = (850.0, 1150.0)

_FROM_BOOKS = "Heywood 1988 sec. 6.8 and Stone, from memory"
_NAMES = (
    ("efficiency of a turbocharger's compressor", COMPRESSOR_EFFICIENCY["turbocharger"], "1", _FROM_BOOKS),
    ("efficiency of a centrifugal compressor", COMPRESSOR_EFFICIENCY["centrifugal"], "1", _FROM_BOOKS),
    (
        "efficiency of a positive-displacement compressor", COMPRESSOR_EFFICIENCY["positive_displacement"], "1",
        f"Roots to screw; {_FROM_BOOKS}",
    ),
    ("effectiveness of an air-to-air cooler", COOLER_EFFECTIVENESS["air_to_air"], "1", "from memory"),
    ("effectiveness of an air-to-water cooler", COOLER_EFFECTIVENESS["air_to_water"], "1", "from memory"),
    ("exponent of temperature", TEMPERATURE_EXPONENT, "1", "correction standards; ideal gas at fixed volumetric efficiency"),
    ("exhaust pressure before a turbine over boost", EXHAUST_OVER_BOOST, "1", "shown once and twice the boost"),
    ("brake mean pressure without boost", NA_BMEP_KPA, "kPa", "measured on production engines; of tuned ones from memory"),
    ("mechanical efficiency", (MECHANICAL_EFFICIENCY, MECHANICAL_EFFICIENCY), "1", "SAE J1349, older form"),
    ("efficiency of a belt or gear drive", (DRIVE_EFFICIENCY, DRIVE_EFFICIENCY), "1", "from memory"),
    ("volumetric efficiency without boost", (VOLUMETRIC_EFFICIENCY, VOLUMETRIC_EFFICIENCY), "1", "from memory"),
    ("air temperature where none is recorded", (INLET_C, INLET_C), "C", "current correction standards"),
)  # fmt: skip
#: What every expectation rests on, for the page.
ASSUMPTIONS = tuple(PhysicsAssumption(name, min(ends), max(ends), unit, source) for name, ends, unit, source in _NAMES)


@dataclass(frozen=True, slots=True)
class Corners:
    """The setups that give least and most power."""

    least: ChargeSetup
    most: ChargeSetup


def physics_band(
    boost_kpa: float,
    ambient_kpa: float,
    induction: str | None,
    charge_cooling: str | None,
    read: Readings = NOTHING_READ,
) -> PhysicsBand:
    """Expected gain ratio, least and most, at one boost for one class of build.

    Parameters
    ----------
    boost_kpa, ambient_kpa : gauge boost, 0 or above, and absolute air pressure, above 0.
    induction, charge_cooling : codes of the dictionary; None or another code spans all that there are.
    read : what the record states.
    """
    low, high = gain_ends(boost_kpa, ambient_kpa, corners_of(induction, charge_cooling), read)
    return PhysicsBand(boost_kpa, ambient_kpa, low, high, boost_kpa / ambient_kpa)


def physics_rule_ratio(
    induction: str | None, charge_cooling: str | None, ambient_kpa: float = SEA_LEVEL_KPA, read: Readings = NOTHING_READ
) -> tuple[float, float]:
    """Least and most average yield from no boost to the reference boost, over the rule's; no unit."""
    boost_kpa = REFERENCE_BOOST_RATIO * ambient_kpa
    low, high = gain_ends(boost_kpa, ambient_kpa, corners_of(induction, charge_cooling), read)
    return low / REFERENCE_BOOST_RATIO, high / REFERENCE_BOOST_RATIO


# --- bands --------------------------------------------------------------------------------------------------------------


def corners_of(induction: str | None, charge_cooling: str | None) -> tuple[Corners, ...]:
    """Least and most for each class that the codes may stand for."""
    return tuple(
        CORNERS[i, c] for i in _span(induction, COMPRESSOR_EFFICIENCY) for c in _span(charge_cooling, COOLER_EFFECTIVENESS)
    )


def _span(code: str | None, table: Mapping[str, tuple[float, float]]) -> tuple[str, ...]:
    return (code,) if code is not None and code in table else tuple(table)


def _corner(induction: str, cooling: str, end: int) -> ChargeSetup:
    """All unknowns at one end (0 least power, 1 most)."""
    turbine = induction == "turbocharger"
    return ChargeSetup(
        compressor_efficiency=COMPRESSOR_EFFICIENCY[induction][end],
        cooler_effectiveness=COOLER_EFFECTIVENESS[cooling][end],
        temperature_exponent=TEMPERATURE_EXPONENT[end],
        is_belt_driven=not turbine,
        exhaust_over_boost=EXHAUST_OVER_BOOST[end] if turbine else None,
        na_bmep_kpa=NA_BMEP_KPA[end],
    )


CORNERS = {(i, c): Corners(_corner(i, c, 0), _corner(i, c, 1)) for i in COMPRESSOR_EFFICIENCY for c in COOLER_EFFECTIVENESS}


def gain_ends(boost_kpa: float, ambient_kpa: float, corners: tuple[Corners, ...], read: Readings) -> tuple[float, float]:
    """Least and most gain ratio over all corners."""
    gains = [expected_charge(boost_kpa, ambient_kpa, s, read).gain_ratio for pair in corners for s in (pair.least, pair.most)]
    return min(gains), max(gains)
