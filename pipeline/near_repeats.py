"""Tests that may have been published twice though their figures are not all equal: for a human to judge, never counted.

Each pair of builds from two sources is laid row against row and gets one reason: figures rounded anew, one figure that
differs by a digit, a baseline that one of them leaves out, all powers in one ratio (another correction standard), engine
data that disagree, or the same publisher in two sources.
"""

from __future__ import annotations

import polars as pl

from pipeline.figure_blocks import POWER_TOLERANCE_KW
from pipeline.laid_rows import lay_together, of_pairs
from pipeline.misprint import is_misprint
from pipeline.pair_bounds import RowMatrix, count_at_most, may_agree
from pipeline.repeat_ties import MOST_LINK, like_names, link_beside_names, tied, with_both

#: Figures that agree, plus 2 for a like name or one test engine, or 1 for displacement or peak speeds: at least this many.
ENOUGH = 5
#: Correction standards differ by a few percent; a ratio beyond this is another test, below it rounding.
RATIO_SPAN, RATIO_LEAST = 0.10, 0.002
#: One hp is 1.01387 metric hp: a power in this ratio was probably printed under the other name.
METRIC_HP, METRIC_HP_SLACK = 1.01387, 0.0015
REASONS = (
    "same_publisher",
    "rounded",
    "misprint",
    "figure_differs",
    "baseline_missing",
    "hp_or_ps",
    "other_standard",
    "engine_differs",
    "few_figures",
)
NEAR_SCHEMA: dict[str, type[pl.DataType]] = {
    "build_key": pl.String, "near_key": pl.String, "reason": pl.String, "figures": pl.Int64, "compared": pl.Int64,
    "alike": pl.String, "ratio": pl.Float64, "boost_kpa": pl.Float64, "power_kw": pl.Float64, "near_boost_kpa": pl.Float64,
    "near_power_kw": pl.Float64, "only_here": pl.Int64, "only_there": pl.Int64,
}  # fmt: skip
#: A judged pair: what a human is shown of it, and what besides its figures ties or parts its builds.
JUDGED_SCHEMA: dict[str, type[pl.DataType]] = {
    "rank": pl.UInt32, "rank_2": pl.UInt32, **{n: kind for n, kind in NEAR_SCHEMA.items() if not n.endswith("_key")},
    "link": pl.Int64, "clash": pl.Boolean,
}  # fmt: skip


