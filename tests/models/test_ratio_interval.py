"""Fieller's interval against closed-form values and its definition."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import t

from models.ratio_interval import fieller_interval


def test_closed_form():
    """Closed form of the formula (no published numeric example was found)."""
    made = fieller_interval(0.15, 0.25, 0.002, 0.005, 0.0001, 1.959964)
    assert made.value == pytest.approx(0.6)
    assert (made.low, made.high) == pytest.approx((0.230626, 1.484021), abs=5e-7)


def test_unbounded_gives_no_ends():
    """Student's sleep data: mean gain 2.33 over 0.75, n = 10; the denominator cannot be told from zero with t(9)."""
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    a, b = sum(two) / 10, sum(one) / 10
    s_aa = sum((y - a) ** 2 for y in two) / 90
    s_bb = sum((x - b) ** 2 for x in one) / 90
    s_ab = sum((x - b) * (y - a) for x, y in zip(one, two, strict=True)) / 90
    made = fieller_interval(a, b, s_aa, s_bb, s_ab, t.ppf(0.975, 9))
    assert made.value == pytest.approx(3.106667, abs=5e-7)
    assert (made.low, made.high, made.bounded) == (None, None, False)


def test_zero_denominator():
    assert fieller_interval(1.0, 0.0, 0.1, 0.1, 0.0, 2.0).value is None


@given(st.floats(-5, 5), st.floats(0.5, 5), st.floats(1e-4, 1), st.floats(1e-4, 1), st.floats(-0.99, 0.99), st.floats(1, 3))
def test_ends_are_where_the_difference_is_just_significant(a, b, va, vb, rho, quantile):
    made = fieller_interval(a, b, va, vb, rho * (va * vb) ** 0.5, quantile)
    assume(made.bounded and b * b - quantile**2 * vb > 1e-3)
    for end in (made.low, made.high):
        variance = va - 2 * end * rho * (va * vb) ** 0.5 + end**2 * vb
        assert abs(a - end * b) == pytest.approx(quantile * variance**0.5, rel=1e-5, abs=1e-6)
    assert made.low - 1e-9 <= made.value <= made.high + 1e-9
