"""One contributed file to clean rows: the steps in the order that data meet them. Read this first.

read as text -> find the tables -> recognise headers -> repairs -> sides -> typed values ->
constants -> what follows from the record -> checks -> accepted and refused -> gate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from pipeline import changes, check_builds, checks, complete, curve_headers, schemas
from pipeline.clean_curves import Origin, clean_curves
from pipeline.fields import FIELDS, fields_of
from pipeline.file_result import FileResult, LedgerRow
from pipeline.file_tables import Context, column_flags, demand_columns, read_constants, read_tables, recognise
from pipeline.grid import RawTable
from pipeline.headers import Column
from pipeline.numerals import infer_decimal_mark
from pipeline.refuse import REFUSED_SCHEMA, split_rows
from pipeline.repairs import apply_repairs
from pipeline.shapes import Side, split_sides
from pipeline.values import fill_constants, type_side
from pipeline.words import fold_words

#: Columns that reading made and the checks need; they do not enter the store.
HELPERS = (
    "side",
    "number",
    "torque_step_nm",
    "manifold_step_kpa",
    "gauge_gap_kpa",
    "blank_boost",
    "sea_level_reading",
    "outside_validity",
)


@dataclass(frozen=True, slots=True)
class CleanTable:
    """One table of a file, cleaned."""

    rows_read: int
    runs: pl.DataFrame
    builds: pl.DataFrame
    points: pl.DataFrame
    changes: pl.DataFrame
    refused: pl.DataFrame
    flags: pl.DataFrame
    repairs: tuple[str, ...]


def _with_extra(frame: pl.DataFrame, table: RawTable, columns: list[Column]) -> pl.DataFrame:
    """Unrecognised columns as JSON text a line; they are kept, never dropped."""
    unknown = [c for c in columns if c.field is None and c.role != "level" and c.header.strip()]
    if not unknown:
        return frame.with_columns(extra=pl.lit(None, pl.String))
    names: dict[str, str] = {}
    for column in unknown:
        names.setdefault(column.header, f"c{column.position}")
    packed = pl.struct([pl.col(c).alias(header) for header, c in names.items()]).struct.json_encode()
    told = table.cells.select("line", extra=pl.when(pl.any_horizontal(pl.col(list(names.values())).is_not_null())).then(packed))
    return frame.with_columns(frame.select("line").join(told, on="line", how="left", maintain_order="left")["extra"])


def _blank_levels(frame: pl.DataFrame, reasons: pl.DataFrame) -> pl.DataFrame:
    """Level cells without a figure are no runs; a line whose cells are all blank keeps one row, to be refused."""
    has_any = pl.col("power_kw").is_not_null().any().over("line")
    first = pl.col("number") == pl.col("number").min().over("line")
    bad = pl.col("line").is_in(reasons["line"].implode())
    return frame.filter(pl.col("power_kw").is_not_null() | (~has_any & first) | (bad & ~has_any & first))


def _judge(frame: pl.DataFrame, today: date) -> pl.DataFrame:
    rules = [
        *checks.required_rules(), *checks.range_rules("run", frame), *checks.range_rules("build", frame),
        *checks.peak_rules(), *checks.engine_rules(), *checks.boost_rules(), *checks.date_rules(today), *checks.correction_rules(),
        *checks.condition_rules(),
    ]  # fmt: skip
    together = check_builds.find_build_failures(frame)
    return pl.concat([checks.find_failures(frame, rules), together, complete.find_blank_boost(frame)])


def _set_aside(frame: pl.DataFrame) -> pl.DataFrame:
    """Values that a flag says are set aside become missing."""
    none_boosted = (pl.col("role") == "boosted") & (pl.col("induction") == "none")
    return frame.with_columns(induction=pl.when(~none_boosted).then("induction"))


Read = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, list[pl.DataFrame]]


def _read_rows(
    sides: list[Side], columns: list[Column], constants: dict[str, object], decimal: str | None, context: Context, kind: str
) -> Read:
    """Completed runs, no points, changes and reasons of a table whose rows are runs."""
    typed = [type_side(side, decimal) for side in sides]
    frames = [fill_constants(t.frame, constants, frozenset(s.cells.columns)) for t, s in zip(typed, sides, strict=True)]
    frame = pl.concat(frames).sort("line", "number")
    reasons = [t.reasons for t in typed]
    if kind == "levels":
        frame = _blank_levels(frame, pl.concat(reasons))
    frame = complete.add_names(frame, context.source.source, context.source.entry.publisher, context.file, kind)
    frame = complete.complete(frame)
    changed = changes.find_changes(frame, kind, context.source.source, context.file)
    return frame, pl.DataFrame(), changed.changes, [*reasons, _judge(frame, context.today), changed.reasons]


def _read_curves(
    sides: list[Side], columns: list[Column], constants: dict[str, object], decimal: str | None, context: Context, kind: str
) -> Read:
    """Completed runs, points, changes and reasons of a table of curves."""
    labels = {fold_words(c.role): label for c in columns if (label := curve_headers.label_of(c)) is not None}
    origin = Origin(context.source.source, context.source.entry.publisher, context.file)
    made = clean_curves(sides, labels, constants, decimal, origin, lambda runs: _judge(runs, context.today))
    beside = curve_headers.curves_beside(columns)
    told = _lines(pl.Series([0] if beside else [], dtype=pl.Int64), "curves_side_by_side", ", ".join(beside))
    return made.runs, made.points, made.changes, [made.reasons, told]


def _first_lines(table: RawTable, frame: pl.DataFrame) -> RawTable:
    """The table's rows that a run stands on: what is kept of other columns is kept there."""
    if table.cells.height <= frame.height:
        return table
    return replace(table, cells=table.cells.filter(pl.col("line").is_in(frame["line"].unique().implode())))


