"""A file's clean rows as Parquet in a folder of their own: how a worker hands them to the process that owns the store.

A folder is written under a name of this process and moved into place whole by one rename, so that a name without the ending
of unfinished work always holds everything. The name is the hash of what went in: a build that was stopped finds the work of
its workers again, and two workers given the same file end with one folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import uuid
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline import checks
from pipeline.errors import StoreProblem
from pipeline.file_result import FileResult, LedgerRow

UNFINISHED = ".part"
ABOUT_FILE = "about.json"
_FRAMES = ("runs", "builds", "points", "changes", "refused", "flags")
#: What stands for a table that has no column at all.
_EMPTY = {"flags": checks.EMPTY_REASONS}
#: Types of columns that are left out where they hold nothing: most of a file's columns, and each would cost as much as a full one.
_LEFT_OUT = {str(dtype): dtype for dtype in (pl.String(), pl.Float64(), pl.Int64(), pl.Boolean(), pl.Date())}

#: Columns of a table in their order, with the type of one that was left out.
Columns = list[tuple[str, str | None]]


def work_folder(store_path: Path) -> Path:
    """The folder beside a store where workers leave what they made."""
    return store_path.with_name(store_path.name + ".work")


def work_name(source: str, file: str, sha256: str, recipe: str, today: str) -> str:
    """Name of a file's work: hash of the file's bytes, of everything else its rows depend on, and of where they belong."""
    return hashlib.sha256("\0".join((source, file, sha256, recipe, today)).encode()).hexdigest()[:32]


def write_work(result: FileResult, folder: Path, name: str) -> Path:
    """Write one file's clean rows under ``folder / name``; whole, or not at all.

    Raises
    ------
    StoreProblem : the folder cannot be written.
    """
    place = folder / name
    scratch = folder / f"{name}.{uuid.uuid4().hex}{UNFINISHED}"
    try:
        scratch.mkdir(parents=True)
        columns: dict[str, Columns] = {}
        hashes: dict[str, str] = {}
        for table in _FRAMES:
            frame: pl.DataFrame = getattr(result, table)
            if frame.width:
                columns[table] = [(c.name, str(c.dtype) if _holds_nothing(c) else None) for c in frame]
                held = frame.select(n for n, left_out in columns[table] if not left_out)
                hashes[table] = _write_durably(scratch / f"{table}.parquet", held)
        about = {"ledger": result.ledger.as_dict(), "repairs": list(result.repairs), "columns": columns, "sha256": hashes}
        (scratch / ABOUT_FILE).write_text(json.dumps(about, ensure_ascii=False), encoding="utf-8")
        try:
            scratch.rename(place)
        except OSError:
            # Another worker was given the same file and was faster; its rows are these.
            if not is_whole(place):
                raise
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as error:
        shutil.rmtree(scratch, ignore_errors=True)
        raise StoreProblem(
            f"a worker cannot write to {folder.name} beside the store ({error.strerror}); make room there or give another --store file, "
            "then run the build again: what is stored so far is whole"
        ) from error
    return place


def _holds_nothing(column: pl.Series) -> bool:
    return 0 < column.null_count() == len(column) and str(column.dtype) in _LEFT_OUT


def _write_durably(path: Path, frame: pl.DataFrame) -> str:
    """Write and wait for the disk: after a rename the name must not outlive the bytes in a power cut. Returns the bytes' hash."""
    content = pa.BufferOutputStream()
    pq.write_table(frame.to_arrow(), content, compression="lz4")
    data = content.getvalue()
    with path.open("wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    return hashlib.sha256(data).hexdigest()


def is_whole(place: Path) -> bool:
    """Whether finished work stands there."""
    return (place / ABOUT_FILE).is_file()


def read_work(place: Path) -> FileResult:
    """What a worker left, as the frames it had.

    Raises
    ------
    StoreProblem : it is missing or damaged.
    """
    try:
        about = json.loads((place / ABOUT_FILE).read_text(encoding="utf-8"))
        frames = {
            name: _read_frame(place / f"{name}.parquet", about["columns"][name], about["sha256"][name])
            if name in about["columns"]
            else _EMPTY.get(name, pl.DataFrame())
            for name in _FRAMES
        }
        return FileResult(LedgerRow(**about["ledger"]), **frames, repairs=tuple(about["repairs"]))
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as error:
        raise StoreProblem(
            f"{place.parent.name}/{place.name} is missing or damaged ({str(error).splitlines()[0][:120]}); "
            f"delete the folder {place.parent.name} beside the store and run the build again"
        ) from error


def _read_frame(path: Path, columns: Columns, sha256: str) -> pl.DataFrame:
    data = path.read_bytes()
    # A flipped bit in a file's own description of its columns would go unseen by the checksums of its pages.
    if hashlib.sha256(data).hexdigest() != sha256:
        raise ValueError(f"the bytes of {path.name} are others than were written")
    held = pl.DataFrame(pl.from_arrow(pq.read_table(pa.BufferReader(data))))
    return held.select(pl.lit(None, _LEFT_OUT[left_out]).alias(n) if left_out else pl.col(n) for n, left_out in columns)


def drop_work(place: Path) -> None:
    """Take away work that is in the store."""
    shutil.rmtree(place, ignore_errors=True)


def drop_folder(folder: Path) -> None:
    """Take away the folder of a build that is done, with what stopped workers left unfinished."""
    shutil.rmtree(folder, ignore_errors=True)
