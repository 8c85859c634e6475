"""How much two builds can have in common at most: counts that drop chance pairs before their rows are laid together.

Bins bring builds together by the million that agree in little. The rows of each build stand beside one another in a matrix, so that
many pairs are counted at once. The counts are bounds: no pair that a closer look would keep has less.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW, Places, order_of
from pipeline.memory import processors

#: Different rows of a build that are counted; pairs with a build of more are always looked at closely.
MOST_ROWS = 12
#: Pairs counted at a time: what they need stays in the processor's cache.
PAIRS_TOGETHER = 10_000
#: What single precision, which counts twice as fast, and steps of one unit that differ in their last bit may take from a bound.
WIDER = 1.01

#: Powers of two builds in one ratio are taken for one test up to this ratio at most.
MOST_RATIO = 1.2

Floats = npt.NDArray[np.float32]
_Doubles = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
_COUNTS = ("figures", "levels", "baselines", "equal", "fine", "scaled")
_FIGURES = ("power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa")


@dataclass(frozen=True, slots=True)
class RowMatrix:
    """Rows of all builds; those of one build lie in one piece of memory, from where they are fetched at once.

    Powers of baselines are negative, so that rows of one role alone agree; NaN stands where there is no row.

    Attributes
    ----------
    figures : builds x (power_kw, power_step_kw, boost_kpa, boost_step_kpa) x rows; an unknown step is 0 and gives no slack.
    reach : builds x (lowest and highest power, lowest and highest boost) x rows: ranges that overlap where two figures agree
        within their digits; none for the boosts of baselines.
    is_long : builds; more different rows than the matrix holds.
    base : power and step of the baseline x builds, where there is one alone, else NaN.
    """

    figures: Floats
    reach: Floats
    is_long: Flags
    base: _Doubles


def row_matrix(runs: pl.DataFrame, builds: int) -> RowMatrix:
    """Lay the rows of each build beside one another.

    Parameters
    ----------
    runs : rank (0 to `builds` - 1), role (``baseline`` or ``boosted``), power_kw, power_step_kw, boost_kpa, boost_step_kpa.
    builds : how many builds there are.
    """
    ranks = runs["rank"].to_numpy().astype(np.int64)
    order = order_of(ranks)
    ranks, is_boosted = ranks[order], (runs["role"] == "boosted").to_numpy()[order]
    power, power_step, boost, boost_step = (np.nan_to_num(runs[n].cast(pl.Float64).to_numpy())[order] for n in _FIGURES)
    sizes = np.bincount(ranks, minlength=builds)
    place = np.arange(len(ranks)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    width = min(int(sizes.max(initial=1)), MOST_ROWS)
    fits = place < width
    at = (ranks * (len(_FIGURES) * width) + place)[fits]
    laid = np.full((builds, len(_FIGURES), width), np.nan)
    for column, values in enumerate((np.where(is_boosted, power, -power), power_step, boost, boost_step)):
        laid.ravel()[at + column * width] = values[fits]
    reach = np.empty(laid.shape, dtype=np.float32)
    for column, tolerance in ((0, POWER_TOLERANCE_KW), (2, BOOST_TOLERANCE_KPA)):
        half = (laid[:, column + 1] + tolerance) * (0.5 * WIDER)
        reach[:, column] = np.nextafter((laid[:, column] - half).astype(np.float32), np.float32(-np.inf))
        reach[:, column + 1] = np.nextafter((laid[:, column] + half).astype(np.float32), np.float32(np.inf))
    reach[:, 2:][np.repeat(laid[:, :1] < 0, 2, axis=1)] = np.nan
    base, base_ranks = np.full((2, builds), np.nan), ranks[~is_boosted]
    base[:, base_ranks] = power[~is_boosted], power_step[~is_boosted]
    base[:, np.bincount(base_ranks, minlength=builds) > 1] = np.nan
    return RowMatrix(laid.astype(np.float32), reach, sizes > MOST_ROWS, base)


def may_be_equal(pairs: pl.DataFrame, rows: RowMatrix) -> Flags:
    """Whether baselines of each pair can be equal to the digit, by the one baseline that most builds have."""
    apart = np.abs(rows.base[0, pairs["rank"].to_numpy()] - rows.base[0, pairs["rank_2"].to_numpy()])
    return ~(apart > POWER_TOLERANCE_KW * WIDER)


def may_agree(pairs: pl.DataFrame, rows: RowMatrix) -> Flags:
    """Whether two figures of each pair can agree: in far fewer steps than :func:`count_at_most` takes, and most pairs have none."""

    def look(here: Places, there: Places) -> Flags:
        count = np.zeros(len(here), dtype=np.int8)
        ones, others = _columns(rows.reach, here), _columns(rows.reach, there)
        for low, high in ((0, 1), (2, 3)):
            for one_low, one_high in zip(ones[low], ones[high], strict=True):
                meets = one_low <= others[high]
                meets &= others[low] <= one_high
                count += meets.any(axis=0)
        return (count >= 2) | rows.is_long[here] | rows.is_long[there]

    return np.concatenate([np.zeros(0, dtype=bool), *_in_parts(look, pairs)])


def count_at_most(pairs: pl.DataFrame, rows: RowMatrix) -> pl.DataFrame:
    """Bounds of what each pair has in common.

    Parameters
    ----------
    pairs : rank, rank_2.
    rows : as :func:`row_matrix` gives them.

    Returns
    -------
    One row a pair, in their order: `figures` (powers that agree within their digits, and boosts of boosted rows), `levels` (boosted
    rows with a counterpart at their boost), `baselines` (unboosted rows of the first build, where the second has one too), `equal`
    (figures of rows with equal powers whose boosts agree), `fine` (rows of which power and boost agree within their digits), `scaled`
    (boosted rows with a counterpart at their boost, their powers in the ratio of the baselines), `has_base` (either build has one
    baseline; else `scaled` says nothing), `is_long` (a build has more rows than are counted; nothing else says anything).
    """

    def look(here: Places, there: Places) -> npt.NDArray[np.int16]:
        return _count(_columns(rows.figures, here), _columns(rows.figures, there), rows.base[:, here], rows.base[:, there])

    counts = np.concatenate([np.zeros((6, 0), dtype=np.int16), *_in_parts(look, pairs)], axis=1)
    here, there = pairs["rank"].to_numpy(), pairs["rank_2"].to_numpy()
    flags = {
        "is_long": rows.is_long[here] | rows.is_long[there],
        "has_base": np.isfinite(rows.base[0, here] + rows.base[0, there]),
    }
    return pl.DataFrame({**dict(zip(_COUNTS, counts, strict=True)), **flags})


def _in_parts(look: Callable[[Places, Places], npt.NDArray[Any]], pairs: pl.DataFrame) -> list[npt.NDArray[Any]]:
    """What a look at the ranks here and there gives of some pairs, then of the next ones, on all processors."""
    here, there = (pairs[name].to_numpy().astype(np.int64) for name in ("rank", "rank_2"))
    parts = [slice(i, i + PAIRS_TOGETHER) for i in range(0, len(here), PAIRS_TOGETHER)]
    with ThreadPoolExecutor(processors()) as pool:  # NumPy leaves Python's lock while it counts
        return list(pool.map(lambda part: look(here[part], there[part]), parts))


def _columns(matrix: Floats, ranks: Places) -> Floats:
    """Columns x rows x builds of some builds: fetched build by build, then turned, so that an operation runs along the pairs."""
    return np.ascontiguousarray(np.take(matrix.reshape(len(matrix), -1), ranks, axis=0).T).reshape(*matrix.shape[1:], -1)


def _count(ones: Floats, others: Floats, base: _Doubles, other_base: _Doubles) -> npt.NDArray[np.int16]:
    """Row by row of the first builds against all rows of the second ones."""
    counts = np.zeros((6, ones.shape[2]), dtype=np.int16)
    ratio, off = other_base[0] / base[0], MOST_RATIO * base[1] + other_base[1] + 2 * POWER_TOLERANCE_KW
    for power, power_step, boost, boost_step in zip(*ones, strict=True):
        boosted = power > 0
        apart = np.abs(others[0] - power)
        near_power = apart <= _slack(others[1], power_step, POWER_TOLERANCE_KW)
        near_boost = (np.abs(others[2] - boost) <= _slack(others[3], boost_step, BOOST_TOLERANCE_KPA)) | ~boosted
        near_boost &= others[0] * power > 0
        fine = near_power & near_boost
        equal = (fine & (apart <= np.float32(POWER_TOLERANCE_KW * WIDER))).any(axis=0)
        has_boost = near_boost.any(axis=0)
        level = has_boost & boosted
        # the ratio that all rows of a pair have differs from that of the baselines by what their digits leave open
        most_off = (MOST_RATIO * power_step + 2 * POWER_TOLERANCE_KW + power / base[0] * off) * (0.5 * WIDER)
        in_ratio = np.abs(others[0] - (ratio * power).astype(np.float32)) <= others[1] * np.float32(
            0.5 * WIDER
        ) + most_off.astype(np.float32)
        scaled = (in_ratio & near_boost).any(axis=0) & boosted
        near = near_power.any(axis=0).astype(np.int16) + level
        counts += [near, level, has_boost & ~boosted, equal * (np.int16(1) + boosted), fine.any(axis=0), scaled]
    return counts


def _slack(step: Floats, other: Floats, tolerance: float) -> Floats:
    """How far two figures may lie apart; those of one unit were not converted and must be equal."""
    return np.asarray((step + other) * ((step != other) * np.float32(0.5 * WIDER)) + np.float32(tolerance * WIDER))
