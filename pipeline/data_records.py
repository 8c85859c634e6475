"""What the page about the data shows, as frozen records: no figure of it is worked out anywhere else."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class SourceLine:
    """One source with its terms and what it gave; personal fields are left out."""

    source: str
    title: str
    publisher: str
    publishers: int
    licence: str
    medium: str
    published_on: date | None
    url: str
    invented: bool
    files: int
    rows_read: int
    accepted: int
    refused: int
    repeated: int
    builds: int
    runs: int
    sweep_points: int
    changes: int
    flags: int


@dataclass(frozen=True, slots=True)
class FileTrouble:
    """A file that could not be used (`is_withdrawn` false) or a source that was withdrawn, with the sentence why."""

    source: str
    file: str
    why: str
    is_withdrawn: bool


@dataclass(frozen=True, slots=True)
class Excerpt:
    """One row as an example of a reason: where it stands, what is wrong with it, and its own cells (refused rows only), the bad one first."""

    source: str
    file: str
    line: int
    sentence: str
    cells: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ReasonLine:
    """One code: rows it refused, or times it flagged, in how many sources, what helps in general, and a few examples."""

    code: str
    help: str
    count: int
    sources: int
    examples: tuple[Excerpt, ...]


@dataclass(frozen=True, slots=True)
class EvidenceCell:
    """Boosted runs of one class whose output without boost and boost fall into one cell (edges in SI, low included)."""

    induction: str
    charge_cooling: str
    power_low_kw: float
    power_high_kw: float
    boost_low_kpa: float
    boost_high_kpa: float
    runs: int
    builds: int


@dataclass(frozen=True, slots=True)
class EvidenceGrid:
    """The cells that hold evidence; every cell between them that is not listed holds none.

    Attributes
    ----------
    power_step_kw, boost_step_kpa : sides of a cell.
    cells : by induction and cooling.
    all_cells : the same cells with all classes together (induction and cooling are ``all``).
    """

    power_step_kw: float
    boost_step_kpa: float
    cells: tuple[EvidenceCell, ...]
    all_cells: tuple[EvidenceCell, ...]


@dataclass(frozen=True, slots=True)
class ClassLine:
    """What there is of one kind of induction and cooling; ranges are (lowest, highest)."""

    induction: str
    charge_cooling: str
    builds: int
    runs: int
    publishers: int
    power_kw: tuple[float, float]
    boost_kpa: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Evidence:
    """Where the evidence is thick and thin.

    Attributes
    ----------
    grids : a grid for each unit system, with round edges in its units.
    classes : by induction and cooling, most builds first.
    power_kw, boost_kpa : lowest, lower quartile, median, upper quartile, highest over boosted runs; empty without any.
    runs, builds : boosted runs with a baseline, and their builds.
    without_baseline : boosted runs whose build has no run without boost.
    """

    grids: dict[str, EvidenceGrid]
    classes: tuple[ClassLine, ...]
    power_kw: tuple[float, ...]
    boost_kpa: tuple[float, ...]
    runs: int
    builds: int
    without_baseline: int


@dataclass(frozen=True, slots=True)
class FieldFill:
    """How many records of a table state a field, in how many sources; `among` says which records can (``all``, ``boosted``, ``baseline``)."""

    name: str
    table: str
    among: str
    filled: int
    of: int
    sources: int


@dataclass(frozen=True, slots=True)
class BuildName:
    """A build as people know it, and its key."""

    key: str
    source: str
    publisher: str
    build: str


@dataclass(frozen=True, slots=True)
class RepeatLine:
    """A build counted under another publication; `figures` is None where only a human's answer ties them."""

    build: BuildName
    counted_as: BuildName
    figures: int | None
    found_by: str
    runs: int


@dataclass(frozen=True, slots=True)
class RowPair:
    """Rows of two builds side by side; None where one has no such row. `alike`: the figures agree."""

    boost_kpa: float | None
    power_kw: float | None
    near_boost_kpa: float | None
    near_power_kw: float | None
    alike: bool


@dataclass(frozen=True, slots=True)
class SuspectLine:
    """Two builds that look like one test, for a human's yes or no.

    Attributes
    ----------
    build, near : the later and the earlier publication.
    reason : code of `near_repeats.REASONS`.
    figures, compared : figures that agree, of how many that both print.
    alike : what besides figures ties them (``name``, ``engine``, ``speeds``, ``displacement``), or None.
    ratio : power of `near` over that of `build`, where all are in one ratio.
    corrections : standards that the two state, where they differ.
    rows : all rows side by side, by boost.
    is_counted_once : the pair is a counted repeat of which one row differs.
    yes_line, no_line : lines for the source.toml of `build`'s source.
    """

    build: BuildName
    near: BuildName
    reason: str
    figures: int
    compared: int
    alike: str | None
    ratio: float | None
    corrections: tuple[str, str] | None
    rows: tuple[RowPair, ...]
    is_counted_once: bool
    yes_line: str
    no_line: str


@dataclass(frozen=True, slots=True)
class AnswerLine:
    """A human's answer about two builds, and what is wrong with it (None: it holds)."""

    source: str
    build: str
    other: str
    answer: str
    problem: str | None


@dataclass(frozen=True, slots=True)
class RepairLine:
    """A declared correction of a publisher's own error."""

    source: str
    file: str
    what: str


@dataclass(frozen=True, slots=True)
class DataSummary:
    """Everything the page about the data shows.

    Attributes
    ----------
    fingerprint : changes whenever the clean data change.
    seen_on : day on which the newest file was read, ISO text.
    invented : all or some sources are invented demo data.
    counts : files, rows_read, accepted, refused, repeated, builds, runs, sweep_points, changes, flags, sources.
    suspects_of : number of suspected pairs; `suspects` holds the strongest of them.
    """

    fingerprint: str
    seen_on: str
    invented: bool
    counts: dict[str, int]
    sources: tuple[SourceLine, ...]
    troubles: tuple[FileTrouble, ...]
    refused: tuple[ReasonLine, ...]
    flags: tuple[ReasonLine, ...]
    evidence: Evidence
    fields: tuple[FieldFill, ...]
    repeats: tuple[RepeatLine, ...]
    suspects: tuple[SuspectLine, ...]
    suspects_of: int
    answers: tuple[AnswerLine, ...]
    repairs: tuple[RepairLine, ...]
