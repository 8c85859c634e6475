"""Sums of products: the same matrix as one product at a time, and as numpy's own."""

import numpy as np
import pytest

from models.plain_sums import cross, dot


@pytest.mark.parametrize("rows", [0, 1, 5, 300, 20_000])
@pytest.mark.parametrize("by_column", [False, True])
def test_cross_holds_each_pair_of_columns(rows, by_column):
    rng = np.random.default_rng(rows)
    left, right = rng.normal(size=(rows, 2)), rng.normal(size=(rows, 3))
    if by_column:
        left, right = np.asfortranarray(left), np.asfortranarray(right)
    made = cross(left, right)
    singly = np.array([[dot(left[:, i], right[:, j]) for j in range(3)] for i in range(2)])
    assert made.shape == (2, 3)
    assert np.allclose(made, singly, rtol=0, atol=1e-12 * max(rows, 1))
    assert np.allclose(made, left.T @ right, rtol=0, atol=1e-12 * max(rows, 1))


def test_cross_of_a_matrix_with_itself_is_symmetric_to_the_last_digit():
    columns = np.asfortranarray(np.random.default_rng(3).normal(size=(777, 4)))
    assert np.array_equal(cross(columns, columns), cross(columns, columns).T)
