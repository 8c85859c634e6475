"""Offset boost over a range of engines and of present boosts: the tables behind the charts, and the one a writer wants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from models.offset_boost import answer_offset
from models.offset_evidence import kinds_like
from models.offset_records import Engine, Gain, Growth, OffsetAnswer, OffsetModel
from models.rule import KPA_PER_PSI

#: Points of a chart's lines against output.
POINTS = 25

#: A gain above this share of the output is that of no one part, and is not tabled.
LARGEST_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class OffsetTables:
    """Two tables of answers.

    ``by_output`` : for each gain in kW, from the engine of least output to that of most. ``by_boost`` : one engine and one gain,
    at each whole psi of present boost up to the highest tested.
    """

    by_output: tuple[OffsetAnswer, ...]
    by_boost: tuple[OffsetAnswer, ...]


def offset_by_output(
    model: OffsetModel, na_kw: Sequence[float], gains_kw: Sequence[float], engine: Engine, growth: Growth | None = None
) -> tuple[OffsetAnswer, ...]:
    """Offset of each gain [kW] on engines like ``engine`` of each output [kW], gain by gain; gains above a quarter of
    the output are left out.

    Raises
    ------
    RequestProblem : as :func:`models.offset_boost.answer_offset`.
    """
    return tuple(
        answer_offset(model, replace(engine, na_kw=na), Gain(gain / na), growth)
        for gain in gains_kw
        for na in na_kw
        if gain <= LARGEST_SHARE * na
    )


def offset_by_boost(model: OffsetModel, engine: Engine, gain: Gain, growth: Growth | None = None) -> tuple[OffsetAnswer, ...]:
    """Offset of one gain at each whole psi of present boost that the engine's kind was tested at."""
    top = max((kind.top_boosts_kpa[0] for kind in kinds_like(model, engine)), default=0.0)
    steps = range(int(top / KPA_PER_PSI) + 1)
    return tuple(answer_offset(model, replace(engine, boost_kpa=psi * KPA_PER_PSI, made_kw=None), gain, growth) for psi in steps)


def make_offset_tables(
    model: OffsetModel, engine: Engine, gains_kw: Sequence[float], gain: Gain, growth: Growth | None = None
) -> OffsetTables:
    """Tables for the charts: outputs over the range tested of the engine's kind, closer together where they are low."""
    kinds = kinds_like(model, engine)
    if not kinds:
        return OffsetTables((), ())
    low, high = min(kind.lowest_na_kw for kind in kinds), max(kind.highest_na_kw for kind in kinds)
    outputs = [low * (high / low) ** (step / (POINTS - 1)) for step in range(POINTS)]
    still = replace(engine, boost_kpa=None, made_kw=None)
    return OffsetTables(offset_by_output(model, outputs, gains_kw, still, growth), offset_by_boost(model, engine, gain, growth))
