"""Classic meta-analysis of (estimate, variance) pairs: between-study variance, pooled coefficients, their intervals.

Used for the curvature within builds, the interval of the spread between builds, and as the outside check of the joint fit.
All matrices are p x p sums over the estimates, so that a million of them cost no n x n matrix.

References (from memory): DerSimonian & Laird 1986; Paule & Mandel 1982; Viechtbauer 2005 (ML, REML), 2007 (Q-profile);
Hartung & Knapp 2001; Higgins & Thompson 2002 (I^2, H^2); Higgins, Thompson & Spiegelhalter 2009 (prediction interval).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from models.laws import chi2, norm, t
from models.plain_sums import Floats, cross, dot, weigh
from pipeline.errors import RequestProblem

Variance = Callable[[Floats, Floats, Floats], tuple[float, bool]]  # (y, v, design) to (tau2, whether it converged)
Method = Literal["reml", "ml", "dl", "pm", "he", "ee"]

#: Iterations of the likelihood methods; they need about 10.
MOST_STEPS = 200

#: Relative precision to which a variance is found.
PRECISION = 1e-12


@dataclass(frozen=True, slots=True)
class Pooled:
    """Result of :func:`pool`.

    Attributes
    ----------
    coefficients, covariance : (p,) and (p, p).
    tau2 : variance between studies; never below 0.
    tau2_se : large-sample standard error of tau2; None for ``pm``, ``he`` and ``ee``.
    q_within, freedom : Cochran's Q about the fixed-weight fit, and its degrees of freedom k - p.
    i2 : share of the variance that is between studies, 0..1 (at tau2; Higgins & Thompson's typical variance).
    h2 : total over typical within-study variance.
    estimates : number k of estimates.
    scaled : whether the covariance carries the Hartung-Knapp scale, and intervals use t(k - p).
    converged : whether tau2 was found to :data:`PRECISION`.
    """

    coefficients: Floats
    covariance: Floats
    tau2: float
    tau2_se: float | None
    q_within: float
    freedom: int
    i2: float
    h2: float
    estimates: int
    scaled: bool
    converged: bool

    def interval(self, level: float = 0.95, coefficient: int = 0) -> tuple[float, float]:
        """Interval of a coefficient: normal, or t(k - p) when scaled."""
        half = self._quantile(level, self.freedom if self.scaled else None) * self.covariance[coefficient, coefficient] ** 0.5
        return float(self.coefficients[coefficient] - half), float(self.coefficients[coefficient] + half)

    def prediction_interval(self, level: float = 0.95, freedom: float | None = None) -> tuple[float, float]:
        """Range of the true effect of a new study (intercept-only fit); normal unless degrees of freedom are given."""
        half = self._quantile(level, freedom) * (self.tau2 + self.covariance[0, 0]) ** 0.5
        return float(self.coefficients[0] - half), float(self.coefficients[0] + half)

    @staticmethod
    def _quantile(level: float, freedom: float | None) -> float:
        tail = 0.5 + level / 2.0
        return float(norm.ppf(tail) if freedom is None else t.ppf(tail, freedom))


@dataclass(frozen=True, slots=True)
class _Weighted:
    """A least-squares fit with weights 1/(tau2 + v): what the variance estimators need of it."""

    coefficients: Floats
    inverse: Floats
    weights: Floats
    residuals: Floats

    @property
    def q(self) -> float:
        """Weighted residual sum of squares, y'Py."""
        return dot(self.weights, self.residuals**2)


def pool(y: Floats, v: Floats, design: Floats | None = None, *, method: Method = "reml", knapp_hartung: bool = False) -> Pooled:
    """Pool estimates.

    Parameters
    ----------
    y, v : (k,) estimates and their sampling variances.
    design : (k, p) moderators, or None for the mean.
    method : variance between studies by REML, ML, DerSimonian-Laird, Paule-Mandel, Hedges, or none (``ee``: equal effects).
    knapp_hartung : scale the covariance by the weighted mean square, unfloored, and use t(k - p).

    Raises
    ------
    RequestProblem : lengths differ, a figure is not finite, a variance is not above 0, fewer estimates than coefficients,
        or a variance between studies is asked of exactly as many.
    """
    y, v, x = _checked(y, v, design)
    freedom = y.size - x.shape[1]
    if freedom < 1 and (method != "ee" or knapp_hartung):
        raise RequestProblem(f"{y.size} estimates cannot give {x.shape[1]} coefficients and a variance; add estimates.")
    fixed = _weighted(y, v, x, 0.0)
    tau2, converged = _VARIANCE[method](y, v, x)
    fit = _weighted(y, v, x, tau2)
    scale = fit.q / freedom if knapp_hartung else 1.0
    typical = freedom / _trace_p(fixed, x) if freedom else float("nan")
    return Pooled(
        coefficients=fit.coefficients,
        covariance=fit.inverse * scale,
        tau2=tau2,
        tau2_se=_tau2_se(method, v, x, fixed, fit, tau2),
        q_within=fixed.q,
        freedom=freedom,
        i2=tau2 / (tau2 + typical) if freedom else 0.0,
        h2=1.0 + tau2 / typical if freedom else 1.0,
        estimates=y.size,
        scaled=knapp_hartung,
        converged=converged,
    )


def q_profile(y: Floats, v: Floats, design: Floats | None = None, *, level: float = 0.95) -> tuple[float, float]:
    """Interval of the variance between studies: where the generalised Q meets the chi-squared quantiles (Viechtbauer 2007)."""
    y, v, x = _checked(y, v, design)
    freedom = y.size - x.shape[1]
    if freedom < 1:
        raise RequestProblem(f"{y.size} estimates cannot give {x.shape[1]} coefficients and a variance; add estimates.")
    upper, lower = chi2.ppf(0.5 + level / 2.0, freedom), chi2.ppf(0.5 - level / 2.0, freedom)
    return _solve_q(y, v, x, float(upper)), _solve_q(y, v, x, float(lower))


def _checked(y: Floats, v: Floats, design: Floats | None) -> tuple[Floats, Floats, Floats]:
    y, v = np.asarray(y, dtype=np.float64), np.asarray(v, dtype=np.float64)
    x = np.ones((y.size, 1)) if design is None else np.asarray(design, dtype=np.float64)
    if y.ndim != 1 or v.shape != y.shape or x.ndim != 2 or x.shape[0] != y.size:
        raise RequestProblem(
            f"Estimates {y.shape}, variances {v.shape} and design {x.shape} do not belong together; "
            "pooling needs one variance and one row for each estimate. Give arrays of one length."
        )
    if not (np.isfinite(y).all() and np.isfinite(v).all() and (v > 0.0).all() and np.isfinite(x).all()):
        raise RequestProblem(
            "An estimate, a variance or a moderator to be pooled is missing or infinite, or a variance is not above zero; "
            "all must be numbers. Leave such rows out of the pool."
        )
    if y.size < x.shape[1] or np.linalg.matrix_rank(x) < x.shape[1]:
        raise RequestProblem(f"{y.size} estimates cannot tell {x.shape[1]} coefficients apart; use fewer moderators.")
    return y, v, x


def _weighted(y: Floats, v: Floats, x: Floats, tau2: float) -> _Weighted:
    """Weighted least squares by QR: steady where normal equations would lose half the digits."""
    weights = 1.0 / (tau2 + v)
    root = np.sqrt(weights)
    q, r = np.linalg.qr(x * root[:, None])
    coefficients = np.linalg.solve(r, cross(q, (y * root)[:, None])[:, 0])
    r_inverse = np.linalg.inv(r)
    return _Weighted(coefficients, r_inverse @ r_inverse.T, weights, y - weigh(x, coefficients))


def _moment(fit: _Weighted, x: Floats, power: int) -> Floats:
    """X' W^power X; (p, p)."""
    return cross(x * (fit.weights**power)[:, None], x)


def _trace_p(fit: _Weighted, x: Floats) -> float:
    """Trace of P = W - W X (X'WX)^-1 X'W."""
    return float(fit.weights.sum() - (fit.inverse * _moment(fit, x, 2)).sum())


def _trace_pp(fit: _Weighted, x: Floats) -> float:
    """Trace of P P."""
    second = fit.inverse @ _moment(fit, x, 2)
    third = (fit.inverse * _moment(fit, x, 3)).sum()
    return float((fit.weights**2).sum() - 2.0 * third + (second * second.T).sum())


def _equal_effects(y: Floats, v: Floats, x: Floats) -> tuple[float, bool]:
    return 0.0, True


def _dersimonian_laird(y: Floats, v: Floats, x: Floats) -> tuple[float, bool]:
    fit = _weighted(y, v, x, 0.0)
    return max(0.0, (fit.q - (y.size - x.shape[1])) / _trace_p(fit, x)), True


def _hedges(y: Floats, v: Floats, x: Floats) -> tuple[float, bool]:
    """Unweighted residual mean square less the mean sampling variance (of the residuals)."""
    plain = _weighted(y, np.ones_like(v), x, 0.0)
    leverage = np.einsum("ij,jk,ik->i", x, plain.inverse, x)
    return max(0.0, (plain.q - dot(v, 1.0 - leverage)) / (y.size - x.shape[1])), True


def _paule_mandel(y: Floats, v: Floats, x: Floats) -> tuple[float, bool]:
    """tau2 at which the generalised Q equals its expectation k - p."""
    return _solve_q(y, v, x, float(y.size - x.shape[1])), True


def _solve_q(y: Floats, v: Floats, x: Floats, target: float) -> float:
    """tau2 >= 0 with Q(tau2) = target; 0 where Q(0) is already below it. Q falls with tau2."""

    def excess(tau2: float) -> float:
        return _weighted(y, v, x, tau2).q - target

    if excess(0.0) <= 0.0:
        return 0.0
    high = float(np.var(y) + v.mean())
    while excess(high) > 0.0:
        high *= 4.0
    return float(brentq(excess, 0.0, high, xtol=1e-300, rtol=8.9e-16, maxiter=500))


def _likelihood(restricted: bool) -> Variance:
    """Fisher scoring of the (restricted) likelihood with step halving at zero (Viechtbauer 2005)."""

    def estimate(y: Floats, v: Floats, x: Floats) -> tuple[float, bool]:
        tau2 = max(_dersimonian_laird(y, v, x)[0], _hedges(y, v, x)[0])
        for _ in range(MOST_STEPS):
            fit = _weighted(y, v, x, tau2)
            trace, information = (
                (_trace_p(fit, x), _trace_pp(fit, x)) if restricted else (float(fit.weights.sum()), float((fit.weights**2).sum()))
            )
            step = (dot(fit.weights**2, fit.residuals**2) - trace) / information
            moved = max(0.0, tau2 + step)
            if abs(moved - tau2) <= PRECISION * (moved + float(v.mean())):
                return moved, True
            tau2 = moved
        return tau2, False

    return estimate


def _tau2_se(method: Method, v: Floats, x: Floats, fixed: _Weighted, fit: _Weighted, tau2: float) -> float | None:
    """Standard error of tau2 from the information (likelihoods) or the variance of Q (DerSimonian-Laird)."""
    if method == "reml":
        return (2.0 / _trace_pp(fit, x)) ** 0.5
    if method == "ml":
        return float(2.0 / (fit.weights**2).sum()) ** 0.5
    if method == "dl":
        trace = _trace_p(fixed, x)
        freedom = x.shape[0] - x.shape[1]
        return float((2.0 * freedom + 4.0 * tau2 * trace + 2.0 * tau2**2 * _trace_pp(fixed, x)) ** 0.5 / trace)
    return None


_VARIANCE: dict[str, Variance] = {
    "reml": _likelihood(restricted=True),
    "ml": _likelihood(restricted=False),
    "dl": _dersimonian_laird,
    "pm": _paule_mandel,
    "he": _hedges,
    "ee": _equal_effects,
}
