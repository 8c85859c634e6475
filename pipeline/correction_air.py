"""One engine in two airs: observed power of a baseline as it would be observed in the air of another run."""

from __future__ import annotations

from math import sqrt

import polars as pl

from pipeline.correction import (
    FROM_AIR,
    HUMIDITY_ASSUMED,
    REFERENCE_C,
    TEMPERATURE_ASSUMED,
    Air,
    AirColumns,
    Converted,
    ConvertedColumns,
    assumption_sd,
)
from pipeline.correction_factors import Column, as_expression, factor_of_expression
from pipeline.correction_standards import factor, standard_of
from pipeline.errors import CorrectionProblem


def power_in_air(observed: float, measured: Air, wanted: Air, standard: str = "sae_j1349") -> Converted:
    """Observed power of an unboosted run as it would be observed in the air of another run.

    A boosted run whose boost is held absolute must not be corrected for pressure: its compressor makes up for thin air.
    Such a run stays as observed, and its unboosted baseline is brought to the same air instead.

    Parameters
    ----------
    observed : observed (uncorrected) power in any unit.
    measured, wanted : air in which it was measured, and air of the other run. A missing temperature is taken from the
        other run, or as 25 C; a missing humidity as ``ASSUMED_HUMIDITY_PCT``.
    standard : the standard whose form carries power from air to air.

    Returns
    -------
    Converted : ``observed * F(measured) / F(wanted)``.

    Raises
    ------
    CorrectionProblem : a pressure is missing, or the standard unstated or unknown.
    """
    humidity_enters = standard_of(standard).humidity == "dry"
    airs = (measured, wanted)
    either = next((air.air_c for air in airs if air.air_c is not None), REFERENCE_C)
    from_factor, to_factor = (
        factor(standard, air.pressure_kpa, either if air.air_c is None else air.air_c, air.humidity_pct) for air in airs
    )
    if from_factor is None or to_factor is None:
        raise CorrectionProblem(
            f"an observed {observed} in {measured} was to be brought to {wanted}; both need a pressure above that of their "
            "water vapour. Record the station pressure or the altitude of both runs."
        )
    if any(air.air_c is None for air in airs):
        how = TEMPERATURE_ASSUMED
    else:
        how = HUMIDITY_ASSUMED if humidity_enters and any(air.humidity_pct is None for air in airs) else FROM_AIR
    return Converted(observed * from_factor / to_factor, sqrt(2) * assumption_sd("uncorrected", standard, how), how)


def baseline_in_air_expression(
    observed: Column, measured: AirColumns, wanted: AirColumns, standard: str = "sae_j1349"
) -> ConvertedColumns:
    """:func:`power_in_air` over a frame.

    Parameters
    ----------
    observed : observed power of the baseline.
    measured, wanted : the baseline's air and the boosted run's air.
    standard : the standard whose form carries power from air to air.

    Returns
    -------
    ConvertedColumns : null where the power or a pressure is missing. A missing temperature adds the uncertainty of two
        independent departures from 25 C, although runs of one session share their air: leave those pairs as observed.

    Raises
    ------
    CorrectionProblem : the standard is unstated or unknown.
    """
    humidity_enters = standard_of(standard).humidity == "dry"
    airs = (measured, wanted)
    celsius = [as_expression(air.air_c) for air in airs]
    humidity = [as_expression(air.humidity_pct) for air in airs]
    either = pl.coalesce(*celsius, pl.lit(REFERENCE_C))
    from_factor, to_factor = (
        factor_of_expression(standard_of(standard), air.pressure_kpa, own_c.fill_null(either), air.humidity_pct)
        for air, own_c in zip(airs, celsius, strict=True)
    )
    power = as_expression(observed) * from_factor / to_factor
    how = (
        pl.when(power.is_null()).then(None)
        .when(celsius[0].is_null() | celsius[1].is_null()).then(pl.lit(TEMPERATURE_ASSUMED))
        .when((humidity[0].is_null() | humidity[1].is_null()) & humidity_enters).then(pl.lit(HUMIDITY_ASSUMED))
        .otherwise(pl.lit(FROM_AIR))
    )  # fmt: skip
    assumed = (HUMIDITY_ASSUMED, TEMPERATURE_ASSUMED, FROM_AIR)
    sds = {name: sqrt(2) * assumption_sd("uncorrected", standard, name) for name in assumed}
    return ConvertedColumns(power, how.replace_strict(sds, default=None, return_dtype=pl.Float64), how)
