"""The restricted likelihood of builds within publishers, and its highest point.

Model of the per-build statistics (DEVELOPERS.md, Estimators): a build's slope is ``s_i = X_i beta + v_g + u_i`` with
``v ~ N(0, tau_source^2)``, ``u ~ N(0, tau_build^2)``, and all builds share the curvature q. Both levels are swept in turn
(Woodbury 1950), so that no matrix grows with the data: an evaluation is a few sums over builds. The two variances are
found by average-information Newton steps (Patterson & Thompson 1971; Gilmour, Thompson & Cullis 1995), each held at or
above zero. References from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.build_grams import BuildGrams
from models.build_sums import Floats, Ints, group_sums
from models.plain_sums import cross, dot, weigh

#: Where the search starts when nothing is known: spreads of 0.1 between builds and 0.03 between publishers.
START_VARIANCES = (0.1**2, 0.03**2)

#: A spread of 2 (the rule plus or minus twice the rule) is the largest considered.
LARGEST_VARIANCE = 4.0

#: Steps taken before the search is called off; a cold start needs about 8.
MOST_STEPS = 200

#: The search stops when a full step would move each variance by less than this share of it (plus a floor of 1e-9 of the largest).
STEP_TOLERANCE = 1e-9

#: Smallest eigenvalue over largest, of the information scaled to unit diagonal, below which it counts as singular.
SINGULAR = 1e-9


@dataclass(frozen=True, slots=True)
class Problem:
    """The statistics of a fit in the shape the likelihood needs."""

    grams: BuildGrams
    design: Floats
    group: Ints
    groups: int
    with_curvature: bool

    @property
    def size(self) -> int:
        """Coefficients fitted."""
        return self.design.shape[1] + int(self.with_curvature)

    def by_group(self, values: Floats) -> Floats:
        """Sums by publisher; (G,)."""
        return group_sums(self.group, values, self.groups)

    def columns(self, zz: Floats, zk: Floats) -> Floats:
        """The (n, size) matrix [zz X, zk], each column together in memory."""
        p, made = self.design.shape[1], np.empty((self.size, zz.size))
        np.multiply(self.design.T, zz, out=made[:p])
        made[p:] = zk
        return made.T


@dataclass(frozen=True, slots=True)
class Point:
    """The restricted likelihood at one pair of variances, with what the next steps reuse."""

    variances: tuple[float, float]
    f: Floats
    zz: Floats
    columns: Floats
    source_information: Floats
    shrink: Floats
    source_columns: Floats
    information: Floats
    inverse: Floats
    right: Floats
    theta: Floats
    minus_two_log: float


def is_identified(grams: BuildGrams, design: Floats, publisher_index: Ints, *, with_curvature: bool) -> bool:
    """Whether the statistics tell all coefficients apart (information at the starting variances is not singular)."""
    problem = Problem(grams, design, publisher_index, int(publisher_index.max()) + 1, with_curvature)
    if design.shape[0] < design.shape[1] or np.linalg.matrix_rank(design) < design.shape[1]:
        return False
    information = evaluate(problem, START_VARIANCES).information
    return not any_singular(information[None], np.diag(information))


def slopes_spare(problem: Problem) -> int:
    """Builds beyond the coefficients that only a comparison of builds can give: what the spread is estimated from."""
    grams, p = problem.grams, problem.design.shape[1]
    within = grams.ckk - grams.czk**2 / grams.czz
    q_needs_a_build = problem.with_curvature and within.sum() <= 1e-6 * grams.ckk.sum()
    return problem.design.shape[0] - p - int(q_needs_a_build)


def maximise(
    problem: Problem, start: tuple[float, float], free: tuple[bool, bool], tolerance: float = STEP_TOLERANCE
) -> tuple[Point, int, bool]:
    """Average-information Newton steps with halving, each variance held in [0, LARGEST_VARIANCE]."""
    point = evaluate(problem, start)
    if not any(free):
        return point, 0, True
    for step in range(1, MOST_STEPS + 1):
        move = _newton_move(problem, point, free)
        here = np.array(point.variances)
        moved, share = point, 1.0
        while share > 1e-6:
            target = np.clip(here + share * move, 0.0, LARGEST_VARIANCE)
            moved = evaluate(problem, (float(target[0]), float(target[1])))
            if moved.minus_two_log <= point.minus_two_log + 1e-11 * (1.0 + abs(point.minus_two_log)):
                break
            share /= 2.0
        else:
            moved = point
        change = np.abs(np.array(moved.variances) - here)
        point = moved
        if (change <= tolerance * (here + 1e-9 * LARGEST_VARIANCE)).all():
            settled = bool((np.abs(share * move) < 1e-4).all()) and max(point.variances) < LARGEST_VARIANCE
            return point, step, settled
    return point, MOST_STEPS, False


def evaluate(problem: Problem, variances: tuple[float, float]) -> Point:
    """The restricted likelihood at (tau_build^2, tau_source^2): sweep the build level, then the publisher level."""
    (a, b), grams, design = variances, problem.grams, problem.design
    f = 1.0 / (1.0 + a * grams.czz)
    zz, zk, zy = grams.czz * f, grams.czk * f, grams.czy * f
    columns = problem.columns(zz, zk)
    right = np.empty(problem.size)
    right[: design.shape[1]] = cross(design, zy[:, None])[:, 0]
    if problem.with_curvature:
        right[-1] = (grams.cky - a * zk * grams.czy).sum()
    t_zz, h = problem.by_group(zz), problem.by_group(zy)
    t = np.column_stack([problem.by_group(column) for column in columns.T])
    shrink = b / (1.0 + b * t_zz)
    information = _total_information(problem, a, zk, columns) - cross(t, shrink[:, None] * t)
    r: Floats = right - cross(t, (shrink * h)[:, None])[:, 0]
    squares = float((grams.cyy - a * zy * grams.czy).sum() - (shrink * h * h).sum())
    inverse = np.asarray(np.linalg.inv(information), dtype=np.float64)
    theta: Floats = inverse @ r
    determinants = np.log1p(a * grams.czz).sum() + np.log1p(b * t_zz).sum() + np.linalg.slogdet(information)[1]
    value = float(determinants + squares - theta @ r)
    return Point(variances, f, zz, columns, t_zz, shrink, t, information, inverse, r, theta, value)


def _total_information(problem: Problem, a: float, zk: Floats, columns: Floats) -> Floats:
    """Information on theta after the build sweep, summed over all builds; (size, size)."""
    p, total = problem.design.shape[1], np.empty((problem.size, problem.size))
    by_design = cross(problem.design, columns)
    for j in range(p):  # symmetric to the last digit
        total[j, : j + 1] = total[: j + 1, j] = by_design[j, : j + 1]
    if problem.with_curvature:
        total[p, :p] = total[:p, p] = by_design[:, p]
        total[p, p] = (problem.grams.ckk - a * zk * problem.grams.czk).sum()
    return total


def _newton_move(problem: Problem, at: Point, free: tuple[bool, bool]) -> Floats:
    """Full step of both variances: the average information against the score; 0 for a variance held or kept at zero.

    Notes
    -----
    With P the residual projector, V_j the derivative of the covariance by variance j: score_j = tr(P V_j) - y'P V_j P y,
    average information_jk = y'P V_j P V_k P y, both of -2 log L (Gilmour, Thompson & Cullis 1995, from memory).
    """
    p, group, b = problem.design.shape[1], problem.group, at.variances[1]
    grams, scale = problem.grams, 1.0 / (1.0 + b * at.source_information)
    residual = at.f * (grams.czy - grams.czz * weigh(problem.design, at.theta[:p]))
    if problem.with_curvature:
        residual -= at.f * grams.czk * at.theta[p]
    group_residual = problem.by_group(residual)
    u = residual - at.zz * (at.shrink * group_residual)[group]
    u_source = group_residual * scale

    projected = (at.columns.T - at.zz * np.take((at.shrink[:, None] * at.source_columns).T, group, axis=1)).T
    crossed = cross(projected, projected)
    source = at.source_columns * scale[:, None]
    zz_group, zu_group = problem.by_group(at.zz * at.zz), problem.by_group(at.zz * u)
    score = np.array(
        [
            at.zz.sum() - dot(at.shrink, zz_group) - (at.inverse * crossed).sum() - dot(u, u),
            (at.source_information * scale).sum() - (at.inverse * cross(source, source)).sum() - dot(u_source, u_source),
        ]
    )
    a_fixed = cross(projected, u[:, None])[:, 0]
    b_fixed = cross(source, u_source[:, None])[:, 0]
    aa = dot(at.zz, u * u) - dot(at.shrink, zu_group**2) - a_fixed @ at.inverse @ a_fixed
    ab = dot(zu_group * scale, u_source) - a_fixed @ at.inverse @ b_fixed
    bb = dot(at.source_information * scale, u_source**2) - b_fixed @ at.inverse @ b_fixed
    return _bounded_step(score, np.array([[aa, ab], [ab, bb]]), at.variances, free)


def _bounded_step(score: Floats, information: Floats, variances: tuple[float, float], free: tuple[bool, bool]) -> Floats:
    """Newton step over the variances that are free and not pushed against zero."""
    use = [j for j in (0, 1) if free[j] and (variances[j] > 0.0 or score[j] < 0.0)]
    move = np.zeros(2)
    if use:
        part = information[use][:, use]
        move[use] = -np.linalg.lstsq(part, score[use], rcond=1e-12)[0]
    if any(variances[j] == 0.0 and move[j] < 0.0 for j in use):  # a joint step may still leave the quadrant
        use = [j for j in use if variances[j] > 0.0 or move[j] >= 0.0]
        move = np.zeros(2)
        for j in use:
            move[j] = -score[j] / max(information[j, j], 1e-12)
    return move


def any_singular(matrices: Floats, whole: Floats) -> bool:
    """Whether any of the (G, k, k) information matrices is singular; ``whole`` (k,) is the diagonal with every publisher in."""
    diagonal = np.diagonal(matrices, axis1=1, axis2=2)
    if not (diagonal > SINGULAR * whole).all():
        return True
    root = 1.0 / np.sqrt(diagonal)
    values = np.linalg.eigvalsh(matrices * root[:, :, None] * root[:, None, :])
    return bool((values[:, 0] < SINGULAR * values[:, -1]).any())
