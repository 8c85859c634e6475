"""Means, ratios, slopes and shares over builds whose publishers are the clusters: arrays in, one estimate out.

Each is a ratio of two sums, sum(top) / sum(bottom): a mean has bottom 1, a slope through the origin has top x y and bottom
x x. Its variance is the larger of the linearised one (Cochran 1977, from memory) and that of a jackknife that leaves out one
publisher at a time; intervals use t with one degree of freedom less than there are publishers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.estimate import Estimate
from models.laws import t
from models.plain_sums import Floats

#: Fewer builds or publishers than this give no answer.
LEAST_BUILDS = 5
LEAST_PUBLISHERS = 2


@dataclass(frozen=True, slots=True)
class Sums:
    """One row per build.

    Attributes
    ----------
    top, bottom : (n,) what is summed.
    publisher : (n,) names of the clusters.
    runs : how many runs the rows rest on.
    what : what a row must have, for the sentence when there are too few: "builds with a recorded charge temperature".
    """

    top: Floats
    bottom: Floats
    publisher: np.ndarray
    runs: int
    what: str


def ratio_estimate(sums: Sums, level: float, unit: str = "1") -> Estimate:
    """sum(top) / sum(bottom) with its clustered interval; without a value, and why, where the rows are too few."""
    why = _too_few(sums)
    if why is not None:
        return Estimate(None, None, None, level, unit, sums.top.size, sums.runs, why)
    value, variance, publishers = _ratio(sums)
    half = float(t.ppf(0.5 + level / 2.0, publishers - 1)) * variance**0.5
    return Estimate(value, value - half, value + half, level, unit, sums.top.size, sums.runs)


def share_estimate(hits: np.ndarray, sums: Sums, level: float) -> Estimate:
    """Share of builds that are hits, with Wilson's interval (1927, from memory) at the size that the clusters are worth.

    The effective number of builds is p (1 - p) over the clustered variance, never more than there are; the quantile is that of
    t with one degree of freedom less than there are publishers.

    Parameters
    ----------
    hits : (n,) booleans.
    sums : whose ``top`` and ``bottom`` are not read.
    level : coverage asked for.
    """
    rows = Sums(hits.astype(float), np.ones(hits.size), sums.publisher, sums.runs, sums.what)
    why = _too_few(rows)
    if why is not None:
        return Estimate(None, None, None, level, "1", hits.size, sums.runs, why)
    share, variance, publishers = _ratio(rows)
    n = float(hits.size)
    effective = min(n, share * (1.0 - share) / variance) if variance > 0.0 else n
    z2 = float(t.ppf(0.5 + level / 2.0, publishers - 1)) ** 2
    middle = (share + z2 / (2.0 * effective)) / (1.0 + z2 / effective)
    half = (z2 * (share * (1.0 - share) / effective + z2 / (4.0 * effective**2))) ** 0.5 / (1.0 + z2 / effective)
    return Estimate(
        share, max(0.0, min(share, middle - half)), min(1.0, max(share, middle + half)), level, "1", hits.size, sums.runs
    )


def say_too_few(builds: int, publishers: int, what: str) -> str:
    """That so few builds of so few publishers cannot tell, and how many could."""
    needed = f"at least {LEAST_BUILDS}, of {LEAST_PUBLISHERS} publishers, are needed"
    if builds == 0:
        return f"There are no {what}; {needed}."
    return f"There are only {builds} {what}, of {publishers} publisher{'' if publishers == 1 else 's'}; {needed}."


def _too_few(sums: Sums) -> str | None:
    publishers = len(set(sums.publisher.tolist()))
    if sums.top.size < LEAST_BUILDS or publishers < LEAST_PUBLISHERS:
        return say_too_few(sums.top.size, publishers, sums.what)
    if not sums.bottom.sum() > 0.0:
        return f"The {sums.top.size} {sums.what} do not differ in what is compared."
    return None


def _ratio(sums: Sums) -> tuple[float, float, int]:
    """Value, the larger variance, number of publishers."""
    names, cluster = np.unique(sums.publisher.astype(str), return_inverse=True)
    g, n = names.size, sums.top.size
    total_top, total_bottom = float(sums.top.sum()), float(sums.bottom.sum())
    value = total_top / total_bottom
    linearised = float(((sums.top - value * sums.bottom) ** 2).sum()) * n / (n - 1) / total_bottom**2
    left_bottom = total_bottom - np.bincount(cluster, sums.bottom, minlength=g)
    if not (left_bottom > 1e-12 * total_bottom).all():
        return value, linearised * n, g  # one publisher carries it all: its builds count as one
    left = (total_top - np.bincount(cluster, sums.top, minlength=g)) / left_bottom
    return value, max(linearised, (g - 1) / g * float(((left - value) ** 2).sum())), g
