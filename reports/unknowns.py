"""What is not known yet, for the study page: each open question as it stands, the tests that narrow it most, and the price."""

from __future__ import annotations

from dataclasses import dataclass

from models.next_records import Goal, NextAnswers, NextQuestion
from models.results import StudyResults
from models.rules_of_thumb import UNKNOWN
from reports.labels import clean_text
from reports.numbers import InBothUnits, UnitSystem, in_both, show_estimate, show_level
from reports.quantities_in_text import in_reader_units

#: Tests named for a question.
MOST_TESTS = 2


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """One question of the overview: what is asked, what is known, the best tests; ``why`` where none can be planned."""

    asked: InBothUnits
    known: InBothUnits
    tests: tuple[InBothUnits, ...]
    why: InBothUnits | None


@dataclass(frozen=True, slots=True)
class Price:
    """A goal for the average, what it takes, and whether this study is there."""

    sentence: InBothUnits
    state: str


@dataclass(frozen=True, slots=True)
class OpenRule:
    """A rule of thumb that these records cannot judge, and what would."""

    statement: InBothUnits
    would_tell: InBothUnits


@dataclass(frozen=True, slots=True)
class Unknowns:
    """The whole section; ``caution`` is printed first."""

    caution: str
    questions: tuple[OpenQuestion, ...]
    prices: tuple[Price, ...]
    rules: tuple[OpenRule, ...]
    notes: tuple[str, ...]


def unknowns_of(results: StudyResults, answers: NextAnswers | None) -> Unknowns | None:
    """The section of a study, or None where nothing was planned on it."""
    if answers is None:
        return None
    rules = tuple(
        OpenRule(in_reader_units(clean_text(rule.statement, 400)), in_reader_units(clean_text(rule.would_tell, 400)))
        for rule in results.rules
        if rule.verdict == UNKNOWN
    )
    return Unknowns(
        clean_text(answers.caution, 800),
        tuple(_question(one) for one in answers.questions),
        tuple(_price(goal) for goal in answers.goals),
        rules,
        tuple(clean_text(note, 600) for note in answers.notes),
    )


def _question(one: NextQuestion) -> OpenQuestion:
    def known(system: UnitSystem) -> str:
        if one.known.low is None or one.known.high is None:
            return one.known.why or "no range"
        shown = show_estimate(one.known, system, share=one.ask == "mean")
        return f"{shown.best}; {show_level(one.known)} interval {shown.range}"

    words = f"{one.question} ({one.about})" if one.about else one.question
    tests = tuple(
        in_reader_units(clean_text(f"{test.test}: {_narrows(test.narrows_pct, test.narrows_by_ten_pct)}", 500))
        for test in one.tests[:MOST_TESTS]
    )
    why = None if one.why is None else in_reader_units(clean_text(one.why, 400))
    return OpenQuestion(in_reader_units(clean_text(words, 300)), in_both(known), tests, why)


def _narrows(one: float, ten: float | None) -> str:
    by_ten = "" if ten is None else f", ten such builds by {ten:.1f}\u202f%"
    return f"narrows the range by {one:.1f}\u202f%{by_ten}"


def _price(goal: Goal) -> Price:
    state = {True: "this study is there", False: "not reached yet", None: "no interval yet"}[goal.is_reached]
    return Price(in_reader_units(clean_text(goal.sentence, 400)), state)
