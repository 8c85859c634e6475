"""The shape of curves: readings of one speed made one point, spikes and dips taken out, noise measured and smoothed.

Works on any number of curves at once. A curve may be steps of 500 rpm or a log with fifty readings a second, run
upwards, downwards or both ways. All judging is done on torque, which is nearly level where power rises with speed.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.checks import NM_RPM_PER_KW

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

#: Readings within this many rpm are one point of the curve: their median.
BIN_RPM = 50.0
#: Torque that stands above both neighbours by more than this share, and by the second for each 1000 rpm to them, is a spike:
#: the sharpest resonance of an intake gains less. Dips are judged alike, but only between close neighbours.
SPIKE_SHARE, SPIKE_SHARE_PER_1000_RPM = 0.03, 0.20
#: Widest spike in points, and how far its neighbours may stand away: an engine does not gain and lose that much so quickly.
WIDEST_SPIKE, SPIKE_REACH_RPM = 3, 150.0
#: Half width of the window of the local parabola, and the fewest points that it is drawn through.
SMOOTH_RPM, FEWEST_SMOOTHED = 200.0, 5
#: A way up or down counts as under part load where its torque is below this share of the other way's at equal speed.
PART_LOAD_SHARE = 0.5
#: A way that covers less than this share of the speeds of its curve is no way of its own.
LEAST_WAY = 0.3
FIGURES = ("power", "torque", "boost")
#: More bins than any speed has: makes one number of curve and bin.
_SLOTS = 1_000_000
#: Points worked on at a time, so that they stay in the processor's cache.
_CHUNK = 32_768


def bin_curves(points: pl.DataFrame, key: str = "run_key") -> pl.DataFrame:
    """One row a curve and 50 rpm: medians of what was read there.

    Parameters
    ----------
    points : `key`, rpm, curve_power_kw, curve_torque_nm, curve_boost_kpa; in the order of the readings.

    Returns
    -------
    `key`, rpm, power (kW), torque (N m), boost (kPa), spread (of torque between its quartiles, as a share; null for a
    single reading), readings; one curve after another, each in order of speed. Power stands in for torque and the other
    way where only one was reported (power = torque x speed). Readings without load, or of the way on which the engine was
    under part load, are not in it.
    """
    filled = _filled(points, key)
    curve = _numbers_of(filled[key])
    loaded = ((filled["rpm"] > 0) & (filled["power"] > 0)).fill_null(False).to_numpy()
    order = np.flatnonzero(loaded)
    if (np.diff(curve[order]) < 0).any():
        order = order[np.argsort(curve[order], kind="stable")]
    columns = [filled[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()[order] for name in ("rpm", *FIGURES)]
    curve = curve[order]
    keep = _under_load(curve, columns[0], columns[2])
    if not keep.all():
        order, curve, columns = order[keep], curve[keep], [c[keep] for c in columns]
    slot = curve * _SLOTS + np.rint(columns[0] / BIN_RPM).astype(np.int64)
    if (np.diff(slot) < 0).any():
        by_slot = np.argsort(slot, kind="stable")
        order, slot, columns = order[by_slot], slot[by_slot], [c[by_slot] for c in columns]
    starts = np.flatnonzero(np.diff(slot, prepend=-1))
    sizes = np.diff(starts, append=len(slot))
    made = [_middles(c, starts, sizes) for c in columns]
    return pl.DataFrame(
        {key: filled[key].gather(order[starts])}
        | {name: pl.Series(m[0]).fill_nan(None) for name, m in zip(("rpm", *FIGURES), made, strict=True)}
        | {"spread": pl.Series(made[2][1]).fill_nan(None), "readings": sizes.astype(np.uint32)}
    )


def _filled(points: pl.DataFrame, key: str) -> pl.DataFrame:
    power, torque, rpm = pl.col("curve_power_kw"), pl.col("curve_torque_nm"), pl.col("rpm")
    return points.select(
        key, "rpm",
        power=pl.coalesce(power, torque * rpm / NM_RPM_PER_KW),
        torque=pl.coalesce(torque, power * NM_RPM_PER_KW / rpm),
        boost="curve_boost_kpa",
    )  # fmt: skip


def _numbers_of(keys: pl.Series) -> Ints:
    """A number for each distinct key in the order of first appearance; block by block, since most curves stand together."""
    blocks = keys.rle().struct.unnest()
    firsts = blocks.select(pl.col("value").unique(maintain_order=True)).with_row_index("number")
    numbers = blocks.join(firsts, on="value", how="left", nulls_equal=True, maintain_order="left")["number"]
    return np.repeat(numbers.to_numpy().astype(np.int64), blocks["len"].to_numpy())


def _middles(values: Floats, starts: Ints, sizes: Ints) -> tuple[Floats, Floats]:
    """Median of each run of values, and the spread between its quartiles as a share; NaN left out.

    Runs of one length are sorted together as rows of a matrix: a million medians in tenths of a second.
    """
    median, spread = values[starts].copy(), np.full(len(starts), np.nan)
    for size in np.unique(sizes[sizes > 1]):
        at = np.flatnonzero(sizes == size)
        rows = np.sort(values[starts[at][:, None] + np.arange(size)], axis=1)
        known = size - np.isnan(rows).sum(axis=1)
        last, line = np.maximum(known - 1, 0), np.arange(len(at))
        median[at] = (rows[line, last // 2] + rows[line, np.minimum(known // 2, last)]) / 2
        quarter = known // 4
        spread[at] = np.abs(
            (rows[line, np.maximum(last - quarter, 0)] - rows[line, quarter]) / np.where(median[at] != 0, median[at], np.nan)
        )
    return median, spread


def _under_load(curve: Ints, rpm: Floats, torque: Floats) -> Mask:
    """Which readings belong to the way under load: a log may hold the run-down after the pull, or the roll up to it.

    The two ways meet at the highest speed. One is left out where it covers a good part of the speeds and its torque is a
    good part below the other's; a sweep up and down under full load keeps both.
    """
    keep = np.ones(len(curve), dtype=bool)
    if not len(curve):
        return keep
    starts = np.flatnonzero(np.diff(curve, prepend=-1))
    ends = np.append(starts[1:], len(curve))
    low, high = np.minimum.reduceat(rpm, starts), np.maximum.reduceat(rpm, starts)
    number = np.repeat(np.arange(len(starts)), ends - starts)
    at_top = np.flatnonzero(rpm == high[number])
    top = at_top[np.unique(number[at_top], return_index=True)[1]]
    spans = []
    for first, last in ((starts, top + 1), (top, ends)):
        bounds = np.stack([first, last], axis=1).ravel()
        least = np.minimum.reduceat(np.append(rpm, np.inf), bounds)[::2]
        spans.append(high - least)
    twofold = np.minimum(*spans) >= LEAST_WAY * np.maximum(high - low, 1.0)
    for i in np.flatnonzero(twofold):
        up, down = slice(starts[i], top[i]), slice(top[i], ends[i])
        share = _torque_share(rpm[up], torque[up], rpm[down], torque[down])
        if share < PART_LOAD_SHARE:
            keep[down] = False
        elif share > 1 / PART_LOAD_SHARE:
            keep[up] = False
    return keep


def _torque_share(rpm: Floats, torque: Floats, other_rpm: Floats, other_torque: Floats) -> float:
    """Median torque of the other way over the first at equal speed; 1 where they share no speeds."""
    order = np.argsort(rpm, kind="stable")
    inside = (other_rpm >= rpm.min()) & (other_rpm <= rpm.max())
    if not inside.any():
        return 1.0
    return float(np.median(other_torque[inside] / np.interp(other_rpm[inside], rpm[order], torque[order])))


def smooth_curves(points: pl.DataFrame, key: str = "run_key") -> pl.DataFrame:
    """The curves as an engine could have made them.

    Parameters
    ----------
    points : see :func:`bin_curves`.

    Returns
    -------
    As :func:`bin_curves`, with power and torque freed of spikes, dips and noise, and: raw_torque (N m, before that),
    is_spike, noise_share (standard deviation of the points of the whole curve about its local parabola, as a share; null
    where points stand too far apart to tell).
    """
    bins = bin_curves(points, key)
    if bins.is_empty():
        return bins.with_columns(
            raw_torque=pl.lit(None, pl.Float64), is_spike=pl.lit(False), noise_share=pl.lit(None, pl.Float64)
        )
    curve = bins[key].rle_id().to_numpy().astype(np.int64)
    rpm = bins["rpm"].to_numpy()
    # Power is the figure that counts; torque printed beside it may be rounded more coarsely.
    made = (bins["power"] * NM_RPM_PER_KW / bins["rpm"]).to_numpy().copy()
    stated = bins["torque"].to_numpy().copy()
    is_spike = np.empty(len(rpm), dtype=bool)
    noise = np.empty(len(rpm))
    for part in _chunks(curve):
        is_spike[part] = _mend(curve[part], rpm[part], made[part], stated[part])
        made[part], stated[part], noise[part] = _local_parabola(curve[part] - curve[part][0], rpm[part], made[part], stated[part])
    return bins.with_columns(
        raw_torque=bins["torque"],
        power=pl.Series(made * rpm / NM_RPM_PER_KW),
        torque=pl.Series(stated),
        is_spike=pl.Series(is_spike),
        noise_share=pl.Series(noise).fill_nan(None),
    )


def _mend(curve: Ints, rpm: Floats, made: Floats, stated: Floats) -> Mask:
    """Replace spikes and dips in place by the line between their neighbours; the widest first, then those at the ends.

    Returns where. Between far neighbours only a single point can be told from the engine.
    """
    n = len(made)
    mended = np.zeros(n, dtype=bool)
    for width in range(min(WIDEST_SPIKE, n - 2), 0, -1):
        start = np.arange(1, n - width)
        left, right = start - 1, start + width
        gap = (rpm[right] - rpm[left]) / 2
        near = gap <= SPIKE_REACH_RPM
        allowed = _allowed(gap)
        least = np.min([made[start + k] for k in range(width)], axis=0)
        most = np.max([made[start + k] for k in range(width)], axis=0)
        above = (least > allowed * np.maximum(made[left], made[right])) & (near | (width == 1))
        below = near & (most * allowed < np.minimum(made[left], made[right]))
        found = np.flatnonzero((curve[left] == curve[right]) & (above | below)) + 1
        for k in range(width):
            share = (rpm[found + k] - rpm[found - 1]) / (rpm[found + width] - rpm[found - 1])
            for values in (made, stated):
                values[found + k] = values[found - 1] + share * (values[found + width] - values[found - 1])
            mended[found + k] = True
    for end, step in ((curve != np.roll(curve, 1), 1), (curve != np.roll(curve, -1), -1)):
        _mend_end(np.flatnonzero(end | (np.arange(n) == (0 if step == 1 else n - 1))), step, curve, rpm, made, stated, mended)
    return mended


def _allowed(gap: Floats) -> Floats:
    """How far torque may stand above its neighbours at a distance, as a ratio."""
    return 1 + SPIKE_SHARE + SPIKE_SHARE_PER_1000_RPM * gap / 1000


def _mend_end(ends: Ints, step: int, curve: Ints, rpm: Floats, made: Floats, stated: Floats, mended: Mask) -> None:
    """A first or last point above both of the next two takes the torque of the next: the grab of a dyno, a limiter's kick."""
    ends = ends[(ends + 2 * step >= 0) & (ends + 2 * step < len(made))]
    ends = ends[curve[ends] == curve[ends + 2 * step]]
    gap = np.abs(rpm[ends + step] - rpm[ends])
    above = (gap <= SPIKE_REACH_RPM) & (made[ends] > _allowed(gap) * np.maximum(made[ends + step], made[ends + 2 * step]))
    found = ends[above]
    for values in (made, stated):
        values[found] = values[found + step]
    mended[found] = True


