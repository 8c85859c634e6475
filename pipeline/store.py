"""The clean store: the only file that knows DuckDB and SQL.

One file, one writer; all rows of a source file enter in one transaction, alone or with other files,
so that after a killed process every committed file is whole. No foreign keys (DuckDB checks them too
eagerly for delete-and-insert in one transaction); keys are checked before loading. No extension is
ever downloaded.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import StoreProblem
from pipeline.fields import fields_of
from pipeline.file_result import FileResult, LedgerRow
from pipeline.refuse import REFUSED_SCHEMA
from pipeline.store_faults import clear_stub, told
from pipeline.store_migrations import can_migrate, migrate
from pipeline.store_rows import create_tables, insert, rows_of
from pipeline.store_tables import FILE_TABLES, READ, SCHEMA_VERSION, TABLES, table_columns

CONFIG: dict[str, Any] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "checkpoint_threshold": "1GB",
    "max_vacuum_tasks": 0,
}
#: Rows that a table keeps room for, over those that it holds, from which closing the store merges what is left of its blocks.
#: DuckDB would do so wherever one block in a few can be saved, and write a table of large transactions twice.
MERGED_FROM = 1.5


def _create(con: duckdb.DuckDBPyConnection) -> None:
    with transaction(con):
        create_tables(con)
        con.execute("INSERT INTO meta VALUES ('schema_version', ?)", [str(SCHEMA_VERSION)])


def _open(path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
    if not read_only:
        clear_stub(path)
    try:
        return duckdb.connect(str(path), read_only=read_only, config=CONFIG)
    except duckdb.Error as error:
        raise told(error, path) or StoreProblem(
            f"{path.name} cannot be opened as a store ({str(error).splitlines()[0][:160]}); give another --store file"
        ) from error


def _rows(con: duckdb.DuckDBPyConnection, query: str, values: list[Any] | None = None) -> list[tuple[Any, ...]]:
    """All rows of a query. (A result that is not fetched to its end blocks the connection in DuckDB 2.)"""
    return con.execute(query, values or []).fetchall()


def _check_version(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    found = _version_of(con, path)
    if found == SCHEMA_VERSION:
        return
    many = f"(tables {found}, this one knows {SCHEMA_VERSION})"
    if found > SCHEMA_VERSION:
        raise StoreProblem(f"{path.name} was written by a newer version {many}; use that version, or another --store file")
    if can_migrate(found):
        raise StoreProblem(
            f"{path.name} was written by an older version {many}; run `poundworth build`, which brings it up to date"
        )
    raise StoreProblem(f"{path.name} was written by an older version {many}; delete it and run `poundworth build`")


def _version_of(con: duckdb.DuckDBPyConnection, path: Path) -> int:
    tables = {r[0] for r in _rows(con, "SELECT table_name FROM information_schema.tables")}
    if not tables:
        raise StoreProblem(f"{path.name} is empty; run `poundworth build` first")
    meta = {"key", "value"} == {
        r[0] for r in _rows(con, "SELECT column_name FROM information_schema.columns WHERE table_name = 'meta'")
    }
    found = _rows(con, "SELECT CAST(value AS VARCHAR) FROM meta WHERE key = 'schema_version'") if meta else []
    if not found or not str(found[0][0]).isdecimal():
        raise StoreProblem(f"{path.name} is a database, but none of this project; give another --store file")
    return int(found[0][0])


@contextmanager
def writing(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection for the one writer; creates the store where there is none, brings one of an earlier version up to date.

    Raises
    ------
    StoreProblem : locked by another process, damaged, of another version, or not writable.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreProblem(
            f"the folder {path.parent.name} cannot be made ({error.strerror}); give another --store file"
        ) from error
    con = _open(path, read_only=False)
    try:
        if not _rows(con, "SELECT 1 FROM information_schema.tables"):
            _create(con)
        if can_migrate(found := _version_of(con, path)):
            migrate(con, found)
        _check_version(con, path)
        yield con
        _allow_merging(con)
    except duckdb.Error as error:
        raise told(error, path) or StoreProblem(
            f"the store {path.name} could not be written ({str(error).splitlines()[0][:200]})"
        ) from error
    finally:
        con.close()


def _allow_merging(con: duckdb.DuckDBPyConnection) -> None:
    """Let the store be tidied at its closing where much was deleted."""
    kept = dict(_rows(con, "SELECT table_name, estimated_size FROM duckdb_tables()"))
    tables = (rows_of("run"), "sweep_point", "repeat_key")
    held = {table: _rows(con, f"SELECT count(*) FROM {table}")[0][0] for table in tables}
    if any(kept[table] > MERGED_FROM * rows for table, rows in held.items()):
        con.execute("RESET max_vacuum_tasks")


@contextmanager
def reading(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A read-only connection.

    Raises
    ------
    StoreProblem : no such file, being written, damaged, or of another version.
    """
    if not path.is_file():
        raise StoreProblem(f"there is no store at {path}; run `poundworth build` first, or give --store FILE")
    con = _open(path, read_only=True)
    try:
        _check_version(con, path)
        yield con
    except duckdb.Error as error:
        problem = told(error, path)
        if problem is None:
            raise
        raise problem from error
    finally:
        con.close()


