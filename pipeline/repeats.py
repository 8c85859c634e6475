"""Tests published twice: counted once, every publication named.

Two builds of different publishers are the same test when at least five of their figures (powers
and boosts, after normalising units) are equal to their printed digits, a baseline among them, and
nothing that both state about the engine disagrees; three are enough where the name, the test engine,
the peak speeds or the displacement tie them too. Three or four without such a tie are asked about. Rows of one build are never compared. The
earlier publication is counted; both stay named.

A human's answer goes before the figures: ``same_as`` makes a build a repeat of the one it names
(rows at a boost that the other one has not stay, as levels of the same test), ``not_same`` keeps
two builds apart. Pairs that only look alike are listed for such an answer and counted as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW, exact_pairs, half_step
from pipeline.near_repeats import ENGINE_FIELDS, clash, find_near, tied
from pipeline.pair_bounds import count_at_most, row_matrix
from pipeline.repeat_answers import NOT_SAME, SAME, Answer, match_answers

#: Equal figures of one test, where something else (name, test engine, peak speeds, displacement) ties the builds too.
MIN_EQUAL_FIGURES = 3
#: Equal figures that say so alone: among tens of thousands of builds a few agree in three by chance.
ENOUGH_ALONE = 5
_BY_FIGURES, _BY_ANSWER = "figures", "answer"
_RUN_COLUMNS = (
    "run_key", "rank", "source", "publisher", "role", "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "power_rpm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Repeats:
    """What is known of tests published twice.

    Attributes
    ----------
    same_test : build_key, same_as (the publication that is counted), figures (equal ones; null by answer alone), found_by
        (``figures`` or ``answer``).
    runs : run_key of runs counted elsewhere.
    near : pairs to be judged by a human (`near_repeats.NEAR_SCHEMA`).
    answers : a human's answers, with the builds found for them or what is wrong with them.
    """

    same_test: pl.DataFrame
    runs: pl.DataFrame
    near: pl.DataFrame
    answers: tuple[Answer, ...] = ()


def find_repeats(runs: pl.DataFrame, builds: pl.DataFrame, published: pl.DataFrame, answers: Sequence[Answer] = ()) -> Repeats:
    """Find tests that stand in the store more than once.

    Parameters
    ----------
    runs : run_key, build_key, source, publisher, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa, power_rpm.
    builds : build_key, source, publisher, build, engine_id and the engine fields.
    published : source, published_on (date or null); the earlier publication is the one counted.
    answers : a human's answers as `repeat_answers.answers_of` reads them.
    """
    builds = _ranked(builds, published)
    runs = runs.join(builds.select("build_key", "rank"), on="build_key").select(_RUN_COLUMNS)
    matched = match_answers(answers, builds)
    said = _said(matched, builds)
    driven = runs.filter(pl.col("role").is_in(["baseline", "boosted"]))
    alike = _equal_builds(driven, builds).join(_both_ways(said.filter(answer=NOT_SAME)), on=["rank", "rank_2"], how="anti")
    equal, few = alike.filter("enough").drop("enough"), alike.filter(~pl.col("enough")).select("rank", "rank_2")
    links = _links(equal, said)
    ends, refused = _resolve(links, said)
    told = _with_contradictions(matched, refused, builds)
    links = links.filter(pl.col("rank").is_in(list(ends)))
    repeated = pl.concat([_equal_rows(links, driven), _counterparts(links, runs)]).unique().sort("run_key")
    settled = pl.concat([_later_first(said), _later_first(links.filter(found_by=_BY_ANSWER))]).unique()
    near = find_near(
        driven.drop("run_key"), builds, settled, _later_first(links.join(settled, on=["rank", "rank_2"], how="anti")), few
    )
    return Repeats(_same_test(links, ends, builds), repeated, near, told)


def _ranked(builds: pl.DataFrame, published: pl.DataFrame) -> pl.DataFrame:
    """Builds numbered from the earliest publication on."""
    day = pl.col("published_on").fill_null(pl.date(9999, 1, 1))
    dated = builds.join(published.select("source", "published_on"), on="source", how="left")
    return dated.sort(day, "build_key").with_row_index("rank").drop("published_on")


def _equal_builds(runs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """rank, rank_2 (earlier), figures of builds with equal figures under two publishers, and whether they are enough."""
    pairs = exact_pairs(runs.with_columns(owner=pl.col("publisher").rank("dense")))
    most = count_at_most(pairs, row_matrix(runs, builds.height))
    has_enough = (pl.col("equal") >= MIN_EQUAL_FIGURES) & (pl.col("baselines") > 0) & (pl.col("levels") > 0)
    pairs = pl.concat([pairs, most], how="horizontal").filter(has_enough | pl.col("is_long")).select("rank", "rank_2")
    facts = builds.select("rank", *ENGINE_FIELDS)
    both = pairs.join(facts, on="rank").join(facts.rename({c: f"{c}_2" for c in facts.columns}), on="rank_2")
    rows = _matched(both.filter(~clash()).select("rank", "rank_2"), runs)
    counted = rows.group_by("rank", "rank_2").agg(
        figures=pl.col("power_kw").round(1).n_unique()
        + pl.col("boost_kpa").filter(pl.col("role") == "boosted").round(1).n_unique(),
        has_both=pl.col("role").n_unique() == 2,
        speeds=(pl.col("power_rpm") == pl.col("power_rpm_2")).fill_null(False).all(),
    )
    counted = tied(counted.filter((pl.col("figures") >= MIN_EQUAL_FIGURES) & pl.col("has_both")), builds)
    enough = (pl.col("figures") >= ENOUGH_ALONE) | (pl.col("link") > 0)
    return counted.select("rank", "rank_2", pl.col("figures").cast(pl.Int64), enough=enough)


def _laid(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of equal role of each pair of builds, side by side."""
    there = runs.select(pl.all().name.suffix("_2"))
    return pairs.join(runs, on="rank").join(there, on="rank_2").filter(pl.col("role") == pl.col("role_2"))


