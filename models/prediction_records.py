"""Records of how well the estimate does on engines that it has not seen. Nothing here computes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from models.estimate_records import PredictionModel
from models.plain_records import to_plain


@dataclass(frozen=True, slots=True)
class CoverageLine:
    """One group of boosted runs, each predicted without its own engine.

    Attributes
    ----------
    kind : ``all``, ``boost``, ``induction``, ``charge_cooling`` or ``measured_at``. group : the band or level in words.
    low_kpa, high_kpa : ends of a band of boost at sea level; None elsewhere and for an open end.
    builds, runs : how many. error_pct : mean of |P / expected - 1|, each build once.
    bias_pct : mean of P / expected - 1.
    cover80, cover95 : share inside the range, each build once; None where too few builds give such a range.
    """

    kind: str
    group: str
    low_kpa: float | None
    high_kpa: float | None
    builds: int
    runs: int
    error_pct: float
    bias_pct: float
    cover80: float | None
    cover95: float | None


@dataclass(frozen=True, slots=True)
class MethodLine:
    """One way to predict: error, coverage and width (upper end over lower, less one, in per cent) out of engine."""

    name: str
    words: str
    error_pct: float
    cover80: float | None
    cover95: float | None
    width80_pct: float | None
    width95_pct: float | None


@dataclass(frozen=True, slots=True)
class PredictionCheck:
    """Grouped cross-validation of the estimate.

    Attributes
    ----------
    folds : parts that the engines were dealt into. builds, runs : checked.
    lines : coverage and error by group, all runs first. methods : the estimate first, then what else one could have used.
    sentence : what it says in a sentence. notes : how it was measured.
    """

    folds: int
    builds: int
    runs: int
    lines: tuple[CoverageLine, ...]
    methods: tuple[MethodLine, ...]
    sentence: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PredictionResults:
    """What the store keeps: model and check, or why there is neither."""

    model: PredictionModel | None
    check: PredictionCheck | None
    why: str | None


def prediction_to_json(results: PredictionResults) -> dict[str, Any]:
    """The results as plain dictionaries and lists."""
    return to_plain(results)


def prediction_from_json(row: dict[str, Any]) -> PredictionResults:
    """Inverse of :func:`prediction_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not one of this version.
    """
    return TypeAdapter(PredictionResults).validate_python(row)
