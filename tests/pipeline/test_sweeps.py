"""Curves: peaks that are not spikes, the identity of power and torque, axle torque, cut-short curves."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.checks import NM_RPM_PER_KW
from pipeline.sweeps import find_peaks, make_runs
from pipeline.values import typed_schema


def curve(rpm, power, **more):
    """Typed, named points of one curve."""
    frame = pl.DataFrame(
        {"line": np.arange(2, len(rpm) + 2), "rpm": np.asarray(rpm, float), "curve_power_kw": np.asarray(power, float)}
    )
    frame = frame.with_columns(**{k: pl.Series(k, v) if np.ndim(v) else pl.lit(v) for k, v in more.items()})
    missing = [pl.lit(None, d).alias(n) for n, d in typed_schema().items() if n not in frame.columns]
    named = frame.with_columns(*missing).with_columns(
        build=pl.lit("b"),
        publisher=pl.lit("p"),
        build_key=pl.lit("s|p|b"),
        number=pl.lit(1, pl.Int32),
        side=pl.lit(""),
        baseline_build_key=pl.lit(None, pl.String),
    )
    return named.with_columns(run_key=pl.format("s/f.csv#{}", "line"))


def true_power(rpm, peak_rpm=6000.0, peak=150.0):
    return peak * (1 - ((np.asarray(rpm) - peak_rpm) / 6000.0) ** 2)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("step", [50, 100, 250, 500])
def test_peak_of_a_clean_curve(step, direction):
    rpm = np.arange(3000, 7500 + step, step)[::direction]
    made = make_runs(curve(rpm, true_power(rpm)))
    run = made.runs.row(0, named=True)
    assert run["power_kw"] == pytest.approx(150.0, rel=0.002)
    assert abs(run["power_rpm"] - 6000) <= step / 2
    assert made.reasons.is_empty()


@given(where=st.integers(2, 38), size=st.floats(1.15, 4.0))
@settings(max_examples=40, deadline=None)
def test_a_single_spike_is_not_a_peak(where, size):
    rpm = np.arange(3000, 7100, 100)
    power = true_power(rpm)
    power[where] *= size
    run = make_runs(curve(rpm, power)).runs.row(0, named=True)
    assert run["power_kw"] < 150.0 * 1.04


def test_raw_log_with_noise():
    rng = np.random.default_rng(7)
    rpm = np.linspace(3000, 7200, 600) + rng.normal(0, 8, 600)
    power = true_power(rpm) * (1 + rng.normal(0, 0.01, 600))
    power[[100, 400, 401]] *= 1.6
    run = make_runs(curve(rpm, power)).runs.row(0, named=True)
    assert run["power_kw"] == pytest.approx(150.0, rel=0.015)
    assert abs(run["power_rpm"] - 6000) < 400


def test_power_and_torque_must_agree_point_by_point():
    rpm = np.arange(3000, 7000, 250)
    power = true_power(rpm)
    torque = power * NM_RPM_PER_KW / rpm
    torque[5] *= 1.1
    made = make_runs(curve(rpm, power, curve_torque_nm=torque))
    assert made.reasons.select("line", "code").rows() == [(7, "power_not_torque_times_rpm")]
    assert 7 not in made.points["line"].to_list()


def test_axle_torque_is_set_aside_and_power_kept():
    rpm = np.arange(3000, 7000, 250)
    power = true_power(rpm)
    made = make_runs(curve(rpm, power, curve_torque_nm=power * NM_RPM_PER_KW / rpm * 3.9))
    assert made.reasons["code"].to_list() == ["axle_torque"]
    assert made.points["curve_torque_nm"].null_count() == len(rpm)
    assert made.runs["power_kw"][0] == pytest.approx(150, rel=0.002)


def test_curve_that_ends_at_its_peak_is_flagged():
    rpm = np.arange(3000, 5600, 100)
    assert make_runs(curve(rpm, true_power(rpm))).reasons["code"].to_list() == ["curve_cut_short"]


def test_torque_alone_gives_power():
    rpm = np.arange(3000, 7000, 100)
    torque = true_power(rpm) * NM_RPM_PER_KW / rpm
    frame = curve(rpm, true_power(rpm), curve_torque_nm=torque).with_columns(curve_power_kw=pl.lit(None, pl.Float64))
    assert make_runs(frame).runs["power_kw"][0] == pytest.approx(150, rel=1e-3)


def test_boost_is_read_at_the_power_peak():
    rpm = np.arange(3000, 7100, 100)
    boost = np.where(rpm < 4500, 80.0, 80.0 - (rpm - 4500) / 100)
    run = make_runs(curve(rpm, true_power(rpm), curve_boost_kpa=boost)).runs.row(0, named=True)
    assert run["boost_kpa"] == pytest.approx(65.0, abs=1.0)
    assert run["boost_taken"] == "at_peak_power"


def test_too_few_points_are_refused_and_missing_speed_named():
    made = make_runs(curve([3000, 4000], [50, 70]))
    assert set(made.reasons["code"]) >= {"curve_too_short"}
    made = make_runs(curve([3000, np.nan, 4000, 5000, 5500], [50, 60, 70, 80, 79]).with_columns(pl.col("rpm").fill_nan(None)))
    assert (3, "rpm_missing") in made.reasons.select("line", "code").rows()


def test_order_of_points_does_not_matter():
    rpm = np.arange(3000, 7100, 100)
    frame = curve(rpm, true_power(rpm))
    mixed = frame.sample(fraction=1.0, shuffle=True, seed=3).with_columns(line=pl.Series(range(2, len(rpm) + 2)))
    columns = ["peak_power_kw", "peak_power_rpm", "peak_torque_nm", "peak_torque_rpm"]
    keyed = [f.with_columns(run_key=pl.lit("k")) for f in (frame, mixed)]
    assert find_peaks(keyed[0]).select(columns).equals(find_peaks(keyed[1]).select(columns))
