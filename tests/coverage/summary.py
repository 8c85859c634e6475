"""Simulated studies added up: bias, coverage and rates with their Monte Carlo error, limits checked, a report in Markdown."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from models.simulate_worlds import WORLDS, world
from tests.coverage.measures import Measured, draw, measure
from tests.coverage.worlds import Limit, World

#: A figure this many Monte Carlo errors beyond its limit misses it; nearer ones are within what chance does.
CLEAR_MISS = 2.0


@dataclass(frozen=True)
class Row:
    """One figure of one quantity; ``error`` is its Monte Carlo error."""

    quantity: str
    figure: str
    value: float
    error: float
    studies: int
    verdict: str  # "", "kept", "missed by chance?", "MISSED"
    limit: str


def run_world(one: World, studies: int, first_seed: int = 1) -> list[Measured]:
    """Draw, fit and measure; study k of a world is the same whenever it is drawn, and no two worlds share a seed."""
    truth = replace(world(one.name), **one.changed[1])
    begin = 100_000 * list(WORLDS).index(one.name) + first_seed if one.name in WORLDS else first_seed
    seeds = range(begin, begin + min(studies, one.studies or studies))
    return [measure(draw(truth, seed, one.builds), one.measures) for seed in seeds]


def summarise(one: World, found: Sequence[Measured]) -> list[Row]:
    """All figures of a world, with verdicts where there is a limit."""
    figures = [("studies without an answer", "rate", *_rate(sum(f.failed for f in found), len(found)), len(found))]
    answered = [f for f in found if not f.failed]
    for name in _names(f.estimates for f in answered):
        pairs = [f.estimates[name] for f in answered if name in f.estimates]
        known = [(truth, e) for truth, e in pairs if e.value is not None]
        if known:
            figures.append((name, "bias", *_mean([float(e.value or 0.0) - truth for truth, e in known]), len(known)))
        ranged = [(truth, e.low, e.high) for truth, e in known if e.low is not None and e.high is not None]
        if ranged:
            hits = sum(low <= truth <= high for truth, low, high in ranged)
            figures.append((name, "coverage", *_rate(hits, len(ranged)), len(ranged)))
            figures.append((name, "width", *_mean([high - low for _, low, high in ranged]), len(ranged)))
        if len(known) < len(pairs):
            figures.append((name, "unanswered", *_rate(len(pairs) - len(known), len(pairs)), len(pairs)))
    for name in _names(f.outcomes for f in answered):
        told = [f.outcomes[name] for f in answered if name in f.outcomes]
        figures.append((name, "rate", *_rate(sum(told), len(told)), len(told)))
    for name in _names(f.counts for f in answered):
        pieces = [f.counts[name] for f in answered if name in f.counts]
        figures.append((name, "rate", *_clustered_rate(pieces), len(pieces)))
    return [_row(one.limits, *figure) for figure in figures]


def _names(tables: Iterable[dict[str, object]]) -> list[str]:
    return list(dict.fromkeys(name for table in tables for name in table))


def _mean(values: Sequence[float]) -> tuple[float, float]:
    n = len(values)
    mean = math.fsum(values) / n
    spread = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1)) if n > 1 else math.nan
    return mean, spread / math.sqrt(n)


def _rate(hits: int, of: int) -> tuple[float, float]:
    """A share and its error; the error of none or all is that of half a hit."""
    if of == 0:
        return math.nan, math.nan
    steady = min(max(hits, 0.5), of - 0.5) / of
    return hits / of, math.sqrt(steady * (1 - steady) / of)


def _clustered_rate(pieces: Sequence[tuple[int, int]]) -> tuple[float, float]:
    """Parts over wholes added over studies, with the error between studies."""
    whole = sum(of for _, of in pieces)
    if whole == 0:
        return math.nan, math.nan
    rate = sum(part for part, _ in pieces) / whole
    scatter = math.fsum((part - rate * of) ** 2 for part, of in pieces)
    return rate, max(math.sqrt(scatter) / whole, _rate(round(rate * whole), whole)[1])


def _row(limits: Sequence[Limit], quantity: str, figure: str, value: float, error: float, studies: int) -> Row:
    limit = next((one for one in limits if (one.quantity, one.figure) == (quantity, figure)), None)
    if limit is None:
        return Row(quantity, figure, value, error, studies, "", "")
    words = f"{limit.low:g} to {limit.high:g}"
    if limit.low <= value <= limit.high:
        return Row(quantity, figure, value, error, studies, "kept", words)
    beyond = max(limit.low - value, value - limit.high)
    clear = not beyond <= CLEAR_MISS * error or limit.low == limit.high
    return Row(quantity, figure, value, error, studies, "MISSED" if clear else "missed by chance?", words)


def unmet(one: World, rows: Sequence[Row]) -> list[str]:
    """Sentences for limits that were clearly missed or never measured."""
    seen = {(row.quantity, row.figure) for row in rows}
    absent = [f"{one.label}: {x.quantity}, {x.figure}: never measured" for x in one.limits if (x.quantity, x.figure) not in seen]
    missed = [
        f"{one.label}: {row.quantity}, {row.figure} {row.value:.4f} +- {row.error:.4f}, limit {row.limit}"
        for row in rows
        if row.verdict == "MISSED"
    ]
    return absent + missed


def to_markdown(made: Sequence[tuple[World, list[Row], float]], head: Sequence[str]) -> str:
    """The report."""
    lines = list(head)
    for one, rows, seconds in made:
        lines += ["", f"## {one.label.replace('_', ' ')}", "", f"{seconds:.0f} s.", ""]
        lines += ["| quantity | figure | value | Monte Carlo error | studies | limit | |", "|---|---|---:|---:|---:|---|---|"]
        for row in rows:
            lines.append(
                f"| {row.quantity} | {row.figure} | {row.value:.4f} | {row.error:.4f} | {row.studies} | {row.limit} | {row.verdict} |"
            )
    return "\n".join(lines) + "\n"
