"""What an export holds beyond the tables for readers, so that a store can be made from it again with the same content.

Most tables of a store are exported whole already; only those that readers have no use for stand in a folder of their own. The
content hash of each table (:mod:`pipeline.table_hash`) goes out with them: it is that of the table as it was exported, so that
the store made from the export has it, with or without what names a person.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import duckdb
import polars as pl

from pipeline.export_rows import BATCH_ROWS, leave_persons_out
from pipeline.export_tables import KEPT
from pipeline.fields import FIELDS
from pipeline.store_content import CONTENT, content_batches
from pipeline.table_hash import TableMark, mark_table

STORE_FOLDER = "store"
#: Table of a store's content -> the file of the export that holds its rows.
FILE_OF: dict[str, str] = {name: f"data/{name}.parquet" for name in CONTENT} | {
    t.name: f"{STORE_FOLDER}/{t.name}.parquet" for t in KEPT
}


def _shared(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of a store's table as they may be passed on: nobody is named, and withdrawn files are not mentioned."""
    if name == "file_seen":
        return frame.filter(pl.col("withdrawn").is_null())
    personal = [c for c in frame.columns if c in FIELDS and FIELDS[c].personal]
    return leave_persons_out(frame).with_columns(pl.lit(None, dtype=frame.schema[c]).alias(c) for c in personal)


def kept_batches(con: duckdb.DuckDBPyConnection, name: str, with_personal: bool) -> Iterator[pl.DataFrame]:
    """One table of a store's content in batches, as it is exported."""
    for frame in content_batches(con, name, BATCH_ROWS):
        yield frame if with_personal else _shared(name, frame)


def mark_content(
    con: duckdb.DuckDBPyConnection, with_personal: bool, columns: Mapping[str, Sequence[str]] | None = None
) -> dict[str, TableMark]:
    """The content hash of every table of a store.

    Parameters
    ----------
    with_personal : hash the tables as they are; else as an export leaves them that names nobody.
    columns : table -> columns to look at; None looks at all.
    """
    marks = {}
    for name in CONTENT:
        batches = kept_batches(con, name, with_personal)
        if columns is not None:
            batches = (frame.select(columns[name]) for frame in batches)
        marks[name] = mark_table(batches)
    return marks
