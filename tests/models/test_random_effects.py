"""REML over builds and publishers against dense matrices, and against the fitting library."""

from dataclasses import astuple, replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM

from models.build_grams import BuildGrams
from models.pooling import pool
from models.random_effects import fit_random_effects


class Dense:
    """The same model with one row per observation and every matrix written out."""

    def __init__(self, builds=14, publishers=4, seed=2, tau=(0.1, 0.06), covariate=False):
        draw = np.random.default_rng(seed)
        self.group = np.arange(builds) % publishers
        self.design = np.ones((builds, 1))
        if covariate:
            self.design = np.column_stack([self.design, draw.normal(size=builds)])
        slope = 0.9 + draw.normal(0, tau[1], publishers)[self.group] + draw.normal(0, tau[0], builds)
        self.z = [draw.uniform(0.2, 0.6, 3) for _ in range(builds)]
        self.k = [z * (z - 0.4) for z in self.z]
        self.sd = 0.02
        self.y = [s * z - 0.1 * k + draw.normal(0, self.sd, 3) for s, z, k in zip(slope, self.z, self.k, strict=True)]
        w = 1 / self.sd**2
        pairs = {"czz": ("z", "z"), "czk": ("z", "k"), "ckk": ("k", "k"), "czy": ("z", "y"), "cky": ("k", "y"), "cyy": ("y", "y")}
        made = {
            n: np.array([w * a @ b for a, b in zip(getattr(self, i), getattr(self, j), strict=True)])
            for n, (i, j) in pairs.items()
        }
        self.grams = BuildGrams(**made)

    def matrices(self, tau_build, tau_source):
        z_build = block_diag(*[z[:, None] for z in self.z])
        z_source = z_build @ np.eye(self.group.max() + 1)[self.group]
        v = self.sd**2 * np.eye(z_build.shape[0]) + tau_build**2 * z_build @ z_build.T + tau_source**2 * z_source @ z_source.T
        x = np.column_stack([z_build @ self.design, np.concatenate(self.k)])
        return x, np.linalg.inv(v), np.linalg.slogdet(v)[1], z_build, z_source

    def minus_two_log(self, taus):
        x, v_inverse, log_det, *_ = self.matrices(*taus)
        y = np.concatenate(self.y)
        a = x.T @ v_inverse @ x
        theta = np.linalg.solve(a, x.T @ v_inverse @ y)
        r = y - x @ theta
        return log_det + np.linalg.slogdet(a)[1] + r @ v_inverse @ r


@pytest.mark.parametrize("covariate", [False, True])
def test_agrees_with_dense_reml(covariate):
    dense = Dense(covariate=covariate)
    fit = fit_random_effects(dense.grams, dense.design, dense.group)
    best = minimize(dense.minus_two_log, (0.1, 0.03), bounds=[(0, 2)] * 2, options={"ftol": 1e-15, "gtol": 1e-9})
    assert fit.converged
    assert (fit.tau_build, fit.tau_source) == pytest.approx(best.x, rel=1e-4)
    assert dense.minus_two_log((fit.tau_build, fit.tau_source)) <= best.fun + 1e-10
    x, v_inverse, _, z_build, z_source = dense.matrices(fit.tau_build, fit.tau_source)
    y = np.concatenate(dense.y)
    covariance = np.linalg.inv(x.T @ v_inverse @ x)
    theta = covariance @ x.T @ v_inverse @ y
    assert fit.theta == pytest.approx(theta, rel=1e-9)
    assert fit.covariance_model == pytest.approx(covariance, rel=1e-8)
    held = [(0.1, 0.05), (0.02, 0.3), (0.0, 0.0)]
    fits = [fit_random_effects(dense.grams, dense.design, dense.group, fixed_taus=taus) for taus in held]
    constants = [dense.minus_two_log(taus) + 2 * one.log_likelihood for taus, one in zip(held, fits, strict=True)]
    assert np.ptp(constants) == pytest.approx(0, abs=1e-8)


def test_predictions_agree_with_dense_formulas():
    """Prediction C V^-1 (y - X theta) and its error variance from the joint covariance of slopes and data."""
    dense = Dense(covariate=True)
    fit = fit_random_effects(dense.grams, dense.design, dense.group)
    x, v_inverse, _, z_build, _ = dense.matrices(fit.tau_build, fit.tau_source)
    same = (dense.group[:, None] == dense.group[None, :]).astype(float)
    slopes = fit.tau_build**2 * np.eye(14) + fit.tau_source**2 * same
    c = slopes @ z_build.T
    mean = np.column_stack([dense.design, np.zeros(14)])
    predicted = mean @ fit.theta + c @ v_inverse @ (np.concatenate(dense.y) - x @ fit.theta)
    left = mean - c @ v_inverse @ x
    error = slopes - c @ v_inverse @ c.T + left @ fit.covariance_model @ left.T
    assert fit.blup == pytest.approx(predicted, rel=1e-9)
    assert fit.blup_variance == pytest.approx(np.diag(error), rel=1e-8)


