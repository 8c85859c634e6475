"""Tests that may have been published twice though their figures are not all equal: for a human to judge, never counted.

Each pair of builds from two sources is laid row against row and gets one reason: figures rounded anew, one figure that
differs by a digit, a baseline that one of them leaves out, all powers in one ratio (another correction standard), engine
data that disagree, or the same publisher in two sources.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from rapidfuzz import fuzz, process

from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW, near_pairs
from pipeline.pair_bounds import count_at_most, row_matrix

#: Engine data that both builds state must agree within this share.
ENGINE_SHARE = 0.01
ENGINE_FIELDS = ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "cylinders")
#: Figures that agree, plus 2 for a like name or one test engine, or 1 for displacement or peak speeds: at least this many.
ENOUGH = 5
#: Names this alike (0 to 100, words in any order) count as like.
NAME_ALIKE = 90.0
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


def find_near(
    runs: pl.DataFrame, builds: pl.DataFrame, settled: pl.DataFrame, counted_elsewhere: pl.DataFrame, few: pl.DataFrame
) -> pl.DataFrame:
    """Pairs of builds that look like one test.

    Parameters
    ----------
    runs : rank (earliest publication first, one number a build), source, publisher, role, power_kw, power_step_kw, boost_kpa,
        boost_step_kpa, power_rpm; no throttled runs.
    builds : rank, build_key, build, source, publisher, engine_id and the engine fields.
    settled : rank, rank_2 of pairs that a human has answered, later build first.
    few : rank, rank_2 of builds with equal figures, too few to say so alone.
    counted_elsewhere : rank, rank_2 of builds already counted as a repeat, with the build that they repeat.

    Returns
    -------
    A frame of `NEAR_SCHEMA`, strongest first. `build_key` is the later publication. The power and boost columns hold the
    one row that differs; `only_here` and `only_there` count rows without a counterpart.
    """
    runs = runs.filter(pl.col("power_kw").is_not_null()).with_columns(owner=pl.col("source").rank("dense"))
    gone = counted_elsewhere["rank"].implode()
    met = near_pairs(runs, _tokens(builds)).join(settled, on=["rank", "rank_2"], how="anti")
    pairs = pl.concat([_could_be_one(met, runs, builds), few]).unique()
    pairs = pairs.filter(~pl.col("rank").is_in(gone) & ~pl.col("rank_2").is_in(gone))
    # A counted repeat is asked about only where one of its rows is not like the first's.
    pairs = pl.concat([pairs, counted_elsewhere.select("rank", "rank_2").cast(pairs.schema)])
    pairs = pairs.join(settled, on=["rank", "rank_2"], how="anti")
    if pairs.is_empty():
        return pl.DataFrame(schema=NEAR_SCHEMA)
    rows = _laid_together(pairs, runs)
    # Most pairs met by chance: they are dropped on counts alone, and the rest is looked at in full.
    pairs = _counted(rows).filter(_promising()).select("rank", "rank_2")
    rows = rows.join(pairs, on=["rank", "rank_2"], how="semi", maintain_order="left")
    judged = _with_reason(_summed(rows), rows).join(_only(pairs, rows, runs), on=["rank", "rank_2"], how="left")
    judged = _with_links(judged, builds)
    known = counted_elsewhere.select("rank", "rank_2", counted=pl.lit(True))
    judged = judged.join(known, on=["rank", "rank_2"], how="left")
    wanted = judged.filter(
        pl.col("reason").is_not_null()
        & (pl.col("counted").is_null() | pl.col("reason").is_in(["misprint", "figure_differs"]))
        & (
            (pl.col("figures") + pl.col("link") + (pl.col("reason") == "misprint") >= ENOUGH)
            | (pl.col("reason") == "few_figures")
        )
        & (~pl.col("reason").is_in(["other_standard", "hp_or_ps"]) | (pl.col("link") > 0))
        & (pl.col("reason").is_in(["other_standard", "hp_or_ps"]) | ~pl.col("clash") | (pl.col("figures") >= ENOUGH))
    )
    keys = builds.select("rank", "build_key")
    return (
        wanted.join(keys, on="rank")
        .join(keys.rename({"rank": "rank_2", "build_key": "near_key"}), on="rank_2")
        .sort(pl.col("figures") + pl.col("link"), "rank", "rank_2", descending=[True, False, False])
        .select(pl.col(name).cast(kind) for name, kind in NEAR_SCHEMA.items())
    )


def _tokens(builds: pl.DataFrame) -> pl.DataFrame:
    """What a build says about its engine, as text that equal engines share: name, engine, displacement to 10 cc."""
    plain = pl.col("build").str.to_lowercase().str.replace(r"^the ", "").str.replace_all(r"[^\p{L}\p{N}]", "")
    engine = pl.col("engine_id").str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}]", "")
    made = [
        builds.select("rank", token=pl.lit("n") + plain, is_name=pl.lit(True)),
        builds.select("rank", token=pl.lit("e") + engine, is_name=pl.lit(True)),
        builds.select(
            "rank",
            token=pl.lit("d") + (pl.col("displacement_cc") / 10).round().cast(pl.Int64).cast(pl.String),
            is_name=pl.lit(False),
        ),
    ]
    said = pl.concat(made).drop_nulls().filter(pl.col("token").str.len_chars() > 1)
    # Only what two builds say can tie them; numbers are faster to join than words.
    return said.filter(pl.col("token").is_duplicated()).with_columns(pl.col("token").hash())


def _agree(name: str, tolerance: float) -> pl.Expr:
    """Whether two figures agree within their digits. Figures of one unit (equal steps) must be equal: they were not converted."""
    here, there = f"{name}", f"{name}_2"
    step, step_2 = (pl.col(f"{name.rsplit('_', 1)[0]}_step_{name.rsplit('_', 1)[1]}{end}") for end in ("", "_2"))
    one_unit = ((step / step_2 - 1).abs() < 1e-3).fill_null(True)
    slack = pl.when(one_unit).then(0.0).otherwise((step + step_2) / 2)
    return (pl.col(here) - pl.col(there)).abs() <= slack.fill_null(0.0) + tolerance


def _could_be_one(pairs: pl.DataFrame, runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """The pairs that can still be wanted at the end of :func:`find_near`, by what they have in common at most."""
    counts = count_at_most(pairs, row_matrix(runs, builds.height))
    figures, baselines, equal = pl.col("figures"), pl.col("baselines"), pl.col("equal")
    has_few = (equal >= 3) | ((equal >= 2) & (baselines >= 2))
    in_ratio = (pl.col("levels") >= 2) & (baselines > 0)
    link = pl.col("link")
    both = pl.concat([pairs, counts], how="horizontal")
    sure = pl.col("is_long") | has_few | (figures + 1 >= ENOUGH)
    # names are compared last, and only where they can still turn the scale
    both = both.with_columns(link=pl.lit(2)).filter(sure | (figures + 1 + link >= ENOUGH) | in_ratio)
    both = _most_link(both, runs, builds).filter(sure | (figures + 1 + link >= ENOUGH) | (in_ratio & (link > 0)))
    return both.select("rank", "rank_2")


def _most_link(pairs: pl.DataFrame, runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """Pairs with the `link` that :func:`tied` can give at most: peak speeds, which it compares, are only looked for here."""
    has_speeds = runs.group_by("rank").agg(speeds=pl.col("power_rpm").is_not_null().any())
    both = pairs.drop("link").join(has_speeds, on="rank", how="left", maintain_order="left").join(
        has_speeds.rename({"rank": "rank_2", "speeds": "speeds_2"}), on="rank_2", how="left", maintain_order="left"
    )  # fmt: skip
    both = both.with_columns(speeds=pl.col("speeds") & pl.col("speeds_2")).drop("speeds_2")
    return tied(both, builds).select(*pairs.columns)


def _laid_together(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
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


def is_misprint(value: float, step: float | None, other: float, other_step: float | None) -> bool:
    """Whether two figures, as printed, differ by one digit, by two digits changed over, or by one digit too many.

    Parameters
    ----------
    value, other : the figures, in one unit.
    step, other_step : size of their last printed digits in that unit; unknown or unequal steps say nothing.
    """
    if not step or not other_step or abs(step / other_step - 1) > 1e-3:
        return False
    short, long = sorted((str(round(value / step)), str(round(other / other_step))), key=len)
    if len(short) == len(long):
        wrong = [i for i, (a, b) in enumerate(zip(short, long, strict=True)) if a != b]
        turned = (
            len(wrong) == 2
            and wrong[1] - wrong[0] == 1
            and short[wrong[0]] == long[wrong[1]]
            and short[wrong[1]] == long[wrong[0]]
        )
        return len(wrong) == 1 or turned
    return len(long) == len(short) + 1 and any(long[:i] + long[i + 1 :] == short for i in range(len(long)))


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


def clash() -> pl.Expr:
    """Whether engine data that both builds state disagree (second build's columns end in ``_2``)."""
    return pl.any_horizontal(((pl.col(f) / pl.col(f"{f}_2") - 1).abs() > ENGINE_SHARE).fill_null(False) for f in ENGINE_FIELDS)


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


def tied(pairs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """Pairs with what besides equal figures ties the two builds.

    Parameters
    ----------
    pairs : rank, rank_2, speeds (whether all peak speeds agree), and columns that stay.
    builds : rank, build, publisher, engine_id and the engine fields.

    Returns
    -------
    The pairs with the facts of both builds (the second's end in ``_2``), `clash`, `alike` (name, engine, speeds, displacement
    or null) and `link` (2 for a like name or one test engine, 1 for equal peak speeds or displacement, else 0).
    """
    facts = builds.select("rank", "build", "publisher", "engine_id", *ENGINE_FIELDS)
    both = pairs.join(facts, on="rank").join(facts.rename({c: f"{c}_2" for c in facts.columns}), on="rank_2")
    names = [both[c].str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}.]+", " ").to_list() for c in ("build", "build_2")]
    alike = process.cpdist(*names, scorer=fuzz.token_set_ratio, dtype=np.float32) if both.height else np.zeros(0, np.float32)
    both = both.with_columns(alike_name=pl.Series(alike >= NAME_ALIKE, dtype=pl.Boolean), clash=clash())
    engine = (pl.col("engine_id") == pl.col("engine_id_2")).fill_null(False)
    size = ((pl.col("displacement_cc") / pl.col("displacement_cc_2") - 1).abs() < ENGINE_SHARE / 2).fill_null(False)
    return both.with_columns(
        alike=pl.when("alike_name").then(pl.lit("name")).when(engine).then(pl.lit("engine"))
        .when("speeds").then(pl.lit("speeds")).when(size).then(pl.lit("displacement")),
        link=pl.when(pl.col("alike_name") | engine).then(2).when(pl.col("speeds") | size).then(1).otherwise(0),
    )  # fmt: skip
