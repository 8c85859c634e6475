"""What an article pack is made of: findings with their grade and records, figures, sources and their terms. Nothing here computes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from models.estimate import Estimate
from models.strength import CANNOT_TELL, LEANS, NO_FIGURE, SHOWS, SUGGESTS, Rung
from pipeline.data_package import is_open_licence
from reports.captions import Caption
from reports.charts.base import Chart
from reports.charts.rows import Rows
from reports.numbers import InBothUnits
from reports.tables import Column

#: What a pack can be about, and its title.
ABOUT: dict[str, str] = {
    "study": "What a pound of boost is worth",
    "parts": "What a part is worth, and how much boost gives the same",
    "engine": "What to expect of one engine under boost, and how far to trust it",
    "claims": "What the trade says, held against the records",
}


class Grade(Enum):
    """How a finding may be told; the first five are the rungs of the ladder that every sentence stands on."""

    SHOWN = "shown"
    SUGGESTED = "suggested"
    LEANS = "leans"
    OPEN = "cannot tell"
    MISSING = "no figure"
    ESTIMATED = "estimated"
    COUNTED = "counted"
    WORKED_OUT = "worked out"
    WHAT_IF = "what if"


#: Grade of each rung.
OF_RUNG: dict[Rung, Grade] = {
    SHOWS: Grade.SHOWN, SUGGESTS: Grade.SUGGESTED, LEANS: Grade.LEANS, CANNOT_TELL: Grade.OPEN, NO_FIGURE: Grade.MISSING,
}  # fmt: skip

#: Grade -> what it means, and how it may be worded in print.
GRADE_WORDS: dict[Grade, tuple[str, str]] = {
    Grade.SHOWN: (f"{SHOWS.needs}".capitalize(), "the records show; say it plainly, with the range"),
    Grade.SUGGESTED: (f"{SUGGESTS.needs}".capitalize(), "the records suggest"),
    Grade.LEANS: (f"{LEANS.needs}".capitalize(), "the records lean towards; it is not settled"),
    Grade.OPEN: (f"{CANNOT_TELL.needs}".capitalize(), "the records cannot tell; never as a finding either way"),
    Grade.MISSING: (f"{NO_FIGURE.needs}".capitalize(), "cannot be told yet, for the reason given"),
    Grade.ESTIMATED: ("A size with its range, held against nothing", "give the range; the best value never without it"),
    Grade.COUNTED: ("A count or a check of these records", "of the builds in this study; not of engines in general"),
    Grade.WORKED_OUT: ("Follows from a model of physics and what it assumes, not from tests", "physics leads one to expect"),
    Grade.WHAT_IF: ("A supposition that the records can neither show nor exclude", "if it were so, then; never as a correction"),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence that may be printed.

    Attributes
    ----------
    key : stable short name, ``S01``.
    section : heading under which it stands.
    text : the sentence.
    grade : how it may be told.
    stored : where the figures stand in the stored results.
    figures : named estimates that the sentence is made from.
    records : keys of the runs it rests on; None for all runs of the pack, empty where ``elsewhere`` says where they are.
    avoid : what must not be made of it; empty where nothing lies near.
    elsewhere : where the records are that this pack does not list.
    """

    key: str
    section: str
    text: InBothUnits
    grade: Grade
    stored: str
    figures: tuple[tuple[str, Estimate], ...] = ()
    records: tuple[str, ...] | None = None
    avoid: str = ""
    elsewhere: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: its chart in the asked units, what it reads, its words, and the columns of its data.

    ``rows`` are drawn; ``data`` are the rows of its CSV file, without those of sources that may not be passed on.
    """

    name: str
    chart: Chart
    rows: Rows
    caption: Caption
    columns: tuple[Column, ...]
    data: tuple[Mapping[str, Any], ...]
    left_out: int = 0


class Terms(Enum):
    """What the licence of a source lets an editor do."""

    OPEN = "open"
    ASK = "ask"
    PRIVATE = "private"


_PRIVATE = re.compile(
    r"\b(private|privat|confidential|vertraulich|unpublished|not\s+(to\s+be\s+)?published|not\s+for\s+publication|"
    r"(do\s+not|don't)\s+(publish|share|reprint|pass\s+on)|internal\s+use)\b",
    re.IGNORECASE,
)


def terms_of(licence: str) -> Terms:
    """Open where the terms are known to let anybody pass rows on; private where they say so; else the publisher has to be asked."""
    if is_open_licence(licence):
        return Terms.OPEN
    return Terms.PRIVATE if _PRIVATE.search(licence) else Terms.ASK


@dataclass(frozen=True, slots=True)
class PackSource:
    """A source as a pack cites it; never the person who sent it in.

    ``records`` counts the runs that the pack rests on.
    """

    source: str
    title: str
    publisher: str
    url: str
    licence: str
    published_on: str
    medium: str
    citation: str
    invented: bool
    terms: Terms
    records: int


@dataclass(frozen=True, slots=True)
class Record:
    """One run that a finding rests on; ``baseline_kw`` is the power it is held against; ``what`` says what it is."""

    key: str
    source: str
    publisher: str
    build: str
    what: str
    baseline_kw: float | None
    power_kw: float | None
    boost_kpa: float | None
    gain: float | None
    share_of_rule: float | None


@dataclass(frozen=True, slots=True)
class Pack:
    """Everything that is written into the folder.

    ``builds`` and ``runs`` count what it rests on, those of private sources among them; ``publishers`` alike. ``tables`` are further
    CSV files: name without ending, what they hold, text.
    """

    about: str
    units: str
    version: str
    made_on: str
    fingerprint: str
    invented: bool
    subset: str
    builds: int
    runs: int
    publishers: int
    findings: tuple[Finding, ...]
    figures: tuple[Figure, ...]
    sources: tuple[PackSource, ...]
    records: tuple[Record, ...]
    method: tuple[str, str]
    limits: tuple[str, ...]
    notes: tuple[str, ...] = field(default=())
    tables: tuple[tuple[str, str, str], ...] = field(default=())

    @property
    def title(self) -> str:
        """The title of the pack."""
        return ABOUT[self.about]

    def may_list(self, key: str) -> bool:
        """Whether a record may be listed: its source, which its key begins with, has open terms."""
        return any(source.terms is Terms.OPEN and key.startswith(source.source + "/") for source in self.sources)

    @property
    def private(self) -> int:
        """Sources that are counted and not named."""
        return sum(source.terms is Terms.PRIVATE for source in self.sources)
