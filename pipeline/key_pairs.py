"""Pairs of builds that share a key."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.figure_blocks import NUMBER_BITS, Packed, Places, Unsigned, each_with
from pipeline.memory import processors

#: Builds of one key that each other one is compared with, where figures are equal: so the work stays linear where very many share
#: one (copied filler, round figures).
MOST_SHARING = 20
#: A near key that more builds share says nothing: so many agree by chance, and nobody could judge the pairs.
MOST_ALIKE = 6

Flags = npt.NDArray[np.bool_]
#: Pairs of ranks in one integer each, the later build's first; each once, in order.
Pairs = Unsigned
_HALF = np.uint64(32)
_ANY_NUMBER = (np.uint64(1) << NUMBER_BITS) - np.uint64(1)
#: Packed keys that are looked at together.
KEYS_TOGETHER = 500_000
NO_KEYS = np.zeros(0, dtype=np.uint64)
#: Whether packed keys are of builds whose pairs are wanted; one of the two is enough.
Wanted = Callable[[Packed], Flags]


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be known of a build by its number.

    Attributes
    ----------
    rank : numbers; place of the build among those looked at, earliest publication first.
    owner : numbers; who is not compared with itself.
    """

    rank: Places
    owner: Places


def numbers_of(packed: Packed) -> Places:
    """The builds' numbers of packed keys."""
    return (packed & _ANY_NUMBER).view(np.int64)


def distinct(keys: Unsigned) -> Unsigned:
    """Each once, in order; NumPy's own way takes several times as long."""
    ordered = keys if bool(np.all(keys[1:] >= keys[:-1])) else np.sort(keys)
    is_new = np.ones(len(ordered), dtype=bool)
    np.not_equal(ordered[1:], ordered[:-1], out=is_new[1:])
    return ordered if is_new.all() else ordered[is_new]


def is_among(some: Unsigned, every: Unsigned) -> Flags:
    """Whether each of some is one of all (in order)."""
    if not len(every):
        return np.zeros(len(some), dtype=bool)
    return every[np.minimum(np.searchsorted(every, some), len(every) - 1)] == some


def sizes_of(keys: Unsigned, packed: Packed) -> Places:
    """How many builds have each key, of all packed ones (in order)."""
    starts = np.searchsorted(packed, keys << NUMBER_BITS)
    return np.searchsorted(packed, keys << NUMBER_BITS | _ANY_NUMBER, side="right") - starts


def keys_in(packed: Packed) -> Unsigned:
    """The keys alone, in order."""
    return distinct(packed >> NUMBER_BITS)


def pairs_of(one: Places, other: Places) -> Pairs:
    """Two numbers each in one integer."""
    return one.astype(np.uint64) << _HALF | other.astype(np.uint64)


def halves(pairs: Pairs) -> tuple[Places, Places]:
    """Both numbers of each pair."""
    return (pairs >> _HALF).astype(np.int64), pairs.astype(np.uint32).astype(np.int64)


def halves_of(pairs: Pairs) -> Places:
    """The numbers that pairs are made of, in order, each once."""
    return distinct(np.concatenate(halves(pairs)).view(np.uint64)).view(np.int64)


def as_frame(pairs: Pairs) -> pl.DataFrame:
    """rank, rank_2: the later and the earlier build."""
    return pl.DataFrame({"rank": (pairs >> _HALF).astype(np.uint32), "rank_2": pairs.astype(np.uint32)})


def telling_pairs(packed: Packed, order: Order, wanted: Wanted | None = None) -> Pairs:
    """Pairs of the keys that few builds share (`MOST_ALIKE`).

    Parameters
    ----------
    packed : keys in order, each once.
    order : of every number in them.
    wanted : of which builds; of all for None.
    """
    with ThreadPoolExecutor(processors()) as pool:  # NumPy leaves Python's lock while it counts
        found = pool.map(lambda part: _telling(part, order, wanted), _parts(packed))
        return distinct(np.concatenate([NO_KEYS, *found]))


def _telling(packed: Packed, order: Order, wanted: Wanted | None) -> Pairs:
    groups = _shared(packed)
    return _within(groups.of(groups.sizes <= MOST_ALIKE), order, wanted)


def _parts(packed: Packed) -> Iterator[Packed]:
    """Packed keys in parts, all that have one key in one of them."""
    start = 0
    while start < len(packed):
        last = packed[min(start + KEYS_TOGETHER, len(packed)) - 1] | _ANY_NUMBER
        end = int(np.searchsorted(packed, last, side="right"))
        yield packed[start:end]
        start = end


def equal_pairs(packed: Packed, order: Order, wanted: Wanted | None = None) -> Pairs:
    """As :func:`telling_pairs`, of all keys; where many builds share one, each is paired with the earliest of each owner alone."""
    groups = _shared(packed)
    few = _within(groups.of(groups.sizes <= MOST_SHARING), order, wanted)
    return distinct(np.concatenate([few, _with_earliest(groups.of(groups.sizes > MOST_SHARING), order, wanted)]))


