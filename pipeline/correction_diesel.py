"""Correction of compression-ignition engines: ``reported = observed * fa ** fm``.

``fa`` is the atmospheric factor and ``fm`` the engine factor, which depends on how much fuel a litre of charge is given.
The printed UN Regulation 85 once set the exponent ``fm`` as ordinary text, so that it read as a product; Supplement 8
(2018) corrected that. It is a power. The forms of ``fa`` are from memory; the line of ``fm`` and its ends were read in
UN R85 annex 5 paragraph 5.4.2.2 and in an engine maker's service manual.

Functions of plain numbers: published studies of boost seldom record the fuel rate, so no frame has the columns.
"""

from __future__ import annotations

from pipeline.correction_standards import REFERENCE_DRY_KPA, REFERENCE_K

#: Factors outside this range are reported with the test air beside them.
VALID_FACTOR = (0.9, 1.1)
_MG_MIN_PER_G_S = {4: 120_000.0, 2: 60_000.0}


def atmospheric_factor(dry_kpa: float, air_k: float, *, turbocharged: bool) -> float:
    """Atmospheric factor fa.

    Parameters
    ----------
    dry_kpa, air_k : dry pressure (kPa) and temperature (K) of the inlet air, both positive.
    turbocharged : ``(99/pd)**0.7 (T/298.15)**1.5`` with a turbocharger, cooled or not; without one, or with a
        mechanically driven compressor, ``(99/pd) (T/298.15)**0.7``.
    """
    pressure, temperature = REFERENCE_DRY_KPA / dry_kpa, air_k / REFERENCE_K
    return pressure**0.7 * temperature**1.5 if turbocharged else pressure * temperature**0.7


def fuel_per_charge_mg_l(
    fuel_g_s: float, displacement_l: float, engine_rpm: float, *, strokes: int = 4, pressure_ratio: float = 1.0
) -> float:
    """Corrected fuel delivery qc, mg per litre of swept volume and cycle, over the compressor's pressure ratio.

    Parameters
    ----------
    fuel_g_s : fuel rate, g/s.
    displacement_l, engine_rpm : swept volume (l) and engine speed (rpm).
    strokes : 4 or 2.
    pressure_ratio : absolute pressure at the compressor outlet over ambient; 1 without a compressor.

    Raises
    ------
    ValueError : strokes is neither 4 nor 2.
    """
    if strokes not in _MG_MIN_PER_G_S:
        raise ValueError(f"strokes is {strokes}; allowed are 4 and 2. Give the engine's cycle.")
    return _MG_MIN_PER_G_S[strokes] * fuel_g_s / (displacement_l * engine_rpm) / pressure_ratio


def engine_factor_r85(fuel_mg_l: float) -> float:
    """Engine factor fm of UN R85: ``0.036 qc - 1.14`` for 40 to 65 mg/(l cycle), 0.3 below, 1.2 above."""
    return _engine_factor(fuel_mg_l, lowest_mg_l=40.0, below=0.3)


def engine_factor_iso(fuel_mg_l: float) -> float:
    """Engine factor fm of ISO 1585 and its like: the same line from 37.2 to 65 mg/(l cycle), 0.2 below, 1.2 above."""
    return _engine_factor(fuel_mg_l, lowest_mg_l=37.2, below=0.2)


def _engine_factor(fuel_mg_l: float, lowest_mg_l: float, below: float) -> float:
    if fuel_mg_l < lowest_mg_l:
        return below
    return 1.2 if fuel_mg_l > 65.0 else 0.036 * fuel_mg_l - 1.14


def diesel_factor(fa: float, fm: float) -> float:
    """Factor of a compression-ignition engine: ``fa ** fm`` (never the product)."""
    return float(fa**fm)
