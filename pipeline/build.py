"""From the raw folder to the store: which files, in which order, one transaction each, and the summary.

Nothing changed = nothing done: a file whose bytes, description and reading code are those of the
ledger is not read again. A file that cannot be used is skipped whole and named; what the store
held of it before stays. `rows read = accepted + refused + repeated` is proven for every file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import store
from pipeline.checks import sentence_of
from pipeline.clean_file import check_results, clean_file
from pipeline.errors import FileProblem, PoundworthError, StoreProblem
from pipeline.file_result import FileResult, LedgerRow
from pipeline.file_tables import Context
from pipeline.repairs import Repair, read_repairs
from pipeline.repeat_answers import Answer, answers_frame, answers_of
from pipeline.repeats import find_repeats
from pipeline.sources import (
    REPAIRS_FILE,
    SOURCE_FILE,
    FileEntry,
    Source,
    entry_key,
    hash_file,
    list_source_folders,
    read_source,
    read_withdrawn,
)  # fmt: skip

Progress = Callable[[int, int, str], None]
#: A file written in the same two seconds as it was seen may have changed again within the clock's grain: hash it anew.
RACY_NS = 2_000_000_000
#: Files wait for one another at the gate until they hold this many rows: small ones share its fixed cost, large ones pass alone.
ROWS_TOGETHER = 5_000
#: The part of an answer that a human wrote.
_SAID = ("source", "build", "other", "answer")


@dataclass(frozen=True, slots=True)
class BuildSummary:
    """What a build found; counts are those of the store after it.

    `by_file` : one ledger row a file. `changed` : files read anew. `left_out` : invented sources left
    out because real ones are there. `notes` : sentences for the user.
    """

    by_file: tuple[LedgerRow, ...]
    flags: tuple[dict[str, Any], ...]
    builds: int
    runs: int
    sweep_points: int
    changes: int
    changed: int
    left_out: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def problems(self) -> tuple[LedgerRow, ...]:
        """Files that could not be used."""
        return tuple(r for r in self.by_file if r.problem)

    def count(self, name: str) -> int:
        """Sum of one ledger column over all files."""
        return sum(getattr(r, name) for r in self.by_file)

    def to_json(self) -> dict[str, Any]:
        """The summary in the shape that scripts rely on."""
        totals = {n: self.count(n) for n in ("rows_read", "accepted", "refused", "repeated")}
        files = [
            {
                "source": r.source, "file": r.file, "rows_read": r.rows_read, "accepted": r.accepted, "refused": r.refused,
                "repeated": r.repeated, "runs": r.runs, "sweep_points": r.sweep_points, "changes": r.changes,
                "problem": r.problem, "withdrawn": r.withdrawn,
            }
            for r in self.by_file
        ]  # fmt: skip
        return {
            "files": len(self.by_file), **totals, "builds": self.builds, "runs": self.runs, "sweep_points": self.sweep_points,
            "changes": self.changes, "flags": list(self.flags), "by_file": files, "changed": self.changed,
            "left_out": list(self.left_out), "notes": list(self.notes),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is to be in the store: sources with their repairs, and sources that cannot be used."""

    sources: tuple[tuple[Source, tuple[Repair, ...]], ...]
    broken: dict[str, str]
    left_out: tuple[str, ...]
    withdrawn: dict[str, str]


@cache
def code_mark() -> str:
    """Hash of the reading code and its tables: rows made by other code are read again."""
    folder = Path(__file__).parent
    files = sorted(p for p in folder.iterdir() if p.suffix in (".py", ".csv"))
    return hashlib.sha256(b"\0".join(p.name.encode() + p.read_bytes() for p in files)).hexdigest()[:16]


def _plan(raw: Path, with_demo: bool) -> _Plan:
    withdrawn = read_withdrawn(raw)
    sources, broken = [], {}
    for folder in list_source_folders(raw):
        if folder.name in withdrawn:
            continue
        try:
            source = read_source(folder)
            sources.append((source, read_repairs(folder)))
        except PoundworthError as error:
            broken[folder.name] = str(error)
    real = [s for s, _ in sources if not s.entry.invented]
    left_out = () if with_demo or not real else tuple(s.source for s, _ in sources if s.entry.invented)
    return _Plan(tuple((s, r) for s, r in sources if s.source not in left_out), broken, left_out, withdrawn)


def _recipe(source: Source, entry: FileEntry) -> str:
    repairs = source.folder / REPAIRS_FILE
    parts = [
        code_mark(),
        source.entry.publisher,
        entry.model_dump_json(),
        repairs.read_text(encoding="utf-8", errors="replace") if repairs.is_file() else "",
    ]
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]


