"""What the study hands to the pages: frozen, stored, and read back equal.

Nothing here computes. Every number that a page prints stands in one of these records.
Boost is in kPa, power in kW, yields in kW per kPa referred to sea level; the reader's units
are chosen at the edge.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from pydantic import TypeAdapter

from models.estimate import Estimate


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
class RuleVerdict:
    """A rule of thumb under test."""

    id: str
    statement: str
    verdict: str
    estimate: Estimate
    tolerance: str
    would_tell: str


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


def results_to_json(results: StudyResults) -> dict[str, Any]:
    """The whole study as plain dictionaries and lists."""
    return asdict(results)


def results_from_json(row: dict[str, Any]) -> StudyResults:
    """Inverse of :func:`results_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not that of a study of this version.
    """
    return TypeAdapter(StudyResults).validate_python(row)
