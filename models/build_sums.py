"""Per-build sums of the joint log-power model: what one pass over the runs has to give.

Model of a run (DEVELOPERS.md, Estimators)::

    P = P0_i * M * error,   M = 1 + s_i x + q c,   x = b / pa,   c = x (x - x_r)

A pass weighs every run at the *common* curve, so that weights never depend on the outcome of
the build they weigh, and returns 17 sums per unit. They add up across any partition of the
runs. Unboosted runs do not depend on the curve: their sums are taken once.

Boosted runs are laid out by their rank within the unit (every unit's first run, every unit's
second, ...), units with most runs first, so that a sum by unit is a few additions of whole
vectors, in blocks that fit the processor's cache. Sums are made in that order of units and put into
the order of the units at the end, a whole vector at a time: scattering each block cost as much as
all logarithms and divisions together. ``tests/bench/bench_build_sums.py`` measures it against one
polars and one DuckDB group-by of the same sums.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.plain_sums import Floats
from models.rule import REFERENCE_BOOST_RATIO

Ints = NDArray[np.int64]

#: The power ratio at a build's own slope never falls below this: a wild first guess must not meet ln(0).
LOWEST_POWER_RATIO = 0.2

#: Units per block of a pass: fewer, and calls cost more than figures; more, and the fifty or so columns of a block leave the cache.
BLOCK_ROWS = 8192

#: Boosted runs of a unit that are laid out for whole-vector sums; the rare unit with more has the rest summed one by one.
MOST_RANKS = 24

#: Rows of that rest per step.
TAIL_ROWS = 65536

_BOOSTED_SUMS = 15

#: Rows of a unit are ordered by their contents, so that the order in which they came cannot change a sum.
_ROW_ORDER = ("unit", "boost_kpa", "power", "ambient_kpa", "power_rel_sd", "boost_sd_kpa")


@dataclass(frozen=True, slots=True)
class RunColumns:
    """Runs as columns; all that the passes need and that never changes.

    Attributes
    ----------
    order : (n,) units by falling number of boosted runs, as far as these are laid out by rank.
    units_with : (K,) number of units with more than 0, 1, 2, ... boosted runs.
    rank_starts : (K,) first row of each rank; the rows of a rank stand in ``order``.
    tail_unit : unit of each row beyond the K ranks; these rows stand last.
    x, c : (m,) boost ratio b/pa [1] and c = x (x - x_r) [1].
    log_power : (m,) ln of power over the unit's mean (geometric) baseline [1].
    power_var : (m,) variance of ln power [1].
    boost_var : (m,) variance of the boost ratio by random gauge error [1].
    gauge_sd : (m,) sd of the boost ratio by the gauge's constant error, shared by a unit [1].
    base_weight, base_y, base_yy : (n,) sums of w, w y and w y^2 over the unit's baselines at phi = 1.
    baselines, boosted : (n,) runs of each kind.
    log_baseline : (n,) the ln of power that was taken off [ln of the power unit].
    session_var : (n,) variance of ln power between baseline and boosted session [1].
    """

    order: Ints
    units_with: Ints
    rank_starts: Ints
    tail_unit: Ints
    x: Floats
    c: Floats
    log_power: Floats
    power_var: Floats
    boost_var: Floats
    gauge_sd: Floats
    base_weight: Floats
    base_y: Floats
    base_yy: Floats
    baselines: Ints
    boosted: Ints
    log_baseline: Floats
    session_var: Floats


@dataclass(frozen=True, slots=True)
class PackedSums:
    """Sums of w times the products named, per unit, each of shape (n,).

    The letters: ``1`` level, ``d`` boosted or not, ``g`` gauge error, ``z`` = x/M, ``k`` = c/M, ``y``
    working response. As d = 1 on boosted rows and z, k, g vanish elsewhere, dd = d, dz = z and so on.
    """

    one: Floats
    d: Floats
    g: Floats
    z: Floats
    k: Floats
    y: Floats
    dy: Floats
    gg: Floats
    gz: Floats
    gk: Floats
    gy: Floats
    zz: Floats
    zk: Floats
    zy: Floats
    kk: Floats
    ky: Floats
    yy: Floats


def to_run_columns(runs: pl.DataFrame, units: pl.DataFrame) -> RunColumns:
    """Sort the runs by unit and take everything that no pass changes.

    Parameters
    ----------
    runs : unit (0..n-1), boost_kpa (0 for baselines), ambient_kpa, power, power_rel_sd, boost_sd_kpa.
    units : session_rel_sd, gauge_sd_kpa; row i is unit i. Every unit has a baseline and a boosted run.

    Notes
    -----
    The order in which rows came changes no bit of a sum. No copy of the frame is made, only of the columns read.
    """
    n = units.height
    values = _in_order(runs)
    unit, boost = values["unit"], values["boost_kpa"]
    base = np.flatnonzero(boost == 0.0)
    base_unit = unit[base]
    weight = 1.0 / values["power_rel_sd"][base] ** 2
    off = np.log(values["power"][base])
    count = np.bincount(base_unit, minlength=n)
    log_baseline = group_sums(base_unit, off, n) / count
    off -= log_baseline[base_unit]

    rows = np.flatnonzero(boost)
    layout, order, units_with, rank_starts, tail_unit = _rank_order(unit[rows], n)
    rows = rows[layout]
    unit = unit[rows]
    ambient = values["ambient_kpa"][rows]
    x = boost[rows] / ambient
    return RunColumns(
        order=order,
        units_with=units_with,
        rank_starts=rank_starts,
        tail_unit=tail_unit,
        x=x,
        c=x * (x - REFERENCE_BOOST_RATIO),
        log_power=np.log(values["power"][rows]) - log_baseline[unit],
        power_var=values["power_rel_sd"][rows] ** 2,
        boost_var=(values["boost_sd_kpa"][rows] / ambient) ** 2,
        gauge_sd=_floats(units, "gauge_sd_kpa")[unit] / ambient,
        base_weight=group_sums(base_unit, weight, n),
        base_y=group_sums(base_unit, weight * off, n),
        base_yy=group_sums(base_unit, weight * off * off, n),
        baselines=count,
        boosted=np.bincount(unit, minlength=n),
        log_baseline=log_baseline,
        session_var=_floats(units, "session_rel_sd") ** 2,
    )


def _in_order(runs: pl.DataFrame) -> dict[str, Any]:
    """Columns of the runs as arrays (m,), ordered by unit, then boost, then the other figures.

    A sample comes ordered by unit and boost: then only rows that agree in both (repeated pulls, baselines) are sorted.
    """
    rows = runs.select(pl.col("unit").cast(pl.Int64), *(pl.col(name).cast(pl.Float64) for name in _ROW_ORDER[1:]))
    unit, boost = rows["unit"].to_numpy(), rows["boost_kpa"].to_numpy()
    same, rises = unit[1:] == unit[:-1], boost[1:] > boost[:-1]
    alike = same & (boost[1:] == boost[:-1])
    if not ((unit[1:] > unit[:-1]) | (same & (rises | alike))).all():
        rows = rows.sort(_ROW_ORDER)
        return {name: rows[name].to_numpy() for name in _ROW_ORDER}
    values: dict[str, Any] = {"unit": unit, "boost_kpa": boost}
    tied = np.flatnonzero(np.append(alike, False) | np.insert(alike, 0, False))
    within = rows[tied].sort(_ROW_ORDER)
    for name in _ROW_ORDER[2:]:
        values[name] = rows[name].to_numpy(writable=True)
        values[name][tied] = within[name].to_numpy()
    return values


def sum_builds(columns: RunColumns, s_bar: float, q: float, s_own: Floats, phi: Floats) -> PackedSums:
    """One pass over the runs: the 17 sums of every unit.

    Parameters
    ----------
    columns : the sorted runs.
    s_bar, q : common slope and curvature at which design and weights stand.
    s_own : (n,) slope of each unit, used in the residual only.
    phi : (n,) scale of the error variance of each unit.

    Notes
    -----
    With Mb = 1 + s_bar x + q c: z = x/Mb, k = c/Mb, g = (s_bar + q (2x - x_r))/Mb per unit of boost ratio,
    y = ln P - ln(max(1 + s_own x + q c, 0.2)) + s_own z + q k, w = 1/(phi (var P + g^2 var x)).
    The gauge column is kept as g times the gauge's sd, so that its sweep has unit variance and every unit of pressure cancels.
    """
    n = columns.baselines.size
    out, own = np.zeros((_BOOSTED_SUMS, n)), s_own[columns.order]
    for first in range(0, n, BLOCK_ROWS):
        block = out[:, first : first + BLOCK_ROWS]
        for rank, reach in enumerate(columns.units_with):
            here = min(int(reach) - first, block.shape[1])
            if here <= 0:
                break
            begin, units = int(columns.rank_starts[rank]) + first, slice(first, first + here)
            products = _products(columns, slice(begin, begin + here), s_bar, q, own[units])
            for total, product in zip(block, products, strict=True):
                total[:here] += product
    place = np.empty(n, dtype=np.int64)
    place[columns.order] = np.arange(n)
    for total in out:
        total[:] = total[place]
    _add_tail(columns, s_bar, q, s_own, out)
    out /= phi
    d, g, z, k, dy, gg, gz, gk, gy, zz, zk, zy, kk, ky, yy = out
    base_weight, base_y, base_yy = columns.base_weight / phi, columns.base_y / phi, columns.base_yy / phi
    return PackedSums(d + base_weight, d, g, z, k, dy + base_y, dy, gg, gz, gk, gy, zz, zk, zy, kk, ky, yy + base_yy)


def _products(columns: RunColumns, rows: slice, s_bar: float, q: float, own: Floats) -> tuple[Floats, ...]:
    """Products of a slice of boosted rows, ``own`` the slope of each row's unit; one (rows,) array per sum."""
    x, c = columns.x[rows], columns.c[rows]
    inverse = 1.0 / np.maximum(1.0 + s_bar * x + q * c, LOWEST_POWER_RATIO)
    z, k = x * inverse, c * inverse
    slope = (s_bar + q * (2.0 * x - REFERENCE_BOOST_RATIO)) * inverse
    own_ratio = np.maximum(1.0 + own * x + q * c, LOWEST_POWER_RATIO)
    y = columns.log_power[rows] - np.log(own_ratio) + own * z + q * k
    w = 1.0 / (columns.power_var[rows] + slope * slope * columns.boost_var[rows])
    g = slope * columns.gauge_sd[rows]
    wg, wz, wk, wy = w * g, w * z, w * k, w * y
    return (w, wg, wz, wk, wy, wg * g, wg * z, wg * k, wg * y, wz * z, wz * k, wz * y, wk * k, wk * y, wy * y)