def _unchanged(held: LedgerRow | None, path: Path, recipe: str) -> bool:
    """Whether size, time and recipe say that a file is as the ledger has it (no byte is read)."""
    if held is None or held.recipe != recipe or held.withdrawn or held.problem or not path.is_file() or path.is_symlink():
        return False
    stat = path.stat()
    seen = datetime.fromisoformat(held.seen_on).timestamp() * 1e9
    return (stat.st_size, stat.st_mtime_ns) == (held.size, held.mtime_ns) and stat.st_mtime_ns + RACY_NS < seen


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _read_file(
    con: duckdb.DuckDBPyConnection, source: Source, entry: FileEntry, repairs: tuple[Repair, ...], held: LedgerRow | None
) -> FileResult | None:
    """Read one file anew; None where it is as the ledger has it, or cannot be used (then the ledger says why)."""
    path, recipe = source.folder / entry.name, _recipe(source, entry)
    if _unchanged(held, path, recipe):
        return None
    key = entry_key(entry)
    sha = ""
    try:
        sha = hash_file(path)
        stat = path.stat()
        if held is not None and (held.sha256, held.recipe) == (sha, recipe) and not held.withdrawn:
            # The same bytes as held: only the time changed, or a spoilt file was put back.
            problem = None if held.rows_read else held.problem
            store.write_ledger(con, replace(held, size=stat.st_size, mtime_ns=stat.st_mtime_ns, seen_on=_now(), problem=problem))
            return None
        if entry.sha256 and entry.sha256 != sha:
            raise FileProblem(
                f"{entry.name} has sha256 {sha}, but source.toml states {entry.sha256}; if the change is meant, put the new hash there (`poundworth add` does), "
                "otherwise restore the file"
            )
        result = clean_file(Context(source, entry, repairs, date.today()), sha, recipe, stat.st_size, stat.st_mtime_ns, _now())
        if hash_file(path) != sha:
            raise FileProblem(f"{entry.name} changed while it was read; run the build again when nothing writes it")
    except PoundworthError as error:
        _keep_problem(con, source.source, key, held, str(error), sha, recipe)
        return None
    _prove_balance(result.ledger, result)
    return result


def _store_results(con: duckdb.DuckDBPyConnection, results: list[FileResult], ledger: Mapping[tuple[str, str], LedgerRow]) -> int:
    """Pass some files through the gate together and store each in its own transaction; returns how many were stored.

    Where the gate refuses them together, each is asked alone, so that only the file at fault is skipped.
    """
    if not results:
        return 0
    try:
        check_results(results)
    except FileProblem as error:
        if len(results) > 1:
            return sum(_store_results(con, [result], ledger) for result in results)
        row = results[0].ledger
        _keep_problem(con, row.source, row.file, ledger.get((row.source, row.file)), str(error), row.sha256, row.recipe)
        return 0
    for result in results:
        store.write_file(con, result)
    return len(results)


def _keep_problem(
    con: duckdb.DuckDBPyConnection, source: str, file: str, held: LedgerRow | None, problem: str, sha: str, recipe: str
) -> None:
    """Name the problem in the ledger; rows held from before stay, and so do their hashes."""
    fresh = LedgerRow(source, file, sha, recipe, 0, 0, _now())
    row = replace(held if held is not None and held.rows_read else fresh, problem=problem)
    if row != held:
        store.write_ledger(con, row)


def _prove_balance(ledger: LedgerRow, result: Any) -> None:
    """Rows read = lines accepted + lines refused, counted from the rows themselves."""
    # A run of a curve stands on one of its points, so that lines of runs and lines of points can be counted together.
    lines = [frame["line"] for frame in (result.runs, result.points) if not frame.is_empty()]
    accepted = pl.concat(lines).n_unique() if lines else 0
    if accepted + result.refused.height != ledger.rows_read:
        raise StoreProblem(
            f"{ledger.source}/{ledger.file}: {ledger.rows_read} rows read, but {accepted} accepted and {result.refused.height} refused; "
            "nothing of the file was stored. This is a defect of the tool: please report it with the file"
        )


def _drop_gone(con: duckdb.DuckDBPyConnection, plan: _Plan, ledger: dict[tuple[str, str], LedgerRow]) -> int:
    """Take out rows of files that are no longer wanted; withdrawn ones keep their line in the ledger."""
    wanted = {(s.source, entry_key(f)) for s, _ in plan.sources for f in s.entry.file} | {(n, SOURCE_FILE) for n in plan.broken}
    gone = 0
    for key, row in ledger.items():
        source, file = key
        if key in wanted or (source in plan.broken and file != SOURCE_FILE):
            continue
        why = plan.withdrawn.get(source)
        if why is not None and row.withdrawn == why:
            continue
        with store.transaction(con):
            store.remove_file(con, source, file)
            con.execute("DELETE FROM file_seen WHERE source = ? AND file = ?", [source, file])
            if why is not None and file != SOURCE_FILE:
                store.write_ledger(
                    con, LedgerRow(source, file, row.sha256, row.recipe, row.size, row.mtime_ns, row.seen_on, withdrawn=why)
                )
        gone += 1
    return gone


