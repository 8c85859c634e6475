"""REML over builds and publishers from per-build Gram matrices: arrays in, result out.

The likelihood and its search are in :mod:`models.reml`; here are the result, the jackknife by publisher and the
predictions. References from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.build_grams import BuildGrams
from models.build_sums import Floats, Ints
from models.plain_sums import cross, weigh
from models.reml import START_VARIANCES, STEP_TOLERANCE, Point, Problem, any_singular, maximise, slopes_spare


@dataclass(frozen=True, slots=True)
class RandomEffects:
    """Result of :func:`fit_random_effects`.

    Attributes
    ----------
    beta : (p,) coefficients of the design.
    q : common curvature; 0 without the curvature column.
    theta : (p,) or (p + 1,) beta, and q where it was fitted.
    covariance_model : covariance of theta, the inverse information.
    covariance_jackknife : delete-one-publisher covariance of theta (CR3; Bell & McCaffrey 2002), or None.
    jackknife_why : why there is no jackknife, or None.
    tau_build, tau_source : sd between builds of one publisher, and between publishers.
    publishers : number of publishers G with data.
    converged : False when the search for the two variances did not settle; then no number may be printed.
    steps : Newton steps taken.
    blup, blup_variance : (n,) best linear unbiased prediction of s_i, and its prediction error variance (beta's included).
    source_effects : (G,) predicted publisher effects v_g.
    log_likelihood : restricted log likelihood up to the constant of the data.
    """

    beta: Floats
    q: float
    theta: Floats
    covariance_model: Floats
    covariance_jackknife: Floats | None
    jackknife_why: str | None
    tau_build: float
    tau_source: float
    publishers: int
    converged: bool
    steps: int
    blup: Floats
    blup_variance: Floats
    source_effects: Floats
    log_likelihood: float

    @property
    def tau(self) -> float:
        """Real spread of builds over all publishers: sqrt(tau_build^2 + tau_source^2)."""
        return float(np.hypot(self.tau_build, self.tau_source))

    def variance_of(self, contrast: Floats) -> float:
        """Variance of contrast'theta: the larger of the model's and the jackknife's."""
        return float(contrast @ self.covariance_for(contrast) @ contrast)

    def covariance_for(self, contrast: Floats) -> Floats:
        """Of the two covariances the one that gives contrast'theta the larger variance."""
        model, jackknife = self.covariance_model, self.covariance_jackknife
        if jackknife is not None and contrast @ jackknife @ contrast > contrast @ model @ contrast:
            return jackknife
        return model


def fit_random_effects(
    grams: BuildGrams,
    design: Floats,
    publisher_index: Ints,
    *,
    with_curvature: bool = True,
    with_publisher_level: bool = True,
    fixed_taus: tuple[float, float] | None = None,
    start_taus: tuple[float, float] | None = None,
    with_predictions: bool = True,
    with_jackknife: bool | None = None,
    tolerance: float = STEP_TOLERANCE,
) -> RandomEffects:
    """Fit slope, curvature and the two spreads by REML.

    Parameters
    ----------
    grams : per-build statistics, each (n,).
    design : (n, p) covariates of the slope, full column rank; ones for the plain mean.
    publisher_index : (n,) publisher of each build, 0..G-1, each present.
    with_curvature : fit a common q; else q = 0.
    with_publisher_level : False leaves tau_source at 0 (the jackknife by publisher stays).
    fixed_taus : (tau_build, tau_source) to hold instead of estimating them.
    start_taus : where the search starts.
    with_predictions : False skips predictions and, unless it is asked for, the jackknife (both empty), for use inside an iteration.
    with_jackknife : whether to make the jackknife; None as ``with_predictions``.
    tolerance : relative precision of the variances.

    Notes
    -----
    With one publisher, tau_source is 0 and there is no jackknife. Where every publisher has a single build the two
    spreads cannot be told apart: their sum is put down to builds. With no more builds than coefficients no spread can
    be seen and both are 0.
    """
    groups = int(publisher_index.max()) + 1
    problem = Problem(grams, design, publisher_index, groups, with_curvature)
    free = (fixed_taus is None, fixed_taus is None and with_publisher_level and 1 < groups < design.shape[0])
    taus = fixed_taus or start_taus
    start = list(START_VARIANCES if taus is None else (taus[0] ** 2, taus[1] ** 2))
    if fixed_taus is None:
        start = [value if use else 0.0 for value, use in zip(start, free, strict=True)]
        if slopes_spare(problem) <= 0:
            free, start = (False, False), [0.0, 0.0]
    point, steps, converged = maximise(problem, (start[0], start[1]), free, tolerance)
    jackknifed = with_predictions if with_jackknife is None else with_jackknife
    jackknife, why = _jackknife(problem, point) if jackknifed else (None, "not asked for")
    p = design.shape[1]
    blup, blup_variance, effects = _predict(problem, point) if with_predictions else (np.empty(0),) * 3
    return RandomEffects(
        beta=point.theta[:p],
        q=float(point.theta[p]) if with_curvature else 0.0,
        theta=point.theta,
        covariance_model=point.inverse,
        covariance_jackknife=jackknife,
        jackknife_why=why,
        tau_build=point.variances[0] ** 0.5,
        tau_source=point.variances[1] ** 0.5,
        publishers=groups,
        converged=converged and bool(np.isfinite(point.theta).all()),
        steps=steps,
        blup=blup,
        blup_variance=blup_variance,
        source_effects=effects,
        log_likelihood=-0.5 * point.minus_two_log,
    )


def _jackknife(problem: Problem, at: Point) -> tuple[Floats | None, str | None]:
    """Delete-one-publisher covariance of theta at the fitted variances (CR3), or None and why."""
    if problem.groups < 2:
        return None, "all builds come from one publisher"
    a, grams, p, size = at.variances[0], problem.grams, problem.design.shape[1], problem.size
    info = np.empty((problem.groups, size, size))
    for j in range(p):
        for i, column in enumerate(at.columns.T):
            info[:, j, i] = info[:, i, j] = problem.by_group(problem.design[:, j] * column)
    zy = grams.czy * at.f
    right = np.column_stack([problem.by_group(problem.design[:, j] * zy) for j in range(p)])
    if problem.with_curvature:
        zk = grams.czk * at.f
        info[:, p, p] = problem.by_group(grams.ckk - a * zk * grams.czk)
        right = np.column_stack([right, problem.by_group(grams.cky - a * zk * grams.czy)])
    t, shrink = at.source_columns, at.shrink
    left_info = at.information - (info - shrink[:, None, None] * t[:, :, None] * t[:, None, :])
    left_right = at.right - (right - (shrink * problem.by_group(zy))[:, None] * t)
    if any_singular(left_info, np.diag(at.information)):
        return None, "without one of the publishers the rest cannot give every coefficient"
    left = np.linalg.solve(left_info, left_right[:, :, None])[:, :, 0] - at.theta
    return (problem.groups - 1) / problem.groups * cross(left, left), None


def _predict(problem: Problem, at: Point) -> tuple[Floats, Floats, Floats]:
    """Predicted slopes, their prediction error variances, and publisher effects (Henderson 1975, from memory).

    The error variance is a f + f^2 b/(1 + b T_g) + D V D', with D the derivative of the error by theta.
    """
    (a, b), grams, p, group = at.variances, problem.grams, problem.design.shape[1], problem.group
    mean = weigh(problem.design, at.theta[:p])
    q = at.theta[p] if problem.with_curvature else 0.0
    effects = at.shrink * (problem.by_group(grams.czy * at.f) - weigh(at.source_columns, at.theta))
    level = mean + effects[group]
    blup = level + a * at.f * (grams.czy - grams.czk * q - grams.czz * level)

    slopes = [at.f * (problem.design[:, j] - (at.shrink * at.source_columns[:, j])[group]) for j in range(p)]
    if problem.with_curvature:
        slopes.append(-at.f * ((at.shrink * at.source_columns[:, p])[group] + a * grams.czk))
    by_theta = np.column_stack(slopes)
    own = a * at.f + at.f**2 * (b / (1.0 + b * at.source_information))[group]
    return blup, own + np.einsum("ij,jk,ik->i", by_theta, at.inverse, by_theta), effects
