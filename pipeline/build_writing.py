"""Files that were read go into the store: through the gate, many small ones in one transaction, while the next ones are read.

A transaction costs a fixed time, and one of many rows is written once where small ones are written twice. Each file is whole in
the store or not there at all, whatever ends the build; what it costs is that the files of the last seconds are read again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

import duckdb

from pipeline import store
from pipeline.build_file import FileOutcome, FileTask, say_problem
from pipeline.clean_file import check_results
from pipeline.errors import FileProblem
from pipeline.file_result import FileResult, LedgerRow

#: Rows that wait for one transaction at most. DuckDB writes whole blocks of 122,880 rows to their place at once; what is left of
#: a transaction is written again at the end, which takes as long as the writing where transactions hold one block.
ROWS_TOGETHER = 500_000
#: Seconds after which files wait no longer: what a killed build would have to read again.
SECONDS_TOGETHER = 10.0


class Writing:
    """What is to be written, in the order in which it was read; a thread of its own writes it.

    Between the first step and :meth:`end` that thread alone uses the connection. One transaction is written while another is
    collected.

    Parameters
    ----------
    con : the store, open for writing.
    ledger : what it held of each file before.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, ledger: Mapping[tuple[str, str], LedgerRow]) -> None:
        self._con, self._ledger = con, ledger
        self._waiting: list[FileResult] = []
        self._rows, self._since, self._stored = 0, time.monotonic(), 0
        self._thread = ThreadPoolExecutor(1)
        self._running: Future[int] | None = None

    def __enter__(self) -> Writing:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Let what is being written come to its end: the connection is closed next."""
        self._thread.shutdown()

    def take(self, task: FileTask, outcome: FileOutcome) -> None:
        """Take what became of one file; rows wait until enough of them are together.

        Raises
        ------
        StoreProblem, duckdb.Error : what was taken before cannot be written.
        """
        if outcome.result is None:
            self._keep_line(task.held, outcome.ledger)
            return
        if not self._waiting:
            self._since = time.monotonic()
        self._waiting.append(outcome.result)
        self._rows += outcome.result.ledger.rows_read
        if self._rows >= ROWS_TOGETHER or time.monotonic() - self._since >= SECONDS_TOGETHER:
            self._write()

    def keep_problem(self, source: str, file: str, problem: str, sha: str, recipe: str) -> None:
        """Name the problem of a file in the ledger; rows held from before stay, and so do their hashes."""
        held = self._ledger.get((source, file))
        self._keep_line(held, say_problem(source, file, held, problem, sha, recipe))

    def end(self) -> int:
        """Write what still waits and see all of it done; returns how many files were stored."""
        self._write()
        self._settle()
        return self._stored

    def _write(self) -> None:
        waiting, self._waiting, self._rows = self._waiting, [], 0
        self._start(lambda: self._store(waiting))

    def _keep_line(self, held: LedgerRow | None, row: LedgerRow | None) -> None:
        if row is not None and row != held:
            self._start(lambda: self._write_lines([row]))

    def _start(self, step: Callable[[], int]) -> None:
        """Let the thread take a step once the one before is done."""
        self._settle()
        self._running = self._thread.submit(step)

    def _settle(self) -> None:
        running, self._running = self._running, None
        if running is not None:
            self._stored += running.result()

    def _store(self, results: list[FileResult]) -> int:
        """Store files together; where the gate refuses them, each is asked alone, so that only the one at fault is skipped."""
        if not results:
            return 0
        try:
            check_results(results)
        except FileProblem as error:
            if len(results) > 1:
                return sum(self._store([result]) for result in results)
            row = results[0].ledger
            held = self._ledger.get((row.source, row.file))
            return self._write_lines([say_problem(row.source, row.file, held, str(error), row.sha256, row.recipe)])
        store.write_files(self._con, results)
        return len(results)

    def _write_lines(self, rows: list[LedgerRow]) -> int:
        """Write lines of files that bring no rows; none was stored."""
        store.write_ledger(self._con, rows)
        return 0
