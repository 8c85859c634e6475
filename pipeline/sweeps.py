"""Curves: points of power, torque and boost against engine speed, and the runs that follow from them.

Points are kept as reported. A run's peaks are worked out from its curve, robustly: readings that
share 50 rpm are one point (their median), and a single reading that stands out above its
neighbours is a spike, not a peak. Works on steps of 100 rpm and on raw logs alike, in either
direction of the sweep.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.checks import CODES, EMPTY_REASONS, NM_RPM_PER_KW
from pipeline.fields import fields_of

#: Readings within this many rpm are one point of the curve.
BIN_RPM = 50.0
#: A point above both neighbours by more than this share, plus the next for each 1000 rpm between them, is a spike.
SPIKE_SHARE = 0.03
SPIKE_SHARE_PER_1000_RPM = 0.06
#: Boost at the power peak is the median over this many rpm to either side: one reading is noise.
BOOST_WINDOW_RPM = 150.0
#: Printed power and torque agree with power = torque x speed within this share beyond their last digits.
IDENTITY_SHARE = 0.01
#: A ratio this steady along a curve is a gear ratio (axle torque), not an error of reading.
STEADY_SHARE = 0.02
MIN_POINTS = 3
GROUP = ["publisher", "build_key", "run", "number"]


@dataclass(frozen=True, slots=True)
class Curves:
    """`points` with `run_key`, `runs` (one typed row a curve, peaks filled in), reasons by line."""

    points: pl.DataFrame
    runs: pl.DataFrame
    reasons: pl.DataFrame


def _key(points: pl.DataFrame) -> pl.DataFrame:
    """`run_key` of each point: its curve's first line, with the side's number where a row holds several curves."""
    several = points["number"].n_unique() > 1
    tail = pl.format("/{}", pl.col("number")) if several else pl.lit("")
    first = pl.col("line").min().over(GROUP)
    stem = pl.col("run_key").str.replace(r"#\d+(/\d+)?$", "")
    return points.with_columns(run_key=pl.format("{}#{}{}", stem, first, tail))


def check_identity(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Judge power = torque x speed point by point.

    Returns
    -------
    Points (torque set aside where it is axle torque) and reasons: `power_not_torque_times_rpm` for single
    points that do not fit, `axle_torque` for curves whose ratio is steady but not one.
    """
    ratio = pl.col("curve_power_kw") * NM_RPM_PER_KW / (pl.col("curve_torque_nm") * pl.col("rpm"))
    usable = (pl.col("curve_power_kw") > 0) & (pl.col("curve_torque_nm") > 0)
    digits = (pl.col("power_step_kw") / 2 / pl.col("curve_power_kw")).fill_null(0.0) + (
        pl.col("torque_step_nm") / 2 / pl.col("curve_torque_nm")
    ).fill_null(0.0)
    made = points.with_columns(_ratio=pl.when(usable).then(ratio), _slack=digits + IDENTITY_SHARE + 5.0 / pl.col("rpm"))
    middle = pl.col("_ratio").median().over("run_key")
    spread = ((pl.col("_ratio") / middle - 1).abs()).median().over("run_key")
    axle = (((middle - 1).abs() > 3 * IDENTITY_SHARE) & (spread < STEADY_SHARE)).fill_null(False)
    made = made.with_columns(_axle=axle, _off=(pl.col("_ratio") - 1).abs() > pl.col("_slack"))
    bad = made.filter(pl.col("_off") & ~pl.col("_axle")).select(
        "line", code=pl.lit("power_not_torque_times_rpm"), column=pl.lit("curve_power_kw"),
        value=pl.format("power is {} times torque x speed", pl.col("_ratio").round(3)),
    )  # fmt: skip
    told = made.filter("_axle").group_by("run_key", maintain_order=True).agg(pl.col("line").min(), pl.col("_ratio").median())
    axles = told.select(
        "line",
        code=pl.lit("axle_torque"),
        column=pl.lit("curve_torque_nm"),
        value=pl.format("ratio {}", pl.col("_ratio").round(3)),
    )
    kept = made.with_columns(curve_torque_nm=pl.when(~pl.col("_axle")).then("curve_torque_nm")).drop(
        "_ratio", "_slack", "_axle", "_off"
    )
    return kept, pl.concat([EMPTY_REASONS, bad, axles])


