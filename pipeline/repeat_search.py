"""Which builds look like one test: searched among all."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import polars as pl

from pipeline.equal_figures import judge_equal
from pipeline.figure_blocks import NUMBER_BITS, Packed, Places, exact_keys, figures_of, near_keys, pack
from pipeline.key_pairs import NO_KEYS, Order, Pairs, as_frame, distinct, equal_pairs, telling_pairs
from pipeline.memory import processors
from pipeline.near_repeats import JUDGED_SCHEMA, could_be_one, judge_near
from pipeline.pair_bounds import row_matrix
from pipeline.repeat_ties import tokens_of

#: Kinds of keys, as they are kept.
EXACT, NEAR, TOKEN = range(3)
#: Keys of each kind.
Keys = tuple[Packed, Packed, Packed]
#: A pair that is kept by name: ranks change with every build that comes or goes.
_BY_NAME: dict[str, type[pl.DataType]] = {"build_key": pl.String, "near_key": pl.String}
EQUAL_SCHEMA: dict[str, type[pl.DataType]] = {**_BY_NAME, "figures": pl.Int64, "enough": pl.Boolean}
KEPT_SCHEMA: dict[str, type[pl.DataType]] = {
    **_BY_NAME,
    **{name: kind for name, kind in JUDGED_SCHEMA.items() if not name.startswith("rank")},
}


#: Runs whose keys are made at a time: what that needs stays in the processor's cache.
ROWS_TOGETHER = 50_000


class Builds(Protocol):
    """All builds."""

    def listed(self, keys: pl.Series | None = None) -> pl.DataFrame:
        """build_key, source, publisher, build, day (of publication) of the builds with some keys, or of all."""

    def fetch(self, named: pl.DataFrame, *, with_run_keys: bool = False) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Runs and facts of some builds.

        Parameters
        ----------
        named : build_key, and a rank or number that comes back with the rows instead.
        with_run_keys : whether the runs' own keys are wanted.

        Returns
        -------
        run_key, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa, power_rpm of the runs; build, publisher, engine_id and
        the engine fields of the builds.
        """


@dataclass(frozen=True, slots=True)
class Alike:
    """What was found, and what of it is to be kept for the next search.

    Attributes
    ----------
    equal : pairs with equal figures (`EQUAL_SCHEMA`); the build published later is named first.
    judged : pairs that look alike (`KEPT_SCHEMA`), likewise.
    is_whole : whether all builds were looked at; then nothing that was kept before stays.
    gone : numbers that leave with their keys.
    fresh : build_key, number, day of the builds that were looked at anew.
    keys : theirs.
    """

    equal: pl.DataFrame
    judged: pl.DataFrame
    is_whole: bool
    gone: Places
    fresh: pl.DataFrame
    keys: Keys


def search(builds: Builds) -> Alike:
    """Find builds with equal figures, and builds that look alike, among all."""
    listed = ranked(builds.listed())
    fresh, gone = listed.select("build_key", "day", number="rank"), np.zeros(0, dtype=np.int64)
    is_one = listed["source"].n_unique() < 2 and listed["publisher"].n_unique() < 2  # nobody is compared with itself
    if is_one or listed.height >= 1 << int(NUMBER_BITS):
        nothing = pl.DataFrame(schema=EQUAL_SCHEMA), pl.DataFrame(schema=KEPT_SCHEMA)
        return Alike(*nothing, True, gone, fresh.clear(), (NO_KEYS, NO_KEYS, NO_KEYS))
    runs, facts = builds.fetch(listed.select("build_key", "rank"))
    runs = runs.sort("rank")
    exact, near, token = keys_of(runs.rename({"rank": "number"}), facts.rename({"rank": "number"}), NO_KEYS)
    rank = np.arange(listed.height)
    by_publisher, by_source = (Order(rank, owners(listed, name)) for name in ("publisher", "source"))
    found = judge(equal_pairs(exact, by_publisher), telling_pairs(near, by_source), listed, (runs, facts))
    return Alike(*found, True, gone, fresh, (exact, near, token))


def ranked(listed: pl.DataFrame) -> pl.DataFrame:
    """Builds with their rank among these: the earliest publication first."""
    by_name = listed.sort("build_key")  # one column after the other takes a quarter of the time of both
    return by_name.sort("day", nulls_last=True, maintain_order=True).with_row_index("rank")


def owners(listed: pl.DataFrame, name: str) -> Places:
    """Publishers or sources as numbers."""
    return listed[name].rank("dense").cast(pl.Int64).to_numpy()


def driven(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs at full load."""
    return runs.filter(pl.col("role").is_in(["baseline", "boosted"]))


def keys_of(runs: pl.DataFrame, facts: pl.DataFrame, others: Packed) -> Keys:
    """The keys of some builds, in order, each once.

    Parameters
    ----------
    runs, facts : with the numbers of their builds.
    others : packed tokens of other builds. A token that one build alone says can tie nothing and is laid into no key.
    """
    said = tokens_of(facts)
    mine = _packed(said)
    is_shared = pl.Series(np.concatenate([mine, others]) >> NUMBER_BITS).is_duplicated().head(said.height)
    tying = said.filter(is_shared).sort("number")
    with ThreadPoolExecutor(processors()) as pool:  # NumPy leaves Python's lock while it counts and sorts
        made = list(pool.map(lambda part: _keys_of_figures(part, tying), _parts(runs.sort("number"))))
        exact, near = (np.concatenate([NO_KEYS, *(keys[kind] for keys in made)]) for kind in (EXACT, NEAR))
        exact, near, token = pool.map(distinct, (exact, near, mine))
    return exact, near, token


def _parts(runs: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Runs of some builds, then of the next ones."""
    number, start = runs["number"].to_numpy(), 0
    while start < len(number):
        last = number[min(start + ROWS_TOGETHER, len(number)) - 1]
        end = int(np.searchsorted(number, last, side="right"))
        yield runs[start:end]
        start = end


def _keys_of_figures(runs: pl.DataFrame, tokens: pl.DataFrame) -> tuple[Packed, Packed]:
    figures = figures_of(runs)
    of_these = tokens["number"].search_sorted(runs["number"][0]), tokens["number"].search_sorted(runs["number"][-1], side="right")
    return exact_keys(figures), near_keys(figures, tokens[slice(*of_these)])


def token_keys(facts: pl.DataFrame) -> Packed:
    """What builds (number) say about their engines, packed with their numbers, in order."""
    return distinct(_packed(tokens_of(facts)))


def _packed(said: pl.DataFrame) -> Packed:
    return pack(said["token"].to_numpy(), said["number"].cast(pl.Int64).to_numpy())


def judge(
    equal: Pairs, near: Pairs, listed: pl.DataFrame, rows: tuple[pl.DataFrame, pl.DataFrame]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The pairs that have equal figures and those that look alike, by name.

    Parameters
    ----------
    equal, near : pairs that share a key.
    listed : all builds looked at, in the order of their ranks.
    rows : runs and facts, with ranks, of the builds of the pairs at least.
    """
    runs, facts = driven(rows[0]).filter(pl.col("power_kw").is_not_null()), rows[1]
    matrix = row_matrix(runs, listed.height)
    judged = judge_near(could_be_one(as_frame(near), matrix, runs, facts), runs, facts)
    return (
        _named(judge_equal(as_frame(equal), matrix, runs, facts), listed).select(*EQUAL_SCHEMA),
        _named(judged, listed).select(*KEPT_SCHEMA),
    )


def _named(pairs: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    keys = listed["build_key"]
    return pairs.with_columns(build_key=keys.gather(pairs["rank"]), near_key=keys.gather(pairs["rank_2"]))
