"""A card for each deviating build: its runs against rule, peers and physics, and what its own record says of causes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from models.deviator_records import Cause, Deviator, DeviatorAnswers
from models.results import StudyResults
from reports.build_links import build_link
from reports.charts.rows import class_words
from reports.charts.rows_doubt import deviation_words
from reports.driver_words import cause_words
from reports.labels import clean_text
from reports.numbers import InBothUnits, write_number
from reports.quantities_in_text import in_reader_units
from reports.small_plots import RunsPlot, plot_runs

#: Most cards on a page; those unlike their peers come first, then those that break the rule by the strict count.
MOST_CARDS = 30
#: Most runs that a card draws.
MOST_RUNS_OF_A_CARD = 60


@dataclass(frozen=True, slots=True)
class CauseLine:
    """One cause: its name, what was tested and came out, and whether the record states the fact."""

    name: str
    sentence: InBothUnits
    is_recorded: bool


@dataclass(frozen=True, slots=True)
class DeviatorCard:
    """What the card of one build shows.

    ``number`` is the build's number in the charts, None where it is not drawn; ``link`` leads to its panel on the page of builds;
    ``tags`` say on which lists it stands;
    ``supported`` are causes that could explain it, ``dismissed`` those that cannot or that its record rules out, ``untested``
    those for which a figure is missing.
    """

    number: int | None
    name: str
    link: str
    publisher: str
    kind: str
    tags: tuple[str, ...]
    reading: str
    physics: str
    plot: RunsPlot | None
    supported: tuple[CauseLine, ...]
    dismissed: tuple[CauseLine, ...]
    untested: tuple[CauseLine, ...]


def deviator_cards(results: StudyResults, number_of: Mapping[str, int]) -> list[DeviatorCard]:
    """Cards in the order of the lists, one for each build even where it stands on both.

    Parameters
    ----------
    results : the stored study.
    number_of : numbers of the builds that are drawn.
    """
    answers = results.deviators
    if answers is None:
        return []
    chosen: dict[str, Deviator] = {}
    strict_first = sorted(answers.breaks_rule, key=lambda one: not one.is_strict)
    for one in (*answers.unlike_peers, *strict_first):
        if one.unit_id not in chosen and len(chosen) < MOST_CARDS:
            chosen[one.unit_id] = one
    return [_card(one, results, answers, number_of) for one in chosen.values()]


def _card(one: Deviator, results: StudyResults, answers: DeviatorAnswers, number_of: Mapping[str, int]) -> DeviatorCard:
    unit = next((unit for unit in results.units if unit.unit_id == one.unit_id), None)
    runs = [run for run in results.runs if run.unit_id == one.unit_id][:MOST_RUNS_OF_A_CARD]
    bands = next((own.runs for own in (results.physics.builds if results.physics else ()) if own.unit_id == one.unit_id), ())
    explained = [cause for cause in one.causes if cause.supports]
    others = [cause for cause in one.causes if not cause.supports]
    return DeviatorCard(
        number=number_of.get(one.unit_id),
        name=clean_text(one.build),
        link=build_link(one.build_key),
        publisher=clean_text(one.publisher),
        kind="" if unit is None else class_words(unit),
        tags=_tags(one.unit_id, answers),
        reading=deviation_words(one),
        physics=_physics(one),
        plot=plot_runs(runs, one.expected_low, one.expected_high, [band for _, band in bands][:MOST_RUNS_OF_A_CARD]),
        supported=tuple(_line(cause) for cause in explained),
        dismissed=tuple(_line(cause) for cause in others if cause.tested),
        untested=tuple(_line(cause) for cause in others if not cause.tested),
    )


def _tags(unit_id: str, answers: DeviatorAnswers) -> tuple[str, ...]:
    tags = ["unlike its peers"] if any(one.unit_id == unit_id for one in answers.unlike_peers) else []
    broken = next((one for one in answers.breaks_rule if one.unit_id == unit_id), None)
    if broken is not None:
        tags.append("breaks the rule, strict count" if broken.is_strict else "breaks the rule, wider count")
    return tuple(tags)


def _physics(one: Deviator) -> str:
    if one.physics_low is None or one.physics_high is None:
        return "No expectation from physics."
    return f"Physics expects {write_number(100 * one.physics_low, 0)} to {write_number(100 * one.physics_high, 0)}\u202f% of the rule."


def _line(cause: Cause) -> CauseLine:
    return CauseLine(cause_words(cause.cause), in_reader_units(clean_text(cause.sentence, 400)), cause.basis == "recorded")
