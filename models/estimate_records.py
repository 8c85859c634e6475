"""Records of the estimate for one engine: what is asked, the stored model that answers, and the answer. Nothing here computes.

:class:`PredictionModel` holds all that an answer needs, as plain numbers and texts, so that a page can do with a small script
what :func:`models.expected_power.predict` does, number for number. Powers are in kW, boost in gauge kPa, ambient pressure in
absolute kPa, yields in kW per kPa referred to sea level; the reader's units are chosen at the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import TypeAdapter

from models.plain_records import to_plain

Method = Literal["cv_plus", "model", "none"]

#: Field of a request -> the covariate or dimension that reads it; ``specific_output`` and ``na_power`` follow from the figures.
CODES = ("induction", "charge_cooling", "fuel", "measured_at", "baseline_hardware")


@dataclass(frozen=True, slots=True)
class EngineRequest:
    """One engine and the boost asked about; None: not stated.

    Attributes
    ----------
    na_power_kw : output without boost, in the air and on the correction in which the answer is wanted too.
    boost_kpa, ambient_kpa : gauge boost above 0; absolute air pressure at the dyno.
    displacement_cc, compression_ratio, octane_ron, octane_aki, compressor_rating_kw : figures of the dictionary.
    induction, charge_cooling, fuel, measured_at, baseline_hardware : codes of the dictionary.
    is_catalogue_figure : ``na_power_kw`` is a maker's rating and no measurement of this engine.
    """

    na_power_kw: float
    boost_kpa: float
    ambient_kpa: float = 101.325
    displacement_cc: float | None = None
    compression_ratio: float | None = None
    octane_ron: float | None = None
    octane_aki: float | None = None
    compressor_rating_kw: float | None = None
    induction: str | None = None
    charge_cooling: str | None = None
    fuel: str | None = None
    measured_at: str | None = None
    baseline_hardware: str | None = None
    is_catalogue_figure: bool = False


# --- the stored model ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Covariate:
    """What changes the slope, and its columns in the design (column 0 is the ones).

    Attributes
    ----------
    name, kind : a code of :data:`CODES`, or the number ``compression_ratio`` or ``specific_output`` (kW per litre).
    columns : places in the design. A code has one for each of ``levels`` but the first; a number has one.
    levels : levels that enough builds share, the reference first; empty for a number.
    means : mean of each column over the builds that state it: a column is ``value - mean``, and 0 where it is not stated.
    step, low, high : of a number: the column is ``(value - mean) / step`` with the value held between the ends of what was seen.
    default : level taken where a request states none (the baseline ran without the compressor); None: the average of builds.
    """

    name: str
    kind: Literal["code", "number"]
    columns: tuple[int, ...]
    levels: tuple[str, ...]
    means: tuple[float, ...]
    step: float = 1.0
    low: float | None = None
    high: float | None = None
    default: str | None = None


@dataclass(frozen=True, slots=True)
class Dimension:
    """One axis of likeness: ``(value - mean) / scale``, for a code ``(1 at the level, else 0, - mean) / scale``.

    ``name`` is a covariate's or ``na_power`` (ln kW). A build that does not state it stands at 0, the average; where the request
    does not state it the axis is left out.
    """

    name: str
    kind: Literal["code", "number", "log"]
    level: str | None
    mean: float
    scale: float


@dataclass(frozen=True, slots=True)
class FoldModel:
    """The fit without one tenth of the engines, and how far it was off on them.

    Attributes
    ----------
    coefficients : (p,) of the design.
    curvature : q; 0 where none was fitted.
    scores : ``|ln P - ln P^| / sd`` of the boosted runs left out, sd by the model's own formula.
    weights : weight of each score: every build counts once, however many runs it has.
    """

    coefficients: tuple[float, ...]
    curvature: float
    scores: tuple[float, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Variances of the model range.

    Attributes
    ----------
    covariance_model, covariance_jackknife : covariances of the coefficients and, last, the curvature; the one that gives
        the larger variance counts. The second is None where it cannot be had.
    column_covariance : covariance of the design's columns over builds: what not stating a covariate costs.
    spread, curvature_spread : sd of builds' slopes and of their curvatures about the fit.
    pull_rel_sd, session_rel_sd, boost_sd_kpa : errors of one pull, of a session, of a boost reading (gauge included).
    phi_crank, phi_wheel : scale of the pull variance where power is taken at the crank, and elsewhere.
    wheel_rel_sd, catalogue_rel_sd : added for a figure taken behind the gearbox, and for a maker's rating.
    t80, t95 : quantiles of Student's t for the two ranges.
    """

    covariance_model: tuple[tuple[float, ...], ...]
    covariance_jackknife: tuple[tuple[float, ...], ...] | None
    column_covariance: tuple[tuple[float, ...], ...]
    spread: float
    curvature_spread: float
    pull_rel_sd: float
    session_rel_sd: float
    boost_sd_kpa: float
    phi_crank: float
    phi_wheel: float
    wheel_rel_sd: float
    catalogue_rel_sd: float
    t80: float
    t95: float


