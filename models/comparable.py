"""Power of all rows of a unit on one basis, so that their ratio is a ratio of engines and not of weathers.

Only the ratio of boosted to unboosted power enters the fit, so any basis will do that all rows
of a unit share. The first of these that every row can be brought to is taken:

======================== ==============================================================================
``basis_of_power``       when
======================== ==============================================================================
baseline_in_boosted_air  boost is held absolute by control, and observed boosted power and the air of
                         all rows are known: boosted rows stay as observed, the baseline is referred
                         to their air (a compressor that makes up for thin air must not be credited
                         with the correction of an unboosted engine)
as_reported              all rows carry the same correction: it cancels
observed                 observed power of all rows is known and they are of one session: they share
                         the air, and nothing needs to be corrected. Goes first where boost is held
                         absolute
sae_j1349                each row through its observed power and its air to SAE J1349, or as far as its
                         air is known (`pipeline.correction`), with the uncertainty that this adds
======================== ==============================================================================

A row that cannot be brought to the basis of its unit leaves, by name.
"""

from __future__ import annotations

from functools import cache

import polars as pl

from pipeline import correction
from pipeline.correction import AirColumns
from pipeline.correction_factors import factor_expression

#: A flat drivetrain loss is a convention and not a measurement: no figure made with one is better than this.
FLAT_LOSS_REL_SD = 0.04

_AIR = AirColumns("air_kpa", "air_c", "humidity_pct")


