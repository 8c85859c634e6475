"""The joint fit of rule ratio, curvature and spreads: frames in, one frozen fit out, that every question asks.

What can be fitted is decided here (which units, with curvature or without, or nothing at all and why); the iteration is in
:mod:`models.fixed_point` (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.build_grams import BuildGrams, LevelGrams
from models.build_sums import Floats, Ints, RunColumns, sum_builds, to_run_columns
from models.fit_inputs import FitInput, to_fit_input
from models.fit_record import JointFit, index_of, no_fit, settled_fit
from models.fixed_point import Case, PassOver, Round, fit_effects, iterate, start
from models.reml import is_identified

#: From this many builds on the scale of the errors is estimated.
BUILDS_FOR_PHI = 30

#: A build whose information about its slope is no more than this (sd 1000) says nothing.
LEAST_INFORMATION = 1e-6

#: Why such a build is left out.
SILENT = "its runs say nothing about its slope"

#: Information about the curvature within one build (sd 0.5) from which on that build counts as tested at several boosts.
LEAST_CURVATURE_INFORMATION = 4.0

#: Boost ratios whose sd, and whose farthest from the median, stay below these multiples of gauge error are one boost.
SINGLE_LEVEL_SD = 1.5
SINGLE_LEVEL_FARTHEST = 4.0


@dataclass(frozen=True, slots=True)
class ErrorSizes:
    """Default error sizes; a record that says better replaces them row by row.

    Attributes
    ----------
    power_rel_sd : relative sd of one pull.
    boost_sd_kpa : random error of a boost figure, 0.173 psi.
    gauge_sd_kpa : constant error of a gauge, shared by a build, 0.10 psi.
    session_rel_sd : relative sd between baseline and boosted session.
    """

    power_rel_sd: float = 0.015
    boost_sd_kpa: float = 1.19279
    gauge_sd_kpa: float = 0.689476
    session_rel_sd: float = 0.005


def fit_joint(
    runs: pl.DataFrame,
    units: pl.DataFrame,
    design: Floats | None = None,
    *,
    with_curvature: bool = True,
    with_publisher_level: bool = True,
    estimate_phi: bool = True,
) -> JointFit:
    """Fit the study.

    Parameters
    ----------
    runs : unit (0..n-1), boost_kpa (exactly 0 for baselines), ambient_kpa, power (any unit, one basis per unit),
        power_rel_sd, boost_sd_kpa.
    units : unit, publisher, dyno_class ("engine" or "chassis"), session_rel_sd, gauge_sd_kpa; further columns are carried along.
    design : (n, p) covariates of the slope, row i for unit i; None for the plain mean. Centre covariates at their means.
    with_curvature : fit a common curvature (it is held at 0 where the runs cannot give one, see ``curvature_why``).
    with_publisher_level : let publishers differ.
    estimate_phi : estimate the scale of the errors per kind of dyno (from 30 builds on).

    Returns
    -------
    JointFit : with ``why`` set and no effects where no answer is possible.

    Raises
    ------
    RequestProblem : when the frames or the design cannot be used (:func:`models.fit_inputs.to_fit_input`).
    """
    ready = to_fit_input(runs, units, design)
    if ready.units.is_empty():
        return no_fit(ready, "No build has both an unboosted and a boosted run.")
    columns = to_run_columns(ready.runs, ready.units)
    begin = start(columns)
    silent = ~(begin.grams.czz > LEAST_INFORMATION)
    if silent.any():
        ready = ready.without(silent, SILENT)
        if ready.units.is_empty():
            return no_fit(ready, "No build's runs say anything about its slope.")
        columns = to_run_columns(ready.runs, ready.units)
        begin = start(columns)
    plan = _plan(ready, columns, begin, sum_builds, (with_curvature, with_publisher_level, estimate_phi))
    begin = _bare(begin)
    return _carried_out(plan, ready, begin)


def fit_ready(
    ready: FitInput,
    columns: RunColumns,
    pass_over: PassOver = sum_builds,
    *,
    begin: Round | None = None,
    with_curvature: bool = True,
    with_publisher_level: bool = True,
    estimate_phi: bool = True,
) -> JointFit:
    """Fit checked input whose units all say something about their slope.

    Parameters
    ----------
    ready : units and design; its runs are only counted.
    columns : what no pass changes.
    pass_over : makes the sums of a pass; where the runs are elsewhere, the columns need only what is not summed.
    begin : the statistics at the starting curve, where they are known.
    with_curvature, with_publisher_level, estimate_phi : as for :func:`fit_joint`.
    """
    if ready.units.is_empty():
        return no_fit(ready, "No build has both an unboosted and a boosted run.")
    begin = begin or start(columns, pass_over)
    plan = _plan(ready, columns, begin, pass_over, (with_curvature, with_publisher_level, estimate_phi))
    begin = _bare(begin)
    return _carried_out(plan, ready, begin)


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is fitted: the case to iterate on, the publishers' names, and why without curvature; or why nothing is."""

    why_not: str | None
    case: Case
    publishers: tuple[str, ...]
    single: bool
    curvature_why: str | None


