"""One contributed file -> grids of text, with the line of each row; nothing is cleaned.

This module alone opens data files. What a file is follows from its content; its extension has to agree.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from pipeline.errors import FileProblem
from pipeline.read_delimited import read_delimited
from pipeline.read_parquet import read_parquet
from pipeline.read_records import read_records
from pipeline.read_workbook import read_workbook
from pipeline.text_grid import MAX_FILE_BYTES, Grid, ReadOptions

__all__ = ["Grid", "ReadOptions", "read_grids"]

#: Extension -> form. The forms are those of `Grid.form`.
EXTENSIONS = {
    ".csv": "delimited", ".tsv": "delimited", ".tab": "delimited", ".psv": "delimited", ".txt": "delimited",
    ".xlsx": "workbook", ".xlsm": "workbook", ".xls": "workbook", ".ods": "workbook",
    ".json": "records", ".jsonl": "records", ".ndjson": "records",
    ".parquet": "parquet",
}  # fmt: skip

#: First bytes -> form (or None where the project does not read it) and what the content is, in words.
_SIGNATURES: tuple[tuple[bytes, str | None, str], ...] = (
    (b"PK\x03\x04", "workbook", "a workbook or another zip archive"),
    (b"PK\x05\x06", "workbook", "an empty zip archive"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "workbook", "an older or a password-protected workbook"),
    (b"PAR1", "parquet", "a Parquet file"),
    (b"\x1f\x8b", None, "a gzip archive"),
    (b"7z\xbc\xaf\x27\x1c", None, "a 7z archive"),
    (b"%PDF", None, "a PDF document"),
    (b"\x89PNG", None, "a picture"),
    (b"\xff\xd8\xff", None, "a picture"),
    (b"SQLite format 3", None, "a database"),
)

_READERS = {
    "delimited": read_delimited,
    "workbook": read_workbook,
    "records": read_records,
    "parquet": read_parquet,
}


def read_grids(path: Path, options: ReadOptions) -> list[Grid]:
    """Read one file as text: one grid, or one per sheet of a workbook.

    Parameters
    ----------
    path : a regular file; symbolic links are refused.
    options : what the source states about the file.

    Returns
    -------
    list of Grid
        Never empty; sheets without any cell are left out.

    Raises
    ------
    FileProblem
        One sentence: what was given, what is allowed, where, what to do. It names the file without its folder.
    """
    form = _form_of(path)
    data = _read_bytes(path)
    _check_signature(data, form, path.name)
    grids = [grid for grid in _READERS[form](data, path.name, options) if grid.cells.height]
    if not grids:
        raise FileProblem(f"{path.name} holds no cell, a table with a header row is expected; send the file again or remove it.")
    return grids


def _form_of(path: Path) -> str:
    form = EXTENSIONS.get(path.suffix.lower())
    if form is None:
        raise FileProblem(
            f"{path.name} has the extension {path.suffix or '(none)'!r}, {', '.join(EXTENSIONS)} are read; "
            "save it in one of these forms."
        )
    return form


def _read_bytes(path: Path) -> bytes:
    """Read a regular file once; what is checked is what is read."""
    if path.is_symlink():
        raise FileProblem(f"{path.name} is a symbolic link, a regular file is expected; put the file itself into the folder.")
    # O_NOFOLLOW closes the gap between the check and the opening; O_NONBLOCK keeps a named pipe from hanging.
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        with os.fdopen(os.open(path, flags), "rb") as handle:
            found = os.fstat(handle.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise FileProblem(
                    f"{path.name} is not a regular file, a file with a table is expected; remove it from the folder."
                )
            if found.st_size > MAX_FILE_BYTES:
                raise FileProblem(
                    f"{path.name} has {found.st_size:,} bytes, at most {MAX_FILE_BYTES:,} are read; split it into several files."
                )
            data = handle.read(found.st_size + 1)  # as much as there was: asking for more would set that much aside
    except FileNotFoundError:
        raise FileProblem(f"{path.name} is not there, a file of this name is expected in its source's folder; add it.") from None
    except OSError as error:
        raise FileProblem(
            f"{path.name} cannot be opened ({error.strerror}), a readable regular file is expected; "
            "check the file and its permissions."
        ) from None
    if not data:
        raise FileProblem(f"{path.name} is empty, a table with a header row is expected; send the file again or remove it.")
    return data


def _check_signature(data: bytes, form: str, name: str) -> None:
    """Raise `FileProblem` where the first bytes belong to another form than the extension."""
    found: str | None = None
    words = "text"
    for signature, its_form, its_words in _SIGNATURES:
        if data.startswith(signature):
            found, words = its_form, its_words
            break
    else:
        start = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
        if start.startswith((b"<!doctype html", b"<html", b"<table", b"<?xml")):
            words = "a web page or other markup"
        elif form in ("delimited", "records"):
            return
    if found != form:
        extensions = ", ".join(extension for extension, its_form in EXTENSIONS.items() if its_form == found)
        advice = f"rename it ({extensions})" if found else "save the table as CSV or XLSX"
        if words == "text":
            advice = "rename it to .csv, or save it anew from the spreadsheet program"
        raise FileProblem(
            f"{name} is {words} by its content, its extension {name[name.rfind('.') :]!r} promises {_promise(form)}; {advice}."
        )


def _promise(form: str) -> str:
    return {"delimited": "delimited text", "workbook": "a workbook", "records": "JSON", "parquet": "Parquet"}[form]
