"""Tests published twice: found by equal figures under two publishers, counted once.

Two builds of different publishers are the same test when at least three of their figures (powers
and boosts, after normalising units) are equal to their printed digits, a baseline among them, and
nothing that both state about the engine disagrees. Rows of one build are never compared. The
earlier publication is counted; both stay named.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

#: Equal after conversion: two printings of one figure differ by floating point only.
POWER_TOLERANCE_KW = 0.02
BOOST_TOLERANCE_KPA = 0.02
MIN_EQUAL_FIGURES = 3
#: Engine data that both builds state must agree within this share.
ENGINE_SHARE = 0.01
ENGINE_FIELDS = ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "cylinders")


@dataclass(frozen=True, slots=True)
class Repeats:
    """`same_test`: build_key -> same_as, figures, why; `runs`: run_key of rows counted elsewhere."""

    same_test: pl.DataFrame
    runs: pl.DataFrame


def _equal_baselines(runs: pl.DataFrame) -> pl.DataFrame:
    """Pairs of equal unboosted runs under two publishers: what makes two builds worth comparing."""
    baselines = runs.filter(pl.col("role") == "baseline").with_columns(
        bin=(pl.col("power_kw") / POWER_TOLERANCE_KW).round().cast(pl.Int64)
    )
    # A figure on the edge of a bin may fall to either side, so one side looks into the neighbouring bins too.
    shifted = pl.concat([baselines.with_columns(bin=pl.col("bin") + step) for step in (-1, 0, 1)])
    return _matched(shifted.join(baselines.rename(_SECOND), on="bin"))


_SECOND = {c: f"{c}_2" for c in ("run_key", "build_key", "publisher", "role", "power_kw", "boost_kpa")}


def _matched(pairs: pl.DataFrame) -> pl.DataFrame:
    """Run pairs of two publishers whose figures are equal; boost counts only on boosted runs."""
    same_boost = (pl.col("role") == "baseline") | ((pl.col("boost_kpa") - pl.col("boost_kpa_2")).abs() <= BOOST_TOLERANCE_KPA)
    same_power = (pl.col("power_kw") - pl.col("power_kw_2")).abs() <= POWER_TOLERANCE_KW
    return pairs.filter((pl.col("publisher") != pl.col("publisher_2")) & same_boost & same_power).select(
        "run_key", "run_key_2", "build_key", "build_key_2", "power_kw", "boost_kpa", "role"
    )


def _candidates(runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """Equal run pairs of builds that share a baseline figure and do not disagree about the engine."""
    baselines = _equal_baselines(runs)
    suspects = _agree(baselines.select("build_key", "build_key_2").unique(), builds)
    boosted = runs.filter(pl.col("role") == "boosted")
    pairs = suspects.join(boosted, on="build_key").join(boosted.rename(_SECOND), on="build_key_2")
    return pl.concat([baselines.join(suspects, on=["build_key", "build_key_2"], how="semi"), _matched(pairs)]).unique()


def _agree(pairs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    facts = builds.select("build_key", *ENGINE_FIELDS)
    joined = pairs.join(facts, on="build_key", how="left").join(
        facts, left_on="build_key_2", right_on="build_key", how="left", suffix="_2"
    )
    clash = pl.any_horizontal(((pl.col(f) / pl.col(f"{f}_2") - 1).abs() > ENGINE_SHARE).fill_null(False) for f in ENGINE_FIELDS)
    return joined.filter(~clash).select(pairs.columns)


def find_repeats(runs: pl.DataFrame, builds: pl.DataFrame, published: pl.DataFrame) -> Repeats:
    """Find tests that stand in the store under two publishers.

    Parameters
    ----------
    runs : run_key, build_key, source, publisher, role, power_kw, boost_kpa.
    builds : build_key and the engine fields.
    published : source, published_on (date or null); the earlier publication is the one counted.
    """
    pairs = _candidates(runs.select("run_key", "build_key", "publisher", "role", "power_kw", "boost_kpa"), builds)
    counted = pairs.group_by("build_key", "build_key_2").agg(
        figures=pl.col("power_kw").round(1).n_unique()
        + pl.col("boost_kpa").filter(pl.col("role") == "boosted").round(1).n_unique(),
        has_baseline=(pl.col("role") == "baseline").any(),
        has_boosted=(pl.col("role") == "boosted").any(),
    )
    strong = counted.filter((pl.col("figures") >= MIN_EQUAL_FIGURES) & pl.col("has_baseline") & pl.col("has_boosted"))
    order = runs.select("build_key", "source").unique().join(published, on="source", how="left")
    order = (
        order.sort(pl.col("published_on").fill_null(pl.date(9999, 1, 1)), "build_key")
        .with_row_index("rank")
        .select("build_key", "rank")
    )
    later = (
        strong.join(order, on="build_key")
        .join(order, left_on="build_key_2", right_on="build_key", suffix="_2")
        .filter(pl.col("rank") > pl.col("rank_2"))
    )
    same = (
        later.sort("rank", "rank_2")
        .group_by("build_key", maintain_order=True)
        .agg(pl.col("build_key_2").first(), pl.col("figures").first())
    )
    # A chain (C repeats B repeats A) points at its first publication.
    firsts = dict(zip(same["build_key"], same["build_key_2"], strict=True))
    resolved = [_first(key, firsts) for key in same["build_key"]]
    same_test = pl.DataFrame(
        {
            "build_key": same["build_key"],
            "same_as": pl.Series(resolved, dtype=pl.String),
            "figures": same["figures"].cast(pl.Int64),
        }
    ).sort("build_key")
    hit = pairs.join(same.select("build_key", "build_key_2"), on=["build_key", "build_key_2"], how="semi")
    return Repeats(same_test, hit.select("run_key").unique().sort("run_key"))


def _first(key: str, firsts: dict[str, str]) -> str:
    here = firsts[key]
    while here in firsts:
        here = firsts[here]
    return here