def _plan(ready: FitInput, columns: RunColumns, begin: Round, pass_over: PassOver, wanted: tuple[bool, bool, bool]) -> _Plan:
    """What the statistics at the starting curve allow of what is wanted: curvature, publishers that differ, scale of the errors."""
    with_curvature, with_publisher_level, estimate_phi = wanted
    publishers, publisher_index = index_of(ready.units["publisher"])
    builds, coefficients = ready.design.shape
    identified = is_identified(begin.grams, ready.design, publisher_index, with_curvature=False)
    why_not = None if identified else f"These {builds} builds cannot tell the {coefficients} coefficients apart."
    single = identified and _is_single_level(columns)
    curvature_why = why_not or _curvature_why(ready, begin.grams, publisher_index, single, with_curvature)
    case = Case(
        columns=columns,
        design=ready.design,
        publisher_index=publisher_index,
        is_chassis=(ready.units["dyno_class"] == "chassis").to_numpy(),
        with_curvature=curvature_why is None,
        with_publisher_level=with_publisher_level,
        estimate_phi=estimate_phi and builds >= BUILDS_FOR_PHI,
        pass_over=pass_over,
    )
    return _Plan(why_not, case, publishers, single, curvature_why)


def _bare(begin: Round) -> Round:
    """The starting point without its statistics, which nobody reads after the plan: at a million builds an eighth of a gigabyte."""
    nothing = np.empty(0)
    return replace(begin, level=LevelGrams(*[nothing] * 10), grams=BuildGrams(*[nothing] * 6))


def _carried_out(plan: _Plan, ready: FitInput, begin: Round) -> JointFit:
    """The plan iterated to its fixed point."""
    if plan.why_not is not None:
        return no_fit(ready, plan.why_not)
    case = plan.case
    last, settled = iterate(case, begin)
    if last.passes == 0:  # not one round could be made: the statistics of the start are all there is
        last = start(case.columns, case.pass_over)
    effects = fit_effects(case, last.grams, last.taus) if settled else None
    return settled_fit(case, last, effects, ready, plan.publishers, single=plan.single, curvature_why=plan.curvature_why)


def _is_single_level(columns: RunColumns) -> bool:
    """Whether the boost ratios differ by no more than gauge error would make one boost differ."""
    widest = float(np.sqrt(columns.boost_var.max() + columns.gauge_sd.max() ** 2))
    if np.ptp(columns.x) > 2.0 * SINGLE_LEVEL_FARTHEST * widest:  # plain without the medians, which take a sort each
        return False
    sd = float(np.sqrt(np.median(columns.boost_var) + np.median(columns.gauge_sd) ** 2))
    apart = np.abs(columns.x - np.median(columns.x))
    return (
        bool(columns.x.std() <= SINGLE_LEVEL_SD * sd and apart.max() <= SINGLE_LEVEL_FARTHEST * sd) or float(apart.max()) == 0.0
    )


def _curvature_why(ready: FitInput, start: BuildGrams, publisher_index: Ints, single: bool, wanted: bool) -> str | None:
    """Why no curvature is fitted, or None."""
    if not wanted:
        return "The fit was asked for without curvature."
    if single:
        return "All boosted runs are at about one boost."
    n, p = ready.design.shape
    within = start.ckk - start.czk**2 / start.czz
    if not (within > LEAST_CURVATURE_INFORMATION).any() and n - p < 2:
        return "No build was tested at two boosts far enough apart, and there are too few builds to compare."
    if not is_identified(start, ready.design, publisher_index, with_curvature=True):
        return "The runs cannot tell curvature from the covariates."
    return None
