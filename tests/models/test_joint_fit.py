"""The joint fit: a pinned study, known truth, invariance, and data that cannot answer."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import fixed_point
from models.joint_fit import ErrorSizes, fit_joint
from models.yield_fit import answer_rule_ratio
from pipeline.errors import RequestProblem
from tests.models.fit_strategies import FitTruth, hand_frames, pinned_answers, pinned_frames, simulate_fit

#: Small on purpose: the same answer must come back whatever the order of rows and the units of power and pressure.
SMALL = FitTruth(builds=40, publishers=8)


@pytest.mark.reference
@pytest.mark.parametrize("key", ["dyno_scale_fixed_at_1", "dyno_scale_estimated"])
def test_pinned_study(key):
    """Another implementation of the same estimator on the same runs; tolerances stand in the file's note."""
    expected = pinned_answers()[key]
    fit = fit_joint(*pinned_frames(), estimate_phi=key == "dyno_scale_estimated")
    effects = fit.answer
    assert fit.converged and fit.passes <= expected["passes"]
    assert effects.theta == pytest.approx([expected["beta"], expected["q"]], abs=1e-6)
    model, jackknife = np.sqrt(np.diag(effects.covariance_model)), np.sqrt(np.diag(effects.covariance_jackknife))
    assert model == pytest.approx([expected["se_model_beta"], expected["se_model_q"]], abs=1e-6)
    assert jackknife == pytest.approx([expected["se_jackknife_beta"], expected["se_jackknife_q"]], abs=1e-6)
    assert (effects.tau_build, effects.tau_source) == pytest.approx((expected["tau_build"], expected["tau_source"]), rel=1e-4)
    assert fit.phi == pytest.approx({"engine": expected["phi_engine"], "chassis": expected["phi_chassis"]}, rel=1e-4)
    assert effects.publishers == expected["sources"]
    for i, build in enumerate(expected["first_builds"]):
        for name, value in build.items():
            assert getattr(fit.grams, name.lower())[i] == pytest.approx(value, rel=1e-5), (i, name)
    ratio = answer_rule_ratio(fit).rule_ratio
    assert (ratio.low, ratio.high) == pytest.approx((expected["beta_low"], expected["beta_high"]), abs=1e-6)
    assert (ratio.builds, ratio.runs) == (100, 400)


def test_recovers_the_truth_of_two_thousand_builds():
    truth = FitTruth(builds=2000, publishers=250)
    fit = fit_joint(*simulate_fit(truth, seed=11))
    effects = fit.answer
    errors = np.sqrt(np.diag(effects.covariance_model))
    assert (np.abs(effects.theta - [truth.beta, truth.q]) < 3.5 * errors).all()
    assert errors[0] < 0.005 and errors[1] < 0.005
    assert effects.tau_build == pytest.approx(truth.tau_build, abs=0.006)
    assert effects.tau_source == pytest.approx(truth.tau_source, abs=0.012)
    assert fit.phi == pytest.approx({"engine": 1.0, "chassis": 1.0}, abs=0.08)
    scaled = (fit.own_slope - effects.beta[0]) / np.sqrt(fit.own_variance + effects.tau**2)
    assert scaled.std() == pytest.approx(1.0, abs=0.06)


def test_predictions_are_as_wrong_as_they_say():
    """True slopes against predictions: the mean squared error is the mean prediction error variance."""
    wrong, said = [], []
    for seed in range(6):
        runs, units = simulate_fit(FitTruth(builds=150, publishers=15, tau_build=0.08, tau_source=0.05), seed=seed)
        exact = simulate_fit(FitTruth(builds=150, publishers=15, tau_build=0.08, tau_source=0.05, noise=0.0), seed=seed)
        fit, truth = fit_joint(runs, units), fit_joint(*exact, estimate_phi=False)
        wrong.append((fit.answer.blup - truth.own_slope) ** 2)
        said.append(fit.answer.blup_variance)
    assert np.mean(wrong) == pytest.approx(np.mean(said), rel=0.15)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), power=st.sampled_from([0.7457, 1.0, 1000.0]), pressure=st.sampled_from([1.0, 0.1450377, 10.0]))
