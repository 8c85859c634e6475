"""Interval of a ratio of two correlated estimates (Fieller 1954, from memory): right where the delta method is not."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RatioInterval:
    """Result of :func:`fieller_interval`.

    Attributes
    ----------
    value : numerator over denominator; None where the denominator is 0.
    low, high : ends of the interval; None where the set of ratios is not a bounded interval.
    bounded : False where the denominator cannot be told from zero: the ratios then are unbounded.
    """

    value: float | None
    low: float | None
    high: float | None
    bounded: bool


def fieller_interval(
    numerator: float, denominator: float, var_numerator: float, var_denominator: float, covariance: float, quantile: float
) -> RatioInterval:
    """All ratios R for which numerator - R * denominator is no further from 0 than ``quantile`` standard errors.

    Parameters
    ----------
    numerator, denominator : the two estimates, of one unit or of two.
    var_numerator, var_denominator, covariance : their sampling variances and covariance.
    quantile : two-sided quantile of the normal or t distribution.

    Notes
    -----
    The ends solve A R^2 - 2 B R + C = 0 with A = D^2 - t^2 var D, B = N D - t^2 cov, C = N^2 - t^2 var N. With A <= 0 the
    set is the outside of an interval or the whole line: no ends are given.
    """
    t2 = quantile * quantile
    a = denominator * denominator - t2 * var_denominator
    b = numerator * denominator - t2 * covariance
    c = numerator * numerator - t2 * var_numerator
    value = numerator / denominator if denominator != 0.0 else None
    if a <= 0.0:
        return RatioInterval(value, None, None, bounded=False)
    root = max(b * b - a * c, 0.0) ** 0.5
    return RatioInterval(value, (b - root) / a, (b + root) / a, bounded=True)
