"""Pooling against published meta-analyses and certified regressions."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.meta_analysis import combine_effects

from models.pooling import pool, q_profile
from pipeline.errors import RequestProblem
from tests.models.fit_strategies import REFERENCE


@pytest.fixture(scope="module")
def bcg() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Log risk ratios of 13 trials of a vaccine (Colditz et al. 1994), their variances, and latitude."""
    trials = pl.read_csv(REFERENCE / "bcg.csv")
    tpos, tneg, cpos, cneg, latitude = (trials[name].to_numpy().astype(float) for name in trials.columns)
    y = np.log(tpos / (tpos + tneg)) - np.log(cpos / (cpos + cneg))
    v = 1 / tpos - 1 / (tpos + tneg) + 1 / cpos - 1 / (cpos + cneg)
    return y, v, latitude


# Viechtbauer 2010, J. Stat. Softw. 36(3), on Colditz et al. 1994; further digits computed with metafor 3.8-1:
# method, tau2, its standard error, I2 in percent, H2, estimate, standard error, interval.
PUBLISHED = [
    ("ee", 0.0, None, None, None, -0.4303, 0.0405, (-0.5097, -0.3509)),
    ("dl", 0.308760, 0.2299, 92.12, 12.69, -0.7141, 0.1787, (-1.0644, -0.3638)),
    ("reml", 0.313243, 0.1664, 92.22, 12.86, -0.7145, 0.1798, (-1.0669, -0.3622)),
    ("pm", 0.318068, None, 92.33, 13.04, -0.7150, 0.1809, (-1.0695, -0.3604)),
    ("ml", 0.280028, 0.1443, 91.38, 11.60, -0.7112, 0.1719, (-1.0481, -0.3743)),
    ("he", 0.328564, None, None, None, None, None, None),
]


@pytest.mark.reference
@pytest.mark.parametrize(
    ("method", "tau2", "tau2_se", "i2", "h2", "value", "se", "ends"), PUBLISHED, ids=[row[0] for row in PUBLISHED]
)
def test_bcg_table(bcg, method, tau2, tau2_se, i2, h2, value, se, ends):
    y, v, _ = bcg
    pooled = pool(y, v, method=method)
    assert pooled.converged
    assert pooled.tau2 == pytest.approx(tau2, abs=6e-7)
    assert pooled.q_within == pytest.approx(152.2330, abs=5e-5)
    assert pooled.freedom == 12
    if tau2_se is not None:
        assert pooled.tau2_se == pytest.approx(tau2_se, abs=5e-5)
    if i2 is not None:
        assert 100 * pooled.i2 == pytest.approx(i2, abs=5e-3)
        assert pooled.h2 == pytest.approx(h2, abs=5e-3)
    if value is not None:
        assert pooled.coefficients[0] == pytest.approx(value, abs=5e-5)
        assert pooled.covariance[0, 0] ** 0.5 == pytest.approx(se, abs=5e-5)
        assert pooled.interval() == pytest.approx(ends, abs=6e-5)


@pytest.mark.reference
def test_bcg_knapp_hartung(bcg):
    """Viechtbauer 2010: REML with the Knapp-Hartung adjustment, t(12)."""
    pooled = pool(*bcg[:2], method="reml", knapp_hartung=True)
    assert pooled.covariance[0, 0] ** 0.5 == pytest.approx(0.1808, abs=5e-5)
    assert pooled.interval() == pytest.approx((-1.1084, -0.3206), abs=5e-5)


@pytest.mark.reference
def test_bcg_q_profile_and_prediction(bcg):
    """Computed with metafor 3.8-1 on Colditz et al. 1994."""
    y, v, _ = bcg
    assert q_profile(y, v) == pytest.approx((0.1197, 1.1115), abs=5e-5)
    pooled = pool(y, v, method="reml")
    assert pooled.prediction_interval() == pytest.approx((-1.8667, 0.4376), abs=5e-5)
    assert pooled.prediction_interval(freedom=11) == pytest.approx((-2.0084, 0.5793), abs=5e-5)


@pytest.mark.reference
def test_bcg_latitude(bcg):
    """Viechtbauer 2010: REML with latitude as moderator; its search stopped at a change of 1e-5, short of 0.076348."""
    y, v, latitude = bcg
    pooled = pool(y, v, np.column_stack([np.ones(13), latitude]), method="reml")
    assert (pooled.tau2, pooled.tau2_se) == pytest.approx((0.0764, 0.0591), abs=6e-5)
    assert pooled.coefficients == pytest.approx([0.2515, -0.0291], abs=5e-5)
    assert np.sqrt(np.diag(pooled.covariance)) == pytest.approx([0.2491, 0.0072], abs=5e-5)
    assert pooled.q_within == pytest.approx(30.7331, abs=5e-5)
    assert (pooled.coefficients[1] ** 2 / pooled.covariance[1, 1]) == pytest.approx(16.3571, abs=2e-3)  # from the early stop too
    assert 1 - pooled.tau2 / pool(y, v, method="reml").tau2 == pytest.approx(0.7562, abs=2e-4)