def test_order_and_units_do_not_matter(seed, power, pressure):
    """Rows and units in another order, power and pressure in other units: the same answer."""
    runs, units = simulate_fit(SMALL)
    new = np.random.default_rng(seed).permutation(SMALL.builds).astype(np.uint32)
    shuffled = runs.sample(fraction=1.0, shuffle=True, seed=seed).with_columns(
        unit=pl.Series(new[runs.sample(fraction=1.0, shuffle=True, seed=seed)["unit"].to_numpy()]),
        power=pl.col("power") * power,
        boost_kpa=pl.col("boost_kpa") * pressure,
        ambient_kpa=pl.col("ambient_kpa") * pressure,
        boost_sd_kpa=pl.col("boost_sd_kpa") * pressure,
    )
    renamed = units.with_columns(unit=pl.Series(new), gauge_sd_kpa=pl.col("gauge_sd_kpa") * pressure)
    one, other = fit_joint(runs, units), fit_joint(shuffled, renamed)
    tight = {"rel": 1e-11, "abs": 1e-12}
    assert other.answer.theta == pytest.approx(one.answer.theta, **tight)
    assert other.answer.covariance_jackknife == pytest.approx(one.answer.covariance_jackknife, rel=1e-9, abs=1e-14)
    assert other.answer.tau == pytest.approx(one.answer.tau, rel=1e-9)
    assert other.answer.blup[new] == pytest.approx(one.answer.blup, rel=1e-10)
    assert other.units["publisher"].gather(new.astype(np.int64)).to_list() == units["publisher"].to_list()


def test_same_input_gives_the_same_bits():
    runs, units = simulate_fit(SMALL)
    one, other = fit_joint(runs, units), fit_joint(runs.sample(fraction=1.0, shuffle=True, seed=8), units)
    assert (one.answer.theta == other.answer.theta).all() and (one.answer.blup == other.answer.blup).all()


def test_a_covariate_is_found():
    runs, units = simulate_fit(FitTruth(builds=200, publishers=30))
    mark = (np.arange(200) % 2).astype(float)
    lift = pl.Series(1.0 + 0.1 * mark)[runs["unit"]] * runs["boost_kpa"] / runs["ambient_kpa"]
    plain = runs["boost_kpa"] / runs["ambient_kpa"]
    lifted = runs.with_columns(power=pl.col("power") * (1 + 0.9 * lift) / (1 + 0.9 * plain))
    fit = fit_joint(lifted, units, np.column_stack([np.ones(200), mark - mark.mean()]))
    error = fit.answer.covariance_model[1, 1] ** 0.5
    assert error < 0.03
    assert fit.answer.beta[1] == pytest.approx(0.09, abs=3 * error)


def test_exact_rule_followers_give_exactly_the_rule():
    builds = [(f"P{i % 4}", [100.0 + i], [(b, (100.0 + i) * (1 + b / 100.0)) for b in (30.0, 60.0, 90.0)]) for i in range(40)]
    fit = fit_joint(*hand_frames(*builds))
    assert fit.answer.theta == pytest.approx([1.0, 0.0], abs=1e-7)
    assert fit.answer.tau == pytest.approx(0.0, abs=1e-6)


def test_nothing_to_fit():
    fit = fit_joint(*hand_frames())
    assert fit.builds == 0 and "No build" in fit.why
    with pytest.raises(RequestProblem, match="No build"):
        fit.answer  # noqa: B018


def test_only_half_builds():
    fit = fit_joint(*hand_frames(("P", [100.0], []), ("P", [], [(50.0, 140.0)])))
    assert fit.effects is None and fit.dropped.height == 2


def test_one_boost_level_holds_the_curve_straight():
    builds = [(f"P{i % 3}", [100.0], [(55.0 + 0.1 * i, 150.0 + i)]) for i in range(9)]
    fit = fit_joint(*hand_frames(*builds))
    assert fit.single_boost_level and fit.answer.q == 0.0 and fit.answer.theta.size == 1
    assert fit.answer.beta[0] == pytest.approx(0.98, abs=0.02)


def test_two_builds_at_two_boosts_cannot_give_a_curvature():
    fit = fit_joint(*hand_frames(("P", [100.0], [(40.0, 138.0)]), ("Q", [100.0], [(90.0, 175.0)])))
    assert not fit.single_boost_level
    assert fit.answer.q == 0.0 and "too few builds" in fit.curvature_why


def test_a_covariate_that_is_the_boost_cannot_go_with_a_curvature():
    """One boosted run each, and a covariate equal to k/z = x - x_r of that run."""
    boosts = np.linspace(30, 120, 12)
    builds = [(f"P{i % 4}", [100.0], [(b, 100 + 0.9 * b + (i % 3))]) for i, b in enumerate(boosts)]
    fit = fit_joint(*hand_frames(*builds), np.column_stack([np.ones(12), boosts / 100 - 10 / 14.7]))
    assert "covariates" in fit.curvature_why and fit.answer.theta.size == 2


