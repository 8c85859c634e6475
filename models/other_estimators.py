"""The mean rule ratio by estimators that others would reach for, on the same builds: lines of the sensitivity table.

A boosted run says g = P / P0 - 1 = s x + q x (x - x_r), with P0 the build's mean baseline and x boost over air pressure.
None of these knows the error of P0 or of boost; each says in its sentence what it leaves out (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

import warnings

import numpy as np
import polars as pl

from models.build_sums import Floats
from models.estimate import Estimate
from models.fit_answers import missing
from models.joint_fit import JointFit
from models.laws import t
from models.pooling import pool
from models.rule import REFERENCE_BOOST_RATIO
from models.sample import Sample

#: The mixed model of statsmodels needs minutes beyond this, and is left out with a sentence.
MOST_BUILDS_FOR_MIXED = 1_500

#: Boost ratios that spread less than this (sd) give no curvature.
LEAST_SPREAD = 0.02


def _columns(sample: Sample) -> tuple[pl.DataFrame, Floats, Floats]:
    """Boosted runs with publisher; outcome (n,), columns (n, 2) or, at one boost, (n, 1)."""
    boosted = sample.runs.filter(pl.col("boost_kpa") > 0).join(
        sample.units.select("unit", "publisher"), on="unit", how="left", maintain_order="left"
    )
    x = boosted["boost_ratio"].to_numpy().astype(np.float64)
    curved = x * (x - REFERENCE_BOOST_RATIO)
    columns = np.column_stack([x, curved]) if x.size > 2 and x.std() > LEAST_SPREAD else x[:, None]
    return boosted, boosted["gain_ratio"].to_numpy().astype(np.float64), columns


def _nothing(sample: Sample, level: float, why: str) -> Estimate:
    return Estimate(None, None, None, level, "1", sample.units.height, sample.runs.height, why)


def _too_few(sample: Sample, level: float) -> Estimate | None:
    builds, publishers = sample.units.height, sample.units["publisher"].n_unique()
    if builds < 3 or publishers < 2:
        return _nothing(
            sample, level, f"{builds} builds of {publishers} publishers are too few for this estimator; it needs 3 of 2."
        )
    return None


def clustered_regression(sample: Sample, level: float) -> Estimate:
    """Least squares over runs, errors clustered by publisher (statsmodels OLS), t(G - 1)."""
    from statsmodels.regression.linear_model import OLS

    few = _too_few(sample, level)
    if few is not None:
        return few
    boosted, gained, columns = _columns(sample)
    names, cluster = np.unique(boosted["publisher"].to_numpy().astype(str), return_inverse=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = OLS(gained, columns).fit(cov_type="cluster", cov_kwds={"groups": cluster}, use_t=True)
    value, se = float(found.params[0]), float(found.bse[0])
    if not (np.isfinite(value) and np.isfinite(se) and se > 0.0):
        return _nothing(sample, level, "The clustered regression gives no standard error on these runs.")
    half = float(t.ppf(0.5 + level / 2.0, names.size - 1)) * se
    return Estimate(value, value - half, value + half, level, "1", sample.units.height, sample.runs.height)


def mixed_model(sample: Sample, level: float) -> Estimate:
    """Slopes that differ by publisher and by build (statsmodels MixedLM, REML), normal interval; no number without convergence."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    few = _too_few(sample, level)
    if few is not None:
        return few
    if sample.units.height > MOST_BUILDS_FOR_MIXED:
        why = f"The mixed model of statsmodels takes minutes above {MOST_BUILDS_FOR_MIXED:,} builds and was left out."
        return _nothing(sample, level, why)
    boosted, gained, columns = _columns(sample)
    by_build = _vc_of_builds(boosted, columns[:, 0])
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            model = MixedLM(gained, columns, groups=boosted["publisher"].to_numpy(), exog_re=columns[:, :1], exog_vc=by_build)
            found = model.fit(reml=True, method=["lbfgs", "powell"])
        except (np.linalg.LinAlgError, ValueError) as error:
            return _nothing(sample, level, f"The mixed model of statsmodels did not settle ({type(error).__name__}).")
    value, se = float(found.fe_params[0]), float(found.bse_fe[0])
    settled = bool(found.converged) and not any("converge" in str(w.message).lower() for w in caught if _is_final(w))
    if not settled or not (np.isfinite(value) and np.isfinite(se) and se > 0.0):
        return _nothing(sample, level, "The mixed model of statsmodels did not settle, so it gives no number.")
    half = float(t.ppf(0.5 + level / 2.0, np.inf)) * se
    return Estimate(value, value - half, value + half, level, "1", sample.units.height, sample.runs.height)


def _is_final(warning: warnings.WarningMessage) -> bool:
    """Whether a warning is about the last optimiser and not about one that another replaced."""
    return "retrying" not in str(warning.message).lower()


def _vc_of_builds(boosted: pl.DataFrame, x: Floats) -> object:
    """Variance component of the builds' slopes, in the form that MixedLM takes: per publisher one column a build."""
    from statsmodels.regression.mixed_linear_model import VCSpec

    unit, publisher = boosted["unit"].to_numpy(), boosted["publisher"].to_numpy().astype(str)
    names, matrices = [], []
    for name in sorted(set(publisher.tolist())):
        rows = publisher == name
        builds = np.unique(unit[rows])
        names.append([str(b) for b in builds])
        matrices.append(x[rows, None] * (unit[rows, None] == builds[None, :]))
    return VCSpec(["build"], [names], [matrices])


def two_stage(fit: JointFit, level: float) -> Estimate:
    """Each build's own slope pooled by REML with the Knapp-Hartung interval (Hartung & Knapp 2001), publishers left out."""
    if fit.effects is None:
        return missing(fit, level)
    if fit.builds < 3:
        return missing(fit, level, f"{fit.builds} builds are too few for this estimator; it needs 3.")
    pooled = pool(fit.own_slope, fit.own_variance, method="reml", knapp_hartung=True)
    if not pooled.converged:
        return missing(fit, level, "The pooling of the builds' own slopes did not settle, so it gives no number.")
    low, high = pooled.interval(level)
    return Estimate(float(pooled.coefficients[0]), low, high, level, "1", fit.builds, fit.runs)
