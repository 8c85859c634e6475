"""Which builds look like one test, where some changed since the last search.

The keys of all builds and what was found of pairs are kept. A build that changed drops its keys and what was found of it, and only
pairs that share a key with its old or its new ones are looked at again: a pair of two others can come or go only there, where a key
was shared by too many or no longer is. The outcome is that of a search among all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import polars as pl

from pipeline.figure_blocks import NUMBER_BITS, Packed, Places
from pipeline.key_pairs import (
    MOST_ALIKE,
    MOST_SHARING,
    NO_KEYS,
    Flags,
    Order,
    Pairs,
    Wanted,
    distinct,
    equal_pairs,
    halves,
    halves_of,
    is_among,
    keys_in,
    numbers_of,
    pairs_of,
    sizes_of,
    still_paired,
    telling_pairs,
)  # fmt: skip
from pipeline.repeat_search import EXACT, NEAR, TOKEN, Alike, Builds, Keys, judge, keys_of, owners, ranked, search, token_keys

#: Where so many builds changed, all are searched.
MANY = 0.5


class Memory(Protocol):
    """What searches left of builds that did not change since."""

    def changed(self) -> pl.DataFrame:
        """The builds of which nothing is known, as `Builds.listed` gives them."""

    def numbers(self) -> tuple[Places, int]:
        """The numbers of all other builds, and one that is higher than any which a key has."""

    def named(self, numbers: Places) -> pl.DataFrame:
        """Builds with some numbers as `Builds.listed` gives them, with number."""

    def keys(self, numbers: Places) -> Keys:
        """The keys of some numbers, in order."""

    def members(self, keys: Keys) -> Keys:
        """All packed keys, in order, that have some unpacked ones of each kind; of builds that are gone too."""

    def found(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        """What was found of pairs of known builds: `Alike.equal` and `Alike.judged`, with number and number_2."""


def search_again(builds: Builds, memory: Memory) -> Alike:
    """Find what :func:`pipeline.repeat_search.search` finds, looking again only at what changed.

    Parameters
    ----------
    builds : all builds, as they are now.
    memory : what is known of those that did not change.
    """
    fresh, (known, above) = memory.changed(), memory.numbers()
    if fresh.height > MANY * len(known) or above + fresh.height > 1 << int(NUMBER_BITS):
        return search(builds)
    is_held = _flags(known, above + fresh.height)
    fresh = fresh.with_columns(number=pl.Series(np.flatnonzero(~is_held)[: fresh.height], dtype=pl.UInt32))
    runs, facts = builds.fetch(fresh.select("build_key", "number"))
    said = _members(memory, TOKEN, token_keys(facts))
    woken = _woken(said, is_held)
    if len(woken):
        is_held[woken] = False
        fresh = pl.concat([fresh, memory.named(woken).select(fresh.columns)])
        runs, facts = builds.fetch(fresh.select("build_key", "number"))
        said = _members(memory, TOKEN, token_keys(facts))
    keys = keys_of(runs, facts, said[is_held[numbers_of(said)]])
    gone = np.flatnonzero(~is_held[:above])
    equal, judged = _Change(builds, memory, fresh, is_held, keys).found(gone)
    return Alike(equal, judged, False, gone, fresh.select("build_key", "number", "day"), keys)


def _flags(numbers: Places, length: int) -> Flags:
    flags = np.zeros(length, dtype=bool)
    flags[numbers] = True
    return flags


def _members(memory: Memory, kind: int, packed: Packed) -> Packed:
    wanted = [NO_KEYS, NO_KEYS, NO_KEYS]
    wanted[kind] = keys_in(packed)
    return memory.members((wanted[0], wanted[1], wanted[2]))[kind]


def _woken(said: Packed, is_held: Flags) -> Places:
    """Builds that did not change, of which one word ties them to another build only now: they lack its keys."""
    number = numbers_of(said)
    alone = sizes_of(said >> NUMBER_BITS, said) == 1
    return distinct(number[alone & is_held[number]].view(np.uint64)).view(np.int64)


@dataclass(frozen=True, slots=True)
class _Kind:
    """How keys of one kind are read: of builds of different owners; where more than `most` share one, by its earliest builds or not."""

    at: int
    owner: str
    most: int
    has_earliest: bool
    pairs: Callable[[Packed, Order, Wanted | None], Pairs]


_KINDS = _Kind(EXACT, "publisher", MOST_SHARING, True, equal_pairs), _Kind(NEAR, "source", MOST_ALIKE, False, telling_pairs)


class _Touched:
    """Keys that builds which changed had or have, and who shares them now.

    Attributes
    ----------
    packed : keys of which pairs are to be looked at, in order.
    lost : packed keys of which pairs of builds that did not change may be no more.
    """

    def __init__(self, kind: _Kind, before: Packed, fresh: Packed, is_held: Flags) -> None:
        held = before[is_held[numbers_of(before)]]
        after = np.sort(np.concatenate([held, fresh]))
        key = keys_in(after)
        was, now, come = sizes_of(key, before), sizes_of(key, after), sizes_of(key, fresh)
        # where one that changed was the earliest build of a crowded key, another one may have taken its place
        self._is_held = is_held
        self._open = key[(was > kind.most) & ((now <= kind.most) | (kind.has_earliest & (was > now - come)))]
        self.lost = after[
            is_among(after >> NUMBER_BITS, key[(now > kind.most) & ((was <= kind.most) | (kind.has_earliest & (come > 0)))])
        ]
        is_looked_at = keys_in(after[self.wanted(after)])
        if not kind.has_earliest:
            is_looked_at = is_looked_at[sizes_of(is_looked_at, after) <= kind.most]
        self.packed = after[is_among(after >> NUMBER_BITS, is_looked_at)]

    def wanted(self, packed: Packed) -> Flags:
        """Whether pairs with the builds of packed keys are to be looked at."""
        return ~self._is_held[numbers_of(packed)] | is_among(packed >> NUMBER_BITS, self._open)


class _Change:
    """One search of what changed."""

    def __init__(self, builds: Builds, memory: Memory, fresh: pl.DataFrame, is_held: Flags, keys: Keys) -> None:
        self._builds, self._memory, self._fresh, self._is_held, self._keys = builds, memory, fresh, is_held, keys

    def found(self, gone: Places) -> tuple[pl.DataFrame, pl.DataFrame]:
        """`Alike.equal` and `Alike.judged` of all builds."""
        old = self._memory.keys(gone)
        exact, near = (keys_in(np.concatenate([old[kind.at], self._keys[kind.at]])) for kind in _KINDS)
        met = self._memory.members((exact, near, NO_KEYS))
        touched = [_Touched(kind, met[kind.at], self._keys[kind.at], self._is_held) for kind in _KINDS]
        listed = self._listed(*(of_kind.packed for of_kind in touched))
        pairs = [kind.pairs(t.packed, self._order(kind, listed), t.wanted) for kind, t in zip(_KINDS, touched, strict=True)]
        is_looked_at = _flags(halves_of(np.concatenate(pairs)), listed.height)
        named = listed.filter(pl.Series(is_looked_at)).select("build_key", "rank")
        anew = judge(pairs[0], pairs[1], listed, self._builds.fetch(named))
        number = listed["number"].to_numpy().astype(np.int64)
        pairs = [distinct(pairs_of(*(number[half] for half in halves(p)))) for p in pairs]
        found = self._memory.found()
        kept = [self._kept(_KINDS[i], found[i], touched[i], pairs[i]) for i in range(len(_KINDS))]
        return pl.concat([kept[0], anew[0]]), pl.concat([kept[1], anew[1]])

    def _listed(self, *packed: Packed) -> pl.DataFrame:
        """The builds of some packed keys by rank."""
        numbers = np.flatnonzero(_flags(numbers_of(np.concatenate(packed)), len(self._is_held)) & self._is_held)
        return ranked(pl.concat([self._memory.named(numbers), self._fresh]))

    def _order(self, kind: _Kind, listed: pl.DataFrame) -> Order:
        at = listed["number"].to_numpy()
        order = Order(*(np.zeros(len(self._is_held), dtype=np.int64) for _ in range(2)))
        order.rank[at], order.owner[at] = np.arange(listed.height), owners(listed, kind.owner)
        return order

    def _kept(self, kind: _Kind, found: pl.DataFrame, touched: _Touched, anew: Pairs) -> pl.DataFrame:
        """What was found of pairs of builds that did not change and still share a key that tells."""
        pairs = pairs_of(*(found[name].to_numpy() for name in ("number", "number_2")))
        is_held, is_lost = self._is_held, _flags(numbers_of(touched.lost), len(self._is_held))
        later, earlier = halves(pairs)
        stays = is_held[later] & is_held[earlier] & ~is_among(pairs, anew)
        doubted = np.flatnonzero(stays & is_lost[later] & is_lost[earlier])
        if kind.has_earliest and len(doubted):
            doubted = doubted[~self._tell(kind, touched.lost, pairs[doubted])]
        if len(doubted):
            stays[doubted] = self._tell(kind, self._all_of(kind, halves_of(pairs[doubted])), pairs[doubted])
        return found.filter(pl.Series(stays)).drop("number", "number_2")

    def _tell(self, kind: _Kind, packed: Packed, pairs: Pairs) -> Flags:
        order = self._order(kind, self._listed(packed)) if kind.has_earliest else None
        return still_paired(pairs, packed, kind.most, order)

    def _all_of(self, kind: _Kind, numbers: Places) -> Packed:
        """All that shares a key with some builds now."""
        mine, fresh = self._memory.keys(numbers)[kind.at], self._keys[kind.at]
        held = _members(self._memory, kind.at, mine)
        held = held[self._is_held[numbers_of(held)]]
        return np.sort(np.concatenate([held, fresh[is_among(fresh >> NUMBER_BITS, keys_in(mine))]]))
