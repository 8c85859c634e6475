"""From the raw folder to the store: which files, in which order, and the summary.

Nothing changed = nothing done: a file whose bytes, description and reading code are those of the
ledger is not read again. A file that cannot be used is skipped whole and named; what the store
held of it before stays. `rows read = accepted + refused + repeated` is proven for every file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import store, store_repeats
from pipeline.build_file import FileTask, is_unchanged, read_file, read_repairs_text, to_task
from pipeline.build_workers import read_with
from pipeline.build_writing import Writing
from pipeline.checks import sentence_of
from pipeline.errors import PoundworthError, StoreProblem
from pipeline.executors import Chooser
from pipeline.file_result import LedgerRow
from pipeline.memory import processors
from pipeline.repairs import Repair, read_repairs
from pipeline.repeat_answers import Answer, answers_frame, answers_of
from pipeline.sources import SOURCE_FILE, Source, entry_key, list_source_folders, read_source, read_withdrawn
from pipeline.work_files import drop_folder, work_folder

__all__ = ["BuildSummary", "build"]

Progress = Callable[[int, int, str], None]
Ledger = Mapping[tuple[str, str], LedgerRow]
#: Told of each file, and with None of the end.
Step = Callable[[FileTask | None], None]
#: The part of an answer that a human wrote.
_SAID = ("source", "build", "other", "answer")


@dataclass(frozen=True, slots=True)
class BuildSummary:
    """What a build found; counts are those of the store after it.

    `by_file` : one ledger row a file. `flag_rows` : the clean table of flags. `changed` : files read anew. `left_out` : invented sources left
    out because real ones are there. `notes` : sentences for the user.
    """

    by_file: tuple[LedgerRow, ...]
    flag_rows: pl.DataFrame = field(compare=False)
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

    @property
    def flags(self) -> tuple[dict[str, Any], ...]:
        """All flags, each with its sentence; made when asked for, since there may be a million."""
        return tuple(
            {**f, "sentence": sentence_of(f["code"], f["column"], f["value"])} for f in self.flag_rows.iter_rows(named=True)
        )

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


def _tasks(plan: _Plan, ledger: Ledger) -> list[FileTask]:
    """Every file of every source with what is held of it, in the order of the plan."""
    today = date.today()
    tasks = []
    for source, repairs in plan.sources:
        text = read_repairs_text(source.folder) if repairs else ""
        tasks += [to_task(source, e, repairs, text, ledger.get((source.source, entry_key(e))), today) for e in source.entry.file]
    return tasks


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
            store.remove_files(con, [(source, file)])
            con.execute("DELETE FROM file_seen WHERE source = ? AND file = ?", [source, file])
            if why is not None and file != SOURCE_FILE:
                left = LedgerRow(source, file, row.sha256, row.recipe, row.size, row.mtime_ns, row.seen_on, withdrawn=why)
                store.write_ledger(con, [left])
        gone += 1
    return gone


def _to_be_read(tasks: list[FileTask], step: Step) -> list[FileTask]:
    """The tasks whose files changed; the others are done."""
    todo = [task for task in tasks if not is_unchanged(task)]
    wanted = {task.key for task in todo}
    for task in tasks:
        if task.key not in wanted:
            step(task)
    return todo


def _size(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0


def _read_here(tasks: list[FileTask], writing: Writing, step: Step) -> None:
    """Read the files in this process."""
    for task in tasks:
        step(task)
        writing.take(task, read_file(task))


def _read_by_workers(tasks: list[FileTask], folder: Path, executor: Executor, beside: int, writing: Writing, step: Step) -> int:
    """Let workers read the files and load what they leave; returns for how many a worker was lost."""
    lost = 0
    for task, outcome, was_lost in read_with(executor, tasks, folder, beside=beside):
        step(task)
        lost += was_lost
        writing.take(task, outcome)
    return lost


def build(
    raw: Path,
    store_path: Path,
    *,
    with_demo: bool = False,
    progress: Progress | None = None,
    executor: Executor | Chooser | None = None,
) -> BuildSummary:
    """Bring the store up to date with the raw folder.

    Parameters
    ----------
    raw : folder with one sub-folder a source.
    store_path : the DuckDB file; made where there is none.
    with_demo : keep invented sources although real ones are there.
    progress : called with (done, all, name) before each file.
    executor : any ``concurrent.futures`` executor, whose workers then read the files; None reads them in this process. The
        store is the same either way. A function in its place is told how many bytes are to be read, and returns one, beside
        which this process reads as well, or None.
        Workers see ``raw`` and the store's folder under the paths given here.

    Raises
    ------
    SourceProblem : no raw folder, or a damaged withdrawn.toml. A bad source or file does not raise: it is named in the summary.
    StoreProblem : the store cannot be written, or counts do not balance.
    RequestProblem : a worker has other reading code than this process.
    """
    plan = _plan(raw, with_demo)
    with store.writing(store_path) as con:
        ledger = store.read_ledger(con)
        tasks = _tasks(plan, ledger)
        gone, lost = _drop_gone(con, plan, ledger), 0
        store.write_sources(con, _source_rows(plan, con))
        step = _stepper(progress, len(tasks))
        todo = _to_be_read(tasks, step)
        beside = 0
        if not isinstance(executor, Executor | None):
            beside = processors() - 1
            executor = executor(sum(_size(task.path) for task in todo))
        with Writing(con, ledger) as writing:
            for name, sentence in plan.broken.items():
                writing.keep_problem(name, SOURCE_FILE, sentence, "", "")
            if executor is None:
                _read_here(todo, writing, step)
            else:
                lost = _read_by_workers(todo, work_folder(store_path), executor, beside, writing, step)
            changed = gone + writing.end()
        drop_folder(work_folder(store_path))
        answers = _answers(con, plan)
        if (
            store.is_search_due(con)
            or answers_frame(answers).select(_SAID).rows() != store.query_table(con, "repeat_answer").select(_SAID).rows()
        ):
            store_repeats.search_store(con, answers)
        step(None)
        return _summary(con, plan, changed, lost)


def _stepper(progress: Progress | None, files: int) -> Step:
    """A function that counts files and tells of each before it is read; None tells of the end."""
    done = 0

    def step(task: FileTask | None) -> None:
        nonlocal done
        if progress is not None:
            progress(done if task is not None else files, files, "/".join(task.key) if task is not None else "")
        done += 1

    return step


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
            f"{_many(waiting, 'pair')} of builds look{'s' if waiting == 1 else ''} like one test published twice; they are counted as they are until source.toml says "
            "same_as or not_same (the data page lists them with the line to add)."
        )
    return notes


def _many(count: int, one: str) -> str:
    return f"{count:,} {one}{'' if count == 1 else 's'}"


def _source_rows(plan: _Plan, con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    rows = [s.row() for s, _ in plan.sources]
    if plan.broken:  # what the store held of a source that cannot be read now stays
        held = store.query_table(con, "source").to_dicts()
        rows += [r for r in held if r["source"] in plan.broken]
    return rows


def _summary(con: duckdb.DuckDBPyConnection, plan: _Plan, changed: int, lost: int) -> BuildSummary:
    ledger = tuple(store.read_ledger(con).values())
    count = {t: int(con.execute(f'SELECT count(*) FROM "{t}"').fetchall()[0][0]) for t in ("run", "sweep_point", "change")}
    builds = int(con.execute("SELECT count(DISTINCT build_key) FROM build").fetchall()[0][0])
    flags = store.query_table(con, "flag")
    notes = []
    if plan.left_out:
        notes.append(
            f"{_many(len(plan.left_out), 'source')} of invented demo data left out because a real source is there (--with-demo keeps them)."
        )
    if lost:
        notes.append(
            f"A worker ended before its work was done (killed, or out of memory); {_many(lost, 'file')} {'was' if lost == 1 else 'were'} read by this process instead, "
            "and nothing is missing. Give fewer --jobs if it happens again."
        )
    notes += _say_repeats(con)
    for row in ledger:
        if row.rows_read != row.accepted + row.refused + row.repeated:
            raise StoreProblem(f"{row.source}/{row.file}: counts do not balance; delete the store and build it again")
    return BuildSummary(
        ledger, flags, builds, count["run"], count["sweep_point"], count["change"], changed, plan.left_out, tuple(notes)
    )
