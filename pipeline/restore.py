"""From an export to a store with the same content: every file compared with its description, every row with the rules of cleaning.

The store is made beside its place and moved there only when the content hash of each of its tables is the one that was exported,
so that a stopped, damaged or forged restore leaves what was there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import store_restore
from pipeline.errors import FileProblem
from pipeline.export_rows import REASON
from pipeline.export_store import FILE_OF, mark_content
from pipeline.fields import FIELDS
from pipeline.restore_checks import check_rows
from pipeline.restore_package import HeldTable, Package, PackageResource, check_bytes, check_file, open_file, read_package
from pipeline.restore_parquet import read_rows
from pipeline.store_content import CONTENT, OF_THIS_MACHINE, content_columns
from pipeline.store_tables import SCHEMA_VERSION

Progress = Callable[[int, int, str], None]
#: Table of the content -> table of the store that takes its rows. The table of builds follows from what each file says of them.
_INTO = {name: name for name in CONTENT if name not in ("build", "build_by_file")} | {"build_by_file": "build"}
#: Columns that an export adds for its readers: column -> type, by table.
_ADDED: dict[str, dict[str, pl.DataType]] = {
    "run": {"build": pl.String(), "is_repeat": pl.Boolean()}, "flag": {"sentence": pl.String()},
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RestoreSummary:
    """What was made from an export.

    Attributes
    ----------
    store : the new store.
    version : version of the export: of the project that wrote it, and fingerprint of the data.
    rows : table -> number of rows.
    content_hash : one hash for all tables, as the export states it.
    with_personal : whether what names a person came along.
    """

    store: Path
    version: str
    rows: dict[str, int]
    content_hash: str
    with_personal: bool

    def to_json(self) -> dict[str, Any]:
        """The summary in the shape that scripts rely on."""
        return {
            "store": str(self.store), "version": self.version, "content_hash": self.content_hash,
            "with_personal": self.with_personal, "rows": self.rows,
        }  # fmt: skip


def restore(folder: Path, store_path: Path, *, replace: bool = False, progress: Progress | None = None) -> RestoreSummary:
    """Make a store from an export.

    Parameters
    ----------
    folder : an export; not trusted.
    store_path : the store to be made. A link is followed, so that the file that it names is replaced.
    replace : put it in the place of a store that is there.
    progress : called with (done, all, file) before each file.

    Raises
    ------
    RequestProblem : no export there, a store is there already, or its place cannot be used.
    FileProblem : the export is damaged, changed, or holds what no export of this project holds.
    StoreProblem : the store cannot be written, or another command uses it.
    """
    place = store_restore.find_place(store_path)
    store_restore.check_place(place, replace)
    package = read_package(folder)
    files = len(package.resources)
    with store_restore.fresh_store(place) as (con, scratch):
        columns = _hashed_columns(con, package)
        for done, resource in enumerate(package.resources):
            if progress is not None:
                progress(done, files, resource.path)
            if resource.holds is not None and resource.holds.name in _INTO:
                _load(con, folder, resource, resource.holds, package)
            else:
                check_file(folder, resource)
        if progress is not None:
            progress(files, files, "comparing the content")
        store_restore.check_whole(con)
        _check_content(con, package, columns)
        store_restore.check_place(place, replace)  # it may have come meanwhile
    store_restore.put_in_place(scratch, place)
    rows = {name: held.rows for name, held in package.held.items()}
    return RestoreSummary(store_path, package.version, rows, package.store.content_hash, package.store.with_personal)


def _load(con: duckdb.DuckDBPyConnection, folder: Path, resource: PackageResource, held: HeldTable, package: Package) -> None:
    """Compare one file with its description and add its rows to the store."""
    name = held.name
    wanted, may_miss = _columns(con, name, package)
    with open_file(folder, resource.path) as handle:
        check_bytes(handle, resource)
        for frame in read_rows(handle, resource.path, held.rows, wanted, may_miss):
            own = frame.drop(list(_ADDED.get(name, {})))
            if name == "refused":
                own = own.with_columns(reasons=_without_sentences())
            check_rows(name, own, resource.path)
            store_restore.insert_rows(con, _INTO[name], own, resource.path)
            if name == "run":
                repeated = frame.filter("is_repeat").select("run_key")
                store_restore.insert_rows(con, "repeated_run", repeated, resource.path)


def _without_sentences() -> pl.Expr:
    """Reasons as a store holds them; the sentence follows from the code."""
    return pl.col("reasons").list.eval(pl.struct(pl.element().struct.field("code", "column", "value")))


def _columns(con: duckdb.DuckDBPyConnection, name: str, package: Package) -> tuple[dict[str, pl.DataType], frozenset[str]]:
    """Column -> type that an exported file must have, and those that one of an earlier version may lack."""
    types = store_restore.table_types(con, _INTO[name]) | _ADDED.get(name, {})
    left_out = [c for c in types if c in FIELDS and FIELDS[c].personal and not package.store.with_personal]
    wanted = {c: dtype for c, dtype in types.items() if c not in (*left_out, *OF_THIS_MACHINE)}
    if name == "refused":
        wanted["reasons"] = REASON
    if package.store.tables_version == SCHEMA_VERSION:
        return wanted, frozenset()
    return wanted, frozenset(c for c in store_restore.may_be_empty(con, _INTO[name]) if c in wanted)


def _check_content(con: duckdb.DuckDBPyConnection, package: Package, columns: dict[str, tuple[str, ...]]) -> None:
    """Compare the content of the new store with what was exported; columns that came later are empty and not looked at."""
    stated = {name: held.content_hash for name, held in package.held.items()}
    found = mark_content(con, with_personal=True, columns=columns)
    for name, mark in found.items():
        if mark.sha256 != stated[name]:
            raise FileProblem(
                f"the rows of the table {name} give the content hash {mark.sha256}, datapackage.json says {stated[name]} (file "
                f"{FILE_OF[name]}); they are not the rows that were exported: write the export again with `poundworth export DIR`"
            )


def _hashed_columns(con: duckdb.DuckDBPyConnection, package: Package) -> dict[str, tuple[str, ...]]:
    """Table -> columns that were hashed: all of this version's, less those that came after the export was written."""
    for name, held in package.held.items():
        known = content_columns(con, name)
        came_later = package.store.tables_version < SCHEMA_VERSION
        odd = [c for c in held.columns if c not in known or held.columns.count(c) > 1]
        odd += [c for c in known if c not in held.columns and not came_later]
        if odd:
            raise FileProblem(
                f"datapackage.json lists other columns of the table {name} than this version has (first: {odd[0][:60]!r}); each column is "
                "hashed, and once: write the export again with `poundworth export DIR`"
            )
    return {name: held.columns for name, held in package.held.items()}
