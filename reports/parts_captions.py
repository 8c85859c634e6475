"""Captions of the charts of the parts page: a question, what to see, and a description that stands in for the picture."""

from __future__ import annotations

from models.gain_records import GainsResults
from models.offset_records import Engine
from reports.captions import Caption, make_caption
from reports.numbers import US, count_of, show_estimate
from reports.part_words import engine_words, part_words


def part_captions(gains: GainsResults, engine: Engine, level: float) -> dict[str, Caption]:
    """Captions by chart; ``engine`` is the one that the offset charts are drawn for."""
    known = [one for one in gains.parts if one.gain_pct.value is not None]
    told = "; ".join(
        f"{part_words(one.part)} {show_estimate(one.gain_pct, US).full}, one engine more {show_estimate(one.new_engine_pct, US).range}"
        for one in known
    )
    kind = engine_words(engine.induction, engine.charge_cooling, engine.fuel)
    share = f"{level * 100:.0f}\u202f%"
    both_ways = len(gains.growth.both_ways)
    return {
        "gains": make_caption(
            "What is each kind of part worth?",
            "The wide bar is where one engine more may land, the line how well the mean engine is known. Each small dot is one "
            "before/after pair without boost; an open one could not be told from no change by its own test. Parts changed "
            "together stay together.",
            lambda s: f"Ranges and dots of gains in per cent of the power before: {told or 'none'}.",
        ),
        "size": make_caption(
            "Who gains more?",
            "One dot is one pair without boost with its interval, against what the engine made per litre before the change. The "
            "line is the one fitted in the logarithm of that output, drawn where the records give one.",
            lambda s: f"Scatter of gains in per cent against output in {s.scales['power'].unit} per litre, a frame for each kind of part.",
        ),
        "both_ways": make_caption(
            "Is the gain multiplied under boost?",
            "One dot is one engine on which the part was changed without boost and at equal boost. On the dashed line the gain grows "
            "as the power does; on the dotted one it stays what it was. The line with its band is what all pairs together say. An open "
            "dot stands for a gain that could not be told from nothing without boost, so that its ratio means little. Dots at the edge stand beyond it.",
            lambda s: (
                f"Scatter of gain under boost over gain without against the power ratio for {count_of(both_ways, 'engine')} tested both ways, "
                f"with growth {show_estimate(gains.growth.growth, s).full}."
            ),
        ),
        "offset_output": make_caption(
            "How much boost is a gain worth, on which engine?",
            f"One line is one gain, from no boost, with the {share} range of one engine ({kind}); the thin dashed line beside it is the "
            "simple figure, gain over (output over one atmosphere). Gains above a quarter of the output are not drawn.",
            lambda s: (
                f"Lines of boost in {s.scales['boost'].unit} against output in {s.scales['power'].unit}: the larger the engine, the "
                "less boost gives the same gain."
            ),
        ),
        "offset_boost": make_caption(
            "And on top of boost that already runs?",
            f"What it takes to match the same part at each boost already running ({kind}), with the {share} range of one engine. The "
            "simple figure does not know what boost is running: it stays level while the part's gain grows with the power.",
            lambda s: f"A rising line of extra boost in {s.scales['boost'].unit} against boost already running, and the level simple figure.",
        ),
    }  # fmt: skip


def frame_words(part: str, pairs: int, fitted: str) -> str:
    """Words for screen readers of one frame of gains against specific output."""
    return f"{part_words(part)}: {count_of(pairs, 'pair')} of gain against output per litre. {fitted}"
