"""Regression diagnostics of the joint model: what a statistician asks before believing its contrasts.

The builds' own rule ratios are regressed on the covariates of the joint model, each weighted by one over the sum of the spread
between builds and its own error. That is close to the joint fit and lets statsmodels' influence measures be used; publishers
and curvature stand outside of it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.build_sums import Floats, Ints
from models.driver_model import JointDesign
from models.driver_records import DriverDiagnostics, UnitDiagnostic
from models.joint_fit import JointFit
from models.laws import norm

#: As many builds are listed: enough for plots, and not a second copy of a large study.
MOST_LISTED = 400

#: Cook's distance above this multiple of 1/n is called influential (the usual screen).
COOKS_MULTIPLE = 4.0

#: A p-value below this is worded.
UNEVEN_BELOW = 0.05


def diagnose(joint: JointDesign, fit: JointFit) -> DriverDiagnostics | None:
    """Collinearity, influence and residuals of the joint model.

    Parameters
    ----------
    joint : the covariates.
    fit : the fit made with them.

    Returns
    -------
    DriverDiagnostics or None
        None where the fit has no answer.
    """
    from statsmodels.regression.linear_model import OLS  # a second to import, and needed here alone
    from statsmodels.stats.outliers_influence import OLSInfluence

    if fit.effects is None:
        return None
    root = 1.0 / np.sqrt(fit.effects.tau**2 + fit.own_variance)
    # weighted by hand: statsmodels' influence measures mix weighted and unweighted columns when given a weighted fit
    model = OLS(fit.own_slope * root, fit.design * root[:, None]).fit()
    fitted = fit.design @ model.params
    residual = fit.own_slope - fitted
    n, p = fit.design.shape
    leverage = np.clip(OLSInfluence(model).hat_matrix_diag, 0.0, 1.0)
    studentised = _studentised(model.resid, leverage, float(np.sqrt(model.scale)))
    cooks = studentised**2 * leverage / np.maximum(1.0 - leverage, 1e-12) / p
    limit = COOKS_MULTIPLE / n
    order = np.argsort(studentised, kind="stable")
    quantile = np.empty(n)
    quantile[order] = norm.ppf((np.arange(n) + 0.5) / n)
    shown = _chosen(order, cooks)
    unit_id = fit.units["unit_id" if "unit_id" in fit.units.columns else "unit"].cast(pl.String).to_list()
    publisher = fit.units["publisher"].to_list()
    units = tuple(
        UnitDiagnostic(
            unit_id[i], publisher[i], float(fitted[i]), float(residual[i]), float(studentised[i]), float(quantile[i]),
            float(leverage[i]), float(cooks[i]), bool(cooks[i] > limit),
        )
        for i in shown
    )  # fmt: skip
    uneven = _uneven_p(model.resid, fitted)
    return DriverDiagnostics(
        joint.collinearity,
        joint.condition_number,
        units,
        n,
        len(units),
        limit,
        uneven,
        _notes(n, int((cooks > limit).sum()), uneven),
    )


def _studentised(weighted: Floats, leverage: Floats, scale: float) -> Floats:
    """Internally studentised residuals; 0 where a build determines a coefficient alone or nothing is left over."""
    spread = scale * np.sqrt(np.maximum(1.0 - leverage, 0.0))
    return np.divide(weighted, spread, out=np.zeros_like(weighted), where=spread > 1e-9)


def _chosen(order: Ints, cooks: Floats) -> list[int]:
    """All builds, or the most influential quarter of the list and the rest evenly over the residuals; most influential first."""
    n = order.size
    if n <= MOST_LISTED:
        picked = set(range(n))
    else:
        picked = set(np.argsort(-cooks, kind="stable")[: MOST_LISTED // 4].tolist())
        rest = [i for i in order.tolist() if i not in picked]
        picked.update(rest[round(j)] for j in np.linspace(0, len(rest) - 1, MOST_LISTED - len(picked)))
    return sorted(picked, key=lambda i: (-cooks[i], i))


def _uneven_p(weighted: Floats, fitted: Floats) -> float | None:
    """Breusch and Pagan's test in Koenker's form (statsmodels), of weighted residuals against fitted values."""
    from statsmodels.stats.diagnostic import het_breuschpagan  # a second to import, and needed here alone

    if weighted.size < 4 or np.ptp(fitted) < 1e-9 or np.ptp(weighted) < 1e-9:
        return None
    return float(het_breuschpagan(weighted, np.column_stack([np.ones(fitted.size), fitted]))[1])


def _notes(builds: int, influential: int, uneven: float | None) -> tuple[str, ...]:
    notes = [f"{influential} of {builds} builds move the coefficients more than others do (Cook's distance above 4 / {builds})."]
    if uneven is not None and uneven < UNEVEN_BELOW:
        notes.append(
            f"Residuals do not spread evenly over the fitted values (p = {uneven:.2g}); the publisher jackknife allows for that."
        )
    return tuple(notes)
