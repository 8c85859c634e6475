"""The clean tables as files that others can use: Parquet and CSV, described, hashed, the same bytes each time.

Tables are read in batches, so that memory does not grow with the store. Files are written into a scratch folder inside
the target and moved into place at the end: a killed export leaves the last whole one.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, BinaryIO

import duckdb
import polars as pl
import pyarrow.parquet as pq

from pipeline import store
from pipeline.data_package import PACKAGE_NAME, PackageInputs, WrittenFile, say_invented, write_datapackage
from pipeline.errors import RequestProblem
from pipeline.export_rows import REASON, batches_of, preparations, without_withdrawn
from pipeline.export_store import FILE_OF, STORE_FOLDER, kept_batches, mark_content
from pipeline.export_tables import KEPT, TABLES, ExportTable
from pipeline.export_texts import (
    DICTIONARY_COLUMNS,
    LICENCE_COLUMNS,
    dictionary_rows,
    licence_rows,
    write_citation,
    write_dictionary,
    write_licences,
    write_read_me,
)
from pipeline.spreadsheet_text import guard_text
from pipeline.store_tables import SCHEMA_VERSION
from pipeline.table_hash import TableMark

PACKAGE_FILE = "datapackage.json"

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class ExportSummary:
    """What an export wrote.

    `folder` : where. `files` : every file, in order. `inputs` : sources, tables and version. `notes` : sentences for the user.
    """

    folder: Path
    files: tuple[WrittenFile, ...]
    inputs: PackageInputs
    notes: tuple[str, ...]

    def rows(self) -> dict[str, int]:
        """Table -> number of rows."""
        return {f.table: f.rows for f in self.files if f.table is not None and f.rows is not None}

    def to_json(self) -> dict[str, Any]:
        """The summary in the shape that scripts rely on."""
        return {
            "folder": str(self.folder), "version": self.inputs.release, "sources": len(self.inputs.sources),
            "invented_sources": self.inputs.invented, "with_personal": self.inputs.with_personal, "rows": self.rows(),
            "content_hash": self.inputs.content_hash,
            "files": [{"path": f.path, "bytes": f.size, "sha256": f.sha256} for f in self.files], "notes": list(self.notes),
        }  # fmt: skip


# -- files --------------------------------------------------------------------------------------------------------------


def _as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame as CSV holds it: lists as text, and no text that a spreadsheet would take for a formula."""
    made = []
    for name, dtype in frame.schema.items():
        if dtype == pl.List(pl.String):
            made.append(pl.col(name).list.join("+"))
        elif dtype == REASON:
            texts = [json.dumps(value, ensure_ascii=False) for value in frame[name].to_list()]
            made.append(pl.lit(pl.Series(name, texts, dtype=pl.String)).alias(name))
        elif dtype == pl.String:
            made.append(guard_text(pl.col(name)).alias(name))
        else:
            made.append(pl.col(name))
    return frame.select(made)


def _append_csv(out: BinaryIO, frame: pl.DataFrame, with_header: bool) -> None:
    out.write(_as_text(frame).write_csv(include_header=with_header).encode())


@contextmanager
def _parquet(path: Path) -> Iterator[Callable[[pl.DataFrame], None]]:
    """A function that adds frames to a Parquet file; the first one gives its columns."""
    writer: pq.ParquetWriter | None = None

    def append(frame: pl.DataFrame) -> None:
        nonlocal writer
        arrow = frame.to_arrow()
        writer = writer or pq.ParquetWriter(path, arrow.schema, compression="zstd")
        writer.write_table(arrow)

    try:
        yield append
    finally:
        if writer is not None:
            writer.close()


def _write_table(
    folder: Path, table: ExportTable, batches: Iterator[pl.DataFrame], marks: Mapping[str, TableMark]
) -> list[WrittenFile]:
    """Write one table as CSV and, where it has one, as Parquet; the first batch is always there, if only for its columns."""
    paths = [f"data/{table.name}.csv"] + ([f"data/{table.name}.parquet"] if table.in_parquet else [])
    rows = 0
    with ExitStack() as opened:
        out = opened.enter_context((folder / paths[0]).open("wb"))
        append = opened.enter_context(_parquet(folder / paths[1])) if table.in_parquet else None
        for number, frame in enumerate(batches):
            _append_csv(out, frame, with_header=number == 0)
            if append is not None:
                append(frame)
            rows += frame.height
    files = [replace(_hashed(folder, path), table=table.name, rows=rows) for path in paths]
    return [_marked(file, table.name, marks) for file in files]


def _write_kept(folder: Path, name: str, batches: Iterator[pl.DataFrame], marks: Mapping[str, TableMark]) -> WrittenFile:
    """Write a table that only a store has use for, as Parquet."""
    with _parquet(folder / FILE_OF[name]) as append:
        for frame in batches:
            append(frame)
    return _marked(_hashed(folder, FILE_OF[name]), name, marks)


def _hashed(folder: Path, path: str) -> WrittenFile:
    with (folder / path).open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    return WrittenFile(path, (folder / path).stat().st_size, digest)


def _marked(file: WrittenFile, name: str, marks: Mapping[str, TableMark]) -> WrittenFile:
    """A file with the content hash of the store's table that it holds, if it does hold one."""
    return replace(file, holds=name, mark=marks[name]) if FILE_OF.get(name) == file.path else file


