"""A build named by several columns ("maker", "model", "year"): one column made of their cells.

The raw file stays as it is; the made column stands after its own ones and is read like a column headed `build`.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from pipeline.errors import FileProblem
from pipeline.grid import RawTable

#: Header of the made column: the field's own name, which wins over any other column that might give the build.
HEADER = "build"


def with_build_names(table: RawTable, columns: Sequence[str], name: str) -> RawTable:
    """The table with a column `build` made of the cells of `columns`, joined by a space; as it is where none are named.

    Parameters
    ----------
    table : as contributed.
    columns : headers, in the order in which their cells are joined; an empty cell adds nothing.
    name : file name, for the message.

    Raises
    ------
    FileProblem : a header that the table does not have.
    """
    if not columns:
        return table
    for header in columns:
        if header not in table.headers:
            near = difflib.get_close_matches(header, table.headers, n=3) or list(table.headers[:15])
            raise FileProblem(
                f"{name}: build_from in source.toml names the header {header!r}, which the file does not have; "
                f"did you mean {', '.join(repr(h) for h in near)}?"
            )
    cells = [pl.col(f"c{table.headers.index(header)}").str.strip_chars() for header in columns]
    joined = pl.concat_str(cells, separator=" ", ignore_nulls=True)
    made = pl.when(joined != "").then(joined).alias(f"c{len(table.headers)}")
    return replace(
        table,
        headers=(*table.headers, HEADER),
        units=(*table.units, None),
        cells=table.cells.with_columns(made),
        totals=table.totals.with_columns(made),
    )
