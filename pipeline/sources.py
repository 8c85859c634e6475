"""Read `source.toml` and `withdrawn.toml`, list the sources, check hashes.

One folder under `data_raw/` is one source. Everything a file's own headers do not say stands
in its `source.toml`; unknown keys are refused so that a misspelt key cannot be lost.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from stat import S_ISLNK, S_ISREG
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.errors import FileProblem, SourceProblem
from pipeline.fields import FIELDS, MEDIA, fields_of

SOURCE_FILE = "source.toml"
REPAIRS_FILE = "repairs.toml"
WITHDRAWN_FILE = "withdrawn.toml"
#: Source.toml and repairs.toml are written by hand; more than this is a mistake or an attack.
MAX_TOML_BYTES = 1_000_000
RECORD_KINDS = ("runs", "levels", "sweep", "changes", "pairs")
SOURCE_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_SHA256 = re.compile(r"[0-9a-f]{64}")


class FileEntry(BaseModel):
    """One `[[file]]` of a source.toml."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str
    kind: Literal["runs", "levels", "sweep", "changes", "pairs"] | None = None
    sha256: str | None = None
    headers: dict[str, str] = Field(default_factory=dict)
    constants: dict[str, str | int | float | bool | date] = Field(default_factory=dict)
    build_from: tuple[str, ...] = ()
    sheet: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    decimal_mark: Literal[".", ","] | None = None
    header_line: int | None = Field(default=None, ge=1)

    @field_validator("name")
    @classmethod
    def _plain_name(cls, name: str) -> str:
        if not name or Path(name).name != name or "\\" in name or name in {".", ".."} or "\x00" in name:
            raise ValueError(f"{name!r} is not a plain file name; put the file into the source's own folder and name it alone")
        if name in {SOURCE_FILE, REPAIRS_FILE}:
            raise ValueError(f"{name!r} describes the source and cannot be a data file")
        return name

    @field_validator("sha256")
    @classmethod
    def _hash_form(cls, text: str | None) -> str | None:
        if text and not _SHA256.fullmatch(text.lower()):
            raise ValueError(f"{text!r} is not a sha256 (64 hexadecimal digits); remove the line or put the right hash")
        return text.lower() if text else None

    @field_validator("constants")
    @classmethod
    def _known_constants(cls, constants: dict[str, Any]) -> dict[str, Any]:
        for name in constants:
            if "\x00" in name or not name.strip():
                raise ValueError("a constant has an empty name")
        return constants


class SourceEntry(BaseModel):
    """A whole source.toml."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    title: str = ""
    publisher: str = ""
    author: str = ""
    url: str = ""
    published_on: date | str | None = None
    received_on: date | str | None = None
    licence: str = ""
    medium: str = ""
    contributor: str = ""
    citation: str = ""
    invented: bool = False
    same_as: dict[str, str | list[str]] = Field(default_factory=dict)
    not_same: dict[str, str | list[str]] = Field(default_factory=dict)
    file: tuple[FileEntry, ...] = ()

    @field_validator("url")
    @classmethod
    def _web_address(cls, url: str) -> str:
        if url and not re.match(r"https?://[^\s<>\"']+$", url):
            raise ValueError(f"{url[:60]!r} is no address this project prints; give http:// or https://, or leave url empty")
        return url

    @field_validator("medium")
    @classmethod
    def _known_medium(cls, medium: str) -> str:
        folded = medium.strip().lower().replace(" ", "_")
        if folded and folded not in MEDIA:
            raise ValueError(f"{medium!r} is not a medium; use one of {', '.join(MEDIA)}")
        return folded

    @field_validator("published_on", "received_on")
    @classmethod
    def _day(cls, value: date | str | None) -> date | None:
        if value is None or isinstance(value, date):
            return value
        text = value.strip()
        if not text:
            return None
        for form in (text, f"{text}-01", f"{text}-01-01"):
            try:
                return date.fromisoformat(form)
            except ValueError:
                continue
        raise ValueError(f"{value!r} is not a day; write 2024-05-01 (or 2024-05, or 2024)")


@dataclass(frozen=True, slots=True)
class Source:
    """One source folder with its description."""

    source: str
    folder: Path
    entry: SourceEntry

    def row(self) -> dict[str, Any]:
        """The source as a row of the clean table."""
        named = {f.name: getattr(self.entry, f.name, None) for f in fields_of("source")}
        texts = {name: (value or None) if isinstance(value, str) else value for name, value in named.items()}
        return texts | {"source": self.source}


def list_source_folders(raw: Path) -> list[Path]:
    """Folders under `raw` that hold a source, in order of name.

    Raises
    ------
    SourceProblem : `raw` does not exist.
    """
    if not raw.is_dir():
        raise SourceProblem(f"{raw} is not a folder; give the folder that holds one sub-folder for each source (--raw DIR)")
    with os.scandir(raw) as entries:
        # a link is looked at with care: one that leads to itself is no folder
        names = sorted(e.name for e in entries if e.is_dir(follow_symlinks=False) or (e.is_symlink() and (raw / e.name).is_dir()))
    return [raw / name for name in names if not name.startswith(".")]


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file as a dictionary; SourceProblem where it is too large, no text, or no TOML."""
    where = f"{path.parent.name}/{path.name}"
    try:
        stat = path.lstat()
        if S_ISLNK(stat.st_mode):
            raise SourceProblem(f"{where} is a link; put the file itself into the source's folder")
        if not S_ISREG(stat.st_mode):  # a named pipe would never end
            raise SourceProblem(f"{where} is no regular file; put a text file there")
        if stat.st_size > MAX_TOML_BYTES:
            raise SourceProblem(f"{where} has more than {MAX_TOML_BYTES:,} bytes; it should hold a few lines of description")
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as error:  # a whole number of thousands of digits is a plain ValueError
        raise SourceProblem(f"{where} is not valid TOML: {error}; mend that line") from error
    except OSError as error:
        raise SourceProblem(f"{where} cannot be read ({error.strerror}); check that it is there and readable") from error


