"""The same power under other air: correction factors, and figures of two standards brought to one.

``reported = observed * factor``. Between standards a figure goes back to what was observed and on to the other standard,
``reported * F_to(air) / F_from(air)``, as far as the test air is known; what is not known is assumed and its cost recorded:

=============================== ========================== ==============================================================
``how``                         known of the test air      ratio of the factors taken at
=============================== ========================== ==============================================================
``same standard``               (not needed)               1
``air``                         all, or all that enters    the test air
``air, humidity assumed``       pressure, temperature      the test air with ``ASSUMED_HUMIDITY_PCT``
``pressure, temperature assumed`` pressure                 the test pressure, 25 C
``reference air``               nothing                    the reference air that most standards share: 99 kPa dry, 25 C
=============================== ========================== ==============================================================

The added uncertainty is the root mean square departure of the ratio from the one taken, over ordinary test air
(``ORDINARY_AIR``) in whatever was not known: see :func:`assumption_sd`. Examples, relative: SAE J607 to SAE J1349 with
nothing known 0.7 %, uncorrected to SAE J1349 5.0 % (3.6 % where the pressure is known, 0.9 % where only humidity is not).

Spark-ignition forms only; the compression-ignition ones are in ``pipeline.correction_diesel``, and an engine brought to
the air of another run in ``pipeline.correction_air``. This module is the door to
the others: the table, ``factor`` and the frame-wide expressions can be imported from here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import polars as pl

from pipeline.air import ZERO_CELSIUS_K, dry_pressure_kpa, saturation_vapour_kpa
from pipeline.correction_factors import (
    Column,
    as_expression,
    factor_expression,
    factor_of_expression,
    humidity_assumed_expression,
    outside_validity,
    outside_validity_expression,
)
from pipeline.correction_standards import (
    ASSUMED_HUMIDITY_PCT,
    REFERENCE_DRY_KPA,
    REFERENCE_K,
    STANDARDS,
    Standard,
    apply_formula,
    factor,
    standard_of,
)
from pipeline.errors import CorrectionProblem

__all__ = [
    "ASSUMED_HUMIDITY_PCT", "STANDARDS", "Air", "AirColumns", "Converted", "ConvertedColumns", "Standard", "assumption_sd",
    "convert_between", "factor", "factor_expression", "humidity_assumed_expression",
    "outside_validity", "outside_validity_expression", "standard_of", "to_common_expression",
]  # fmt: skip

#: Test air that publications report without comment: ends of pressure (kPa), temperature (C) and humidity (%).
ORDINARY_AIR = {"pressure_kpa": (95.0, 103.0), "air_c": (5.0, 40.0), "humidity_pct": (10.0, 80.0)}
_GRID = 8

REFERENCE_C = REFERENCE_K - ZERO_CELSIUS_K
_REFERENCE_TOTAL_KPA = 100.0
#: The reference air of the standards holds 1 kPa of vapour: 31.6 % at 25 C.
_REFERENCE_HUMIDITY_PCT = 100 * (_REFERENCE_TOTAL_KPA - REFERENCE_DRY_KPA) / saturation_vapour_kpa(REFERENCE_C)

SAME_STANDARD = "same standard"
FROM_AIR = "air"
HUMIDITY_ASSUMED = "air, humidity assumed"
TEMPERATURE_ASSUMED = "pressure, temperature assumed"
REFERENCE_AIR = "reference air"


@dataclass(frozen=True, slots=True)
class Air:
    """Test air as far as it is known: absolute station pressure (kPa), temperature (C), relative humidity (%)."""

    pressure_kpa: float | None = None
    air_c: float | None = None
    humidity_pct: float | None = None


@dataclass(frozen=True, slots=True)
class AirColumns:
    """Columns that hold the test air, each by name or as an expression; null where not known."""

    pressure_kpa: Column = "ambient_kpa"
    air_c: Column = "air_c"
    humidity_pct: Column = "humidity_pct"


@dataclass(frozen=True, slots=True)
class Converted:
    """A figure under another standard: power in the unit given, added relative standard deviation, how it was got."""

    power: float
    relative_sd: float
    how: str


@dataclass(frozen=True, slots=True)
class ConvertedColumns:
    """Expressions of a figure under another standard; power is null where it cannot be brought there."""

    power: pl.Expr
    relative_sd: pl.Expr
    how: pl.Expr


# --- between standards --------------------------------------------------------------------------------------------------


def _never_pair(from_: str, to: str) -> bool:
    """Gross against net: the engines differed (accessories, exhaust), not the air."""
    return {STANDARDS[from_].rating_basis, STANDARDS[to].rating_basis} == {"net", "gross"}


def _log_ratio(from_: str, to: str, pressure_kpa: Any, air_c: Any, humidity_pct: Any) -> Any:
    dry = dry_pressure_kpa(pressure_kpa, air_c, humidity_pct)
    kelvin = air_c + ZERO_CELSIUS_K
    return np.log(
        apply_formula(STANDARDS[to], kelvin, pressure_kpa, dry) / apply_formula(STANDARDS[from_], kelvin, pressure_kpa, dry)
    )


@cache
def assumption_sd(from_: str, to: str, how: str) -> float:
    """Relative standard deviation that an assumption about the air adds to a converted figure.

    Root mean square of ln(ratio in ordinary air / ratio taken) over an even grid of ``ORDINARY_AIR`` in everything that
    ``how`` leaves unknown; what is known stands at the reference air. A departure of the middle of ordinary air from
    the assumed air is counted in.

    Parameters
    ----------
    from_, to : codes of two standards.
    how : one of the five words of this module's table.
    """
    if how in (SAME_STANDARD, FROM_AIR):
        return 0.0
    known: dict[str, float] = {}
    assumed = {"pressure_kpa": _REFERENCE_TOTAL_KPA, "air_c": REFERENCE_C, "humidity_pct": ASSUMED_HUMIDITY_PCT}
    if how == REFERENCE_AIR:
        assumed["humidity_pct"] = _REFERENCE_HUMIDITY_PCT
    else:
        known["pressure_kpa"] = _REFERENCE_TOTAL_KPA
    if how == HUMIDITY_ASSUMED:
        known["air_c"] = REFERENCE_C
    axes = [np.array([known[name]]) if name in known else np.linspace(*ends, _GRID) for name, ends in ORDINARY_AIR.items()]
    departures = _log_ratio(from_, to, *np.meshgrid(*axes)) - _log_ratio(from_, to, *assumed.values())
    return float(np.sqrt(np.mean(departures**2)))


def convert_between(power: float, from_: str, to: str, air: Air | None = None) -> Converted:
    """A figure reported under one standard as it would be reported under another.

    Parameters
    ----------
    power : in any unit.
    from_, to : codes of the field ``correction``; "uncorrected" is the observed figure.
    air : the test air as far as it is known.

    Returns
    -------
    Converted : power in the same unit, the relative standard deviation added, and how (see the module's table).

    Raises
    ------
    CorrectionProblem : a standard is unstated or unknown (and the two differ), or one is gross and the other net.
    """
    if from_ == to:
        return Converted(power, 0.0, SAME_STANDARD)
    standards = standard_of(from_), standard_of(to)
    if _never_pair(from_, to):
        gross, net = sorted(standards, key=lambda standard: str(standard.rating_basis))
        raise CorrectionProblem(
            f"{from_} to {to} was asked for; {gross.title} is a gross and {net.title} a net rating, and no factor of the air "
            "joins engines with and without their accessories. Compare gross with gross and net with net."
        )
    test_air = air or Air()
    how = _how(standards, test_air)
    from_factor, to_factor = (factor(standard.code, *_filled(test_air, how)) for standard in standards)
    if from_factor is None or to_factor is None:
        raise CorrectionProblem(
            f"the test air {test_air} holds no dry air; allowed is a pressure above that of its water vapour. "
            "Check the unit of the pressure and the temperature of the record."
        )
    return Converted(power * to_factor / from_factor, assumption_sd(from_, to, how), how)


def _how(standards: Iterable[Standard], air: Air) -> str:
    if air.pressure_kpa is None:
        return REFERENCE_AIR
    if air.air_c is None:
        return TEMPERATURE_ASSUMED
    humidity_enters = any(standard.humidity == "dry" for standard in standards)
    return HUMIDITY_ASSUMED if humidity_enters and air.humidity_pct is None else FROM_AIR


def _filled(air: Air, how: str) -> tuple[float, float, float]:
    """The test air with assumptions in place of what is missing."""
    if how == REFERENCE_AIR or air.pressure_kpa is None:
        return _REFERENCE_TOTAL_KPA, REFERENCE_C, _REFERENCE_HUMIDITY_PCT
    temperature = REFERENCE_C if air.air_c is None else air.air_c
    return air.pressure_kpa, temperature, ASSUMED_HUMIDITY_PCT if air.humidity_pct is None else air.humidity_pct


def to_common_expression(
    to: str = "sae_j1349", *, power: Column = "power_kw", code: Column = "correction", air: AirColumns | None = None
) -> ConvertedColumns:
    """:func:`convert_between` over a frame whose rows have any mixture of standards.

    Parameters
    ----------
    to : code of the standard that all figures are brought to.
    power, code : the reported figure and its correction code, by column name or as expressions.
    air : the test air; null where not known. Its pressure is the recorded or altitude-derived one: a column in which sea
        level stands for "unknown" would pass for knowledge here.

    Returns
    -------
    ConvertedColumns : null in all three where the figure cannot be brought to ``to`` (unstated or unknown standard,
        gross against net); power alone where the air recorded is impossible (no dry air).
        Use as ``frame.with_columns(power=c.power, sd=c.relative_sd, how=c.how)``.

    Raises
    ------
    CorrectionProblem : ``to`` is unstated or unknown.
    """
    target = standard_of(to)
    from_code = as_expression(code).cast(pl.String)
    partners = [name for name in STANDARDS if not _never_pair(name, to)]
    dry = [name for name in partners if "dry" in (STANDARDS[name].humidity, target.humidity)]
    columns = air or AirColumns()
    pressure, celsius, humidity = (as_expression(c) for c in (columns.pressure_kpa, columns.air_c, columns.humidity_pct))
    filled = (
        pressure.fill_null(_REFERENCE_TOTAL_KPA),
        pl.when(pressure.is_null()).then(REFERENCE_C).otherwise(celsius.fill_null(REFERENCE_C)),
        pl.when(pressure.is_null()).then(_REFERENCE_HUMIDITY_PCT).otherwise(humidity.fill_null(ASSUMED_HUMIDITY_PCT)),
    )
    ratio = factor_of_expression(target, *filled) / factor_expression(from_code, *filled)
    figure = as_expression(power)
    impossible = figure.is_null() | ~from_code.is_in(partners).fill_null(False)

    def by_knowledge(value: Callable[[str], pl.Expr]) -> pl.Expr:
        return (
            pl.when(impossible).then(None)
            .when(from_code == to).then(value(SAME_STANDARD))
            .when(pressure.is_null()).then(value(REFERENCE_AIR))
            .when(celsius.is_null()).then(value(TEMPERATURE_ASSUMED))
            .when(from_code.is_in(dry) & humidity.is_null()).then(value(HUMIDITY_ASSUMED))
            .otherwise(value(FROM_AIR))
        )  # fmt: skip

    def added_sd(how: str) -> pl.Expr:
        if how in (SAME_STANDARD, FROM_AIR):
            return pl.lit(0.0)
        return from_code.replace_strict(
            {name: assumption_sd(name, to, how) for name in partners}, default=None, return_dtype=pl.Float64
        )

    converted = pl.when(from_code == to).then(figure).when(~impossible).then(figure * ratio)
    return ConvertedColumns(converted, by_knowledge(added_sd), by_knowledge(pl.lit))
