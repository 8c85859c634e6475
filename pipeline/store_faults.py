"""What went wrong with a store, in one sentence that says what to do. No connection is opened here."""

from __future__ import annotations

import fcntl
from pathlib import Path

import duckdb

from pipeline.errors import StoreProblem

#: A store shorter than its three headers holds no table: what a build leaves that was stopped in its first moment.
HEADER_BYTES = 3 * 4096
_MAGIC = slice(8, 12)
_NO_ROOM = ("no space left", "file too large", "quota exceeded")
_NO_RIGHT = ("permission denied", "read-only", "operation not permitted")
_DAMAGE = (duckdb.IOException, duckdb.InternalException, duckdb.FatalException, duckdb.SerializationException)


def clear_stub(path: Path) -> None:
    """Take away an empty file, or a store that was stopped before its headers were whole, so that it is made anew.

    Nothing is touched where another command holds the file: that one may be writing the headers just now.
    """
    try:
        with path.open("r+b") as handle:
            fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)  # the lock that DuckDB takes too
            start = handle.read(HEADER_BYTES)
            stub = not start or (len(start) < HEADER_BYTES and start[_MAGIC] == b"DUCK")
            if stub and not path.with_name(path.name + ".wal").exists():
                path.unlink()
    except OSError:
        return


def told(error: duckdb.Error, path: Path) -> StoreProblem | None:
    """The sentence for a fault of the disk, of its rights, of memory, of another command, or of the file; None for any other error.

    Parameters
    ----------
    error : as DuckDB raised it, while the store was opened, read or written.
    path : of the store.
    """
    text = str(error)
    folded = text.lower()
    said = text.splitlines()[0][:160] if text else type(error).__name__
    if "set lock" in folded or "conflicting lock" in folded:
        holder = text.split("PID ")[1].split(")")[0] if "PID " in text else "unknown"
        return StoreProblem(
            f"another command (process {holder}) is writing {path.name}; wait for it to end, then run this one again"
        )
    if any(words in folded for words in _NO_ROOM):
        return StoreProblem(
            f"there is no room to write {path.name} ({said}); make room, then run the same command again: every file stored so far is whole"
        )
    if any(words in folded for words in _NO_RIGHT):
        return StoreProblem(f"{path.name} cannot be opened for writing; check the permissions of the file and its folder")
    if isinstance(error, duckdb.OutOfMemoryException):
        return StoreProblem(f"there is not enough memory to use {path.name} ({said}); close other programs, then run this again")
    if isinstance(error, _DAMAGE) or type(error) is duckdb.Error:  # a wrong checksum comes as the bare base class
        return StoreProblem(
            f"{path.name} is damaged or no store ({said}); delete it and run `poundworth build`: "
            "everything in it comes from the raw folder"
        )
    return None
