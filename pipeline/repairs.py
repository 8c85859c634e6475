"""Apply `repairs.toml`: declared corrections of the publisher's own errors, each with a guard.

A repair names the rows, what to do (drop, replace, scale), why, and an `expect` guard that must
still hold on each of those rows. When the publisher mends the file, the guard fails and the
build says so, rather than mending twice. Raw files are never edited.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

import polars as pl
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import SourceProblem
from pipeline.grid import RawTable
from pipeline.headers import Column, fold_header
from pipeline.numerals import parse_numerals
from pipeline.sources import REPAIRS_FILE, in_own_words, read_toml


class Guard(BaseModel):
    """What must still be wrong about a row for the repair to apply."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    column: str
    equals: str | None = None
    above: float | None = None
    below: float | None = None


class Repair(BaseModel):
    """One declared correction."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    file: str
    where: dict[str, str | int | float] = Field(min_length=1)
    action: Literal["drop", "replace", "scale"]
    column: str | None = None
    value: str | int | float | None = None
    factor: float | None = None
    reason: Annotated[str, Field(min_length=1)]
    expect: Guard


@dataclass(frozen=True, slots=True)
class Repaired:
    """A table after its repairs; `dropped` holds the rows taken out (with `reason`), `applied` a line a repair."""

    table: RawTable
    dropped: pl.DataFrame
    applied: tuple[str, ...]


def read_repairs(folder: Path) -> tuple[Repair, ...]:
    """Declared repairs of a source; empty where there is no repairs.toml.

    Raises
    ------
    SourceProblem : not valid, an unknown key, a missing reason or guard, replace without value, scale without factor.
    """
    path = folder / REPAIRS_FILE
    if not path.exists():
        return ()
    where = f"{folder.name}/{REPAIRS_FILE}"
    content = read_toml(path)
    rows = content.get("repair", [])
    if not isinstance(rows, list) or set(content) - {"repair"}:
        raise SourceProblem(
            f"{where} may hold [[repair]] entries only; {', '.join(sorted(set(content) - {'repair'})) or 'repair'} is not one"
        )
    repairs = []
    for number, row in enumerate(rows, start=1):
        try:
            repair = Repair.model_validate(row)
        except ValidationError as error:
            raise SourceProblem(in_own_words(error, f"{where} repair {number}")) from error
        needed = {"replace": "value", "scale": "factor"}.get(repair.action)
        if needed and (getattr(repair, needed) is None or repair.column is None):
            raise SourceProblem(f"{where} repair {number}: the action {repair.action!r} needs `column` and `{needed}`; add them")
        repairs.append(repair)
    return tuple(repairs)


def _find_column(name: str, table: RawTable, columns: Sequence[Column], where: str) -> str:
    """The frame column that a repair means: by header text first, then by canonical field."""
    for column in columns:
        if column.header == name or fold_header(column.header) == fold_header(name):
            return f"c{column.position}"
    for column in columns:
        prefixed = f"{column.role}_{column.field}" if column.role else column.field
        if prefixed == name:
            return f"c{column.position}"
    raise SourceProblem(f"{where}: no column {name!r}; the headers are {', '.join(repr(h) for h in table.headers[:20])}")


def _same(cells: pl.Expr, wanted: str) -> pl.Expr:
    return cells.fill_null("").str.strip_chars().str.to_lowercase() == wanted.strip().lower()


def _guard_holds(cells: pl.Series, guard: Guard, decimal_mark: str | None) -> pl.Series:
    if guard.equals is not None:
        return cells.fill_null("").str.strip_chars().str.to_lowercase() == guard.equals.strip().lower()
    value = parse_numerals(cells, decimal_mark)["value"]
    above = value > guard.above if guard.above is not None else pl.Series([True] * len(cells))
    below = value < guard.below if guard.below is not None else pl.Series([True] * len(cells))
    return (above & below).fill_null(False)


def apply_repairs(
    table: RawTable, columns: Sequence[Column], repairs: Sequence[Repair], source: str, decimal_mark: str | None
) -> Repaired:
    """Apply the repairs declared for a table.

    Raises
    ------
    SourceProblem : a repair matches no row, names a column that is not there, or its guard no longer holds.
    """
    cells, dropped, applied = table.cells, [], []
    for number, repair in enumerate(repairs, start=1):
        where = f"{source}/{REPAIRS_FILE} repair {number} ({repair.file})"
        hit = pl.all_horizontal(_same(pl.col(_find_column(n, table, columns, where)), str(v)) for n, v in repair.where.items())
        rows = cells.filter(hit)
        if rows.is_empty():
            raise SourceProblem(f"{where} matches no row; the file may have been mended: take the repair out or correct `where`")
        guarded = rows[_find_column(repair.expect.column, table, columns, where)]
        if not _guard_holds(guarded, repair.expect, decimal_mark).all():
            raise SourceProblem(
                f"{where}: the row no longer looks wrong ({repair.expect.column} is {guarded.to_list()[0]!r}); "
                "take the repair out, or correct its `expect`"
            )
        if repair.action == "drop":
            dropped.append(rows.select("line", pl.lit(repair.reason).alias("reason")))
            cells = cells.filter(~hit)
        else:
            cells = _mend(cells, hit, repair, _find_column(str(repair.column), table, columns, where), where, decimal_mark)
        applied.append(f"{repair.action} {len(rows)} row{'s' if len(rows) != 1 else ''} of {repair.file}: {repair.reason}")
    empty = pl.DataFrame(schema={"line": pl.Int64, "reason": pl.String})
    return Repaired(replace(table, cells=cells), pl.concat(dropped) if dropped else empty, tuple(applied))


def _mend(cells: pl.DataFrame, hit: pl.Expr, repair: Repair, target: str, where: str, decimal_mark: str | None) -> pl.DataFrame:
    if repair.action == "replace":
        return cells.with_columns(pl.when(hit).then(pl.lit(str(repair.value))).otherwise(pl.col(target)).alias(target))
    parsed = parse_numerals(cells[target], decimal_mark)
    if cells.with_columns(_v=parsed["value"]).filter(hit)["_v"].null_count():
        raise SourceProblem(f'{where} scales {repair.column!r}, but a matched row holds no number there; use action = "replace"')
    # Twelve digits are more than any record prints and hide the binary tail of the product.
    scaled = (parsed["value"] * float(repair.factor or 1.0)).round_sig_figs(12).cast(pl.String)
    unit = parsed["unit"].fill_null("")
    mark = (lambda t: t.str.replace(".", ",", literal=True)) if decimal_mark == "," else (lambda t: t)
    return cells.with_columns(pl.when(hit).then(pl.lit(mark(scaled) + unit)).otherwise(pl.col(target)).alias(target))
