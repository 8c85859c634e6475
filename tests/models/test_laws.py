"""The laws against scipy.stats, whose names and digits they keep."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from models import laws

SHARES = np.concatenate([np.random.default_rng(1).uniform(size=2000), [1e-12, 1e-3, 0.5, 0.975, 1 - 1e-12, 1.0]])
POINTS = np.concatenate([5.0 * np.random.default_rng(2).normal(size=2000), [0.0, -40.0, 40.0, np.inf, -np.inf]])


def test_the_normal_law_is_that_of_scipy_stats():
    assert np.array_equal(laws.norm.ppf(SHARES), stats.norm.ppf(SHARES))
    assert np.array_equal(laws.norm.cdf(POINTS), stats.norm.cdf(POINTS))
    assert np.array_equal(laws.norm.pdf(POINTS), stats.norm.pdf(POINTS))


@pytest.mark.parametrize("freedom", [0.5, 1, 2, 3, 7, 20, 299, 1e6, np.inf])
def test_students_law_is_that_of_scipy_stats(freedom):
    assert np.array_equal(laws.t.ppf(SHARES, freedom), stats.t.ppf(SHARES, freedom))
    assert np.array_equal(laws.t.cdf(POINTS, freedom), stats.t.cdf(POINTS, freedom))
    assert np.array_equal(laws.t.sf(POINTS, freedom), stats.t.sf(POINTS, freedom))


@pytest.mark.parametrize("freedom", [0.5, 1, 2, 3, 7, 20, 299, 1e6])
def test_the_chi_squared_law_is_that_of_scipy_stats(freedom):
    assert np.array_equal(laws.chi2.ppf(SHARES, freedom), stats.chi2.ppf(SHARES, freedom))
    assert np.array_equal(laws.chi2.cdf(POINTS[POINTS >= 0], freedom), stats.chi2.cdf(POINTS[POINTS >= 0], freedom))


def test_without_freedom_there_is_no_quantile():
    assert np.isnan(laws.t.ppf(0.975, 0)) and np.isnan(laws.chi2.ppf(0.975, 0))


@pytest.mark.slow
def test_a_study_imports_no_library_before_it_is_used():
    heavy = "('scipy.stats', 'statsmodels', 'pandas', 'sklearn', 'altair')"
    asked = "smallest_gain_pct(PullError(0.01, 4, '', 'pulls'), 2, 0.95)"
    code = (
        "import sys, models.study, models.prediction_check, models.next_test, reports.write\n"
        "from models.session_repeats import PullError, smallest_gain_pct\n"
        f"{asked}; print([n for n in {heavy} if n in sys.modules])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"
