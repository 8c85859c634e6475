"""The tables of a data export: every column with its meaning, unit, range and place in the keys.

Fields come from the dictionary (``pipeline.fields``); only what the pipeline adds to them (keys, lines, what was
worked out) is described here. The data package, the printed dictionary and the export itself are made from this.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.fields import PARTS, Field, Range, Table, fields_of

Kind = Literal["number", "integer", "text", "code", "date", "flag", "codes", "object", "list"]


@dataclass(frozen=True, slots=True)
class ExportColumn:
    """One exported column.

    Attributes
    ----------
    name : as in the files.
    kind : that of the dictionary, or ``codes`` (several joined by +), ``object`` or ``list`` (JSON text in CSV).
    meaning : one sentence.
    unit : unit of the figures, or None.
    usual, possible : ranges in `unit`: outside the first a value was flagged, outside the second refused.
    codes : allowed codes.
    personal : names a person; left out unless asked for.
    required : never empty.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str | None = None
    usual: Range | None = None
    possible: Range | None = None
    codes: tuple[str, ...] = ()
    personal: bool = False
    required: bool = False


@dataclass(frozen=True, slots=True)
class ExportTable:
    """One exported table.

    Attributes
    ----------
    name : file name without its ending.
    title, meaning : for readers.
    columns : in the order of the files.
    key : columns that name a row; empty where none do.
    references : column -> (table, column) that it points to.
    in_parquet : whether there is a Parquet file beside the CSV.
    """

    name: str
    title: str
    meaning: str
    columns: tuple[ExportColumn, ...]
    key: tuple[str, ...] = ()
    references: tuple[tuple[str, str, str], ...] = ()
    in_parquet: bool = True


def _key(name: str, meaning: str) -> ExportColumn:
    return ExportColumn(name, "text", meaning, required=True)


_SOURCE = _key("source", "Source that the row comes from: its folder under data_raw.")
_FILE = _key("file", "File that the row comes from, with the sheet in brackets where one is named.")
_LINE = ExportColumn(
    "line", "integer", "Line of the file, or row of the sheet, from 1; 0 for the file as a whole.", required=True
)
_RUN_KEY = _key("run_key", "Key of the run: source/file#line, and /k for the k-th run of that line.")
_BUILD_KEY = _key("build_key", "Key of the build: source|publisher|build, with \\ before a | or \\ in its parts.")
_PUBLISHER = _key("publisher", "Who published it: the cluster of the statistics.")
_BUILD = _key("build", "Name of the build: one engine in one state of tune apart from boost.")
_CODE = _key("code", "Code of the check.")
_COLUMN = ExportColumn("column", "text", "Column that the check is about: a field, or a header as contributed.")
_VALUE = ExportColumn("value", "text", "What was found there.")
_SENTENCE = _key("sentence", "The check in words.")


def _field(field: Field) -> ExportColumn:
    return ExportColumn(
        field.name,
        field.kind,
        field.meaning,
        field.unit,
        field.usual,
        field.possible,
        field.codes,
        field.personal,
        field.required,
    )


def _fields(table: Table, leave_out: tuple[str, ...] = ()) -> tuple[ExportColumn, ...]:
    return tuple(_field(f) for f in fields_of(table) if f.name not in leave_out)


_WORKED_OUT = (
    ExportColumn("ambient_used_kpa", "number", "Air pressure that the study uses for this run.", "kPa", required=True),
    ExportColumn(
        "ambient_basis", "code", "Where that pressure comes from.", codes=("recorded", "altitude", "assumed"), required=True
    ),
    ExportColumn("power_step_kw", "number", "Size of the last printed digit of the power.", "kW"),
    ExportColumn("boost_step_kpa", "number", "Size of the last printed digit of the boost.", "kPa"),
    ExportColumn(
        "correction_factor",
        "number",
        "Reported over observed power under the stated correction; empty where air or standard is unknown.",
    ),
    ExportColumn("baseline_build_key", "text", "Key of the build whose unboosted run serves, where it is another build."),
    ExportColumn("extra", "object", "Columns of the file that are no field of the dictionary, as text by header."),
    ExportColumn("is_repeat", "flag", "True where the same test is counted under another publisher.", required=True),
)
_ROLE = ExportColumn("role", "code", "What the run is in the study.", codes=("baseline", "boosted", "throttled"), required=True)
_COUNTS = (
    ExportColumn("sha256", "text", "Hash of the file's bytes when it was read."),
    *(
        ExportColumn(name, "integer", meaning, required=True)
        for name, meaning in (
            ("rows_read", "Rows found in the file: accepted, refused and repeated ones together."),
            ("accepted", "Rows that the study may use."),
            ("refused", "Rows that were refused, each with its reasons."),
            ("repeated", "Rows of tests that are counted under another publisher."),
            ("runs", "Runs that the accepted rows gave."),
            ("sweep_points", "Points of curves that the accepted rows gave."),
            ("changes", "Before/after changes that the accepted rows gave."),
        )
    ),
    ExportColumn("problem", "text", "Why the file could not be used, or could not be read again."),
)
_SAME_TEST = ExportColumn("same_test_as", "text", "Key of the build that this one republishes; counted there.")
_PARTS = ExportColumn("parts", "codes", "Parts that were changed, joined by +.", codes=PARTS, required=True)

