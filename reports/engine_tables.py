"""Tables of the engine page: how often the ranges held, and other ways to predict beside the estimate."""

from __future__ import annotations

from models.estimate_records import PredictionModel
from models.prediction_records import PredictionCheck
from reports.engine_sentences import group_words, per_cent, percent
from reports.labels import COOLING, INDUCTION, clean_text, word_for
from reports.numbers import MINUS, in_both, show_reported, write_count, write_number
from reports.quantities_in_text import in_reader_units
from reports.tables import Cell, Table

_KINDS = {"boost": "Boost", "induction": "Induction", "charge_cooling": "Cooling", "measured_at": "Measured at", "all": ""}


def table_of_coverage(check: PredictionCheck) -> Table:
    """One line for each group of boosted runs, all of them first."""
    rows: list[tuple[Cell, ...]] = []
    for one in check.lines:
        words, kind = group_words(one), _KINDS.get(one.kind, "")
        name: Cell = in_reader_units(f"{kind} {words}" if one.kind == "boost" else words)
        rows.append(
            (
                name, percent(one.cover80), percent(one.cover95), per_cent(one.error_pct), _signed(one.bias_pct),
                write_count(one.builds), write_count(one.runs),
            )
        )  # fmt: skip
    heads = ("Boosted runs", "80 % range held", "95 % range held", "Off by, average", "Leans by", "Builds", "Runs")
    return Table(heads, tuple(rows), frozenset(range(1, 7)))


def _signed(value: float) -> str:
    text = per_cent(abs(value))
    return text if float(f"{abs(value):.1f}") == 0.0 else ("+" if value > 0 else MINUS) + text


def table_of_methods(check: PredictionCheck) -> Table:
    """One line for each way to predict: error, coverage, width."""
    rows: list[tuple[Cell, ...]] = [
        (
            _sentence_case(clean_text(one.words, 120)), per_cent(one.error_pct), percent(one.cover80), percent(one.cover95),
            _width(one.width80_pct), _width(one.width95_pct),
        )
        for one in check.methods
    ]  # fmt: skip
    heads = ("Way to predict", "Off by, average", "80 % held", "95 % held", "Width of 80 %", "Width of 95 %")
    return Table(heads, tuple(rows), frozenset(range(1, 6)))


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def _width(value: float | None) -> str:
    return "\u2013" if value is None else per_cent(value, 0)


def table_of_classes(model: PredictionModel) -> Table:
    """What was tested of each pair of induction and cooling: where the sliders end."""
    rows: list[tuple[Cell, ...]] = [
        (
            f"{word_for(one.induction, INDUCTION)}, {word_for(one.charge_cooling, COOLING)}",
            in_both(lambda system, one=one: show_reported(one.highest_boost_kpa, "boost", system)),  # type: ignore[misc]
            write_number(one.highest_boost_ratio, 2), write_count(one.builds), write_count(one.publishers),
        )
        for one in model.evidence.classes
    ]  # fmt: skip
    heads = ("Class", "Highest boost", "Over the air pressure there", "Builds", "Publishers")
    return Table(heads, tuple(rows), frozenset({1, 2, 3, 4}))
