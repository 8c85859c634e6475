"""Which builds depart: tests on each build against its peers and against the rule, held to a false discovery rate.

Two different questions with two lists. Against peers: the fit without the build, robust spread, a test of its mean yield and
of the fall of its yield with boost. Against the rule: is its true rule ratio more than the margin away from 1
(DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr

from models.build_grams import BuildGrams
from models.build_sums import Floats
from models.joint_fit import LEAST_CURVATURE_INFORMATION, JointFit
from models.laws import t
from models.robust_errors import robust_grams
from models.robust_mean import RobustMean, fit_robust_mean
from pipeline.errors import RequestProblem

Flags = NDArray[np.bool_]

#: Share of false alarms that each list is held to.
FALSE_DISCOVERY_RATE = 0.10

#: Fewer own curvatures than this have no robust mean and spread worth the name.
LEAST_CURVATURES = 8

#: A class of peers stands alone from this many builds on.
LEAST_PEERS = 5

#: Facts that make builds peers.
PEER_FIELDS = ("induction", "charge_cooling")


@dataclass(frozen=True, slots=True)
class PeerDesign:
    """Columns of the mean of peers, the constant first, and what the others stand for (``field: level``)."""

    columns: Floats
    terms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PeerTests:
    """Tests against peers; arrays have one entry per fitted build.

    Attributes
    ----------
    slope, variance : own rule ratio at the robust curvature, and its variance.
    expected, expected_sd : what the other builds of its class show, and the sd of a reading like this one about it.
    q_value : Benjamini-Hochberg adjusted p-value.
    by_curvature : whether the curvature test is the stronger of the two.
    curvature_residual : own curvature less that of the others; NaN where it cannot be tested.
    robust : the fit of the slopes.
    curvature : robust curvature at which slopes are taken.
    curvature_sd : robust spread of curvature.
    curvature_tested : builds whose curvature was tested.
    terms : facts by which peers were formed.
    """

    slope: Floats
    variance: Floats
    expected: Floats
    expected_sd: Floats
    q_value: Floats
    by_curvature: Flags
    curvature_residual: Floats
    robust: RobustMean
    curvature: float
    curvature_sd: float
    curvature_tested: int
    terms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RuleTests:
    """Tests against the rule; one entry per fitted build.

    ``q_value`` is of the strict list (Benjamini-Hochberg), ``local_fdr`` the probability that the build is within the margin
    after all, ``is_listed`` whether the running mean of that probability lets it onto the wider list.
    """

    q_value: Floats
    local_fdr: Floats
    is_listed: Flags


def peer_design(units: pl.DataFrame) -> PeerDesign:
    """Indicators of induction and charge cooling; rare and unstated levels share one, which joins the largest where it is small.

    Columns that the ones before already tell are left out, so that the design always has full rank.
    """
    columns = [np.ones(units.height)]
    terms: list[str] = []
    for name in PEER_FIELDS:
        if name not in units.columns:
            continue
        stated = units[name].fill_null("not stated")
        sizes = stated.value_counts().sort("count", name, descending=[True, False])
        large = sizes.filter(pl.col("count") >= LEAST_PEERS)[name].to_list()
        if not large:
            continue
        level = (
            stated.to_frame().select(pl.when(pl.col(name).is_in(large)).then(pl.col(name)).otherwise(pl.lit("rare"))).to_series()
        )
        rare = ["rare"] if int((level == "rare").sum()) >= LEAST_PEERS else []
        for code in [*large[1:], *rare]:
            column = (level == code).to_numpy().astype(np.float64)
            if np.linalg.matrix_rank(np.column_stack([*columns, column])) > len(columns):
                columns.append(column)
                terms.append(f"{name}: {code}")
    return PeerDesign(np.column_stack(columns), tuple(terms))


def peer_tests(fit: JointFit) -> PeerTests:
    """Leave-one-out tests of slope and curvature, combined and adjusted over builds.

    p = min(1, 2 min(p_slope, p_curvature)) where both exist, else p_slope; then Benjamini and Hochberg (1995).
    """
    grams = robust_grams(fit, _grams(fit))
    den = grams.ckk - grams.czk**2 / grams.czz
    bent = den > LEAST_CURVATURE_INFORMATION
    curves = _curvatures(grams, den, bent) if int(bent.sum()) >= LEAST_CURVATURES else None
    q = fit.answer.q if curves is None or fit.curvature_why is not None else float(curves.coefficients[0])
    slope, variance = (grams.czy - q * grams.czk) / grams.czz, 1.0 / grams.czz
    design = peer_design(fit.units)
    robust = fit_robust_mean(slope, variance, design.columns)
    away, sd = robust.left_out(variance)
    n, p = design.columns.shape
    p_slope = 2.0 * t.sf(np.abs(away) / sd, n - p - 1)
    p_curve, residual = np.full(n, np.nan), np.full(n, np.nan)
    if curves is not None:
        # each build's own curvature against the others' mean and spread
        residual[bent], scale = curves.left_out(1.0 / den[bent])
        p_curve[bent] = 2.0 * t.sf(np.abs(residual[bent]) / scale, int(bent.sum()) - 2)
    both = np.where(np.isnan(p_curve), p_slope, np.minimum(1.0, 2.0 * np.fmin(p_slope, p_curve)))
    return PeerTests(
        slope=slope,
        variance=variance,
        expected=slope - away,
        expected_sd=sd,
        q_value=adjusted(both),
        by_curvature=np.nan_to_num(p_curve, nan=2.0) < p_slope,
        curvature_residual=residual,
        robust=robust,
        curvature=q,
        curvature_sd=curves.tau if curves is not None else 0.0,
        curvature_tested=int(bent.sum()) if curves is not None else 0,
        terms=design.terms,
    )


def _curvatures(grams: BuildGrams, den: Floats, bent: Flags) -> RobustMean:
    """Robust mean and spread of builds' own curvatures."""
    own = (grams.cky - grams.czk * grams.czy / grams.czz)[bent] / den[bent]
    return fit_robust_mean(own, 1.0 / den[bent], np.ones((int(bent.sum()), 1)))


