"""Findings of the study for an article pack: every sentence of the pages that may be printed, with its grade and its records."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from models.deviator_records import Deviator
from models.estimate import Estimate
from models.results import StudyResults
from models.strength import strength_of
from reports.labels import INDUCTION, clean_text
from reports.numbers import SYSTEMS, THIN, InBothUnits, UnitSystem, count_of, in_both, show_nominal, write_count, write_number
from reports.pack_records import OF_RUNG, Finding, Grade
from reports.sentences import (
    say_curvature,
    say_example,
    say_headline,
    say_marginal,
    say_next_engine,
    say_sensitivity,
    say_spread,
)
from reports.sentences_curves import say_gain_by_rpm, say_yield_by_rpm
from reports.sentences_doubt import (
    say_breakers,
    say_cancelling,
    say_deviators,
    say_funnel,
    say_kinds,
    say_publishers,
    say_rules,
    say_withheld,
)
from reports.sentences_effects import (
    clear_contrasts,
    say_budget,
    say_classes,
    say_compressor,
    say_confounding,
    say_drivers,
    say_elasticity,
    say_equivalence,
    say_explained,
    say_naive,
    say_physics,
    told,
)

_ANSWER, _SHAPE, _CAUSES, _DEPART, _DOUBT = (
    "The answer", "Boost and engine size", "What makes builds differ", "Builds that depart", "How far to trust it",
)  # fmt: skip


def grade_of(estimate: Estimate, reference: float) -> Grade:
    """How firmly an estimate says that it differs from a reference, as the grade of its sentence."""
    return OF_RUNG[strength_of(estimate, reference)]


def sized(estimate: Estimate) -> Grade:
    """The grade of a size that is held against nothing."""
    return Grade.MISSING if estimate.low is None or estimate.high is None else Grade.ESTIMATED


def number_findings(letter: str, found: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings with their keys, in order."""
    return tuple(replace(one, key=f"{letter}{number:02d}") for number, one in enumerate(found, start=1))


def finding(
    section: str, text: InBothUnits | None, grade: Grade, stored: str, *figures: tuple[str, Estimate], avoid: str = ""
) -> list[Finding]:
    """One finding, or none where there is no sentence."""
    return [] if text is None else [Finding("", section, text, grade, stored, tuple(figures), None, avoid)]


def study_findings(results: StudyResults, shown: StudyResults) -> tuple[Finding, ...]:
    """All findings of the study in the order of the study page.

    Parameters
    ----------
    results : the stored study.
    shown : the same without the builds and curves of private sources, for sentences that name a build.
    """
    return number_findings(
        "S",
        [
            *finding("The records", say_records(results), Grade.COUNTED, "study.units"),
            *_answer(results),
            *_shape(results, shown),
            *_causes(results),
            *_depart(results),
            *_doubt(results),
        ],
    )


def say_records(results: StudyResults) -> InBothUnits:
    """What was tested: kinds of engine, outputs, boosts, and when it was published."""
    kinds = Counter(unit.induction if unit.induction in INDUCTION else "unstated" for unit in results.units)
    cooled = sum(unit.charge_cooling in ("air_to_air", "air_to_water") for unit in results.units)
    listed = ", ".join(f"{write_count(kinds[code])} {word.lower()}" for code, word in INDUCTION.items() if kinds[code])
    used = {unit.source for unit in results.units}
    years = sorted(note.published_on[:4] for note in results.sources if note.source in used and note.published_on)
    when = "" if not years else f" Published {years[0]}." if years[0] == years[-1] else f" Published {years[0]} to {years[-1]}."

    def span(values: list[float], quantity: str, system: UnitSystem) -> str:
        scale = system.scales[quantity]
        return f"{write_number(min(values) * scale.factor, 0)} to {write_number(max(values) * scale.factor, 0)}{THIN}{scale.unit}"

    def write(system: UnitSystem) -> str:
        text = f"{count_of(len(results.units), 'build')}: {listed or 'none'}; {write_count(cooled)} with a charge cooler."
        if results.units and results.runs:
            powers, boosts = [unit.na_power_kw for unit in results.units], [run.boost_kpa for run in results.runs]
            text += (
                f" They make {span(powers, 'power', system)} without boost and were tested at {span(boosts, 'boost', system)}."
            )
        return text + when

    return in_both(write)


