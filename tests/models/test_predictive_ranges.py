"""Ends of CV+ and of the model range: ranks, weights, few builds, and the law of their coverage."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from models.engine_columns import curve_of, log_power_sd
from models.estimate_records import EngineRequest, FoldModel
from models.predictive_ranges import log_ends, weighted_end, why_no_range

REQUEST = EngineRequest(250.0, 60.0)


@pytest.mark.reference
@pytest.mark.parametrize(("n", "level", "rank"), [(19, 0.95, 19), (99, 0.99, 99), (99, 0.95, 95), (40, 0.80, 33), (10, 0.80, 9)])
def test_end_is_the_score_of_the_conformal_rank(n, level, rank):
    """Rank ceil((n + 1)(1 - alpha)): split conformal prediction (Vovk; Lei et al. 2018)."""
    assert rank == math.ceil((n + 1) * level - 1e-9)
    values = np.random.default_rng(1).permutation(np.arange(1.0, n + 1))
    assert weighted_end(list(values), [1 / (n + 1)] * n, level) == rank


@pytest.mark.reference
@pytest.mark.parametrize(("n", "level"), [(18, 0.95), (98, 0.99), (3, 0.80)])
def test_too_few_scores_give_no_finite_end(n, level):
    """A finite region needs 19 scores at 95 % and 99 at 99 % (the same sources)."""
    assert weighted_end([1.0] * n, [1 / (n + 1)] * n, level) is None


@pytest.mark.reference
def test_coverage_given_the_scores_follows_the_beta_law():
    """Beta(k, n + 1 - k), k the rank (Vovk 2012, from memory)."""
    rng, n, level = np.random.default_rng(7), 39, 0.80
    k = math.ceil((n + 1) * level - 1e-9)
    covered = [stats.norm.cdf(weighted_end(list(rng.standard_normal(n)), [1 / (n + 1)] * n, level)) for _ in range(600)]
    assert stats.kstest(covered, stats.beta(k, n + 1 - k).cdf).pvalue > 0.01
    assert stats.kstest(covered, stats.beta(k - 2, n + 3 - k).cdf).pvalue < 0.01


def test_a_build_with_many_runs_weighs_no_more_than_one_with_one():
    values, weights = [9.0] * 50 + [1.0, 2.0, 3.0], [1 / 50 / 5] * 50 + [1 / 5] * 3
    assert weighted_end(values, weights, 0.6) == 3.0
    assert weighted_end(values, weights, 0.8) == 9.0


def _with(prediction, **changed):
    return replace(prediction.model, **changed)


def test_one_fold_of_the_whole_fit_gives_split_conformal_ends(prediction):
    model, n = prediction.model, 39
    scores = tuple(float(v) for v in range(1, n + 1))
    fold = FoldModel(model.coefficients, model.curvature, scores, (1 / (n + 1),) * n)
    alone = _with(prediction, folds=(fold,), method="cv_plus")
    curve, x = curve_of(alone, REQUEST), REQUEST.boost_kpa / REQUEST.ambient_kpa
    sd, ends = log_power_sd(alone, REQUEST, curve, x), log_ends(alone, REQUEST, curve, x, 1.0)
    assert ends.up80 == pytest.approx(32 * sd) and ends.down80 == pytest.approx(32 * sd)
    assert ends.up95 == pytest.approx(38 * sd)


def test_a_fold_that_expects_more_lifts_the_upper_end_and_not_the_lower(prediction):
    model = prediction.model
    curve, x = curve_of(model, REQUEST), REQUEST.boost_kpa / REQUEST.ambient_kpa
    lifted = tuple(replace(f, coefficients=(f.coefficients[0] + 0.05, *f.coefficients[1:])) for f in model.folds)
    before, after = log_ends(model, REQUEST, curve, x, 1.0), log_ends(_with(prediction, folds=lifted), REQUEST, curve, x, 1.0)
    assert after.up80 > before.up80 + 0.01 and after.down80 < before.down80 - 0.01


def test_model_range_is_t_times_sd_and_widening_multiplies(prediction):
    model = _with(prediction, method="model")
    curve, x = curve_of(model, REQUEST), REQUEST.boost_kpa / REQUEST.ambient_kpa
    sd = log_power_sd(model, REQUEST, curve, x)
    assert log_ends(model, REQUEST, curve, x, 1.0).up80 == pytest.approx(model.errors.t80 * sd)
    assert log_ends(model, REQUEST, curve, x, 2.0).down95 == pytest.approx(2 * model.errors.t95 * sd)


def test_below_19_builds_there_is_no_95_range_and_a_sentence(prediction):
    model = _with(prediction, method="model", has_95=False)
    ends = log_ends(model, REQUEST, curve_of(model, REQUEST), 0.6, 1.0)
    assert ends.up95 is None and ends.down95 is None and ends.up80 is not None
    assert why_no_range(19) is None
    assert "18 builds" in why_no_range(18) and "19" in why_no_range(18)
    assert log_ends(replace(model, method="none"), REQUEST, curve_of(model, REQUEST), 0.6, 1.0).up80 is None
