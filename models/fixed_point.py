"""Passes over the runs until nothing moves: the fixed point of the joint fit.

Each round takes one pass over the runs at the current common curve (:mod:`models.build_sums`), fits the builds'
statistics (:mod:`models.random_effects`) and renews the curve, the builds' own slopes and the scale of the errors of
each kind of dyno from the same sums (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.build_grams import BuildGrams, LevelGrams, residual_squares, sweep_errors, sweep_level
from models.build_sums import Floats, Ints, PackedSums, RunColumns, sum_builds
from models.plain_sums import weigh
from models.random_effects import RandomEffects, fit_random_effects
from models.reml import STEP_TOLERANCE

#: Change of every coefficient and of the curvature, in one round, below which the fit stands.
FIXED_POINT_TOLERANCE = 1e-8

#: About 12 rounds are usual; a fit that wants more than this does not settle.
MOST_PASSES = 100

#: A build's own slope in the residual stays in this range, so that one absurd build cannot stop the fit.
OWN_SLOPE_RANGE = (-0.5, 3.0)

#: The scale of the errors is estimated for a kind of dyno with more degrees of freedom than this.
FREEDOM_FOR_PHI = 8

#: The scale of the error variance stays in this range: figures without any scatter must not get infinite weight.
PHI_RANGE = (1e-3, 1e3)

#: Slope at which the first pass stands.
START_SLOPE = 0.9

#: In a round the spreads are found to this share of how far the last round moved: they belong to a curve no better known.
ROUND_PRECISION = 0.1


#: A pass over the runs, as :func:`models.build_sums.sum_builds` makes it: columns, s_bar, q, s_own, phi -> sums.
PassOver = Callable[[RunColumns, float, float, Floats, Floats], PackedSums]


@dataclass(frozen=True, slots=True)
class Case:
    """What a fit iterates on."""

    columns: RunColumns
    design: Floats
    publisher_index: Ints
    is_chassis: NDArray[np.bool_]
    with_curvature: bool
    with_publisher_level: bool
    estimate_phi: bool
    pass_over: PassOver = sum_builds


@dataclass(frozen=True, slots=True)
class Round:
    """Where the iteration stands; the statistics are those of the curve the round began with."""

    passes: int
    beta: Floats
    q: float
    s_bar: float
    s_own: Floats
    phi: Floats
    taus: tuple[float, float] | None
    level: LevelGrams
    grams: BuildGrams
    moved: float


def iterate(case: Case, begin: Round) -> tuple[Round, bool]:
    """Rounds until beta and q stand still."""
    at = begin
    while at.passes < MOST_PASSES:
        try:
            at = next_round(case, at)
        except np.linalg.LinAlgError:  # figures ran away: there is nothing left to solve
            return at, False
        if at.moved < FIXED_POINT_TOLERANCE:
            return at, True
        if not np.isfinite(at.moved):
            return at, False
    return at, False


def next_round(case: Case, at: Round) -> Round:
    """One pass and one fit, then the new curve, own slopes and error scale from the same sums."""
    sums = case.pass_over(case.columns, at.s_bar, at.q, at.s_own, at.phi)
    level = sweep_errors(sums, case.columns.session_var)
    grams = sweep_level(level)
    effects = fit_effects(case, grams, at.taus, tolerance=float(np.clip(ROUND_PRECISION * at.moved, STEP_TOLERANCE, 0.01)))
    q = effects.q
    return Round(
        passes=at.passes + 1,
        beta=effects.beta,
        q=q,
        s_bar=float(weigh(case.design, effects.beta).mean()),
        s_own=np.clip((grams.czy - q * grams.czk) / grams.czz, *OWN_SLOPE_RANGE),
        phi=next_phi(case, at.phi, residual_squares(sums, q)) if case.estimate_phi else at.phi,
        taus=(effects.tau_build, effects.tau_source),
        level=level,
        grams=grams,
        moved=max(float(np.abs(effects.beta - at.beta).max()), abs(q - at.q)),
    )


def fit_effects(
    case: Case, grams: BuildGrams, taus: tuple[float, float] | None, *, tolerance: float | None = None
) -> RandomEffects:
    """The builds' statistics fitted: with predictions and in full, or to a tolerance inside the iteration."""
    return fit_random_effects(
        grams,
        case.design,
        case.publisher_index,
        with_curvature=case.with_curvature,
        with_publisher_level=case.with_publisher_level,
        start_taus=taus,
        with_predictions=tolerance is None,
        tolerance=tolerance or STEP_TOLERANCE,
    )


def next_phi(case: Case, phi: Floats, squares: Floats) -> Floats:
    """Scale of the errors per kind of dyno: the mean square about each build's own line is to be 1."""
    freedom = case.columns.baselines + case.columns.boosted - 2
    renewed = phi.copy()
    for chassis in (False, True):
        mine = case.is_chassis == chassis
        total = freedom[mine].sum()
        if total > FREEDOM_FOR_PHI:
            renewed[mine] *= squares[mine].sum() / total
    return np.clip(renewed, *PHI_RANGE)


def start(columns: RunColumns, pass_over: PassOver = sum_builds) -> Round:
    """Before the first round: the statistics at the starting curve show what the runs can tell."""
    n = columns.baselines.size
    own, phi = np.full(n, START_SLOPE), np.ones(n)
    level = sweep_errors(pass_over(columns, START_SLOPE, 0.0, own, phi), columns.session_var)
    return Round(0, np.zeros(1), 0.0, START_SLOPE, own, phi, None, level, sweep_level(level), np.inf)
