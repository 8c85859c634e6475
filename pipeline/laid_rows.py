"""Rows of two builds laid together, each beside its best counterpart."""

from __future__ import annotations

import polars as pl

from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW


def _agree(name: str, tolerance: float) -> pl.Expr:
    """Whether two figures agree within their digits. Figures of one unit (equal steps) must be equal: they were not converted."""
    here, there = f"{name}", f"{name}_2"
    step, step_2 = (pl.col(f"{name.rsplit('_', 1)[0]}_step_{name.rsplit('_', 1)[1]}{end}") for end in ("", "_2"))
    one_unit = ((step / step_2 - 1).abs() < 1e-3).fill_null(True)
    slack = pl.when(one_unit).then(0.0).otherwise((step + step_2) / 2)
    return (pl.col(here) - pl.col(there)).abs() <= slack.fill_null(0.0) + tolerance


def of_pairs(pairs: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows, with a rank, of the builds of some pairs alone."""
    return rows.filter(pl.col("rank").is_in(pl.concat([pairs["rank"], pairs["rank_2"]]).unique().implode()))


def lay_together(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of the two builds of each pair, each beside its best counterpart (equal boost before equal power)."""
    columns = ["role", "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "power_rpm"]
    here = runs.select("rank", *columns).unique().sort("rank", *columns).with_row_index("row")
    there = here.rename({c: f"{c}_2" for c in here.columns})
    # Most rows that meet agree in nothing: joined lazily, they are dropped piece by piece and never stand in memory together.
    met = (
        pairs.lazy()
        .join(here.lazy(), on="rank")
        .join(there.lazy(), left_on=["rank_2", "role"], right_on=["rank_2", "role_2"])
        .with_columns(
            same_boost=(pl.col("role") == "baseline") | _agree("boost_kpa", BOOST_TOLERANCE_KPA),
            same_power=_agree("power_kw", POWER_TOLERANCE_KW),
            apart=(pl.col("power_kw") - pl.col("power_kw_2")).abs(),
        )
        .filter(pl.col("same_boost") | pl.col("same_power"))
        .collect(engine="streaming")
    )
    # best counterpart first; the last two keys make the order the same each time
    met = met.with_columns(agrees=2 * pl.col("same_boost").cast(pl.Int8) + pl.col("same_power"))
    best = met.sort("agrees", "apart", "row", "row_2", descending=[True, False, False, False]).drop("agrees")
    once = best.unique(["rank", "rank_2", "row"], keep="first", maintain_order=True)
    return once.unique(["rank", "rank_2", "row_2"], keep="first", maintain_order=True)
