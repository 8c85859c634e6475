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

from pipeline.equal_figures import laid_rows, matched_rows
from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, half_step
from pipeline.near_repeats import NEAR_SCHEMA, choose_near, judge_near
from pipeline.repeat_again import Memory, search_again
from pipeline.repeat_answers import NOT_SAME, SAME, Answer, match_answers
from pipeline.repeat_search import Alike, Builds, driven, ranked, search
from pipeline.repeat_ties import ENGINE_FIELDS

_BY_FIGURES, _BY_ANSWER = "figures", "answer"
RUN_COLUMNS = ("run_key", "role", "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "power_rpm")
FACT_COLUMNS = ("publisher", "build", "engine_id", *ENGINE_FIELDS)


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
    """Find tests that stand in some tables more than once.

    Parameters
    ----------
    runs : run_key, build_key, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa, power_rpm.
    builds : build_key, source, publisher, build, engine_id and the engine fields.
    published : source, published_on (date or null); the earlier publication is the one counted.
    answers : a human's answers as `repeat_answers.answers_of` reads them.
    """
    days = published.select("source", day="published_on")
    return search_repeats(_Tables(runs, builds.join(days, on="source", how="left")), answers)[0]


@dataclass(frozen=True, slots=True)
class _Tables:
    """Builds in memory."""

    runs: pl.DataFrame
    builds: pl.DataFrame

    def listed(self, keys: pl.Series | None = None) -> pl.DataFrame:
        listed = self.builds.select("build_key", "source", "publisher", "build", "day")
        return listed if keys is None else listed.filter(pl.col("build_key").is_in(keys.implode()))

    def fetch(self, named: pl.DataFrame, *, with_run_keys: bool = False) -> tuple[pl.DataFrame, pl.DataFrame]:
        of = [name for name in named.columns if name != "build_key"]
        runs, facts = self.runs.join(named, on="build_key"), self.builds.join(named, on="build_key")
        return runs.select(*of, *RUN_COLUMNS[not with_run_keys :]), facts.select(*of, *FACT_COLUMNS)


def search_repeats(builds: Builds, answers: Sequence[Answer] = (), memory: Memory | None = None) -> tuple[Repeats, Alike]:
    """Find tests that stand in a store more than once.

    Parameters
    ----------
    builds : all builds.
    answers : a human's answers as `repeat_answers.answers_of` reads them.
    memory : what searches before left; then only what changed since is looked at again.

    Returns
    -------
    What is to be told of it, and what was found of pairs, for the search after.
    """
    found = search(builds) if memory is None else search_again(builds, memory)
    named = pl.concat([part[name] for part in (found.equal, found.judged) for name in ("build_key", "near_key")]).unique()
    listed = ranked(builds.listed(None if answers else named))
    equal, judged = _with_ranks(found.equal, listed), _with_ranks(found.judged, listed)
    matched = match_answers(answers, listed)
    said = _said(matched, listed)
    if equal.is_empty() and said.is_empty():
        return _repeats_of_none(choose_near(judged, said.drop("answer"), said.drop("answer")), listed, matched), found
    alike = equal.join(_both_ways(said.filter(answer=NOT_SAME)), on=["rank", "rank_2"], how="anti")
    equal, few = alike.filter("enough").drop("enough"), alike.filter(~pl.col("enough")).select("rank", "rank_2")
    links = _links(equal, said)
    ends, refused = _resolve(links, said)
    told = _with_contradictions(matched, refused, listed)
    links = links.filter(pl.col("rank").is_in(list(ends)))
    settled = pl.concat([_later_first(said), _later_first(links.filter(found_by=_BY_ANSWER))]).unique()
    counted = _later_first(links.join(settled, on=["rank", "rank_2"], how="anti"))
    # pairs to be asked about that share no key which tells
    more = pl.concat([few, counted]).unique().join(judged, on=["rank", "rank_2"], how="anti").sort("rank", "rank_2")
    ranks = pl.concat([frame[name].cast(pl.UInt32) for frame in (links, more) for name in ("rank", "rank_2")]).unique()
    wanted = listed.select("rank", "build_key").filter(pl.col("rank").is_in(ranks.implode()))
    runs, facts = builds.fetch(wanted, with_run_keys=True)
    repeated = pl.concat([_equal_rows(links, driven(runs)), _counterparts(links, runs)]).unique().sort("run_key")
    judged = pl.concat([judged, judge_near(more, driven(runs), facts)])
    near = _near_test(choose_near(judged, settled, counted), listed)
    return Repeats(_same_test(links, ends, listed), repeated, near, told), found


def _with_ranks(pairs: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """Pairs of builds by rank instead of name, in order."""
    ranks = listed.select("build_key", "rank")
    both = pairs.join(ranks, on="build_key").join(ranks.rename({"build_key": "near_key", "rank": "rank_2"}), on="near_key")
    return both.select("rank", "rank_2", pl.exclude("rank", "rank_2", "build_key", "near_key")).sort("rank", "rank_2")


def _repeats_of_none(near: pl.DataFrame, listed: pl.DataFrame, answers: tuple[Answer, ...]) -> Repeats:
    """No test was published twice, as nearly always in a small store."""
    same = {"build_key": pl.String, "same_as": pl.String, "figures": pl.Int64, "found_by": pl.String}
    return Repeats(pl.DataFrame(schema=same), pl.DataFrame(schema={"run_key": pl.String}), _near_test(near, listed), answers)


def _near_test(chosen: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    keys = listed["build_key"]
    named = chosen.with_columns(build_key=keys.gather(chosen["rank"]), near_key=keys.gather(chosen["rank_2"]))
    return named.select(pl.col(name).cast(kind) for name, kind in NEAR_SCHEMA.items())


def _equal_rows(links: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    pairs = links.filter(found_by=_BY_FIGURES).select("rank", "rank_2")
    return matched_rows(pairs, runs).select("run_key")


def _counterparts(links: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of builds that a human calls repeats, at a boost (within the printed digits) that the counted build has too."""
    rows = laid_rows(links.filter(found_by=_BY_ANSWER).select("rank", "rank_2"), runs)
    reach = half_step("boost_step_kpa", BOOST_TOLERANCE_KPA) + half_step("boost_step_kpa_2", 0.0)
    return rows.filter((pl.col("role") == "baseline") | ((pl.col("boost_kpa") - pl.col("boost_kpa_2")).abs() <= reach)).select(
        "run_key"
    )


def _said(answers: Sequence[Answer], builds: pl.DataFrame) -> pl.DataFrame:
    """rank, rank_2 (as said: the first repeats the second), answer."""
    meant = [key for a in answers for key in (a.build_key, a.other_key) if key is not None]
    ranks = dict(builds.filter(pl.col("build_key").is_in(meant)).select("build_key", "rank").iter_rows())
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