def _add_tail(columns: RunColumns, s_bar: float, q: float, s_own: Floats, out: Floats) -> None:
    """Add to ``out`` the rows beyond ``MOST_RANKS`` of units with very many runs."""
    begin, n = columns.x.size - columns.tail_unit.size, out.shape[1]
    for first in range(0, columns.tail_unit.size, TAIL_ROWS):
        units = columns.tail_unit[first : first + TAIL_ROWS]
        rows = slice(begin + first, begin + first + units.size)
        for total, product in zip(out, _products(columns, rows, s_bar, q, s_own[units]), strict=True):
            total += group_sums(units, product, n)


def _rank_order(unit: Ints, n: int) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """How to lay out rows sorted by unit so that a pass adds whole vectors.

    Returns
    -------
    layout : (m,) rows in their new order: every unit's first row, then every unit's second row, and so on; the tail last.
    order, units_with, rank_starts, tail_unit : see :class:`RunColumns`.
    """
    count = np.bincount(unit, minlength=n)
    # numbers this small are put in order by counting, not by comparing
    order = np.argsort((MOST_RANKS - np.minimum(count, MOST_RANKS)).astype(np.uint8), kind="stable")
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    rank = np.arange(unit.size) - np.repeat(np.cumsum(count) - count, count)
    head = np.flatnonzero(rank < MOST_RANKS)
    tail = np.flatnonzero(rank >= MOST_RANKS)
    units_with = np.bincount(rank[head])
    rank_starts = np.cumsum(units_with) - units_with
    layout = np.empty(unit.size, dtype=np.int64)
    layout[rank_starts[rank[head]] + place[unit[head]]] = head
    layout[head.size :] = tail
    return layout, order, units_with, rank_starts, unit[tail]


def group_sums(group: Ints, values: Floats, groups: int) -> Floats:
    """Sum of ``values`` (n,) by ``group`` (n,) 0..groups-1; (groups,)."""
    return np.bincount(group, values, groups).astype(np.float64, copy=False)


def _floats(frame: pl.DataFrame, column: str) -> Floats:
    return frame[column].cast(pl.Float64).to_numpy()