@dataclass(frozen=True, slots=True)
class KnownBuild:
    """A build of the study as a neighbour: where it stands, and what it did.

    ``coordinates`` follow the model's dimensions. ``rule_ratio`` is its own, from no boost to the reference boost; ``boosts_kpa``,
    ``gain_ratios`` its boosted runs in order of boost. ``octane_ron`` and ``octane_aki`` are as stated.
    """

    unit_id: str
    source: str
    publisher: str
    build: str
    induction: str | None
    charge_cooling: str | None
    fuel: str | None
    measured_at: str | None
    baseline_hardware: str | None
    na_power_kw: float
    displacement_cc: float | None
    compression_ratio: float | None
    octane_ron: float | None
    octane_aki: float | None
    ambient_kpa: float
    rule_ratio: float
    boosts_kpa: tuple[float, ...]
    gain_ratios: tuple[float, ...]
    coordinates: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Span:
    """Least and most of a figure over the builds that state it."""

    name: str
    low: float
    high: float
    builds: int


@dataclass(frozen=True, slots=True)
class ClassEvidence:
    """What was tested of one pair of induction and cooling: builds, publishers, and the highest boost."""

    induction: str
    charge_cooling: str
    builds: int
    publishers: int
    highest_boost_kpa: float
    highest_boost_ratio: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """How far the study reaches.

    ``spans`` : na_power_kw, boost_kpa, boost_ratio, specific_output, displacement_cc, compression_ratio, octane_ron, octane_aki,
    ambient_kpa. ``levels`` : for each code the levels seen with their builds, by name.
    """

    spans: tuple[Span, ...]
    classes: tuple[ClassEvidence, ...]
    levels: dict[str, dict[str, int]]


@dataclass(frozen=True, slots=True)
class PhysicsSetup:
    """One corner of what physics leaves open for one class (fields of :class:`models.charge_physics.ChargeSetup`)."""

    induction: str
    charge_cooling: str
    compressor_efficiency: float
    cooler_effectiveness: float
    temperature_exponent: float
    is_belt_driven: bool
    exhaust_over_boost: float | None
    mechanical_efficiency: float
    drive_efficiency: float
    volumetric_efficiency: float
    na_bmep_kpa: float
    inlet_c: float


@dataclass(frozen=True, slots=True)
class StandardAir:
    """SAE J1349 at 25 C and an assumed humidity: ``reported = observed * (m p_ref / (p - vapour) - (m - 1))``."""

    name: str
    multiplier: float
    reference_dry_kpa: float
    vapour_kpa: float


@dataclass(frozen=True, slots=True)
class PredictionModel:
    """All that an estimate needs (formulas: :mod:`models.expected_power`, :mod:`models.predictive_ranges`).

    Attributes
    ----------
    builds, runs, publishers : what the fit rests on.
    coefficients : (p,) of the design, the slope of the average build first. curvature : q; 0 where none was fitted.
    method : ``cv_plus`` from 40 builds on, else ``model``; ``none`` where no range can be given.
    has_95 : whether a 95 % range is given; ``why`` says why a range is missing.
    known_builds : neighbours. Where the study is very large, builds spread evenly over output, ``builds_left_out`` of them left out.
    boost_scale : how far ln(boost ratio) differs for one step of distance.
    reference_boost_ratio, lowest_power_ratio : x_r of the curve; the least that power over NA power is taken for.
    """

    builds: int
    runs: int
    publishers: int
    coefficients: tuple[float, ...]
    curvature: float
    covariates: tuple[Covariate, ...]
    errors: ErrorModel
    method: Method
    has_95: bool
    why: str | None
    folds: tuple[FoldModel, ...]
    dimensions: tuple[Dimension, ...]
    boost_scale: float
    known_builds: tuple[KnownBuild, ...]
    builds_left_out: int
    evidence: Evidence
    physics: tuple[PhysicsSetup, ...]
    standard_air: StandardAir
    reference_boost_ratio: float
    lowest_power_ratio: float
    invented: bool
    notes: tuple[str, ...] = ()


def model_to_json(model: PredictionModel) -> dict[str, Any]:
    """The model as plain dictionaries and lists, for the store and for a page."""
    return to_plain(model)


def model_from_json(row: dict[str, Any]) -> PredictionModel:
    """Inverse of :func:`model_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not that of a model of this version.
    """
    return TypeAdapter(PredictionModel).validate_python(row)
