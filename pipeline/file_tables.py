"""Which tables a contributed file holds, and what each of their columns is read as.

Between the readers, which know nothing of fields, and the steps of ``clean_file``, which take columns as given.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import polars as pl

from pipeline import checks, curve_headers
from pipeline.build_names import with_build_names
from pipeline.errors import FileProblem
from pipeline.fields import fields_of
from pipeline.grid import RawTable, find_tables
from pipeline.headers import Column, guess_kind, knows_header, recognise_headers
from pipeline.read_raw import ReadOptions, read_grids
from pipeline.repairs import Repair
from pipeline.shapes import Side
from pipeline.sources import FileEntry, Source, check_constant_names, entry_key
from pipeline.values import type_side

#: What a missing column would be called, in a unit that most contributors use.
NAMED_SO = {"power_kw": "power_hp", "build": "build", "rpm": "rpm", "curve_power_kw": "power_hp"}


@dataclass(frozen=True, slots=True)
class Context:
    """What every table of a file shares."""

    source: Source
    entry: FileEntry
    repairs: tuple[Repair, ...]
    today: date

    @property
    def file(self) -> str:
        """Name under which the file's rows stand in the store."""
        return entry_key(self.entry)


def read_tables(path: Path, entry: FileEntry) -> list[RawTable]:
    """Every table that a file's rows are to be read from.

    Raises
    ------
    FileProblem : unreadable, no table in it, or tables on several sheets and none named.
    """
    options = ReadOptions(sheet=entry.sheet, delimiter=entry.delimiter, encoding=entry.encoding, header_line=entry.header_line)
    overrides = set(entry.headers)
    found = [
        [
            curve_headers.name_by_titles(table, grid, entry.headers) if entry.kind in (None, "sweep") else table
            for table in find_tables(grid, lambda text: knows_header(text) or text in overrides, entry.header_line)
        ]
        for grid in read_grids(path, options)
    ]
    filled = [tables for tables in found if any(t.cells.height for t in tables)]
    if len(filled) > 1:
        sheets = [t[0].sheet or "?" for t in filled]
        raise FileProblem(
            f"{path.name} has tables on {len(sheets)} sheets ({', '.join(repr(s) for s in sheets[:8])}); name one in each [[file]] entry: "
            f'sheet = "{sheets[0]}"'
        )
    if not filled:
        raise FileProblem(f"{path.name} holds no table with data rows; it needs one row of headers and at least one row below it")
    return [with_build_names(t, entry.build_from, path.name) for t in filled[0] if t.cells.height or t.totals.height]


def read_constants(context: Context) -> dict[str, object]:
    """Typed constants of the file, canonical field -> value."""
    entry = context.entry
    if not entry.constants:
        return {}
    columns = recognise_headers(list(entry.constants), None, None, "runs")
    check_constant_names(entry, {c.header for c in columns if c.field is not None})
    texts = {
        f"c{c.position}": [str(v).lower() if isinstance(v, bool) else str(v)]
        for c, v in zip(columns, entry.constants.values(), strict=True)
    }
    cells = pl.DataFrame({"line": [0], **texts}, schema={"line": pl.Int64, **dict.fromkeys(texts, pl.String)})
    fields = {c.field: c for c in columns if c.field}
    side = Side(
        "", 1, cells.select("line", *(pl.col(f"c{c.position}").alias(f) for f, c in fields.items())),
        {f: c.header for f, c in fields.items()}, {f: c.unit for f, c in fields.items()},
        {code: value for c in columns for code, value in c.implied.items()},
    )  # fmt: skip
    typed = type_side(side, ".")
    if typed.reasons.height:
        reason = typed.reasons.row(0, named=True)
        raise FileProblem(
            f"{entry.name}: a constant in source.toml cannot be read: {checks.sentence_of(reason['code'], reason['column'], reason['value'])}"
        )
    row = typed.frame.row(0, named=True)
    return {name: row[name] for name in (*fields, *side.implied) if row.get(name) is not None}


