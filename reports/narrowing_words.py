"""How far further builds narrow the average, for the page: rows, sentence, caption and columns of its chart."""

from __future__ import annotations

from typing import Any

from models.next_records import Narrowing, NextAnswers, NextQuestion
from reports.captions import Caption, make_caption
from reports.numbers import THIN, InBothUnits, count_of, write_number
from reports.tables import Column

NAME = "narrowing"
COLUMNS: tuple[str, tuple[Column, ...]] = (
    NAME,
    (
        Column("builds", "Further builds", None, True),
        Column("by_new", "Half-width, of new publishers", "share", True),
        Column("by_own", "Half-width, of the largest publisher", "share", True),
    ),
)


def _mean(answers: NextAnswers | None) -> NextQuestion | None:
    asked = () if answers is None else answers.questions
    return next((one for one in asked if one.ask == "mean" and len(one.narrowing) > 1), None)


def narrowing_rows(answers: NextAnswers | None) -> dict[str, list[dict[str, Any]]]:
    """The record set of the chart: half-widths of the average's interval as shares of the rule, by further builds."""
    mean = _mean(answers)
    steps = () if mean is None else mean.narrowing
    return {NAME: [{"builds": one.builds, "by_new": one.by_new, "by_own": one.by_own} for one in steps]}


def say_narrowing(answers: NextAnswers | None) -> InBothUnits | None:
    """What so many builds would do to the interval of the average, or None where it was not worked out."""
    mean = _mean(answers)
    if mean is None:
        return None
    first, last = mean.narrowing[0], mean.narrowing[-1]
    is_still = _points(first.by_new) == _points(last.by_own)
    further = count_of(last.builds, "further build")
    text = (
        f"The average is known to {_points(first.by_new)} to either side; {further} of new publishers would narrow that to "
        f"{_points(last.by_new)}, as many of the study's largest publisher {'would leave it at' if is_still else 'to'} "
        f"{_points(last.by_own)}."
    )
    return InBothUnits(text, text)


def _points(half: float) -> str:
    return f"{write_number(100.0 * half, 1)}{THIN}points"


def narrowing_caption(answers: NextAnswers | None) -> dict[str, Caption]:
    """The chart's caption; none where there is no chart."""
    mean = _mean(answers)
    if mean is None:
        return {}
    return {
        NAME: make_caption(
            "How fast would further builds narrow the average?",
            "Points of the rule to either side of the average, after so many further builds with the test that tells most. Spreads "
            "between builds and publishers are held as found, so what a new build may teach about them is not in it. A new publisher brings a dyno "
            "and a habit of its own; builds of one publisher share them, and soon tell little more.",
            lambda s: f"Two falling lines of half-widths by further builds: {_steps(mean.narrowing)}.",
        )
    }


def _steps(steps: tuple[Narrowing, ...]) -> str:
    return "; ".join(
        f"after {count_of(one.builds, 'build')} {_points(one.by_new)} by new publishers, {_points(one.by_own)} by the largest"
        for one in steps
    )
