"""Pairs of builds that share a key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.figure_blocks import NUMBER_BITS, Packed

#: Builds of one key that each other one is compared with, where figures are equal: so the work stays linear where very many share
#: one (copied filler, round figures).
MOST_SHARING = 20
#: A near key that more builds share says nothing: so many agree by chance, and nobody could judge the pairs.
MOST_ALIKE = 6

_PAIR_SCHEMA = {"rank": pl.UInt32, "rank_2": pl.UInt32}


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be known of a build by its number.

    Attributes
    ----------
    rank : numbers; place of the build among all, earliest publication first; -1 where no build has the number.
    owner : numbers; who is not compared with itself.
    """

    rank: npt.NDArray[np.int64]
    owner: npt.NDArray[np.int64]


def numbers_of(packed: Packed) -> npt.NDArray[np.int64]:
    """The builds' numbers of packed keys."""
    return (packed & ((np.uint64(1) << NUMBER_BITS) - np.uint64(1))).view(np.int64)


def distinct(keys: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Each once, in order; NumPy's own way takes several times as long."""
    ordered = keys if bool(np.all(keys[1:] >= keys[:-1])) else np.sort(keys)
    is_new = _is_new(ordered)
    return ordered if is_new.all() else ordered[is_new]


def sharing(packed: Packed, some: Packed) -> Packed:
    """Those of all packed keys (in order) whose key is one of some packed ones."""
    keys = distinct(some >> NUMBER_BITS)
    starts = np.searchsorted(packed, keys << NUMBER_BITS)
    ends = np.searchsorted(packed, (keys + np.uint64(1)) << NUMBER_BITS)
    sizes = ends - starts
    offsets = np.arange(sizes.sum()) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    return packed[np.repeat(starts, sizes) + offsets]


def telling_pairs(packed: Packed, order: Order) -> pl.DataFrame:
    """Pairs of the keys that few builds share (`MOST_ALIKE`).

    Parameters
    ----------
    packed : keys in order, each once.
    order : of every number in them.

    Returns
    -------
    rank, rank_2 : the later and the earlier build, of different owners, each pair once, in order.
    """
    sizes = _group_sizes(packed)
    return _within(packed[np.repeat((sizes > 1) & (sizes <= MOST_ALIKE), sizes)], order, MOST_ALIKE)


def equal_pairs(packed: Packed, order: Order) -> pl.DataFrame:
    """As :func:`telling_pairs`, of all keys; where many builds share one, each is paired with the earliest of each owner alone."""
    sizes = _group_sizes(packed)
    few = _within(packed[np.repeat((sizes > 1) & (sizes <= MOST_SHARING), sizes)], order, MOST_SHARING)
    many = packed[np.repeat(sizes > MOST_SHARING, sizes)]
    return pl.concat([few, _with_earliest(many, order)]).unique().sort("rank", "rank_2")


def _is_new(ordered: npt.NDArray[np.uint64]) -> npt.NDArray[np.bool_]:
    return np.concatenate([np.ones(min(1, len(ordered)), dtype=bool), ordered[1:] != ordered[:-1]])


def _group_sizes(packed: Packed) -> npt.NDArray[np.int64]:
    return np.diff(np.flatnonzero(_is_new(packed >> NUMBER_BITS)), append=len(packed))


def _within(packed: Packed, order: Order, most: int) -> pl.DataFrame:
    """All pairs of the builds of each key; no key has more than `most`."""
    key, number = packed >> NUMBER_BITS, numbers_of(packed)
    rank, owner = order.rank[number], order.owner[number]
    found = [np.zeros(0, dtype=np.uint64)]
    for apart in range(1, most):
        is_pair = (key[apart:] == key[:-apart]) & (owner[apart:] != owner[:-apart])
        one, other = rank[apart:][is_pair].astype(np.uint64), rank[:-apart][is_pair].astype(np.uint64)
        found.append(np.maximum(one, other) << np.uint64(32) | np.minimum(one, other))
    pairs = distinct(np.concatenate(found))
    return pl.DataFrame(
        {"rank": (pairs >> np.uint64(32)).astype(np.uint32), "rank_2": pairs.astype(np.uint32)}, schema=_PAIR_SCHEMA
    )


def _with_earliest(packed: Packed, order: Order) -> pl.DataFrame:
    number = numbers_of(packed)
    held = pl.DataFrame({"key": packed >> NUMBER_BITS, "rank": order.rank[number], "owner": order.owner[number]}).sort(
        "key", "rank"
    )
    first = held.unique(["key", "owner"], keep="first", maintain_order=True)
    few = first.filter(pl.int_range(pl.len()).over("key") < MOST_SHARING)
    met = held.join(few.rename({"rank": "rank_2", "owner": "owner_2"}), on="key")
    return met.filter((pl.col("rank") > pl.col("rank_2")) & (pl.col("owner") != pl.col("owner_2"))).select(
        pl.col("rank", "rank_2").cast(pl.UInt32)
    )
