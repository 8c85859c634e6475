"""How many builds of how many publishers it takes: power of a t test, and width of an interval.

With equal publishers the mean has variance (tau_s^2 + (tau_b^2 + v) G/n)/G; the test of mean = 1 is a t test with G - 1 degrees
of freedom and noncentrality |1 - mean|/sqrt(variance) (Cohen 1988, from memory). Simulated studies with unequal publishers
reach a little less power than that, so a fifth is added.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy.special import nctdtr, stdtrit

from models.next_records import BuildsNeeded, Goal

#: Share of builds added, because publishers are never equal.
ADDED_SHARE = 0.2
#: Below so many publishers no plan should be made: two or three odd ones decide.
LEAST_PUBLISHERS = 8
#: Numbers of publishers for which the price is stated.
PUBLISHERS = (4, 5, 8, 12, 20, 40)
#: More builds than this are "never".
MOST_BUILDS = 1_000


@dataclass(frozen=True, slots=True)
class Spreads:
    """Variances a plan rests on: between publishers, between builds, and of one build's own measurement."""

    publisher_var: float
    build_var: float
    own_var: float


def variance_of_mean(spreads: Spreads, publishers: int, builds: int) -> float:
    """Variance of the mean of so many builds spread evenly over so many publishers."""
    per_build = spreads.build_var + spreads.own_var
    return (spreads.publisher_var + per_build * publishers / builds) / publishers


def power_of_test(mean: float, spreads: Spreads, publishers: int, builds: int, level: float = 0.95) -> float:
    """Chance that a two-sided test finds a true ``mean`` different from 1."""
    df = publishers - 1
    noncentral = abs(1.0 - mean) / math.sqrt(variance_of_mean(spreads, publishers, builds))
    limit = float(stdtrit(df, 0.5 + level / 2.0))
    return 1.0 - float(nctdtr(df, noncentral, limit)) + float(nctdtr(df, noncentral, -limit))


def builds_for_power(mean: float, spreads: Spreads, publishers: int, power: float = 0.8, level: float = 0.95) -> int | None:
    """Fewest builds (before the fifth is added) that tell ``mean`` from 1 with this power; None: no number does."""
    return _fewest(publishers, lambda n: power_of_test(mean, spreads, publishers, n, level) >= power)


def builds_for_width(half_width: float, spreads: Spreads, publishers: int, level: float = 0.95) -> int | None:
    """Fewest builds (before the fifth is added) whose expected interval is no wider than ``half_width`` to each side."""
    quantile = float(stdtrit(publishers - 1, 0.5 + level / 2.0))
    return _fewest(publishers, lambda n: quantile * math.sqrt(variance_of_mean(spreads, publishers, n)) <= half_width)


def with_a_fifth(builds: int | None) -> int | None:
    """The number to plan for."""
    return None if builds is None else math.ceil(builds * (1.0 + ADDED_SHARE) - 1e-9)


def goals_of(spreads: Spreads, reached: float | None, publishers: int, level: float = 0.95) -> tuple[Goal, ...]:
    """What it takes to tell 0.90 and 0.95 of the rule from the rule, and to know the mean to 0.05 and to 0.02.

    Parameters
    ----------
    spreads : as the study estimates them.
    reached : half-width of the study's own interval; None where it has none.
    publishers : of the study; their number less one is the interval's degrees of freedom.
    level : coverage.
    """
    made = []
    for mean in (0.90, 0.95):
        needed = tuple(
            BuildsNeeded(g, with_a_fifth(builds_for_power(mean, spreads, g, level=level))) for g in PUBLISHERS
        )  # fmt: skip
        words = f"To tell {mean * 100:.0f} % of the rule from the rule itself, with a chance of 80 %: {_price(needed)}"
        made.append(Goal("told_from_rule", words, mean, needed, _is_told(mean, reached, publishers, level)))
    for half in (0.05, 0.02):
        needed = tuple(BuildsNeeded(g, with_a_fifth(builds_for_width(half, spreads, g, level))) for g in PUBLISHERS)
        words = f"To know the average to {half * 100:.0f} points to either side: {_price(needed)}"
        made.append(Goal("width", words, half, needed, None if reached is None else reached <= half))
    return tuple(made)


def _is_told(mean: float, reached: float | None, publishers: int, level: float, power: float = 0.8) -> bool | None:
    """Whether an interval of this half-width finds a true ``mean`` different from 1 with the chance that a goal promises."""
    if reached is None or reached <= 0.0 or publishers < 2:
        return None
    df = publishers - 1
    limit = float(stdtrit(df, 0.5 + level / 2.0))
    return 1.0 - float(nctdtr(df, abs(1.0 - mean) * limit / reached, limit)) >= power


def _price(needed: tuple[BuildsNeeded, ...]) -> str:
    """The cheapest plan with enough publishers, and what fewer publishers would need."""
    planned = [one for one in needed if one.publishers >= LEAST_PUBLISHERS and one.builds is not None]
    few = needed[0]
    if not planned:
        return f"no number of builds from up to {needed[-1].publishers} publishers would do; publishers differ too much."
    best = min(planned, key=lambda one: (one.builds or 0, one.publishers))
    other = f"{few.builds} builds" if few.builds is not None else "no number of builds"
    verb = "would do" if few.builds is None else "are needed"
    return f"about {best.builds} builds from {best.publishers} publishers; from {few.publishers} publishers {other} {verb}."


def _fewest(publishers: int, is_enough: Callable[[int], bool]) -> int | None:
    """The smallest n >= publishers for which a rule that stays true once it is true holds."""
    low, high = publishers, publishers
    while not is_enough(high):
        low, high = high, high * 2
        if high > MOST_BUILDS:
            return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle + 1, high)
    return high
