"""Withdraw a source: its name and the reason go into `withdrawn.toml`; the next build takes its rows out."""

from __future__ import annotations

import difflib
import tomllib
from datetime import date
from pathlib import Path

import duckdb

from pipeline import store
from pipeline.add import replace_file
from pipeline.errors import RequestProblem
from pipeline.sources import WITHDRAWN_FILE, list_source_folders, read_withdrawn
from pipeline.store_copy import copy_store
from pipeline.toml_text import value_literal

HEAD = "# Sources that were withdrawn, and why. Their rows leave the store; the ledger keeps that they existed.\n"


def write_withdrawal(raw: Path, source: str, why: str, today: date, known: set[str]) -> bool:
    """Add a source to `withdrawn.toml`, keeping what stands there.

    Parameters
    ----------
    raw : the raw folder.
    source, why : name of the source and the reason; both are kept.
    today : day of the withdrawal.
    known : further names that exist, such as those of the ledger.

    Returns
    -------
    False where it was withdrawn before for the same reason, so that nothing was written.

    Raises
    ------
    RequestProblem : no such source, no reason, or it was withdrawn for another reason.
    SourceProblem : withdrawn.toml is damaged, or there is no raw folder.
    """
    reason = " ".join(why.split())
    if not reason:
        raise RequestProblem('a withdrawal needs its reason, which the ledger keeps; give --why "asked for by the publisher"')
    names = {f.name for f in list_source_folders(raw)} | known
    held = read_withdrawn(raw)
    if source in held:
        if held[source] == reason:
            return False
        raise RequestProblem(
            f"{source} is withdrawn already, because: {held[source]}; to say it otherwise, change its entry in {WITHDRAWN_FILE}"
        )
    if source not in names:
        near = difflib.get_close_matches(source, sorted(names), n=3) or sorted(names)[:10]
        raise RequestProblem(f"there is no source {source!r}; did you mean {', '.join(near) or 'one of another --raw folder'}?")
    path = raw / WITHDRAWN_FILE
    text = path.read_text(encoding="utf-8-sig") if path.exists() else HEAD
    values = {"source": source, "why": reason, "withdrawn_on": today}
    block = "[[withdrawn]]\n" + "".join(f"{key} = {value_literal(value)}\n" for key, value in values.items())
    _write_checked(path, text.rstrip("\n") + "\n\n" + block, source, reason)
    return True


def _write_checked(path: Path, text: str, source: str, reason: str) -> None:
    """Write only what reads back as the entry beside what stood there."""
    try:
        rows = tomllib.loads(text).get("withdrawn", [])
    except tomllib.TOMLDecodeError:
        rows = []
    if {"source": source, "why": reason} not in [{k: r.get(k) for k in ("source", "why")} for r in rows]:
        raise RequestProblem(
            f"{path.name} is laid out so that no entry can be added; write it there by hand: source and why under [[withdrawn]]"
        )
    try:
        replace_file(path, text.encode("utf-8"))
    except OSError as error:
        raise RequestProblem(
            f"{path.name} cannot be written ({error.strerror}); check the permissions of {path.parent}"
        ) from error


def ledger_sources(store_path: Path) -> set[str]:
    """Names of sources that a store has seen; empty where there is no store."""
    if not store_path.is_file():
        return set()
    with store.reading(store_path) as con:
        return {source for source, _ in store.read_ledger(con)}


def forget(store_path: Path) -> None:
    """Take out kept results, and leave no trace of deleted rows in the file: it is written anew without them."""
    with store.writing(store_path) as con:
        store.forget_results(con)
    compact(store_path)


def compact(store_path: Path) -> None:
    """Copy the store into a new file, since deleted rows stay readable in the old one until their place is used again."""
    fresh = store_path.with_name(store_path.name + ".fresh")
    fresh.unlink(missing_ok=True)
    try:
        copy_store(store_path, fresh)
        fresh.replace(store_path)
    except (duckdb.Error, OSError) as error:
        fresh.unlink(missing_ok=True)
        raise RequestProblem(
            f"the rows are out, but {store_path.name} could not be written anew ({error}); delete it and run `poundworth build`"
        ) from error
