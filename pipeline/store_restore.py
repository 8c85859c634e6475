"""A store made from rows that are clean already: written beside its place, looked through as a whole, and moved there at the end."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline.errors import FileProblem, RequestProblem, StoreProblem
from pipeline.store import transaction, writing
from pipeline.store_rows import insert, rows_of

_MAGIC = slice(8, 12)
_ESCAPED = "replace(replace({0}, '\\', '\\\\'), '|', '\\|')"
_BUILD_KEY = " || '|' || ".join(_ESCAPED.format(c) for c in ("source", "publisher", "build"))
_COUNTED = """
SELECT source || '/' || file AS spot FROM file_seen
FULL JOIN (SELECT source, file, sum(run) AS run, sum(refused) AS refused, sum(change) AS change, sum(point) AS point FROM (
    SELECT source, file, 1 AS run, 0 AS refused, 0 AS change, 0 AS point FROM run
    UNION ALL SELECT source, file, 0, 1, 0, 0 FROM refused
    UNION ALL SELECT source, file, 0, 0, 1, 0 FROM change
    UNION ALL SELECT source, file, 0, 0, 0, n FROM (SELECT run_key, count(*) AS n FROM sweep_point GROUP BY run_key) JOIN run USING (run_key)
) GROUP BY source, file) AS held USING (source, file)
WHERE file_seen.runs IS NULL OR file_seen.runs <> coalesce(held.run, 0) OR file_seen.refused <> coalesce(held.refused, 0)
    OR file_seen.changes <> coalesce(held.change, 0) OR file_seen.sweep_points <> coalesce(held.point, 0)
    OR file_seen.rows_read < file_seen.refused + file_seen.repeated
"""
#: What must hold between the tables: what is wrong where a query finds a row, and the query, whose first column says where.
_FAULTS: tuple[tuple[str, str], ...] = (
    ("a build of a source that is not in the table source", "SELECT build_key FROM build ANTI JOIN source USING (source)"),
    (
        "a build whose key is not made of its source, publisher and name",
        f"SELECT build_key FROM build WHERE build_key <> {_BUILD_KEY}",
    ),
    ("a build that one file describes twice", "SELECT build_key FROM build GROUP BY build_key, source, file HAVING count(*) > 1"),
    ("a run that stands twice", "SELECT run_key FROM run GROUP BY run_key HAVING count(*) > 1"),
    ("a change that stands twice", "SELECT change_key FROM change GROUP BY change_key HAVING count(*) > 1"),
    ("a run of a build that is not there", "SELECT run_key FROM run ANTI JOIN build USING (build_key, source)"),
    (
        "a run whose key is not made of its file and line",
        "SELECT run_key FROM run WHERE NOT starts_with(run_key || '/', source || '/' || file || '#' || line || '/')",
    ),
    ("a point of a curve of a run that is not there", "SELECT run_key FROM sweep_point ANTI JOIN run USING (run_key)"),
    (
        "a change between runs that are not there",
        "SELECT change_key FROM change WHERE before_run_key NOT IN (SELECT run_key FROM run) OR after_run_key NOT IN (SELECT run_key FROM run)",
    ),
    (
        "a repeated test of builds that are not there",
        "SELECT build_key FROM same_test WHERE build_key NOT IN (SELECT build_key FROM build) OR same_as NOT IN (SELECT build_key FROM build)",
    ),
    (
        "a question about builds that are not there",
        "SELECT build_key FROM near_test WHERE build_key NOT IN (SELECT build_key FROM build) OR near_key NOT IN (SELECT build_key FROM build)",
    ),
    (
        "a flag or a correction of a file that is not in the ledger",
        "SELECT source || '/' || file FROM (SELECT source, file FROM flag UNION ALL SELECT source, file FROM repair) "
        "ANTI JOIN file_seen USING (source, file)",
    ),
    ("a file whose counts in the ledger are not those of its rows", _COUNTED),
)


@contextmanager
def fresh_store(place: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, Path]]:
    """An empty store beside its later place, with its file; gone again unless :func:`put_in_place` took it.

    Raises
    ------
    StoreProblem : another command is making a store there, or the folder cannot be written.
    """
    scratch = place.with_name(place.name + ".restoring")
    if is_in_use(scratch):
        raise StoreProblem(f"another command is making {place.name} just now; wait for it to end, then run this one again")
    _remove(scratch)  # of a command that was killed
    try:
        with writing(scratch) as con:
            yield con, scratch
            con.execute("CHECKPOINT")
    except BaseException:
        _remove(scratch)
        raise


def _remove(path: Path) -> None:
    """Take away a store with its log."""
    try:
        path.with_name(path.name + ".wal").unlink(missing_ok=True)
        path.unlink(missing_ok=True)
    except OSError as error:
        raise StoreProblem(f"{path} cannot be taken away ({error.strerror}); delete it, then run this again") from error


def is_in_use(path: Path) -> bool:
    """Whether another process has a store open; False where there is none."""
    try:
        with path.open("r+b") as handle:
            fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)  # the lock that DuckDB takes too
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def find_place(path: Path) -> Path:
    """Where a store is to stand: the file that a link names, so that the link stays one.

    Raises
    ------
    RequestProblem : there can be no file.
    """
    try:
        place = path.resolve()
        place.exists()  # a name that no file can have
    except (OSError, RuntimeError) as error:  # links in a circle are a RuntimeError before Python 3.13
        raise RequestProblem(f"there can be no store at {str(path)[:120]} ({error}); give another --store file") from error
    return place


def check_place(place: Path, replace: bool) -> None:
    """See whether a store may be put somewhere.

    Raises
    ------
    RequestProblem : a file is there and is not to be replaced, or is no store.
    StoreProblem : another command uses it.
    """
    if not place.exists():
        return
    if not place.is_file():
        raise RequestProblem(f"{place} is no file; give a file name with --store")
    if not replace:
        raise RequestProblem(
            f"there is a store at {place} already, and nothing is added to a store this way; give another --store file, or --replace to "
            "put the restored one in its place"
        )
    try:
        with place.open("rb") as handle:
            start = handle.read(16)
    except OSError as error:
        raise RequestProblem(
            f"{place} cannot be read ({error.strerror}); check its permissions, or give another --store file"
        ) from error
    if start and start[_MAGIC] != b"DUCK":
        raise RequestProblem(f"{place} is no store, and only a store is replaced; give another --store file")
    if is_in_use(place):
        raise StoreProblem(f"another command is using {place.name}; wait for it to end, then run this one again")


def put_in_place(scratch: Path, place: Path) -> None:
    """Move a closed store to its place in one step.

    Raises
    ------
    StoreProblem : it cannot be moved there.
    """
    try:
        _sync(scratch)
        # First: a log that outlived its store would be replayed into the new one.
        place.with_name(place.name + ".wal").unlink(missing_ok=True)
        scratch.replace(place)
        _sync(place.parent)
    except OSError as error:
        _remove(scratch)
        raise StoreProblem(f"{place} cannot be written ({error.strerror}); give another --store file") from error


def _sync(path: Path) -> None:
    """Wait for the disk: after a power cut the name must not outlive the bytes."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def table_types(con: duckdb.DuckDBPyConnection, table: str) -> dict[str, pl.DataType]:
    """Column -> type of one table of a store, as its rows come and go."""
    return dict(con.sql(f'SELECT * FROM "{table}" LIMIT 0').pl().schema)


