"""Curves of power against boost, of all engines and of kinds of engine, and what was tested: all that offset boost needs.

The curve of all engines is the headline fit. Kinds share one further fit in which induction and cooling shift the slope and
curvature is common: few kinds have publishers enough for a fit of their own. The spread between engines of a kind is what that
fit leaves, and, where a kind leaves induction or cooling open, what these do besides.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.build_sums import Floats
from models.joint_fit import ErrorSizes, JointFit, fit_joint
from models.laws import t
from models.offset_draws import standard_draws
from models.offset_records import OffsetModel, PowerCurve, TestedKind
from models.results import StudyResults, UnitResult
from models.rule import KPA_PER_PSI
from models.sample import BOOST_SD_KPA, GAUGE_SD_KPA, Sample

#: A kind, or a level of induction or cooling, with fewer builds has no curve of its own.
LEAST_BUILDS_OF_KIND = 5

#: A level of induction or cooling that fewer publishers tested has none either.
LEAST_PUBLISHERS_OF_LEVEL = 2

#: Highest boosts that are kept of a kind, one a build.
TOP_BOOSTS = 12

_FACTORS = ("induction", "charge_cooling")
_Mask = NDArray[np.bool_]


def make_offset_model(sample: Sample, study: StudyResults) -> OffsetModel:
    """All that offset boost and the choice of a way are worked out from.

    Parameters
    ----------
    sample : the runs and units of the study (:func:`models.sample.choose_sample`).
    study : its results, for their stamp, the spread of curvature and what was tested.

    Returns
    -------
    OffsetModel
        Without curves, and with ``why``, where the study has no fit.
    """
    return model_of(
        sample,
        level=study.rule_ratio.level,
        curvature_sd=study.within_builds_sd,
        tested=tested_kinds(study),
        stamp=(study.fingerprint, study.version, study.made_on),
        invented=study.invented,
    )


def model_of(
    sample: Sample,
    *,
    level: float,
    curvature_sd: float | None,
    tested: tuple[TestedKind, ...],
    stamp: tuple[str, str, str],
    invented: bool,
) -> OffsetModel:
    """The same from its parts: ``curvature_sd`` is the spread of curvature between builds, ``stamp`` fingerprint, version and day."""
    fit = fit_joint(sample.runs, sample.units)
    sizes = ErrorSizes()
    phi = max([1.0, *fit.phi.values()])
    freedom = 0 if fit.effects is None else fit.effects.publishers - 1
    curvature_var = (curvature_sd or 0.0) ** 2
    return OffsetModel(
        *stamp,
        invented,
        curves=() if fit.effects is None else (_all_engines(fit, curvature_var), *_kinds(sample, curvature_var)),
        tested=tested,
        figure_rel_sd=(2.0 * phi * sizes.power_rel_sd**2 + 2.0 * sizes.session_rel_sd**2) ** 0.5,
        boost_sd_kpa=math.hypot(BOOST_SD_KPA, GAUGE_SD_KPA),
        level=level,
        t_quantile=float(t.ppf(0.5 + level / 2.0, freedom)) if freedom else None,
        draws=standard_draws(freedom) if freedom else (),
        why=fit.why,
    )


def _curve(fit: JointFit, row: Floats, curvature_var: float, kind: tuple[str | None, str | None], of_kind: int, more: float) -> PowerCurve:  # fmt: skip
    """The curve at one row of the design; ``more`` is variance between engines that the row leaves open."""
    effects, p = fit.answer, fit.design.shape[1]
    contrast = np.zeros(effects.theta.size)
    contrast[:p] = row
    covariance = effects.covariance_for(contrast)
    is_curved = fit.curvature_why is None
    return PowerCurve(
        induction=kind[0],
        charge_cooling=kind[1],
        slope=float(contrast @ effects.theta),
        curvature=effects.q if is_curved else 0.0,
        var_slope=float(contrast @ covariance @ contrast),
        var_curvature=float(covariance[p, p]) if is_curved else 0.0,
        covariance=float(contrast @ covariance[:, p]) if is_curved else 0.0,
        engine_var=effects.tau**2 + more,
        degrees_of_freedom=effects.publishers - 1,
        builds=fit.builds,
        runs=fit.runs,
        publishers=effects.publishers,
        builds_of_kind=of_kind,
        curvature_why=fit.curvature_why,
        engine_var_curvature=curvature_var if is_curved else 0.0,
    )


def _all_engines(fit: JointFit, curvature_var: float) -> PowerCurve:
    return _curve(fit, fit.design.mean(axis=0), curvature_var, (None, None), fit.builds, 0.0)


def _design(units: pl.DataFrame) -> Floats:
    """Ones, then a column for each level of induction and cooling but the commonest, centred over the builds that state it."""
    columns = [np.ones(units.height)]
    for name in _FACTORS:
        stated = (
            units.filter(pl.col(name).is_not_null())
            .group_by(name)
            .agg(pl.len(), pl.col("publisher").n_unique().alias("publishers"))
        )
        enough = stated.filter((pl.col("len") >= LEAST_BUILDS_OF_KIND) & (pl.col("publishers") >= LEAST_PUBLISHERS_OF_LEVEL))
        for code in enough.sort("len", name, descending=[True, False])[name].to_list()[1:]:
            is_level = units.select((pl.col(name) == code).cast(pl.Float64))[name]
            mean = is_level.mean()
            columns.append((is_level - (mean if isinstance(mean, float) else 0.0)).fill_null(0.0).to_numpy())
    return np.column_stack(columns)


def _kinds(sample: Sample, curvature_var: float) -> tuple[PowerCurve, ...]:
    """Curves of kinds with builds enough, from the fit in which kinds differ."""
    design = _design(sample.units)
    if design.shape[1] == 1:
        return ()
    fit = fit_joint(sample.runs, sample.units, design)
    if fit.effects is None:
        return ()
    expected = fit.design @ fit.effects.beta
    levels = [(None, *sorted(set(fit.units[name].drop_nulls()))) for name in _FACTORS]
    curves = []
    for kind in ((i, c) for i in levels[0] for c in levels[1] if (i, c) != (None, None)):
        inside = _is_of(fit.units, kind)
        if int(inside.sum()) >= LEAST_BUILDS_OF_KIND:
            spread = float(expected[inside].var())
            curves.append(_curve(fit, fit.design[inside].mean(axis=0), curvature_var, kind, int(inside.sum()), spread))
    return tuple(curves)


def _is_of(units: pl.DataFrame, kind: tuple[str | None, str | None]) -> _Mask:
    inside = np.ones(units.height, dtype=bool)
    for name, code in zip(_FACTORS, kind, strict=True):
        if code is not None:
            inside &= (units[name] == code).fill_null(False).to_numpy()
    return inside


def tested_kinds(study: StudyResults) -> tuple[TestedKind, ...]:
    """What was tested, by induction, cooling and fuel, in alphabetical order, unstated codes first."""
    by_kind: dict[tuple[str | None, str | None, str | None], list[UnitResult]] = defaultdict(list)
    for unit in study.units:
        by_kind[unit.induction, unit.charge_cooling, unit.fuel].append(unit)
    return tuple(_tested(kind, by_kind[kind]) for kind in sorted(by_kind, key=lambda codes: tuple(code or "" for code in codes)))


def _tested(kind: tuple[str | None, str | None, str | None], units: list[UnitResult]) -> TestedKind:
    boosts = sorted((unit.highest_boost_kpa for unit in units), reverse=True)
    ratios = sorted((unit.highest_boost_kpa / unit.ambient_kpa for unit in units), reverse=True)
    whole_psi = range(int(boosts[0] / KPA_PER_PSI) + 1)
    return TestedKind(
        induction=kind[0],
        charge_cooling=kind[1],
        fuel=kind[2],
        builds=len(units),
        lowest_na_kw=min(unit.na_power_kw for unit in units),
        highest_na_kw=max(unit.na_power_kw for unit in units),
        top_boosts_kpa=tuple(boosts[:TOP_BOOSTS]),
        top_boost_ratios=tuple(ratios[:TOP_BOOSTS]),
        builds_by_psi=tuple(sum(boost >= psi * KPA_PER_PSI for boost in boosts) for psi in whole_psi),
    )
