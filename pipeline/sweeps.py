"""Curves: points of power, torque and boost against engine speed, and the runs that follow from them.

Points are kept as reported. A run's peaks are worked out from its curve as an engine could have made it
(``pipeline.curve_bins``): a spike is not a peak, and noise does not raise it. Works on steps of 500 rpm and on raw logs
alike, in either direction of the sweep.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.checks import EMPTY_REASONS, NM_RPM_PER_KW, find_failures, range_rules
from pipeline.curve_bins import smooth_curves
from pipeline.curve_groups import COUNTED
from pipeline.fields import FIELDS, fields_of

#: Figures at the power peak are the median over this many rpm to either side: one reading is noise.
PEAK_WINDOW_RPM = 150.0
#: Printed power and torque agree with power = torque x speed within this share beyond their last digits.
IDENTITY_SHARE = 0.01
#: Speeds in whole hundreds may be rounded to them; others to the nearest ten.
SPEED_SLACK_RPM, HUNDREDS_SLACK_RPM = 5.0, 50.0
#: A ratio this steady along a curve is a gear ratio (axle torque), not an error of reading.
STEADY_SHARE = 0.02
#: Power over torque x speed above which a steady ratio is no axle torque: gears and final drive together turn engine torque
#: into twice as much at least. Nearer to one, one of the columns stands in another unit (hp as kW gives 1.34 or 0.75).
AXLE_RATIO_MOST = 0.5
MIN_POINTS = 3
#: Readings at one speed spread wider than this, at most of the speeds of a curve, are several curves in one.
MIXED_SHARE, MIXED_SPEEDS = 0.10, 0.5
#: A stated peak differs from the curve's by more than this share.
PEAK_SHARE = 0.02
CURVE_FIELDS = tuple(f.name for f in fields_of("sweep_point"))
#: Sizes of the last printed digits of a curve's columns, one value a curve.
STEPS = ("curve_power_step_kw", "curve_torque_step_nm")


@dataclass(frozen=True, slots=True)
class Curves:
    """Curves and what was found on the way.

    Attributes
    ----------
    points : as given, torque set aside where it is axle torque.
    runs : one row a curve: curve, line (its first), number, every field stated of it, and its peaks.
    reasons : line, code, column, value; refusing ones of single points and whole curves, and flags.
    """

    points: pl.DataFrame
    runs: pl.DataFrame
    reasons: pl.DataFrame


def _reason(frame: pl.DataFrame, code: str, column: str | None, value: pl.Expr | None = None) -> pl.DataFrame:
    shown = pl.lit(None, pl.String) if value is None else value.cast(pl.String)
    return frame.select("line", code=pl.lit(code), column=pl.lit(column, pl.String), value=shown)


def find_blank_points(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Points that hold a figure, and reasons for lines that hold none or lack the speed.

    A curve beside others may be shorter than they are: its blank cells are no points. A line without any figure at all
    is refused, and so is a figure without its speed.
    """
    blank = pl.col("curve_power_kw").is_null() & pl.col("curve_torque_nm").is_null()
    filled = points.filter(~blank)
    lost = points.filter(blank)
    if points["number"].n_unique() > 1:
        lost = lost.filter(~pl.col("line").is_in(filled["line"].unique().implode())).unique("line", maintain_order=True)
    reasons = [
        _reason(lost, "power_missing", "curve_power_kw"),
        _reason(filled.filter(pl.col("rpm").is_null()), "rpm_missing", "rpm"),
    ]
    return filled, pl.concat([EMPTY_REASONS, *reasons])


