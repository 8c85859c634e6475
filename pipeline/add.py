"""Start a source from a contributed file, or bring an edited file in: what would be written, and the one place that writes it.

Everything up to `write_contribution` is a function from values to values, so that `--dry-run` and the real thing cannot
differ.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import tempfile
import unicodedata
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
from pydantic import ValidationError

from pipeline import store
from pipeline.contribution import Contribution, Wishes, same_file
from pipeline.errors import RequestProblem
from pipeline.fields import fields_of
from pipeline.recognition import Sheet, SheetReading, entry_for, recognise_sheet
from pipeline.repairs import Repair, read_repairs
from pipeline.row_changes import RowChanges, compare_tables
from pipeline.sources import (
    SOURCE_FILE,
    SOURCE_ID,
    FileEntry,
    Source,
    SourceEntry,
    in_own_words,
    read_source,
    read_toml,
)
from pipeline.toml_text import edit_source_text, source_text
from pipeline.trial import Trial
from pipeline.words import fold_words

MOST_ID = 48
_NOT_ID = re.compile(r"[^a-z0-9]+")


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


# -- the draft ----------------------------------------------------------------------------------------------------------


def draft_source(given: Contribution, wishes: Wishes, today: date) -> Draft:
    """What source.toml would say, and how every column would be read.

    Raises
    ------
    FileProblem, RequestProblem : a header override that fits no column, or names no field.
    """
    headers = _full_headers(given, wishes)
    wishes = replace(wishes, build_from=tuple(_exact_header(given, h, "--build-from HEADER") for h in wishes.build_from))
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
    """The overrides under the headers' exact texts."""
    return {_exact_header(given, told, "--set HEADER=FIELD"): target for told, target in wishes.headers.items()}


def _exact_header(given: Contribution, told: str, option: str) -> str:
    """A header as it stands in the file, where it may be given loosely ("hp rpm" for "hp_rpm")."""
    present = list(dict.fromkeys(h for s in given.sheets for t in s.tables for h in t.headers))
    near = [h for h in present if h == told] or [h for h in present if fold_words(h) == fold_words(told)]
    if not near:
        likely = difflib.get_close_matches(told, present, n=3) or present[:15]
        raise RequestProblem(
            f"{given.path.name} has no header {told!r}; did you mean {', '.join(repr(h) for h in likely)}? Give {option}"
        )
    return near[0]


def _entry_of(given: Contribution, wishes: Wishes, sheet: Sheet, headers: dict[str, str], several: bool) -> FileEntry:
    known = [e for e in given.held_entries if e.sheet == sheet.name or (e.sheet is None and not several)]
    base = known[0] if known else FileEntry(name=given.path.name)
    merged = base.model_dump() | wishes.reading
    merged |= {"headers": base.headers | headers, "constants": base.constants | wishes.constants, "sha256": given.sha256}
    if wishes.build_from:
        merged["build_from"] = wishes.build_from
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
    return {k: v for k, v in entry.model_dump(exclude_defaults=True).items() if v not in ({}, (), None)}


def _source_id(given: Contribution, wishes: Wishes, described: dict[str, Any]) -> str:
    """The held source's name, the one asked for, or one made of publisher and title that is still free."""
    if given.held is not None:
        return given.held.source
    if wishes.source:
        return wishes.source
    parent = given.path.resolve().parent
    if parent.parent == given.raw.resolve() and SOURCE_ID.fullmatch(parent.name):
        return parent.name
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


def stored_changes(given: Contribution, trial: Trial, store_path: Path) -> RowChanges | None:
    """What differs between the runs that the store holds of a file and those of a trial reading, in the store's units.

    For a file that was edited where it lies, the store is the only memory of how it was. None where it has none.
    """
    if given.held is None or not store_path.is_file():
        return None
    runs = store.read_table(store_path, "run").join(store.read_table(store_path, "build"), on="build_key", how="left")
    held = runs.filter((pl.col("source") == given.held.source) & pl.col("file").is_in(list(trial.results)))
    if held.is_empty():
        return None
    new = pl.concat([r.runs for r in trial.results.values()])
    names = ["build", *(f.name for t in ("run", "build") for f in fields_of(t) if f.name != "build")]
    shared = [n for n in dict.fromkeys(names) if n in new.columns and n in held.columns]
    return compare_tables(_as_text(held, shared), _as_text(new, shared))


def _as_text(runs: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
    texts = [(pl.col(c).round_sig_figs(6) if runs.schema[c].is_float() else pl.col(c)).cast(pl.String).alias(c) for c in columns]
    return runs.select("line", *texts)


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
    RequestProblem : the folder's name cannot name a source, its place is taken, the file changed meanwhile, or it cannot be written.
    """
    check_source_id(draft.source)
    folder = given.raw / draft.source
    draft.checked(folder)
    target = folder / given.path.name
    in_place = same_file(given.path, target)
    if given.held is None and target.exists() and not in_place:
        raise RequestProblem(
            f"{draft.source} holds a file {given.path.name} that no source.toml names; move it away, or give another --source"
        )
    text, _ = draft_text(given, draft)
    try:
        data = given.path.read_bytes()
        if hashlib.sha256(data).hexdigest() != given.sha256:
            raise RequestProblem(f"{given.path.name} changed while it was read; run the command again when nothing writes it")
        folder.mkdir(parents=True, exist_ok=True)
        if not in_place:
            replace_file(target, data)
        replace_file(folder / SOURCE_FILE, text.encode("utf-8"))
    except OSError as error:
        raise RequestProblem(
            f"{folder} cannot be written ({error.strerror}); check the permissions of the folder, or give another --raw"
        ) from error
    read_source(folder)
    return folder


def check_source_id(name: str) -> None:
    """Raise RequestProblem where a text cannot be a source's folder name."""
    if not SOURCE_ID.fullmatch(name):
        raise RequestProblem(
            f"{name[:80]!r} cannot name a source; use up to 64 letters, digits, dots, dashes and underscores (--source NAME)"
        )


def replace_file(path: Path, data: bytes) -> None:
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
