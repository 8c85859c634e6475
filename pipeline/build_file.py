"""One file of a source read anew, wherever that happens: in the building process, in another, or on another machine.

Nothing here knows the store. What has to be known of it (the ledger's line of the file) comes with the task.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from stat import S_ISREG

import polars as pl

from pipeline.clean_file import clean_file
from pipeline.code_mark import code_mark
from pipeline.errors import FileProblem, PoundworthError, StoreProblem
from pipeline.file_result import FileResult, LedgerRow
from pipeline.file_tables import Context
from pipeline.repairs import Repair
from pipeline.sources import REPAIRS_FILE, FileEntry, Source, entry_key, hash_file

#: A file written in the same two seconds as it was seen may have changed again within the clock's grain: hash it anew.
RACY_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class FileTask:
    """What one file needs to be read.

    Attributes
    ----------
    source, entry, repairs : the description and the declared corrections.
    held : the ledger's line of the file, or None.
    recipe : hash of everything besides the bytes that its rows depend on.
    today : the day that dates are judged against, the same for all files of a build.
    """

    source: Source
    entry: FileEntry
    repairs: tuple[Repair, ...]
    held: LedgerRow | None
    recipe: str
    today: date

    @property
    def key(self) -> tuple[str, str]:
        """Source and name under which the file's rows stand in the store."""
        return self.source.source, entry_key(self.entry)

    @property
    def path(self) -> Path:
        """Where the bytes are."""
        return self.source.folder / self.entry.name


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of a task: rows to be stored (``result``), a line of the ledger alone (``ledger``), or nothing to do.

    ``ledger`` without ``result`` names a problem, or says that the bytes are those held.
    """

    ledger: LedgerRow | None = None
    result: FileResult | None = None


def to_task(
    source: Source, entry: FileEntry, repairs: tuple[Repair, ...], repairs_text: str, held: LedgerRow | None, today: date
) -> FileTask:
    """A task with its recipe: code, publisher, entry and corrections."""
    parts = [code_mark(), source.entry.publisher, entry.model_dump_json(), repairs_text]
    recipe = hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]
    if held is not None and held.recipe == dated(recipe, today):
        recipe = held.recipe
    return FileTask(source, entry, repairs, held, recipe, today)


def dated(recipe: str, today: date) -> str:
    """The recipe of a file with a date still to come: it holds for one day, so that the file is judged again on the next."""
    return f"{recipe.partition('@')[0]}@{today.isoformat()}"


def read_repairs_text(folder: Path) -> str:
    """The declared corrections of a source as they stand, for the recipe; empty where there are none."""
    path = folder / REPAIRS_FILE
    return path.read_text(encoding="utf-8", errors="replace") if path.is_file() else ""


def is_unchanged(task: FileTask) -> bool:
    """Whether size, time and recipe say that a file is as the ledger has it (no byte is read)."""
    held = task.held
    if held is None or held.recipe != task.recipe or held.withdrawn or held.problem:
        return False
    try:
        stat = task.path.lstat()
    except (OSError, ValueError):  # not there, or no name that a file can have
        return False
    if not S_ISREG(stat.st_mode):
        return False
    seen = datetime.fromisoformat(held.seen_on).timestamp() * 1e9
    return (stat.st_size, stat.st_mtime_ns) == (held.size, held.mtime_ns) and stat.st_mtime_ns + RACY_NS < seen


def read_file(task: FileTask) -> FileOutcome:
    """Read one file anew; a file that cannot be used is an outcome, not an error.

    Raises
    ------
    StoreProblem : the counts of the file do not balance, which is a defect of the tool.
    """
    path, held, recipe = task.path, task.held, task.recipe
    sha = ""
    try:
        sha = hash_file(path)
        stat = path.stat()
        if held is not None and (held.sha256, held.recipe) == (sha, recipe) and not held.withdrawn:
            # The same bytes as held: only the time changed, or a spoilt file was put back.
            problem = None if held.rows_read else held.problem
            return FileOutcome(replace(held, size=stat.st_size, mtime_ns=stat.st_mtime_ns, seen_on=now(), problem=problem))
        if task.entry.sha256 and task.entry.sha256 != sha:
            raise FileProblem(
                f"{task.entry.name} has sha256 {sha}, but source.toml states {task.entry.sha256}; if the change is meant, put the new "
                "hash there (`poundworth add` does), otherwise restore the file"
            )
        context = Context(task.source, task.entry, task.repairs, task.today)
        result = clean_file(context, sha, recipe, stat.st_size, stat.st_mtime_ns, now())
        if hash_file(path) != sha:
            raise FileProblem(f"{task.entry.name} changed while it was read; run the build again when nothing writes it")
    except PoundworthError as error:
        return FileOutcome(say_problem(*task.key, held, str(error), sha, recipe))
    prove_balance(result)
    if "date_future" in set(result.refused["reasons"].explode().struct.field("code")):
        result = replace(result, ledger=replace(result.ledger, recipe=dated(recipe, task.today)))
    return FileOutcome(result=result)


def say_problem(source: str, file: str, held: LedgerRow | None, problem: str, sha: str, recipe: str) -> LedgerRow:
    """The ledger's line of a file that cannot be used; what is held of it from before stays, and so do its hashes."""
    fresh = LedgerRow(source, file, sha, recipe, 0, 0, now())
    return replace(held if held is not None and held.rows_read else fresh, problem=problem)


def prove_balance(result: FileResult) -> None:
    """Rows read = lines accepted + lines refused, counted from the rows themselves.

    Raises
    ------
    StoreProblem : they are not.
    """
    ledger = result.ledger
    # A run of a curve stands on one of its points, so that lines of runs and lines of points can be counted together.
    lines = [frame["line"] for frame in (result.runs, result.points) if not frame.is_empty()]
    accepted = pl.concat(lines).n_unique() if lines else 0
    if accepted + result.refused.height != ledger.rows_read:
        raise StoreProblem(
            f"{ledger.source}/{ledger.file}: {ledger.rows_read} rows read, but {accepted} accepted and {result.refused.height} refused; "
            "nothing of the file was stored. This is a defect of the tool: please report it with the file"
        )


def now() -> str:
    """Date and time in UTC as ISO text."""
    return datetime.now(UTC).isoformat(timespec="seconds")
