"""What a contributed file would be read as, sheet by sheet and column by column, before anything is stored."""

from __future__ import annotations

import dataclasses
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.build_names import with_build_names
from pipeline.codes import read_codes, read_dates, read_flags
from pipeline.errors import FileProblem
from pipeline.fields import FIELDS, Field, fields_of
from pipeline.file_tables import recognise
from pipeline.grid import RawTable, find_tables
from pipeline.header_kinds import CURVE_FIELDS
from pipeline.headers import Column, knows_header
from pipeline.numerals import parse_numerals
from pipeline.read_raw import ReadOptions, read_grids
from pipeline.sources import FileEntry
from pipeline.values import SELF_EVIDENT

#: How many cells of a column are shown, and how many are looked at to judge a column.
SAMPLES = 3
LOOKED_AT = 2_000
#: A column is what a suggestion says only where most of its cells can be read so.
MOST = 0.8
#: Fields that show that a sheet holds results: without one of them it is a cover sheet or a list of something else.
FIGURES = frozenset({"power_kw", "observed_power_kw", "torque_nm", "curve_power_kw", "curve_torque_nm"})


@dataclass(frozen=True, slots=True)
class Recognised:
    """One column as it would be read.

    Attributes
    ----------
    header : as contributed; may be empty.
    field, unit : what it is read as; None where not recognised, and where the unit is not stated.
    samples : up to three distinct cells.
    suggestions : fields that its header resembles and its cells allow.
    role : side of a pair or change, "level", or "".
    doubt : one sentence, or None.
    sheet : sheet of a workbook, or None.
    needs_unit : cells are figures of a quantity and neither header nor cells state the unit.
    implied : codes that the header itself states.
    low, high : ends of the figures as printed; None for a column of words.
    distinct : number of distinct cells.
    level_boost, level_unit : boost of a level column.
    """

    header: str
    field: str | None
    unit: str | None
    samples: tuple[str, ...]
    suggestions: tuple[str, ...]
    role: str
    doubt: str | None
    sheet: str | None
    needs_unit: bool = False
    implied: dict[str, str] = dataclasses.field(default_factory=dict)
    low: float | None = None
    high: float | None = None
    distinct: int = 0
    level_boost: float | None = None
    level_unit: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary with lists."""
        return {**asdict(self), "samples": list(self.samples), "suggestions": list(self.suggestions)}


@dataclass(frozen=True, slots=True)
class Sheet:
    """The tables of one sheet or file as text, with the figures of each table's columns; read once."""

    name: str | None
    tables: tuple[RawTable, ...]
    figures: tuple[tuple[pl.DataFrame, ...], ...]


@dataclass(frozen=True, slots=True)
class SheetReading:
    """One sheet or file as it would be read.

    `kind` is the record kind, `why` the reason where it was worked out and not stated. `title` is a text that stands
    above the first table.
    """

    entry: FileEntry
    columns: tuple[Recognised, ...]
    kind: str
    why: str | None
    rows: int
    title: str | None

    @property
    def has_figures(self) -> bool:
        """Whether any column gives power or torque."""
        return any(c.field in FIGURES for c in self.columns)


def read_sheets(path: Path, entry: FileEntry) -> tuple[Sheet, ...]:
    """Every sheet with a table that has rows.

    Raises
    ------
    FileProblem : the file cannot be read, or holds no table.
    """
    options = ReadOptions(sheet=entry.sheet, delimiter=entry.delimiter, encoding=entry.encoding, header_line=entry.header_line)
    overrides = set(entry.headers)
    sheets = []
    for grid in read_grids(path, options):
        tables = find_tables(grid, lambda text: knows_header(text) or text in overrides, entry.header_line)
        if any(t.cells.height for t in tables):
            kept = tuple(t for t in tables if t.cells.height or t.totals.height)
            sheets.append(Sheet(grid.sheet, kept, tuple(_figures(t) for t in kept)))
    if not sheets:
        raise FileProblem(f"{path.name} holds no table with data rows; it needs one row of headers and at least one row below it")
    return tuple(sheets)


def _figures(table: RawTable) -> tuple[pl.DataFrame, ...]:
    """The filled cells of each column as figures, parsed in one pass (a pass a column costs more than the cells)."""
    columns = [table.cells[f"c{i}"].drop_nulls().head(LOOKED_AT).alias("text") for i in range(len(table.headers))]
    parsed = parse_numerals(pl.concat(columns), ".")
    ends = np.cumsum([0, *(len(c) for c in columns)])
    return tuple(parsed.slice(int(start), len(c)) for start, c in zip(ends, columns, strict=False))


