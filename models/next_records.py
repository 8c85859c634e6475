"""What test planning hands to pages and commands: which test narrows which answer, and how many builds it takes. Frozen records only.

Boost is gauge pressure in kPa; rule ratios and widths have no unit. Nothing here computes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from models.estimate import Estimate
from models.plain_records import to_plain


@dataclass(frozen=True, slots=True)
class NextTest:
    """One test that could be run next, and how far it narrows the range of one answer.

    Attributes
    ----------
    test : what to run, in words.
    why : why it narrows the answer as far as it does, in words.
    narrows_pct : fall of the answer's standard error by one such test [%]; the spreads are held at their estimates.
    narrows_by_ten_pct : the same by ten such builds; None where the test can be run once only (an engine at hand).
    publisher : "new" (one that the study does not have), "own" (its largest publisher), or "" where that plays no part.
    levels_kpa : boosts of the test; empty where no boost is proposed: the levels are those that the engine already runs.
    baselines, pulls : unboosted pulls, and all pulls.
    cost : pulls times the stated cost of one; None where none was stated.
    narrows_per_cost : narrows_pct over cost; None likewise.
    """

    test: str
    why: str
    narrows_pct: float
    narrows_by_ten_pct: float | None
    publisher: str
    levels_kpa: tuple[float, ...]
    baselines: int
    pulls: int
    cost: float | None = None
    narrows_per_cost: float | None = None


@dataclass(frozen=True, slots=True)
class Narrowing:
    """Half-width of an answer's interval after so many further builds, in the answer's own unit.

    ``by_new``: each build of a publisher that the study does not have; ``by_own``: all of its largest publisher.
    """

    builds: int
    by_new: float
    by_own: float


@dataclass(frozen=True, slots=True)
class NextQuestion:
    """One open question, how well it is answered, and the tests that would narrow it most, the best first.

    Attributes
    ----------
    ask : stable name: "mean", "curvature", name of a driver, "engine".
    question : in words.
    about : the contrast in words; empty for mean and curvature.
    known : the answer as it stands. For "engine" ratio of boosted to unboosted power.
    tests : ranked; empty where none can be planned, and ``why`` says so.
    why : sentence; None when nothing is missing.
    narrowing : width of its interval today (0 builds) and after further builds; empty where that was not worked out.
    """

    ask: str
    question: str
    about: str
    known: Estimate
    tests: tuple[NextTest, ...]
    why: str | None = None
    narrowing: tuple[Narrowing, ...] = ()


@dataclass(frozen=True, slots=True)
class BuildsNeeded:
    """How many builds of so many publishers answer a question about the mean, in a study that starts from nothing.

    ``builds`` includes the fifth that is added because the formula is optimistic; None: no number of builds is enough, since
    publishers differ from one another.
    """

    publishers: int
    builds: int | None


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal for the mean and what it takes.

    Attributes
    ----------
    name : "told_from_rule" or "width".
    sentence : the goal and its price in words.
    size : the mean that has to be told from 1, or the half-width of the interval.
    needed : by number of publishers.
    is_reached : whether this study's interval is as narrow already; None where the study has no interval.
    """

    name: str
    sentence: str
    size: float
    needed: tuple[BuildsNeeded, ...]
    is_reached: bool | None


@dataclass(frozen=True, slots=True)
class OpenLevel:
    """A level of a driver that too few builds stand at to be compared, and how many are lacking."""

    driver: str
    level: str
    builds: int
    publishers: int
    builds_lacking: int
    publishers_lacking: int


@dataclass(frozen=True, slots=True)
class NextAnswers:
    """What is not known yet and what would tell. ``caution`` is to be printed before any of it."""

    fingerprint: str
    invented: bool
    caution: str
    questions: tuple[NextQuestion, ...]
    goals: tuple[Goal, ...]
    open_levels: tuple[OpenLevel, ...]
    notes: tuple[str, ...]


def next_to_json(answers: NextAnswers) -> dict[str, Any]:
    """The answers as plain dictionaries and lists."""
    return to_plain(answers)


def next_from_json(row: dict[str, Any]) -> NextAnswers:
    """Inverse of :func:`next_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not that of these answers.
    """
    return TypeAdapter(NextAnswers).validate_python(row)