def judge_near(pairs: pl.DataFrame, runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """Lay the rows of pairs of builds together and give each the reason why it looks like one test; pairs without one leave.

    Parameters
    ----------
    pairs : rank, rank_2; the later build first.
    runs : rank (earliest publication first, one number a build), role, power_kw, power_step_kw, boost_kpa, boost_step_kpa, power_rpm;
        no throttled runs.
    builds : rank, build, publisher, engine_id and the engine fields.

    Returns
    -------
    A frame of `JUDGED_SCHEMA` in the order of the ranks. The power and boost columns hold the one row that differs; `only_here` and
    `only_there` count rows without a counterpart. What becomes of a pair depends on its own two builds alone.
    """
    if pairs.is_empty():
        return pl.DataFrame(schema=JUDGED_SCHEMA)
    runs = of_pairs(pairs, runs).filter(pl.col("power_kw").is_not_null())
    rows = lay_together(pairs, runs)
    # Most pairs met by chance: they are dropped on counts alone, and the rest is looked at in full.
    pairs = _counted(rows).filter(_promising()).select("rank", "rank_2")
    rows = rows.join(pairs, on=["rank", "rank_2"], how="semi", maintain_order="left")
    judged = _with_reason(_summed(rows), rows).join(_only(pairs, rows, runs), on=["rank", "rank_2"], how="left")
    judged = _with_links(judged, builds).filter(pl.col("reason").is_not_null())
    return judged.select(pl.col(name).cast(kind) for name, kind in JUDGED_SCHEMA.items()).sort("rank", "rank_2")


def choose_near(judged: pl.DataFrame, settled: pl.DataFrame, counted_elsewhere: pl.DataFrame) -> pl.DataFrame:
    """The judged pairs that a human is to be asked about, strongest first.

    Parameters
    ----------
    judged : frame of `JUDGED_SCHEMA`.
    settled : rank, rank_2 of pairs that a human has answered, later build first.
    counted_elsewhere : rank, rank_2 of builds already counted as a repeat, with the build that they repeat.
    """
    gone = counted_elsewhere["rank"].implode()
    known = counted_elsewhere.select(pl.col("rank", "rank_2").cast(pl.UInt32), counted=pl.lit(True))
    judged = judged.join(settled.cast({"rank": pl.UInt32, "rank_2": pl.UInt32}), on=["rank", "rank_2"], how="anti")
    judged = judged.join(known, on=["rank", "rank_2"], how="left")
    # A counted repeat is asked about only where one of its rows is not like the first's.
    is_open = pl.col("counted").is_null() & ~pl.col("rank").is_in(gone) & ~pl.col("rank_2").is_in(gone)
    is_doubted = pl.col("counted") & pl.col("reason").is_in(["misprint", "figure_differs"])
    wanted = judged.filter(
        (is_open | is_doubted)
        & (
            (pl.col("figures") + pl.col("link") + (pl.col("reason") == "misprint") >= ENOUGH)
            | (pl.col("reason") == "few_figures")
        )
        & (~pl.col("reason").is_in(["other_standard", "hp_or_ps"]) | (pl.col("link") > 0))
        & (pl.col("reason").is_in(["other_standard", "hp_or_ps"]) | ~pl.col("clash") | (pl.col("figures") >= ENOUGH))
    )
    return wanted.sort(pl.col("figures") + pl.col("link"), "rank", "rank_2", descending=[True, False, False])


def could_be_one(pairs: pl.DataFrame, rows: RowMatrix, runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """The pairs that :func:`choose_near` may still want, by what they have in common at most.

    Parameters
    ----------
    pairs, runs, builds : as :func:`judge_near` takes them.
    rows : the runs as :func:`pipeline.pair_bounds.row_matrix` lays them.
    """
    pairs = pairs.filter(may_agree(pairs, rows))
    both = pl.concat([pairs, count_at_most(pairs, rows)], how="horizontal")
    # two lone baselines are always laid together: where they differ, a boosted row must agree, or two rows are odd
    both = both.filter(pl.col("is_long") | ~pl.col("has_base") | (pl.col("fine") > 0) | (pl.col("scaled") >= 2))
    figures, baselines, equal = pl.col("figures"), pl.col("baselines"), pl.col("equal")
    has_few = (equal >= 3) | ((equal >= 2) & (baselines >= 2))
    in_ratio = pl.when("has_base").then(pl.col("scaled") >= 2).otherwise((pl.col("levels") >= 2) & (baselines > 0))
    sure = pl.col("is_long") | has_few | (figures + 1 >= ENOUGH)
    both = both.select(
        "rank", "rank_2", need=pl.when(sure).then(0).when(in_ratio).then(1).otherwise(ENOUGH - 1 - figures.cast(pl.Int64))
    ).filter(pl.col("need") <= MOST_LINK)
    # names are compared last, and only where they can still turn the scale
    open_pairs = both.filter(pl.col("need") > 0)
    has_speeds = runs.group_by("rank").agg(speeds=pl.col("power_rpm").is_not_null().any())
    held = pl.col("speeds") & pl.col("speeds_2")  # peak speeds are only looked for here
    linked = with_both(open_pairs, builds.join(has_speeds, on="rank", how="left")).with_columns(speeds=held)
    linked = linked.with_columns(enough=link_beside_names() >= pl.col("need"))
    alike = like_names(linked.filter(~pl.col("enough")))
    kept = pl.concat([part.select("rank", "rank_2") for part in (both.filter(need=0), linked.filter("enough"), alike)])
    return kept.sort("rank", "rank_2")


def _counted(rows: pl.DataFrame) -> pl.DataFrame:
    """The counts of each pair that :func:`_promising` reads."""
    fine, boosted = pl.col("same_boost") & pl.col("same_power"), pl.col("role") == "boosted"
    return rows.group_by("rank", "rank_2").agg(
        odd=(~fine).sum(), powers=pl.col("same_power").sum(), boosts=(pl.col("same_boost") & boosted).sum(),
        levels=boosted.sum(), baselines=(~boosted).sum(), ratio=_ratio(),
    )  # fmt: skip


def _ratio() -> pl.Expr:
    """The middle ratio of the powers of one pair; one row has one ratio, so that it says something from the second row on."""
    return (pl.col("power_kw_2") / pl.col("power_kw")).filter("same_boost").median()


def _summed(rows: pl.DataFrame) -> pl.DataFrame:
    """Counts of each pair, and the ratio of its powers."""
    fine, boosted = pl.col("same_boost") & pl.col("same_power"), pl.col("role") == "boosted"
    odd = ["boost_kpa", "power_kw", "power_step_kw", "boost_step_kpa"]
    first_odd = [pl.col(c).filter(~fine).first().alias(c) for name in odd for c in (name, f"{name}_2")]
    speeds = pl.col("power_rpm") == pl.col("power_rpm_2")
    return rows.group_by("rank", "rank_2").agg(
        *first_odd,
        paired=pl.len(),
        odd=(~fine).sum(),
        powers=pl.col("same_power").sum(),
        boosts=(pl.col("same_boost") & boosted).sum(),
        levels=boosted.sum(),
        baselines=(~boosted).sum(),
        exact=(pl.col("apart") <= POWER_TOLERANCE_KW).all(),
        speeds=(speeds.sum() >= 2) & speeds.fill_null(True).all(),
        ratio=_ratio(),
        odd_in_power=(pl.col("same_boost") & ~pl.col("same_power")).any(),
    )


def _promising() -> pl.Expr:
    """Pairs that can still get a reason: one odd row at most, or all powers in one ratio. Most have neither."""
    one_odd = (pl.col("odd") <= 1) & (pl.col("powers") + pl.col("boosts") + 3 >= ENOUGH)
    return one_odd | ((pl.col("levels") >= 2) & (pl.col("baselines") > 0) & ((pl.col("ratio") - 1).abs() <= RATIO_SPAN))


def _with_reason(sums: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """The reason of each pair (null: no reason) and how many of the compared figures agree."""
    step = (pl.col("power_step_kw").fill_null(0.0) * pl.col("ratio") + pl.col("power_step_kw_2").fill_null(0.0)) / 2
    off = (pl.col("power_kw_2") - pl.col("ratio") * pl.col("power_kw")).abs()
    held = (
        rows.join(sums.select("rank", "rank_2", "ratio"), on=["rank", "rank_2"])
        .group_by("rank", "rank_2")
        .agg(in_ratio=(pl.col("same_boost") & (off <= step + POWER_TOLERANCE_KW)).all())
    )
    sums = sums.join(held, on=["rank", "rank_2"])
    sums = sums.with_columns(pl.Series("misprint", _misprints(sums), dtype=pl.Boolean))
    far = (pl.col("ratio") - 1).abs()
    scaled = pl.col("in_ratio") & (pl.col("levels") >= 2) & (pl.col("baselines") > 0) & far.is_between(RATIO_LEAST, RATIO_SPAN)
    metric = pl.any_horizontal((pl.col("ratio") - r).abs() <= METRIC_HP_SLACK for r in (METRIC_HP, 1 / METRIC_HP))
    one_odd = (pl.col("odd") == 1) & (pl.col("paired") >= 2)
    reason = (
        pl.when((pl.col("odd") == 0) & (pl.col("baselines") == 0)).then(pl.lit("baseline_missing"))
        .when((pl.col("odd") == 0) & pl.col("exact")).then(pl.lit("exact"))
        .when(pl.col("odd") == 0).then(pl.lit("rounded"))
        .when(one_odd & pl.col("misprint")).then(pl.lit("misprint"))
        .when(scaled & metric & (pl.col("odd") > 1)).then(pl.lit("hp_or_ps"))
        .when(scaled & (pl.col("odd") > 1)).then(pl.lit("other_standard"))
        .when(one_odd).then(pl.lit("figure_differs"))
    )  # fmt: skip
    in_ratio = reason.is_in(["hp_or_ps", "other_standard"])
    return sums.with_columns(
        reason=reason,
        # Of powers in one ratio the first fixes the ratio, so one fewer speaks for a common origin.
        figures=pl.when(in_ratio).then(pl.col("paired") - 1).otherwise(pl.col("powers")) + pl.col("boosts"),
        compared=pl.when(in_ratio).then(pl.col("paired") - 1).otherwise(pl.col("paired")) + pl.col("levels"),
        **{c: pl.when(reason.is_in(["misprint", "figure_differs"])).then(c) for c in ("boost_kpa", "power_kw")},
        near_boost_kpa=pl.when(reason.is_in(["misprint", "figure_differs"])).then("boost_kpa_2"),
        near_power_kw=pl.when(reason.is_in(["misprint", "figure_differs"])).then("power_kw_2"),
    ).with_columns(ratio=pl.when(in_ratio).then("ratio"))


def _misprints(sums: pl.DataFrame) -> list[bool]:
    """Whether the one odd figure of each pair differs by a single digit, two digits changed over, or a digit too many."""
    found = []
    columns = ("odd", "odd_in_power", "power_kw", "power_kw_2", "power_step_kw", "power_step_kw_2",
               "boost_kpa", "boost_kpa_2", "boost_step_kpa", "boost_step_kpa_2")  # fmt: skip
    for odd, in_power, p, p2, ps, ps2, b, b2, bs, bs2 in sums.select(columns).iter_rows():
        found.append(odd == 1 and (is_misprint(p, ps, p2, ps2) if in_power else is_misprint(b, bs, b2, bs2)))
    return found


def _only(pairs: pl.DataFrame, rows: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of either build that have no counterpart in the other."""
    columns = ["role", "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "power_rpm"]
    count = runs.select("rank", *columns).unique().group_by("rank").agg(n=pl.len())
    laid = rows.group_by("rank", "rank_2").agg(laid=pl.len())
    both = (
        pairs.join(laid, on=["rank", "rank_2"])
        .join(count, on="rank")
        .join(count.rename({"rank": "rank_2", "n": "n_2"}), on="rank_2")
    )
    return both.select("rank", "rank_2", only_here=pl.col("n") - pl.col("laid"), only_there=pl.col("n_2") - pl.col("laid"))


def _with_links(judged: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """What besides the figures ties the two builds; last reasons that need it: same publisher, engine data that disagree."""
    both = tied(judged.filter(pl.col("reason").is_not_null()), builds)
    one = pl.col("publisher") == pl.col("publisher_2")
    exact = pl.col("reason") == "exact"
    return both.with_columns(
        reason=pl.when(exact & one).then(pl.lit("same_publisher"))
        .when(exact & pl.col("clash")).then(pl.lit("engine_differs"))
        .when(exact & (pl.col("figures") < ENOUGH) & (pl.col("link") == 0)).then(pl.lit("few_figures"))
        .when(exact).then(None)
        .otherwise("reason"),
    )  # fmt: skip
