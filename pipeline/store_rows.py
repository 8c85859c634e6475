"""How rows come into the store: tables of many columns keep those that hold something, and a view names all of them.

DuckDB takes as long to write a column without any value as one with values. Of a run's seventy columns a source fills a quarter,
and the others took two thirds of the time of storing it. So the rows of `run` stand in `run_row`, which gets a column when the
first row comes that has a value in it, and `run` is a view with all columns; `build` likewise.
"""

from __future__ import annotations

from collections.abc import Sequence

import duckdb
import polars as pl

from pipeline.store_tables import KEYS, OTHER_TABLES, column_comments, table_columns

#: Tables that are views.
WIDE = ("run", "build")


def rows_of(table: str) -> str:
    """The table in which the rows of a table stand: what is deleted from, and altered."""
    return f"{table}_row" if table in WIDE else table


def create_tables(con: duckdb.DuckDBPyConnection) -> None:
    """The tables of an empty store (inside the caller's transaction)."""
    for table in KEYS:
        columns = {n: k for n, k in table_columns(table).items() if table not in WIDE or k.endswith("NOT NULL")}
        told = ", ".join(f"{_quoted(name)} {kind}" for name, kind in columns.items())
        con.execute(f'CREATE TABLE "{rows_of(table)}" ({told})')
    con.execute(OTHER_TABLES)
    name_columns(con)


def name_columns(con: duckdb.DuckDBPyConnection) -> None:
    """Make the views, and say of each column of the clean tables what it holds."""
    for table in KEYS:
        if table in WIDE:
            _view(con, table)
        else:
            con.execute(column_comments(table))


def _quoted(name: str) -> str:
    return f'"{name}"'


def _kept(con: duckdb.DuckDBPyConnection, table: str) -> set[str]:
    """The columns that the rows of a table have."""
    return {column[0] for column in con.execute(f'SELECT * FROM "{rows_of(table)}" LIMIT 0').description}


def _view(con: duckdb.DuckDBPyConnection, table: str) -> None:
    kept = _kept(con, table)
    columns = (_quoted(n) if n in kept else f"CAST(NULL AS {kind}) AS {_quoted(n)}" for n, kind in table_columns(table).items())
    con.execute(f'CREATE OR REPLACE VIEW "{table}" AS SELECT {", ".join(columns)} FROM "{rows_of(table)}"')
    con.execute(column_comments(table))


def insert(con: duckdb.DuckDBPyConnection, table: str, frames: Sequence[pl.DataFrame]) -> None:
    """Add frames to a table (inside the caller's transaction); their columns have the table's names."""
    filled = [frame for frame in frames if not frame.is_empty()]
    if not filled:
        return
    if table in WIDE:
        filled = [_stated(table, frame) for frame in filled]
    frame = filled[0] if len(filled) == 1 else pl.concat(filled, how="diagonal")
    if table in WIDE:
        _grow(con, table, frame.columns)
    names = ", ".join(_quoted(name) for name in frame.columns)
    con.register("incoming", frame)
    con.execute(f'INSERT INTO "{rows_of(table)}" ({names}) SELECT {names} FROM incoming')
    con.unregister("incoming")


def _stated(table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """The columns of a frame that hold something, and those that may not be without (the store says so of them)."""
    columns = table_columns(table)
    return frame.select(c.name for c in frame if c.null_count() < len(c) or columns.get(c.name, "").endswith("NOT NULL"))


def _grow(con: duckdb.DuckDBPyConnection, table: str, names: Sequence[str]) -> None:
    """Add the columns that rows are the first to fill."""
    columns, kept = table_columns(table), _kept(con, table)
    new = [name for name in columns if name in names and name not in kept]
    for name in new:
        con.execute(f'ALTER TABLE "{rows_of(table)}" ADD COLUMN {_quoted(name)} {columns[name]}')
    if new:
        _view(con, table)
