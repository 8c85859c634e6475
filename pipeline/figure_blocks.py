"""Which builds are worth comparing: those that share figures. One hash join, never all against all.

Figures are laid into bins; a figure covers every bin that its printed digits touch, so that two figures which agree
within their digits always meet in one. A key of several bins is shared by few builds. Where very many share one
(copied filler, round figures), each is compared with the earliest of them, so that the work stays linear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

#: Equal after conversion: two printings of one figure differ by floating point only.
POWER_TOLERANCE_KW = 0.02
BOOST_TOLERANCE_KPA = 0.02
#: Width of the bins in which equal figures must meet: wide beside the tolerance, so that most touch one bin only.
EXACT_WIDTH = 0.5
#: Widths for figures that agree within their digits: a whole kW or hp, a whole psi.
POWER_WIDTH_KW = 1.0
BOOST_WIDTH_KPA = 7.0
#: Width for boosted over unboosted power; two standards put a power apart by at most this share (natural logarithm).
RATIO_WIDTH, STANDARDS_APART = 0.01, 0.1
#: Builds of one key that each other one is compared with, where figures are equal.
MOST_SHARING = 20
#: A near key that more builds share says nothing: so many agree by chance, and nobody could judge the pairs.
MOST_ALIKE = 6
#: Boosted runs of a build that are laid into keys of two: the lowest ones (a table prints fewer).
MOST_LEVELS = 8

Cover = tuple[pl.Expr, float]


def half_step(step: str, tolerance: float) -> pl.Expr:
    """Half the last printed digit; the tolerance where the digit is not known."""
    return pl.col(step).fill_null(0.0) / 2 + tolerance


def keyed(frame: pl.DataFrame, covers: Mapping[str, Cover], words: Sequence[str] = ()) -> pl.DataFrame:
    """rank, owner and a key for each combination of bins that a row covers.

    Parameters
    ----------
    frame : rank, owner, the value columns and the word columns.
    covers : value column -> (half-width that it covers, bin width).
    words : columns that enter the key as they are.
    """
    whole = [((pl.col(n) + sign * pl.min_horizontal(half, pl.lit(width / 2))) / width).floor().cast(pl.Int32).alias(f"{n}_{end}")
             for n, (half, width) in covers.items() for sign, end in ((-1, "low"), (1, "high"))]  # fmt: skip
    cells = frame.select("rank", "owner", *words, *whole).drop_nulls()
    for name in covers:
        low, high = f"{name}_low", f"{name}_high"
        # Most figures touch one bin; only those that touch two make a second row.
        second = cells.filter(pl.col(low) != pl.col(high)).with_columns(pl.col(high).alias(low))
        cells = pl.concat([cells, second])
    # Two keys that fall on one hash only add a pair that a closer look drops.
    return cells.select("rank", "owner", key=pl.struct(*words, *(f"{name}_low" for name in covers)).hash())


def sharing_pairs(keys: pl.DataFrame) -> pl.DataFrame:
    """Pairs of builds of different owner that share a key; each build with the earliest ones of its key.

    Parameters
    ----------
    keys : rank (one number a build, earliest publication first), owner (who is not compared with itself), key.

    Returns
    -------
    rank, rank_2 : the later and the earlier build, each pair once.
    """
    shared = keys.filter(pl.col("key").is_duplicated()).unique().sort("key", "rank", "owner")
    first = shared.unique(["key", "owner"], keep="first", maintain_order=True)
    few = first.filter(pl.int_range(pl.len()).over("key") < MOST_SHARING)
    met = shared.join(few.rename({"rank": "rank_2", "owner": "owner_2"}), on="key")
    return (
        met.filter((pl.col("rank") > pl.col("rank_2")) & (pl.col("owner") != pl.col("owner_2"))).select("rank", "rank_2").unique()
    )


def telling_pairs(keys: pl.DataFrame) -> pl.DataFrame:
    """As :func:`sharing_pairs`, but all pairs of the keys that few builds share, and none of the others (`MOST_ALIKE`)."""
    rank, owner = keys["rank"].to_numpy(), keys["owner"].to_numpy()
    owner_of = np.zeros(int(rank.max(initial=0)) + 1, dtype=owner.dtype)
    owner_of[rank] = owner
    # Key and build in one number sort some ten times faster than two columns; what the key loses at its end makes two keys fall
    # together once in millions.
    bits = np.uint64(len(owner_of).bit_length())
    packed = _distinct(keys["key"].to_numpy() >> bits << bits | rank.astype(np.uint64))
    key, build = packed >> bits, packed & ((np.uint64(1) << bits) - np.uint64(1))
    starts = np.flatnonzero(np.concatenate([np.ones(min(1, len(key)), dtype=bool), key[1:] != key[:-1]]))
    sizes = np.diff(starts, append=len(key))
    is_telling = np.repeat((sizes > 1) & (sizes <= MOST_ALIKE), sizes)
    key, build = key[is_telling], build[is_telling]
    found = [np.zeros(0, dtype=np.uint64)]
    for apart in range(1, MOST_ALIKE):
        later, earlier = build[apart:], build[:-apart]
        is_pair = (key[apart:] == key[:-apart]) & (owner_of[later] != owner_of[earlier])
        found.append(later[is_pair] << np.uint64(32) | earlier[is_pair])
    pairs = _distinct(np.concatenate(found))
    return pl.DataFrame({"rank": (pairs >> np.uint64(32)).astype(np.uint32), "rank_2": pairs.astype(np.uint32)})


def _distinct(numbers: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Each number once, in order; NumPy's own way takes several times as long."""
    ordered = np.sort(numbers)
    return ordered[np.concatenate([np.ones(min(1, len(ordered)), dtype=bool), ordered[1:] != ordered[:-1]])]


