"""What compressing, cooling, driving and breathing against back pressure do to an engine's power: formulas only.

Two opposite effects meet. Friction is paid once, which lifts the boosted power above the rule; hotter charge, the power that a
belt takes and the pressure that a turbine holds up lower it. That is why the simple rule works as well as it does.

The formulas take floats, numpy arrays or polars expressions alike. Pressures in kPa (boost and exhaust as gauge), temperatures in K where
the name ends in ``_k``, pressure ratio ``r`` = 1 + boost / ambient.

Sources: the isentropic relations and the order of the steps are those of textbook examples of supercharged engines (an Indian
IC-engine textbook, ch. 17, Ex 17.1, with gamma 1.4 and cp 1.005 kJ/(kg K)); constant friction and indicated power in proportion
to air: V. R. Gage, NACA Report 46. The exponent of temperature, 0.5, is that of the correction standards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    Number = TypeVar("Number", float, NDArray[np.float64], pl.Expr)
else:
    Number = TypeVar("Number")

#: (gamma - 1) / gamma for gamma = 1.4, the textbooks' air.
ISENTROPIC_EXPONENT = 0.4 / 1.4
#: Specific heat of air [kJ/(kg K)] and its gas constant [kJ/(kg K)], as in the textbook examples.
CP_AIR = 1.005
R_AIR = 0.287

ZERO_CELSIUS_K = 273.15
SEA_LEVEL_KPA = 101.325

#: Brake over indicated power without boost: the value inside the older SAE correction.
MECHANICAL_EFFICIENCY = 0.85
#: Power that reaches the compressor over power taken by its belt or gears. From memory.
DRIVE_EFFICIENCY = 0.95
#: Air drawn in over air that would fill the cylinders, at peak power without boost. From memory.
VOLUMETRIC_EFFICIENCY = 0.90
#: Brake mean pressure at peak power without boost, at sea level: between the 0.82 to 1.01 MPa measured on production engines at
#: one atmosphere in the manifold and the somewhat higher figures of tuned ones (the latter from memory).
NA_BMEP_KPA = 1000.0
#: Air temperature at the inlet where a record does not state it [C]: that of the current correction standards.
INLET_C = 25.0


def compressed_temperature_k(inlet_k: Number, pressure_ratio: Number, efficiency: Number) -> Number:
    """Temperature behind the compressor: ``T1 (1 + (r**0.2857 - 1) / eta)``.

    Parameters
    ----------
    inlet_k : before the compressor.
    pressure_ratio : outlet over inlet pressure, 1 or above.
    efficiency : isentropic efficiency, above 0.
    """
    return inlet_k * (1 + (pressure_ratio**ISENTROPIC_EXPONENT - 1) / efficiency)


def charge_temperature_k(inlet_k: Number, compressed_k: Number, effectiveness: Number) -> Number:
    """Temperature behind the charge cooler, ``T2 - eps (T2 - T1)``; its pressure drop is left out (boost is read behind it).

    ``effectiveness`` is 0 without a cooler, 1 for one that cools to inlet temperature.
    """
    return compressed_k - effectiveness * (compressed_k - inlet_k)


def density_ratio(pressure_ratio: Number, inlet_k: Number, charge_k: Number) -> Number:
    """Density of the charge over that of the outside air, ``r T1 / Tm`` (ideal gas)."""
    return pressure_ratio * inlet_k / charge_k


def indicated_ratio(pressure_ratio: Number, inlet_k: Number, charge_k: Number, temperature_exponent: Number) -> Number:
    """Indicated power over that without boost, ``r (T1 / Tm)**n``.

    ``n`` = 1 is an ideal gas at fixed volumetric efficiency; 0.5 the exponent of the correction standards, because a hot charge
    is heated less by the walls on its way in.
    """
    return pressure_ratio * (inlet_k / charge_k) ** temperature_exponent


def friction_paid_once(indicated: Number, mechanical_efficiency: Number) -> Number:
    """Brake power ratio when friction stays as it was without boost, ``(i - (1 - eta_m)) / eta_m`` (after NACA Report 46)."""
    return (indicated - (1 - mechanical_efficiency)) / mechanical_efficiency


def air_density_kg_m3(pressure_kpa: Number, temperature_k: Number) -> Number:
    """Density of dry air, ``p / (R T)``."""
    return pressure_kpa / (R_AIR * temperature_k)


def compression_power_kw(air_kg_s: Number, inlet_k: Number, compressed_k: Number) -> Number:
    """Power that goes into the air, ``m cp (T2 - T1)``."""
    return air_kg_s * CP_AIR * (compressed_k - inlet_k)


def gas_exchange_power_kw(intake_kpa: Number, exhaust_kpa: Number, swept_m3_s: Number) -> Number:
    """Power from the intake pushing the piston down against the exhaust's pressure, ``(p_intake - p_exhaust) V``.

    ``swept_m3_s`` is the volume swept by intake strokes per second.
    """
    return (intake_kpa - exhaust_kpa) * swept_m3_s


def brake_mean_pressure_kpa(power_kw: Number, displacement_cc: Number, rpm: Number) -> Number:
    """Brake mean effective pressure of a four-stroke engine, ``120 P / (V n)``."""
    return 120e6 * power_kw / (displacement_cc * rpm)


@dataclass(frozen=True, slots=True)
class ChargeSetup:
    """What has to be known, or assumed, of an engine and its compressor.

    Attributes
    ----------
    compressor_efficiency : isentropic, 0 to 1.
    cooler_effectiveness : 0 without a cooler.
    temperature_exponent : 0.5 to 1, see :func:`indicated_ratio`.
    is_belt_driven : the crankshaft drives the compressor.
    exhaust_over_boost : gauge pressure before the turbine over gauge boost; None without a turbine.
    mechanical_efficiency, drive_efficiency, volumetric_efficiency : 0 to 1.
    na_bmep_kpa : brake mean pressure without boost, at sea level.
    inlet_c : air before the compressor.
    """

    compressor_efficiency: float
    cooler_effectiveness: float
    temperature_exponent: float
    is_belt_driven: bool = False
    exhaust_over_boost: float | None = None
    mechanical_efficiency: float = MECHANICAL_EFFICIENCY
    drive_efficiency: float = DRIVE_EFFICIENCY
    volumetric_efficiency: float = VOLUMETRIC_EFFICIENCY
    na_bmep_kpa: float = NA_BMEP_KPA
    inlet_c: float = INLET_C


@dataclass(frozen=True, slots=True)
class Readings:
    """What a record states of one boosted run and so need not be assumed (each None where it does not).

    Attributes
    ----------
    inlet_c, charge_c : air before the compressor, and charge in the manifold.
    exhaust_kpa : gauge pressure before the turbine.
    na_bmep_kpa : the engine's own brake mean pressure without boost, at sea level.
    """

    inlet_c: float | None = None
    charge_c: float | None = None
    exhaust_kpa: float | None = None
    na_bmep_kpa: float | None = None


NOTHING_READ = Readings()


@dataclass(frozen=True, slots=True)
class ChargeState:
    """The charge and what it gives.

    Attributes
    ----------
    compressed_k, charge_k : behind compressor and cooler.
    density_ratio, indicated_ratio : over those without boost.
    drive_share, exhaust_share : power that the belt takes, and that the exhaust's pressure beyond boost takes, over NA power.
    gain_ratio : expected brake power over NA power, less one.
    """

    compressed_k: float
    charge_k: float
    density_ratio: float
    indicated_ratio: float
    drive_share: float
    exhaust_share: float
    gain_ratio: float


def expected_charge(boost_kpa: float, ambient_kpa: float, setup: ChargeSetup, read: Readings = NOTHING_READ) -> ChargeState:
    """State of the charge and expected gain ratio at one boost.

    ``(i - (1 - eta_m)) / eta_m - drive power / P0 - (p_exhaust - b) / bmep0 - 1``; the last but one for belts only, the last
    for turbines only (DEVELOPERS.md, Estimators).

    Parameters
    ----------
    boost_kpa, ambient_kpa : gauge boost 0 or above; absolute air pressure above 0.
    setup : what is assumed.
    read : what the record states; it takes the place of what is assumed.
    """
    ratio = 1 + boost_kpa / ambient_kpa
    inlet_k = ZERO_CELSIUS_K + (setup.inlet_c if read.inlet_c is None else read.inlet_c)
    bmep_kpa = (read.na_bmep_kpa or setup.na_bmep_kpa) * ambient_kpa / SEA_LEVEL_KPA
    compressed_k = compressed_temperature_k(inlet_k, ratio, setup.compressor_efficiency)
    cooled_k = charge_temperature_k(inlet_k, compressed_k, setup.cooler_effectiveness)
    charge_k = cooled_k if read.charge_c is None else ZERO_CELSIUS_K + read.charge_c
    dense = density_ratio(ratio, inlet_k, charge_k)
    indicated = indicated_ratio(ratio, inlet_k, charge_k, setup.temperature_exponent)
    drive = _drive_share(indicated, inlet_k, compressed_k, ambient_kpa, bmep_kpa, setup) if setup.is_belt_driven else 0.0
    exhaust = _exhaust_share(boost_kpa, bmep_kpa, setup, read)
    gain = friction_paid_once(indicated, setup.mechanical_efficiency) - drive - exhaust - 1
    return ChargeState(compressed_k, charge_k, dense, indicated, drive, exhaust, gain)


def _drive_share(
    air_ratio: float, inlet_k: float, compressed_k: float, ambient_kpa: float, bmep_kpa: float, setup: ChargeSetup
) -> float:
    """Power at the belt over NA power.

    Air per kW without boost is volumetric efficiency times density over brake mean pressure (both from one swept volume);
    under boost it grows as indicated power does.
    """
    air_per_kw = setup.volumetric_efficiency * air_density_kg_m3(ambient_kpa, inlet_k) / bmep_kpa
    return compression_power_kw(air_per_kw * air_ratio, inlet_k, compressed_k) / setup.drive_efficiency


def _exhaust_share(boost_kpa: float, bmep_kpa: float, setup: ChargeSetup, read: Readings) -> float:
    """Gas exchange against a turbine, over NA power; less than nothing where the exhaust's pressure is below boost."""
    if setup.exhaust_over_boost is None:
        return 0.0
    exhaust_kpa = setup.exhaust_over_boost * boost_kpa if read.exhaust_kpa is None else read.exhaust_kpa
    return -gas_exchange_power_kw(boost_kpa, exhaust_kpa, 1.0) / bmep_kpa