def smooth_curves(points: pl.DataFrame) -> pl.DataFrame:
    """One row a run and 50 rpm: medians, with single spikes replaced by their neighbours' mean.

    Parameters
    ----------
    points : run_key, rpm, curve_power_kw, curve_torque_nm, curve_boost_kpa.

    Returns
    -------
    run_key, rpm, power, torque, boost in order of speed; power stands in for torque and the other way
    where only one was reported (power = torque x speed).
    """
    filled = points.select(
        "run_key", "rpm",
        power=pl.coalesce("curve_power_kw", pl.col("curve_torque_nm") * pl.col("rpm") / NM_RPM_PER_KW),
        torque=pl.coalesce("curve_torque_nm", pl.col("curve_power_kw") * NM_RPM_PER_KW / pl.col("rpm")),
        boost="curve_boost_kpa",
    )  # fmt: skip
    bins = (
        filled.with_columns(_bin=(pl.col("rpm") / BIN_RPM).round())
        .group_by("run_key", "_bin")
        .agg(pl.col("rpm", "power", "torque", "boost").median())
        .sort("run_key", "_bin")
    )
    gap = (pl.col("rpm").shift(-1) - pl.col("rpm").shift(1)).over("run_key") / 2
    allowed = 1 + SPIKE_SHARE + SPIKE_SHARE_PER_1000_RPM * gap / 1000
    made = bins
    for name in ("power", "torque"):
        left, right = pl.col(name).shift(1).over("run_key"), pl.col(name).shift(-1).over("run_key")
        spike = (pl.col(name) > allowed * pl.max_horizontal(left, right)) & left.is_not_null() & right.is_not_null()
        made = made.with_columns(pl.when(spike.fill_null(False)).then((left + right) / 2).otherwise(name).alias(name))
    return made.drop("_bin")


def _peak(column: str) -> pl.Expr:
    return pl.col(column).arg_max()


def find_peaks(points: pl.DataFrame) -> pl.DataFrame:
    """Peaks of each curve.

    Returns
    -------
    run_key, peak_power_kw, peak_power_rpm, peak_torque_nm, peak_torque_rpm, boost_at_peak_kpa, cut_short, bins.
    """
    smooth = smooth_curves(points)
    peaks = smooth.group_by("run_key", maintain_order=True).agg(
        peak_power_kw=pl.col("power").max(), peak_power_rpm=pl.col("rpm").get(_peak("power"), null_on_oob=True),
        peak_torque_nm=pl.col("torque").max(), peak_torque_rpm=pl.col("rpm").get(_peak("torque"), null_on_oob=True),
        last_rpm=pl.col("rpm").max(), bins=pl.len(),
    )  # fmt: skip
    near = smooth.join(peaks.select("run_key", "peak_power_rpm"), on="run_key").filter(
        (pl.col("rpm") - pl.col("peak_power_rpm")).abs() <= BOOST_WINDOW_RPM
    )
    boost = near.group_by("run_key").agg(boost_at_peak_kpa=pl.col("boost").median())
    return peaks.join(boost, on="run_key", how="left", maintain_order="left").with_columns(
        cut_short=pl.col("peak_power_rpm") >= pl.col("last_rpm")
    )


