"""Figures that rules are judged by, on records made so that each figure is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.joint_fit import fit_joint
from models.rule_change_figures import change_figures
from models.rule_contrasts import contrast_figures, unit_contrast
from models.rule_run_figures import run_figures
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_changes import ChangeTruth, simulate_changes
from models.simulate_worlds import world

KW_PER_HP = 0.745699872
PSI = 6.894757293168361


@pytest.fixture(scope="module")
def simulated():
    drawn = simulate_study(replace(world("base"), builds=260, publishers=26), seed=3)
    sample = choose_sample(drawn.runs, drawn.builds)
    return drawn, sample, fit_joint(sample.runs, sample.units)


def by_name(figures):
    return {one.name: one for one in figures}


def near(estimate, truth: float, errors: float = 3.5) -> bool:
    half = (estimate.high - estimate.low) / 2 / 2.06  # t(25)
    return abs(estimate.value - truth) < errors * half


def test_contrasts_of_the_simulated_classes_come_back(simulated):
    _, _, fit = simulated
    figures = by_name(contrast_figures(fit, 0.95))
    cooled = figures["charge_cooling"].estimate  # cooled: 55 at 0 and 25 at .02 against uncooled at -.11
    assert near(cooled, 0.25 * 0.02 / 0.8 + 0.11)
    belt = figures["belt_drive"].estimate  # a fifth each at -.06 and -.13
    assert near(belt, -0.095)
    assert cooled.low < figures["charge_cooling"].narrow.low < figures["charge_cooling"].narrow.high < cooled.high
    assert figures["compressor_size"].estimate.why.startswith("There are no builds with a compressor's rating")


def test_compressor_size_is_found_at_equal_power(simulated):
    _, _, fit = simulated
    draw = np.random.default_rng(5)
    slope = np.clip(fit.own_slope, 0.3, 1.6)
    # ratings that follow the build's own slope: .2 of rule ratio for each doubling, with noise
    size = np.exp(np.log(2.0) * (slope - 0.9) / 0.2 + draw.normal(0, 0.1, slope.size))
    rated = fit.units.with_columns(compressor_rating_kw=pl.Series(size) * pl.col("na_power_kw") * 2)
    found = by_name(contrast_figures(replace(fit, units=rated), 0.95))["compressor_size"].estimate
    assert 0.05 < found.value < 0.22 and found.low > 0
    alike = fit.units.with_columns(compressor_rating_kw=pl.col("na_power_kw") * 2)
    same = by_name(contrast_figures(replace(fit, units=alike), 0.95))["compressor_size"].estimate
    assert same.value is None and "cannot be told apart" in same.why


def test_flags_on_too_few_builds_are_not_compared(simulated):
    _, _, fit = simulated
    flags = pl.Series([True] * 4 + [False] * (fit.builds - 4))
    told = unit_contrast(fit, "x", "x", flags, ("flagged builds", "other builds"), 0.95).estimate
    assert told.value is None and "There are only 4 flagged builds" in told.why
    half = pl.Series(np.arange(fit.builds) % 2 == 0)
    assert near(unit_contrast(fit, "x", "x", half, ("a", "b"), 0.95).estimate, 0.0)


def figures_of(clean, more=()):
    runs, builds = clean.tables()
    runs = runs.with_columns(more)
    sample = choose_sample(runs, builds)
    return by_name(run_figures(sample, runs, fit_joint(sample.runs, sample.units), 0.95))


def test_peak_rpm_torque_and_small_engines(clean):
    draw = np.random.default_rng(1)
    for i in range(20):
        key = f"s{i % 4}|P{i % 4}|e{i}"
        base = 75 * KW_PER_HP * float(np.exp(draw.normal(0, 0.01)))
        moved = 500.0 if i < 4 else 100.0
        clean.baseline(key, power_kw=base, power_rpm=5500.0, torque_nm=120.0)
        clean.boosted(key, power_kw=base * 1.4, boost_kpa=41.37, power_rpm=5500.0 + moved, torque_nm=120.0 * 1.4 * 1.03)
    found = figures_of(clean)
    assert found["peak_rpm_within_300"].estimate.value == pytest.approx(0.8)
    assert found["torque_over_power"].estimate.value == pytest.approx(1.03, abs=1e-9)
    small = found["yield_70_to_80_hp"].estimate
    assert small.unit == "hp/psi"
    assert small.value == pytest.approx(75 * 0.4 / 6.0 * 100.0 / 101.325, rel=0.02)
    assert found["power_per_6_k"].estimate.value is None and found["wheel_over_crank"].estimate.value is None


def test_charge_heat_is_the_slope_within_a_build_at_one_boost(clean):
    for i in range(8):
        key = f"s{i % 3}|P{i % 3}|e{i}"
        clean.baseline(key, power_kw=100.0 + i)
        for heat in (20.0, 40.0, 60.0):
            # 1.2 % for 6 K, and another boost of the same build must not enter
            clean.boosted(key, power_kw=(150.0 + i) * float(np.exp(-0.002 * heat)), boost_kpa=50.0 + 0.01 * heat, charge_c=heat)
        clean.boosted(key, power_kw=190.0 + i, boost_kpa=90.0, charge_c=100.0)
    found = figures_of(clean)["power_per_6_k"].estimate
    assert found.value == pytest.approx(-0.012, rel=1e-6) and found.builds == 8


def test_exhaust_pressure_beyond_twice_the_boost(clean):
    draw = np.random.default_rng(2)
    for i in range(40):
        key, over = f"s{i % 5}|P{i % 5}|e{i}", i % 2 == 0
        clean.baseline(key, power_kw=100.0)
        made = 100.0 * (1 + (0.80 if over else 0.95) * 0.6 + float(draw.normal(0, 0.01)))
        clean.boosted(key, power_kw=made, boost_kpa=60.0, exhaust_back_kpa=150.0 if over else 70.0)
    found = figures_of(clean)["exhaust_beyond_twice"].estimate
    assert found.value == pytest.approx(-0.15, abs=0.03) and found.high < 0


def test_wheel_over_crank_pairs_measured_figures_of_one_state_only(clean):
    for i in range(6):
        key = f"s{i % 3}|P{i % 3}|e{i}"
        clean.baseline(key, power_kw=100.0 + i)
        clean.baseline(key, power_kw=(100.0 + i) * 0.84, measured_at="wheel")
        clean.baseline(key, power_kw=999.0, measured_at="crank", drivetrain_loss_pct=15.0)
        clean.boosted(key, power_kw=150.0 + i)
    found = figures_of(clean)["wheel_over_crank"].estimate
    assert found.value == pytest.approx(0.84) and found.builds == 6


def test_changes_grow_and_give_boost_back_as_they_were_made():
    truth = ChangeTruth(
        engines=400, publishers=20, growth=1.0, pull_rel_sd=0.001, setting_share=0.0, both_share=0.9, boosted_share=0.0
    )
    drawn = simulate_changes(truth, seed=8)
    found = by_name(change_figures({"run": drawn.runs, "build": drawn.builds, "change": drawn.changes}, 0.95))
    grown = found["part_gain_growth"].estimate
    assert grown.builds > 300 and grown.low < 1.0 < grown.high and grown.high - grown.low < 0.1
    heads = found["head_gain_by_output"].estimate
    # gain rises by mean gain x moderation x ln 2, about .05 x 1.2 x .69
    assert 0.02 < heads.value < 0.07 and heads.low > 0
    none = found["heads_at_held_setting"].estimate
    assert none.value is None and "There are no head changes" in none.why
    less = replace(truth, growth=0.0)
    drawn = simulate_changes(less, seed=8)
    flat = by_name(change_figures({"run": drawn.runs, "build": drawn.builds, "change": drawn.changes}, 0.95))["part_gain_growth"]
    assert flat.estimate.high < 0.9


def test_heads_at_a_held_setting():
    drawn = simulate_changes(
        ChangeTruth(
            engines=100, publishers=8, gains={"cylinder_head": 0.08}, boosted_share=1.0, both_share=0.0, setting_share=1.0
        ),
        seed=2,
    )
    found = by_name(change_figures({"run": drawn.runs, "build": drawn.builds, "change": drawn.changes}, 0.95))
    share = found["heads_at_held_setting"].estimate
    assert share.builds == 100 and share.value > 0.85


def test_no_changes_is_an_answer(clean):
    clean.baseline()
    runs, builds = clean.tables()
    for figure in change_figures({"run": runs, "build": builds}, 0.95):
        assert figure.estimate.value is None and figure.estimate.why.startswith("There are no ")