def test_jackknife_is_refitting_without_each_publisher():
    dense = Dense(builds=18, publishers=5)
    fit = fit_random_effects(dense.grams, dense.design, dense.group)
    left = []
    for g in range(5):
        keep = dense.group != g
        rest = BuildGrams(*(column[keep] for column in astuple(dense.grams)))
        group = np.unique(dense.group[keep], return_inverse=True)[1]
        one = fit_random_effects(rest, dense.design[keep], group, fixed_taus=(fit.tau_build, fit.tau_source))
        left.append(one.theta - fit.theta)
    assert fit.covariance_jackknife == pytest.approx(4 / 5 * np.array(left).T @ np.array(left), rel=1e-8)


def test_slopes_alone_agree_with_classic_meta_analysis():
    """Without curvature and publishers the fit is the random-effects meta-analysis of the builds' own slopes."""
    dense = Dense()
    fit = fit_random_effects(dense.grams, dense.design, dense.group, with_curvature=False, with_publisher_level=False)
    classic = pool(dense.grams.czy / dense.grams.czz, 1 / dense.grams.czz, method="reml")
    assert fit.tau_build**2 == pytest.approx(classic.tau2, rel=1e-7)
    assert fit.beta[0] == pytest.approx(classic.coefficients[0], rel=1e-10)
    assert fit.covariance_model == pytest.approx(classic.covariance, rel=1e-7)
    assert fit.q == 0.0


def test_agrees_with_mixedlm():
    """statsmodels' MixedLM with a random slope per build; its residual variance is given to ours, all else is estimated."""
    dense = Dense(builds=40, publishers=8)
    rows = np.repeat(np.arange(40), 3)
    x = np.column_stack([np.concatenate(dense.z), np.concatenate(dense.k)])
    other = MixedLM(np.concatenate(dense.y), x, rows, exog_re=x[:, :1]).fit(reml=True, gtol=1e-10)
    scale = dense.sd**2 / other.scale
    grams = BuildGrams(*(column * scale for column in astuple(dense.grams)))
    fit = fit_random_effects(grams, dense.design, dense.group, with_publisher_level=False)
    assert fit.theta == pytest.approx(other.fe_params, rel=1e-5)
    assert fit.tau_build**2 == pytest.approx(float(np.asarray(other.cov_re)[0, 0]), rel=1e-3)
    assert np.sqrt(np.diag(fit.covariance_model)) == pytest.approx(other.bse_fe, rel=1e-3)


def test_no_spread_ends_at_zero():
    """Slopes closer together than their errors: both variances stand at the border, and the search says it is done."""
    dense = Dense(tau=(0.0, 0.0))
    same = replace(
        dense.grams, czy=0.9 * dense.grams.czz - 0.1 * dense.grams.czk, cky=0.9 * dense.grams.czk - 0.1 * dense.grams.ckk
    )
    fit = fit_random_effects(same, dense.design, dense.group)
    assert (fit.tau_build, fit.tau_source, fit.converged) == (0.0, 0.0, True)
    assert fit.theta == pytest.approx([0.9, -0.1], rel=1e-9)


def test_start_does_not_matter():
    dense = Dense(builds=60, publishers=9)
    fits = [
        fit_random_effects(dense.grams, dense.design, dense.group, start_taus=t)
        for t in ((0.1, 0.03), (1.9, 1.9), (0.0, 0.0), (1e-4, 1.0))
    ]
    for fit in fits[1:]:
        assert fit.tau_build == pytest.approx(fits[0].tau_build, rel=1e-7)
        assert fit.tau_source == pytest.approx(fits[0].tau_source, rel=1e-7)


def test_one_build_per_publisher_puts_all_spread_down_to_builds():
    dense = Dense(builds=12, publishers=12)
    fit = fit_random_effects(dense.grams, dense.design, dense.group)
    assert fit.tau_source == 0.0 and fit.tau_build > 0.0 and fit.converged


def test_one_publisher_has_no_jackknife():
    dense = Dense(publishers=1)
    fit = fit_random_effects(dense.grams, dense.design, dense.group)
    assert (fit.tau_source, fit.publishers, fit.covariance_jackknife) == (0.0, 1, None)
    assert "one publisher" in fit.jackknife_why


def test_jackknife_without_predictions_is_the_same():
    dense = Dense()
    whole = fit_random_effects(dense.grams, dense.design, dense.group)
    bare = fit_random_effects(dense.grams, dense.design, dense.group, with_predictions=False, with_jackknife=True)
    assert (bare.covariance_jackknife == whole.covariance_jackknife).all() and bare.jackknife_why is None
    assert bare.blup.size == bare.source_effects.size == 0
    none = fit_random_effects(dense.grams, dense.design, dense.group, with_predictions=False)
    assert none.covariance_jackknife is None and none.jackknife_why == "not asked for"


def test_jackknife_that_loses_a_coefficient_is_not_given():
    """The covariate is 1 at one publisher only: without it nothing tells its coefficient."""
    dense = Dense(builds=12, publishers=4)
    design = np.column_stack([np.ones(12), dense.group == 2]).astype(float)
    fit = fit_random_effects(dense.grams, design, dense.group)
    assert fit.covariance_jackknife is None and "without one of the publishers" in fit.jackknife_why


def test_one_build():
    dense = Dense(builds=1, publishers=1)
    fit = fit_random_effects(dense.grams, dense.design, dense.group)
    assert (fit.tau_build, fit.tau_source, fit.converged) == (0.0, 0.0, True)
    assert np.isfinite(fit.theta).all()
