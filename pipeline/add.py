"""Start a source from a contributed file, or bring an edited file in: what would be written, and the one place that writes it.

Everything up to `write_contribution` is a function from values to values, so that `--dry-run` and the real thing cannot
differ.
"""

from __future__ import annotations

import difflib
import os
import re
import tempfile
import unicodedata
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import PoundworthError, RequestProblem
from pipeline.recognition import Sheet, SheetReading, entry_for, read_sheets, recognise_sheet
from pipeline.repairs import Repair, read_repairs
from pipeline.sources import (
    SOURCE_FILE,
    FileEntry,
    Source,
    SourceEntry,
    hash_file,
    in_own_words,
    list_source_folders,
    read_source,
    read_toml,
)  # fmt: skip
from pipeline.toml_text import edit_source_text, source_text
from pipeline.words import fold_words

MOST_ID = 48
_NOT_ID = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the contributor has said, by options or answers; empty where nothing was said.

    Attributes
    ----------
    source : folder name under the raw folder.
    described : keys of source.toml (title, publisher, licence, medium, url, author, contributor, published_on ...).
    headers : header -> field with its unit; an empty field sets the column aside.
    constants : field -> value for all rows.
    reading : keys of `[[file]]` that say how the file is read (kind, delimiter, encoding, decimal_mark, header_line).
    sheets : sheets to take; empty takes those that hold results.
    """

    source: str = ""
    described: dict[str, Any] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)
    constants: dict[str, Any] = field(default_factory=dict)
    reading: dict[str, Any] = field(default_factory=dict)
    sheets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Contribution:
    """A contributed file, read once.

    `held` is the source that it belongs to already, if any; `sheets` its tables as text.
    """

    path: Path
    raw: Path
    sha256: str
    sheets: tuple[Sheet, ...]
    held: Source | None

    @property
    def held_entries(self) -> tuple[FileEntry, ...]:
        """What source.toml says about this file so far, one entry a sheet."""
        return () if self.held is None else tuple(e for e in self.held.entry.file if e.name == self.path.name)

    @property
    def is_in_place(self) -> bool:
        """Whether the file lies in its source's folder already."""
        return self.held is not None and _same_file(self.path, self.held.folder / self.path.name)


@dataclass(frozen=True, slots=True)
class Draft:
    """What would be written.

    Attributes
    ----------
    source : folder name.
    described : the whole source.toml as plain values.
    readings : every sheet that is taken, as it would be read.
    left_out : sentences about sheets that are not taken.
    """

    source: str
    described: dict[str, Any]
    readings: tuple[SheetReading, ...]
    left_out: tuple[str, ...]

    def checked(self, folder: Path) -> Source:
        """The description as a source whose files lie in `folder`.

        Raises
        ------
        RequestProblem : a value that source.toml cannot have (an unknown medium, an address that is none).
        """
        try:
            return Source(self.source, folder, SourceEntry.model_validate(self.described))
        except ValidationError as error:
            raise RequestProblem(in_own_words(error, "the description of the source")) from error


def _same_file(one: Path, other: Path) -> bool:
    return one.exists() and other.exists() and one.resolve() == other.resolve()


def read_contribution(path: Path, wishes: Wishes, raw: Path) -> Contribution:
    """Read a contributed file and find the source that it belongs to.

    Raises
    ------
    FileProblem : missing, unreadable, a link, or without a table.
    RequestProblem : a sheet or header that it does not have; the file's content is in another source already.
    """
    sha = hash_file_of(path)
    entry = _base_entry(path, wishes)
    held = _find_held(path, sha, wishes, raw)
    overrides = dict(wishes.headers)
    if held is not None:
        for known in (e for e in held.entry.file if e.name == path.name):
            overrides = known.headers | overrides
            entry = entry.model_copy(update={k: v for k, v in _how_read(known).items() if k not in wishes.reading})
    sheets = read_sheets(path, entry.model_copy(update={"headers": overrides}))
    names = [s.name or "" for s in sheets]
    for wanted in wishes.sheets:
        if wanted not in names:
            raise RequestProblem(
                f"{path.name} has no sheet {wanted!r} with a table; it has {', '.join(repr(n) for n in names) or 'none'}; "
                "give --sheet one of these, or leave it out"
            )
    return Contribution(path, raw, sha, sheets, held)


