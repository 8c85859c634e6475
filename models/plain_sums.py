"""Products of long arrays summed in one thread and one order.

The threaded library behind ``@`` may split a long sum differently from run to run, which would change last digits, and
on a busy machine its threads wait for one another. These sums are the same on every machine load: einsum without its
optimiser calls no such library.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def dot(left: Floats, right: Floats) -> float:
    """Sum of products of two (n,) arrays."""
    return float(np.einsum("i,i->", left, right))


def cross(left: Floats, right: Floats) -> Floats:
    """Matrix product left'right of (n, a) and (n, b) arrays, quickest where each column lies together in memory; (a, b)."""
    made: Floats = np.einsum("ni,nj->ij", left, right)
    return made


def weigh(matrix: Floats, weights: Floats) -> Floats:
    """Columns of an (n, p) array added with (p,) weights; (n,)."""
    total: Floats = matrix[:, 0] * weights[0]
    for j in range(1, matrix.shape[1]):
        total += matrix[:, j] * weights[j]
    return total
