"""Curves to runs: peaks, the identity of power and torque, axle torque, what is logged along a curve."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.checks import NM_RPM_PER_KW
from pipeline.curve_groups import group_points
from pipeline.sweeps import check_identity, check_points, find_blank_points, find_peaks, make_curves


def curve(rpm, power, **more):
    """Grouped points of one curve."""
    frame = pl.DataFrame(
        {"line": np.arange(2, len(rpm) + 2), "rpm": np.asarray(rpm, float), "curve_power_kw": np.asarray(power, float)}
    )
    given_columns = {k: pl.Series(k, v) if np.ndim(v) else pl.lit(v) for k, v in more.items()}
    frame = frame.with_columns(number=pl.lit(1, pl.Int32), build=pl.lit("b"), **given_columns)
    missing = [n for n in ("curve_torque_nm", "curve_boost_kpa") if n not in frame.columns]
    return group_points(frame.with_columns(pl.lit(None, pl.Float64).alias(n) for n in missing))


def true_power(rpm, peak_rpm=6000.0, peak=150.0):
    return peak * (1 - ((np.asarray(rpm) - peak_rpm) / 6000.0) ** 2)


def run_of(points):
    return make_curves(points).runs.row(0, named=True)


def codes_of(made):
    return made.reasons.select("line", "code").rows()


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("step", [50, 100, 250, 500])
def test_peak_of_a_clean_curve(step, direction):
    rpm = np.arange(3000, 7500 + step, step)[::direction]
    made = make_curves(curve(rpm, true_power(rpm)))
    run = made.runs.row(0, named=True)
    assert run["power_kw"] == pytest.approx(150.0, rel=0.002)
    assert abs(run["power_rpm"] - 6000) <= step / 2
    assert made.reasons.is_empty()


@given(where=st.integers(2, 38), size=st.floats(1.15, 4.0))
@settings(max_examples=40, deadline=None)
def test_a_single_spike_is_not_a_peak_and_is_told(where, size):
    rpm = np.arange(3000, 7100, 100)
    power = true_power(rpm)
    power[where] *= size
    made = make_curves(curve(rpm, power))
    assert made.runs["power_kw"][0] < 150.0 * 1.01
    assert (2, "curve_spike") in codes_of(made)


def test_power_and_torque_must_agree_point_by_point():
    rpm = np.arange(3000, 7000, 250)
    power = true_power(rpm)
    torque = power * NM_RPM_PER_KW / rpm
    torque[5] *= 1.1
    _, reasons = check_points(curve(rpm, power, curve_torque_nm=torque))
    assert reasons.select("line", "code").rows() == [(7, "power_not_torque_times_rpm")]


def test_printed_digits_widen_the_identity():
    rpm = np.arange(1010, 1100, 10)
    power = np.full(9, 3.0)
    torque = np.round(power * NM_RPM_PER_KW / rpm / 10) * 10
    loose = curve(rpm, power, curve_torque_nm=torque, curve_torque_step_nm=10.0, curve_power_step_kw=0.1)
    assert check_identity(loose)[1].is_empty()
    tight = curve(rpm, power, curve_torque_nm=torque, curve_torque_step_nm=0.1, curve_power_step_kw=0.01)
    assert not check_identity(tight)[1].is_empty()


def test_axle_torque_is_set_aside_and_power_kept():
    rpm = np.arange(3000, 7000, 250)
    power = true_power(rpm)
    points, reasons = check_points(curve(rpm, power, curve_torque_nm=power * NM_RPM_PER_KW / rpm * 3.9))
    assert reasons["code"].to_list() == ["axle_torque"]
    assert points["curve_torque_nm"].null_count() == len(rpm)
    assert run_of(points)["power_kw"] == pytest.approx(150, rel=0.002)


@pytest.mark.parametrize("factor", [1.3410, 0.7457, 1.3558, 0.7376, 1.3596, 0.7355])
def test_a_steady_ratio_of_two_units_is_an_error_and_no_gear(factor):
    rpm = np.arange(3000, 7000, 250)
    power = true_power(rpm)
    _, reasons = check_points(curve(rpm, power, curve_torque_nm=power * NM_RPM_PER_KW / rpm * factor))
    assert set(reasons["code"]) == {"power_not_torque_times_rpm"}
    assert reasons.height == len(rpm)


def test_curve_that_ends_at_its_peak_is_flagged():
    rpm = np.arange(3000, 5600, 100)
    assert codes_of(make_curves(curve(rpm, true_power(rpm)))) == [(2, "curve_cut_short")]


def test_torque_alone_gives_power():
    rpm = np.arange(3000, 7000, 100)
    torque = true_power(rpm) * NM_RPM_PER_KW / rpm
    frame = curve(rpm, true_power(rpm), curve_torque_nm=torque).with_columns(curve_power_kw=pl.lit(None, pl.Float64))
    assert run_of(frame)["power_kw"] == pytest.approx(150, rel=1e-3)


def test_figures_logged_along_the_curve_are_those_at_the_power_peak():
    rpm = np.arange(3000, 7100, 100)
    boost = np.where(rpm < 4500, 80.0, 80.0 - (rpm - 4500) / 100)
    points = curve(
        rpm, true_power(rpm), curve_boost_kpa=boost, spark_deg=rpm / 300.0, air_c=20.0, observed_power_kw=0.95 * true_power(rpm)
    )
    run = run_of(points)
    assert run["boost_kpa"] == pytest.approx(65.0, abs=1.0)
    assert run["boost_taken"] == "at_peak_power"
    assert run["spark_deg"] == pytest.approx(20.0, abs=0.5)
    assert run["air_c"] == 20.0
    assert run["observed_power_kw"] == pytest.approx(0.95 * 150, rel=0.002)


def test_a_stated_boost_stands_where_none_was_logged():
    rpm = np.arange(3000, 7100, 100)
    run = run_of(curve(rpm, true_power(rpm), boost_kpa=55.0, boost_taken="maximum"))
    assert (run["boost_kpa"], run["boost_taken"]) == (55.0, "maximum")


def test_a_stated_peak_that_the_curve_does_not_have_is_told():
    rpm = np.arange(3000, 7100, 100)
    made = make_curves(curve(rpm, true_power(rpm), power_kw=165.0))
    assert made.runs["power_kw"][0] == pytest.approx(150, rel=1e-3)
    assert codes_of(made) == [(2, "curve_peak_disagrees")]
    assert make_curves(curve(rpm, true_power(rpm), power_kw=151.0)).reasons.is_empty()


def test_too_few_points_are_refused_on_every_line():
    assert codes_of(make_curves(curve([3000, 4000], [50, 70])))[:2] == [(2, "curve_too_short"), (3, "curve_too_short")]


def test_several_curves_under_one_name_are_refused():
    rpm = np.repeat(np.arange(3000, 7001, 250), 2)
    power = true_power(rpm) * np.tile([1.0, 1.4], 17)
    made = make_curves(curve(rpm, power, run="x"))
    assert made.reasons.filter(pl.col("code") == "curves_mixed").height == 34


def test_pulls_of_a_named_run_are_counted_and_told():
    rpm = np.tile(np.arange(3000, 7001, 250), 3)
    made = make_curves(curve(rpm, true_power(rpm) * np.repeat([0.99, 1.0, 1.01], 17), run="x"))
    assert made.runs.select("pulls", "power_kw").row(0) == (3, pytest.approx(150, rel=1e-3))
    assert (2, "curve_pulls") in codes_of(made)


def test_blank_points_are_no_points_and_blank_lines_are_refused():
    points = pl.DataFrame(
        {
            "line": [2, 3, 4, 2, 3, 4], "number": [1, 1, 1, 2, 2, 2], "rpm": [3000.0, None, 4000.0] * 2,
            "curve_power_kw": [50.0, 60.0, None, None, None, None], "curve_torque_nm": [None] * 6,
        },
        schema_overrides={"curve_torque_nm": pl.Float64},
    )  # fmt: skip
    filled, reasons = find_blank_points(points)
    assert filled["line"].to_list() == [2, 3]
    assert reasons.select("line", "code").rows() == [(4, "power_missing"), (3, "rpm_missing")]


def test_one_flag_a_curve_for_what_many_points_share():
    rpm = np.arange(200, 7001, 100)
    _, reasons = check_points(curve(rpm, np.maximum(true_power(rpm), 5)))
    assert reasons.select("line", "code").rows() == [(2, "value_unusual")]


def test_order_of_points_does_not_matter():
    rpm = np.arange(3000, 7100, 100)
    frame = curve(rpm, true_power(rpm))
    mixed = frame.sample(fraction=1.0, shuffle=True, seed=3)
    columns = ["peak_power_kw", "peak_power_rpm", "peak_torque_nm", "peak_torque_rpm"]
    assert find_peaks(frame).select(columns).equals(find_peaks(mixed).select(columns))
