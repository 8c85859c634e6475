"""Which test to run next: for each open question the tests ranked by how far they narrow its answer.

The spreads between builds and publishers are held at their estimates; what a test adds follows from its levels and error sizes
alone (:mod:`models.next_information`). Fitted curve and class are those of the study.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.driver_columns import DRIVERS, driver_columns
from models.driver_design import LEAST_BUILDS, LEAST_PUBLISHERS, OTHER, Design
from models.driver_model import joint_design
from models.estimate import Estimate
from models.fit_answers import contrast_estimate, curve_row
from models.joint_fit import JointFit, fit_joint
from models.next_builds import Spreads, goals_of
from models.next_candidates import Asked, Wishes, check_wishes, of_class, plan_question
from models.next_information import Information, information_of, sum_information, take_rows
from models.next_records import NextAnswers, NextQuestion, OpenLevel
from models.results import StudyResults
from models.sample import Sample

CAUTION = (
    "A plan says what would be learned, not what an engine stands. No test here asks for more boost than three builds of its "
    "class ran, nor more than the limit you state; without a limit it names no boost at all. Never seek a baseline by unplugging a "
    "boost-control line: on most wastegates that removes the limit. Setting boost, fuel and spark is for a qualified calibrator on "
    "a guarded dyno."
)


@dataclass(frozen=True, slots=True)
class NextStudy:
    """What plans are made on.

    Attributes
    ----------
    results, sample, fit : the study, who is in, and the headline's fit.
    design : covariates of the drivers together, a row per unit of ``units``; None where there is no joint model.
    units : units of the joint model.
    drivers_info : information of the joint model at the headline's curve, with the spread that the drivers leave.
    """

    results: StudyResults
    sample: Sample
    fit: JointFit
    design: Design | None
    units: pl.DataFrame
    drivers_info: Information | None


def ready_study(sample: Sample, sources: pl.DataFrame | None, results: StudyResults) -> NextStudy:
    """Fit what plans are made on; ``sources`` is the clean table, for the kind of publication."""
    fit = fit_joint(sample.runs, sample.units)
    none = NextStudy(results, sample, fit, None, sample.units, None)
    drivers = results.drivers
    if fit.effects is None or fit.grams is None or drivers is None or not drivers.together or drivers.spread_with is None:
        return none
    units = sample.units.sort("unit")
    design = joint_design([d for d in DRIVERS if d.is_main], driver_columns(sample, sources)).design
    if design is None:
        return none
    # a unit may have left the headline's fit because its runs say nothing; it then leaves the plan too
    place = {name: i for i, name in enumerate(fit.units["unit_id"].to_list())}
    kept = units.filter(pl.Series(design.keep, dtype=pl.Boolean))
    here = kept["unit_id"].is_in(list(place)).to_numpy()
    kept, matrix = kept.filter(pl.Series(here)), design.matrix[here]
    rows = np.array([place[name] for name in kept["unit_id"].to_list()], dtype=np.int64)
    left = 1.0 if not drivers.spread_without else min(1.0, (drivers.spread_with / drivers.spread_without) ** 2)
    effects = fit.effects
    info = sum_information(
        take_rows(fit.grams, rows), matrix, fit.publisher_index[rows], len(fit.publishers),
        (left * effects.tau_build**2, left * effects.tau_source**2), fit.curvature_why is None,
    )  # fmt: skip
    return NextStudy(results, sample, fit, Design(design.keep, matrix, design.columns), kept, info)


def answer_next(study: NextStudy, wishes: Wishes | None = None, level: float = 0.95) -> NextAnswers:
    """Every open question of a study with the tests that narrow it most.

    Raises
    ------
    RequestProblem : the wishes hold a limit, a cost or a publisher that cannot be.
    """
    wishes, results = wishes or Wishes(), study.results
    check_wishes(wishes)
    if study.fit.effects is None:
        notes = (study.fit.why or "There is no fit.",)
        return NextAnswers(results.fingerprint, results.invented, CAUTION, (), (), _open_levels(results), notes)
    questions = (ask_mean(study, wishes, level), ask_curvature(study, wishes, level), *ask_drivers(study, wishes))
    effects = study.fit.effects
    spreads = Spreads(effects.tau_source**2, effects.tau_build**2, float(np.median(study.fit.own_variance)))
    ratio = results.rule_ratio
    reached = None if ratio.low is None or ratio.high is None else (ratio.high - ratio.low) / 2.0
    notes = (
        "Numbers of builds are those of a study from nothing with the spreads found here, a fifth more than the formula says; "
        "plan for at least eight publishers.",
    )
    goals = goals_of(spreads, reached, len(study.fit.publishers), level)
    return NextAnswers(results.fingerprint, results.invented, CAUTION, questions, goals, _open_levels(results), notes)


def ask_mean(study: NextStudy, wishes: Wishes, level: float = 0.95) -> NextQuestion:
    """Which test narrows the average share of the rule."""
    known = contrast_estimate(study.fit, curve_row(study.fit, 1.0, 0.0), level)
    asked = Asked("mean", "How much of the rule holds on average", "", known)
    return plan_question(
        asked,
        study.fit,
        information_of(study.fit),
        curve_row(study.fit, 1.0, 0.0),
        of_class(study.sample.units, wishes),
        np.ones(1),
        wishes,
    )


def ask_curvature(study: NextStudy, wishes: Wishes, level: float = 0.95) -> NextQuestion:
    """Which test narrows the bend of gain over boost."""
    fit = study.fit
    question = "Whether the last unit of boost is worth as much as the first"
    if fit.curvature_why is not None:
        return NextQuestion("curvature", question, "", _none(fit, level, fit.curvature_why), (), fit.curvature_why)
    row = curve_row(fit, 0.0, 1.0)
    asked = Asked("curvature", question, "", contrast_estimate(fit, row, level))
    return plan_question(asked, fit, information_of(fit), row, of_class(study.sample.units, wishes), np.ones(1), wishes)


def ask_drivers(study: NextStudy, wishes: Wishes, name: str | None = None) -> tuple[NextQuestion, ...]:
    """Which test narrows each contrast between levels of the drivers (of one driver where it is named)."""
    design, info, drivers = study.design, study.drivers_info, study.results.drivers
    if design is None or info is None or drivers is None:
        return ()
    told = {(one.name, one.level): one.difference for one in drivers.together}
    made = []
    for place, column in enumerate(design.columns, start=1):
        if column.level == OTHER or (column.driver, column.level) not in told or name not in (None, column.driver):
            continue
        row = np.zeros(info.total.shape[0])
        row[place] = 1.0
        values = design.matrix[:, place]
        is_code = column.against != "no step"
        high = float(values.max() if is_code else np.quantile(values, 0.95))
        at = np.zeros(design.matrix.shape[1])
        at[0], at[place] = 1.0, high
        same = [j for j, other in enumerate(design.columns, start=1) if other.driver == column.driver and j != place]
        at[same] = design.matrix[:, same].min(axis=0) if is_code else 0.0
        there = study.units.filter(pl.Series(values >= high - 1e-9))
        about = f"{column.level} against {column.against}" if is_code else column.level
        words = f"What {column.driver.replace('_', ' ')} changes"
        asked = Asked(column.driver, words, about.replace("_", " "), told[column.driver, column.level])
        level_is = column.level if is_code else "among the highest"
        of = f" ({column.driver}: {level_is})".replace("_", " ")
        made.append(plan_question(asked, study.fit, info, row, of_class(there, wishes), at, wishes, of))
    return tuple(made)


def _none(fit: JointFit, level: float, why: str) -> Estimate:
    return Estimate(None, None, None, level, "1", fit.builds, fit.runs, why)


def _open_levels(results: StudyResults) -> tuple[OpenLevel, ...]:
    """Levels of the main drivers that too few builds stand at."""
    if results.drivers is None:
        return ()
    mains = {driver.name for driver in DRIVERS if driver.is_main}
    return tuple(
        OpenLevel(
            one.name,
            at.level,
            at.builds,
            at.publishers,
            max(0, LEAST_BUILDS - at.builds),
            max(0, LEAST_PUBLISHERS - at.publishers),
        )
        for one in results.drivers.summaries
        if one.name in mains
        for at in one.levels
        if not at.is_compared and at.level != "not stated"
    )
