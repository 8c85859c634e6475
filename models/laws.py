"""The normal, Student's and chi-squared law: quantiles and tails by the names that scipy.stats has for them, to the same digits.

scipy.stats takes half a second to import, and all of these are one call of scipy.special each.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.special import chdtr, gammaincinv, ndtr, ndtri, stdtr, stdtrit


class norm:
    """The standard normal law; figures or arrays."""

    @staticmethod
    def ppf(share: Any) -> Any:
        """Quantile with this share below it."""
        return ndtri(share)

    @staticmethod
    def cdf(x: Any) -> Any:
        """Share below."""
        return ndtr(x)

    @staticmethod
    def pdf(x: Any) -> Any:
        """Density."""
        return np.exp(-(x**2) / 2.0) / np.sqrt(2.0 * np.pi)


class t:
    """Student's law; figures or arrays, ``freedom`` above 0 (infinite: the normal law)."""

    @staticmethod
    def ppf(share: Any, freedom: Any) -> Any:
        """Quantile with this share below it."""
        return stdtrit(freedom, share)

    @staticmethod
    def cdf(x: Any, freedom: Any) -> Any:
        """Share below."""
        return stdtr(freedom, x)

    @staticmethod
    def sf(x: Any, freedom: Any) -> Any:
        """Share above."""
        return stdtr(freedom, -x)


class chi2:
    """The chi-squared law; figures or arrays, ``freedom`` above 0."""

    @staticmethod
    def ppf(share: Any, freedom: Any) -> Any:
        """Quantile with this share below it."""
        return 2.0 * gammaincinv(freedom / 2.0, share)

    @staticmethod
    def cdf(x: Any, freedom: Any) -> Any:
        """Share below."""
        return chdtr(freedom, x)
