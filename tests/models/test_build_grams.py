"""Sweeping against the dense covariance matrix it stands for."""

import numpy as np
import pytest

from models.build_grams import residual_squares, sweep_errors, sweep_level
from models.build_sums import PackedSums


def packed(w, d, g, z, k, y) -> PackedSums:
    """Sums of one unit from its rows."""

    def total(*factors):
        return np.array([np.prod([w, *factors], axis=0).sum()])

    return PackedSums(
        total(), total(d), total(g), total(z), total(k), total(y), total(d, y), total(g, g), total(g, z), total(g, k),
        total(g, y), total(z, z), total(z, k), total(z, y), total(k, k), total(k, y), total(y, y),
    )  # fmt: skip


@pytest.fixture
def rows():
    draw = np.random.default_rng(4)
    d = np.array([0, 0, 1, 1, 1, 1.0])
    return {
        "w": draw.uniform(500, 5000, 6), "d": d, "g": d * draw.uniform(0.003, 0.008, 6), "z": d * draw.uniform(0.2, 0.6, 6),
        "k": d * draw.uniform(-0.1, 0.3, 6), "y": draw.normal(0, 0.3, 6),
    }  # fmt: skip


def test_sweeps_are_generalised_least_squares(rows):
    session = 0.02
    level = sweep_errors(packed(**rows), np.array([session**2]))
    grams = sweep_level(level)
    covariance = np.diag(1 / rows["w"]) + 2 * session**2 * np.outer(rows["d"], rows["d"]) + np.outer(rows["g"], rows["g"])
    v = np.linalg.inv(covariance)
    one, z, k, y = np.ones(6), rows["z"], rows["k"], rows["y"]
    assert level.g11[0] == pytest.approx(one @ v @ one, rel=1e-10)
    assert level.g1y[0] == pytest.approx(one @ v @ y, rel=1e-10)
    assert level.gzk[0] == pytest.approx(z @ v @ k, rel=1e-10)
    p = v - np.outer(v @ one, v @ one) / (one @ v @ one)
    for name, left, right in (("czz", z, z), ("czk", z, k), ("ckk", k, k), ("czy", z, y), ("cky", k, y), ("cyy", y, y)):
        assert getattr(grams, name)[0] == pytest.approx(left @ p @ right, rel=1e-10), name


def test_residual_squares_are_those_of_a_weighted_line(rows):
    q = -0.07
    root = np.sqrt(rows["w"])
    design = np.column_stack([np.ones(6), rows["z"]]) * root[:, None]
    left = np.linalg.lstsq(design, (rows["y"] - q * rows["k"]) * root, rcond=None)[1][0]
    assert residual_squares(packed(**rows), q)[0] == pytest.approx(left, rel=1e-10)
