"""What a store holds, table by table: what an export keeps of it and a restore puts back.

Left out is what a store makes anew from this: kept results, and what the search for repeated tests remembers. Left out too is
when and where a file was seen, which is no content: a store built from the same files elsewhere holds the same.
"""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import polars as pl

from pipeline.file_result import LedgerRow
from pipeline.store import query_batches
from pipeline.store_tables import READ

#: Columns of the ledger that belong to one machine and one day.
OF_THIS_MACHINE = ("mtime_ns", "seen_on")
_LEDGER = ", ".join(name for name in LedgerRow.__dataclass_fields__ if name not in OF_THIS_MACHINE)
#: Table -> query: the clean tables, and the rows of each file behind the table of builds.
CONTENT: dict[str, str] = {
    **READ,
    "build_by_file": "SELECT * FROM build ORDER BY source, file, build_key",
    "file_seen": f"SELECT {_LEDGER} FROM file_seen ORDER BY source, file",
}


def content_batches(con: duckdb.DuckDBPyConnection, name: str, rows: int) -> Iterator[pl.DataFrame]:
    """One table of ``CONTENT`` in batches of at most `rows` rows; an empty table gives one empty frame."""
    return query_batches(con, CONTENT[name], rows)


def content_columns(con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """Columns of one table of ``CONTENT``."""
    return list(con.sql(f"SELECT * FROM ({CONTENT[name]}) LIMIT 0").pl().columns)
