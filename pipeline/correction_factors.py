"""Correction factors over whole frames: which factor each run had, and whether its standard accepts it."""

from __future__ import annotations

import polars as pl

from pipeline.air import ZERO_CELSIUS_K, dry_pressure_kpa
from pipeline.correction_standards import ASSUMED_HUMIDITY_PCT, STANDARDS, Standard, apply_formula, formula, standard_of

#: A column by its name, or any expression.
Column = pl.Expr | str


def as_expression(column: Column) -> pl.Expr:
    """A column given by name or as an expression, as an expression."""
    return pl.col(column) if isinstance(column, str) else column


def factor_expression(code: Column, pressure_kpa: Column, air_c: Column, humidity_pct: Column) -> pl.Expr:
    """Factor of each row's standard in its test air, whatever the mixture of standards; spark ignition.

    Parameters
    ----------
    code : codes of the field ``correction``.
    pressure_kpa : absolute station pressure, kPa; null where not known.
    air_c : inlet air temperature, C.
    humidity_pct : relative humidity, %; where null, ``ASSUMED_HUMIDITY_PCT``.

    Returns
    -------
    Float64 expression, ``reported / observed``. 1 for "uncorrected" whatever the air; null where pressure or temperature
    is missing, the standard unstated or unknown, or no dry air is left. Row by row equal to ``factor``.
    """
    codes = as_expression(code).cast(pl.String)

    def of_standard(attribute: str) -> pl.Expr:
        values = {name: getattr(standard, attribute) for name, standard in STANDARDS.items()}
        return codes.replace_strict(values, default=None, return_dtype=pl.Float64)

    total, celsius, dry = _air(pressure_kpa, air_c, humidity_pct)
    total_codes = [name for name, standard in STANDARDS.items() if standard.humidity == "total"]
    parameters = (
        "reference_kpa", "reference_k", "pressure_exponent", "temperature_exponent", "multiplier",
    )  # fmt: skip
    value = formula(
        pl.when(codes.is_in(total_codes)).then(total).otherwise(dry), celsius + ZERO_CELSIUS_K, *map(of_standard, parameters)
    )
    return pl.when(codes == "uncorrected").then(1.0).when((dry > 0) & (celsius > -ZERO_CELSIUS_K)).then(value)


def factor_of_expression(standard: Standard, pressure_kpa: Column, air_c: Column, humidity_pct: Column) -> pl.Expr:
    """:func:`factor_expression` where every row has the same standard: one formula, no look-up."""
    if standard.humidity == "none":
        return pl.lit(1.0)
    total, celsius, dry = _air(pressure_kpa, air_c, humidity_pct)
    value = apply_formula(standard, celsius + ZERO_CELSIUS_K, total, dry)
    return pl.when((dry > 0) & (celsius > -ZERO_CELSIUS_K)).then(value)


def _air(pressure_kpa: Column, air_c: Column, humidity_pct: Column) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    """Total pressure, temperature in C, dry pressure."""
    total, celsius, humidity = (as_expression(column).cast(pl.Float64) for column in (pressure_kpa, air_c, humidity_pct))
    return total, celsius, dry_pressure_kpa(total, celsius, humidity.fill_null(ASSUMED_HUMIDITY_PCT))


def humidity_assumed_expression(code: Column = "correction", humidity_pct: Column = "humidity_pct") -> pl.Expr:
    """True where the row's standard needs the humidity and none was recorded."""
    dry = [standard.code for standard in STANDARDS.values() if standard.humidity == "dry"]
    return as_expression(code).cast(pl.String).is_in(dry).fill_null(False) & as_expression(humidity_pct).is_null()


def outside_validity(code: str, value: float) -> bool:
    """Whether a factor lies outside the range that its standard accepts; False where no range is known.

    Raises
    ------
    CorrectionProblem : the code is "unstated" or unknown.
    """
    accepted = standard_of(code).valid_factor
    return accepted is not None and not accepted[0] <= value <= accepted[1]


def outside_validity_expression(code: Column = "correction", value: Column = "correction_factor") -> pl.Expr:
    """:func:`outside_validity` over a frame; null where the factor is null, False where no range is known."""
    codes, factors = as_expression(code).cast(pl.String), as_expression(value)
    outside = pl.lit(False)
    for standard in STANDARDS.values():
        if standard.valid_factor is not None:
            outside = outside | ((codes == standard.code) & ~factors.is_between(*standard.valid_factor))
    return pl.when(factors.is_not_null()).then(outside.fill_null(False))
