"""Who reads files beside this process: processes of this machine, or a cluster's workers."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager

from pipeline.errors import RequestProblem
from pipeline.memory import in_one_thread, processors

#: Bytes to be read from which processes of their own are worth their start, which takes a second each.
WORTH_BYTES = 16_000_000
#: Told how many bytes are to be read; gives who reads them beside this process, None for nobody.
Chooser = Callable[[int], Executor | None]

#: Seconds to wait for a cluster's scheduler to answer.
PATIENCE_S = 10


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

    with (
        in_one_thread(),
        ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_leave_interrupts) as pool,
    ):
        yield pool


def _leave_interrupts() -> None:
    """A worker takes no notice of Ctrl-C, which reaches it too: the process that started it ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


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