def test_covariates_that_cannot_be_told_apart_give_a_reason():
    runs, units = simulate_fit(SMALL)
    fit = fit_joint(runs, units, np.ones((40, 2)))
    assert fit.effects is None and "cannot tell the 2 coefficients apart" in fit.why


def test_forty_runs_in_a_build():
    boosted = [(20.0 + 3 * i, 100 * (1 + 0.9 * (0.2 + 0.03 * i)) * (1 + 0.01 * (-1) ** i)) for i in range(40)]
    fit = fit_joint(*hand_frames(("P", [100.0, 101.0], boosted), ("Q", [80.0], [(50.0, 118.0)]), ("R", [90.0], [(70.0, 150.0)])))
    assert fit.boosted_runs.tolist() == [40, 1, 1] and fit.runs == 46
    assert fit.own_slope[0] == pytest.approx(0.9, abs=0.03)
    assert fit.own_variance[0] < fit.own_variance[1]


def test_absurd_figures_give_a_fit_or_a_reason_but_no_traceback():
    builds = [(f"P{i % 3}", [100.0], [(50.0 + i, 1e6 if i == 2 else 0.01 if i == 3 else 145.0), (90.0, 180.0)]) for i in range(9)]
    fit = fit_joint(*hand_frames(*builds))
    assert fit.effects is None and "unit 2, 3" in fit.why
    assert fit.beyond_belief()["unit"].to_list() == [2, 3]


def test_a_fit_that_does_not_settle_prints_no_number(monkeypatch):
    monkeypatch.setattr(fixed_point, "MOST_PASSES", 2)
    fit = fit_joint(*simulate_fit(SMALL))
    assert fit.effects is None and not fit.converged and "did not settle" in fit.why
    assert answer_rule_ratio(fit).rule_ratio.value is None


def test_a_fit_whose_first_round_fails_still_shows_the_builds_own_slopes(monkeypatch):
    def singular(*_, **__):
        raise np.linalg.LinAlgError

    monkeypatch.setattr(fixed_point, "fit_random_effects", singular)
    fit = fit_joint(*simulate_fit(SMALL))
    assert fit.effects is None and fit.passes == 0 and "did not settle" in fit.why
    assert fit.grams.czz.size == fit.own_slope.size == 40 and np.isfinite(fit.own_slope).all()


def test_publishers_are_sorted_by_name_and_each_unit_points_at_its_own():
    runs, units = simulate_fit(SMALL)
    names = ["zeta", "Ärger", "Alpha", "alpha", "éa", "日本", "", "a|b"]
    fit = fit_joint(runs, units.with_columns(publisher=pl.Series([names[i % 8] for i in range(40)])))
    assert fit.publishers == tuple(sorted(names))
    assert [fit.publishers[g] for g in fit.publisher_index] == fit.units["publisher"].to_list()


def test_a_run_that_serves_two_units_is_counted_once():
    runs, units = simulate_fit(SMALL)
    own = runs.with_columns(run_key=pl.format("r{}", pl.int_range(pl.len())))
    assert fit_joint(own, units).runs == runs.height
    shared = own.with_columns(run_key=pl.when(pl.col("unit") < 3).then(pl.lit("one")).otherwise("run_key"))
    assert fit_joint(shared, units).runs == runs.filter(pl.col("unit") >= 3).height + 1


def test_few_builds_keep_the_stated_error_sizes():
    fit = fit_joint(*simulate_fit(FitTruth(builds=29, publishers=6)))
    assert set(fit.phi.values()) == {1.0}


def test_columns_beyond_the_needed_are_carried_and_the_input_is_left_alone():
    runs, units = simulate_fit(SMALL)
    before = units.with_columns(unit_id=pl.format("u{}", "unit"))
    fit = fit_joint(runs.with_columns(run_key=pl.lit("k")), before)
    assert fit.units.equals(before)
    table = fit.unit_table()
    assert table.columns == ["unit", "own_slope", "own_variance", "blup", "blup_variance"] and table.height == 40


def test_default_error_sizes_are_the_stated_psi():
    """0.173 psi and 0.10 psi in kPa; together 0.2 psi."""
    sizes = ErrorSizes()
    assert np.hypot(sizes.boost_sd_kpa, sizes.gauge_sd_kpa) == pytest.approx(0.2 * 6.894757, rel=1e-3)