def recognise_sheet(sheet: Sheet, entry: FileEntry) -> SheetReading:
    """Columns and kind of one sheet.

    Raises
    ------
    FileProblem : an override of `entry` names no header of the sheet, or no field.
    """
    shown: list[Recognised] = []
    kind: str = entry.kind or "runs"
    why: str | None = None
    for given, figures in zip(sheet.tables, sheet.figures, strict=True):
        table = with_build_names(given, entry.build_from, entry.name)
        columns, kind, guessed = recognise(table, entry)
        why = guessed if guessed is not None else why
        taken: set[tuple[str | None, str]] = {(c.field, c.role) for c in columns if c.field is not None}
        # A column made of others is a name, whatever its cells look like.
        shown += [_shown(c, table, figures[c.position] if c.position < len(figures) else None, taken, kind) for c in columns]
    if entry.kind is None and why is not None:
        why = why.partition("(")[2].removesuffix(")")
    title = next((t.notes["title"] for t in sheet.tables if t.notes.get("title")), None)
    rows = sum(t.cells.height for t in sheet.tables)
    return SheetReading(entry, tuple(shown), kind, why, rows, title)


def recognise_file(path: Path, entry: FileEntry | None = None) -> tuple[list[Recognised], str]:
    """Columns of every table of a file (of all its sheets), and the record kind of the last one.

    Raises
    ------
    FileProblem : the file cannot be read, or holds no table.
    """
    entry = entry or FileEntry(name=path.name)
    readings = [recognise_sheet(sheet, entry) for sheet in read_sheets(path, entry)]
    return [c for r in readings for c in r.columns], readings[-1].kind


def _shown(
    column: Column, table: RawTable, figures: pl.DataFrame | None, taken: set[tuple[str | None, str]], kind: str
) -> Recognised:
    cells = table.cells[f"c{column.position}"].drop_nulls()
    name = "power_kw" if column.role == "level" and column.field is None else column.field
    ends = _ends(figures)
    suggestions = _sensible(column, cells, ends, taken, kind) if name is None else ()
    doubt = column.doubt
    needs = name is not None and figures is not None and _needs_unit(FIELDS[name], column, figures)
    if name is not None and column.unit is None and not needs and doubt and doubt.startswith("unit not stated"):
        doubt = None
    return Recognised(
        column.header, name, column.unit, tuple(cells.unique(maintain_order=True).head(SAMPLES).to_list()), suggestions,
        column.role, doubt, table.sheet, needs, dict(column.implied), ends[0], ends[1], cells.n_unique(), column.level_boost, column.level_unit,
    )  # fmt: skip


def _ends(figures: pl.DataFrame | None) -> tuple[float | None, float | None]:
    """Smallest and largest figure of a column that holds figures for the most part."""
    if figures is None:
        return None, None
    values = figures["value"].drop_nulls()
    if values.is_empty() or len(values) < MOST * (len(figures) - int(figures["missing"].sum())):
        return None, None
    return float(values.min()), float(values.max())  # type: ignore[arg-type]


def _needs_unit(named: Field, column: Column, figures: pl.DataFrame) -> bool:
    """Whether a column holds bare figures of a quantity whose unit is not stated anywhere."""
    if named.quantity is None or named.quantity in SELF_EVIDENT or column.unit is not None:
        return False
    return bool((figures["value"].is_not_null() & figures["unit"].is_null()).any())


def _sensible(
    column: Column, cells: pl.Series, ends: tuple[float | None, float | None], taken: set[tuple[str | None, str]], kind: str
) -> tuple[str, ...]:
    """Suggestions that the cells allow and that no other column already gives; words for a number are not one."""
    source_only = {f.name for f in fields_of("source")} - {f.name for f in fields_of("build")}
    found: list[str] = []
    for suggested in column.suggestions:
        name = _of_kind(suggested, kind)
        if name in source_only or name in found or (name, column.role) in taken:
            continue
        if _cells_allow(FIELDS[name], cells.head(LOOKED_AT), ends):
            found.append(name)
    return tuple(found)


def _of_kind(name: str, kind: str) -> str:
    """A peak's field and a curve's are told apart by the record kind, not by words."""
    if kind == "sweep":
        return CURVE_FIELDS.get(name, name)
    peaks = {curve: peak for peak, curve in CURVE_FIELDS.items()} | {"rpm": "power_rpm"}
    return peaks.get(name, name)


def _cells_allow(named: Field, cells: pl.Series, ends: tuple[float | None, float | None]) -> bool:
    low, high = ends
    if named.kind in ("number", "integer"):
        if low is None or high is None:
            return False
        unit_is_clear = named.quantity is None or named.quantity in SELF_EVIDENT
        return not unit_is_clear or named.possible is None or (named.possible[0] <= low and high <= named.possible[1])
    if named.kind == "text":
        return low is None
    read = {"code": lambda: read_codes(named, cells), "date": lambda: read_dates(cells), "flag": lambda: read_flags(cells)}
    problems = read[named.kind]()["problem"]
    return len(problems) > 0 and int(problems.null_count()) >= MOST * len(problems)


def entry_for(sheet: Sheet, entry: FileEntry, several: bool) -> FileEntry:
    """The entry of one sheet: named where the workbook has several, and only with overrides that the sheet's headers carry."""
    headers = {h for t in sheet.tables for h in t.headers}
    own = {h: f for h, f in entry.headers.items() if h in headers}
    return replace_entry(entry, headers=own, **({"sheet": sheet.name} if several and sheet.name else {}))


def replace_entry(entry: FileEntry, **changes: Any) -> FileEntry:
    """A changed copy of an entry (checked fields only)."""
    return entry.model_copy(update=changes)