def clean_table(table: RawTable, context: Context) -> CleanTable:
    """All steps for one table."""
    entry, name = context.entry, context.entry.name
    columns, kind, guessed = recognise(table, entry)
    decimal = entry.decimal_mark or _find_decimal_mark(table, columns)
    repaired = apply_repairs(
        table, columns, [r for r in context.repairs if r.file in (name, context.file)], context.source.source, decimal
    )
    constants = read_constants(context)
    sides = split_sides(repaired.table, columns, kind)
    demand_columns(sides, columns, constants, name, kind)
    read = _read_curves if kind == "sweep" else _read_rows
    frame, points, changed, reasons = read(sides, columns, constants, decimal, context, kind)
    dropped = repaired.dropped.select("line", code=pl.lit("repair_dropped"), column=pl.lit(None, pl.String), value="reason")
    told = _drop_echoes(pl.concat([*reasons, _lines(table.totals["line"], "totals_row", None), dropped]))
    everything = pl.concat([table.cells, table.totals])
    filled = _with_extra(_set_aside(frame), _first_lines(table, frame), columns)
    split = split_rows(filled, told, replace(table, cells=everything))
    flags = [split.flags, column_flags(columns)]
    if guessed:
        flags.append(_lines(pl.Series([0]), "kind_guessed", guessed))
    runs = split.accepted
    # A change stands on both of its runs, which may be on other lines than its own.
    kept = (
        changed
        if changed.is_empty()
        else changed.filter(pl.all_horizontal(pl.col("before_run_key", "after_run_key").is_in(runs["run_key"].implode())))
    )
    return CleanTable(
        everything.height, runs.drop(HELPERS), _builds(runs), points, kept, split.refused, pl.concat(flags), repaired.applied
    )


def _find_decimal_mark(table: RawTable, columns: list[Column]) -> str | None:
    """The mark that the figures of a text file prove. Numbers of workbooks and records are stored with a point, whatever
    mark the texts beside them use, so there nothing is inferred and each cell must speak for itself.
    """
    if table.form != "delimited":
        return None
    return infer_decimal_mark([table.cells[f"c{c.position}"] for c in columns if _numeric(c)])


