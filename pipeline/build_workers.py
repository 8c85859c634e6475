"""Files read by workers: processes of this machine, or a cluster's. Only counts and a place come back from them.

Any ``concurrent.futures`` executor serves. A worker never opens the store; the building process loads what workers left, in
the order of the plan, so that the store is the same however many there were and whichever was first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock

from pipeline.build_file import FileOutcome, FileTask, dated, read_file, say_problem
from pipeline.clean_file import check_results
from pipeline.code_mark import code_mark
from pipeline.errors import FileProblem, PoundworthError, RequestProblem, StoreProblem
from pipeline.file_result import LedgerRow
from pipeline.sources import hash_file
from pipeline.work_files import drop_work, is_whole, read_work, work_name, write_work

#: Errors by which an executor says that a worker ended before its work; dask's own are known by name, as dask is an extra.
_LOST = (BrokenExecutor, CancelledError)
_LOST_NAMES = ("KilledWorker", "FutureCancelledError", "CommClosedError")

#: Files whose work is loaded while those before them are stored.
AHEAD = 3


@dataclass(frozen=True, slots=True)
class WorkDone:
    """What a worker returns: the ledger's line with the counts, and where the rows are (None: there are none to store)."""

    ledger: LedgerRow
    place: str | None


def do_task(task: FileTask, folder: str, code: str) -> WorkDone:
    """Read one file and leave its rows as Parquet: what runs in a worker.

    Parameters
    ----------
    task : the file, its source's folder as an absolute path.
    folder : the work folder.
    code : mark of the reading code of the process that asks.

    Raises
    ------
    RequestProblem : this worker has other code; its rows would be others.
    """
    if code != code_mark():
        raise RequestProblem(
            f"a worker reads with other code (mark {code_mark()}) than this process ({code}); "
            "install the same version of Poundworth on every machine of the cluster and start its workers anew"
        )
    kept = _kept_place(task, Path(folder))
    if kept is not None:
        try:
            return WorkDone(read_work(kept).ledger, str(kept))
        except StoreProblem:
            drop_work(kept)
    outcome = read_file(task)
    if outcome.result is None:
        assert outcome.ledger is not None
        return WorkDone(outcome.ledger, None)
    ledger = outcome.result.ledger
    try:
        check_results([outcome.result])
    except FileProblem as error:
        return WorkDone(say_problem(*task.key, task.held, str(error), ledger.sha256, ledger.recipe), None)
    name = work_name(*task.key, ledger.sha256, ledger.recipe, task.today.isoformat())
    return WorkDone(ledger, str(write_work(outcome.result, Path(folder), name)))


def _kept_place(task: FileTask, folder: Path) -> Path | None:
    """Finished work that a stopped build left of just this file, or None."""
    try:
        sha256 = hash_file(task.path)
    except PoundworthError:
        return None
    for recipe in (task.recipe, dated(task.recipe, task.today)):  # the second where a row's date is still to come
        place = folder / work_name(*task.key, sha256, recipe, task.today.isoformat())
        if is_whole(place):
            return place
    return None


def read_with(
    executor: Executor, tasks: Sequence[FileTask], folder: Path, *, beside: int = 0
) -> Iterator[tuple[FileTask, FileOutcome, bool]]:
    """Outcomes of all tasks in their order, and whether this process had to read the file because a worker was lost.

    What workers left stays: it is dropped with its folder once all of it is stored.

    Parameters
    ----------
    executor : whose workers read.
    tasks : files to be read.
    folder : the work folder.
    beside : workers beside this process, which then reads as well: it from the first file on, they from the last one back, until
        they meet. With 0 the workers read all.

    Raises
    ------
    RequestProblem : a worker has other code, or cannot see the work folder.
    StoreProblem : a worker cannot write.
    """
    shared = _Shared(executor, tasks, str(folder.absolute()))
    with ThreadPoolExecutor(1) as ahead:
        try:
            if beside:
                for _ in range(beside):
                    shared.begin_last()
                for task in shared.left_over():
                    yield task, read_file(task), False
            else:
                while shared.left:
                    shared.begin_first()
            waiting = shared.begun()
            loads = deque(ahead.submit(_load, *one) for one in waiting[:AHEAD])
            for at, (task, _) in enumerate(waiting):
                outcome, was_lost = loads.popleft().result()
                loads.extend(ahead.submit(_load, *one) for one in waiting[at + AHEAD : at + AHEAD + 1])
                yield task, outcome, was_lost
        finally:
            shared.end()
            ahead.shutdown(cancel_futures=True)


class _Shared:
    """Tasks of which workers take some and this process the others.

    Attributes
    ----------
    left : what nobody has begun.
    """

    def __init__(self, executor: Executor, tasks: Sequence[FileTask], place: str) -> None:
        self.left = deque(tasks)
        self._executor, self._place, self._code = executor, place, code_mark()
        self._begun: list[tuple[FileTask, Future[WorkDone] | None]] = []
        self._lock = Lock()

    def begin_first(self) -> None:
        """Give the first task to a worker."""
        task = self.left.popleft()
        self._begun.append((task, self._submit(task)))

    def begin_last(self, _: object = None) -> None:
        """Give the last task to a worker, and the one before it when it is done."""
        with self._lock:
            if not self.left:
                return
            future = self._submit(self.left[-1])
            self._begun.insert(0, (self.left.pop(), future))
        if future is not None:
            future.add_done_callback(self.begin_last)

    def left_over(self) -> Iterator[FileTask]:
        """The first of the tasks that are left, then the next one, as long as there is any."""
        while True:
            with self._lock:
                if not self.left:
                    return
                task = self.left.popleft()
            yield task

    def begun(self) -> list[tuple[FileTask, Future[WorkDone] | None]]:
        """What workers took, in the order of the tasks; None where there was no worker."""
        with self._lock:
            return list(self._begun)

    def end(self) -> None:
        """Let nothing more be begun."""
        with self._lock:
            self.left.clear()
        for _, future in self._begun:
            if future is not None:
                future.cancel()

    def _submit(self, task: FileTask) -> Future[WorkDone] | None:
        away = replace(task, source=replace(task.source, folder=task.source.folder.absolute()))  # a path that holds elsewhere
        try:
            return self._executor.submit(do_task, away, self._place, self._code)
        except Exception as error:
            if _is_lost(error):
                return None
            raise


def _load(task: FileTask, future: Future[WorkDone] | None) -> tuple[FileOutcome, bool]:
    """What became of one file, and whether a worker was lost over it."""
    done = _result_of(future)
    if done is None:
        return _read_here(task), True
    return FileOutcome(done.ledger) if done.place is None else FileOutcome(result=read_work(Path(done.place))), False


def _result_of(future: Future[WorkDone] | None) -> WorkDone | None:
    """What a worker returned; None where it ended before its work."""
    if future is None:
        return None
    try:
        return future.result()
    except BaseException as error:
        if _is_lost(error):
            return None
        raise


def _is_lost(error: BaseException) -> bool:
    return isinstance(error, _LOST) or type(error).__name__ in _LOST_NAMES


def _read_here(task: FileTask) -> FileOutcome:
    """A lost worker's file, read by this process: one at a time, so that memory which was short for several may do."""
    outcome = read_file(task)
    if outcome.result is None:
        return outcome
    try:
        check_results([outcome.result])
    except FileProblem as error:
        ledger = outcome.result.ledger
        return FileOutcome(say_problem(*task.key, task.held, str(error), ledger.sha256, ledger.recipe))
    return outcome
