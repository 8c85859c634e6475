"""What one more build adds to a fitted study: its information on the coefficients, before anybody has run it.

A build's information needs no outcome: it follows from levels, error sizes and the fitted curve (DEVELOPERS.md, Estimators).
With a, b the variances between builds and publishers, and a build's Gram (zz, zk, kk) after its level was swept out::

    f = 1/(1 + a zz),   J = [f zz XX', f zk X; f zk X', kk - a f zk^2],   t = [f zz X, f zk]

A publisher with T = sum f zz and t contributes sum J - b/(1 + b T) t t' (Woodbury 1950, from memory). The variances are held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.build_grams import BuildGrams
from models.build_sums import Floats, Ints, group_sums
from models.joint_fit import JointFit


@dataclass(frozen=True, slots=True)
class Information:
    """Information of a fitted study, and what its publishers have given.

    Attributes
    ----------
    total : (k, k) information on theta.
    build_var, publisher_var : the two variances, held.
    publisher_zz : (G,) sum of f zz by publisher.
    publisher_columns : (G, k) sum of t by publisher.
    with_curvature : whether theta's last entry is the curvature.
    """

    total: Floats
    build_var: float
    publisher_var: float
    publisher_zz: Floats
    publisher_columns: Floats
    with_curvature: bool


def information_of(fit: JointFit) -> Information:
    """The information behind a fit that stands, at its variances."""
    effects = fit.answer
    assert fit.grams is not None  # a fit that stands has them
    with_curvature = effects.theta.size > fit.design.shape[1]
    variances = (effects.tau_build**2, effects.tau_source**2)
    return sum_information(fit.grams, fit.design, fit.publisher_index, len(fit.publishers), variances, with_curvature)


def sum_information(
    grams: BuildGrams, design: Floats, publisher_index: Ints, groups: int, variances: tuple[float, float], with_curvature: bool
) -> Information:
    """The information of builds with these covariates, (n, p), at given variances between builds and between publishers."""
    a, b = variances
    zz, columns, own = _swept(grams, design, a, with_curvature)
    publisher_zz = group_sums(publisher_index, zz, groups)
    by_group = np.column_stack([group_sums(publisher_index, column, groups) for column in columns.T])
    total = own.sum(axis=0) - _shared(b, publisher_zz, by_group).sum(axis=0)
    return Information(total, a, b, publisher_zz, by_group, with_curvature)


def added(info: Information, grams: BuildGrams, design: Floats, publisher: int | None, times: int = 1) -> Floats:
    """Information of the study with so many more builds of each kind; (m, k, k).

    Parameters
    ----------
    info : the study.
    grams : Gram of each of m kinds of build, (m,).
    design : (m, p) covariates of each.
    publisher : index of the publisher that runs them; None for new publishers, one for each build.
    times : builds of each kind that are added.
    """
    zz, columns, own = _swept(grams, design, info.build_var, info.with_curvature)
    if publisher is None:
        return info.total + times * (own - _shared(info.publisher_var, zz, columns))
    before_zz, before = info.publisher_zz[publisher : publisher + 1], info.publisher_columns[publisher : publisher + 1]
    after = _shared(info.publisher_var, before_zz + times * zz, before + times * columns)
    return info.total + times * own - after + _shared(info.publisher_var, before_zz, before)


def fall_of_sd(info: Information, new: Floats, contrast: Floats, rest: float = 0.0) -> Floats:
    """Share by which the sd of ``contrast @ theta`` falls, for each (k, k) of ``new``; (m,).

    ``rest`` is a variance beside it that no further build can narrow (the spread of a single engine).
    """
    now = variance(info.total, contrast) + rest
    then = np.einsum("i,mij,j->m", contrast, np.linalg.inv(new), contrast) + rest
    return np.asarray(1.0 - np.sqrt(then / now), dtype=np.float64)


def variance(total: Floats, contrast: Floats) -> float:
    """Variance of ``contrast @ theta`` under this information."""
    return float(contrast @ np.linalg.solve(total, contrast))


def _swept(grams: BuildGrams, design: Floats, a: float, with_curvature: bool) -> tuple[Floats, Floats, Floats]:
    """Return f zz (m,), t (m, k) and J (m, k, k) of each build."""
    f = 1.0 / (1.0 + a * grams.czz)
    zz, zk = f * grams.czz, f * grams.czk
    p = design.shape[1]
    columns = np.column_stack([zz[:, None] * design, *([zk] if with_curvature else [])])
    own = np.zeros((zz.size, columns.shape[1], columns.shape[1]))
    own[:, :p, :p] = zz[:, None, None] * design[:, :, None] * design[:, None, :]
    if with_curvature:
        own[:, :p, p] = own[:, p, :p] = zk[:, None] * design
        own[:, p, p] = grams.ckk - a * zk * grams.czk
    return zz, columns, own


def _shared(b: float, zz: Floats, columns: Floats) -> Floats:
    """What the publisher's own level takes away: b/(1 + b T) t t'; (m, k, k)."""
    return np.asarray((b / (1.0 + b * zz))[:, None, None] * columns[:, :, None] * columns[:, None, :], dtype=np.float64)


def take_rows(grams: BuildGrams, rows: Ints) -> BuildGrams:
    """The statistics of these builds, in this order."""
    return BuildGrams(grams.czz[rows], grams.czk[rows], grams.ckk[rows], grams.czy[rows], grams.cky[rows], grams.cyy[rows])
