"""From a study's sample to the stored model of the estimate: the fit, its ten refits, and all that an answer shows beside them.

The refits without a tenth of the engines use the sums of the whole fit (the weights do not depend on the outcome of a build) and hold
its spreads, which only weigh the builds: ten of them take milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.build_grams import take_builds
from models.build_sums import LOWEST_POWER_RATIO, Floats, Ints
from models.curvature import answer_curvature
from models.engine_columns import BEHIND_GEARBOX
from models.estimate_records import ErrorModel, FoldModel, PredictionModel
from models.joint_fit import ErrorSizes, JointFit, fit_joint
from models.laws import t
from models.prediction_design import PredictionDesign, prediction_design, with_specific_output
from models.prediction_evidence import evidence_of, known_builds, likeness_axes, physics_setups, standard_air
from models.predictive_ranges import BUILDS_FOR_95, BUILDS_FOR_CV, why_no_range
from models.random_effects import fit_random_effects
from models.rule import REFERENCE_BOOST_RATIO
from models.sample import Sample
from pipeline.errors import RequestProblem

FOLDS = 10

#: A builder's wheel figure rests on a loss that nobody measured; a maker's rating on another engine (both from memory).
WHEEL_REL_SD = 0.02
CATALOGUE_REL_SD = 0.04

#: From so many builds on, the scores of builds spread evenly serve for all: the ends move by less than a thousandth.
MOST_SCORED_BUILDS = 5_000


@dataclass(frozen=True, slots=True)
class BoostedRuns:
    """Boosted runs of the builds fitted, one entry a run.

    Attributes
    ----------
    unit : row of the build. x : boost ratio. log_ratio : ln of power over NA power. share : one over the build's boosted runs.
    """

    unit: Ints
    x: Floats
    log_ratio: Floats
    share: Floats


@dataclass(frozen=True, slots=True)
class PredictionFit:
    """The stored model with what the check of it needs.

    Attributes
    ----------
    model : what answers. units : the builds fitted. design, fold : (n, p) and (n,) of these builds. fit : the whole fit.
    runs : their boosted runs. expected, sd : (m,) ln power ratio expected of each run without its fold, and its sd.
    """

    model: PredictionModel
    units: pl.DataFrame
    design: PredictionDesign
    fold: Ints
    fit: JointFit
    runs: BoostedRuns
    expected: Floats
    sd: Floats


def fit_prediction(sample: Sample, *, invented: bool = False) -> PredictionFit | str:
    """Fit the model of the estimate.

    Parameters
    ----------
    sample : who is in.
    invented : whether the data are.

    Returns
    -------
    PredictionFit, or a sentence that says why there is no model.
    """
    units = with_specific_output(sample.units.sort("unit"))
    if units.is_empty():
        return "No build has both an unboosted and a boosted run."
    design = prediction_design(units)
    fit = fit_joint(sample.runs, units, design.matrix)
    if fit.effects is None or fit.grams is None:
        return fit.why or "The fit gave no answer."
    kept = np.isin(units["unit"].to_numpy(), fit.units["unit"].to_numpy())
    design = PredictionDesign(design.covariates, design.matrix[kept], design.stated[kept])
    units = units.filter(pl.Series(kept))
    runs = _boosted_runs(sample.runs, units)
    errors = _error_model(fit, design)
    fold = folds_of(units)
    coefficients, curvatures = refit(fit, design.matrix, fold)
    at = fold[runs.unit]
    slope = (design.matrix[runs.unit] * coefficients[at]).sum(axis=1)
    expected = np.log(power_ratios(slope, curvatures[at], runs.x))
    sd = log_power_sds(errors, fit, design, units, runs)
    scores = np.abs(runs.log_ratio - expected) / sd
    n = units.height
    dimensions, coordinates = likeness_axes(units)
    neighbours, left_out = known_builds(units, fit, runs.unit, runs.x, np.expm1(runs.log_ratio), coordinates)
    model = PredictionModel(
        builds=n,
        runs=fit.runs,
        publishers=len(fit.publishers),
        coefficients=_plain(fit.effects.beta),
        curvature=float(fit.effects.q),
        covariates=design.covariates,
        errors=errors,
        method="cv_plus" if n >= BUILDS_FOR_CV else "model",
        has_95=n >= BUILDS_FOR_95,
        why=why_no_range(n),
        folds=_fold_models(coefficients, curvatures, at, scores, runs) if n >= BUILDS_FOR_CV else (),
        dimensions=dimensions,
        boost_scale=max(float(np.std(np.log(runs.x))), 0.1),
        known_builds=neighbours,
        builds_left_out=left_out,
        evidence=evidence_of(units, runs.x),
        physics=physics_setups(),
        standard_air=standard_air(),
        reference_boost_ratio=REFERENCE_BOOST_RATIO,
        lowest_power_ratio=LOWEST_POWER_RATIO,
        invented=invented,
        notes=(),
    )
    return PredictionFit(model, units, design, fold, fit, runs, expected, sd)


# --- folds --------------------------------------------------------------------------------------------------------------


def folds_of(units: pl.DataFrame, folds: int = FOLDS) -> Ints:
    """Fold of each build: builds of one engine share theirs; engines with most builds are dealt first, each to the smallest fold.

    An engine is ``engine_id`` of one publisher where it is stated, else the build.
    """
    engine = pl.col("engine_id") if "engine_id" in units.columns else pl.lit(None, dtype=pl.String)
    own = pl.concat_str(pl.lit("build "), pl.col("build_key")) if "build_key" in units.columns else pl.col("unit").cast(pl.String)
    names = units.select(pl.coalesce(pl.concat_str("publisher", pl.lit("|"), engine), own).alias("engine"))["engine"]
    _, index, counts = np.unique(names.to_numpy().astype(str), return_inverse=True, return_counts=True)
    # which engine comes first must not follow the alphabet, or publishers would fall into folds of their own
    shuffled = np.random.Generator(np.random.PCG64(2909)).permutation(counts.size)
    order = shuffled[np.argsort(-counts[shuffled], kind="stable")]
    sizes, of_engine = np.zeros(folds, dtype=np.int64), np.zeros(counts.size, dtype=np.int64)
    for engine_no in order:
        smallest = int(np.argmin(sizes))
        of_engine[engine_no], sizes[smallest] = smallest, sizes[smallest] + counts[engine_no]
    return of_engine[index].astype(np.int64)


def refit(fit: JointFit, matrix: Floats, fold: Ints) -> tuple[Floats, Floats]:
    """Coefficients (folds, p) and curvature (folds,) without each fold; those of the whole fit where the rest cannot give them."""
    effects, grams = fit.answer, fit.grams
    if grams is None:
        raise RequestProblem("The fit keeps no sums, so it cannot be refitted; give a fit that has an answer.")
    with_curvature = effects.theta.size > effects.beta.size
    taus = (effects.tau_build, effects.tau_source)

    def without(keep: NDArray[np.bool_]) -> tuple[Floats, float] | None:
        if not keep.any() or np.linalg.matrix_rank(matrix[keep]) < matrix.shape[1]:
            return None
        publishers = np.unique(fit.publisher_index[keep], return_inverse=True)[1].astype(np.int64)
        part = fit_random_effects(
            take_builds(grams, keep), matrix[keep], publishers, with_curvature=with_curvature, fixed_taus=taus,
            with_predictions=False,
        )  # fmt: skip
        return (part.beta, part.q) if part.converged else None

    same = matrix.shape == fit.design.shape and np.array_equal(matrix, fit.design)
    whole = None if same else without(np.ones(fold.size, dtype=bool))
    found = [without(fold != k) or whole or (effects.beta, effects.q) for k in range(int(fold.max()) + 1)]
    return np.array([beta for beta, _ in found]), np.array([q for _, q in found])


def _fold_models(coefficients: Floats, curvatures: Floats, at: Ints, scores: Floats, runs: BoostedRuns) -> tuple[FoldModel, ...]:
    builds = np.unique(runs.unit)
    step = -(-builds.size // MOST_SCORED_BUILDS)
    scored = np.isin(runs.unit, builds[::step])
    weight = runs.share / (builds[::step].size + 1)
    return tuple(
        FoldModel(_plain(coefficients[k]), float(curvatures[k]), _plain(scores[mine]), _plain(weight[mine]))
        for k in range(coefficients.shape[0])
        for mine in [scored & (at == k)]
    )


# --- runs and their errors ----------------------------------------------------------------------------------------------


def power_ratios(slope: Floats, curvature: Floats | float, x: Floats) -> Floats:
    """Power over NA power, as :func:`models.engine_columns.power_ratio`."""
    return np.maximum(1.0 + slope * x + curvature * x * (x - REFERENCE_BOOST_RATIO), LOWEST_POWER_RATIO)


def _boosted_runs(runs: pl.DataFrame, units: pl.DataFrame) -> BoostedRuns:
    place = units.select("unit").with_row_index("place")
    table = runs.filter(pl.col("gain_ratio").is_not_null()).join(place, on="unit", how="inner", maintain_order="left")
    unit = table["place"].to_numpy().astype(np.int64)
    share = 1.0 / np.bincount(unit, minlength=units.height)[unit]
    return BoostedRuns(unit, table["boost_ratio"].to_numpy(), np.log1p(table["gain_ratio"].to_numpy()), share)


def _error_model(fit: JointFit, design: PredictionDesign) -> ErrorModel:
    effects, sizes = fit.answer, ErrorSizes()
    df = max(fit.builds - effects.beta.size - 1, 1)
    phi = fit.phi
    with_curvature = effects.theta.size > effects.beta.size
    jackknife = effects.covariance_jackknife
    spread_q = answer_curvature(fit).within_builds_sd if with_curvature else None
    return ErrorModel(
        covariance_model=_bordered(effects.covariance_model, with_curvature),
        covariance_jackknife=None if jackknife is None else _bordered(jackknife, with_curvature),
        column_covariance=_matrix(_column_covariance(design)),
        spread=effects.tau,
        curvature_spread=float(spread_q or 0.0),
        pull_rel_sd=sizes.power_rel_sd,
        session_rel_sd=sizes.session_rel_sd,
        boost_sd_kpa=float(np.hypot(sizes.boost_sd_kpa, sizes.gauge_sd_kpa)),
        phi_crank=phi.get("engine", phi.get("chassis", 1.0)),
        phi_wheel=phi.get("chassis", phi.get("engine", 1.0)),
        wheel_rel_sd=WHEEL_REL_SD,
        catalogue_rel_sd=CATALOGUE_REL_SD,
        t80=float(t.ppf(0.90, df)),
        t95=float(t.ppf(0.975, df)),
    )


def _column_covariance(design: PredictionDesign) -> Floats:
    """Covariance of two columns over the builds that state both."""
    matrix, both = design.matrix, design.stated.T.astype(np.float64) @ design.stated.astype(np.float64)
    covariance = matrix.T @ matrix / np.maximum(both, 1.0)
    covariance[0, :] = covariance[:, 0] = 0.0
    return covariance


def log_power_sds(errors: ErrorModel, fit: JointFit, design: PredictionDesign, units: pl.DataFrame, runs: BoostedRuns) -> Floats:
    """Standard deviation of ln power of each boosted run, as :func:`models.engine_columns.log_power_sd`."""
    effects, matrix = fit.answer, design.matrix[runs.unit]
    slope, q, x = matrix @ effects.beta, effects.q, runs.x
    ratio = power_ratios(slope, q, x)
    u, k = x / ratio, x * (x - REFERENCE_BOOST_RATIO) / ratio
    ambient = units["ambient_kpa"].to_numpy()[runs.unit]
    steepness = (slope + q * (2.0 * x - REFERENCE_BOOST_RATIO)) / (ratio * ambient)
    d = np.column_stack([u[:, None] * matrix, k])
    variance = np.einsum("ij,jk,ik->i", d, np.array(errors.covariance_model), d)
    if errors.covariance_jackknife is not None:
        variance = np.maximum(variance, np.einsum("ij,jk,ik->i", d, np.array(errors.covariance_jackknife), d))
    unstated = np.where(design.stated, 0.0, effects.beta)
    missing = np.einsum("ij,jk,ik->i", unstated, np.array(errors.column_covariance), unstated)[runs.unit]
    behind = units["measured_at"].is_in(list(BEHIND_GEARBOX)).fill_null(False).to_numpy()[runs.unit]
    phi = np.where(behind, errors.phi_wheel, errors.phi_crank)
    variance += u**2 * errors.spread**2 + k**2 * errors.curvature_spread**2 + u**2 * missing
    variance += 2.0 * phi * errors.pull_rel_sd**2 + 2.0 * errors.session_rel_sd**2 + (steepness * errors.boost_sd_kpa) ** 2
    return np.sqrt(variance + np.where(behind, errors.wheel_rel_sd**2, 0.0))


def _bordered(covariance: Floats, with_curvature: bool) -> tuple[tuple[float, ...], ...]:
    """Covariance of coefficients and curvature; zeros for a curvature that was not fitted."""
    if with_curvature:
        return _matrix(covariance)
    wide = np.zeros((covariance.shape[0] + 1, covariance.shape[0] + 1))
    wide[:-1, :-1] = covariance
    return _matrix(wide)


def _matrix(values: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(_plain(row) for row in values)


def _plain(values: Floats | NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