def _matched(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows with equal figures; boost counts only on boosted runs."""
    same_boost = (pl.col("role") == "baseline") | ((pl.col("boost_kpa") - pl.col("boost_kpa_2")).abs() <= BOOST_TOLERANCE_KPA)
    same_power = (pl.col("power_kw") - pl.col("power_kw_2")).abs() <= POWER_TOLERANCE_KW
    return _laid(pairs, runs).filter(same_boost & same_power)


def _equal_rows(links: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    pairs = links.filter(found_by=_BY_FIGURES).select("rank", "rank_2")
    return _matched(pairs, runs).select("run_key")


def _counterparts(links: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of builds that a human calls repeats, at a boost (within the printed digits) that the counted build has too."""
    rows = _laid(links.filter(found_by=_BY_ANSWER).select("rank", "rank_2"), runs)
    reach = half_step("boost_step_kpa", BOOST_TOLERANCE_KPA) + half_step("boost_step_kpa_2", 0.0)
    return rows.filter((pl.col("role") == "baseline") | ((pl.col("boost_kpa") - pl.col("boost_kpa_2")).abs() <= reach)).select(
        "run_key"
    )


def _said(answers: Sequence[Answer], builds: pl.DataFrame) -> pl.DataFrame:
    """rank, rank_2 (as said: the first repeats the second), answer."""
    ranks = dict(zip(builds["build_key"], builds["rank"], strict=True))
    rows = [
        (ranks[a.build_key], ranks[a.other_key], a.answer) for a in answers if a.build_key is not None and a.other_key is not None
    ]
    return pl.DataFrame(rows, schema={"rank": pl.UInt32, "rank_2": pl.UInt32, "answer": pl.String}, orient="row").unique()


def _both_ways(pairs: pl.DataFrame) -> pl.DataFrame:
    turned = pairs.select(rank="rank_2", rank_2="rank")
    return pl.concat([pairs.select("rank", "rank_2"), turned]).unique()


def _later_first(pairs: pl.DataFrame) -> pl.DataFrame:
    return pairs.select(rank=pl.max_horizontal("rank", "rank_2"), rank_2=pl.min_horizontal("rank", "rank_2")).unique()


def _links(equal: pl.DataFrame, said: pl.DataFrame) -> pl.DataFrame:
    """One link a build: to the build that an answer names, else to the earliest with equal figures."""
    figures = pl.concat([equal, equal.select(rank="rank_2", rank_2="rank", figures="figures")])
    by_answer = said.filter(answer=SAME).join(figures, on=["rank", "rank_2"], how="left")
    by_answer = by_answer.select("rank", "rank_2", "figures", found_by=pl.lit(_BY_ANSWER))
    by_figures = equal.select("rank", "rank_2", "figures", found_by=pl.lit(_BY_FIGURES))
    answered_pairs = _both_ways(said)
    by_figures = by_figures.join(answered_pairs, on=["rank", "rank_2"], how="anti")
    every = pl.concat([by_answer.sort("rank", "rank_2"), by_figures.sort("rank", "rank_2")])
    return every.unique("rank", keep="first", maintain_order=True).sort("rank")


def _resolve(links: pl.DataFrame, said: pl.DataFrame) -> tuple[dict[int, int], set[tuple[int, int]]]:
    """Build -> build that is counted at the end of its chain, and links that an answer forbids.

    A chain (C repeats B repeats A) ends at its first publication; builds that name one another in a
    circle are counted under the earliest of them. Where the end is a build that `not_same` keeps
    apart, the build is counted on its own.
    """
    points = dict(zip(links["rank"].to_list(), links["rank_2"].to_list(), strict=True))
    apart = set(_both_ways(said.filter(answer=NOT_SAME)).iter_rows())
    ends: dict[int, int] = {}
    refused: set[tuple[int, int]] = set()
    for start in points:
        path = [start]
        while path[-1] in points and points[path[-1]] not in path:
            path.append(points[path[-1]])
        around = points.get(path[-1])
        end = path[-1] if around is None else min(path[path.index(around) :])
        if (start, end) in apart:
            refused.add((start, end))
        elif end != start:
            ends[start] = end
    return ends, refused


def _with_contradictions(answers: Sequence[Answer], refused: set[tuple[int, int]], builds: pl.DataFrame) -> tuple[Answer, ...]:
    if not refused:
        return tuple(answers)
    keys = builds["build_key"]
    apart = {frozenset((keys[a], keys[b])) for a, b in refused}
    text = (
        "{0}/source.toml: not_same keeps {1!r} apart from {2!r}, but both repeat a third build; both are counted: "
        "say not_same for the third one too, or take this line out"
    )
    return tuple(
        replace(a, problem=text.format(a.source, a.build, a.other))
        if a.answer == NOT_SAME and frozenset((a.build_key, a.other_key)) in apart
        else a
        for a in answers
    )


def _same_test(links: pl.DataFrame, ends: dict[int, int], builds: pl.DataFrame) -> pl.DataFrame:
    keys = builds["build_key"]
    end = pl.Series([keys[ends[r]] for r in links["rank"]], dtype=pl.String)
    return links.select(
        build_key=pl.Series([keys[r] for r in links["rank"]], dtype=pl.String),
        same_as=end,
        figures="figures",
        found_by="found_by",
    ).sort("build_key")
