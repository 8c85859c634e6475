"""The joint fit of rule ratio, curvature and spreads: frames in, one frozen fit out, that every question asks.

What can be fitted is decided here (which units, with curvature or without, or nothing at all and why); the iteration is in
:mod:`models.fixed_point` (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_grams import BuildGrams, LevelGrams
from models.build_sums import Floats, Ints, RunColumns, sum_builds, to_run_columns
from models.fit_inputs import FitInput, to_fit_input
from models.fixed_point import OWN_SLOPE_RANGE, Case, PassOver, Round, fit_effects, iterate, start
from models.random_effects import RandomEffects
from models.reml import is_identified
from pipeline.errors import RequestProblem

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

_CLASS_FLAGS = (("engine", False), ("chassis", True))


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


@dataclass(frozen=True, slots=True)
class JointFit:
    """The fixed point, or why there is none.

    Arrays have one entry per row of ``units``.

    Attributes
    ----------
    why : sentence that says why there is no answer; None when the fit stands. With a ``why``, ``effects`` is None.
    effects : coefficients, covariances, spreads, predictions; None without an answer.
    units : the units that were fitted, as given (ordered by ``unit``).
    dropped : units given but not fitted: unit, reason.
    publishers : names of the publishers with data; ``publisher_index`` points into it.
    design : (n, p) covariates of the slope.
    grams, level_grams : statistics per unit at the fixed point, after and before the level was swept out.
    log_baseline : (n,) ln of mean baseline power; add it to a level taken from ``level_grams``.
    phi : scale of the error variance by kind of dyno.
    own_slope, own_variance : (n,) each unit's own estimate at the fitted curvature, and its variance given that curvature.
    passes : passes over the runs.
    converged : whether the fixed point was reached.
    single_boost_level : the boosts of the study cannot be told apart; q is 0 and the slope holds at the boost tested.
    curvature_why : why q was held at 0, or None where it was fitted.
    lowest_boost_ratio, highest_boost_ratio : range of b / pa of the boosted runs.
    baseline_runs, boosted_runs : (n,) runs of each kind.
    runs : runs fitted, baselines included.
    """

    why: str | None
    effects: RandomEffects | None
    units: pl.DataFrame
    dropped: pl.DataFrame
    publishers: tuple[str, ...]
    publisher_index: Ints
    design: Floats
    grams: BuildGrams | None
    level_grams: LevelGrams | None
    log_baseline: Floats
    phi: dict[str, float]
    own_slope: Floats
    own_variance: Floats
    passes: int
    converged: bool
    single_boost_level: bool
    curvature_why: str | None
    lowest_boost_ratio: float | None
    highest_boost_ratio: float | None
    baseline_runs: Ints
    boosted_runs: Ints
    runs: int

    @property
    def answer(self) -> RandomEffects:
        """The effects of a fit that stands.

        Raises
        ------
        RequestProblem : with the fit's own reason where there is no answer.
        """
        if self.effects is None:
            raise RequestProblem(self.why or "There is no fit.")
        return self.effects

    @property
    def builds(self) -> int:
        """Number of units fitted."""
        return self.units.height

    def beyond_belief(self) -> pl.DataFrame:
        """Units whose own slope lies outside what the fit follows (-0.5 to 3): unit, publisher, own_slope. Misprints, mostly."""
        low, high = OWN_SLOPE_RANGE
        table = self.units.select("unit", "publisher").with_columns(own_slope=pl.Series(self.own_slope, dtype=pl.Float64))
        return table.filter(~pl.col("own_slope").is_between(low, high))

    def unit_table(self) -> pl.DataFrame:
        """One row per fitted unit: unit, own_slope, own_variance, blup, blup_variance (the last two only with an answer)."""
        table = self.units.select("unit").with_columns(
            own_slope=pl.Series(self.own_slope, dtype=pl.Float64), own_variance=pl.Series(self.own_variance, dtype=pl.Float64)
        )
        if self.effects is None:
            return table
        return table.with_columns(blup=pl.Series(self.effects.blup), blup_variance=pl.Series(self.effects.blup_variance))


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
        return _no_fit(ready, "No build has both an unboosted and a boosted run.")
    columns = to_run_columns(ready.runs, ready.units)
    begin = start(columns)
    silent = ~(begin.grams.czz > LEAST_INFORMATION)
    if silent.any():
        ready = ready.without(silent, SILENT)
        if ready.units.is_empty():
            return _no_fit(ready, "No build's runs say anything about its slope.")
        columns = to_run_columns(ready.runs, ready.units)
        begin = start(columns)
    return fit_ready(
        ready,
        columns,
        begin=begin,
        with_curvature=with_curvature,
        with_publisher_level=with_publisher_level,
        estimate_phi=estimate_phi,
    )


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
        return _no_fit(ready, "No build has both an unboosted and a boosted run.")
    begin = begin or start(columns, pass_over)
    publishers, publisher_index = _index_of(ready.units["publisher"])
    if not is_identified(begin.grams, ready.design, publisher_index, with_curvature=False):
        return _no_fit(ready, f"These {ready.units.height} builds cannot tell the {ready.design.shape[1]} coefficients apart.")
    single = _is_single_level(columns)
    curvature_why = _curvature_why(ready, begin.grams, publisher_index, single, with_curvature)
    case = Case(
        columns=columns,
        design=ready.design,
        publisher_index=publisher_index,
        is_chassis=(ready.units["dyno_class"] == "chassis").to_numpy(),
        with_curvature=curvature_why is None,
        with_publisher_level=with_publisher_level,
        estimate_phi=estimate_phi and ready.units.height >= BUILDS_FOR_PHI,
        pass_over=pass_over,
    )
    last, settled = iterate(case, begin)
    effects = fit_effects(case, last.grams, last.taus) if settled else None
    return _to_fit(case, last, effects, ready, publishers, single=single, curvature_why=curvature_why)


def _is_single_level(columns: RunColumns) -> bool:
    """Whether the boost ratios differ by no more than gauge error would make one boost differ."""
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


def _index_of(publishers: pl.Series) -> tuple[tuple[str, ...], Ints]:
    """Sorted names, and for each unit the place of its publisher among them."""
    names, index = np.unique(publishers.cast(pl.String).to_numpy().astype(str), return_inverse=True)
    return tuple(str(name) for name in names), index.astype(np.int64)


def _to_fit(
    case: Case,
    last: Round,
    effects: RandomEffects | None,
    ready: FitInput,
    publishers: tuple[str, ...],
    *,
    single: bool,
    curvature_why: str | None,
) -> JointFit:
    """The result of the last round; without effects if either search did not settle."""
    if effects is not None and not effects.converged:
        effects = None
    columns = case.columns
    own_slope = (last.grams.czy - last.q * last.grams.czk) / last.grams.czz
    return JointFit(
        why=None if effects is not None else _unsettled_why(ready, own_slope),
        effects=effects,
        units=ready.units,
        dropped=ready.dropped,
        publishers=publishers,
        publisher_index=case.publisher_index,
        design=case.design,
        grams=last.grams,
        level_grams=last.level,
        log_baseline=columns.log_baseline,
        phi={name: float(last.phi[case.is_chassis == flag][0]) for name, flag in _CLASS_FLAGS if (case.is_chassis == flag).any()},
        own_slope=own_slope,
        own_variance=1.0 / last.grams.czz,
        passes=last.passes,
        converged=effects is not None,
        single_boost_level=single,
        curvature_why=curvature_why,
        lowest_boost_ratio=float(columns.x.min()),
        highest_boost_ratio=float(columns.x.max()),
        baseline_runs=columns.baselines,
        boosted_runs=columns.boosted,
        runs=_runs_of(ready),
    )


def _runs_of(ready: FitInput) -> int:
    """Runs behind the fit; a baseline that several setups of a build share is one run."""
    named = "run_key" in ready.runs.columns
    return ready.runs["run_key"].n_unique() if named else ready.runs.height


def _unsettled_why(ready: FitInput, own_slope: Floats) -> str:
    """That the fit did not settle, and which units most likely kept it from settling."""
    low, high = OWN_SLOPE_RANGE
    names = ready.units["unit_id" if "unit_id" in ready.units.columns else "unit"]
    wild = names.filter(pl.Series(~((own_slope >= low) & (own_slope <= high)))).head(5).to_list()
    named = f" Look at unit {', '.join(map(str, wild))}: its power or boost is beyond belief." if wild else ""
    return f"The fit did not settle, so it gives no number.{named}"


def _no_fit(ready: FitInput, why: str) -> JointFit:
    """The result where nothing can be fitted."""
    publishers, index = _index_of(ready.units["publisher"])
    none = np.full(ready.units.height, np.nan)
    return JointFit(
        why=why, effects=None, units=ready.units, dropped=ready.dropped, publishers=publishers, publisher_index=index,
        design=ready.design, grams=None, level_grams=None, log_baseline=none, phi={}, own_slope=none, own_variance=none,
        passes=0, converged=False, single_boost_level=False, curvature_why=why, lowest_boost_ratio=None, highest_boost_ratio=None,
        baseline_runs=np.zeros(0, dtype=np.int64), boosted_runs=np.zeros(0, dtype=np.int64), runs=_runs_of(ready),
    )  # fmt: skip
