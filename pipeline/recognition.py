"""What a contributed file would be read as, column by column, before anything is stored."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.clean_file import read_tables, recognise
from pipeline.headers import Column
from pipeline.sources import FileEntry

#: How many cells of a column are shown.
SAMPLES = 3


@dataclass(frozen=True, slots=True)
class Recognised:
    """One column as it would be read."""

    header: str
    field: str | None
    unit: str | None
    samples: tuple[str, ...]
    suggestions: tuple[str, ...]
    role: str
    doubt: str | None
    sheet: str | None

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary with lists."""
        return {**asdict(self), "samples": list(self.samples), "suggestions": list(self.suggestions)}


def _shown(column: Column, cells: pl.Series, sheet: str | None) -> Recognised:
    samples = tuple(cells.drop_nulls().unique(maintain_order=True).head(SAMPLES).to_list())
    field = "power_kw" if column.role == "level" and column.field is None else column.field
    return Recognised(column.header, field, column.unit, samples, column.suggestions, column.role, column.doubt, sheet)


def recognise_file(path: Path, entry: FileEntry | None = None) -> tuple[list[Recognised], str]:
    """Columns of every table of a file, and the record kind.

    Raises
    ------
    FileProblem : the file cannot be read, or holds no table.
    """
    entry = entry or FileEntry(name=path.name)
    shown, kind = [], "runs"
    for table in read_tables(path, entry):
        columns, kind, _ = recognise(table, entry)
        shown += [_shown(c, table.cells[f"c{c.position}"], table.sheet) for c in columns]
    return shown, kind
