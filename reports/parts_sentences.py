"""What the gains of parts and the boost that offsets them say, in sentences graded by their intervals."""

from __future__ import annotations

import re

from models.estimate import Estimate
from models.gain_records import GainsResults, PartGains
from models.offset_records import OffsetAnswer
from reports.labels import clean_text
from reports.numbers import (
    MINUS,
    THIN,
    US,
    InBothUnits,
    UnitSystem,
    count_of,
    in_both,
    show_estimate,
    show_level,
    write_count,
    write_number,
)
from reports.part_words import engine_words, part_words
from reports.quantities_in_text import in_reader_units
from reports.sentences import say_why

#: With fewer publishers than this a sentence says that they are few.
FEW_PUBLISHERS = 5

#: A kind of part that gave nothing measurable on at least this share of its engines is called silent.
SILENT_SHARE = 0.5

#: A hyphen that stands for a minus sign.
_HYPHEN = re.compile(r"(?<![\w.])-(?=\d)")

#: Keeps a range in one line of a headline.
NBSP = "\u00a0"

#: Decimals of an offset boost, by unit system; the command prints the same.
BOOST_DIGITS = {"us": 2, "si": 1}


def _same(text: str) -> InBothUnits:
    return InBothUnits(text, text)


def boost_text(value: float | None, system: UnitSystem, *, unit: bool = True) -> str:
    """An offset boost [kPa] with the digits that the command prints."""
    if value is None:
        return "\u2013"
    scale = system.scales["boost"]
    text = write_number(value * scale.factor, BOOST_DIGITS[system.code])
    return f"{text}{THIN}{scale.unit}" if unit else text


def boost_range(estimate: Estimate, system: UnitSystem, *, unit: bool = True) -> str:
    """The range of an offset boost, or that it is not bounded."""
    if estimate.low is None or estimate.high is None:
        return "not bounded by these data" if estimate.why is None or "bounded" in estimate.why else "no range"
    low, high = (boost_text(end, system, unit=False) for end in (estimate.low, estimate.high))
    return f"{low} to {high}" + (f"{THIN}{system.scales['boost'].unit}" if unit else "")


def _sure(gains: GainsResults) -> list[PartGains]:
    """Kinds whose gain on one engine more is told from nothing, the most dependable first."""
    known = [one for one in gains.parts if one.new_engine_pct.low is not None and one.new_engine_pct.low > 0.0]
    return sorted(known, key=lambda one: -(one.new_engine_pct.low or 0.0))


def _silent(gains: GainsResults) -> list[PartGains]:
    return [one for one in gains.parts if one.engines and (one.not_measurable.value or 0.0) >= SILENT_SHARE]


def _range_pct(estimate: Estimate) -> str:
    return show_estimate(estimate, US).range


def say_parts_headline(gains: GainsResults) -> InBothUnits:
    """The kind of part that can be counted on most, with the range of one engine more; then those that stay silent."""
    if not gains.parts:
        return _same("No before/after pair is on record yet: what a part is worth cannot be told.")
    sure, silent = _sure(gains), _silent(gains)
    dependable = [one for one in sure if one not in silent]
    if dependable:
        first = dependable[0]
        text = f"{part_words(first.part)}: the next engine gains {_range_pct(first.new_engine_pct).replace(' ', NBSP)}."
    else:
        text = "No kind of part gives a gain that the next engine can count on."
    if silent:
        least = min(silent, key=lambda one: one.gain_pct.value or 0.0)
        count = round((least.not_measurable.value or 0.0) * least.engines)
        on = f"all {least.engines}" if count == least.engines else f"{write_count(count)} of {write_count(least.engines)}"
        text += f" {part_words(least.part)}: nothing that a dyno could show, on {on}."
    return _same(text)


def say_parts_basis(gains: GainsResults) -> InBothUnits:
    """What the figures rest on."""
    fed = [pair for pair in gains.pairs if pair.feeds]
    publishers = len({pair.publisher for pair in fed})
    out = len(gains.pairs) - len(fed)
    left = f"; {write_count(out)} more {'is' if out == 1 else 'are'} answered but left out" if out else ""
    return _same(f"{count_of(len(fed), 'before/after pair')} of {count_of(publishers, 'publisher')}{left}")