def hash_file_of(path: Path) -> str:
    """sha256 of a contributed file; a missing one is named as given."""
    if not path.exists() and not path.is_symlink():
        raise RequestProblem(f"there is no file {path}; give the path of the table to add")
    return hash_file(path)


def _how_read(entry: FileEntry) -> dict[str, Any]:
    return entry.model_dump(include={"delimiter", "encoding", "decimal_mark", "header_line"}, exclude_defaults=True)


def _base_entry(path: Path, wishes: Wishes) -> FileEntry:
    try:
        return FileEntry.model_validate({"name": path.name, **wishes.reading})
    except ValidationError as error:
        raise RequestProblem(in_own_words(error, path.name)) from error


def _find_held(path: Path, sha: str, wishes: Wishes, raw: Path) -> Source | None:
    """The source that a file belongs to: named, holding the file's folder, or describing itself with the same words."""
    folders = list_source_folders(raw) if raw.is_dir() else []
    inside = [f for f in folders if path.resolve().parent == f.resolve() and (f / SOURCE_FILE).exists()]
    if inside:
        return read_source(inside[0])
    if wishes.source and (raw / wishes.source / SOURCE_FILE).exists():
        return read_source(raw / wishes.source)
    known = [s for f in folders if (s := _readable(f)) is not None]
    said = {k: fold_words(str(wishes.described.get(k, ""))) for k in ("title", "publisher")}
    for source in known:
        entries = [e for e in source.entry.file if e.sha256 == sha]
        if entries and not wishes.source and not all(said.values()):
            return source
        if all(said.values()) and all(fold_words(getattr(source.entry, k)) == v for k, v in said.items()):
            return source
        if entries:
            raise RequestProblem(
                f"{path.name} is in {source.source} already, as {entries[0].name}; one file counts once: "
                f"give --source {source.source} to change what is said about it"
            )
    same_name = [s for s in known if any(e.name == path.name for e in s.entry.file)]
    if len(same_name) == 1 and not wishes.source and not any(said.values()):
        raise RequestProblem(
            f"{same_name[0].source} holds a file named {path.name}; give --source {same_name[0].source} if this is its new "
            "version, or --title and --publisher (or --source with a new name) if it is another contribution"
        )
    return None


def _readable(folder: Path) -> Source | None:
    try:
        return read_source(folder)
    except PoundworthError:  # a broken neighbour is told by `build`; it is no reason to refuse a new file
        return None


# -- the draft ----------------------------------------------------------------------------------------------------------


def draft_source(given: Contribution, wishes: Wishes, today: date) -> Draft:
    """What source.toml would say, and how every column would be read.

    Raises
    ------
    FileProblem, RequestProblem : a header override that fits no column, or names no field.
    """
    headers = _full_headers(given, wishes)
    readings, left_out = [], []
    several = len(given.sheets) > 1
    for sheet in given.sheets:
        if wishes.sheets and (sheet.name or "") not in wishes.sheets:
            continue
        entry = _entry_of(given, wishes, sheet, headers, several)
        reading = recognise_sheet(sheet, entry)
        is_known = any(e.sheet == sheet.name for e in given.held_entries)
        if several and not reading.has_figures and not wishes.sheets and not is_known:
            left_out.append(
                f"Sheet {sheet.name!r} has no column of power or torque and is left out; --sheet {sheet.name!r} takes it."
            )
            continue
        readings.append(reading)
    if not readings:
        readings = [recognise_sheet(given.sheets[0], _entry_of(given, wishes, given.sheets[0], headers, several))]
    described = _described(given, wishes, tuple(readings), today)
    return Draft(_source_id(given, wishes, described), described, tuple(readings), tuple(left_out))


def _full_headers(given: Contribution, wishes: Wishes) -> dict[str, str]:
    """The overrides under the headers' exact texts; a header may be given loosely ("hp rpm" for "hp_rpm")."""
    present = list(dict.fromkeys(h for s in given.sheets for t in s.tables for h in t.headers))
    exact: dict[str, str] = {}
    for told, target in wishes.headers.items():
        near = [h for h in present if h == told] or [h for h in present if fold_words(h) == fold_words(told)]
        if not near:
            likely = difflib.get_close_matches(told, present, n=3) or present[:15]
            raise RequestProblem(
                f"{given.path.name} has no header {told!r}; did you mean {', '.join(repr(h) for h in likely)}? Give --set HEADER=FIELD"
            )
        exact[near[0]] = target
    return exact


