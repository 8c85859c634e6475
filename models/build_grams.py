"""Per-build Gram matrices from the sums of a pass: nuisances swept out one after another.

A sweep by a proper random effect of variance t on column v is G_ab - t/(1 + t G_vv) G_va G_vb, by a free parameter
G_ab - G_va G_vb / G_vv (Woodbury 1950, from memory). What is left tells each build's slope and curvature
(DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.build_sums import Floats, PackedSums


@dataclass(frozen=True, slots=True)
class LevelGrams:
    """Gram matrix over (1, z, k, y) per unit, session and gauge errors swept out, the level still in; each (n,)."""

    g11: Floats
    g1z: Floats
    g1k: Floats
    g1y: Floats
    gzz: Floats
    gzk: Floats
    gkk: Floats
    gzy: Floats
    gky: Floats
    gyy: Floats


@dataclass(frozen=True, slots=True)
class BuildGrams:
    """Gram matrix over (z, k, y) per unit after the level was swept out too; each (n,). ``1/czz`` is the slope's variance."""

    czz: Floats
    czk: Floats
    ckk: Floats
    czy: Floats
    cky: Floats
    cyy: Floats


def sweep_errors(sums: PackedSums, session_var: Floats) -> LevelGrams:
    """Sweep out the session error (variance 2 session_var on the boosted rows), then the gauge error (unit variance on g)."""
    f = 2.0 * session_var / (1.0 + 2.0 * session_var * sums.d)
    one = sums.one - f * sums.d * sums.d
    g = sums.g - f * sums.d * sums.g
    z = sums.z - f * sums.d * sums.z
    k = sums.k - f * sums.d * sums.k
    y = sums.y - f * sums.d * sums.dy
    gg, gz = sums.gg - f * sums.g * sums.g, sums.gz - f * sums.g * sums.z
    gk, gy = sums.gk - f * sums.g * sums.k, sums.gy - f * sums.g * sums.dy
    h = 1.0 / (1.0 + gg)
    return LevelGrams(
        g11=one - h * g * g,
        g1z=z - h * g * gz,
        g1k=k - h * g * gk,
        g1y=y - h * g * gy,
        gzz=sums.zz - f * sums.z * sums.z - h * gz * gz,
        gzk=sums.zk - f * sums.z * sums.k - h * gz * gk,
        gkk=sums.kk - f * sums.k * sums.k - h * gk * gk,
        gzy=sums.zy - f * sums.z * sums.dy - h * gz * gy,
        gky=sums.ky - f * sums.k * sums.dy - h * gk * gy,
        gyy=sums.yy - f * sums.dy * sums.dy - h * gy * gy,
    )


def sweep_level(level: LevelGrams) -> BuildGrams:
    """Sweep out the unit's level as a free parameter: no ratio, no division by a noisy baseline."""
    f = 1.0 / level.g11
    return BuildGrams(
        czz=level.gzz - f * level.g1z * level.g1z,
        czk=level.gzk - f * level.g1z * level.g1k,
        ckk=level.gkk - f * level.g1k * level.g1k,
        czy=level.gzy - f * level.g1z * level.g1y,
        cky=level.gky - f * level.g1k * level.g1y,
        cyy=level.gyy - f * level.g1y * level.g1y,
    )


def take_builds(grams: BuildGrams, keep: NDArray[np.bool_]) -> BuildGrams:
    """The statistics of the builds marked in the boolean (n,) ``keep``."""
    return BuildGrams(grams.czz[keep], grams.czk[keep], grams.ckk[keep], grams.czy[keep], grams.cky[keep], grams.cyy[keep])


def residual_squares(sums: PackedSums, q: float) -> Floats:
    """Weighted residual sum of squares of each unit about its own level and slope, with n_i - 2 degrees of freedom; (n,)."""
    f = 1.0 / sums.one
    y, zy = sums.y - q * sums.k, sums.zy - q * sums.zk
    yy = sums.yy - 2.0 * q * sums.ky + q * q * sums.kk
    wyy, wzy, wzz = yy - f * y * y, zy - f * sums.z * y, sums.zz - f * sums.z * sums.z
    return np.maximum(wyy - wzy * wzy / wzz, 0.0)