def _answer(results: StudyResults) -> list[Finding]:
    mean, new, spread = results.rule_ratio, results.new_build_rule_ratio, results.between_builds_sd
    both = (("average share of the rule", mean), ("range for a build not yet tested", new))
    return [
        *finding(
            _ANSWER, say_headline(results), grade_of(mean, 1.0), "study.rule_ratio", both[0],
            avoid="Not that every engine gives this: the average describes no single build.",
        ),
        *finding(
            _ANSWER, say_next_engine(results), sized(new), "study.new_build_rule_ratio", both[1],
            avoid="Not as a limit: it is the range of most engines like those tested, not of all.",
        ),
        *finding(
            _ANSWER, say_example(results), sized(mean), "study.rule_ratio, study.new_build_rule_ratio", *both,
            avoid="Not as advice to run that boost: it is arithmetic on an engine of a round size.",
        ),
        *finding(_ANSWER, say_spread(results), sized(spread), "study.between_builds_sd", ("spread between builds", spread)),
        *_margin(results),
    ]  # fmt: skip


_MARGIN_GRADES = {"holds": Grade.SHOWN, "does not hold": Grade.SHOWN, "not shown": Grade.OPEN}


def _margin(results: StudyResults) -> list[Finding]:
    answer = results.equivalence
    if answer is None:
        return []
    return finding(
        _ANSWER, say_equivalence(results), _MARGIN_GRADES.get(answer.mean, Grade.MISSING), "study.equivalence",
        ("average, for the margin", answer.mean_estimate), ("share of builds within the margin", answer.share_of_builds),
        avoid="Neither half alone: that the average lies within the margin does not say that a single engine does.",
    )  # fmt: skip


def _shape(results: StudyResults, shown: StudyResults) -> list[Finding]:
    last, size = results.last_over_first, None if results.elasticity is None else results.elasticity.elasticity
    points = tuple((_at(point.boost_kpa), point.estimate) for point in results.marginal_yield)
    known = [estimate for _, estimate in points if estimate.low is not None]
    found = [
        *finding(
            _SHAPE, say_curvature(results), grade_of(last, 1.0), "study.last_over_first", ("last step over the first", last)
        ),
        *finding(_SHAPE, say_marginal(results), Grade.ESTIMATED if known else Grade.MISSING, "study.marginal_yield", *points),
        *finding(_SHAPE, say_confounding(results), Grade.COUNTED, "study.boost_confounded"),
    ]
    if size is not None:
        found += finding(
            _SHAPE, say_elasticity(results), grade_of(size, 1.0), "study.elasticity.elasticity", ("exponent in output", size),
            avoid="Not that a larger engine is more efficient: this is the worth of boost, not of fuel.",
        )  # fmt: skip
    found += finding(
        _SHAPE, say_naive(results), Grade.COUNTED, "study.elasticity.naive",
        avoid="Not as proof or disproof of anything: that is the point of it.",
    )  # fmt: skip
    return found + _curves(shown)


def _at(boost_kpa: float) -> str:
    us, si = (show_nominal(boost_kpa, "boost", SYSTEMS[code]) for code in ("us", "si"))
    return f"next step at {us} ({si}), as a share of the rule"


def _curves(shown: StudyResults) -> list[Finding]:
    """Sentences on curves, with the runs that have them."""
    curves = shown.curves
    if curves is None:
        return []
    yields = tuple(curve.run_key for curve in curves.yields)
    gains = tuple(dict.fromkeys(key for curve in curves.gains for key in (curve.before_run_key, curve.after_run_key)))
    found = finding(_SHAPE, say_yield_by_rpm(curves), Grade.COUNTED, "study.curves.by_speed") if yields else []
    more = finding(_SHAPE, say_gain_by_rpm(curves), Grade.COUNTED, "study.curves.gains") if gains else []
    return [*(replace(one, records=yields) for one in found), *(replace(one, records=gains) for one in more)]


