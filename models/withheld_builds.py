"""What the mean would be if builds below a cut went unpublished with a stated probability: a step selection model.

Published slopes then follow a normal law thinned below the cut; the mean and the spread before thinning are found by maximum
likelihood at the *stated* cut and probability (Vevea and Hedges 1995, from memory). Nothing here estimates the probability:
these data cannot (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr

from models.build_sums import Floats
from models.laws import norm

#: A mean that moves further than this from the plain one is beyond what these data could have come from.
FARTHEST = 0.5


@dataclass(frozen=True, slots=True)
class Thinned:
    """Mean and spread before thinning, the number of builds withheld, and whether the search found an inner maximum."""

    mean: float
    tau: float
    unpublished: float
    is_found: bool


def fit_thinned(y: Floats, v: Floats, cut: float, withheld: float) -> Thinned:
    """Mean and spread of which (y, v) are the published part.

    Parameters
    ----------
    y, v : (n,) rule ratios and their variances, n of at least 2.
    cut : rule ratio below which builds were withheld.
    withheld : probability, at least 0 and below 1, with which each of those was.
    """
    start_mean, start_tau = float(np.average(y, weights=1.0 / (v + y.var()))), float(y.std())

    def loss(at: Floats) -> tuple[float, Floats]:
        variance = at[1] ** 2 + v
        sd = np.sqrt(variance)
        away = y - at[0]
        u = (cut - at[0]) / sd
        published = 1.0 - withheld * ndtr(u)
        value = 0.5 * (np.log(variance) + away**2 / variance).sum() + np.log(published).sum()
        rush = withheld * norm.pdf(u) / published
        by_mean = (-away / variance + rush / sd).sum()
        by_variance = (0.5 / variance - 0.5 * away**2 / variance**2 + rush * u / (2.0 * variance)).sum()
        return float(value), np.array([by_mean, 2.0 * at[1] * by_variance])

    bounds = [(start_mean - FARTHEST, start_mean + FARTHEST), (0.0, 2.0)]
    found = minimize(
        loss, np.array([start_mean, start_tau]), jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-7}
    )
    mean, tau = (float(part) for part in found.x)
    lost = withheld * ndtr((cut - mean) / np.sqrt(tau**2 + v))
    inner = abs(mean - start_mean) < FARTHEST * 0.999 and tau < 1.999
    return Thinned(mean, tau, float((lost / (1.0 - lost)).sum()), bool(inner and np.isfinite(found.fun)))