def make_runs(points: pl.DataFrame) -> Curves:
    """Runs from typed, named points.

    Parameters
    ----------
    points : typed rows (one a point and curve) with names added; run-level fields may stand on any row.
    """
    blank = pl.col("curve_power_kw").is_null() & pl.col("curve_torque_nm").is_null()
    keyed = _key(points.filter(~(blank & (pl.len().over("line") > 1))))
    nothing = keyed.filter(blank).select(
        "line", code=pl.lit("power_missing"), column=pl.lit("curve_power_kw"), value=pl.lit(None, pl.String)
    )
    no_speed = keyed.filter(pl.col("rpm").is_null()).select(
        "line", code=pl.lit("rpm_missing"), column=pl.lit("rpm"), value=pl.lit(None, pl.String)
    )
    keyed, found = check_identity(keyed)
    bad_lines = pl.concat([nothing, no_speed, found.filter(pl.col("code") == "power_not_torque_times_rpm")])["line"].unique()
    good = keyed.filter(~pl.col("line").is_in(bad_lines.implode()))
    runs = _collect(good)
    few = runs.filter(pl.col("bins") < MIN_POINTS)
    short = keyed.join(few.select("run_key"), on="run_key", how="semi").select(
        "line", code=pl.lit("curve_too_short"), column=pl.lit("rpm"), value=pl.lit(str(MIN_POINTS))
    )
    cut = runs.filter("cut_short").select(
        "line",
        code=pl.lit("curve_cut_short"),
        column=pl.lit("power_rpm"),
        value=pl.col("power_rpm").round(0).cast(pl.Int64).cast(pl.String),
    )
    return Curves(good, runs.drop("bins", "cut_short"), pl.concat([EMPTY_REASONS, nothing, no_speed, found, short, cut]))


def _collect(points: pl.DataFrame) -> pl.DataFrame:
    """One typed row a curve: first stated value of each run-level field, peaks from the curve."""
    per_point = {f.name for f in fields_of("sweep_point")} | {"line", "run_key"}
    others = [c for c in points.columns if c not in per_point]
    runs = points.group_by("run_key", maintain_order=True).agg(
        pl.col("line").min(), *(pl.col(c).drop_nulls().first() for c in others)
    )
    peaks = find_peaks(points)
    joined = runs.join(peaks, on="run_key", how="left", maintain_order="left")
    # The first stated value stands for the curve: conditions are those of the run, not of a point.
    # Printed steps of single points say nothing of a peak found from many.
    return joined.with_columns(
        power_kw="peak_power_kw", power_rpm="peak_power_rpm", torque_nm="peak_torque_nm", torque_rpm="peak_torque_rpm",
        boost_kpa=pl.coalesce("boost_at_peak_kpa", "boost_kpa"),
        boost_taken=pl.when(pl.col("boost_at_peak_kpa").is_not_null()).then(pl.lit("at_peak_power")).otherwise("boost_taken"),
        power_step_kw=pl.lit(None, pl.Float64), torque_step_nm=pl.lit(None, pl.Float64), boost_step_kpa=pl.lit(None, pl.Float64),
        test_method=pl.coalesce("test_method", pl.lit("sweep")),
    ).drop("peak_power_kw", "peak_power_rpm", "peak_torque_nm", "peak_torque_rpm", "last_rpm", "boost_at_peak_kpa").select(
        "line", "run_key", *others, "bins", "cut_short"
    )  # fmt: skip


def spread_to_points(reasons: pl.DataFrame, runs: pl.DataFrame, points: pl.DataFrame) -> pl.DataFrame:
    """Reasons that refuse a run refuse every line of its curve; flags stay on its first line."""
    refusing = [code for code, entry in CODES.items() if entry.severity == "refuse"]
    keyed = reasons.join(runs.select("line", "run_key"), on="line", how="left", maintain_order="left")
    flags = reasons.filter(~pl.col("code").is_in(refusing))
    lines = points.select("run_key", _line="line")
    wide = keyed.filter(pl.col("code").is_in(refusing)).join(lines, on="run_key", maintain_order="left")
    return pl.concat([flags, wide.select(line="_line", code="code", column="column", value="value")])


def keep_accepted(runs: pl.DataFrame, points: pl.DataFrame, refused: pl.Series) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Points whose line was accepted, and the runs that still have points."""
    columns = ["run_key", "line", *(f.name for f in fields_of("sweep_point"))]
    kept = points.filter(~pl.col("line").is_in(refused.implode())).select(columns)
    return runs.filter(pl.col("run_key").is_in(kept["run_key"].unique().implode())), kept