def _grams(fit: JointFit) -> BuildGrams:
    """The fit's statistics.

    Raises
    ------
    RequestProblem : the fit has none.
    """
    if fit.grams is None:
        raise RequestProblem(fit.why or "There is no fit.")
    return fit.grams


def adjusted(p_values: Floats) -> Floats:
    """Benjamini-Hochberg adjusted p-values: the smallest false discovery rate at which each is on the list."""
    from statsmodels.stats.multitest import multipletests  # a second to import, and needed here alone

    made: Floats = multipletests(p_values, method="fdr_bh")[1]
    return made


def rule_tests(fit: JointFit, margin: float) -> RuleTests:
    """Tests of |true rule ratio - 1| > margin, each build for itself and with what its fellows say.

    Strict: null at the boundary, p = 1 - Phi((|s - 1| - margin) / sqrt(v + dq^2 Var q)). Wider: probability inside the margin
    under the normal law of builds (local false discovery rate; Efron 2010, Sun and Cai 2007; from memory), with the mean's own
    variance carried through the shrinkage; listed while the running mean of the sorted probabilities stays within the rate.
    """
    effects, grams = fit.answer, _grams(fit)
    q_variance = float(effects.variance_of(np.eye(effects.theta.size)[-1])) if fit.curvature_why is None else 0.0
    v = fit.own_variance + (grams.czk / grams.czz) ** 2 * q_variance
    p_values = 1.0 - ndtr((np.abs(fit.own_slope - 1.0) - margin) / np.sqrt(v))
    row = np.zeros(effects.theta.size)
    row[: fit.design.shape[1]] = fit.design.mean(axis=0)
    mean, mean_variance = float(row @ effects.theta), effects.variance_of(row)
    keep = effects.tau**2 / (effects.tau**2 + v)
    centre = keep * fit.own_slope + (1.0 - keep) * mean
    sd = np.sqrt(keep * v + (1.0 - keep) ** 2 * mean_variance)
    local = ndtr((1.0 + margin - centre) / sd) - ndtr((1.0 - margin - centre) / sd)
    order = np.argsort(local, kind="stable")
    running = np.cumsum(local[order]) / np.arange(1, local.size + 1)
    listed = np.zeros(local.size, dtype=np.bool_)
    listed[order[: int((running <= FALSE_DISCOVERY_RATE).sum())]] = True
    return RuleTests(adjusted(p_values), local, listed)
