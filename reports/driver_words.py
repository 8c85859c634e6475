"""Words for drivers, their levels and steps, and for the causes of a deviation."""

from __future__ import annotations

from models.driver_records import DriverContrast
from reports.labels import COOLING, clean_text
from reports.numbers import InBothUnits, UnitSystem, in_both, write_number

#: Levels of the drivers in words that stand in "... against ...".
LEVELS: dict[str, dict[str, str]] = {
    "charge_cooling": {**COOLING, "not stated": "cooling not stated"},
    "induction": {
        "turbocharger": "turbocharger", "centrifugal": "centrifugal supercharger",
        "positive_displacement": "positive-displacement supercharger", "not stated": "induction not stated",
    },
    "fuel": {
        "petrol": "pump petrol", "race_petrol": "race petrol", "ethanol_blend": "ethanol blend", "not stated": "fuel not stated",
    },
    "measured_at": {"crank": "at the crank", "hub": "at the hubs", "wheel": "at the wheels", "not stated": "place not stated"},
    "baseline_hardware": {
        "compressor_removed": "compressor removed", "fitted_bypassed": "fitted but bypassed",
        "fitted_lowest_boost": "fitted, at its lowest boost", "belt_off": "drive belt off", "not stated": "not stated",
    },
    "baseline_quality": {
        "same_session": "same session", "same_engine": "same engine", "same_spec": "another engine of the build",
        "stated": "stated rating",
    },
    "medium": {
        "magazine": "magazines", "video": "videos", "forum": "forum posts", "paper": "papers", "own_test": "own tests",
        "certificate": "certificates", "book": "books", "website": "websites", "other": "other publications",
    },
}  # fmt: skip

#: Causes of a deviation in short; other codes are shown with spaces.
CAUSES: dict[str, str] = {
    "its_class": "its class", "physics_expects_it": "physics expects it", "wheel_against_crank": "wheel against crank",
    "ambient_not_stated": "air pressure", "no_charge_cooler": "charge cooling",
    "compressor_left_in_place": "compressor during the baseline", "boost_read_before_manifold": "where boost was read",
    "boost_at_maximum": "when boost was read", "boost_printed_coarsely": "rounded boost", "gauge_zero": "zero of the gauge",
    "baseline_not_its_own": "whose baseline", "fuel_changed": "change of fuel", "other_exhaust_or_tune": "exhaust or tune",
    "peak_rpm_moved": "speed of peak power", "correction_outside_validity": "correction factor",
    "yield_falls_with_boost": "yield falls with boost", "hot_charge": "charge temperature", "back_pressure": "exhaust pressure",
    "compressor_limit": "compressor's limit", "publisher_leans": "habit of its publisher", "unit_slip": "slip of a unit",
    "baseline_and_boosted_exchanged": "baseline and boosted exchanged",
}  # fmt: skip

#: Printed unit of a step in US units and the factor to it, by SI unit.
_US_STEPS = {"kW/L": ("hp/L", "power", 0), "kW": ("hp", "power", 0)}
_METRES_PER_FOOT = 0.3048


def level_words(driver: str, level: str) -> str:
    """A level of a driver in words; a level of an analyst's own column as it was written, made safe."""
    return LEVELS.get(driver, {}).get(level) or clean_text(level).replace("_", " ")


def cause_words(code: str) -> str:
    """A cause of a deviation in short."""
    return CAUSES.get(code) or clean_text(code).replace("_", " ")


def contrast_words(contrast: DriverContrast) -> InBothUnits:
    """What is compared: ``uncooled against air-to-air cooled``, ``for each 13 hp/L more``, ``for twice as much``."""
    if contrast.step is None:
        text = f"{level_words(contrast.name, contrast.level)} against {level_words(contrast.name, contrast.against)}"
        return InBothUnits(text, text)
    step, unit = contrast.step, contrast.unit or "1"
    if contrast.level == "doubled":
        return InBothUnits("for twice as much", "for twice as much")
    return in_both(lambda system: f"for each {_step(step, unit, system)} more")


def _step(step: float, unit: str, system: UnitSystem) -> str:
    """A step in the reader's units."""
    if unit == "1":
        return f"{step:g}"
    if system.code == "us" and unit in _US_STEPS:
        printed, quantity, digits = _US_STEPS[unit]
        return f"{write_number(step * system.scales[quantity].factor, digits)} {printed}"
    if system.code == "us" and unit == "m":
        return f"{write_number(step / _METRES_PER_FOOT, 0)} ft"
    return f"{write_number(step, 0) if step == round(step) else f'{step:g}'} {clean_text(unit)}"
