"""Every question of the study with its answer in a line, for the head of the page."""

from __future__ import annotations

from dataclasses import dataclass

from models.results import StudyResults
from reports.labels import clean_text
from reports.numbers import (
    THIN,
    US,
    InBothUnits,
    UnitSystem,
    count_of,
    in_both,
    show_estimate,
    show_nominal,
    write_count,
    write_number,
)
from reports.sentences import LAST_BOOST_KPA
from reports.sentences_doubt import say_rules
from reports.sentences_effects import clear_contrasts, same, told


@dataclass(frozen=True, slots=True)
class Glance:
    """A question, the section that answers it, and the answer in short."""

    section: str
    question: InBothUnits
    answer: InBothUnits


UNKNOWN = same("cannot tell yet")


def at_a_glance(results: StudyResults) -> list[Glance]:
    """Questions in the order of the page."""
    unit = in_both(lambda s: {"us": "pound", "si": "kilopascal"}[s.code])

    def ask(section: str, question: str, answer: InBothUnits) -> Glance:
        return Glance(section, in_both(lambda s: question.format(unit=unit.in_system(s.code))), answer)

    return [
        ask("answer", "What is a {unit} worth on average?", _average(results)),
        ask("within", "Does the rule hold within 10\u202f%?", _within(results)),
        ask("size", "Does a bigger engine get more?", _size(results)),
        ask("curve", "Is the last {unit} worth the first?", _curve(results)),
        ask("drivers", "What makes a difference?", _drivers(results)),
        ask("physics", "What does physics expect?", _physics(results)),
        ask("deviators", "Which builds depart?", _deviators(results)),
        ask("selection", "Was the sample picked?", _selection(results)),
        ask("sensitivity", "Would another way change the answer?", _sensitivity(results)),
        ask("rules", "Which rules of thumb hold?", same(say_rules(results).us.partition(": ")[2].rstrip(".") or "none tested")),
        ask("flow", "What does it rest on?", _flow(results)),
    ]


def _percents(low: float, high: float, decimals: int = 0) -> str:
    return f"{write_number(100 * low, decimals)} to {write_number(100 * high, decimals)}{THIN}%"


def _average(results: StudyResults) -> InBothUnits:
    mean = results.rule_ratio
    return UNKNOWN if mean.low is None or mean.high is None else same(
        f"{show_estimate(mean, US, share=True, reference=1.0).range} of the rule"
    )  # fmt: skip


def _within(results: StudyResults) -> InBothUnits:
    answer = results.equivalence
    if answer is None:
        return UNKNOWN
    share = answer.share_of_builds
    builds = "" if share.low is None or share.high is None else (
        f"; {write_number(100 * share.low, 0)} to {write_number(100 * share.high, 0)} of 100 builds do"
    )  # fmt: skip
    mean = {"holds": "on average yes", "not shown": "on average not shown", "does not hold": "on average no"}.get(answer.mean)
    return same(f"{mean or 'cannot tell yet'}{builds}")


def _size(results: StudyResults) -> InBothUnits:
    answer = None if results.elasticity is None else results.elasticity.elasticity
    if answer is None or answer.low is None or answer.high is None:
        return UNKNOWN
    return same(f"exponent {show_estimate(answer, US, reference=1.0).range}; the rule says 1")


def _curve(results: StudyResults) -> InBothUnits:
    ratio = results.last_over_first

    def write(system: UnitSystem) -> str:
        shown = show_estimate(ratio, system, share=True, reference=1.0)
        return f"{shown.range} of it at {show_nominal(LAST_BOOST_KPA, 'boost', system)}"

    return UNKNOWN if ratio.low is None or ratio.high is None else in_both(write)


def _drivers(results: StudyResults) -> InBothUnits:
    together = [] if results.drivers is None else told(results.drivers.together)
    if not together:
        return UNKNOWN
    assert results.drivers is not None
    labels = {one.name: clean_text(one.label, 40).lower() for one in results.drivers.summaries}
    clear = list(dict.fromkeys(labels.get(one.name, one.name) for one in clear_contrasts(together)))
    if not clear:
        return same("nothing stands clear of chance")
    names = clear[0] if len(clear) == 1 else f"{', '.join(clear[:-1])} and {clear[-1]}"
    return same(f"clear of chance: {names}")


def _physics(results: StudyResults) -> InBothUnits:
    curves = () if results.physics is None else results.physics.curves
    if not curves:
        return UNKNOWN
    most = max(curves, key=lambda curve: curve.builds)
    kind = {"turbocharger": "turbocharged", "centrifugal": "centrifugally blown", "positive_displacement": "blown"}
    cooling = "uncooled" if most.charge_cooling == "none" else "cooled"
    words = f"a {cooling} {kind.get(most.induction, 'boosted')} build"
    return same(f"{_percents(most.rule_ratio_low, most.rule_ratio_high)} of {words}")


def _deviators(results: StudyResults) -> InBothUnits:
    answers = results.deviators
    if answers is None or answers.why:
        return UNKNOWN
    return same(
        f"{write_count(answers.unlike_peers_count)} are unlike their peers; {write_count(answers.breaks_rule_count)} break the rule"
    )


def _selection(results: StudyResults) -> InBothUnits:
    answers = results.selection
    if answers is None or answers.lowest is None:
        return UNKNOWN
    return same(f"cannot be shown; if so, the average could be as low as {write_number(100 * answers.lowest, 0)}{THIN}%")


def _sensitivity(results: StudyResults) -> InBothUnits:
    values = [line.rule_ratio.value for line in results.sensitivity if line.rule_ratio.value is not None]
    if len(values) < 2:
        return UNKNOWN
    return same(f"{count_of(len(values), 'way', 'ways')} give {_percents(min(values), max(values))}")


def _flow(results: StudyResults) -> InBothUnits:
    publishers = len({unit.publisher for unit in results.units})
    mean = results.rule_ratio
    return same(f"{count_of(mean.runs, 'run')} on {count_of(mean.builds, 'build')} by {count_of(publishers, 'publisher')}")
