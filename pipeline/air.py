"""Air at the dyno: standard atmosphere, water vapour, dry pressure, barometers reduced to sea level.

Every function takes floats, numpy arrays, polars Series or polars expressions and returns the same kind (a missing value
of an expression stays missing). Pressures are absolute, in kPa; temperatures in degrees Celsius; heights in metres.

Sources: U.S. Standard Atmosphere 1976 (equal to ISO 2533 in this range); vapour pressure over liquid water by
40 CFR 1065.645-1, read through a public implementation that cites the section.
"""

from __future__ import annotations

from typing import Any, TypeVar, cast

import numpy as np
import polars as pl

#: A float, array, series or expression; the result is of the same kind.
Values = TypeVar("Values")

ZERO_CELSIUS_K = 273.15
SEA_LEVEL_KPA = 101.325
_SEA_LEVEL_K = 288.15
_LAPSE_K_M = 0.0065
_EARTH_RADIUS_M = 6_356_766.0
#: g0 M / (R* L) with the constants of the 1976 standard: 5.255880.
_PRESSURE_EXPONENT = 9.80665 * 0.0289644 / (8.31432 * _LAPSE_K_M)
#: Upper end of the layer of constant lapse rate, geopotential.
TROPOSPHERE_M = 11_000.0

#: How far weather and hot or cold air take the pressure of a place from the standard atmosphere. Sea-level pressures
#: outside 97.3 to 105.3 kPa are storms and records; a day 20 K warmer than standard adds 1.4 kPa at 1600 m.
WEATHER_KPA = 4.0
#: Sea-level-reduced readings of ordinary weather lie this close to 101.325 kPa.
_REDUCED_BAND_KPA = 5.0


def _log10(x: Any) -> Any:
    return x.log(10) if isinstance(x, pl.Expr | pl.Series) else np.log10(x)


def _ten_to(x: Any) -> Any:
    # exp of a scaled argument: every kind has it, while 10 ** expression is dispatched differently by each
    scaled = x * 2.302585092994046
    return scaled.exp() if isinstance(scaled, pl.Expr | pl.Series) else np.exp(scaled)


def _plain(value: Any) -> Any:
    """A numpy scalar as a float, so that scalars in give scalars out."""
    return float(value) if isinstance(value, np.generic) else value


def standard_pressure_kpa(altitude_m: Values) -> Values:
    """Pressure of the standard atmosphere at a geopotential height: ``101.325 (1 - 0.0065 H / 288.15) ** 5.255880``.

    Parameters
    ----------
    altitude_m : geopotential height, -5000 to 11 000 m (any shape). Heights of records are used as geopotential: a
        geometric height differs by 13 Pa at 3000 m (:func:`geopotential_m` converts).

    Raises
    ------
    ValueError : a single height above 11 000 m, where the formula ends; arrays and expressions are not looked at.
    """
    height: Any = altitude_m
    if isinstance(height, int | float) and height > TROPOSPHERE_M:
        raise ValueError(
            f"height {height} m is above {TROPOSPHERE_M:.0f} m, where this formula ends; check the unit of the height."
        )
    return cast("Values", (1 - height * (_LAPSE_K_M / _SEA_LEVEL_K)) ** _PRESSURE_EXPONENT * SEA_LEVEL_KPA)


def standard_altitude_m(pressure_kpa: Values) -> Values:
    """Geopotential height at which the standard atmosphere has this pressure; inverse of :func:`standard_pressure_kpa`."""
    ratio: Any = cast("Any", pressure_kpa) / SEA_LEVEL_KPA
    return cast("Values", (1 - ratio ** (1 / _PRESSURE_EXPONENT)) * (_SEA_LEVEL_K / _LAPSE_K_M))


def geopotential_m(geometric_m: Values) -> Values:
    """Geopotential height of a geometric (surveyed) height, earth radius 6 356 766 m."""
    height: Any = geometric_m
    return cast("Values", height * _EARTH_RADIUS_M / (height + _EARTH_RADIUS_M))


def saturation_vapour_kpa(air_c: Values) -> Values:
    """Saturation pressure of water vapour over liquid water, by 40 CFR 1065.645-1.

    Parameters
    ----------
    air_c : air temperature, C; the section states 0 to 100 C, below zero the curve over (supercooled) liquid goes on.

    Returns
    -------
    kPa. Other accepted formulas (Hyland-Wexler, Wexler-Greenspan, Magnus) agree within 0.2 %, which moves a correction
    factor by less than 1e-4 at 30 C and 50 % humidity.
    """
    kelvin: Any = cast("Any", air_c) + ZERO_CELSIUS_K
    cold = 1 - 273.16 / kelvin
    log_kpa = (
        cold * 10.79574
        - _log10(kelvin / 273.16) * 5.02800
        + (1 - _ten_to((kelvin / 273.16 - 1) * -8.2969)) * 1.50475e-4
        + (_ten_to(cold * 4.76955) - 1) * 0.42873e-3
        - 0.2138602
    )
    return cast("Values", _plain(_ten_to(log_kpa)))


def vapour_kpa(air_c: Values, humidity_pct: Values) -> Values:
    """Partial pressure of water vapour, kPa, from air temperature (C) and relative humidity (%)."""
    share: Any = cast("Any", humidity_pct) / 100
    return cast("Values", saturation_vapour_kpa(cast("Any", air_c)) * share)


def dry_pressure_kpa(pressure_kpa: Values, air_c: Values, humidity_pct: Values) -> Values:
    """Pressure of the dry part of the air, kPa: total less vapour."""
    return cast("Values", cast("Any", pressure_kpa) - cast("Any", vapour_kpa(air_c, humidity_pct)))


def looks_reduced_to_sea_level(ambient_kpa: Values, altitude_m: Values) -> Values:
    """Whether a barometer reading was reduced to sea level although the dyno stands high.

    True where the reading (a) lies more than ``WEATHER_KPA`` above the standard atmosphere at that height, so that no
    weather explains it, and (b) lies within 5 kPa of 101.325, as sea-level readings do. Below about 340 m the two cannot
    be told apart; there a reduced reading is wrong by no more than weather itself, and the answer is False.

    Returns
    -------
    bool, or a boolean array or expression; missing where either value of an expression is missing.
    """
    reading: Any = ambient_kpa
    too_high = reading > cast("Any", standard_pressure_kpa(altitude_m)) + WEATHER_KPA
    near_sea_level = abs(reading - SEA_LEVEL_KPA) <= _REDUCED_BAND_KPA
    return cast("Values", too_high & near_sea_level)


def station_pressure_kpa(reduced_kpa: Values, altitude_m: Values) -> Values:
    """Station pressure from an altimeter setting (a reading reduced to sea level through the standard atmosphere).

    ``p**k = reduced**k - 101.325**k * 0.0065 H / 288.15`` with ``k = 1 / 5.255880``: the definition of the altimeter
    setting (ICAO Doc 7488; from memory). Weather maps reduce with the actual air temperature instead: at 1600 m and 30 C
    that station pressure is 1.3 kPa higher than this one, so a pressure got this way is good to about 1.5 %.
    """
    k = 1 / _PRESSURE_EXPONENT
    reduced: Any = reduced_kpa
    drop: Any = cast("Any", altitude_m) * (SEA_LEVEL_KPA**k * _LAPSE_K_M / _SEA_LEVEL_K)
    return cast("Values", (reduced**k - drop) ** _PRESSURE_EXPONENT)