def may_be_empty(con: duckdb.DuckDBPyConnection, table: str) -> frozenset[str]:
    """Columns of a table that need no value."""
    query = "SELECT column_name FROM duckdb_columns() WHERE table_name = ? AND NOT is_nullable"
    needed = {name for (name,) in con.execute(query, [rows_of(table)]).fetchall()}
    return frozenset(name for name in table_types(con, table) if name not in needed)


def insert_rows(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame, path: str) -> None:
    """Add rows to a table of a fresh store.

    Raises
    ------
    FileProblem : a key stands twice, or a value does not fit its column.
    """
    if table == "file_seen":
        # When and where a file was seen is not kept: it was seen now, and no time of a file is known.
        now = datetime.now(UTC).isoformat(timespec="seconds")
        frame = frame.with_columns(mtime_ns=pl.lit(0, pl.Int64), seen_on=pl.lit(now))
    try:
        with transaction(con):
            insert(con, table, [frame])
    except (duckdb.ConstraintException, duckdb.ConversionException, duckdb.InvalidInputException) as error:
        raise FileProblem(
            f"rows of {path} do not fit the table {table} of a store ({str(error).splitlines()[0][:200]}); an export holds each key once "
            "and only values of its columns: write the export again"
        ) from error


def check_whole(con: duckdb.DuckDBPyConnection) -> None:
    """See whether the tables of a store fit one another.

    Raises
    ------
    FileProblem : they do not.
    """
    for fault, query in _FAULTS:
        found = con.execute(f"SELECT * FROM ({query}) LIMIT 1").fetchall()
        if found:
            raise FileProblem(
                f"the export holds {fault} (first: {str(found[0][0])[:120]!r}); its tables must fit one another: write it again with "
                "`poundworth export DIR`"
            )
