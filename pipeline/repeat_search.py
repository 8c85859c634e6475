"""Which builds look like one test: searched among all, or among those that changed and what they meet.

The keys of all builds and what was found of pairs are kept. A build that changed drops its keys and what was found of it, and only
pairs that share a key with its old or its new ones are looked at again: a pair of two others can come or go only there, where a key
was shared by too many or no longer is. The outcome is that of a search among all, which is the same search with nothing known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.equal_figures import judge_equal
from pipeline.figure_blocks import NUMBER_BITS, Packed, exact_keys, figures_of, near_keys, pack
from pipeline.key_pairs import Order, distinct, equal_pairs, numbers_of, sharing, telling_pairs
from pipeline.near_repeats import JUDGED_SCHEMA, could_be_one, judge_near
from pipeline.pair_bounds import RowMatrix, row_matrix
from pipeline.repeat_ties import tokens_of

#: Runs and facts of some builds, or of all for None: as the parameters of :func:`pipeline.repeats.find_repeats`.
Fetch = Callable[[pl.Series | None], tuple[pl.DataFrame, pl.DataFrame]]
_NO_KEYS = np.zeros(0, dtype=np.uint64)
#: Where so many builds changed, all are fetched at once.
MANY = 0.5
#: A pair that is found again by name: ranks change with every build that comes or goes.
_BY_NAME = {"build_key": pl.String, "near_key": pl.String}
EQUAL_SCHEMA = {"figures": pl.Int64, "enough": pl.Boolean}
_JUDGED = {name: kind for name, kind in JUDGED_SCHEMA.items() if not name.startswith("rank")}


@dataclass(frozen=True, slots=True)
class Known:
    """What a search leaves for the next one.

    Attributes
    ----------
    builds : build_key, number, day (of publication). A build that changed must be taken out before the next search.
    exact, near, tokens : keys packed with the numbers of their builds, in order, each once; numbers of builds that are gone may stay.
    equal : build_key, near_key, figures, enough: pairs with equal figures.
    judged : build_key, near_key and the columns of `JUDGED_SCHEMA`: pairs that look alike.
    """

    builds: pl.DataFrame
    exact: Packed
    near: Packed
    tokens: Packed
    equal: pl.DataFrame
    judged: pl.DataFrame


NOTHING = Known(
    pl.DataFrame(schema={"build_key": pl.String, "number": pl.UInt32, "day": pl.Date}), _NO_KEYS, _NO_KEYS, _NO_KEYS,
    pl.DataFrame(schema={**_BY_NAME, **EQUAL_SCHEMA}), pl.DataFrame(schema={**_BY_NAME, **_JUDGED}),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Alike:
    """What was found.

    Attributes
    ----------
    equal, judged : as in :class:`Known`, but by rank and rank_2, the later build first.
    known : what is known now.
    kept : numbers of builds of which everything known stays; null where nothing was known.
    gone : numbers whose keys leave.
    fresh : the keys that come: exact, near, tokens.
    """

    equal: pl.DataFrame
    judged: pl.DataFrame
    known: Known
    kept: pl.Series | None
    gone: pl.Series
    fresh: tuple[Packed, Packed, Packed]


_RANKS = {"rank": pl.UInt32, "rank_2": pl.UInt32}
_NOTHING_ALIKE = Alike(
    pl.DataFrame(schema={**_RANKS, **EQUAL_SCHEMA}), pl.DataFrame(schema=JUDGED_SCHEMA), NOTHING, None,
    pl.Series([], dtype=pl.UInt32), (_NO_KEYS, _NO_KEYS, _NO_KEYS),
)  # fmt: skip


def search(listed: pl.DataFrame, fetch: Fetch, known: Known = NOTHING) -> Alike:
    """Find builds with equal figures, and builds that look alike.

    Parameters
    ----------
    listed : rank (0 on, in order), build_key, source, publisher, day; all builds.
    fetch : gives runs and facts of builds.
    known : what the search before left.
    """
    if listed["source"].n_unique() < 2 and listed["publisher"].n_unique() < 2:
        return _NOTHING_ALIKE  # nobody is compared with itself
    if int(known.builds["number"].max() or 0) + listed.height >= 1 << int(NUMBER_BITS):  # type: ignore[arg-type]
        known = NOTHING
    held = listed.select("rank", "build_key", "day").join(
        known.builds, on=["build_key", "day"], how="inner", nulls_equal=True, maintain_order="left"
    )
    changed = listed.join(held, on="build_key", how="anti")["build_key"]
    runs, facts = _fetched(fetch, changed, listed.height)
    fresh = _numbered(changed, int(known.builds["number"].max() or 0) + 1)  # type: ignore[arg-type]
    said = tokens_of(facts.join(fresh, on="build_key"))
    words = pack(said["token"], said["number"])
    tokens = _with(_parted(known.tokens, held)[0], words)
    woken = _woken(known.tokens, tokens, held)
    if len(woken):
        is_woken = pl.col("build_key").is_in(woken.implode())
        runs, facts = (pl.concat([a.filter(~is_woken), b]) for a, b in zip((runs, facts), fetch(woken), strict=True))
        fresh = pl.concat([fresh, held.filter(is_woken).select("build_key", "number")])
        said = tokens_of(facts.join(fresh, on="build_key"))
        words = pack(said["token"], said["number"])
        held = held.filter(~is_woken)
    numbers = pl.concat([held.select("build_key", "number"), fresh])
    figures = figures_of(driven(runs).join(fresh, on="build_key"))
    exact_new, near_new = exact_keys(figures), near_keys(figures, _shared(said, tokens))
    stay, lost = zip(*(_parted(of_before, held) for of_before in (known.exact, known.near, known.tokens)), strict=True)
    exact, near = _with(stay[0], exact_new), _with(stay[1], near_new)
    look = _Look(listed, numbers, held, fetch if len(held) else lambda _: (runs, facts))
    equal = look.pairs(known.equal, exact, np.concatenate([lost[0], exact_new]), "publisher", equal_pairs, look.equal)
    judged = look.pairs(known.judged, near, np.concatenate([lost[1], near_new]), "source", telling_pairs, look.judged)
    names = listed.select("rank", "build_key")
    days = listed.select("build_key", "day").join(numbers, on="build_key").select("build_key", "number", "day")
    left = Known(days, exact, near, tokens, _named(equal, names), _named(judged, names))
    gone = pl.Series(distinct(numbers_of(np.concatenate(lost)).astype(np.uint64)), dtype=pl.UInt32)
    kept = None if known is NOTHING else held["number"]
    return Alike(equal, judged, left, kept, gone, (exact_new, near_new, words))


def driven(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs at full load."""
    return runs.filter(pl.col("role").is_in(["baseline", "boosted"]))