def _causes(results: StudyResults) -> list[Finding]:
    found: list[Finding] = []
    answers = results.drivers
    if answers is not None:
        together = told(answers.together)
        clear = clear_contrasts(together)
        grade = Grade.SHOWN if clear else Grade.OPEN if together else Grade.MISSING
        figures = [(clean_text(f"{one.name}: {one.level} against {one.against}", 120), one.difference) for one in clear]
        found += finding(
            _CAUSES, say_drivers(results), grade, "study.drivers.together", *figures,
            avoid="Not that changing it on an engine does this: builds that differ in one thing differ in others too.",
        )  # fmt: skip
        found += finding(_CAUSES, say_explained(results), Grade.COUNTED, "study.drivers.spread_with")
        means = [
            (clean_text(f"{one.induction or ''} {one.charge_cooling or ''}".strip(), 120), one.rule_ratio)
            for one in results.class_means
            if one.rule_ratio.low is not None
        ]
        found += finding(
            _CAUSES, say_classes(results), Grade.ESTIMATED, "study.class_means", *means,
            avoid="Not that the class is the cause: builds of one class share more than their name.",
        )  # fmt: skip
        alone = next((one.difference for one in answers.alone if one.name == "compressor_rating"), None)
        if alone is not None:
            found += finding(
                _CAUSES, say_compressor(results), grade_of(alone, 0.0), "study.drivers.alone", ("twice the rating", alone),
                avoid="Not that a larger compressor is safe or useful: what its shaft does is not on record.",
            )  # fmt: skip
    if results.physics is not None and results.physics.builds:
        found += finding(_CAUSES, say_physics(results), Grade.WORKED_OUT, "study.physics.builds")
        found += finding(_CAUSES, say_budget(results), Grade.WORKED_OUT, "study.physics.budgets")
    return found


def _depart(results: StudyResults) -> list[Finding]:
    answers = results.deviators
    if answers is None or answers.why:
        return []
    alike = finding(
        _DEPART, say_deviators(results), Grade.COUNTED, "study.deviators.unlike_peers",
        avoid="Not that anybody cheated: a plain cause in the record is the usual reason, and some are false alarms.",
    )  # fmt: skip
    breaks = finding(_DEPART, say_breakers(results), Grade.COUNTED, "study.deviators.breaks_rule")
    return [
        *(replace(one, records=_runs_of(results, answers.unlike_peers)) for one in alike),
        *(replace(one, records=_runs_of(results, answers.breaks_rule)) for one in breaks),
    ]


def _runs_of(results: StudyResults, listed: Iterable[Deviator]) -> tuple[str, ...]:
    units = {one.unit_id for one in listed}
    return tuple(run.run_key for run in results.runs if run.unit_id in units)


def _doubt(results: StudyResults) -> list[Finding]:
    return [
        *finding(
            _DOUBT, say_withheld(results), Grade.WHAT_IF, "study.selection.lines",
            avoid="Not as the true average: nothing shows that builds were withheld, and nothing shows that none were.",
        ),
        *finding(_DOUBT, say_funnel(results), Grade.COUNTED, "study.selection.tests"),
        *finding(_DOUBT, say_kinds(results), Grade.COUNTED, "study.selection.kinds"),
        *finding(_DOUBT, say_sensitivity(results), Grade.COUNTED, "study.sensitivity",
                 *((line.name, line.rule_ratio) for line in results.sensitivity)),
        *(finding(_DOUBT, say_publishers(results), Grade.COUNTED, "study.one_publisher_out") if results.one_publisher_out else []),
        *finding(_DOUBT, say_cancelling(results), Grade.COUNTED, "study.cancelling_errors"),
        *(finding(_DOUBT, say_rules(results), Grade.COUNTED, "study.rules") if results.rules else []),
    ]  # fmt: skip
