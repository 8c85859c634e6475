"""What one source file turns into: clean rows, refused rows, flags and its line of the ledger."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import polars as pl


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One file as the ledger keeps it; one line a file however often it is built.

    `recipe` is the hash of everything besides the file that its rows depend on (its entry in
    source.toml, repairs, the reading code). `problem` is the sentence of a file that could not be
    used; its counts are then those of the rows still held from before.
    """

    source: str
    file: str
    sha256: str
    recipe: str
    size: int
    mtime_ns: int
    seen_on: str
    rows_read: int = 0
    refused: int = 0
    repeated: int = 0
    runs: int = 0
    sweep_points: int = 0
    changes: int = 0
    problem: str | None = None
    withdrawn: str | None = None

    @property
    def accepted(self) -> int:
        """Rows that entered the store and are counted."""
        return self.rows_read - self.refused - self.repeated

    def as_dict(self) -> dict[str, Any]:
        """Column -> value."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class FileResult:
    """Everything one file adds to the store."""

    ledger: LedgerRow
    runs: pl.DataFrame
    builds: pl.DataFrame
    points: pl.DataFrame
    changes: pl.DataFrame
    refused: pl.DataFrame
    flags: pl.DataFrame
    repairs: tuple[str, ...] = ()
