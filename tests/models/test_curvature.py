"""Curvature: two estimates of it, what follows from it, and when it cannot be told."""

import numpy as np
import polars as pl
import pytest
from scipy.stats import t

from models.curvature import answer_curvature, marginal_yield
from models.joint_fit import fit_joint
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO
from tests.models.fit_strategies import FitTruth, hand_frames, pinned_answers, pinned_frames, simulate_fit


@pytest.mark.reference
@pytest.mark.parametrize("key", ["dyno_scale_fixed_at_1", "dyno_scale_estimated"])
def test_pinned_within_builds(key):
    """Another implementation on the same runs; tolerances stand in the file's note."""
    expected = pinned_answers()[key]["curvature_within_builds"]
    answers = answer_curvature(fit_joint(*pinned_frames(), estimate_phi=key == "dyno_scale_estimated"))
    made = answers.within_builds
    assert made.value == pytest.approx(expected["q"], abs=1e-6)
    assert (made.high - made.value) / t.ppf(0.975, expected["builds"] - 1) == pytest.approx(
        expected["se_hartung_knapp_unfloored"], abs=1e-6
    )
    assert made.builds == expected["builds"]
    assert answers.within_builds_sd == pytest.approx(expected["tau_q"], rel=1e-4, abs=1e-9)
    assert answers.confounded is False


@pytest.fixture(scope="module")
def fit():
    return fit_joint(*simulate_fit(FitTruth(builds=300, publishers=40), seed=6))


def test_recovers_curvature(fit):
    answers = answer_curvature(fit)
    for made in (answers.one_stage, answers.within_builds):
        assert made.low < -0.08 < made.high
        assert made.high - made.low < 0.06


def test_marginal_yield_is_the_slope_of_the_curve(fit):
    beta, q = fit.answer.theta
    for psi in (5.0, 20.0):
        x = psi * KPA_PER_PSI / 101.325
        made = marginal_yield(fit, psi * KPA_PER_PSI)
        assert made.value == pytest.approx(beta + q * (2 * x - REFERENCE_BOOST_RATIO), rel=1e-12)
        row = np.array([1.0, 2 * x - REFERENCE_BOOST_RATIO])
        assert made.low < made.value - 1.9 * (row @ fit.answer.covariance_model @ row) ** 0.5


def test_last_over_first(fit):
    beta, q = fit.answer.theta
    made = answer_curvature(fit).last_over_first
    expected = (beta + q * (30 / 14.7 - REFERENCE_BOOST_RATIO)) / (beta - q * REFERENCE_BOOST_RATIO)
    assert made.value == pytest.approx(expected, rel=1e-12)
    truth = (0.9 - 0.08 * (30 / 14.7 - REFERENCE_BOOST_RATIO)) / (0.9 + 0.08 * REFERENCE_BOOST_RATIO)
    assert made.low < truth < made.high and made.low < made.value < made.high


def chosen_for_yield(seed: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Engines that take boost well are given more of it; the truth within each build is a straight line."""
    draw = np.random.default_rng(seed)
    builds = []
    for i in range(150):
        slope = draw.normal(0.9, 0.1)
        top = 90 + 300 * (slope - 0.9)
        boosts = [max(top * share, 15.0) for share in (0.75, 1.0)]
        noise = draw.normal(0, 0.012, 3)
        boosted = [(b, 100 * (1 + slope * b / 100) * np.exp(e)) for b, e in zip(boosts, noise, strict=False)]
        builds.append((f"P{i % 20}", [100 * np.exp(noise[2])], boosted))
    return hand_frames(*builds)


def test_boost_chosen_for_yield_is_found_out():
    answers = answer_curvature(fit_joint(*chosen_for_yield(1)))
    assert answers.confounded is True
    assert any("confounded" in note for note in answers.notes)
    assert answers.one_stage.value > answers.within_builds.value


def test_honest_boost_is_seldom_called_confounded():
    called = [
        answer_curvature(fit_joint(*simulate_fit(FitTruth(builds=70, publishers=12), seed=s))).confounded for s in range(20)
    ]
    assert sum(called) <= 4


def test_one_run_a_build_leaves_only_the_comparison_of_builds():
    answers = answer_curvature(fit_joint(*simulate_fit(FitTruth(builds=60, publishers=10, levels=1))))
    assert answers.one_stage.value is not None
    assert answers.within_builds.value is None and "two boosts" in answers.within_builds.why
    assert answers.confounded is None and "different builds only" in answers.notes[0]


def test_one_boost_read_by_gauges_that_differ_is_one_boost():
    """55 kPa everywhere, read with 1.38 kPa of gauge error; two builds at 110 kPa undo it."""
    read = np.random.default_rng(2).normal(55.0, 1.38, 30)
    builds = [(f"P{i % 6}", [100.0], [(b, 149.5 + i % 3)]) for i, b in enumerate(read)]
    answers = answer_curvature(fit_joint(*hand_frames(*builds)))
    assert answers.one_stage.value is None and "one boost" in answers.one_stage.why
    more = [*builds, ("P1", [100.0], [(110.0, 190.0)]), ("P2", [100.0], [(110.0, 191.0)])]
    assert answer_curvature(fit_joint(*hand_frames(*more))).one_stage.value is not None


def test_exactly_one_level_has_no_curvature():
    builds = [(f"P{i % 3}", [100.0], [(55.0, 148.0 + i)]) for i in range(8)]
    answers = answer_curvature(fit_joint(*hand_frames(*builds)))
    assert answers.one_stage.value is None and "one boost" in answers.one_stage.why
    assert answers.last_over_first.value is None
    assert answers.marginal_yield[0].estimate.value == answers.marginal_yield[3].estimate.value


def test_one_build_with_levels_has_no_interval():
    builds = [
        ("P", [100.0], [(40.0, 138.0), (80.0, 168.0), (120.0, 195.0)]),
        ("Q", [100.0], [(50.0, 146.0)]),
        ("R", [100.0], [(60.0, 153.0)]),
    ]
    answers = answer_curvature(fit_joint(*hand_frames(*builds)))
    assert answers.within_builds.value is not None and answers.within_builds.low is None
    assert "one build" in answers.within_builds.why and answers.confounded is None


def test_no_data():
    answers = answer_curvature(fit_joint(*hand_frames()))
    for made in (answers.one_stage, answers.within_builds, answers.last_over_first, answers.marginal_yield[0].estimate):
        assert made.value is None and made.why