def _entry_of(given: Contribution, wishes: Wishes, sheet: Sheet, headers: dict[str, str], several: bool) -> FileEntry:
    known = [e for e in given.held_entries if e.sheet == sheet.name or (e.sheet is None and not several)]
    base = known[0] if known else FileEntry(name=given.path.name)
    merged = base.model_dump() | wishes.reading
    merged |= {"headers": base.headers | headers, "constants": base.constants | wishes.constants, "sha256": given.sha256}
    try:
        entry = FileEntry.model_validate(merged)
    except ValidationError as error:
        raise RequestProblem(in_own_words(error, given.path.name)) from error
    return entry_for(sheet, entry, several)


def _described(given: Contribution, wishes: Wishes, readings: tuple[SheetReading, ...], today: date) -> dict[str, Any]:
    files = [{**_plain_entry(r.entry), "kind": r.kind} for r in readings]
    if given.held is None:
        head: dict[str, Any] = {"title": "", "publisher": "", "licence": "", "received_on": today}
        return {**head, **{k: v for k, v in wishes.described.items() if v != ""}, "file": files}
    held = read_toml(given.held.folder / SOURCE_FILE)
    others = list(held.get("file", ()))
    for new in files:
        place = next((i for i, f in enumerate(others) if f["name"] == new["name"] and f.get("sheet") == new.get("sheet")), None)
        if place is None:
            others.append(new)
        else:
            others[place] = {**others[place], **new}
    return {**held, **{k: v for k, v in wishes.described.items() if v != ""}, "file": others}


def _plain_entry(entry: FileEntry) -> dict[str, Any]:
    return {k: v for k, v in entry.model_dump(exclude_defaults=True).items() if v not in ({}, None)}


def _source_id(given: Contribution, wishes: Wishes, described: dict[str, Any]) -> str:
    """The held source's name, the one asked for, or one made of publisher and title that is still free."""
    if given.held is not None:
        return given.held.source
    if wishes.source:
        return wishes.source
    words = _slug(f"{described['publisher']} {described['title']}") or f"source_{given.sha256[:8]}"
    name, number = words, 1
    while (given.raw / name).exists():
        number += 1
        name = f"{words}_{number}"
    return name


def _slug(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return _NOT_ID.sub("_", plain).strip("_")[:MOST_ID].strip("_")


def held_repairs(given: Contribution) -> tuple[Repair, ...]:
    """Declared repairs of the source that the file belongs to."""
    return read_repairs(given.held.folder) if given.held is not None else ()


def with_words(wishes: Wishes, **more: Any) -> Wishes:
    """Wishes with dictionaries extended, for answers."""
    return replace(wishes, **{k: {**getattr(wishes, k), **v} for k, v in more.items()})


# -- writing ------------------------------------------------------------------------------------------------------------


def draft_text(given: Contribution, draft: Draft) -> tuple[str, bool]:
    """The text of source.toml, and whether comments of the one that is there are kept."""
    if given.held is None:
        return source_text(draft.described), True
    return edit_source_text((given.held.folder / SOURCE_FILE).read_text(encoding="utf-8-sig"), draft.described)


def write_contribution(given: Contribution, draft: Draft) -> Path:
    """Copy the file into its source's folder and write source.toml; each is whole at every moment.

    Returns
    -------
    The source's folder.

    Raises
    ------
    RequestProblem : the folder's name cannot name a source, it is taken, the file changed meanwhile, or nothing can be written.
    """
    folder = given.raw / draft.source
    draft.checked(folder)
    target = folder / given.path.name
    if given.held is None and target.exists():
        raise RequestProblem(f"{draft.source} holds a file {given.path.name} that no source.toml names; move it, or give another --source")
    text, _ = draft_text(given, draft)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not given.is_in_place:
            data = given.path.read_bytes()
            _replace(target, data)
        if hash_file(target) != given.sha256:
            raise RequestProblem(f"{given.path.name} changed while it was read; run the command again when nothing writes it")
        _replace(folder / SOURCE_FILE, text.encode("utf-8"))
    except OSError as error:
        raise RequestProblem(
            f"{folder} cannot be written ({error.strerror}); check the permissions of the folder, or give another --raw"
        ) from error
    read_source(folder)
    return folder


def _replace(path: Path, data: bytes) -> None:
    """Write beside and rename, so that no reader ever sees half a file; a link in the way is replaced, not followed."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".adding-")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        temporary.chmod(0o644)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
