"""What a joint fit hands on: the fixed point with all that questions ask of it, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_grams import BuildGrams, LevelGrams
from models.build_sums import Floats, Ints
from models.fit_inputs import FitInput
from models.fixed_point import OWN_SLOPE_RANGE, Case, Round
from models.random_effects import RandomEffects
from pipeline.errors import RequestProblem

_CLASS_FLAGS = (("engine", False), ("chassis", True))


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


def index_of(publishers: pl.Series) -> tuple[tuple[str, ...], Ints]:
    """Sorted names of the publishers, and for each unit (n,) the place of its publisher among them."""
    texts = publishers.cast(pl.String)
    names = texts.unique().sort()
    # the number of a category is its place among the names: one look-up a unit, where sorting all texts took twenty times as long
    return tuple(names), texts.cast(pl.Enum(names)).to_physical().cast(pl.Int64).to_numpy()


def settled_fit(
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
    if "run_key" not in ready.runs.columns:
        return ready.runs.height
    keys = ready.runs["run_key"]
    marks = keys.hash()
    # keys of different marks differ, so texts are compared only where a mark comes twice; in a large study few do
    if marks.n_unique() == keys.len():
        return keys.len()
    twice = marks.is_duplicated()
    return keys.len() - int(twice.sum()) + keys.filter(twice).n_unique()


def _unsettled_why(ready: FitInput, own_slope: Floats) -> str:
    """That the fit did not settle, and which units most likely kept it from settling."""
    low, high = OWN_SLOPE_RANGE
    names = ready.units["unit_id" if "unit_id" in ready.units.columns else "unit"]
    wild = names.filter(pl.Series(~((own_slope >= low) & (own_slope <= high)))).head(5).to_list()
    named = f" Look at unit {', '.join(map(str, wild))}: its power or boost is beyond belief." if wild else ""
    return f"The fit did not settle, so it gives no number.{named}"


def no_fit(ready: FitInput, why: str) -> JointFit:
    """The result where nothing can be fitted."""
    publishers, index = index_of(ready.units["publisher"])
    none = np.full(ready.units.height, np.nan)
    return JointFit(
        why=why, effects=None, units=ready.units, dropped=ready.dropped, publishers=publishers, publisher_index=index,
        design=ready.design, grams=None, level_grams=None, log_baseline=none, phi={}, own_slope=none, own_variance=none,
        passes=0, converged=False, single_boost_level=False, curvature_why=why, lowest_boost_ratio=None, highest_boost_ratio=None,
        baseline_runs=np.zeros(0, dtype=np.int64), boosted_runs=np.zeros(0, dtype=np.int64), runs=_runs_of(ready),
    )  # fmt: skip
