"""The rule under test: each psi of boost adds the engine's naturally aspirated power over 14.7.

Written as a ratio, the rule says that the gain ratio equals the boost ratio. All functions
are plain arithmetic and take floats, arrays or polars expressions alike. Powers may be in any
unit as long as both are in the same one; pressures are in kPa.

The trade's 14.7 psi is one standard atmosphere (101.325 kPa = 14.695949 psi) rounded. The
rounded figure stands where the trade's words are quoted and in the definition of the
reference boost; the air pressure of the site itself stands wherever a result is judged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import polars as pl

    Number = TypeVar("Number", float, np.ndarray, pl.Expr, pl.Series)
else:
    Number = TypeVar("Number")

#: Kilopascals in one psi: exact from the pound, the inch and standard gravity (0.45359237 * 9.80665 / 0.0254**2 / 1000).
KPA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1000

#: The standard atmosphere, exact by definition (10th General Conference on Weights and Measures, 1954, resolution 4).
SEA_LEVEL_KPA = 101.325

#: The standard atmosphere as the trade rounds it.
TRADE_ATMOSPHERE_PSI = 14.7
TRADE_ATMOSPHERE_KPA = TRADE_ATMOSPHERE_PSI * KPA_PER_PSI

#: The boost at which a build's rule ratio is stated: a curve has no one slope without it.
REFERENCE_BOOST_PSI = 10.0

#: The same as a boost ratio, exactly 10 / 14.7: the average slope is taken from no boost to here.
REFERENCE_BOOST_RATIO = REFERENCE_BOOST_PSI / TRADE_ATMOSPHERE_PSI


def boost_ratio(boost_kpa: Number, ambient_kpa: Number) -> Number:
    """Gauge boost over the air pressure at the dyno: pressure ratio less one, no unit."""
    return boost_kpa / ambient_kpa


def gain_ratio(power: Number, na_power: Number) -> Number:
    """Boosted over naturally aspirated power, less one, no unit."""
    return power / na_power - 1


def rule_ratio(power: Number, na_power: Number, boost_kpa: Number, ambient_kpa: Number) -> Number:
    """Gain ratio over boost ratio: 1 where the rule is exact, 0.9 where each psi gives 90 % of it."""
    return gain_ratio(power, na_power) / boost_ratio(boost_kpa, ambient_kpa)


def rule_power(na_power: Number, boost_kpa: Number, ambient_kpa: Number) -> Number:
    """Power that the rule expects at this boost, in the unit of ``na_power``."""
    return na_power * (1 + boost_ratio(boost_kpa, ambient_kpa))


def rule_yield(na_power: Number, atmosphere_kpa: float = SEA_LEVEL_KPA) -> Number:
    """Power per kPa of boost that the rule expects, in the unit of ``na_power`` per kPa.

    With ``atmosphere_kpa=TRADE_ATMOSPHERE_KPA`` and times ``KPA_PER_PSI`` it is the trade's
    own figure: NA power over 14.7 per psi.
    """
    return na_power / atmosphere_kpa


def yield_at_sea_level(power: Number, na_power: Number, boost_kpa: Number, ambient_kpa: Number) -> Number:
    """Power gained per kPa of boost, referred to sea level, in the unit of power per kPa.

    ``(P - P0) / b * pa / 101.325``. Without the last factor a build that follows the rule
    would lie above the rule's line at altitude, where each kPa is more of an atmosphere.
    """
    return (power - na_power) / boost_kpa * ambient_kpa / SEA_LEVEL_KPA


def yield_here(power: Number, na_power: Number, boost_kpa: Number) -> Number:
    """Power gained per kPa of boost where it was tested, in the unit of power per kPa."""
    return (power - na_power) / boost_kpa