def _numeric(column: Column) -> bool:
    return column.role == "level" or (column.field is not None and FIELDS[column.field].kind in ("number", "integer"))


def _lines(lines: pl.Series, code: str, value: str | None) -> pl.DataFrame:
    return pl.DataFrame(
        {"line": lines, "code": [code] * len(lines), "column": [None] * len(lines), "value": [value] * len(lines)},
        schema=checks.EMPTY_REASONS.schema,
    )


def _drop_echoes(reasons: pl.DataFrame) -> pl.DataFrame:
    """A power or boost cell that could not be read is not also "missing", nor is its row judged further for it."""
    unread = reasons.filter(pl.col("code").is_in(["number_unreadable", "number_ambiguous", "unit_unknown", "unit_missing"]))[
        "line"
    ]
    is_echo = pl.col("code").is_in(["power_missing", "boost_missing"]) & pl.col("line").is_in(unread.implode())
    return reasons.filter(~is_echo)


def _builds(runs: pl.DataFrame) -> pl.DataFrame:
    names = [f.name for f in fields_of("build") if f.name != "build"]
    firsts = [pl.col(n).drop_nulls().first() for n in names]
    return runs.group_by("build_key", maintain_order=True).agg(pl.col("build").first(), *firsts)


def check_results(results: list[FileResult]) -> None:
    """Let the clean frames of some files pass the gate together: it costs a fixed time a frame, whatever its rows.

    Raises
    ------
    FileProblem : a clean value breaks the rules of its table.
    """
    frames = {"run": [r.runs for r in results], "build": [r.builds for r in results], "sweep_point": [r.points for r in results]}
    names = ", ".join(r.ledger.file for r in results)
    for table, parts in frames.items():
        filled = [part for part in parts if not part.is_empty()]
        if filled:
            # Within one file a build stands once; two files may describe the same one.
            joined = pl.concat(filled, how="diagonal")
            if table == "build":
                joined = joined.unique("build_key", maintain_order=True)
            schemas.check_gate(joined, table, names)  # type: ignore[arg-type]


def clean_file(context: Context, sha256: str, recipe: str, size: int, mtime_ns: int, seen_on: str) -> FileResult:
    """One file to everything it adds to the store; :func:`check_results` is the gate that follows.

    Raises
    ------
    FileProblem : the file cannot be used as a whole.
    SourceProblem : its repairs or constants do not fit.
    """
    source, file = context.source.source, context.file
    tables = [clean_table(t, context) for t in read_tables(context.source.folder / context.entry.name, context.entry)]
    runs = pl.concat([t.runs for t in tables])
    builds = pl.concat([t.builds for t in tables]).unique("build_key", keep="first", maintain_order=True)
    flags = pl.concat([t.flags for t in tables])
    if context.entry.sha256 is None:
        flags = pl.concat([flags, _lines(pl.Series([0]), "not_pinned", sha256)])
    curves = [t.points for t in tables if not t.points.is_empty()]
    points = pl.concat(curves) if curves else pl.DataFrame()
    keyed = {"source": pl.lit(source), "file": pl.lit(file)}
    found = pl.concat([t.changes for t in tables])
    refused = pl.concat([t.refused for t in tables]).select(REFUSED_SCHEMA.keys())
    ledger = LedgerRow(
        source, file, sha256, recipe, size, mtime_ns, seen_on,
        rows_read=sum(t.rows_read for t in tables), refused=refused.height, runs=runs.height, changes=found.height,
        sweep_points=points.height,
    )  # fmt: skip
    return FileResult(
        ledger, runs.with_columns(**keyed), builds.with_columns(**keyed), points, found.with_columns(**keyed), refused, flags,
        tuple(a for t in tables for a in t.repairs),
    )  # fmt: skip
