"""Which points form one curve.

Points of one curve agree in publisher, build, run and whatever else is said of a run in words (session, day, fuel ...);
a word that is written once and left empty below it holds for the rows below. Where no run is named, a speed that falls
back to its start begins another pull.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.fields import FIELDS

#: What names a curve; the rest only tells curves of one name apart.
NAMES = ("number", "publisher", "build", "run")
#: Numbers that belong to a pull as a whole.
COUNTED = frozenset({"pull_order"})
#: Words that say nothing of which run a point belongs to.
REMARKS = frozenset({"note"})
#: A step of this share of all speeds of a curve, against its direction, begins another pull; each pull covers so much of them.
JUMP_SHARE, PULL_SHARE = 0.5, 0.4
FEWEST_POINTS = 3


def _tells_apart(name: str) -> bool:
    field = FIELDS.get(name)
    return field is not None and (field.kind in ("text", "code", "date", "flag") or name in COUNTED) and name not in REMARKS


def group_points(points: pl.DataFrame) -> pl.DataFrame:
    """Points with the number of their curve, curve after curve.

    Parameters
    ----------
    points : line, number (of the side), rpm, and any fields of runs and builds; in the order of the lines.

    Returns
    -------
    The points with curve (from 0, in order of first appearance) and passes (pulls that a named run is made of).
    """
    if points.is_empty():
        return points.with_columns(curve=pl.lit(0, pl.Int64), passes=pl.lit(1, pl.Int64))
    names = [n for n in NAMES if n in points.columns]
    apart = [n for n in points.columns if n not in NAMES and _tells_apart(n) and points[n].null_count() < points.height]
    told = [n for n in (*names, *apart)]
    changes = pl.any_horizontal(pl.col(n).ne_missing(pl.col(n).shift()) for n in told)
    marked = points.with_columns(_block=changes.fill_null(True).cum_sum())
    first = marked["_block"].diff().fill_null(1) != 0
    blocks = marked.filter(first).select("_block", *told)
    settled = [_settled(n, names) for n in apart]
    blocks = blocks.with_columns(settled).with_columns(_key=pl.struct(told))
    numbers = blocks.select(pl.col("_key").unique(maintain_order=True)).with_row_index("curve")
    joined = blocks.join(numbers, on="_key", how="left", nulls_equal=True, maintain_order="left")
    curve = joined["curve"].cast(pl.Int64).gather(marked["_block"] - 1)
    grouped = marked.drop("_block").with_columns(curve=curve)
    if (np.diff(curve.to_numpy()) < 0).any():
        grouped = grouped.sort("curve", maintain_order=True)
    return _split_pulls(grouped)


def _settled(name: str, names: list[str]) -> pl.Expr:
    """A word that tells curves of one name apart: carried down over empty cells; ignored where all stated ones agree."""
    here = pl.col(name)
    several = (here.drop_nulls().n_unique() > 1).over(names)
    return pl.when(several).then(here.forward_fill().over(names)).alias(name)


def _split_pulls(points: pl.DataFrame) -> pl.DataFrame:
    """Part unnamed curves where another pull begins; count the pulls of named ones."""
    curve, rpm = points["curve"].to_numpy(), points["rpm"].fill_null(strategy="forward").fill_null(0.0).to_numpy()
    starts = np.flatnonzero(np.diff(curve, prepend=-1))
    low, high = np.minimum.reduceat(rpm, starts), np.maximum.reduceat(rpm, starts)
    number = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(curve)))
    span = (high - low)[number]
    jump = np.abs(np.diff(rpm, prepend=rpm[0])) > JUMP_SHARE * span
    jump[starts] = False
    if not jump.any():
        return points.with_columns(passes=pl.lit(1, pl.Int64))
    pull_starts = np.flatnonzero(jump | (np.diff(curve, prepend=-1) != 0))
    sizes = np.diff(pull_starts, append=len(curve))
    covered = np.maximum.reduceat(rpm, pull_starts) - np.minimum.reduceat(rpm, pull_starts)
    owner = number[pull_starts]
    whole = (sizes >= FEWEST_POINTS) & (covered >= PULL_SHARE * span[pull_starts])
    # One misprinted speed jumps there and back again: only where every part is a pull are there pulls.
    proven = np.bincount(owner, weights=~whole) == 0
    pulls = np.where(proven, np.bincount(owner), 1)
    order = np.arange(len(pull_starts)) - np.flatnonzero(np.diff(owner, prepend=-1))[owner] + 1
    return _number_pulls(points, np.repeat(order, sizes), pulls[number])


def _number_pulls(points: pl.DataFrame, order: npt.NDArray[np.int64], pulls: npt.NDArray[np.int64]) -> pl.DataFrame:
    named = pl.col("run").is_not_null() if "run" in points.columns else pl.lit(False)
    made = points.with_columns(_order=pl.Series(order), passes=pl.Series(pulls))
    parted = ~named & (pl.col("passes") > 1)
    stated = pl.col("pull_order") if "pull_order" in points.columns else pl.lit(None, pl.Int64)
    made = made.with_columns(
        pull_order=pl.when(parted).then(pl.coalesce(stated, pl.col("_order"))).otherwise(stated),
        _order=pl.when(parted).then("_order").otherwise(1),
    )
    new = (pl.col("curve").diff().fill_null(1) != 0) | (pl.col("_order").diff().fill_null(0) != 0)
    return made.with_columns(curve=new.cast(pl.Int64).cum_sum() - 1).drop("_order")