def steps_of(runs: pl.DataFrame) -> pl.DataFrame:
    """Each boosted run beside each baseline of its build: rank, owner, base, base_step, boost, boost_step, power, power_step."""
    base = runs.filter(pl.col("role") == "baseline").select("rank", base="power_kw", base_step="power_step_kw").unique()
    return _boosted(runs).join(base, on="rank")


def two_levels_of(runs: pl.DataFrame) -> pl.DataFrame:
    """Each two boosted runs of a build, the lower boost first."""
    levels = _boosted(runs).sort("rank", "boost", "power").filter(pl.int_range(pl.len()).over("rank") < MOST_LEVELS)
    both = levels.join(levels.drop("owner"), on="rank", suffix="_b")
    return both.filter(pl.col("boost") < pl.col("boost_b"))


def _boosted(runs: pl.DataFrame) -> pl.DataFrame:
    return (
        runs.filter(pl.col("role") == "boosted")
        .select("rank", "owner", boost="boost_kpa", boost_step="boost_step_kpa", power="power_kw", power_step="power_step_kw")
        .unique()
    )


def equal(*names: str) -> dict[str, Cover]:
    """Covers for figures that must be equal."""
    return {name: (pl.lit(max(POWER_TOLERANCE_KW, BOOST_TOLERANCE_KPA)), EXACT_WIDTH) for name in names}


def rounded(*names: str) -> dict[str, Cover]:
    """Covers for figures that must agree within their printed digits."""
    covers = {}
    for name in names:
        stem = name.removesuffix("_b")
        step = f"{stem}_step" + ("_b" if name.endswith("_b") else "")
        width = BOOST_WIDTH_KPA if stem == "boost" else POWER_WIDTH_KW
        covers[name] = (half_step(step, POWER_TOLERANCE_KW), width)
    return covers


def exact_pairs(runs: pl.DataFrame) -> pl.DataFrame:
    """Pairs that share a baseline and a boosted run to the digit (`runs` with rank and owner)."""
    return sharing_pairs(keyed(steps_of(runs), equal("base", "boost", "power")))


def near_pairs(runs: pl.DataFrame, tokens: pl.DataFrame) -> pl.DataFrame:
    """Pairs that share enough figures, or fewer figures and something about the engine, to be looked at closely.

    Parameters
    ----------
    runs : rank, owner, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa.
    tokens : rank, token, is_name: what a build says about its engine, as a number that equal engines share.
    """
    steps, twos = steps_of(runs), two_levels_of(runs)
    every, named = tokens.select("rank", "token"), tokens.filter("is_name").select("rank", "token")
    base = steps.select("rank", "base", "base_step").unique()
    three = twos.join(base, on="rank").with_columns(
        size=pl.col("base").log(), low=pl.col("power") / pl.col("base"), high=pl.col("power_b") / pl.col("base")
    )
    half = pl.col("base_step").fill_null(0.0) / 2 / pl.col("base")
    ratio = {name: (half * (1 + pl.col(name)) + 1e-4, RATIO_WIDTH) for name in ("low", "high")}
    ratio["size"] = (pl.lit(STANDARDS_APART / 2), STANDARDS_APART)
    looks: list[tuple[pl.DataFrame, pl.DataFrame | None, dict[str, Cover]]] = [
        (steps, every, rounded("base", "boost", "power")),
        (three, None, rounded("base", "boost", "power", "boost_b", "power_b")),
        (twos, None, equal("boost", "power", "boost_b", "power_b")),
        (steps, named, equal("base", "boost")),
        (steps, named, equal("base", "power")),
        (_boosted(runs), named, equal("boost", "power")),
        (three, every, {**rounded("boost", "boost_b"), **ratio}),
    ]
    found = []
    for frame, words, covers in looks:
        keys = keyed(frame, covers) if words is None else keyed(frame.join(words, on="rank"), covers, ["token"])
        found.append(telling_pairs(keys))
    return pl.concat(found).unique().sort("rank", "rank_2")