def say_part_gains(gains: GainsResults) -> InBothUnits:
    """How kinds differ, above their chart."""
    known = [one for one in gains.parts if one.gain_pct.value is not None]
    if not known:
        return _same("No kind of part has a pair that could be judged.")
    sure = _sure(gains)
    words = ", ".join(part_words(one.part).lower() for one in sure)
    of = f"{write_count(len(sure))} of {count_of(len(known), 'kind')}"
    verb = "has a range that lies" if len(sure) == 1 else "have a range that lies"
    text = f"{of} of part {verb} above nothing for one engine more{f': {words}' if words else ''}."
    few = max(one.publishers for one in known)
    if few < FEW_PUBLISHERS:
        text += f" All rests on {count_of(few, 'publisher')}, which says little about others."
    return _same(text)


def say_by_size(gains: GainsResults) -> InBothUnits:
    """Whether gains, as a share, grow with specific output."""
    found = gains.growth.moderation
    if found.value is None or found.low is None or found.high is None:
        return _same(f"Whether parts give more on engines that make more per litre cannot be told. {say_why(found)}")
    shown = show_estimate(found, US, share=True)
    if found.low > 0.0:
        text = f"Engines that make more per litre gain more, also as a share: twice the output per litre goes with gains {shown.full} larger."
    elif found.high < 0.0:
        text = f"Engines that make more per litre gain less as a share: twice the output per litre changes gains by {shown.full}."
    else:
        text = f"Whether engines that make more per litre gain more cannot be told: twice the output per litre changes gains by {shown.full}."
    return _same(text)


def recorded(text: str, longest: int = 900) -> InBothUnits:
    """A sentence of the results in the reader's units, with true minus signs."""
    return in_reader_units(_HYPHEN.sub(MINUS, clean_text(text, longest)))


def say_growth(gains: GainsResults) -> InBothUnits:
    """How gains grow under boost, in the words of the results."""
    return recorded(gains.growth.sentence)


def say_offset_example(at: OffsetAnswer, level: float) -> InBothUnits:
    """One engine and one gain: the simple figure, from no boost, and at present boost."""

    def write(system: UnitSystem) -> str:
        power = system.scales["power"]
        na, gain = (f"{write_number(v * power.factor, 0)}{THIN}{power.unit}" for v in (at.engine.na_kw, at.gain_kw))
        text = (
            f"{gain} on {na}: the simple figure says {boost_text(at.rule_kpa, system)}. "
            f"From no boost, an engine like these takes {boost_range(at.at_no_boost, system)}"
        )
        if at.at_boost is None or at.engine.boost_kpa is None:
            return text + "."
        now = f"{write_number(at.engine.boost_kpa * system.scales['boost'].factor, 0)}{THIN}{system.scales['boost'].unit}"
        return text + f"; on top of {now}, {boost_range(at.at_boost, system)}."

    kind = engine_words(at.engine.induction, at.engine.charge_cooling, at.engine.fuel)
    shown = show_level(Estimate(None, None, None, level, "1", 0, 0))
    tail = f" ({kind}; {shown} ranges.)"
    both = in_both(write)
    return InBothUnits(both.us + tail, both.si + tail)


def say_falls_short(answers: tuple[OffsetAnswer, ...]) -> InBothUnits:
    """How far the simple figure falls short at the highest boost that is drawn."""
    known = [one for one in answers if one.at_boost is not None and one.at_boost.value is not None and one.engine.boost_kpa]
    if not known:
        return _same("No boosted build of this kind was tested: how the simple figure fares under boost cannot be shown.")
    last = known[-1]

    def write(system: UnitSystem) -> str:
        scale, best = system.scales["boost"], last.at_boost
        at = f"{write_number((last.engine.boost_kpa or 0.0) * scale.factor, 0)}{THIN}{scale.unit}"
        simple = boost_text(last.rule_kpa, system)
        assert best is not None
        lies = "below the whole range of" if best.low is not None and last.rule_kpa < best.low else "within the range of"
        return f"At {at} the simple figure of {simple} lies {lies} what is needed, {boost_range(best, system)}."

    return in_both(write)