def to_common_basis(rows: pl.DataFrame, units: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Bring the rows of each unit to one basis.

    Parameters
    ----------
    rows : unit_no, row and the columns of `ready_rows`, one row per run and unit.
    units : unit_no, baseline_quality, place.

    Returns
    -------
    based : the rows that could be brought there, with ``power`` (kW), ``added_rel_sd`` and ``basis_of_power``.
    unconverted : row, reason of the rest.
    """
    facts = units.select("unit_no", "baseline_quality", pl.col("place").alias("unit_place"))
    rows = _with_figures(rows.join(facts, on="unit_no", how="left"))
    rows = rows.with_columns(_basis().alias("basis_of_power"))
    rows = rows.with_columns(_power().alias("power"), _added().alias("added_rel_sd")).with_columns(*_at_one_place())
    known = pl.col("power").is_not_null() & pl.col("power").is_finite() & (pl.col("power") > 0)
    rows = rows.with_columns(known.alias("known"))
    unconverted = rows.filter(~pl.col("known")).select("row", pl.lit("correction").alias("reason"))
    return rows.filter(pl.col("known")).drop("known", "unit_place", *_MADE), unconverted


#: Columns made on the way.
_MADE = ("figure_kw", "figure_code", "standard", "observed_kw", "j1349_kw", "j1349_sd", "air_factor", "mean_air_factor", "air_sd")


def _with_figures(rows: pl.DataFrame) -> pl.DataFrame:
    """Each row's observed power and its power under SAE J1349, null where they cannot be had."""
    by_factor = pl.when(pl.col("correction_factor") > 0).then(pl.col("power_kw") / pl.col("correction_factor"))
    uncorrected = pl.when(pl.col("correction") == "uncorrected").then(pl.col("power_kw"))
    only_observed = pl.col("correction").is_null() & pl.col("observed_power_kw").is_not_null()
    rows = rows.with_columns(
        pl.coalesce("observed_power_kw", uncorrected, by_factor).alias("observed_kw"),
        pl.when(only_observed).then(pl.col("observed_power_kw")).otherwise(pl.col("power_kw")).alias("figure_kw"),
        pl.when(only_observed).then(pl.lit("uncorrected")).otherwise(pl.col("correction")).alias("figure_code"),
        pl.lit("sae_j1349").alias("standard"),
    )
    common, air_factor = _conversions()
    humidity_sd = correction.assumption_sd("uncorrected", "sae_j1349", correction.HUMIDITY_ASSUMED)
    boosted = pl.col("role") == "boosted"
    return rows.with_columns(
        common.power.alias("j1349_kw"),
        common.relative_sd.alias("j1349_sd"),
        air_factor.alias("air_factor"),
    ).with_columns(
        pl.col("air_factor").filter(boosted).mean().over("unit_no").alias("mean_air_factor"),
        pl.when((boosted & pl.col("humidity_pct").is_null()).any().over("unit_no"))
        .then(humidity_sd)
        .otherwise(0.0)
        .alias("air_sd"),
    )


@cache
def _conversions() -> tuple[correction.ConvertedColumns, pl.Expr]:
    """Power under SAE J1349, and its factor in the row's air: large expressions that no sample changes."""
    common = correction.to_common_expression("sae_j1349", power="figure_kw", code="figure_code", air=_AIR)
    return common, factor_expression("standard", "air_kpa", "air_c", "humidity_pct")


def _basis() -> pl.Expr:
    """Name of the basis, the same for all rows of a unit."""
    boosted = pl.col("role") == "boosted"
    absolute = (boosted & (pl.col("boost_control") == "absolute").fill_null(False)).any().over("unit_no")
    all_observed = (pl.col("observed_kw").is_not_null().all() & (pl.col("baseline_quality") == "same_session").all()).over(
        "unit_no"
    )
    boosted_known = (pl.col("observed_kw").is_not_null() & pl.col("air_factor").is_not_null()) | ~boosted
    baseline_known = pl.col("j1349_kw").is_not_null() | boosted
    referable = (boosted_known & baseline_known).all().over("unit_no")
    alike = (pl.col("correction").n_unique() == 1).over("unit_no")
    return (
        pl.when(absolute & all_observed).then(pl.lit("observed"))
        .when(absolute & referable).then(pl.lit("baseline_in_boosted_air"))
        .when(alike).then(pl.lit("as_reported"))
        .when(all_observed).then(pl.lit("observed"))
        .otherwise(pl.lit("sae_j1349"))
    )  # fmt: skip


def _power() -> pl.Expr:
    """Power on the basis.

    Boosted runs of one unit in different air share one baseline: each is scaled by its own air's
    factor over the mean, which leaves its ratio to the baseline in its own air as it was.
    """
    in_boosted_air = (
        pl.when(pl.col("role") == "boosted")
        .then(pl.col("observed_kw") * pl.col("air_factor") / pl.col("mean_air_factor"))
        .otherwise(pl.col("j1349_kw") / pl.col("mean_air_factor"))
    )
    return (
        pl.when(pl.col("basis_of_power") == "as_reported").then(pl.col("power_kw"))
        .when(pl.col("basis_of_power") == "observed").then(pl.col("observed_kw"))
        .when(pl.col("basis_of_power") == "baseline_in_boosted_air").then(in_boosted_air)
        .otherwise(pl.col("j1349_kw"))
    )  # fmt: skip


def _added() -> pl.Expr:
    """Relative standard deviation that bringing a row to its basis adds."""
    referred = (pl.col("basis_of_power") == "baseline_in_boosted_air") & (pl.col("role") == "baseline")
    return (
        pl.when(referred).then((pl.col("j1349_sd") ** 2 + pl.col("air_sd") ** 2).sqrt())
        .when(pl.col("basis_of_power") == "sae_j1349").then(pl.col("j1349_sd"))
        .otherwise(0.0)
    )  # fmt: skip


def _at_one_place() -> tuple[pl.Expr, pl.Expr]:
    """Power and added error at the crank for the rows of a unit whose places differ (a stated flat loss joins them)."""
    mixed = (pl.col("place") != pl.col("unit_place")).fill_null(False).any().over("unit_no")
    at_wheel = pl.col("place").is_in(["wheel", "hub"]) & (pl.col("drivetrain_loss_pct") > 0)
    made_at_crank = (pl.col("measured_at") == "crank") & (pl.col("drivetrain_loss_pct") > 0)
    by_loss = mixed & (at_wheel | made_at_crank).fill_null(False)
    to_crank = pl.when(mixed & at_wheel.fill_null(False)).then(1 / (1 - pl.col("drivetrain_loss_pct") / 100)).otherwise(1.0)
    added = pl.when(by_loss).then((pl.col("added_rel_sd") ** 2 + FLAT_LOSS_REL_SD**2).sqrt()).otherwise(pl.col("added_rel_sd"))
    return (pl.col("power") * to_crank).alias("power"), added.alias("added_rel_sd")
