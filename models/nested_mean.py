"""Mean of figures of engines that belong to publishers: random effects on both levels, with the range for a new engine.

REML as in the main fit (``random_effects``); intervals use t with the degrees of freedom that the two levels leave together
(Satterthwaite 1946, from memory): few publishers count only as far as they differ. The range for a new engine is that of
Higgins, Thompson & Spiegelhalter (2009, from memory) with two engines less than there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.build_grams import BuildGrams
from models.build_sums import Floats, Ints
from models.estimate import Estimate
from models.laws import norm, t
from models.random_effects import RandomEffects, fit_random_effects

#: From so many publishers on, leaving each out in turn says something about them.
JACKKNIFE_PUBLISHERS = 5
#: With fewer engines no interval is given.
LEAST_ENGINES = 3
#: Figures are brought to about this size for the search of the variances, which starts from spreads of 0.1.
_SCALE = 10.0


@dataclass(frozen=True, slots=True)
class NestedMean:
    """Result of :func:`fit_nested_mean`; all in per cent where the figures are.

    Attributes
    ----------
    mean, new : mean over engines of a typical publisher; range of the true figure of a new engine.
    spread : sd between engines, publishers included; None where it cannot be told.
    """

    mean: Estimate
    new: Estimate
    spread: float | None


def fit_nested_mean(values: Floats, variances: Floats, publisher: Ints, runs: int, level: float, unit: str) -> NestedMean:
    """Mean over engines.

    Parameters
    ----------
    values, variances : (n,) one figure an engine and its error variance.
    publisher : (n,) publisher of each, 0..G-1, each present.
    runs : runs that the figures rest on.
    level, unit : of the estimates.
    """
    n, groups = values.size, int(publisher.max()) + 1
    if n < 2:
        why = "One engine was tested: that is its own figure and says nothing of others."
        only = Estimate(float(values[0]), None, None, level, unit, n, runs, why)
        return NestedMean(only, only, None)
    scale = _SCALE / max(float(np.std(values)), float(np.sqrt(variances.mean())), 1e-12) * 0.01
    v, y = variances * scale**2, values * scale
    nothing = np.zeros(n)
    fit = fit_random_effects(
        BuildGrams(1 / v, nothing, nothing, y / v, nothing, y**2 / v), np.ones((n, 1)), publisher, with_curvature=False
    )
    mean, spread = float(fit.beta[0]) / scale, fit.tau / scale
    variance, freedom = _variance(fit, v, publisher, groups)
    reason = _why_no_interval(n, groups, fit.converged)
    if reason:
        one = Estimate(mean, None, None, level, unit, n, runs, reason)
        return NestedMean(one, one, None if n < LEAST_ENGINES else spread)
    half = float(t.ppf(0.5 + level / 2, freedom)) * variance**0.5 / scale
    # One engine more lies about a mean that is itself not known: its range is never narrower than that of the mean.
    wide = ((float(t.ppf(0.5 + level / 2, max(n - 2, 1))) * spread) ** 2 + half**2) ** 0.5
    return NestedMean(
        Estimate(mean, mean - half, mean + half, level, unit, n, runs),
        Estimate(mean, mean - wide, mean + wide, level, unit, n, runs),
        spread,
    )


def _why_no_interval(engines: int, publishers: int, converged: bool) -> str | None:
    if engines < LEAST_ENGINES:
        return f"{engines} engines were tested; a range needs {LEAST_ENGINES}."
    if publishers < 2:
        return "All tests come from one publisher: how others differ is not known."
    return None if converged else "The spread between engines could not be found."


def _variance(fit: RandomEffects, v: Floats, publisher: Ints, groups: int) -> tuple[float, float]:
    """Variance of the mean and its degrees of freedom."""
    between, apart = fit.tau_build**2, fit.tau_source**2
    own = 1 / (v + between)
    total = np.bincount(publisher, own, groups)
    weight = total / (1 + apart * total)
    share = weight / weight.sum()
    model = float(1 / weight.sum())
    of_publishers = apart * float((share**2).sum())
    of_engines = max(model - of_publishers, 1e-300)
    freedom = model**2 / (of_publishers**2 / max(groups - 1, 1) + of_engines**2 / max(v.size - 1, 1))
    if fit.covariance_jackknife is not None and groups >= JACKKNIFE_PUBLISHERS:
        jackknife = float(fit.covariance_jackknife[0, 0])
        if jackknife > model:
            return jackknife, min(freedom, float(groups - 1))
    return model, freedom


def share_with_range(hits: int, of: int, level: float, runs: int, what: str) -> Estimate:
    """Share of engines with Wilson's interval (1927, from memory), engines taken as independent."""
    if of == 0:
        return Estimate(None, None, None, level, "1", 0, 0, f"No {what} was tested.")
    z2 = float(norm.ppf(0.5 + level / 2)) ** 2
    share = hits / of
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = (z2 * (share * (1 - share) / of + z2 / (4 * of**2))) ** 0.5 / (1 + z2 / of)
    return Estimate(share, max(middle - half, 0.0), min(middle + half, 1.0), level, "1", of, runs)