def _chunks(curve: Ints) -> list[slice]:
    """Slices of whole curves of some thirty thousand points."""
    starts = np.append(np.flatnonzero(np.diff(curve, prepend=-1)), len(curve))
    cuts = np.unique(starts[np.searchsorted(starts, np.arange(0, len(curve), _CHUNK))])
    return [slice(int(a), int(b)) for a, b in zip(cuts, np.append(cuts[1:], len(curve)), strict=True) if a < b]


def _local_parabola(curve: Ints, rpm: Floats, made: Floats, stated: Floats) -> tuple[Floats, Floats, Floats]:
    """Least-squares parabola through the points within 200 rpm of each, read off at its own speed.

    Parameters
    ----------
    curve, rpm, made, stated : (n,) number of the curve from 0, speed, and two figures; the noise is measured on the first.

    Returns
    -------
    Both figures smoothed (unchanged where fewer than five points are near), and the noise share of each point's curve.
    """
    n = len(rpm)
    sums, right, twin = np.zeros((5, n)), np.zeros((3, n)), np.zeros((3, n))
    for shift in _shifts(curve, rpm):
        here, there = slice(max(0, -shift), n - max(0, shift)), slice(max(0, shift), n - max(0, -shift))
        away = (rpm[there] - rpm[here]) / SMOOTH_RPM
        weight = ((curve[there] == curve[here]) & (np.abs(away) <= 1.0)).astype(np.float64)
        for k in range(5):
            sums[k, here] += weight
            if k < 3:
                right[k, here] += weight * made[there]
                twin[k, here] += weight * stated[there]
            weight *= away
    s0, s1, s2, s3, s4 = sums
    # The value of the parabola at its own point, and the weight of that point in it (Cramer's rule).
    c0, c1, c2 = s2 * s4 - s3 * s3, s2 * s3 - s1 * s4, s1 * s3 - s2 * s2
    whole = s0 * c0 + s1 * c1 + s2 * c2
    enough = (s0 >= FEWEST_SMOOTHED) & (whole > 1e-9)
    safe = np.where(enough, whole, 1.0)
    smooth = np.where(enough, (right[0] * c0 + right[1] * c1 + right[2] * c2) / safe, made)
    smooth_twin = np.where(enough, (twin[0] * c0 + twin[1] * c1 + twin[2] * c2) / safe, stated)
    freed = enough & (smooth > 0)
    leverage = np.where(freed, c0 / safe, 1.0)
    share = np.where(freed, (made / np.where(freed, smooth, 1.0) - 1.0) ** 2, 0.0)
    squares, freedom = np.bincount(curve, weights=share), np.bincount(curve, weights=1.0 - leverage)
    noise = np.sqrt(squares / np.where(freedom > 1e-9, freedom, np.nan))
    return smooth, smooth_twin, noise[curve]


def _shifts(curve: Ints, rpm: Floats) -> range:
    """How many places away a point within the window may stand."""
    reach = 0
    while reach + 1 < len(rpm):
        step = rpm[reach + 1 :] - rpm[: len(rpm) - reach - 1]
        if not ((curve[reach + 1 :] == curve[: len(curve) - reach - 1]) & (step <= SMOOTH_RPM)).any():
            break
        reach += 1
    return range(-reach, reach + 1)