def still_paired(pairs: Pairs, packed: Packed, most: int, order: Order | None) -> Flags:
    """Whether keys tell of each pair.

    Parameters
    ----------
    pairs : numbers; the later build first.
    packed : keys in order, each once; all builds that share one of them.
    most : builds of a key that tells of all its pairs.
    order : where a key of more builds tells of pairs with its earliest ones, of every number; None where it tells nothing.
    """
    later, earlier = halves(pairs)
    by_number = np.argsort(numbers_of(packed), kind="stable")
    pair, place = each_with(later, numbers_of(packed)[by_number])
    key = packed[by_number[place]] >> NUMBER_BITS
    other = key << NUMBER_BITS | earlier[pair].astype(np.uint64)
    tells = is_among(other, packed) & (sizes_of(key, packed) <= most)
    if order is not None:
        ordered = _by_rank(_shared(packed), order)
        tells |= is_among(other, np.sort(ordered.packed[ordered.first[ordered.first >= 0]]))
    flags = np.zeros(len(pairs), dtype=bool)
    flags[pair[tells]] = True
    return flags


@dataclass(frozen=True, slots=True)
class _Groups:
    """Packed keys in order, and how many builds share each."""

    packed: Packed
    sizes: Places

    def of(self, flags: Flags) -> _Groups:
        return _Groups(self.packed[np.repeat(flags, self.sizes)], self.sizes[flags])


def _shared(packed: Packed) -> _Groups:
    """The keys that two builds share; most are one build's own and leave at once."""
    is_next = np.zeros(len(packed) + 1, dtype=bool)
    np.less(packed[1:] ^ packed[:-1], np.uint64(1) << NUMBER_BITS, out=is_next[1:-1])
    is_shared = is_next[1:] | is_next[:-1]
    starts = np.flatnonzero(~is_next[:-1][is_shared])
    return _Groups(packed[is_shared], np.diff(starts, append=int(is_shared.sum())))


def _within(groups: _Groups, order: Order, wanted: Wanted | None) -> Pairs:
    """All pairs of the builds of each key, some more than once."""
    packed = groups.packed
    number = numbers_of(packed)
    rank, owner = order.rank[number], order.owner[number]
    is_wanted = None if wanted is None else wanted(packed)
    is_last = np.zeros(len(packed), dtype=bool)
    is_last[np.cumsum(groups.sizes) - 1] = True
    one = np.flatnonzero(~is_last)
    found, other = [NO_KEYS], one + 1
    while len(one):  # each with the next one, then with the one after it
        is_pair = owner[one] != owner[other]
        if is_wanted is not None:
            is_pair &= is_wanted[one] | is_wanted[other]
        found.append(_later_first(rank[one[is_pair]], rank[other[is_pair]]))
        goes_on = ~is_last[other]
        one, other = one[goes_on], other[goes_on] + 1
    return np.concatenate(found)


def _with_earliest(groups: _Groups, order: Order, wanted: Wanted | None) -> Pairs:
    """Each build of each key with the earliest build of the earliest owners, some pairs more than once."""
    ordered = _by_rank(groups, order)
    packed = ordered.packed
    number = numbers_of(packed)
    rank, owner = order.rank[number], order.owner[number]
    is_wanted = np.ones(len(packed), dtype=bool) if wanted is None else wanted(packed)
    found = [NO_KEYS]
    for first in ordered.first:
        other = first[ordered.group]
        one = np.flatnonzero((other >= 0) & (np.arange(len(other)) > other) & (owner != owner[other]))
        one = one[is_wanted[one] | is_wanted[other[one]]]
        found.append(_later_first(rank[one], rank[other[one]]))
    return np.concatenate(found)


@dataclass(frozen=True, slots=True)
class _Ordered:
    """Builds of each key by rank.

    Attributes
    ----------
    packed, group : keys, and which one of all.
    first : `MOST_SHARING` x groups; places of the first build of the first owner, of the second one, and so on; or -1.
    """

    packed: Packed
    group: Places
    first: Places


def _by_rank(groups: _Groups, order: Order) -> _Ordered:
    group = np.repeat(np.arange(len(groups.sizes)), groups.sizes)
    packed = groups.packed[np.argsort(group << 32 | order.rank[numbers_of(groups.packed)], kind="stable")]
    of_owner = group << 32 | order.owner[numbers_of(packed)]
    ordered = np.argsort(of_owner, kind="stable")
    is_first = np.ones(len(ordered), dtype=bool)
    is_first[1:] = np.diff(of_owner[ordered]) > 0
    first = np.sort(ordered[is_first])
    nth = np.arange(len(first)) - np.searchsorted(group[first], group[first])
    first, nth = first[nth < MOST_SHARING], nth[nth < MOST_SHARING]
    places = np.full((MOST_SHARING, len(groups.sizes)), -1, dtype=np.int64)
    places[nth, group[first]] = first
    return _Ordered(packed, group, places)


def _later_first(one: Places, other: Places) -> Pairs:
    return pairs_of(np.maximum(one, other), np.minimum(one, other))
