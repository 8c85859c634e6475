"""Builds with equal figures: how many are equal, and whether they are enough to call the two one test."""

from __future__ import annotations

import polars as pl

from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW
from pipeline.laid_rows import of_pairs
from pipeline.pair_bounds import RowMatrix, count_at_most, may_be_equal
from pipeline.repeat_ties import ENGINE_FIELDS, clash, tied

#: Equal figures of one test, where something else (name, test engine, peak speeds, displacement) ties the builds too.
MIN_EQUAL_FIGURES = 3
#: Equal figures that say so alone: among tens of thousands of builds a few agree in three by chance.
ENOUGH_ALONE = 5


def judge_equal(pairs: pl.DataFrame, matrix: RowMatrix, runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """rank, rank_2 (earlier), figures of pairs with equal figures, and whether they are enough.

    Parameters
    ----------
    pairs : rank, rank_2 of builds of two publishers; the later one first.
    matrix : the runs as :func:`pipeline.pair_bounds.row_matrix` lays them.
    runs : rank, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa, power_rpm; no throttled runs.
    builds : rank, build, publisher, engine_id and the engine fields.
    """
    pairs = pairs.filter(may_be_equal(pairs, matrix))
    most = count_at_most(pairs, matrix)
    has_enough = (pl.col("equal") >= MIN_EQUAL_FIGURES) & (pl.col("baselines") > 0) & (pl.col("levels") > 0)
    pairs = pl.concat([pairs, most], how="horizontal").filter(has_enough | pl.col("is_long")).select("rank", "rank_2")
    facts = builds.select("rank", *ENGINE_FIELDS)
    both = pairs.join(facts, on="rank").join(facts.rename({c: f"{c}_2" for c in facts.columns}), on="rank_2")
    pairs = both.filter(~clash()).select("rank", "rank_2")
    rows = matched_rows(pairs, of_pairs(pairs, runs))
    counted = rows.group_by("rank", "rank_2").agg(
        figures=pl.col("power_kw").round(1).n_unique()
        + pl.col("boost_kpa").filter(pl.col("role") == "boosted").round(1).n_unique(),
        has_both=pl.col("role").n_unique() == 2,
        speeds=(pl.col("power_rpm") == pl.col("power_rpm_2")).fill_null(False).all(),
    )
    counted = tied(counted.filter((pl.col("figures") >= MIN_EQUAL_FIGURES) & pl.col("has_both")), builds)
    enough = (pl.col("figures") >= ENOUGH_ALONE) | (pl.col("link") > 0)
    return counted.select("rank", "rank_2", pl.col("figures").cast(pl.Int64), enough=enough).sort("rank", "rank_2")


def laid_rows(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of equal role of each pair of builds, side by side."""
    there = runs.select(pl.all().name.suffix("_2"))
    return pairs.join(runs, on="rank").join(there, on="rank_2").filter(pl.col("role") == pl.col("role_2"))


def matched_rows(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows with equal figures; boost counts only on boosted runs."""
    same_boost = (pl.col("role") == "baseline") | ((pl.col("boost_kpa") - pl.col("boost_kpa_2")).abs() <= BOOST_TOLERANCE_KPA)
    same_power = (pl.col("power_kw") - pl.col("power_kw_2")).abs() <= POWER_TOLERANCE_KW
    return laid_rows(pairs, runs).filter(same_boost & same_power)