def test_knapp_hartung_scale_is_one_at_paule_mandel(bcg):
    """By definition of Paule-Mandel the weighted mean square is 1 there; metafor 3.8-1 prints 0.180892 for both."""
    y, v, _ = bcg
    plain, scaled = (pool(y, v, method="pm", knapp_hartung=kh) for kh in (False, True))
    assert scaled.covariance[0, 0] == pytest.approx(plain.covariance[0, 0], rel=1e-12)
    assert plain.covariance[0, 0] ** 0.5 == pytest.approx(0.180892, abs=5e-7)


@pytest.mark.parametrize(("method", "theirs"), [("dl", "chi2"), ("pm", "iterated")])
def test_agrees_with_statsmodels(bcg, method, theirs):
    y, v, _ = bcg
    other = combine_effects(y, v, method_re=theirs, atol=1e-14)
    ours = pool(y, v, method=method)
    assert ours.tau2 == pytest.approx(other.tau2, rel=1e-9)
    assert ours.coefficients[0] == pytest.approx(other.mean_effect_re, rel=1e-9)
    assert ours.covariance[0, 0] ** 0.5 == pytest.approx(other.sd_eff_w_re, rel=1e-9)


NIST = "NIST Statistical Reference Datasets, linear regression, certified values"


def ols(x: np.ndarray, y: np.ndarray):
    """Ordinary least squares is equal-effects pooling of equal variances, scaled by the mean square."""
    return pool(y, np.ones(y.size), x, method="ee", knapp_hartung=True)


@pytest.mark.reference
@pytest.mark.parametrize(
    ("x", "y", "slope", "sd", "residual_sd"),
    [
        # NIST StRD NoInt1.
        (np.arange(60.0, 71), np.arange(130.0, 141), 2.07438016528926, 0.0165289256198347, 3.56753034006338),
        # NIST StRD NoInt2 (certified digits from memory, checked in exact rational arithmetic: 8/11).
        (np.array([4.0, 5, 6]), np.array([3.0, 4, 4]), 0.727272727272727, 0.0420827318078432, 0.369274472937998),
    ],
    ids=["NoInt1", "NoInt2"],
)
def test_regression_through_origin(x, y, slope, sd, residual_sd):
    fit = ols(x[:, None], y)
    assert fit.coefficients[0] == pytest.approx(slope, rel=1e-13)
    assert fit.covariance[0, 0] ** 0.5 == pytest.approx(sd, rel=1e-12)
    assert (fit.q_within / fit.freedom) ** 0.5 == pytest.approx(residual_sd, rel=1e-12)


@pytest.mark.reference
def test_norris():
    """NIST StRD Norris, certified values."""
    data = pl.read_csv(REFERENCE / "norris.csv")
    x = data["x"].to_numpy()
    fit = ols(np.column_stack([np.ones(x.size), x]), data["y"].to_numpy())
    assert data.height == 36
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-11)
    assert (fit.q_within / fit.freedom) ** 0.5 == pytest.approx(0.884796396144373, rel=1e-12)
    assert fit.freedom == 34


def test_homogeneous_estimates_give_no_negative_spread():
    y, v = np.array([1.0, 1.01, 0.99, 1.0]), np.full(4, 0.04)
    for method in ("reml", "ml", "dl", "pm", "he"):
        assert pool(y, v, method=method).tau2 == 0.0
    assert q_profile(y, v)[0] == 0.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(-3, 3), st.floats(0.01, 2)), min_size=3, max_size=12), st.floats(0.01, 100))
def test_scale_and_shift(pairs, scale):
    """y in another unit: estimates scale, tau2 by the square; a shift moves only the mean."""
    y, v = (np.array(column) for column in zip(*pairs, strict=True))
    for method in ("dl", "pm", "he"):
        one, other = pool(y, v, method=method), pool(scale * y + 5, scale**2 * v, method=method)
        assert other.tau2 == pytest.approx(scale**2 * one.tau2, rel=1e-6, abs=1e-9 * scale**2)
        assert other.coefficients[0] == pytest.approx(scale * one.coefficients[0] + 5, rel=1e-7, abs=1e-7 * scale)


@pytest.mark.parametrize(
    ("y", "v", "design"),
    [
        ([1.0, 2.0], [0.1], None),
        ([1.0, np.nan], [0.1, 0.1], None),
        ([1.0, 2.0], [0.1, 0.0], None),
        ([1.0], [0.1], None),
        ([1.0, 2.0, 3.0], [0.1, 0.1, 0.1], np.ones((3, 2))),
    ],
    ids=["lengths", "missing", "no variance", "one estimate", "same moderator twice"],
)
def test_refuses_what_cannot_be_pooled(y, v, design):
    with pytest.raises(RequestProblem):
        pool(np.array(y), np.array(v), design)