#: What the flat table says of a change, so that one file holds all that this project reads back.
_COMPARED = (
    _key("run", "Name of the run, here its key."),
    ExportColumn("compared_with", "text", "Run that this one is compared with, before the parts were changed."),
    ExportColumn("parts", "codes", "Parts changed against the run it is compared with, joined by +.", codes=PARTS),
)
_COMPARED_NAMES = ("run", "compared_with", "parts")

TABLES: tuple[ExportTable, ...] = (
    ExportTable("source", "Sources", "One row a publication or contribution, with its licence.", _fields("source"), ("source",)),
    ExportTable(
        "build", "Builds", "One row a build: one engine in one state of tune apart from boost.",
        (_BUILD_KEY, _SOURCE, _PUBLISHER, _BUILD, *_fields("build", ("build", "publisher")), _SAME_TEST),
        ("build_key",), (("source", "source", "source"),),
    ),
    ExportTable(
        "run", "Runs", "One row a reported result of a build, with what was worked out for it.",
        (_RUN_KEY, _BUILD_KEY, _SOURCE, _PUBLISHER, _BUILD, _FILE, _LINE, _ROLE, *_fields("run"), *_WORKED_OUT),
        ("run_key",), (("build_key", "build", "build_key"), ("source", "source", "source")),
    ),
    ExportTable(
        "run_flat", "Runs with their builds",
        "One row a run with the description of its build beside it and the change that led to it, for a spreadsheet. This is "
        "the form that the project reads back (kind = \"runs\").",
        (_SOURCE, _PUBLISHER, _BUILD, *_COMPARED, *_fields("change"), *_fields("build", ("build", "publisher")),
         *_fields("run", _COMPARED_NAMES)),
        ("run",), (("run", "run", "run_key"),), in_parquet=False,
    ),
    ExportTable(
        "sweep_point", "Points of curves", "One row a point of a power or torque curve.",
        (_RUN_KEY, _LINE, *_fields("sweep_point")), ("run_key", "line"), (("run_key", "run", "run_key"),),
    ),
    ExportTable(
        "change", "Changes", "One row a before/after pair of runs that differ by named parts.",
        (_key("change_key", "Key of the change."), _SOURCE, _PUBLISHER, _FILE, _LINE,
         _key("before_run_key", "Run before the parts were changed."), _key("after_run_key", "Run after the parts were changed."),
         _PARTS, *_fields("change")),
        ("change_key",), (("source", "source", "source"),),
    ),
    ExportTable(
        "refused", "Refused rows", "One row a contributed row that was refused, as it was sent, with every reason.",
        (_SOURCE, _FILE, _LINE, ExportColumn("row", "object", "The row as contributed: text by header.", required=True),
         ExportColumn("reasons", "list", "Reasons, each with code, column, value and sentence.", required=True)),
        ("source", "file", "line"),
    ),
    ExportTable(
        "flag", "Flags", "One row a doubt about a row, a column or a file that was kept.",
        (_CODE, _SOURCE, _FILE, _LINE, _COLUMN, _VALUE, _SENTENCE),
    ),
    ExportTable(
        "repair", "Repairs", "One row a declared correction of a publisher's own error.",
        (_SOURCE, _FILE, _key("what", "What was corrected, and why.")),
    ),
    ExportTable(
        "file", "Files", "One row a file that was read: rows read = accepted + refused + repeated.",
        (_SOURCE, _FILE, *_COUNTS), ("source", "file"),
    ),
)  # fmt: skip


def exported_columns(table: ExportTable, with_personal: bool) -> tuple[ExportColumn, ...]:
    """Columns of a table that are exported; those that name a person only where asked for."""
    return tuple(c for c in table.columns if with_personal or not c.personal)


def table_named(name: str) -> ExportTable:
    """The exported table of a name."""
    return next(t for t in TABLES if t.name == name)


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table that only a store has use for; it is exported so that a store can be made from the export again."""

    name: str
    title: str
    meaning: str


KEPT: tuple[KeptTable, ...] = (
    KeptTable(
        "build_by_file", "Builds, file by file", "What each file says of its builds; the table of builds puts it together."
    ),
    KeptTable("file_seen", "Ledger", "One row a file that was read: its hash, what its rows depend on, and its counts."),
    KeptTable(
        "same_test", "Tests published twice", "One row a build that is counted under another publication, and how that was found."
    ),
    KeptTable("near_test", "Tests that look alike", "One row a pair of builds that looks like one test published twice."),
    KeptTable(
        "repeat_answer", "Answers on tests that look alike", "One row an answer of a human, with the builds that it is about."
    ),
)
