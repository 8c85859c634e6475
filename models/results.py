"""What the study hands to the pages: frozen, stored, and read back equal.

Nothing here computes. Every number that a page prints stands in one of these records.
Boost is in kPa, power in kW, yields in kW per kPa referred to sea level; the reader's units
are chosen at the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from models.curve_records import CurveAnswers
from models.deviator_records import DeviatorAnswers, ElasticityAnswers, EquivalenceAnswers, SelectionAnswers
from models.driver_records import DriverAnswers, PhysicsAnswers
from models.estimate import Estimate
from models.plain_records import to_plain


@dataclass(frozen=True, slots=True)
class FlowStep:
    """One line of the flow of records: what was counted, how many, and why others left."""

    step: str
    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class UnitResult:
    """One build under one setup (the unit of the fit).

    ``rule_ratio`` is its own estimate from no boost to the reference boost; ``shrunk_rule_ratio``
    the estimate drawn towards its publisher and the mean by what is known of the spread.
    """

    unit_id: str
    build_key: str
    source: str
    publisher: str
    build: str
    engine_id: str | None
    induction: str | None
    charge_cooling: str | None
    fuel: str | None
    measured_at: str | None
    baseline_hardware: str | None
    baseline_quality: str
    displacement_cc: float | None
    na_power_kw: float
    ambient_kpa: float
    ambient_basis: str
    highest_boost_kpa: float
    boosted_runs: int
    baseline_runs: int
    rule_ratio: Estimate
    shrunk_rule_ratio: Estimate


@dataclass(frozen=True, slots=True)
class RunResult:
    """One boosted run as the fit saw it.

    ``yield_kw_per_kpa`` = (power - NA power) / boost * ambient / 101.325, so that a build that
    follows the rule lies on the rule line at any altitude.
    """

    run_key: str
    unit_id: str
    boost_kpa: float
    boost_ratio: float
    gain_ratio: float
    power_kw: float
    yield_kw_per_kpa: float


@dataclass(frozen=True, slots=True)
class BoostPoint:
    """An estimate at one gauge boost at sea level (marginal yield, gain ratio)."""

    boost_kpa: float
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class SensitivityLine:
    """The headline under another reasonable choice."""

    name: str
    sentence: str
    rule_ratio: Estimate


@dataclass(frozen=True, slots=True)
class PublisherOut:
    """The headline without one publisher: ``builds`` are those that leave with it."""

    publisher: str
    builds: int
    rule_ratio: Estimate


@dataclass(frozen=True, slots=True)
class OnePublisherOut:
    """The headline without each publisher in turn.

    ``lines`` run from the lowest value to the highest; ``lowest`` and ``highest`` are the ends of that range (not an
    interval), None where nothing could be left out. ``why`` says what is missing.
    """

    lines: tuple[PublisherOut, ...]
    lowest: float | None
    highest: float | None
    why: str | None


@dataclass(frozen=True, slots=True)
class CancellingErrors:
    """Two shortcuts that move the headline in opposite directions: 14.7 psi for every site's air, and no curvature.

    The shifts are those of the rule ratio against the main analysis; ``together`` is that of both at once. ``cancels`` says
    that the two have opposite signs and that both at once move it less than the larger of them alone.
    """

    ambient: float | None
    curvature: float | None
    together: float | None
    cancels: bool | None
    sentence: str


@dataclass(frozen=True, slots=True)
class RuleEvidence:
    """What the study found on one question that a rule of thumb can be judged by.

    Attributes
    ----------
    name : stable name, which a rule names in turn.
    meaning : the figure in words.
    estimate : at the level of the study.
    narrow : the same at 90 %, for the test against a tolerance (two one-sided tests at 5 %).
    """

    name: str
    meaning: str
    estimate: Estimate
    narrow: Estimate


@dataclass(frozen=True, slots=True)
class RuleVerdict:
    """A rule of thumb under test; ``tested_by`` names the evidence."""

    id: str
    statement: str
    verdict: str
    estimate: Estimate
    tolerance: str
    would_tell: str
    tested_by: str = ""


@dataclass(frozen=True, slots=True)
class ClassMean:
    """Average share of the rule of the builds of one class; None for a code that the class leaves open."""

    induction: str | None
    charge_cooling: str | None
    builds: int
    publishers: int
    rule_ratio: Estimate


@dataclass(frozen=True, slots=True)
class SourceNote:
    """A source as the pages cite it."""

    source: str
    title: str
    publisher: str
    url: str
    licence: str
    published_on: str
    invented: bool


@dataclass(frozen=True, slots=True)
class StudyResults:
    """All answers of one study of one store.

    ``marginal_yield`` holds the slope of the fitted curve relative to the rule (1 = the rule)
    at stated boosts; ``last_over_first`` the yield of the last psi at 15 psi over the first.
    ``subset`` says which part of the data was asked for; empty for all of it. ``boost_confounded`` is whether boost was
    chosen by how engines took it, None where that cannot be told. Answers that are None were not asked for.
    """

    fingerprint: str
    version: str
    made_on: str
    invented: bool
    rule_ratio: Estimate
    between_builds_sd: Estimate
    new_build_rule_ratio: Estimate
    curvature: Estimate
    curvature_within_builds: Estimate
    last_over_first: Estimate
    marginal_yield: tuple[BoostPoint, ...]
    mean_gain_ratio: tuple[BoostPoint, ...]
    new_build_gain_ratio: tuple[BoostPoint, ...]
    notes: tuple[str, ...]
    units: tuple[UnitResult, ...]
    runs: tuple[RunResult, ...]
    flow: tuple[FlowStep, ...]
    sensitivity: tuple[SensitivityLine, ...]
    rules: tuple[RuleVerdict, ...]
    sources: tuple[SourceNote, ...]
    subset: str = ""
    boost_confounded: bool | None = None
    within_builds_sd: float | None = None
    elasticity: ElasticityAnswers | None = None
    equivalence: EquivalenceAnswers | None = None
    drivers: DriverAnswers | None = None
    physics: PhysicsAnswers | None = None
    deviators: DeviatorAnswers | None = None
    selection: SelectionAnswers | None = None
    one_publisher_out: OnePublisherOut | None = None
    cancelling_errors: CancellingErrors | None = None
    evidence: tuple[RuleEvidence, ...] = ()
    curves: CurveAnswers | None = None
    class_means: tuple[ClassMean, ...] = ()


def results_to_json(results: StudyResults) -> dict[str, Any]:
    """The whole study as plain dictionaries and lists."""
    return to_plain(results)


def results_from_json(row: dict[str, Any]) -> StudyResults:
    """Inverse of :func:`results_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not that of a study of this version.
    """
    return TypeAdapter(StudyResults).validate_python(row)