def _csv_text(columns: tuple[str, ...], rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    safe = pl.DataFrame(rows, schema=dict.fromkeys(columns, pl.String)).select(guard_text(pl.col(c)).alias(c) for c in columns)
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(safe.rows())
    return out.getvalue()


def _describe(folder: Path, inputs: PackageInputs) -> list[WrittenFile]:
    texts = {
        "data/dictionary.csv": _csv_text(DICTIONARY_COLUMNS, dictionary_rows(inputs)),
        "data/licence.csv": _csv_text(LICENCE_COLUMNS, licence_rows(inputs)),
        "CITATION.cff": write_citation(inputs), "DICTIONARY.md": write_dictionary(inputs), "LICENCES.md": write_licences(inputs),
        "README.md": write_read_me(inputs), PACKAGE_FILE: write_datapackage(inputs),
    }  # fmt: skip
    for path, text in texts.items():
        (folder / path).write_bytes(text.encode("utf-8"))
    return [_hashed(folder, path) for path in texts]


def _write_sums(folder: Path, files: list[WrittenFile]) -> WrittenFile:
    lines = [f"{f.sha256}  {f.path}\n" for f in sorted(files, key=lambda f: f.path)]
    (folder / "SHA256SUMS").write_bytes("".join(lines).encode())
    return _hashed(folder, "SHA256SUMS")


# -- the whole ----------------------------------------------------------------------------------------------------------


def _check_folder(folder: Path) -> None:
    """Refuse a folder that holds anything but an earlier export."""
    if folder.exists() and not folder.is_dir():
        raise RequestProblem(f"{folder} is a file; give a folder to export into, a new or an empty one")
    if not folder.is_dir() or not any(folder.iterdir()):
        return
    package = folder / PACKAGE_FILE
    try:
        held = json.loads(package.read_text(encoding="utf-8")) if package.is_file() else {}
    except (OSError, ValueError):
        held = {}
    if not isinstance(held, dict) or held.get("name") != PACKAGE_NAME:
        raise RequestProblem(
            f"the folder {folder} holds files that are no earlier export of this project, and they could be overwritten; "
            "give a new or an empty folder"
        )


def _move_into_place(scratch: Path, folder: Path, files: list[WrittenFile]) -> None:
    for name in ("data", STORE_FOLDER):
        (folder / name).mkdir(exist_ok=True)
    for file in files:
        (scratch / file.path).replace(folder / file.path)


def _notes(inputs: PackageInputs) -> tuple[str, ...]:
    closed = sum(row["known_to_be_open"] == "false" for row in licence_rows(inputs))
    notes = [say_invented(inputs)]
    if closed:
        notes.append(
            f"{closed} of {len(inputs.sources)} sources have terms that are not known here as open: read LICENCES.md before you pass the folder on."
        )
    if inputs.with_personal:
        notes.append("Fields that name a person are included: pass the folder on only with their consent.")
    return tuple(n for n in notes if n)


def write_export(
    store_path: Path, folder: Path, *, with_personal: bool = False, progress: Progress | None = None
) -> ExportSummary:
    """Write the clean tables and their descriptions into a folder; the same store gives the same bytes.

    Parameters
    ----------
    store_path : the store.
    folder : a new or empty folder, or one that holds an earlier export.
    with_personal : keep fields that name a person.
    progress : called with (done, all, table) before each table.

    Raises
    ------
    RequestProblem : the folder holds other files, or cannot be written.
    StoreProblem : the store is missing, being written, or damaged.
    """
    _check_folder(folder)
    with store.reading(store_path) as con:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            scratch = Path(tempfile.mkdtemp(prefix=".export-", dir=folder))
            try:
                return _write_all(con, scratch, folder, with_personal, progress)
            finally:
                shutil.rmtree(scratch, ignore_errors=True)
        except OSError as error:
            raise RequestProblem(
                f"the folder {folder} cannot be written ({error.strerror or error}); give another folder"
            ) from error


def _write_all(
    con: duckdb.DuckDBPyConnection, scratch: Path, folder: Path, with_personal: bool, progress: Progress | None
) -> ExportSummary:
    for name in ("data", STORE_FOLDER):
        (scratch / name).mkdir()
    marks = mark_content(con, with_personal)
    prepare = preparations(con)
    files: list[WrittenFile] = []
    for done, table in enumerate(TABLES):
        if progress is not None:
            progress(done, len(TABLES), table.name)
        files += _write_table(scratch, table, batches_of(con, table, prepare.get(table.name), with_personal), marks)
    files += [_write_kept(scratch, t.name, kept_batches(con, t.name, with_personal), marks) for t in KEPT]
    sources = store.query_table(con, "source").to_dicts()
    runs = without_withdrawn(store.query_table(con, "file_seen")).group_by("source").agg(pl.col("runs").sum())
    inputs = PackageInputs(
        sources,
        dict(runs.iter_rows()),
        tuple(files),
        TABLES,
        store.fingerprint(con),
        version("poundworth"),
        with_personal,
        SCHEMA_VERSION,
    )
    files += _describe(scratch, inputs)
    files.append(_write_sums(scratch, files))
    _move_into_place(scratch, folder, files)
    if progress is not None:
        progress(len(TABLES), len(TABLES), "")
    return ExportSummary(folder, tuple(files), inputs, _notes(inputs))
