"""Files read by workers: processes of this machine, or a cluster's. Only counts and a place come back from them.

Any ``concurrent.futures`` executor serves. A worker never opens the store; the building process loads what workers left, in
the order of the plan, so that the store is the same however many there were and whichever was first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.build_file import FileOutcome, FileTask, dated, read_file, say_problem
from pipeline.clean_file import check_results
from pipeline.code_mark import code_mark
from pipeline.errors import FileProblem, PoundworthError, RequestProblem, StoreProblem
from pipeline.file_result import LedgerRow
from pipeline.memory import in_one_thread, processors
from pipeline.sources import hash_file
from pipeline.work_files import drop_work, is_whole, read_work, work_name, write_work

#: Errors by which an executor says that a worker ended before its work; dask's own are known by name, as dask is an extra.
_LOST = (BrokenExecutor, CancelledError)
_LOST_NAMES = ("KilledWorker", "FutureCancelledError", "CommClosedError")

#: Files whose work is loaded while those before them are stored.
AHEAD = 3
#: Bytes to be read from which processes of their own are worth their start, which takes a second each.
WORTH_BYTES = 16_000_000
#: Told how many bytes are to be read; gives who reads them beside this process, None for nobody.
Chooser = Callable[[int], Executor | None]

#: Seconds to wait for a cluster's scheduler to answer.
PATIENCE_S = 10


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
    executor: Executor, tasks: Sequence[FileTask], folder: Path, *, shares: bool = False
) -> Iterator[tuple[FileTask, FileOutcome, bool]]:
    """Outcomes of all tasks in their order, and whether this process had to read the file because a worker was lost.

    What workers left stays: it is dropped with its folder once all of it is stored.

    Parameters
    ----------
    executor : whose workers read.
    tasks : files to be read.
    folder : the work folder.
    shares : this process reads the files from the first one on, the workers from the last one back, until they meet.

    Raises
    ------
    RequestProblem : a worker has other code, or cannot see the work folder.
    StoreProblem : a worker cannot write.
    """
    code, place = code_mark(), str(folder.absolute())
    waiting = [(task, _submit(executor, _anywhere(task), place, code)) for task in (reversed(tasks) if shares else tasks)]
    if shares:
        waiting.reverse()
    with ThreadPoolExecutor(1) as ahead:
        try:
            met = 0
            while shares and met < len(waiting) and _is_taken_back(waiting[met][1]):
                task, _ = waiting[met]
                yield task, read_file(task), False
                met += 1
            left = waiting[met:]
            loads = deque(ahead.submit(_load, *one) for one in left[:AHEAD])
            for at, (task, _) in enumerate(left):
                outcome, was_lost = loads.popleft().result()
                loads.extend(ahead.submit(_load, *one) for one in left[at + AHEAD : at + AHEAD + 1])
                yield task, outcome, was_lost
        finally:
            for _, future in waiting:
                if future is not None:
                    future.cancel()
            ahead.shutdown(cancel_futures=True)


def _is_taken_back(future: Future[WorkDone] | None) -> bool:
    """Whether a task was still to be begun, and now is this process's own."""
    return future is not None and future.cancel()


def _load(task: FileTask, future: Future[WorkDone] | None) -> tuple[FileOutcome, bool]:
    """What became of one file, and whether a worker was lost over it."""
    done = _result_of(future)
    if done is None:
        return _read_here(task), True
    return FileOutcome(done.ledger) if done.place is None else FileOutcome(result=read_work(Path(done.place))), False


def _anywhere(task: FileTask) -> FileTask:
    """The task with a path that holds in another process."""
    return replace(task, source=replace(task.source, folder=task.source.folder.absolute()))


def _submit(executor: Executor, task: FileTask, place: str, code: str) -> Future[WorkDone] | None:
    try:
        return executor.submit(do_task, task, place, code)
    except Exception as error:
        if _is_lost(error):
            return None
        raise


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


@contextmanager
def open_readers(jobs: int | None, cluster: str | None) -> Iterator[Executor | Chooser | None]:
    """Who reads the files, as :func:`open_executor`; where nobody said, a process for each processor beside this one's, if that is
    worth it.
    """
    with ExitStack() as opened:
        if jobs is not None or cluster is not None:
            yield opened.enter_context(open_executor(1 if jobs is None else jobs, cluster))
            return

        def choose(size: int) -> Executor | None:
            others = processors() - 1
            return opened.enter_context(_open_pool(others)) if others and size >= WORTH_BYTES else None

        yield choose


@contextmanager
def open_executor(jobs: int = 1, cluster: str | None = None) -> Iterator[Executor | None]:
    """The executor that was asked for; None for this process alone.

    Parameters
    ----------
    jobs : processes of this machine. They are spawned: a fork would copy locks that polars' and DuckDB's threads hold.
    cluster : address of a Dask scheduler, ``tcp://host:port``. Its workers need the same version installed and must see the raw
        folder and the store's folder under the same paths.

    Raises
    ------
    RequestProblem : both were asked for, dask is not installed, or no scheduler answers.
    """
    if cluster is not None:
        if jobs != 1:
            raise RequestProblem(
                f"--jobs {jobs} and --cluster {cluster} were both given; workers come from one of them. Leave one out."
            )
        with _open_cluster(cluster) as executor:
            yield executor
    elif jobs == 1:
        yield None
    else:
        with _open_pool(jobs) as pool:
            yield pool


@contextmanager
def _open_pool(jobs: int) -> Iterator[Executor]:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with in_one_thread(), ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield pool


@contextmanager
def _open_cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError as error:
        raise RequestProblem(
            f"--cluster {address} needs Dask, which is not installed here; install it with `pip install 'poundworth[cluster]'`, "
            "or use the processors of this machine with --jobs N"
        ) from error
    try:
        client = Client(address, timeout=PATIENCE_S)
    except (OSError, ValueError, TypeError) as error:
        raise RequestProblem(
            f"no Dask scheduler answers at {address} ({(str(error).splitlines() or [type(error).__name__])[0][:120]}); "
            "an address looks like tcp://host:8786. Start one with `dask scheduler`, or leave --cluster out"
        ) from error
    try:
        yield client.get_executor(pure=False)
    finally:
        client.close()
