"""The headline and the curve: intervals from their definitions, and answers where data are thin."""

import numpy as np
import pytest
from scipy.stats import t

from models.joint_fit import fit_joint
from models.pooling import q_profile
from models.yield_fit import answer_rule_ratio, mean_curve
from tests.models.fit_strategies import FitTruth, hand_frames, simulate_fit


@pytest.fixture(scope="module")
def fit():
    return fit_joint(*simulate_fit(FitTruth(builds=80, publishers=12), seed=3))


def test_interval_is_t_on_publishers_with_the_larger_error(fit):
    effects = fit.answer
    made = answer_rule_ratio(fit, 0.9).rule_ratio
    se = max(effects.covariance_model[0, 0], effects.covariance_jackknife[0, 0]) ** 0.5
    assert made.high - made.value == pytest.approx(t.ppf(0.95, 11) * se, rel=1e-12)
    assert made.value - made.low == pytest.approx(t.ppf(0.95, 11) * se, rel=1e-12)
    assert (made.level, made.builds, made.unit) == (0.9, 80, "1")


def test_new_build_adds_the_spread(fit):
    effects = fit.answer
    answers = answer_rule_ratio(fit)
    half = answers.new_build_rule_ratio.high - answers.new_build_rule_ratio.value
    se = max(effects.covariance_model[0, 0], effects.covariance_jackknife[0, 0]) ** 0.5
    assert half == pytest.approx(t.ppf(0.975, 11) * np.sqrt(effects.tau_build**2 + effects.tau_source**2 + se**2), rel=1e-12)


def test_spread_is_both_levels_with_its_q_profile(fit):
    made = answer_rule_ratio(fit).between_builds_sd
    low, high = q_profile(fit.own_slope, fit.own_variance)
    assert made.value == pytest.approx(np.hypot(fit.answer.tau_build, fit.answer.tau_source), rel=1e-14)
    assert (made.low, made.high) == pytest.approx((low**0.5, high**0.5), rel=1e-12)
    assert made.low < made.value < made.high


def test_curve_at_the_reference_boost_is_the_rule_ratio(fit):
    """At 10/14.7 of an atmosphere the curvature term vanishes: the gain ratio is x_r times the rule ratio."""
    x = 10 / 14.7
    curve = mean_curve(fit, [0.0, x * 101.325])
    headline = answer_rule_ratio(fit)
    at = curve.mean[1].estimate
    assert (at.value, at.low, at.high) == pytest.approx(
        tuple(x * end for end in (headline.rule_ratio.value, headline.rule_ratio.low, headline.rule_ratio.high)), rel=1e-12
    )
    new = curve.new_build[1].estimate
    assert new.high == pytest.approx(x * headline.new_build_rule_ratio.high, rel=1e-12)
    nothing = curve.mean[0].estimate
    assert (nothing.value, nothing.low, nothing.high) == (0.0, 0.0, 0.0)


def test_one_publisher_gives_a_value_without_ends():
    runs, units = simulate_fit(FitTruth(builds=12, publishers=1))
    answers = answer_rule_ratio(fit_joint(runs, units))
    for made in (answers.rule_ratio, answers.new_build_rule_ratio):
        assert made.value == pytest.approx(0.9, abs=0.15)
        assert (made.low, made.high) == (None, None) and "one publisher" in made.why
    assert answers.between_builds_sd.low is not None


def test_one_build():
    answers = answer_rule_ratio(fit_joint(*hand_frames(("P", [100.0], [(50.0, 145.0)]))))
    assert answers.rule_ratio.value == pytest.approx(0.9, abs=1e-6)
    assert answers.rule_ratio.low is None and answers.rule_ratio.why
    assert answers.between_builds_sd.value is None and "more builds" in answers.between_builds_sd.why
    assert any("boost tested" in note for note in answers.notes)


def test_few_publishers_are_said():
    answers = answer_rule_ratio(fit_joint(*simulate_fit(FitTruth(builds=20, publishers=3))))
    assert answers.rule_ratio.low is not None
    assert any("Only 3 publishers" in note for note in answers.notes)


def test_one_build_each_is_said():
    answers = answer_rule_ratio(fit_joint(*simulate_fit(FitTruth(builds=9, publishers=9))))
    assert any("one build" in note for note in answers.notes)


def test_misprints_are_pointed_at():
    """A power of 60 for 145 in one of sixty builds with two levels each: the scatter says so; a tenfold one is named."""
    draw = np.random.default_rng(1)
    builds = [(f"P{i % 5}", [100.0], [(50.0, 145 + draw.normal(0, 3)), (90.0, 180 + draw.normal(0, 3))]) for i in range(60)]
    assert answer_rule_ratio(fit_joint(*hand_frames(*builds))).notes == ()
    one_off = [("P0", [100.0], [(50.0, 60.0), (90.0, 180.0)]), *builds[1:]]
    assert any("scatter" in note for note in answer_rule_ratio(fit_joint(*hand_frames(*one_off))).notes)
    tenfold = [("P0", [100.0], [(50.0, 1450.0), (90.0, 1800.0)]), *builds[1:]]
    assert any("above 3 (P0)" in note for note in answer_rule_ratio(fit_joint(*hand_frames(*tenfold))).notes)


def test_no_data_is_an_answer_with_a_reason():
    fit = fit_joint(*hand_frames())
    answers = answer_rule_ratio(fit)
    for made in (
        answers.rule_ratio,
        answers.between_builds_sd,
        answers.new_build_rule_ratio,
        mean_curve(fit, [50.0]).mean[0].estimate,
    ):
        assert (made.value, made.low, made.high) == (None, None, None) and made.why
