"""Maximum likelihood of gains against the power ratio: class means, moderation, growth under boost, spread between engines.

The gain of pair i of engine j, kind k, as a share at the boost of the pair, is::

    G = mu_k (1 + m ln(o / o_median)) M^(lambda - 1) (1 + rho u_j)        u ~ N(0, 1)
    ln(after / before) = ln(1 + G) + error of the test

with ``o`` the unboosted specific output and M the power ratio at the boost before the change. Pairs of one engine and kind share
``u``, so that an engine tested both without boost and under it speaks of lambda free of its own peculiarity. The effect of
``u`` is taken to first order, which leaves one sum per engine and no matrix that grows with the data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from models.build_sums import Floats, Ints

#: Where the search may go: m, lambda, ln rho.
_BOUNDS = ((-6.0, 6.0), (-4.0, 6.0), (np.log(0.02), np.log(3.0)))
_START = (0.5, 1.0, np.log(0.3))
#: Class means are searched in units of 10 %.
_MEAN_SCALE = 0.1
_STEP = 1e-4


@dataclass(frozen=True, slots=True)
class GrowthData:
    """Pairs as arrays, each (n,): ln(after / before) at equal boost and its variance, kind 0..K-1, ln(o / o_median), ln M, and
    ``group``, the number of the engine and kind.
    """

    ln: Floats
    var: Floats
    kind: Ints
    output: Floats
    ln_ratio: Floats
    group: Ints


@dataclass(frozen=True, slots=True)
class GrowthFit:
    """Result of :func:`fit_growth`: estimates, standard errors (None where the likelihood is flat), kinds' means as shares."""

    means: Floats
    moderation: float
    growth: float
    spread_share: float
    moderation_se: float | None
    growth_se: float | None
    freedom: int
    converged: bool


def fit_growth(data: GrowthData, *, moderation: float | None = None) -> GrowthFit:
    """Fit by maximum likelihood.

    Parameters
    ----------
    data : pairs.
    moderation : m to be held instead of fitted (for one kind with few pairs, or where no output is known).
    """
    kinds = int(data.kind.max()) + 1
    total = np.bincount(data.kind, weights=1 / data.var, minlength=kinds)
    first = np.expm1(np.bincount(data.kind, weights=data.ln / data.var, minlength=kinds) / total)
    held = _START[0] if moderation is None else moderation
    free = np.ones(kinds + 3, dtype=bool)
    free[kinds] = moderation is None
    start = np.concatenate([first / _MEAN_SCALE, [held, *_START[1:]]])
    bounds = [*([(None, None)] * kinds), *_BOUNDS]

    def cost(part: Floats) -> tuple[float, Floats]:
        whole = start.copy()
        whole[free] = part
        value, slope = _minus_log_likelihood(whole, data, kinds)
        return value, slope[free]

    found = minimize(
        cost, start[free], jac=True, method="L-BFGS-B", bounds=[b for b, f in zip(bounds, free, strict=True) if f],
        options={"maxiter": 500, "ftol": 1e-13, "gtol": 1e-7},
    )  # fmt: skip
    best = start.copy()
    best[free] = found.x
    # a parameter at the end of its range has no curvature there: it counts as known
    at_end = np.array([_at_end(value, b) for value, b in zip(best, bounds, strict=True)])
    errors = _standard_errors(best, free & ~at_end, data, kinds)
    engines = int(data.group.max()) + 1
    return GrowthFit(
        means=best[:kinds] * _MEAN_SCALE,
        moderation=float(best[kinds]),
        growth=float(best[kinds + 1]),
        spread_share=float(np.exp(best[kinds + 2])),
        moderation_se=errors[kinds],
        growth_se=errors[kinds + 1],
        freedom=max(engines - int(free.sum()) + 1, 1),
        converged=bool(found.success) and not at_end[kinds + 1],
    )


def _at_end(value: float, bounds: tuple[float | None, float | None]) -> bool:
    return any(end is not None and abs(value - end) < 1e-3 for end in bounds)


def _minus_log_likelihood(theta: Floats, data: GrowthData, kinds: int) -> tuple[float, Floats]:
    """Minus the log likelihood up to a constant, and its gradient."""
    m, growth, ln_spread = theta[kinds:]
    multiple = _MEAN_SCALE * np.exp((growth - 1) * data.ln_ratio)
    moderated = 1 + m * data.output
    gain = np.clip(theta[data.kind] * moderated * multiple, -0.9, 9.0)
    residual, spread = data.ln - np.log1p(gain), float(np.exp(ln_spread))
    effect, slope = spread * gain / (1 + gain), 1 / (1 + gain)
    size = int(data.group.max()) + 1
    own = 1 + np.bincount(data.group, weights=effect**2 / data.var, minlength=size)
    cross = np.bincount(data.group, weights=effect * residual / data.var, minlength=size)
    value = 0.5 * float((residual**2 / data.var).sum() + (np.log(own) - cross**2 / own).sum())
    # by each gain: d residual = -slope, d effect = spread slope^2
    pull = (cross / own)[data.group]
    by_effect = effect * (1 / own)[data.group] - pull * residual + pull**2 * effect
    by_gain = (-slope * (residual - pull * effect) + spread * slope**2 * by_effect) / data.var
    of_kind = np.bincount(data.kind, weights=by_gain * moderated * multiple, minlength=kinds)
    by_m = float((by_gain * theta[data.kind] * data.output * multiple).sum())
    by_growth = float((by_gain * gain * data.ln_ratio).sum())
    by_spread = float(((own - 1) / own - cross**2 / own**2).sum())
    return value, np.concatenate([of_kind, [by_m, by_growth, by_spread]])


def _standard_errors(best: Floats, free: np.ndarray, data: GrowthData, kinds: int) -> list[float | None]:
    """From the curvature of the likelihood, by central differences of its gradient; None where it is not a peak."""
    places = np.flatnonzero(free)
    rows = []
    for place in places:
        step = np.zeros(best.size)
        step[place] = _STEP
        up, down = (_minus_log_likelihood(best + sign * step, data, kinds)[1] for sign in (1, -1))
        rows.append((up - down)[places] / (2 * _STEP))
    errors: list[float | None] = [None] * best.size
    hessian = np.array(rows)
    try:
        inverse = np.linalg.inv((hessian + hessian.T) / 2)
    except np.linalg.LinAlgError:
        return errors
    for at, variance in zip(places.tolist(), np.diag(inverse).tolist(), strict=True):
        errors[at] = variance**0.5 if variance > 0 and np.isfinite(variance) else None
    return errors
