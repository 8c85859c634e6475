"""Equivalence of the mean, the share of builds within the margin, and the words for both."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, t

from models.equivalence import answer_equivalence, judge_mean, one_sided_tests, share_inside, spread_quantiles
from models.estimate import Estimate
from models.joint_fit import fit_joint
from models.pooling import q_profile
from pipeline.errors import RequestProblem
from tests.models.fit_strategies import FitTruth, hand_frames, simulate_fit


def band(low, high, level=0.95):
    return Estimate((low + high) / 2, low, high, level, "1", 50, 200)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("freedom", "se", "bound", "expected"),
    [
        # The help example of a public TOST package: means 5.25 and 5.22, sd 0.95 and 0.83, n 95 and 89.
        # Welch, bounds +-0.383569, df 181.134: t 3.1497 (p 0.000956) and -2.6928 (p 0.003876).
        (181.134, math.hypot(0.95 / 95**0.5, 0.83 / 89**0.5), 0.383569, (3.1497, -2.6928, 0.000956, 0.003876)),
        # Pooled, bounds +-0.429116, df 182: 3.4813 (p 0.000312) and -3.0263 (p 0.001417).
        (
            182,
            ((94 * 0.95**2 + 88 * 0.83**2) / 182 * (1 / 95 + 1 / 89)) ** 0.5,
            0.429116,
            (3.4813, -3.0263, 0.000312, 0.001417),
        ),
    ],
    ids=["welch", "pooled"],
)
def test_published_one_sided_tests(freedom, se, bound, expected):
    lower_t, upper_t, p_value = one_sided_tests(0.03, se, freedom, -bound, bound)
    assert (lower_t, upper_t) == pytest.approx(expected[:2], abs=2e-4)
    assert t.sf(lower_t, freedom) == pytest.approx(expected[2], abs=2e-6)
    assert p_value == pytest.approx(expected[3], abs=2e-6)


@pytest.mark.reference
def test_published_interval_of_the_same_example():
    """90 % interval -0.1871 to 0.2471 of the difference (Welch), inside the bounds as both tests say."""
    se = math.hypot(0.95 / 95**0.5, 0.83 / 89**0.5)
    half = t.ppf(0.95, 181.134) * se
    assert (0.03 - half, 0.03 + half) == pytest.approx((-0.1871, 0.2471), abs=1e-4)


@pytest.mark.parametrize(
    ("narrow", "wide", "verdict"),
    [
        (band(0.93, 0.99, 0.9), band(0.92, 1.0), "holds"),
        (band(0.89, 0.99, 0.9), band(0.88, 1.0), "not shown"),
        (band(0.80, 0.88, 0.9), band(0.79, 0.89), "does not hold"),
        (band(0.80, 0.893, 0.9), band(0.79, 0.901), "not shown"),
        (band(1.12, 1.2, 0.9), band(1.11, 1.21), "does not hold"),
        (Estimate(0.95, None, None, 0.9, "1", 4, 9, "one publisher"), band(0.9, 1.0), "cannot tell"),
    ],
)
def test_verdict_on_the_mean(narrow, wide, verdict):
    assert judge_mean(narrow, wide) == verdict


def test_share_of_a_normal_spread():
    assert share_inside(1.0, 0.10, 0.10) == pytest.approx(norm.cdf(1) - norm.cdf(-1))
    assert share_inside(0.95, 0.0, 0.10) == pytest.approx(1.0)
    assert share_inside(0.85, 0.0, 0.10) == pytest.approx(0.0)


def test_spread_pivot_is_that_of_the_q_profile():
    draw = np.random.Generator(np.random.PCG64(4))
    v = draw.uniform(0.001, 0.01, 60)
    y = 0.9 + draw.normal(0, 0.1, 60) + draw.normal(0, 1, 60) * v**0.5
    low, high = q_profile(y, v, level=0.95)
    assert spread_quantiles(y, v, np.array([0.025, 0.975])) == pytest.approx([low**0.5, high**0.5], rel=1e-3)
    assert (spread_quantiles(np.full(20, 0.9), np.full(20, 0.01), np.array([0.1, 0.5])) == 0.0).all()


@pytest.mark.parametrize(
    ("beta", "verdict"), [(1.0, "holds"), (0.75, "does not hold"), (0.895, "not shown")], ids=["rule", "far", "edge"]
)
def test_recovers_mean_and_share(beta, verdict):
    truth = FitTruth(builds=250, publishers=40, beta=beta, q=0.0)
    answers = answer_equivalence(fit_joint(*simulate_fit(truth, seed=12)))
    assert answers.mean == verdict
    true_share = share_inside(beta, math.hypot(truth.tau_build, truth.tau_source), 0.10)
    assert answers.share_of_builds.low < true_share < answers.share_of_builds.high
    assert answers.share_of_builds.high - answers.share_of_builds.low < 0.25
    assert (answers.p_value < 0.05) == (verdict == "holds")


def test_words_carry_both_halves_and_never_confirm():
    holds = answer_equivalence(fit_joint(*simulate_fit(FitTruth(builds=250, publishers=40, beta=1.0, q=0.0), seed=11)))
    assert holds.sentence.startswith("On average the rule holds within 10% (mean rule ratio")
    assert "90% interval" in holds.sentence and "A single build follows it that closely in about" in holds.sentence
    edge = answer_equivalence(fit_joint(*simulate_fit(FitTruth(builds=60, beta=0.895), seed=11)))
    assert edge.sentence.startswith("These data do not show that the rule holds within 10%")
    for text in (holds.sentence, edge.sentence):
        assert "confirm" not in text and "significant" not in text


def test_raw_share_is_below_the_true_one_where_errors_are_large():
    truth = FitTruth(builds=400, publishers=40, beta=1.0, q=0.0, tau_build=0.05, tau_source=0.0, noise=2.0, levels=1)
    answers = answer_equivalence(fit_joint(*simulate_fit(truth, seed=3)))
    assert answers.raw_share < share_inside(1.0, 0.05, 0.10) - 0.05
    assert answers.share_of_builds.value > answers.raw_share


def test_one_publisher_gives_value_without_ends():
    runs, units = simulate_fit(FitTruth(builds=20, publishers=1), seed=2)
    answers = answer_equivalence(fit_joint(runs, units))
    assert answers.mean == "cannot tell" and answers.p_value is None
    assert answers.share_of_builds.value is not None and answers.share_of_builds.low is None
    assert "one publisher" in answers.share_of_builds.why and "cannot be told" in answers.sentence


def test_no_fit_and_one_build_say_why():
    empty = answer_equivalence(fit_joint(*hand_frames(("A", [100.0], []))))
    assert empty.mean == "cannot tell" and empty.share_of_builds.value is None and empty.sentence
    one = answer_equivalence(fit_joint(*hand_frames(("A", [100.0, 101.0], [(50.0, 140.0)]))))
    assert one.share_of_builds.value is None and "no spread" in one.share_of_builds.why


def test_refuses_a_fit_with_covariates():
    fit = fit_joint(*simulate_fit(FitTruth(builds=30), seed=1))
    with pytest.raises(RequestProblem, match="without covariates"):
        answer_equivalence(replace(fit, design=np.ones((30, 2))))
