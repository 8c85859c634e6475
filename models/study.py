"""The study: clean tables in, every answer out, once.

The order of the questions is the table of contents of the results. The same tables give the
same answers to the last digit: everything is sorted before it is summed, and what is drawn at
random is drawn from fixed seeds. Questions that stand alone are asked first and their answers are
waited for last, so that another process may answer them meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import Any

import polars as pl

from models import rule
from models.class_means import answer_class_means
from models.curvature import CurvatureAnswers, answer_curvature
from models.curve_records import CurveAnswers
from models.curves_at_rpm import answer_curves
from models.deviator_records import DeviatorAnswers
from models.deviators import answer_deviators
from models.drivers import answer_drivers
from models.elasticity import answer_elasticity
from models.equivalence import answer_equivalence
from models.estimate import Estimate
from models.joint_fit import JointFit, fit_joint
from models.physics_answers import answer_physics
from models.publisher_out import leave_out_each_publisher
from models.results import BoostPoint, StudyResults
from models.rule_evidence import gather_evidence
from models.rule_table import RULES
from models.rules_of_thumb import judge_rules
from models.sample import Sample, choose_sample
from models.sample_options import SampleOptions
from models.selection import answer_selection
from models.sensitivity import (
    ALTERNATIVES,
    FIRST_PART,
    LAST_PART,
    OF_PEERS,
    cancelling_errors,
    publisher_lines,
    sensitivity_lines,
)
from models.sensitivity_fits import AlternativeFits, narrowed
from models.study_records import is_invented, ledger_steps, run_results, source_notes, unit_results
from models.subset import Subset, take_subset
from models.yield_fit import answer_rule_ratio, mean_curve
from pipeline.errors import RequestProblem

#: The mean curve is stated at every whole psi up to the highest boost tested, and no further than this [psi].
CURVE_END_PSI = 40

#: Boost readings differ by the gauge; a curve may be asked for this far beyond the highest boost tested.
REACH_BEYOND = 1.03

_TABLES = ("run", "build", "source")

#: Coverage of the intervals.
LEVEL = 0.95

#: Takes a function and what it is called with, and returns what gives its value; `partial` makes it when it is waited for.
Ask = Callable[..., Callable[[], Any]]


def run_study(
    tables: Mapping[str, pl.DataFrame],
    *,
    version: str,
    fingerprint: str,
    made_on: str,
    level: float = LEVEL,
    ledger: Mapping[str, int] | None = None,
    subset: Subset | None = None,
    own_columns: Sequence[str] = (),
    sample: Sample | None = None,
    ask: Ask = partial,
    begun: Mapping[str, Callable[[], Any]] = MappingProxyType({}),
) -> StudyResults:
    """Answer every question of the study from the clean tables.

    Parameters
    ----------
    tables : clean tables by name: ``run``, ``build``, ``source``, for rules about parts ``change``, for curves ``sweep_point``.
    version, fingerprint, made_on : what the results are stamped with: version of the program,
        fingerprint of the data, day as ISO text.
    level : coverage of all intervals.
    ledger : rows_read, accepted, refused, repeated of the store; put before the flow of runs.
    subset : a named part of the data; everything where it is None.
    own_columns : columns of the analyst's own to look at as drivers.
    sample : the main sample of these tables, where it was chosen already; a subset has its own chosen.
    ask : who answers questions that stand alone; by default this process, in turn.
    begun : what waits for answers about the sample alone that were asked for already, of this sample and level: ``class_means``, ``drivers``.

    Returns
    -------
    StudyResults
        Where a question cannot be answered its estimate has no value and says why.

    Raises
    ------
    RequestProblem
        When a table or a column that the study needs is absent, the level is none, or the subset cannot be taken.
    """
    _check_request(tables, level)
    subset = subset or Subset()
    tables, left_out = take_subset(tables, subset)
    if sample is None or not subset.is_everything:
        sample = choose_sample(tables["run"], tables["build"])
    fit = fit_joint(sample.runs, sample.units)
    physics = answer_physics(sample, tables["run"])
    asked_deviators = ask(answer_deviators, fit, sample, tables["run"], physics, level)
    asked_drivers = begun.get("drivers") or ask(answer_drivers, sample, tables=tables, own_columns=own_columns, level=level)
    asked_selection = ask(answer_selection, fit, sample, tables["source"], level)
    asked_classes = begun.get("class_means") or ask(answer_class_means, sample, level)
    headline = answer_rule_ratio(fit, level)
    fits = AlternativeFits(tables["run"], tables["build"], sample, fit, headline.rule_ratio, level)
    asked_lines = ask(sensitivity_lines, fits.answer, LAST_PART)
    curvature = answer_curvature(fit, level=level)
    gain = mean_curve(fit, _curve_boosts_kpa(fit), level)
    elasticity = answer_elasticity(fit, sample, level)
    equivalence = answer_equivalence(fit, level)
    out = leave_out_each_publisher(fit, level)
    evidence = gather_evidence(
        fit, sample, tables, level=level, elasticity=elasticity, equivalence=equivalence,
        cooled_turbo=_cooled_turbo(sample), beyond=_beyond,
    )  # fmt: skip
    made = sensitivity_lines(fits.answer, FIRST_PART)
    deviators = asked_deviators()
    made += sensitivity_lines(replace(fits, unlike_peers=_unlike_peers(deviators)).answer, OF_PEERS) + asked_lines()
    by_name = {line.name: line for line in made}
    lines = tuple(by_name[one.name] for one in ALTERNATIVES)
    return StudyResults(
        fingerprint=fingerprint,
        version=version,
        made_on=made_on,
        invented=is_invented(tables["source"], sample.units),
        rule_ratio=headline.rule_ratio,
        between_builds_sd=headline.between_builds_sd,
        new_build_rule_ratio=headline.new_build_rule_ratio,
        curvature=curvature.one_stage,
        curvature_within_builds=curvature.within_builds,
        last_over_first=curvature.last_over_first,
        marginal_yield=_within_evidence(fit, curvature.marginal_yield),
        mean_gain_ratio=gain.mean,
        new_build_gain_ratio=gain.new_build,
        notes=_notes((*headline.notes, subset.sentence), curvature, sample.units),
        units=unit_results(sample.units, fit, level),
        runs=run_results(sample),
        flow=(*ledger_steps(ledger), *left_out, *sample.flow),
        sensitivity=(*lines, *publisher_lines(out)),
        rules=judge_rules(evidence, RULES),
        sources=source_notes(tables["source"], tables["build"], sample.units),
        subset=subset.sentence,
        boost_confounded=curvature.confounded,
        within_builds_sd=curvature.within_builds_sd,
        elasticity=elasticity,
        equivalence=equivalence,
        drivers=asked_drivers(),
        physics=physics,
        deviators=deviators,
        selection=asked_selection(),
        one_publisher_out=out,
        cancelling_errors=cancelling_errors(lines),
        evidence=evidence,
        curves=_curves(sample, tables, level),
        class_means=asked_classes(),
    )


def _check_request(tables: Mapping[str, pl.DataFrame], level: float) -> None:
    missing = [name for name in _TABLES if name not in tables]
    if missing:
        raise RequestProblem(
            f"The study was given the tables {', '.join(sorted(tables)) or 'none'} and lacks {', '.join(missing)}; "
            f"it reads {', '.join(_TABLES)} from the store. Build the store, then run the study on it."
        )
    if not 0.0 < level < 1.0:
        raise RequestProblem(
            f"The level of the intervals is {level}; it must lie between 0 and 1, as 0.95 does. Give another level to the study."
        )


def _curves(sample: Sample, tables: Mapping[str, pl.DataFrame], level: float) -> CurveAnswers | None:
    """What curves against engine speed say; None where none were given."""
    points, changes = tables.get("sweep_point"), tables.get("change")
    if points is None or points.is_empty() or changes is None:
        return None
    return answer_curves(sample, tables["run"], tables["build"], changes, points, level)


def _highest_psi(fit: JointFit) -> float:
    """Highest boost tested, as psi at sea level; 0 without boosted runs."""
    return (fit.highest_boost_ratio or 0.0) * rule.SEA_LEVEL_KPA / rule.KPA_PER_PSI


def _curve_boosts_kpa(fit: JointFit) -> list[float]:
    end = min(CURVE_END_PSI, int(_highest_psi(fit) * REACH_BEYOND))
    return [psi * rule.KPA_PER_PSI for psi in range(1, end + 1)]


def _beyond(fit: JointFit, boost_kpa: float) -> str | None:
    """Why nothing is said at this boost, or None where it was tested."""
    highest = _highest_psi(fit)
    if fit.effects is None or boost_kpa / rule.KPA_PER_PSI <= highest * REACH_BEYOND:
        return None
    return f"No build in the study was tested above {highest:.1f} psi at sea level."


def _within_evidence(fit: JointFit, points: Sequence[BoostPoint]) -> tuple[BoostPoint, ...]:
    """The points, with no value where no build was tested at so much boost."""

    def told(point: BoostPoint) -> Estimate:
        why, of = _beyond(fit, point.boost_kpa), point.estimate
        return of if why is None else Estimate(None, None, None, of.level, of.unit, of.builds, of.runs, why)

    return tuple(BoostPoint(point.boost_kpa, told(point)) for point in points)


def _unlike_peers(deviators: DeviatorAnswers) -> tuple[str, ...]:
    return tuple(one.unit_id for one in deviators.unlike_peers)


def _cooled_turbo(main: Sample) -> JointFit:
    """The fit of charge-cooled turbocharged builds alone."""
    others = main.units.filter(
        (pl.col("induction") != "turbocharger").fill_null(True) | (pl.col("charge_cooling") == "none").fill_null(True)
    )
    sample = narrowed(main, SampleOptions(drop_units=tuple(others["unit_id"].to_list())))
    return fit_joint(sample.runs, sample.units)


def _notes(headline: tuple[str, ...], curvature: CurvatureAnswers, units: pl.DataFrame) -> tuple[str, ...]:
    """Sentences to print beside the figures, each once."""
    notes = [*headline, *curvature.notes]
    named = units.filter(pl.col("engine_id").is_not_null()).select("publisher", "engine_id")
    shared = named.height - named.group_by("publisher", "engine_id").len().filter(pl.col("len") == 1).height
    if shared:
        notes.append(f"{shared} of the {units.height} builds share their test engine with another: they are not independent.")
    doubtful = units.filter(pl.col("ambient_basis") == "assumed").height
    if doubtful:
        notes.append(
            f"For {doubtful} of {units.height} builds neither air pressure nor altitude is stated; sea level is assumed."
        )
    return tuple(dict.fromkeys(note for note in notes if note))
