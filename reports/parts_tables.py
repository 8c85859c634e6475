"""Tables of the parts page: the trade's simple table with ranges, pairs, moderators, growth by kind, curves, chart columns."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from models.gain_records import CurveGain, GainsResults, PairGain
from models.offset_records import Engine, Growth, OffsetAnswer, OffsetModel
from models.offset_tables import LARGEST_SHARE, offset_by_output
from reports.labels import clean_text
from reports.numbers import SYSTEMS, THIN, US, InBothUnits, UnitSystem, in_both, show_estimate, show_reported, write_number
from reports.part_words import part_words
from reports.parts_sentences import boost_range, boost_text, recorded
from reports.tables import Cell, Column, Table

#: Gains of the trade's table and the step of its outputs, by unit system [hp, kW].
TRADE_GAINS = {"us": (20.0, 40.0, 60.0), "si": (15.0, 30.0, 45.0)}
TRADE_STEP = {"us": 100.0, "si": 75.0}

#: Most outputs of that table.
MOST_OUTPUTS = 6

#: Most pairs that are set in the page; the CSV file of the first chart has all that feed the figures.
MOST_PAIRS = 300

PART_COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "gains": (
        "parts",
        (
            Column("name", "Part"), Column("shown", "Mean engine"), Column("new_shown", "One engine more"),
            Column("silent", "Nothing measurable on", None, True), Column("engines", "Engines", None, True),
            Column("publishers", "Publishers", None, True), Column("pairs", "Pairs", None, True),
        ),
    ),
    "size": (
        "part_pairs",
        (
            Column("part", "Part"), Column("name", "Engine"), Column("publisher", "Publisher"),
            Column("before_kw", "Before", "power", True), Column("kw_per_litre", "Per litre", "power", True),
            Column("gain_share", "Gain", "tenths", True), Column("low_share", "Lower end", "tenths", True),
            Column("high_share", "Upper end", "tenths", True), Column("verdict", "Verdict"),
        ),
    ),
    "both_ways": (
        "both_ways",
        (
            Column("part", "Part"), Column("name", "Engine"), Column("publisher", "Publisher"),
            Column("boost_kpa", "Boost", "boost", True), Column("power_ratio", "Power ratio", "ratio", True),
            Column("gain_kw", "Gain without boost", "power_1", True), Column("boosted_gain_kw", "Gain under boost", "power_1", True),
            Column("predicted_kw", "Multiplied in full", "power_1", True),
        ),
    ),
    "offset_output": (
        "offset_by_output",
        (
            Column("na_power_kw", "Output without boost", "power", True), Column("gain_kw", "Gain", "power", True),
            Column("rule_kpa", "Simple figure", "boost_fine", True), Column("offset_kpa", "Same power takes", "boost_fine", True),
            Column("low_kpa", "Lower end", "boost_fine", True), Column("high_kpa", "Upper end", "boost_fine", True),
        ),
    ),
    "offset_boost": (
        "offset_by_boost",
        (
            Column("boost_kpa", "Already running", "boost", True), Column("rule_kpa", "Simple figure", "boost_fine", True),
            Column("offset_kpa", "Same power takes", "boost_fine", True), Column("low_kpa", "Lower end", "boost_fine", True),
            Column("high_kpa", "Upper end", "boost_fine", True),
        ),
    ),
}  # fmt: skip


def round_outputs(low_kw: float, high_kw: float, system: UnitSystem) -> list[float]:
    """Round outputs of a unit system within what was tested [kW], from the lowest on, no more than a table holds."""
    step, per = TRADE_STEP[system.code], system.scales["power"].factor
    first, last = math.ceil(low_kw * per / step - 1e-9), math.floor(high_kw * per / step + 1e-9)
    counts = list(range(max(first, 1), last + 1))
    # Outputs that all gains of the table may stand against come first.
    least = max(TRADE_GAINS[system.code]) / LARGEST_SHARE / step
    wide = [k for k in counts if k >= least] or counts
    return [k * step / per for k in wide[:MOST_OUTPUTS]]


def table_of_the_trade(
    model: OffsetModel, engine: Engine, ends: tuple[float, float], boosts_kpa: dict[str, float], growth: Growth
) -> Table | None:
    """The simple table rebuilt: for round outputs and gains the simple figure, and the ranges from no boost and at present boost.

    ``ends`` are the tested outputs [kW], ``boosts_kpa`` the round present boost of each unit system.
    """
    by_system: dict[str, tuple[OffsetAnswer, ...]] = {}
    for code, system in SYSTEMS.items():
        outputs = round_outputs(*ends, system)
        gains = [gain / system.scales["power"].factor for gain in TRADE_GAINS[code]]
        running = replace(engine, boost_kpa=boosts_kpa[code])
        by_system[code] = offset_by_output(model, outputs, gains, running, growth)
    count = min(len(answers) for answers in by_system.values())
    if count == 0:
        return None
    rows = tuple(_trade_row(by_system["us"][k], by_system["si"][k]) for k in range(count))

    def on_top(system: UnitSystem) -> str:
        return f"On top of {show_reported(boosts_kpa[system.code], 'boost', system)}"

    def at(words: str) -> InBothUnits:
        return in_both(lambda s: f"{words}, {s.scales['boost'].unit}")

    heads: tuple[Cell, ...] = ("Gain on output", at("Simple figure"), at("From no boost"), "Best", in_both(on_top), "Best")
    return Table(heads, rows, frozenset({1, 2, 3, 4, 5}))


def _trade_row(us: OffsetAnswer, si: OffsetAnswer) -> tuple[Cell, ...]:
    def both(write: Callable[[OffsetAnswer, UnitSystem], str]) -> InBothUnits:
        return InBothUnits(write(us, SYSTEMS["us"]), write(si, SYSTEMS["si"]))

    def power(value: float, system: UnitSystem) -> str:
        return write_number(value * system.scales["power"].factor, 0)

    def name(one: OffsetAnswer, s: UnitSystem) -> str:
        return f"{power(one.gain_kw, s)} on {power(one.engine.na_kw, s)}{THIN}{s.scales['power'].unit}"

    def running(one: OffsetAnswer, s: UnitSystem) -> str:
        return "\u2013" if one.at_boost is None else boost_range(one.at_boost, s, unit=False)

    return (
        both(name),
        both(lambda one, s: boost_text(one.rule_kpa, s, unit=False)),
        both(lambda one, s: boost_range(one.at_no_boost, s, unit=False)),
        both(lambda one, s: boost_text(one.at_no_boost.value, s, unit=False)),
        both(running),
        both(lambda one, s: boost_text(None if one.at_boost is None else one.at_boost.value, s, unit=False)),
    )


def table_of_moderators(gains: GainsResults) -> Table:
    """How the gain of each kind depends on the engine before, in the words of the results."""
    rows = tuple(
        (part_words(part.part), recorded(one.sentence, 400))
        for part in gains.parts
        for one in part.moderators
    )  # fmt: skip
    return Table(("Part", "What the pairs say"), rows)


def table_of_growth(gains: GainsResults) -> Table:
    """Growth under boost by kind of part, all kinds first."""
    over_all = gains.growth
    lines: list[tuple[Cell, ...]] = [
        ("All kinds together", show_estimate(over_all.growth, US).best, show_estimate(over_all.growth, US).range, write_number(over_all.boosted_pairs, 0))
    ]  # fmt: skip
    for one in gains.parts:
        if one.growth_under_boost.value is not None:
            shown = show_estimate(one.growth_under_boost, US)
            lines.append((part_words(one.part), shown.best, shown.range, write_number(one.boosted_pairs, 0)))
    return Table(("Part", "Growth", "Interval", "Pairs under boost"), tuple(lines), frozenset({1, 2, 3}))


def table_of_pairs(gains: GainsResults) -> Table:
    """Every pair and whether its gain is real; those that feed no figure first."""

    def boost(pair: PairGain) -> Cell:
        return in_both(lambda s: show_reported(pair.boost_before_kpa, "boost", s)) if pair.is_boosted else "none"

    def words(pair: PairGain) -> InBothUnits:
        barred = " ".join(doubt.sentence for doubt in pair.doubts if doubt.bars and doubt.sentence not in pair.sentence)
        return recorded(f"{pair.sentence} {barred}".strip(), 700)

    ordered = sorted(gains.pairs, key=lambda p: (bool(p.feeds), p.kind, p.publisher, p.build, p.boost_before_kpa))
    rows = tuple(
        (part_words(pair.kind), clean_text(pair.build), clean_text(pair.publisher), boost(pair), words(pair))
        for pair in ordered[:MOST_PAIRS]
    )
    return Table(("Part", "Engine before", "Publisher", "Boost", "Is the gain real?"), rows)


def table_of_curves(curves: Sequence[CurveGain]) -> Table:
    """Pairs with curves before and after: the average over the band and where power is won and lost."""
    rows = tuple(
        (
            part_words(" + ".join(one.curve.parts)), clean_text(one.curve.build), clean_text(one.curve.publisher),
            recorded(one.sentence, 600),
        )
        for one in curves[:MOST_PAIRS]
    )  # fmt: skip
    return Table(("Part", "Engine before", "Publisher", "Over the whole curve"), rows)
