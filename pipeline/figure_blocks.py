"""By which figures builds are worth comparing: keys, of which like builds share one. Never all against all.

Figures are laid into bins; a figure covers every bin that its printed digits touch, so that two figures which agree
within their digits always meet in one. A key of several bins is shared by few builds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
#: Bits of a packed key that hold the number of its build, which leaves room for 16 million builds.
NUMBER_BITS = np.uint64(24)
#: Boosted runs of a build that are laid into keys of two: the lowest ones (a table prints fewer).
MOST_LEVELS = 8

Cover = tuple[pl.Expr, float]
#: Keys of builds, each packed with the number of its build.
Packed = npt.NDArray[np.uint64]


def half_step(step: str, tolerance: float) -> pl.Expr:
    """Half the last printed digit; the tolerance where the digit is not known."""
    return pl.col(step).fill_null(0.0) / 2 + tolerance


def keyed(frame: pl.DataFrame, covers: Mapping[str, Cover], look: int, words: Sequence[str] = ()) -> Packed:
    """A key for each combination of bins that a row covers, packed with the number of its build.

    Parameters
    ----------
    frame : number, the value columns and the word columns.
    covers : value column -> (half-width that it covers, bin width).
    look : keys of different looks never meet.
    words : columns that enter the key as they are.
    """
    whole = [((pl.col(n) + sign * pl.min_horizontal(half, pl.lit(width / 2))) / width).floor().cast(pl.Int32).alias(f"{n}_{end}")
             for n, (half, width) in covers.items() for sign, end in ((-1, "low"), (1, "high"))]  # fmt: skip
    cells = frame.select("number", *words, *whole).drop_nulls()
    for name in covers:
        low, high = f"{name}_low", f"{name}_high"
        # Most figures touch one bin; only those that touch two make a second row.
        second = cells.filter(pl.col(low) != pl.col(high)).with_columns(pl.col(high).alias(low))
        cells = pl.concat([cells, second])
    # Two keys that fall on one hash only add a pair that a closer look drops.
    key = pl.struct(*words, *(f"{name}_low" for name in covers)).hash(look)
    return pack(cells.select(key=key)["key"], cells["number"])


def pack(key: pl.Series, number: pl.Series) -> Packed:
    """A hash and a build's number in one integer: the hash gives up its last bits."""
    return key.to_numpy() >> NUMBER_BITS << NUMBER_BITS | number.to_numpy().astype(np.uint64)


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of builds that keys are made of, each once.

    Attributes
    ----------
    base : number, base, base_step: baselines.
    boosted : number, boost, boost_step, power, power_step: boosted runs.
    steps : each boosted run beside each baseline of its build.
    """

    base: pl.DataFrame
    boosted: pl.DataFrame
    steps: pl.DataFrame


def figures_of(runs: pl.DataFrame) -> Figures:
    """The figures of runs: number, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa; runs without power leave."""
    runs = runs.filter(pl.col("power_kw").is_not_null())
    base = runs.filter(pl.col("role") == "baseline").select("number", base="power_kw", base_step="power_step_kw").unique()
    boosted = (
        runs.filter(pl.col("role") == "boosted")
        .select("number", boost="boost_kpa", boost_step="boost_step_kpa", power="power_kw", power_step="power_step_kw")
        .unique()
    )
    return Figures(base, boosted, boosted.join(base, on="number"))


def _two_levels(boosted: pl.DataFrame) -> pl.DataFrame:
    """Each two boosted runs of a build, the lower boost first."""
    levels = boosted.sort("number", "boost", "power").filter(pl.int_range(pl.len()).over("number") < MOST_LEVELS)
    both = levels.join(levels, on="number", suffix="_b")
    return both.filter(pl.col("boost") < pl.col("boost_b"))


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


def exact_keys(figures: Figures) -> Packed:
    """Keys that builds share which have a baseline and a boosted run equal to the digit."""
    return keyed(figures.steps, equal("base", "boost", "power"), 0)


def near_keys(figures: Figures, tokens: pl.DataFrame) -> Packed:
    """Keys that builds share which have enough figures in common, or fewer and something about the engine, to be looked at closely.

    Parameters
    ----------
    figures : of the builds.
    tokens : number, token, is_name: what a build says about its engine, as a number that equal engines share.
    """
    steps, twos = figures.steps, _two_levels(figures.boosted)
    every, named = tokens.select("number", "token"), tokens.filter("is_name").select("number", "token")
    three = twos.join(figures.base, on="number").with_columns(
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
        (figures.boosted, named, equal("boost", "power")),
        (three, every, {**rounded("boost", "boost_b"), **ratio}),
    ]
    return np.concatenate(
        [
            keyed(frame, covers, look) if words is None else keyed(frame.join(words, on="number"), covers, look, ["token"])
            for look, (frame, words, covers) in enumerate(looks, start=1)
        ]
    )
