"""The one shape of an answer: a value with its interval, its unit and what it rests on."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its interval.

    Attributes
    ----------
    value : best estimate in ``unit``, or None when it cannot be given.
    low, high : ends of the interval, or None when an end cannot be given (then ``why`` says so).
    level : coverage of the interval, 0.95 unless asked.
    unit : unit of value and ends; "1" for a pure ratio.
    builds, runs : how many builds and runs it rests on.
    why : sentence that says why a value or an end is missing; None when nothing is missing.
    """

    value: float | None
    low: float | None
    high: float | None
    level: float
    unit: str
    builds: int
    runs: int
    why: str | None = None

    def to_json(self) -> dict[str, Any]:
        """The estimate as a plain dictionary; ``why`` only where something is missing."""
        row = asdict(self)
        if self.why is None:
            del row["why"]
        return row
