"""What every row of an export must hold before it enters a store: the rules that cleaning kept, asked again of a stranger's rows."""

from __future__ import annotations

import json
from collections.abc import Mapping

import polars as pl
from pydantic import ValidationError

from pipeline.checks import CODES
from pipeline.errors import FileProblem
from pipeline.export_tables import ExportColumn, table_named
from pipeline.fields import FIELDS, PARTS
from pipeline.repeat_answers import NOT_SAME, SAME
from pipeline.schemas import failing_codes, is_sound
from pipeline.sources import SOURCE_ID, SourceEntry

#: Table of a store -> exported table that describes its columns.
_DESCRIBED = {
    "source": "source", "build_by_file": "build", "run": "run", "sweep_point": "sweep_point", "change": "change",
    "refused": "refused", "flag": "flag", "repair": "repair", "file_seen": "file",
}  # fmt: skip
_SHA256 = r"^([0-9a-f]{64})?$"
_COUNTS = ("size", "rows_read", "refused", "repeated", "runs", "sweep_points", "changes")
#: Columns that are worked out and divided by.
_POSITIVE = ("ambient_used_kpa", "correction_factor")


def check_rows(name: str, frame: pl.DataFrame, path: str) -> None:
    """Let rows of one table pass the gate.

    Parameters
    ----------
    name : table of ``store_content.CONTENT``.
    frame : its rows, with the columns and types of the table.
    path : file that they come from.

    Raises
    ------
    FileProblem : a value that cleaning would never have let through.
    """
    rules = _plain_rules(name, frame) | _own_rules(name)
    broken = frame.select((~rule.fill_null(True)).sum().alias(told) for told, rule in rules.items())
    for told, count in broken.row(0, named=True).items() if rules else ():
        if count:
            raise _problem(path, told, f"in {count:,} of {frame.height:,} rows")
    _pass_gate(name, frame, path)
    if name == "source":
        _check_sources(frame, path)
    for column in {"run": ("extra",), "refused": ("row",)}.get(name, ()):
        _check_cells(frame[column], column, path)


def _problem(path: str, told: str, where: str) -> FileProblem:
    return FileProblem(
        f"{path} breaks a rule of the clean tables {where}: {told}; rows must be as an export left them: write it again with "
        "`poundworth export DIR`, or add the data as a contributed file"
    )


def _plain_rules(name: str, frame: pl.DataFrame) -> dict[str, pl.Expr]:
    """Sentence -> what must hold, from the description of the exported columns."""
    rules = {f"{c} is a finite number": pl.col(c).is_finite() for c, dtype in frame.schema.items() if dtype == pl.Float64}
    rules |= {f"{c} is above zero": pl.col(c) > 0 for c in _POSITIVE if c in frame.columns}
    if name in _DESCRIBED:
        for column in table_named(_DESCRIBED[name]).columns:
            if column.name in frame.columns:
                rules |= _rules_of(column)
    return rules


def _rules_of(column: ExportColumn) -> dict[str, pl.Expr]:
    here, rules = pl.col(column.name), {}
    if column.required:
        rules[f"{column.name} is never empty"] = here.is_not_null()
    if column.codes and column.kind == "code":
        rules[f"{column.name} is one of {', '.join(column.codes)}"] = here.is_in(list(column.codes))
    if column.possible and column.kind in ("number", "integer"):
        low, high = column.possible
        rules[f"{column.name} lies from {low:g} to {high:g}"] = here.is_between(low, high)
    return rules


def _own_rules(name: str) -> dict[str, pl.Expr]:
    """Rules of single tables that no description of a column tells."""
    known = list(CODES)
    own: Mapping[str, dict[str, pl.Expr]] = {
        "flag": {"code is a code of the checks": pl.col("code").is_in(known)},
        "refused": {
            "reasons are told, each with a code of the checks": pl.col("reasons").list.len().gt(0)
            & pl.col("reasons").list.eval(pl.element().struct.field("code").is_in(known).fill_null(False)).list.all()
        },
        "change": {
            "parts are codes of parts": pl.col("parts").list.eval(pl.element().is_in(list(PARTS)).fill_null(False)).list.all()
        },
        "file_seen": {
            "sha256 is a hash, or empty": pl.col("sha256").str.contains(_SHA256) & pl.col("sha256").is_not_null(),
            "recipe is never empty": pl.col("recipe").is_not_null(),
            **{f"{c} is a count": pl.col(c).is_not_null() & (pl.col(c) >= 0) for c in _COUNTS},
        },
        "same_test": {"found_by is figures or answer": pl.col("found_by").is_in(["figures", "answer"])},
        "near_test": {f"{c} is never empty": pl.col(c).is_not_null() for c in ("reason", "figures", "compared")},
        "repeat_answer": {
            "answer is one of same, not_same": pl.col("answer").is_in([SAME, NOT_SAME]) & pl.col("answer").is_not_null(),
            **{f"{c} is never empty": pl.col(c).is_not_null() for c in ("source", "build", "other")},
        },
    }
    return dict(own.get(name, {}))


def _pass_gate(name: str, frame: pl.DataFrame, path: str) -> None:
    """The schemas that every cleaned row passed."""
    if frame.is_empty():
        return
    if name == "build_by_file":  # several files may describe one build
        frame = frame.with_columns(build_key=pl.concat_str("source", "file", "build_key", separator="\0"))
    table = "build" if name == "build_by_file" else name
    if table not in ("run", "build", "sweep_point") or is_sound(frame, table):  # type: ignore[arg-type]
        return
    cases = failing_codes(frame, table)  # type: ignore[arg-type]
    if not cases.is_empty():
        first = cases.row(0, named=True)
        raise _problem(path, f"{first['column']}, {first['code']}", f"in {cases.height:,} values")


def _check_sources(frame: pl.DataFrame, path: str) -> None:
    """Descriptions of sources as a source.toml may hold them: an address that a page links to is one of the web."""
    for row in frame.iter_rows(named=True):
        if not SOURCE_ID.fullmatch(row["source"]):
            raise _problem(path, "source is a name of letters, digits, dot, dash or underscore", f"in {row['source'][:60]!r}")
        told = {c: v for c, v in row.items() if v is not None and c in FIELDS and c != "source"}
        try:
            SourceEntry.model_validate(told)
        except ValidationError as error:
            first = error.errors()[0]
            raise _problem(
                path, str(first["msg"]).removeprefix("Value error, "), f"in {row['source']}, {first['loc'][0]}"
            ) from error


def _check_cells(column: pl.Series, name: str, path: str) -> None:
    """Cells as they were contributed: one JSON object of texts by header."""
    for text in column.drop_nulls().unique():
        try:
            cells = json.loads(text)
        except (ValueError, RecursionError):
            cells = None
        if not isinstance(cells, dict) or not all(isinstance(cell, str | None) for cell in cells.values()):
            raise _problem(path, f"{name} holds texts by header", f"at {text[:60]!r}")