class _Look:
    """Pairs of builds looked at; those of builds that did not change, where they met a changed one's key."""

    def __init__(self, listed: pl.DataFrame, numbers: pl.DataFrame, held: pl.DataFrame, fetch: Fetch) -> None:
        self._listed, self._held, self._fetch = listed, held, fetch
        self._every: tuple[RowMatrix, pl.DataFrame, pl.DataFrame] | None = None
        ranked = listed.join(numbers, on="build_key", maintain_order="left")
        at = ranked["number"].to_numpy()
        self._orders = {}
        for owner in ("source", "publisher"):
            order = Order(*(np.full(int(at.max(initial=0)) + 1, -1, dtype=np.int64) for _ in range(2)))
            order.rank[at], order.owner[at] = ranked["rank"].to_numpy(), ranked[owner].rank("dense").to_numpy()
            self._orders[owner] = order

    def pairs(
        self,
        before: pl.DataFrame,
        keys: Packed,
        touched: Packed,
        owner: str,
        pair: Callable[[Packed, Order], pl.DataFrame],
        judge: Callable[[pl.DataFrame], pl.DataFrame],
    ) -> pl.DataFrame:
        """What is found of all pairs: judged anew where a key was touched, else as before where they still share a key."""
        order = self._orders[owner]
        if self._held.is_empty():
            return judge(pair(keys, order))
        met = sharing(keys, touched)
        anew = pair(met, order)
        names = self._held.select("rank", "build_key")
        kept = before.join(names, on="build_key").join(names, left_on="near_key", right_on="build_key", suffix="_2")
        kept = kept.drop("build_key", "near_key").join(anew, on=["rank", "rank_2"], how="anti")
        # A pair is lost only where a key of both was touched, and they share no other.
        ranks = pl.Series(np.unique(order.rank[numbers_of(met)]), dtype=pl.UInt32).implode()
        doubted = kept.filter(pl.col("rank").is_in(ranks) & pl.col("rank_2").is_in(ranks))
        lost = doubted.join(self._still(doubted, keys, order, pair), on=["rank", "rank_2"], how="anti")
        found = judge(anew)
        return pl.concat([kept.join(lost, on=["rank", "rank_2"], how="anti").select(found.columns), found]).sort("rank", "rank_2")

    def _still(
        self, pairs: pl.DataFrame, keys: Packed, order: Order, pair: Callable[[Packed, Order], pl.DataFrame]
    ) -> pl.DataFrame:
        """Pairs that the keys of the builds of some pairs make, those among them."""
        is_theirs = np.zeros(len(order.rank), dtype=bool)
        ranks = pl.concat([pairs["rank"], pairs["rank_2"]]).unique()
        is_theirs[self._held.filter(pl.col("rank").is_in(ranks.implode()))["number"].to_numpy()] = True
        return pair(sharing(keys, keys[is_theirs[numbers_of(keys)]]), order)

    def equal(self, pairs: pl.DataFrame) -> pl.DataFrame:
        """Pairs with equal figures."""
        if pairs.is_empty():
            return _NOTHING_ALIKE.equal
        return judge_equal(pairs, *self._of(pairs))

    def judged(self, pairs: pl.DataFrame) -> pl.DataFrame:
        """Pairs that look alike."""
        if pairs.is_empty():
            return _NOTHING_ALIKE.judged
        matrix, runs, facts = self._of(pairs)
        return judge_near(could_be_one(pairs, matrix, runs, facts), runs, facts)

    def _of(self, pairs: pl.DataFrame) -> tuple[RowMatrix, pl.DataFrame, pl.DataFrame]:
        """Runs that can be compared, in a matrix and as they are, and facts, with ranks: of the builds of some pairs at least."""
        if self._every is not None:
            return self._every
        if self._held.is_empty():  # nothing is known: both looks meet nearly every build
            self._every = self._laid(_ranked(self._listed, *self._fetch(None)))
            return self._every
        return self._laid(ranked_rows(pairs, self._listed, self._fetch))

    def _laid(self, rows: tuple[pl.DataFrame, pl.DataFrame]) -> tuple[RowMatrix, pl.DataFrame, pl.DataFrame]:
        runs = driven(rows[0]).filter(pl.col("power_kw").is_not_null())
        return row_matrix(runs, self._listed.height), runs, rows[1]