def build(raw: Path, store_path: Path, *, with_demo: bool = False, progress: Progress | None = None) -> BuildSummary:
    """Bring the store up to date with the raw folder.

    Parameters
    ----------
    raw : folder with one sub-folder a source.
    store_path : the DuckDB file; made where there is none.
    with_demo : keep invented sources although real ones are there.
    progress : called with (done, all, name) before each file.

    Raises
    ------
    SourceProblem : no raw folder, or a damaged withdrawn.toml. A bad source or file does not raise: it is named in the summary.
    StoreProblem : the store cannot be written, or counts do not balance.
    """
    plan = _plan(raw, with_demo)
    todo = [(s, f, r) for s, r in plan.sources for f in s.entry.file]
    with store.writing(store_path) as con:
        ledger = store.read_ledger(con)
        changed = _drop_gone(con, plan, ledger)
        for name, sentence in plan.broken.items():
            _keep_problem(con, name, SOURCE_FILE, ledger.get((name, SOURCE_FILE)), sentence, "", "")
        store.write_sources(con, _source_rows(plan, con))
        waiting: list[FileResult] = []
        for done, (source, entry, repairs) in enumerate(todo):
            if progress is not None:
                progress(done, len(todo), f"{source.source}/{entry_key(entry)}")
            result = _read_file(con, source, entry, repairs, ledger.get((source.source, entry_key(entry))))
            if result is not None:
                waiting.append(result)
            if sum(r.ledger.rows_read for r in waiting) > ROWS_TOGETHER:
                changed += _store_results(con, waiting, ledger)
                waiting = []
        changed += _store_results(con, waiting, ledger)
        answers = _answers(con, plan)
        if changed or answers_frame(answers).select(_SAID).rows() != store.query_table(con, "repeat_answer").select(_SAID).rows():
            store.write_repeats(con, find_repeats(*store.repeat_input(con), answers))
        if progress is not None:
            progress(len(todo), len(todo), "")
        return _summary(con, plan, changed)


def _answers(con: duckdb.DuckDBPyConnection, plan: _Plan) -> list[Answer]:
    """What humans said about tests that look alike, in the order of the store; of a source that cannot be read now: as held."""
    said = [a for s, _ in plan.sources for a in answers_of(s.source, s.entry.same_as, s.entry.not_same)]
    held = store.query_table(con, "repeat_answer").filter(pl.col("source").is_in(list(plan.broken)))
    said += [Answer(*row) for row in held.select(_SAID).iter_rows()]
    return sorted(set(said), key=lambda a: (a.source, a.build, a.other, a.answer))


def _say_repeats(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Notes on tests that look published twice and on answers that name no build."""
    waiting = store.query_table(con, "near_test").height
    notes = [r["problem"] for r in store.query_table(con, "repeat_answer").to_dicts() if r["problem"]]
    if waiting:
        notes.append(
            f"{waiting} pair(s) of builds look like one test published twice; they are counted as they are until source.toml says "
            "same_as or not_same (the data page lists them with the line to add)."
        )
    return notes


def _source_rows(plan: _Plan, con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    rows = [s.row() for s, _ in plan.sources]
    if plan.broken:  # what the store held of a source that cannot be read now stays
        held = store.query_table(con, "source").to_dicts()
        rows += [r for r in held if r["source"] in plan.broken]
    return rows


def _summary(con: duckdb.DuckDBPyConnection, plan: _Plan, changed: int) -> BuildSummary:
    ledger = tuple(store.read_ledger(con).values())
    count = {t: int(con.execute(f'SELECT count(*) FROM "{t}"').fetchall()[0][0]) for t in ("run", "sweep_point", "change")}
    builds = int(con.execute("SELECT count(DISTINCT build_key) FROM build").fetchall()[0][0])
    flags = store.query_table(con, "flag").to_dicts()
    told = tuple({**f, "sentence": sentence_of(f["code"], f["column"], f["value"])} for f in flags)
    notes = []
    if plan.left_out:
        notes.append(
            f"{len(plan.left_out)} source(s) of invented demo data left out because a real source is there (--with-demo keeps them)."
        )
    notes += _say_repeats(con)
    for row in ledger:
        if row.rows_read != row.accepted + row.refused + row.repeated:
            raise StoreProblem(f"{row.source}/{row.file}: counts do not balance; delete the store and build it again")
    return BuildSummary(
        ledger, told, builds, count["run"], count["sweep_point"], count["change"], changed, plan.left_out, tuple(notes)
    )
