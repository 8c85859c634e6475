"""What a plain correlation with NA output says, and what it says where there is nothing to find.

NA power stands in the yield and in the rule ratio, so that both are tied to it whatever boost is worth (Oldham 1962, Tu and
Gilthorpe 2007; from memory). The demonstration needs no theory: take the relation asked about out of the data, correlate
again, and the figure is still there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_sums import Floats
from models.deviator_records import NaiveCorrelation
from models.level_slopes import LevelSlopes
from models.sample import Sample

#: Data sets without the relation: enough for two steady digits; fewer where there are many builds, which vary less.
MOST_DRAWS, LEAST_DRAWS, NUMBERS_DRAWN = 1000, 100, 2_000_000

#: Fixed, so that the same data give the same figures.
SEED = 1962

#: Too few points for a correlation that anybody would print.
LEAST_BUILDS = 10


@dataclass(frozen=True, slots=True)
class PlainYields:
    """One entry per build: NA power [kW], and what it gained over that per atmosphere of boost, at its highest boost."""

    power: Floats
    relative: Floats


def plain_yields(sample: Sample) -> PlainYields:
    """Figures at each build's highest boost, without any model: (P / P0 - 1) / (b / pa)."""
    top = sample.runs.filter(pl.col("boost_ratio") > 0).sort("unit", "boost_kpa", "run_key").group_by("unit").last().sort("unit")
    joined = top.join(sample.units.select("unit", "na_power_kw"), on="unit", how="inner").sort("unit")
    return PlainYields(joined["na_power_kw"].to_numpy(), (joined["gain_ratio"] / joined["boost_ratio"]).to_numpy())


def naive_correlations(pairs: LevelSlopes, tau: float, plain: PlainYields) -> tuple[NaiveCorrelation, ...]:
    """Both demonstrations; none where fewer than ten builds were fitted or their figures do not vary.

    Parameters
    ----------
    pairs : level, slope and their error covariance of each fitted build.
    tau : spread of true rule ratios, for the data without a relation.
    plain : yields as anybody would work them out from the printed figures.
    """
    if min(pairs.level.size, plain.power.size) < LEAST_BUILDS or not (pairs.level.std() > 0.0 and pairs.slope.std() > 0.0):
        return ()
    draws = int(np.clip(NUMBERS_DRAWN // pairs.level.size, LEAST_DRAWS, MOST_DRAWS))
    rng = np.random.Generator(np.random.PCG64(SEED))
    return (_yield_with_power(plain, draws, rng), _ratio_with_power(pairs, tau, draws, rng))


def _yield_with_power(plain: PlainYields, draws: int, rng: np.random.Generator) -> NaiveCorrelation:
    """Yield against NA power, and the same after the builds' yields per unit of NA power were dealt out at random."""
    observed = _correlation(plain.relative * plain.power, plain.power)
    null = np.array([_correlation(rng.permutation(plain.relative) * plain.power, plain.power) for _ in range(draws)])
    low, high = np.quantile(null, [0.025, 0.975])
    sentence = (
        f"Yield and NA power correlate with r = {observed:.2f}. Dealing each engine another engine's rule ratio at random leaves "
        f"r = {null.mean():.2f} ({low:.2f} to {high:.2f}): NA power stands on both sides, so this correlation speaks neither for "
        "the rule nor against it."
    )
    what = "power gained per unit of boost, with NA power"
    return NaiveCorrelation("yield_with_na_power", what, observed, float(null.mean()), float(low), float(high), draws, sentence)


def _ratio_with_power(pairs: LevelSlopes, tau: float, draws: int, rng: np.random.Generator) -> NaiveCorrelation:
    """Rule ratio against NA power, and the same in data drawn with no relation but with these errors of measurement."""
    observed = _correlation(pairs.slope, pairs.level)
    spread = max(float(pairs.level.var(ddof=1) - pairs.level_variance.mean()), 0.0) ** 0.5
    level_sd = np.sqrt(pairs.level_variance)
    shared = pairs.covariance / level_sd
    own_sd = np.sqrt(np.maximum(pairs.slope_variance - shared**2, 0.0))
    null = np.empty(draws)
    for draw in range(draws):
        true_level, true_slope, first, second = rng.standard_normal((4, pairs.level.size))
        level = spread * true_level + level_sd * first
        slope = tau * true_slope + shared * first + own_sd * second
        null[draw] = _correlation(slope, level)
    low, high = (float(end) for end in np.quantile(null, [0.025, 0.975]))
    verdict = (
        "The observed figure lies within what errors of measurement and chance alone make."
        if low <= observed <= high
        else "The observed figure lies outside that; the exponent, which takes those errors out, says what it amounts to."
    )
    sentence = (
        f"Rule ratio and NA power correlate with r = {observed:.2f}. Engines of this spread whose rule ratio has nothing to do with "
        f"their power would show r = {null.mean():.2f} ({low:.2f} to {high:.2f}), because an error of the baseline moves both. {verdict}"
    )
    return NaiveCorrelation(
        "rule_ratio_with_na_power",
        "rule ratio, with the logarithm of NA power",
        observed,
        float(null.mean()),
        low,
        high,
        draws,
        sentence,
    )


def _correlation(left: Floats, right: Floats) -> float:
    left, right = left - left.mean(), right - right.mean()
    norm = float((left**2).sum() * (right**2).sum()) ** 0.5
    return float((left * right).sum()) / norm if norm > 0.0 else 0.0
