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
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, BinaryIO

import duckdb
import polars as pl
import pyarrow.parquet as pq

from pipeline import store
from pipeline.checks import sentence_of
from pipeline.data_package import PACKAGE_NAME, PackageInputs, WrittenFile, say_invented, write_datapackage
from pipeline.errors import RequestProblem
from pipeline.export_tables import TABLES, ExportTable, exported_columns
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
from pipeline.personal import without_personal
from pipeline.spreadsheet_text import guard_text

PACKAGE_FILE = "datapackage.json"
#: Rows read and written at a time.
BATCH_ROWS = 200_000
#: Exported table -> table of the store that it is made from, where the names differ.
_MADE_FROM = {"run_flat": "run", "file": "file_seen"}

Progress = Callable[[int, int, str], None]
Prepare = Callable[[pl.DataFrame], pl.DataFrame]


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
            "files": [{"path": f.path, "bytes": f.size, "sha256": f.sha256} for f in self.files], "notes": list(self.notes),
        }  # fmt: skip


# -- rows of each table -------------------------------------------------------------------------------------------------


def _told_reasons(reasons: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{**r, "sentence": sentence_of(r["code"], r["column"], r["value"])} for r in reasons]


_REASON = pl.List(pl.Struct({"code": pl.String, "column": pl.String, "value": pl.String, "sentence": pl.String}))


def _refused(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.Series("reasons", [_told_reasons(r) for r in frame["reasons"].to_list()], dtype=_REASON))


def _flags(frame: pl.DataFrame) -> pl.DataFrame:
    told = [sentence_of(code, column, value) for code, column, value in frame.select("code", "column", "value").iter_rows()]
    return frame.with_columns(pl.Series("sentence", told, dtype=pl.String))


def _files(frame: pl.DataFrame) -> pl.DataFrame:
    """The ledger without withdrawn files: they have left every export."""
    kept = frame.filter(pl.col("withdrawn").is_null())
    return kept.with_columns(accepted=pl.col("rows_read") - pl.col("refused") - pl.col("repeated"))


def _with_builds(builds: pl.DataFrame) -> Prepare:
    names = builds.select("build_key", "build")
    return lambda frame: frame.join(names, on="build_key", how="left", maintain_order="left")


def _flat(builds: pl.DataFrame, changes: pl.DataFrame) -> Prepare:
    described = builds.drop("source", "publisher", "same_test_as")
    led = changes.unique("after_run_key", keep="first", maintain_order=True).select(
        run_key="after_run_key", compared_with="before_run_key", parts=pl.col("parts").list.join("+"), retuned_each="retuned_each", held="held"
    )  # fmt: skip

    def prepare(frame: pl.DataFrame) -> pl.DataFrame:
        bare = frame.drop("compared_with", "parts", "run").with_columns(run="run_key")
        joined = bare.join(described, on="build_key", how="left", maintain_order="left")
        return joined.join(led, on="run_key", how="left", maintain_order="left")

    return prepare


def _preparations(con: duckdb.DuckDBPyConnection) -> dict[str, Prepare]:
    builds = store.query_table(con, "build")
    changes = store.query_table(con, "change")
    return {
        "run": _with_builds(builds), "run_flat": _flat(builds, changes), "refused": _refused, "flag": _flags, "file": _files,
    }  # fmt: skip


def _leave_persons_out(frame: pl.DataFrame) -> pl.DataFrame:
    """Cells of personal headers taken out of raw rows and unrecognised columns."""
    names = [n for n in ("row", "extra") if n in frame.columns and frame[n].null_count() < frame.height]
    kept = [pl.Series(n, [without_personal(t) for t in frame[n].to_list()], dtype=pl.String) for n in names]
    filled = [k.fill_null("{}") if k.name == "row" else k for k in kept]
    return frame.with_columns(filled)


def _batches(
    con: duckdb.DuckDBPyConnection, table: ExportTable, prepare: Prepare | None, with_personal: bool
) -> Iterator[pl.DataFrame]:
    columns = [c.name for c in exported_columns(table, with_personal)]
    for batch in store.read_batches(con, _MADE_FROM.get(table.name, table.name), BATCH_ROWS):
        frame = prepare(batch) if prepare is not None else batch
        yield (frame if with_personal else _leave_persons_out(frame)).select(columns)


# -- files --------------------------------------------------------------------------------------------------------------


def _as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame as CSV holds it: lists as text, and no text that a spreadsheet would take for a formula."""
    made = []
    for name, dtype in frame.schema.items():
        if dtype == pl.List(pl.String):
            made.append(pl.col(name).list.join("+"))
        elif dtype == _REASON:
            texts = [json.dumps(value, ensure_ascii=False) for value in frame[name].to_list()]
            made.append(pl.lit(pl.Series(name, texts, dtype=pl.String)).alias(name))
        elif dtype == pl.String:
            made.append(guard_text(pl.col(name)).alias(name))
        else:
            made.append(pl.col(name))
    return frame.select(made)


def _append_csv(out: BinaryIO, frame: pl.DataFrame, with_header: bool) -> None:
    out.write(_as_text(frame).write_csv(include_header=with_header).encode())


def _write_table(folder: Path, table: ExportTable, batches: Iterator[pl.DataFrame]) -> list[WrittenFile]:
    """Write one table as CSV and, where it has one, as Parquet; the first batch is always there, if only for its columns."""
    paths = [f"data/{table.name}.csv"] + ([f"data/{table.name}.parquet"] if table.in_parquet else [])
    rows = 0
    writer: pq.ParquetWriter | None = None
    try:
        with (folder / paths[0]).open("wb") as out:
            for number, frame in enumerate(batches):
                _append_csv(out, frame, with_header=number == 0)
                if table.in_parquet:
                    arrow = frame.to_arrow()
                    writer = writer or pq.ParquetWriter(folder / paths[1], arrow.schema, compression="zstd")
                    writer.write_table(arrow)
                rows += frame.height
    finally:
        if writer is not None:
            writer.close()
    return [_hashed(folder, path, table.name, rows) for path in paths]


def _hashed(folder: Path, path: str, table: str | None = None, rows: int | None = None) -> WrittenFile:
    with (folder / path).open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    return WrittenFile(path, (folder / path).stat().st_size, digest, table, rows)


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
    (folder / "data").mkdir(exist_ok=True)
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
    (scratch / "data").mkdir()
    prepare = _preparations(con)
    files: list[WrittenFile] = []
    for done, table in enumerate(TABLES):
        if progress is not None:
            progress(done, len(TABLES), table.name)
        files += _write_table(scratch, table, _batches(con, table, prepare.get(table.name), with_personal))
    sources = store.query_table(con, "source").to_dicts()
    runs = _files(store.query_table(con, "file_seen")).group_by("source").agg(pl.col("runs").sum())
    inputs = PackageInputs(
        sources, dict(runs.iter_rows()), tuple(files), TABLES, store.fingerprint(con), version("poundworth"), with_personal
    )
    files += _describe(scratch, inputs)
    files.append(_write_sums(scratch, files))
    _move_into_place(scratch, folder, files)
    if progress is not None:
        progress(len(TABLES), len(TABLES), "")
    return ExportSummary(folder, tuple(files), inputs, _notes(inputs))