def in_own_words(error: ValidationError, where: str) -> str:
    """The first complaint of pydantic in this project's words."""
    first = error.errors()[0]
    spot = ".".join(str(p + 1) if isinstance(p, int) else p for p in first["loc"]) or "the file"
    if first["type"] == "extra_forbidden":
        key = str(first["loc"][-1])
        known = list(FileEntry.model_fields) if "file" in first["loc"][:-1] else list(SourceEntry.model_fields)
        near = difflib.get_close_matches(key, known, n=2)
        hint = f"did you mean {' or '.join(near)}?" if near else f"known keys are {', '.join(known)}"
        return f"{where}: the key {spot!r} is not known; {hint}"
    message = str(first["msg"]).removeprefix("Value error, ")
    return f"{where}: {spot}: {message}"


def read_source(folder: Path) -> Source:
    """Read and check one source's description.

    Raises
    ------
    SourceProblem : no source.toml, not valid, title, publisher or licence missing, an unknown key, a bad folder name.
    """
    where = f"{folder.name}/{SOURCE_FILE}"
    if not SOURCE_ID.fullmatch(folder.name):
        raise SourceProblem(f"the folder name {folder.name!r} cannot name a source; use letters, digits, dot, dash or underscore")
    if folder.is_symlink():
        raise SourceProblem(f"the source folder {folder.name} is a link; put the folder itself under the raw folder")
    path = folder / SOURCE_FILE
    try:
        entry = SourceEntry.model_validate(read_toml(path))
    except SourceProblem:
        if path.exists() or path.is_symlink():
            raise
        raise SourceProblem(
            f"{where} is missing; `poundworth add FILE` writes one, or write title, publisher, licence and [[file]] by hand"
        ) from None
    except ValidationError as error:
        raise SourceProblem(in_own_words(error, where)) from error
    examples = {"title": "Twelve engines, three boost levels", "publisher": "Example Motor Review", "licence": "CC-BY-4.0"}
    for key, example in examples.items():
        if not getattr(entry, key).strip():
            raise SourceProblem(
                f'{where} has no {key}; nothing of this source is used until it has one: add the line {key} = "{example}"'
            )
    if not entry.file:
        raise SourceProblem(f'{where} names no file; add [[file]] with name = "..." and kind = one of {", ".join(RECORD_KINDS)}')
    stood = Counter((f.name, f.sheet) for f in entry.file)
    if twice := sorted(name for (name, _), times in stood.items() if times > 1):
        raise SourceProblem(f"{where} names {twice[0]} twice with the same sheet; keep one [[file]] for each file and sheet")
    return Source(folder.name, folder, entry)


def entry_key(entry: FileEntry) -> str:
    """Name under which a file's rows stand in the store: its name, with the sheet where one is named."""
    return f"{entry.name}[{entry.sheet}]" if entry.sheet else entry.name


def hash_file(path: Path) -> str:
    """sha256 of a file's bytes, read in blocks.

    Raises
    ------
    FileProblem : missing, a link, not a plain file, or unreadable.
    """
    if path.is_symlink():
        raise FileProblem(f"{path.name} is a link; put the file itself into the source's folder")
    if not path.is_file():
        raise FileProblem(f"{path.name} is named in source.toml but is not in the folder; put it there or take its [[file]] out")
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as error:
        raise FileProblem(f"{path.name} cannot be read ({error.strerror}); check its permissions") from error


def read_withdrawn(raw: Path) -> dict[str, str]:
    """Withdrawn sources and why: `data_raw/withdrawn.toml`, empty where there is none."""
    path = raw / WITHDRAWN_FILE
    if not path.exists():
        return {}
    rows = read_toml(path).get("withdrawn", [])
    if not isinstance(rows, list) or not all(isinstance(r, dict) and isinstance(r.get("source"), str) for r in rows):
        raise SourceProblem(f'{WITHDRAWN_FILE} must hold [[withdrawn]] entries with source = "..." and why = "..."')
    return {r["source"]: str(r.get("why", "")) for r in rows}


def check_constant_names(entry: FileEntry, known: set[str]) -> None:
    """Raise SourceProblem where a constant's name was not recognised (`known`: recognised ones)."""
    for name in entry.constants:
        if name not in known:
            near = difflib.get_close_matches(name, list(FIELDS), n=3)
            hint = f"did you mean {', '.join(near)}?" if near else "`poundworth dictionary` lists the fields"
            raise SourceProblem(f"the constant {name!r} of {entry.name} is no known field with a unit of its quantity; {hint}")
