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
        for table in _FRAMES:
            frame: pl.DataFrame = getattr(result, table)
            if frame.width:
                _write_durably(scratch / f"{table}.parquet", frame)
        about = {"ledger": result.ledger.as_dict(), "repairs": list(result.repairs)}
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


def _write_durably(path: Path, frame: pl.DataFrame) -> None:
    """Write and wait for the disk: after a rename the name must not outlive the bytes in a power cut."""
    with path.open("wb") as out:
        pq.write_table(frame.to_arrow(), out, compression="zstd", write_page_checksum=True)
        out.flush()
        os.fsync(out.fileno())


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
        frames = {name: _read_frame(place, name) for name in _FRAMES}
        return FileResult(LedgerRow(**about["ledger"]), **frames, repairs=tuple(about["repairs"]))
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as error:
        raise StoreProblem(
            f"{place.parent.name}/{place.name} is missing or damaged ({str(error).splitlines()[0][:120]}); "
            f"delete the folder {place.parent.name} beside the store and run the build again"
        ) from error


def _read_frame(place: Path, name: str) -> pl.DataFrame:
    path = place / f"{name}.parquet"
    if not path.is_file():
        return _EMPTY.get(name, pl.DataFrame())
    # pyarrow and not polars, whose reader aborts the process on damaged files; each page is compared with its checksum.
    table = pq.ParquetFile(path, page_checksum_verification=True).read()
    table.validate(full=True)
    return pl.DataFrame(pl.from_arrow(table))


def drop_work(place: Path) -> None:
    """Take away work that is in the store."""
    shutil.rmtree(place, ignore_errors=True)


def drop_folder(folder: Path) -> None:
    """Take away the folder of a build that is done, with what stopped workers left unfinished."""
    shutil.rmtree(folder, ignore_errors=True)
