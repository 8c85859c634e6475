"""Power at ambient manifold pressure, read off the line through runs on both sides of it.

A healthy engine pulls a few kPa at full throttle, and an engine that is always boosted may have
no run at ambient pressure at all. Where a build has runs on both sides of ambient manifold
pressure, a straight line through those within 25 kPa gives the power at ambient itself. The
main analysis does not do this; it is one of the named alternatives.
"""

from __future__ import annotations

import polars as pl

#: How far from ambient a run may lie to enter the line: over a quarter of an atmosphere power is
#: near enough straight in manifold pressure, and friction is paid once.
REACH_KPA = 25.0

#: A point this close to ambient is the baseline itself; no line is drawn.
AT_AMBIENT_KPA = 0.05

#: Relative standard deviation of one pull, as in the fit.
PULL_REL_SD = 0.015

#: Runs of one line agree in these; an empty cell agrees with an empty cell only.
_LINE = ("home", "place", "dyno", "basis", "correction", "stated")

#: A line is drawn only where boosted runs of the same build, place and dyno remain beyond it.
_RIG = ("home", "place", "dyno")

#: Ending of the key of a run that was read off a line.
MADE_KEY = "~ambient"


def _lines(near: pl.DataFrame) -> pl.DataFrame:
    """Power at ambient and its standard deviation for each group of runs on both sides of ambient.

    Ordinary least squares of power on gauge pressure; the variance at zero is
    ``s2 (1/n + mean(b)^2 / sum((b - mean(b))^2))`` with the usual error of one pull as ``s``.
    """
    b, p = pl.col("boost_kpa"), pl.col("power_kw")
    sums = near.group_by(_LINE).agg(
        b.len().alias("n"), b.min().alias("least"), b.max().alias("most"), b.abs().min().alias("nearest"),
        b.mean().alias("mb"), p.mean().alias("mp"),
        ((b - b.mean()) ** 2).sum().alias("sbb"), ((b - b.mean()) * (p - p.mean())).sum().alias("sbp"),
        pl.col("run_key").sort_by(b.abs(), "run_key").first().alias("like"),
    )  # fmt: skip
    both_sides = (pl.col("least") < 0) & (pl.col("most") > 0) & (pl.col("nearest") > AT_AMBIENT_KPA)
    at_zero = pl.col("mp") - pl.col("sbp") / pl.col("sbb") * pl.col("mb")
    leverage = 1 / pl.col("n") + pl.col("mb") ** 2 / pl.col("sbb")
    lines = sums.filter(both_sides).with_columns(at_zero.alias("made_kw"))
    return lines.filter(pl.col("made_kw") > 0).with_columns(
        (PULL_REL_SD * pl.col("made_kw") * leverage.sqrt()).alias("made_sd_kw")
    )


def with_interpolated_baselines(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with one made baseline per line; the runs that it was made from leave with that reason.

    Parameters
    ----------
    rows : result of `ready_rows`.

    Returns
    -------
    pl.DataFrame
        The same columns and ``made`` (true for a baseline that was read off a line).
    """
    rows = rows.with_columns(pl.lit(False).alias("made"))
    fit = pl.col("own_reason").is_null() | (pl.col("own_reason") == "throttled")
    near = rows.filter(fit & (pl.col("boost_kpa").abs() <= REACH_KPA) & (pl.col("power_kw") > 0))
    beyond = rows.filter((pl.col("role") == "boosted") & pl.col("own_reason").is_null() & (pl.col("boost_kpa") > REACH_KPA))
    lines = _lines(near).join(beyond, on=_RIG, how="semi", nulls_equal=True)
    if lines.is_empty():
        return rows
    on_line = near.join(lines, on=_LINE, how="semi", nulls_equal=True).select(
        "run_key", pl.lit("interpolated").alias("line_reason")
    )
    made = rows.join(lines.select("like", "made_kw", "made_sd_kw"), left_on="run_key", right_on="like", how="inner")
    nothing = {name: pl.lit(None, dtype=rows.schema[name]) for name in ("own_reason", "observed_power_kw", "correction_factor")}
    made = made.with_columns(
        pl.format("{}{}", "run_key", pl.lit(MADE_KEY)).alias("run_key"),
        pl.lit("baseline").alias("role"),
        pl.lit(0.0).alias("boost_kpa"),
        pl.col("made_kw").alias("power_kw"),
        pl.col("made_sd_kw").alias("power_sd_kw"),
        pl.lit(1, dtype=pl.Int64).alias("pulls"),
        pl.lit(True).alias("made"),
        **nothing,
    )
    rows = rows.join(on_line, on="run_key", how="left", maintain_order="left")
    rows = rows.with_columns(pl.coalesce("line_reason", "own_reason").alias("own_reason")).drop("line_reason")
    return pl.concat([rows, made.select(rows.columns)]).sort("run_key")