def check_identity(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Judge power = torque x speed point by point.

    Parameters
    ----------
    points : curve, line, rpm and the figures of the curve; where known, the columns of ``STEPS``.

    Returns
    -------
    Points (torque set aside where it is axle torque) and reasons: `power_not_torque_times_rpm` for single
    points that do not fit, `axle_torque` for curves whose ratio is steady and that of a gear.
    """
    power, torque = pl.col("curve_power_kw"), pl.col("curve_torque_nm")
    both = points.filter((power > 0) & (torque > 0)).select(
        "curve", "line", "rpm", power, torque, *(s for s in STEPS if s in points.columns)
    )
    if both.is_empty():
        return points, EMPTY_REASONS
    digits = pl.lit(0.0)
    for step, figure in zip(STEPS, ("curve_power_kw", "curve_torque_nm"), strict=True):
        if step in both.columns:
            digits = digits + (pl.col(step) / 2 / pl.col(figure)).fill_null(0.0)
    rounded = pl.when(pl.col("rpm") % 100 == 0).then(HUNDREDS_SLACK_RPM).otherwise(SPEED_SLACK_RPM) / pl.col("rpm")
    made = both.with_columns(_ratio=power * NM_RPM_PER_KW / (torque * pl.col("rpm")), _slack=digits + IDENTITY_SHARE + rounded)
    off = made.filter((pl.col("_ratio") - 1).abs() > pl.col("_slack"))
    if off.is_empty():
        return points, EMPTY_REASONS
    suspects = made.filter(pl.col("curve").is_in(off["curve"].unique().implode()))
    middle = suspects.group_by("curve", maintain_order=True).agg(
        pl.col("line").min(), _middle=pl.col("_ratio").median(),
        _spread=((pl.col("_ratio") / pl.col("_ratio").median() - 1).abs()).median(),
    )  # fmt: skip
    axles = middle.filter((pl.col("_middle") < AXLE_RATIO_MOST) & (pl.col("_spread") < STEADY_SHARE))
    is_axle = pl.col("curve").is_in(axles["curve"].implode())
    bad = _reason(
        off.filter(~is_axle), "power_not_torque_times_rpm", "curve_power_kw",
        pl.format("power is {} times torque x speed", pl.col("_ratio").round(3)),
    )  # fmt: skip
    told = _reason(axles, "axle_torque", "curve_torque_nm", pl.format("ratio {}", pl.col("_middle").round(3)))
    kept = points if axles.is_empty() else points.with_columns(curve_torque_nm=pl.when(~is_axle).then(torque))
    return kept, pl.concat([EMPTY_REASONS, bad, told])


def check_points(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Judge points one by one: figures that no engine can have, and power against torque.

    Returns
    -------
    Points with axle torque set aside, and reasons; of a flag that many points of a curve share, the first.
    """
    ranges = find_failures(points, range_rules("sweep_point", points))
    kept, identity = check_identity(points)
    unusual = ranges.filter(pl.col("code") == "value_unusual")
    if not unusual.is_empty():
        owners = points.select("line", "curve").unique("line", keep="first")
        unusual = unusual.join(owners, on="line", how="left", maintain_order="left").unique(
            ["curve", "column"], keep="first", maintain_order=True
        )
    return kept, pl.concat([ranges.filter(pl.col("code") != "value_unusual"), unusual.select(EMPTY_REASONS.columns), identity])


def find_peaks(points: pl.DataFrame, key: str = "curve") -> pl.DataFrame:
    """Peaks of each curve.

    Parameters
    ----------
    points : `key`, rpm and the figures of the curve, in the order of the readings.

    Returns
    -------
    `key`, peak_power_kw, peak_power_rpm, peak_torque_nm, peak_torque_rpm, boost_at_peak_kpa (median within 150 rpm),
    last_rpm, bins (speeds 50 rpm apart with readings), mixed (share of the speeds at which readings do not agree),
    spikes (points taken for spikes or dips) and spike_rpm (of the first).
    """
    smooth = smooth_curves(points, key)

    def at_peak(column: str) -> pl.Expr:
        return pl.col("rpm").get(pl.col(column).arg_max(), null_on_oob=True)

    disagree = (pl.col("spread") > MIXED_SHARE).fill_null(False)
    peaks = smooth.group_by(key, maintain_order=True).agg(
        peak_power_kw=pl.col("power").max(), peak_power_rpm=at_peak("power"),
        peak_torque_nm=pl.col("torque").max(), peak_torque_rpm=at_peak("torque"),
        last_rpm=pl.col("rpm").max(), bins=pl.len(), mixed=disagree.mean(),
        spikes=pl.col("is_spike").sum(), spike_rpm=pl.col("rpm").filter("is_spike").first(),
    )  # fmt: skip
    if smooth["boost"].null_count() == smooth.height:
        return peaks.with_columns(boost_at_peak_kpa=pl.lit(None, pl.Float64))
    near = smooth.join(peaks.select(key, "peak_power_rpm"), on=key).filter(
        (pl.col("rpm") - pl.col("peak_power_rpm")).abs() <= PEAK_WINDOW_RPM
    )
    boost = near.group_by(key).agg(boost_at_peak_kpa=pl.col("boost").median())
    return peaks.join(boost, on=key, how="left", maintain_order="left")


def make_curves(points: pl.DataFrame) -> Curves:
    """Runs from grouped points that are good one by one.

    Parameters
    ----------
    points : curve, passes, line, number, the figures of the curve, and every field stated of a run or build.
    """
    peaks = find_peaks(points)
    runs = _collect(points, peaks)
    held = points.select("curve", "line")
    few = held.join(runs.filter(pl.col("bins").fill_null(0) < MIN_POINTS).select("curve"), on="curve", how="semi")
    mixed = held.join(runs.filter(pl.col("mixed") >= MIXED_SPEEDS).select("curve"), on="curve", how="semi")
    found = [
        _reason(few, "curve_too_short", "rpm", pl.lit(str(MIN_POINTS))),
        _reason(mixed, "curves_mixed", "run"),
        _reason(runs.filter("cut_short"), "curve_cut_short", "power_rpm", pl.col("peak_power_rpm").round(0).cast(pl.Int64)),
        _reason(
            runs.filter(pl.col("spikes") > 0), "curve_spike", "curve_power_kw",
            pl.format("{} near {} rpm", "spikes", pl.col("spike_rpm").round(0).cast(pl.Int64)),
        ),
        _reason(runs.filter((pl.col("passes") > 1) & (pl.col("pull_order").fill_null(1) == 1)), "curve_pulls", "rpm", pl.col("passes")),
        *_stated_peaks(runs),
    ]  # fmt: skip
    return Curves(points, _as_runs(runs), pl.concat([EMPTY_REASONS, *found]))


def _stated_peaks(runs: pl.DataFrame) -> list[pl.DataFrame]:
    """Flags for peaks that the file states beside the curve and that the curve does not have."""
    found = []
    for stated, peak in (("power_kw", "peak_power_kw"), ("torque_nm", "peak_torque_nm")):
        if stated in runs.columns:
            differs = runs.filter((pl.col(stated) / pl.col(peak) - 1).abs() > PEAK_SHARE)
            value = pl.format("{} stated, {} in the curve", pl.col(stated).round_sig_figs(4), pl.col(peak).round_sig_figs(4))
            found.append(_reason(differs, "curve_peak_disagrees", stated, value))
    return found


def _collect(points: pl.DataFrame, peaks: pl.DataFrame) -> pl.DataFrame:
    """One row a curve: what is stated of its run, and its peaks.

    Words and counts are those stated first; a figure that was logged along the curve is its median at the power peak.
    """
    others = [c for c in points.columns if c not in {*CURVE_FIELDS, *STEPS, "line", "curve", "passes"}]
    words = [c for c in others if c not in FIELDS or FIELDS[c].kind not in ("number", "integer") or c in COUNTED]
    logged = [c for c in others if c not in words]
    runs = points.group_by("curve", maintain_order=True).agg(
        pl.col("line").min(), pl.col("passes").first(), *(pl.col(c).drop_nulls().first() for c in others),
        *((pl.col(c).min() != pl.col(c).max()).alias(f"_{c}_varies") for c in logged),
    )  # fmt: skip
    runs = runs.join(peaks, on="curve", how="left", maintain_order="left")
    varying = [c for c in logged if runs[f"_{c}_varies"].any()]
    if varying:
        near = points.select("curve", "rpm", *varying).join(peaks.select("curve", "peak_power_rpm"), on="curve")
        window = near.filter((pl.col("rpm") - pl.col("peak_power_rpm")).abs() <= PEAK_WINDOW_RPM)
        middles = window.group_by("curve").agg(pl.col(c).median().alias(f"_{c}") for c in varying)
        runs = runs.join(middles, on="curve", how="left", maintain_order="left")
        runs = runs.with_columns(pl.coalesce(f"_{c}", c).cast(runs.schema[c]).alias(c) for c in varying)
    made = runs.select(pl.exclude("^_.*$")).with_columns(cut_short=pl.col("peak_power_rpm") >= pl.col("last_rpm"))
    return made if "pull_order" in made.columns else made.with_columns(pull_order=pl.lit(None, pl.Int64))


def _as_runs(runs: pl.DataFrame) -> pl.DataFrame:
    """The curves' peaks in the fields of a run; single points' printed digits say nothing of a peak found from many."""
    at_peak = pl.col("boost_at_peak_kpa")
    stated = pl.col("boost_kpa") if "boost_kpa" in runs.columns else pl.lit(None, pl.Float64)
    taken = pl.col("boost_taken") if "boost_taken" in runs.columns else pl.lit(None, pl.String)
    pulls = pl.col("pulls") if "pulls" in runs.columns else pl.lit(None, pl.Int64)
    several = (pl.col("passes") > 1) & pl.col("pull_order").is_null()
    return runs.with_columns(
        power_kw="peak_power_kw", power_rpm="peak_power_rpm", torque_nm="peak_torque_nm", torque_rpm="peak_torque_rpm",
        boost_kpa=pl.coalesce(at_peak, stated),
        boost_taken=pl.when(at_peak.is_not_null()).then(pl.lit("at_peak_power")).otherwise(taken),
        pulls=pl.coalesce(pulls, pl.when(several).then("passes")),
    ).drop(
        "peak_power_kw", "peak_power_rpm", "peak_torque_nm", "peak_torque_rpm", "boost_at_peak_kpa", "last_rpm", "bins", "mixed",
        "spikes", "spike_rpm", "cut_short", "passes",
    )  # fmt: skip
