"""Means, shares and slopes with publishers as clusters."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t

from models.clustered import Sums, ratio_estimate, share_estimate


def rows(top, bottom=None, publisher=None) -> Sums:
    top = np.asarray(top, dtype=float)
    bottom = np.ones(top.size) if bottom is None else np.asarray(bottom, dtype=float)
    publisher = np.arange(top.size).astype(str) if publisher is None else np.asarray(publisher)
    return Sums(top, bottom, publisher, 2 * top.size, "builds of a test")


def test_a_mean_with_one_build_a_publisher_is_the_textbook_one():
    """Gosset's sleep data, gain of drug 2 over drug 1 (R datasets `sleep`; paired t = 4.0621, df 9)."""
    gain = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4]
    found = ratio_estimate(rows(gain), 0.95)
    se = 1.58 / 4.0621
    assert found.value == pytest.approx(1.58)
    assert found.high - 1.58 == pytest.approx(t.ppf(0.975, 9) * se, rel=1e-4)
    assert (found.builds, found.runs, found.unit) == (10, 20, "1")


def test_builds_of_one_publisher_that_agree_count_for_less():
    draw = np.random.default_rng(4)
    publisher = np.repeat(np.arange(8), 10)
    clustered = draw.normal(0, 1, 8)[publisher] + draw.normal(0, 0.1, 80)
    wide = ratio_estimate(rows(clustered, publisher=publisher), 0.95)
    assert wide.high - wide.low > 2.5 * 2 * 1.99 * clustered.std() / 80**0.5


def test_a_slope_through_the_origin():
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    found = ratio_estimate(rows(2 * x * x, x * x), 0.95)
    assert (found.value, found.low, found.high) == pytest.approx((2.0, 2.0, 2.0))


def test_coverage_of_a_mean_with_clusters_is_near_nominal():
    draw = np.random.default_rng(11)
    publisher = np.repeat(np.arange(10), 6)
    hits = 0
    for _ in range(300):
        values = draw.normal(0, 0.5, 10)[publisher] + draw.normal(0, 1, 60)
        found = ratio_estimate(rows(values, publisher=publisher), 0.95)
        hits += found.low <= 0.0 <= found.high
    assert 0.92 <= hits / 300 <= 0.99


@pytest.mark.parametrize(
    ("top", "bottom", "publisher", "says"),
    [
        ([1.0] * 4, None, None, "There are only 4 builds of a test"),
        ([1.0] * 9, None, ["a"] * 9, "of 1 publisher;"),
        ([0.0] * 6, [0.0] * 6, None, "do not differ in what is compared"),
        ([], [], [], "There are no builds of a test"),
    ],
)
def test_too_little_gives_a_sentence(top, bottom, publisher, says):
    found = ratio_estimate(rows(top, bottom, publisher), 0.95)
    assert (found.value, found.low, found.high) == (None, None, None) and says in found.why


def test_one_publisher_that_carries_it_all_gives_a_wide_range_and_no_crash():
    found = ratio_estimate(rows([1, 2, 3, 0, 0, 0], [1, 1, 1, 0, 0, 0], ["a", "a", "a", "b", "b", "b"]), 0.95)
    assert found.value == pytest.approx(2.0) and found.high - found.low > 4


@given(st.lists(st.booleans(), min_size=5, max_size=60), st.integers(2, 9), st.sampled_from([0.9, 0.95]))
def test_a_share_stays_between_none_and_all_and_its_ends_stand_apart(hits, publishers, level):
    values = np.asarray(hits)
    found = share_estimate(values, rows(values, publisher=np.arange(values.size) % publishers), level)
    assert 0.0 <= found.low <= found.value <= found.high <= 1.0
    assert found.high - found.low > 0.0


def test_wilson_at_independent_builds():
    """Wilson 1927 (formula from memory) with z replaced by t: 8 of 10."""
    hits = np.array([True] * 8 + [False] * 2)
    found = share_estimate(hits, rows(hits), 0.95)
    q, p = t.ppf(0.975, 9), 0.8
    n = p * (1 - p) / (p * (1 - p) / 9)  # the clustered variance of ten single builds is that with n - 1
    middle, half = (p + q * q / 2 / n) / (1 + q * q / n), (q * q * (p * (1 - p) / n + q * q / 4 / n / n)) ** 0.5 / (1 + q * q / n)
    assert (found.low, found.high) == pytest.approx((middle - half, middle + half))
