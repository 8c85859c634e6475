"""The correction standards, one row each, and the one formula that all of them are.

Every factor here is ``reported = observed * factor`` with

    factor = m (p_ref / p) ** a (T / T_ref) ** b - (m - 1)

where ``p`` is the dry or the total pressure of the test air and ``T`` its temperature in kelvin. The forms with m = 1.18
come from a mechanical efficiency of 85 %: friction, 0.15/0.85 = 0.18 of brake power, is left uncorrected.

25 and 20 C are taken as 298.15 and 293.15 K. The printed forms round them to 298 and 293 K, which moves a factor by up
to 3e-4. ``mark`` says how each row is known: read second-hand, or from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pipeline.air import ZERO_CELSIUS_K, dry_pressure_kpa
from pipeline.errors import CorrectionProblem

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Standard:
    """One correction standard, spark ignition.

    Attributes
    ----------
    code : code of the field ``correction``.
    title, year : name and year of the edition meant.
    reference_kpa, reference_k : pressure and temperature of the reference air.
    humidity : "dry" where ``reference_kpa`` is dry pressure, "total" where humidity does not enter, "none" where no air does.
    pressure_exponent, temperature_exponent, multiplier : a, b, m of the formula above.
    valid_factor : range of the factor that the standard accepts, or None where no range is known.
    rating_basis : "net" or "gross" where the standard itself fixes it.
    mark : how the row is known.
    note : what else to know.
    """

    code: str
    title: str
    year: int | None
    reference_kpa: float
    reference_k: float
    humidity: Literal["dry", "total", "none"]
    pressure_exponent: float
    temperature_exponent: float
    multiplier: float = 1.0
    valid_factor: Range | None = None
    rating_basis: str | None = None
    mark: str = ""
    note: str = ""


#: Reference air that six of the standards share; ratios between standards are stated in it where the test air is unknown.
REFERENCE_DRY_KPA = 99.0
REFERENCE_K = 298.15
#: Relative humidity taken where none was recorded, %. Ten points of humidity at 25 C move a factor by 0.4 %.
ASSUMED_HUMIDITY_PCT = 40.0

_ISO_MARK = "formula and validity from memory; reference air read in EU 134/2014 annex X"
_ISO_RANGE = (0.93, 1.07)

_TABLE = (
    Standard("uncorrected", "as observed", None, REFERENCE_DRY_KPA, REFERENCE_K, "none", 0.0, 0.0, mark="by definition"),
    Standard(
        "sae_j1349", "SAE J1349, spark ignition", 1990, REFERENCE_DRY_KPA, REFERENCE_K, "dry", 1.0, 0.5, multiplier=1.18,
        mark="read second-hand; same algebra in the issues from 2004 on from memory",
        note="the issues from 2004 on leave the pressure part out for engines that hold absolute manifold pressure (from memory)",
    ),
    Standard(
        "sae_j607", "SAE J607 (STD)", 1974, 101.325, 288.15 + 5 / 9, "dry", 1.0, 0.5,
        mark="read second-hand; year from memory", note="29.92 inHg dry and 60 F; withdrawn in the 1980s",
    ),
    Standard(
        "din_70020", "DIN 70020", 1986, 101.3, 293.15, "total", 1.0, 0.5,
        mark="read second-hand; absence of a humidity term and year from memory",
    ),
    Standard(
        "iso_1585", "ISO 1585", 1992, REFERENCE_DRY_KPA, REFERENCE_K, "dry", 1.2, 0.6, valid_factor=_ISO_RANGE, mark=_ISO_MARK,
    ),
    Standard(
        "ece_r85", "UN Regulation 85, annex 5", 1990, REFERENCE_DRY_KPA, REFERENCE_K, "dry", 1.2, 0.6, valid_factor=_ISO_RANGE,
        rating_basis="net", mark=_ISO_MARK,
        note="since Supplement 7 (2014) boosted engines that compensate for altitude and temperature take 1 (from memory)",
    ),
    Standard(
        "eec_80_1269", "80/1269/EEC", 1980, REFERENCE_DRY_KPA, REFERENCE_K, "dry", 1.2, 0.6, valid_factor=_ISO_RANGE,
        rating_basis="net", mark=_ISO_MARK, note="editions since 88/195/EEC (from memory)",
    ),
    Standard(
        "jis_d1001", "JIS D 1001", 1993, REFERENCE_DRY_KPA, REFERENCE_K, "dry", 1.2, 0.6, valid_factor=_ISO_RANGE,
        mark="reference air read second-hand; factor and validity from memory",
        note="the issue of 1982 used 760 mmHg and 20 C with the square root of T (from memory)",
    ),
    Standard(
        "sae_j1995", "SAE J1995 (gross)", 1990, REFERENCE_DRY_KPA, REFERENCE_K, "dry", 1.0, 0.5, multiplier=1.18,
        rating_basis="gross",
        mark="reference air (100 kPa total, 25 C) read second-hand; formula as SAE J1349 from memory",
    ),
)  # fmt: skip

#: Every standard by its code. "unstated" is no standard and has no row.
STANDARDS: dict[str, Standard] = {standard.code: standard for standard in _TABLE}


def apply_formula(standard: Standard, kelvin: Any, total_kpa: Any, dry_kpa: Any) -> Any:
    """The factor of a standard; operators only, so floats, arrays and expressions all serve.

    Parameters
    ----------
    kelvin, total_kpa, dry_kpa : temperature and pressures of the test air, of one shape.
    """
    return formula(
        dry_kpa if standard.humidity == "dry" else total_kpa, kelvin, standard.reference_kpa, standard.reference_k,
        standard.pressure_exponent, standard.temperature_exponent, standard.multiplier,
    )  # fmt: skip


def formula(
    pressure_kpa: Any, kelvin: Any, reference_kpa: Any, reference_k: Any, pressure_exponent: Any, temperature_exponent: Any,
    multiplier: Any,
) -> Any:  # fmt: skip
    """``m (p_ref / p) ** a (T / T_ref) ** b - (m - 1)``, written with the air as the base so that expressions stand left."""
    bare = (pressure_kpa / reference_kpa) ** -pressure_exponent * (kelvin / reference_k) ** temperature_exponent
    return bare * multiplier - (multiplier - 1)


def standard_of(code: str) -> Standard:
    """The standard of a code.

    Raises
    ------
    CorrectionProblem : the code is "unstated" or unknown.
    """
    if code not in STANDARDS:
        raise CorrectionProblem(
            f"correction {code!r} names no known standard; allowed are {', '.join(STANDARDS)}. "
            "Find out to which standard the figure was corrected and record it in the column `correction`."
        )
    return STANDARDS[code]


def factor(code: str, pressure_kpa: float | None, air_c: float | None, humidity_pct: float | None = None) -> float | None:
    """Factor of a standard in one test air: reported power over observed power, spark ignition.

    Parameters
    ----------
    code : a code of the field ``correction``.
    pressure_kpa : absolute station pressure, kPa.
    air_c : inlet air temperature, C.
    humidity_pct : relative humidity, %; missing: ``ASSUMED_HUMIDITY_PCT``.

    Returns
    -------
    The factor; None where pressure or temperature is missing, the standard unstated, or no dry air is left. 1.0 for
    "uncorrected" whatever the air.

    Raises
    ------
    CorrectionProblem : the code is unknown.
    """
    if code == "unstated":
        return None
    standard = standard_of(code)
    if standard.humidity == "none":
        return 1.0
    if pressure_kpa is None or air_c is None or air_c <= -ZERO_CELSIUS_K:
        return None
    dry_kpa = dry_pressure_kpa(pressure_kpa, air_c, ASSUMED_HUMIDITY_PCT if humidity_pct is None else humidity_pct)
    return float(apply_formula(standard, air_c + ZERO_CELSIUS_K, pressure_kpa, dry_kpa)) if dry_kpa > 0 else None