def ranked_rows(pairs: pl.DataFrame, listed: pl.DataFrame, fetch: Fetch) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Runs and facts, with ranks, of the builds of some pairs (rank, rank_2)."""
    ranks = pl.concat([pairs["rank"], pairs["rank_2"]]).unique()
    names = listed.select("rank", "build_key").filter(pl.col("rank").is_in(ranks.implode()))
    return _ranked(names, *_fetched(fetch, names["build_key"], listed.height))


def _ranked(named: pl.DataFrame, runs: pl.DataFrame, facts: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    names = named.select("rank", "build_key")
    return runs.join(names, on="build_key", maintain_order="left"), facts.join(names, on="build_key", maintain_order="left")


def _fetched(fetch: Fetch, keys: pl.Series, builds: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    return fetch(None if len(keys) > MANY * builds else keys)


def _numbered(keys: pl.Series, first: int) -> pl.DataFrame:
    return pl.DataFrame({"build_key": keys, "number": pl.int_range(first, first + len(keys), dtype=pl.UInt32, eager=True)})


def _parted(known: Packed, held: pl.DataFrame) -> tuple[Packed, Packed]:
    """Keys of builds that stay, and of builds that are gone or have changed."""
    stays = _is_of(known, held["number"])
    return (known, known[:0]) if stays.all() else (known[stays], known[~stays])


def _with(stay: Packed, fresh: Packed) -> Packed:
    """Keys that stay and new ones of other builds, in order."""
    come = distinct(fresh)
    return np.insert(stay, np.searchsorted(stay, come), come) if len(stay) else come


def _is_of(packed: Packed, numbers: pl.Series) -> npt.NDArray[np.bool_]:
    number, held = numbers_of(packed), numbers.to_numpy()
    is_held = np.zeros(max(int(number.max(initial=0)), int(held.max(initial=0))) + 1, dtype=bool)
    is_held[held] = True
    return is_held[number]


def _woken(before: Packed, now: Packed, held: pl.DataFrame) -> pl.Series:
    """Builds that did not change, of which one word ties them to another build only now: they lack its keys."""
    alone = _once(before[_is_of(before, held["number"])])
    numbers = numbers_of(np.setdiff1d(alone, _once(now), assume_unique=True))
    return held.filter(pl.col("number").is_in(np.unique(numbers).astype(np.uint32)))["build_key"]


def _once(packed: Packed) -> Packed:
    """Packed keys (in order) that one build alone has."""
    key = packed >> NUMBER_BITS
    is_same = key[1:] == key[:-1]
    ends = np.zeros(1, dtype=bool)
    return packed[~(np.concatenate([ends, is_same]) | np.concatenate([is_same, ends]))] if len(packed) else packed


def _shared(said: pl.DataFrame, tokens: Packed) -> pl.DataFrame:
    """Tokens that two builds say: only these can tie them."""
    mine, alone = pack(said["token"], said["number"]), _once(tokens)
    at = np.minimum(np.searchsorted(alone, mine), max(len(alone) - 1, 0))
    is_alone = alone[at] == mine if len(alone) else np.zeros(len(mine), dtype=bool)
    return said.filter(pl.Series(~is_alone, dtype=pl.Boolean))


def _named(pairs: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    named = pairs.join(names, on="rank").join(names.rename({"rank": "rank_2", "build_key": "near_key"}), on="rank_2")
    return named.select("build_key", "near_key", pl.exclude("build_key", "near_key", "rank", "rank_2")).sort(
        "build_key", "near_key"
    )