def recognise(table: RawTable, entry: FileEntry) -> tuple[list[Column], str, str | None]:
    """Columns of a table, the record kind, and the reason where the kind was worked out.

    Raises
    ------
    FileProblem : a header override that matches no header.
    """
    for header in entry.headers:
        if header not in table.headers:
            near = difflib.get_close_matches(header, table.headers, n=3)
            hint = (
                f"did you mean {', '.join(repr(n) for n in near)}?"
                if near
                else f"the headers are {', '.join(repr(h) for h in table.headers[:15])}"
            )
            raise FileProblem(f"{entry.name}: source.toml maps the header {header!r}, which the file does not have; {hint}")
    if entry.kind is not None:
        return _columns_of(table, entry, entry.kind), entry.kind, None
    plain, _ = curve_headers.split_overrides(entry.headers)
    columns = recognise_headers(table.headers, table.units, plain, None)
    why = curve_headers.looks_like_sweep(table, columns, entry.decimal_mark)
    kind, reason = ("sweep", why) if why else guess_kind(columns, lambda name: _rows_a_group(table, columns, name))
    kind = kind or "runs"
    return _columns_of(table, entry, kind), kind, f"{kind} ({reason})"


def _columns_of(table: RawTable, entry: FileEntry, kind: str) -> list[Column]:
    """Columns under a kind; in a sweep with the curve that each belongs to."""
    plain, labelled = curve_headers.split_overrides(entry.headers) if kind == "sweep" else (entry.headers, {})
    named = [labelled.get(h, h) for h in table.headers]
    columns = recognise_headers(named, table.units, plain, kind)
    if kind == "sweep":
        columns = curve_headers.label_curves(columns, table.units, frozenset(plain))
    columns = [replace(c, header=h) for c, h in zip(columns, table.headers, strict=True)]
    return _set_source_fields_aside(columns)


def _rows_a_group(table: RawTable, columns: list[Column], name: str) -> int:
    """Average number of rows that share one value of a field: many rows a run make a curve."""
    positions = [c.position for c in columns if c.field == name]
    distinct = table.cells[f"c{positions[0]}"].n_unique() if positions else 1
    return table.cells.height // max(distinct, 1)


def _set_source_fields_aside(columns: list[Column]) -> list[Column]:
    """A column that describes the whole source (title, licence ...) is kept as text: source.toml is its place."""
    names = {f.name for f in fields_of("source")} - {f.name for f in fields_of("build")}
    told = "describes the source: its place is source.toml; kept as text here"
    return [replace(c, field=None, doubt=f"{c.field} {told}") if c.field in names else c for c in columns]


def demand_columns(sides: list[Side], columns: list[Column], constants: dict[str, object], name: str, kind: str) -> None:
    """Raise FileProblem where the columns that the record kind needs are not there, naming what is."""
    known = [f"{c.header!r} as {c.role + ' ' if c.role else ''}{c.field}" for c in columns if c.field or c.role == "level"]
    unknown = [repr(c.header) for c in columns if not c.field and c.role != "level"]
    wanted = (
        (("rpm", "engine speed"), ("curve_power_kw", "power"), ("build", "build"))
        if kind == "sweep"
        else (("power_kw", "power"), ("build", "build"))
    )
    for needed, label in wanted:
        either = {needed, "curve_torque_nm"} if needed == "curve_power_kw" else {needed}
        lacking = [s for s in sides if not either & set(s.cells.columns)]
        if lacking and needed not in constants and not (needed == "build" and len(lacking) < len(sides)):
            where = f" for the {lacking[0].role} run" if lacking[0].role else ""
            mend = f'headers = {{ "{(unknown or ["..."])[0].strip(chr(39))}" = "{NAMED_SO[needed]}" }}'
            if needed == "build":
                mend = f'constants = {{ build = "..." }} where the file is of one build, or {mend}'
            raise FileProblem(
                f"{name} has no column for {label}{where}; recognised: {', '.join(known[:12]) or 'none'}; not recognised: "
                f"{', '.join(unknown[:12]) or 'none'}; name it in source.toml, for example {mend}"
            )


def column_flags(columns: list[Column]) -> pl.DataFrame:
    """A flag for each column that was not recognised, with the nearest fields; on line 0."""
    rows = [
        (0, "column_unrecognised", c.header, c.doubt or (f"Nearest fields: {', '.join(c.suggestions)}." if c.suggestions else ""))
        for c in columns
        if c.field is None and c.role != "level" and c.header.strip()
    ]
    return pl.DataFrame(rows, schema=dict(checks.EMPTY_REASONS.schema), orient="row")
