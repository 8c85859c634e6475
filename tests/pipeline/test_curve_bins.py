"""Shapes of curves: bins, spikes and dips of one to three points, noise, run-downs, many curves at once."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.checks import NM_RPM_PER_KW
from pipeline.curve_bins import bin_curves, smooth_curves


def true_power(rpm, peak_rpm=6000.0, peak=150.0):
    return peak * (1 - ((np.asarray(rpm) - peak_rpm) / 6000.0) ** 2)


def points(rpm, power, key="a", torque=None, boost=None):
    none = pl.Series([None] * len(rpm), dtype=pl.Float64)
    return pl.DataFrame(
        {
            "run_key": [key] * len(rpm) if isinstance(key, str) else key,
            "rpm": np.asarray(rpm, float),
            "curve_power_kw": np.asarray(power, float),
            "curve_torque_nm": none if torque is None else pl.Series(torque, dtype=pl.Float64),
            "curve_boost_kpa": none if boost is None else pl.Series(boost, dtype=pl.Float64),
        }
    )


def error_of(frame):
    return np.abs(frame["power"].to_numpy() / true_power(frame["rpm"].to_numpy()) - 1)


@pytest.mark.parametrize("step", [50, 100, 250, 500])
@pytest.mark.parametrize("direction", [1, -1])
def test_a_clean_curve_is_left_as_it_is(step, direction):
    rpm = np.arange(3000, 7001, step)[::direction]
    smooth = smooth_curves(points(rpm, true_power(rpm)))
    assert smooth["rpm"].to_list() == sorted(rpm)
    assert error_of(smooth).max() < 1e-9
    assert not smooth["is_spike"].any()


@given(where=st.integers(0, 78), width=st.integers(1, 3), size=st.floats(1.2, 5.0), up=st.booleans())
@settings(max_examples=60, deadline=None)
def test_spikes_and_dips_of_up_to_three_close_points_go(where, width, size, up):
    rpm = np.arange(3000, 7050, 50)
    where = min(where, len(rpm) - width)
    at_end = where == 0 or where + width >= len(rpm)
    power = true_power(rpm)
    power[where : where + width] *= size if up else 1 / size
    smooth = smooth_curves(points(rpm, power))
    if at_end and (width > 1 or not up):
        return  # a step at the end of a log cannot be told from the engine
    assert error_of(smooth).max() < 0.02
    assert smooth["is_spike"].sum() >= width


@pytest.mark.parametrize("step", [250, 500])
def test_a_true_peak_between_far_points_is_no_spike(step):
    # Power falls off a cliff past the peak, as under valve float: torque tells it from a spike.
    rpm = np.array([5000, 5000 + step, 5000 + 2 * step, 5000 + 3 * step])
    power = np.array([127.0, 127.0 * (1 + step / 5000), 127.0 * (1 + 2 * step / 5000) * 0.99, 120.0])
    assert smooth_curves(points(rpm, power))["power"].max() == pytest.approx(power.max())


def test_noise_is_measured_and_does_not_raise_the_peak():
    rng = np.random.default_rng(11)
    peaks, noise = [], []
    for _ in range(60):
        rpm = np.linspace(3000, 7200, 600) + rng.normal(0, 8, 600)
        power = true_power(rpm) * (1 + rng.normal(0, 0.01, 600))
        power[[100, 400, 401]] *= 1.6
        smooth = smooth_curves(points(rpm, power))
        peaks.append(smooth["power"].max() / 150)
        noise.append(smooth["noise_share"][0])
    assert abs(np.mean(peaks) - 1) < 0.005
    assert np.max(peaks) < 1.015
    # Seven readings a bin: their median has 1.25 / sqrt(7) of the noise of one.
    assert np.mean(noise) == pytest.approx(0.0047, rel=0.15)


def test_run_down_after_the_pull_is_no_part_of_the_curve():
    up = np.linspace(3000, 7000, 400)
    down = np.linspace(7000, 2500, 300)
    log = points(np.concatenate([up, down]), np.concatenate([true_power(up), 0.2 * true_power(down)]))
    assert error_of(bin_curves(log)).max() < 0.01
    braked = points(np.concatenate([up, down]), np.concatenate([true_power(up), -5 + 0 * down]))
    assert error_of(bin_curves(braked)).max() < 0.01


def test_full_load_both_ways_keeps_both_ways():
    rpm = np.arange(3000, 7001, 250)
    both = points(np.concatenate([rpm, rpm[::-1]]), np.concatenate([1.02 * true_power(rpm), 0.98 * true_power(rpm[::-1])]))
    binned = bin_curves(both)
    assert binned["readings"].to_list() == [2] * 17
    assert error_of(binned).max() < 1e-9


def test_readings_that_do_not_agree_show_in_the_spread():
    rpm = np.repeat(np.arange(3000, 7001, 250), 2)
    power = true_power(rpm) * np.tile([1.0, 1.4], 17)
    assert bin_curves(points(rpm, power))["spread"].min() > 0.3


@given(st.integers(1, 40), st.integers(1, 9), st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_medians_are_those_of_numpy(bins, most, seed):
    rng = np.random.default_rng(seed)
    slots = rng.integers(40, 40 + bins, size=bins * most)
    rpm = slots * 50.0 + rng.integers(-20, 21, size=slots.size)
    power = rng.uniform(50, 200, slots.size)
    boost = np.where(rng.random(slots.size) < 0.3, np.nan, rng.uniform(0, 90, slots.size))
    made = bin_curves(points(rpm, power, boost=boost).with_columns(pl.col("curve_boost_kpa").fill_nan(None)))
    keep = made["rpm"].to_numpy()
    assert np.all(np.diff(np.rint(keep / 50)) > 0)
    for row in made.iter_rows(named=True):
        inside = (np.rint(rpm / 50) == np.rint(row["rpm"] / 50)) & np.ones(slots.size, bool)
        if row["readings"] == inside.sum():
            assert row["power"] == pytest.approx(np.median(power[inside]))
            known = boost[inside][~np.isnan(boost[inside])]
            assert (row["boost"] is None) == (known.size == 0)
            if known.size:
                assert row["boost"] == pytest.approx(np.median(known))


def test_curves_do_not_touch_one_another():
    rng = np.random.default_rng(5)
    alone, frames = [], []
    for k in range(40):
        rpm = np.arange(3000, 3000 + 50 * rng.integers(5, 90), 50)
        power = true_power(rpm, peak=float(rng.uniform(60, 300))) * (1 + rng.normal(0, 0.01, rpm.size))
        frames.append(points(rpm, power, key=f"k{k:02}"))
        alone.append(smooth_curves(frames[-1]))
    together = pl.concat(frames)
    mixed = together.with_columns(_o=pl.Series(rng.permutation(together.height))).sort("_o").drop("_o").sort("run_key", "rpm")
    made = smooth_curves(mixed)
    assert made.sort("run_key", "rpm").select("power").to_series().to_numpy() == pytest.approx(
        pl.concat(alone).sort("run_key", "rpm")["power"].to_numpy()
    )
    interleaved = smooth_curves(together.sort("rpm", "run_key", maintain_order=True)).sort("run_key", "rpm")
    assert interleaved["power"].to_numpy() == pytest.approx(made.sort("run_key", "rpm")["power"].to_numpy())


def test_torque_alone_gives_power_and_nothing_gives_nothing():
    rpm = np.arange(3000, 7001, 100)
    frame = points(rpm, np.full(rpm.size, np.nan), torque=true_power(rpm) * NM_RPM_PER_KW / rpm)
    assert error_of(smooth_curves(frame.with_columns(pl.col("curve_power_kw").fill_nan(None)))).max() < 1e-9
    assert smooth_curves(frame.clear()).is_empty()
    assert smooth_curves(points([3000], [-4.0])).is_empty()
