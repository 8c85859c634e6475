"""Files that were read go into the store: through the gate, and many small ones in one transaction.

A transaction costs a fixed time, and one of many rows is written once where small ones are written twice. Each file is whole in
the store or not there at all, whatever ends the build; what it costs is that the files of the last seconds are read again.
"""

from __future__ import annotations

import time
from collections.abc import Mapping

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
    """What is to be written, in the order in which it was read."""

    def __init__(self, con: duckdb.DuckDBPyConnection, ledger: Mapping[tuple[str, str], LedgerRow]) -> None:
        self._con, self._ledger = con, ledger
        self._waiting: list[FileResult] = []
        self._rows, self._since, self._stored = 0, time.monotonic(), 0

    def take(self, task: FileTask, outcome: FileOutcome) -> None:
        """Take what became of one file; rows wait until enough of them are together."""
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
        """Write what still waits; returns how many files were stored in all."""
        self._write()
        return self._stored

    def _write(self) -> None:
        waiting, self._waiting, self._rows = self._waiting, [], 0
        self._stored += self._store(waiting)

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
            self.keep_problem(row.source, row.file, str(error), row.sha256, row.recipe)
            return 0
        store.write_files(self._con, results)
        return len(results)

    def _keep_line(self, held: LedgerRow | None, row: LedgerRow | None) -> None:
        if row is not None and row != held:
            store.write_ledger(self._con, [row])
