"""A contributed file with what its contributor said about it, and the source that it belongs to already, if any."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl
from pydantic import ValidationError

from pipeline.errors import PoundworthError, RequestProblem
from pipeline.recognition import Sheet, read_sheets
from pipeline.refuse import unique_names
from pipeline.row_changes import RowChanges, compare_tables
from pipeline.sources import SOURCE_FILE, FileEntry, Source, hash_file, in_own_words, list_source_folders, read_source
from pipeline.words import fold_words

#: Share of rows that a file must have in common with the one of its name to count as its new version.
SAME_FILE_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the contributor has said, by options or answers; empty where nothing was said.

    Attributes
    ----------
    source : folder name under the raw folder.
    described : keys of source.toml (title, publisher, licence, medium, url, author, contributor, published_on ...).
    headers : header -> field with its unit; an empty field sets the column aside.
    constants : field -> value for all rows.
    build_from : headers whose cells together name the build.
    reading : keys of `[[file]]` that say how the file is read (kind, delimiter, encoding, decimal_mark, header_line).
    sheets : sheets to take; empty takes those that hold results.
    """

    source: str = ""
    described: dict[str, Any] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)
    constants: dict[str, Any] = field(default_factory=dict)
    build_from: tuple[str, ...] = ()
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
        return self.held is not None and same_file(self.path, self.held.folder / self.path.name)


def same_file(one: Path, other: Path) -> bool:
    """Whether two paths are one file."""
    return one.exists() and other.exists() and one.resolve() == other.resolve()


def read_contribution(path: Path, wishes: Wishes, raw: Path) -> Contribution:
    """Read a contributed file and find the source that it belongs to.

    Raises
    ------
    FileProblem : missing, unreadable, a link, or without a table.
    RequestProblem : a sheet that it does not have; its content is in another source already; or it cannot be told whether
        it is a new version of a file of its name.
    """
    sha = hash_file_of(path)
    entry = _base_entry(path, wishes)
    held = _find_held(path, sha, wishes, raw)
    sheets = read_sheets(path, entry.model_copy(update={"headers": wishes.headers}))
    held = held or _older_version(path, sheets, wishes, raw)
    if held is not None:
        told = [e for e in held.entry.file if e.name == path.name]
        how = {k: v for e in told for k, v in _how_read(e).items() if k not in wishes.reading}
        headers = {h: f for e in told for h, f in e.headers.items()} | wishes.headers
        sheets = read_sheets(path, entry.model_copy(update={"headers": headers, **how}))
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
    return None


def _older_version(path: Path, sheets: tuple[Sheet, ...], wishes: Wishes, raw: Path) -> Source | None:
    """The one source that holds a file of this name with mostly the same rows."""
    if wishes.source or any(wishes.described.get(k) for k in ("title", "publisher")) or not raw.is_dir():
        return None
    known = [s for f in list_source_folders(raw) if (s := _readable(f)) is not None]
    same_name = [s for s in known if any(e.name == path.name for e in s.entry.file)]
    versions = [s for s in same_name if _shared_rows(s, path.name, sheets) >= SAME_FILE_SHARE]
    if len(versions) == 1:
        return versions[0]
    if same_name:
        name = same_name[0].source
        raise RequestProblem(
            f"{name} holds another file named {path.name}; give --source {name} if this one replaces it, or --title and "
            "--publisher if it is another contribution"
        )
    return None


def _shared_rows(source: Source, name: str, sheets: tuple[Sheet, ...]) -> float:
    changes = _compare(source, name, sheets)
    if changes is None:
        return 0.0
    if changes.columns_removed and len(changes.columns_removed) >= changes.columns_shared:
        return 0.0
    kept = changes.same + len(changes.changed)
    return kept / max(1, kept + max(len(changes.added), len(changes.removed)))


def what_changed(given: Contribution) -> RowChanges | None:
    """Rows that differ between the file that the source holds and the contributed one.

    None where there is no older file: a new contribution, or a file that was edited where it lies.
    """
    if given.held is None or given.is_in_place:
        return None
    return _compare(given.held, given.path.name, given.sheets)


def _compare(source: Source, name: str, sheets: tuple[Sheet, ...]) -> RowChanges | None:
    entries = [e for e in source.entry.file if e.name == name]
    if not entries or not (source.folder / name).exists():
        return None
    try:
        old = read_sheets(source.folder / name, entries[0].model_copy(update={"sheet": None}))
    except PoundworthError:  # what stands there cannot be read, so nothing can be compared with it
        return None
    return compare_tables(_as_frame(old), _as_frame(sheets))


def _as_frame(sheets: tuple[Sheet, ...]) -> pl.DataFrame:
    """All tables below each other under their headers, as text."""
    frames = []
    for table in (t for s in sheets for t in s.tables):
        names = unique_names(table.headers)
        columns = {f"c{i}": n if n != "line" else "line (column)" for i, n in enumerate(names)}
        frames.append(table.cells.rename(columns))
    return pl.concat(frames, how="diagonal")


def _readable(folder: Path) -> Source | None:
    try:
        return read_source(folder)
    except PoundworthError:  # a broken neighbour is told by `build`; it is no reason to refuse a new file
        return None
