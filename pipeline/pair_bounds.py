"""How much two builds can have in common at most: counts that drop chance pairs before their rows are laid together.

Bins bring builds together by the million that agree in little. For each build its rows stand beside one another in a matrix, so that
many pairs are counted at once. The counts are bounds: no pair that a closer look would keep has less.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW
from pipeline.memory import processors

#: Different rows of a build that are counted; pairs with a build of more are always looked at closely.
MOST_ROWS = 12
#: Pairs counted at a time: what they need stays in the processor's cache.
PAIRS_TOGETHER = 10_000
#: What single precision, which counts twice as fast, and steps of one unit that differ in their last bit may take from a bound.
WIDER = 1.01

Floats = npt.NDArray[np.float32]
Ranks = npt.NDArray[np.uint32]
_FIGURES = ("power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa")


@dataclass(frozen=True, slots=True)
class RowMatrix:
    """Rows of all builds, one build a column, so that an operation runs along many pairs.

    Attributes
    ----------
    power_kw, power_step_kw, boost_kpa, boost_step_kpa : rows x builds.
    is_boosted, is_there : rows x builds; whether there is such a row at all.
    is_long : builds; more different rows than the matrix holds.
    """

    power_kw: Floats
    power_step_kw: Floats
    boost_kpa: Floats
    boost_step_kpa: Floats
    is_boosted: npt.NDArray[np.bool_]
    is_there: npt.NDArray[np.bool_]
    is_long: npt.NDArray[np.bool_]

    def of(self, ranks: Ranks) -> tuple[npt.NDArray[Any], ...]:
        """The columns of some builds, in the order of the attributes."""
        figures = (self.power_kw, self.power_step_kw, self.boost_kpa, self.boost_step_kpa, self.is_boosted, self.is_there)
        return tuple(np.take(matrix, ranks, axis=1) for matrix in figures)


def row_matrix(runs: pl.DataFrame, builds: int) -> RowMatrix:
    """Lay the rows of each build beside one another.

    Parameters
    ----------
    runs : rank (0 to `builds` - 1), role (``baseline`` or ``boosted``), power_kw, power_step_kw, boost_kpa, boost_step_kpa.
    builds : how many builds there are.
    """
    ranks = runs["rank"].to_numpy()
    order = np.argsort(ranks, kind="stable")
    ranks = ranks[order]
    place = np.arange(len(ranks)) - np.searchsorted(ranks, ranks)
    is_long = np.zeros(builds, dtype=bool)
    is_long[ranks[place >= MOST_ROWS]] = True
    order, ranks, place = order[place < MOST_ROWS], ranks[place < MOST_ROWS], place[place < MOST_ROWS]
    rows = runs.select("role", *_FIGURES)[order]
    width = int(place.max(initial=0)) + 1
    at = place, ranks
    figures = [np.zeros((width, builds), dtype=np.float32) for _ in _FIGURES]
    for matrix, name in zip(figures, _FIGURES, strict=True):
        matrix[at] = rows[name].fill_null(0.0).to_numpy()  # an unknown step gives no slack
    flags = [np.zeros((width, builds), dtype=bool) for _ in range(2)]
    flags[0][at] = (rows["role"] == "boosted").to_numpy()
    flags[1][at] = True
    return RowMatrix(figures[0], figures[1], figures[2], figures[3], flags[0], flags[1], is_long)


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
    (figures of rows with equal powers whose boosts agree), `is_long` (a build has more rows than are counted; the counts say nothing).
    """
    here, there = pairs["rank"].to_numpy(), pairs["rank_2"].to_numpy()
    parts = [slice(i, i + PAIRS_TOGETHER) for i in range(0, len(here), PAIRS_TOGETHER)]
    with ThreadPoolExecutor(processors()) as pool:  # NumPy leaves Python's lock while it counts
        counted = list(pool.map(lambda part: _count(here[part], there[part], rows), parts))
    counts = np.concatenate(counted) if counted else np.zeros((0, 4), dtype=np.int16)
    made = pl.DataFrame(counts, schema=["figures", "levels", "baselines", "equal"], orient="row")
    return made.with_columns(is_long=pl.Series(rows.is_long[here] | rows.is_long[there], dtype=pl.Boolean))


def _count(here: Ranks, there: Ranks, rows: RowMatrix) -> npt.NDArray[np.int16]:
    """Row by row of the first builds against all rows of the second ones; an operation runs along the pairs."""
    counts = np.zeros((4, len(here)), dtype=np.int16)
    others = rows.of(there)
    for one in zip(*rows.of(here), strict=True):
        boosted = one[4]
        alike = (others[4] == boosted) & others[5] & one[5]
        power = np.abs(others[0] - one[0])
        near_power = alike & (power <= _slack(others[1], one[1], POWER_TOLERANCE_KW))
        near_boost = (np.abs(others[2] - one[2]) <= _slack(others[3], one[3], BOOST_TOLERANCE_KPA)) | ~boosted
        near_boost &= alike
        equal = (near_power & near_boost & (power <= np.float32(POWER_TOLERANCE_KW * WIDER))).any(axis=0)
        has_boost = near_boost.any(axis=0)
        level = has_boost & boosted
        counts += [near_power.any(axis=0).astype(np.int16) + level, level, has_boost & ~boosted, equal * (np.int16(1) + boosted)]
    return counts.T


def _slack(step: Floats, other: Floats, tolerance: float) -> Floats:
    """How far two figures may lie apart; those of one unit were not converted and must be equal."""
    return np.asarray((step + other) * ((step != other) * np.float32(0.5 * WIDER)) + np.float32(tolerance * WIDER))