#: Said in the transaction that changes builds, and taken back by the one that writes what the search for repeats found: a build
#: that is stopped between the two leaves it to the next one.
_SEARCH_IS_DUE = "INSERT OR REPLACE INTO meta VALUES ('search_due', 'yes')"


def is_search_due(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether builds changed since tests published twice were last searched for."""
    return bool(_rows(con, "SELECT 1 FROM meta WHERE key = 'search_due'"))


def remove_files(con: duckdb.DuckDBPyConnection, files: Sequence[tuple[str, str]]) -> None:
    """Take all rows of some source files (source, file) out, inside the caller's transaction."""
    if not files:
        return
    con.execute(_SEARCH_IS_DUE)
    con.register("going", pl.DataFrame(files, schema={"source": pl.String, "file": pl.String}, orient="row"))
    are_going = "EXISTS (FROM going WHERE going.source = {0}.source AND going.file = {0}.file)"
    # what the search for repeats knows of a build holds only while the build is as it was
    con.execute(f"DELETE FROM repeat_build WHERE build_key IN (SELECT build_key FROM build WHERE {are_going.format('build')})")
    con.execute(f"DELETE FROM sweep_point WHERE run_key IN (SELECT run_key FROM run WHERE {are_going.format('run')})")
    for table in FILE_TABLES:
        if table != "sweep_point":
            con.execute(f"DELETE FROM {rows_of(table)} WHERE {are_going.format(rows_of(table))}")
    con.unregister("going")


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """All or nothing."""
    con.execute("BEGIN")
    try:
        yield
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")


def write_files(con: duckdb.DuckDBPyConnection, results: Sequence[FileResult]) -> None:
    """Replace everything the store holds of some source files, in one transaction."""
    keys = {(r.ledger.source, r.ledger.file) for r in results}
    with transaction(con):
        remove_files(con, sorted(keys & read_ledger(con).keys()))
        for table in ("run", "build", "sweep_point", "change"):
            names = {"run": "runs", "build": "builds", "sweep_point": "points", "change": "changes"}
            frames = [f for r in results if not (f := getattr(r, names[table])).is_empty()]
            wanted = table_columns(table)
            insert(con, table, [f.select([c for c in wanted if c in f.columns]) for f in frames])
        con.execute(_SEARCH_IS_DUE)
        forget_builds(con, [r.builds.select("build_key") for r in results])
        insert(con, "refused", [_keyed(r, r.refused.select(REFUSED_SCHEMA.keys())) for r in results])
        insert(con, "flag", [_keyed(r, r.flags) for r in results])
        insert(con, "repair", [_keyed(r, pl.DataFrame({"what": r.repairs}, schema={"what": pl.String})) for r in results])
        write_ledger(con, [r.ledger for r in results])


def forget_builds(con: duckdb.DuckDBPyConnection, builds: Sequence[pl.DataFrame]) -> None:
    """Builds that came or changed are unknown to the search for repeats (inside the caller's transaction)."""
    con.register("come", pl.concat(builds))
    con.execute("DELETE FROM repeat_build WHERE build_key IN (SELECT build_key FROM come)")
    con.unregister("come")


def _keyed(result: FileResult, frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(source=pl.lit(result.ledger.source), file=pl.lit(result.ledger.file))


def write_ledger(con: duckdb.DuckDBPyConnection, rows: Sequence[LedgerRow]) -> None:
    """Replace lines of the ledger."""
    con.executemany("DELETE FROM file_seen WHERE source = ? AND file = ?", [[row.source, row.file] for row in rows])
    columns = list(LedgerRow.__dataclass_fields__)
    values = [list(row.as_dict().values()) for row in rows]
    con.executemany(f"INSERT INTO file_seen ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})", values)


def read_ledger(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], LedgerRow]:
    """The ledger: what was seen of each source file."""
    columns = list(LedgerRow.__dataclass_fields__)
    rows = con.execute(f"SELECT {', '.join(columns)} FROM file_seen ORDER BY source, file").fetchall()
    return {(r[0], r[1]): LedgerRow(*r) for r in rows}


def write_sources(con: duckdb.DuckDBPyConnection, rows: list[dict[str, Any]]) -> None:
    """Replace the table of sources where it differs."""
    names = [f.name for f in fields_of("source")]
    wanted = sorted((tuple(row.get(n) for n in names) for row in rows), key=lambda r: str(r[0]))
    held = con.execute(f"SELECT {', '.join(names)} FROM source ORDER BY source").fetchall()
    if held == wanted:
        return
    with transaction(con):
        con.execute("DELETE FROM source")
        if wanted:
            con.executemany(f"INSERT INTO source ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})", wanted)


def query_table(con: duckdb.DuckDBPyConnection, name: str) -> pl.DataFrame:
    """One clean table through an open connection."""
    return con.sql(READ[name]).pl()


def query_columns(con: duckdb.DuckDBPyConnection, name: str, columns: tuple[str, ...]) -> pl.DataFrame:
    """Some columns of a clean table; of a wide table far less to load than all."""
    return con.sql(f"SELECT {', '.join(columns)} FROM ({READ[name]})").pl()


def read_batches(con: duckdb.DuckDBPyConnection, name: str, rows: int) -> Iterator[pl.DataFrame]:
    """One clean table in batches of at most `rows` rows, so that a table larger than memory can be passed on."""
    return query_batches(con, READ[name], rows)


def query_batches(con: duckdb.DuckDBPyConnection, query: str, rows: int) -> Iterator[pl.DataFrame]:
    """The rows of a query in batches; no row gives one empty frame, so that its columns are known."""
    reader = con.sql(query).to_arrow_reader(rows)
    seen = False
    for batch in reader:
        seen = True
        yield pl.DataFrame(pl.from_arrow(batch))
    if not seen:
        yield pl.DataFrame(pl.from_arrow(reader.schema.empty_table()))


def read_table(path: str | Path, name: str) -> pl.DataFrame:
    """One clean table as a polars frame: the documented door for Python readers.

    Parameters
    ----------
    path : the store, by default ``data_clean/study.duckdb`` in a checkout.
    name : one of ``TABLES``.

    Raises
    ------
    StoreProblem : no store there, or no such table.
    """
    if name not in READ:
        raise StoreProblem(f"there is no table {name!r}; the tables are {', '.join(TABLES)}")
    with reading(Path(path)) as con:
        return query_table(con, name)


def fingerprint(con: duckdb.DuckDBPyConnection) -> str:
    """A short text that changes whenever the clean data change: hash of the ledger's hashes and of the repeats."""
    rows = con.execute("SELECT source, file, sha256, recipe FROM file_seen WHERE rows_read > 0 ORDER BY source, file").fetchall()
    rows += con.execute("SELECT build_key, same_as FROM same_test ORDER BY build_key").fetchall()
    rows += con.execute("SELECT count(*), md5(string_agg(run_key, '|' ORDER BY run_key)) FROM repeated_run").fetchall()
    rows += con.execute("SELECT source, coalesce(title, ''), coalesce(licence, '') FROM source ORDER BY source").fetchall()
    return hashlib.sha256(json.dumps(rows).encode()).hexdigest()[:16]


def write_result(con: duckdb.DuckDBPyConnection, name: str, mark: str, content: dict[str, Any]) -> None:
    """Keep one result under its name, with the fingerprint of the data it came from."""
    with transaction(con):
        con.execute("DELETE FROM result WHERE name = ?", [name])
        con.execute("INSERT INTO result VALUES (?, ?, ?)", [name, mark, json.dumps(content, ensure_ascii=False, allow_nan=False)])


def read_result(con: duckdb.DuckDBPyConnection, name: str) -> tuple[str, dict[str, Any]] | None:
    """A kept result and the fingerprint of its data, or None."""
    rows = _rows(con, "SELECT fingerprint, CAST(content AS VARCHAR) FROM result WHERE name = ?", [name])
    return (str(rows[0][0]), json.loads(rows[0][1])) if rows else None


def forget_results(con: duckdb.DuckDBPyConnection) -> None:
    """Take out all kept results; they come from data that may have been withdrawn and are fitted anew when asked for."""
    with transaction(con):
        con.execute("DELETE FROM result")
