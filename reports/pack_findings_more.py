"""Findings on parts, on the estimate for one engine, and on rules of thumb, for an article pack."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from models.estimate_answers import EngineEstimate
from models.gain_records import GainsResults, PairGain, PartGains
from models.offset_records import OffsetModel
from models.offset_tables import OffsetTables
from models.prediction_records import PredictionCheck, PredictionResults
from models.results import StudyResults
from reports.charts.parts import kinds_drawn, pairs_of
from reports.engine_sentences import say_comparison, say_honest, say_short
from reports.labels import clean_text
from reports.numbers import THIN, InBothUnits, UnitSystem, in_both, show_nominal, show_reported
from reports.pack_findings import finding, grade_of, number_findings
from reports.pack_records import Finding, Grade
from reports.part_words import engine_words, part_words
from reports.parts_sentences import (
    recorded,
    say_by_size,
    say_falls_short,
    say_growth,
    say_offset_example,
    say_part_gains,
    say_parts_headline,
)
from reports.quantities_in_text import in_reader_units
from reports.rule_rows import PLAIN_FIGURES
from reports.sentences import say_why
from reports.tables import estimate_cells

OF_STUDY = "the boosted runs of the study, which a pack about the study lists."
REPEATED = "rows of the store that state several pulls, or that repeat a run in one session."
_MANY = "One of many that were looked at: chance alone clears one in twenty."
_FROM_ZERO = "Not as a promise for the next engine: the range of one engine more is the wider one."


# --- parts --------------------------------------------------------------------------------------------------------------


def records_of_pairs(pairs: Sequence[PairGain]) -> tuple[str, ...]:
    """Keys of the runs before and after, each once."""
    return tuple(dict.fromkeys(key for pair in pairs for key in (pair.before_run_key, pair.after_run_key)))


def part_findings(gains: GainsResults, model: OffsetModel, tables: OffsetTables) -> tuple[Finding, ...]:
    """What each kind of part is worth, how gains grow under boost, and how much boost gives the same power.

    Parameters
    ----------
    gains : the stored answers on parts.
    model : the stored curves of offset boost, for the level of its ranges.
    tables : offsets of one engine, as the figures draw them.
    """
    first = [
        *finding("The answer", say_parts_headline(gains), Grade.ESTIMATED if gains.parts else Grade.MISSING, "gains.parts", avoid=_FROM_ZERO),
        *(finding("The answer", say_part_gains(gains), Grade.COUNTED, "gains.parts") if kinds_drawn(gains) else []),
    ]  # fmt: skip
    growth = gains.growth
    boosted = [pair for pair in gains.pairs if pair.is_boosted and "growth" in pair.feeds]
    under = [
        *finding(
            "Under boost", say_growth(gains), grade_of(growth.growth, 0.0), "gains.growth.growth", ("growth under boost", growth.growth),
            avoid="Not as a reason to raise boost: it says how a gain scales, not what an engine bears.",
        ),
        *finding("Under boost", say_by_size(gains), grade_of(growth.moderation, 0.0), "gains.growth.moderation", ("with specific output", growth.moderation)),
    ]  # fmt: skip
    if boosted:
        under[0] = replace(under[0], records=records_of_pairs(boosted))
    kinds = [one for kind in gains.parts for one in _kind(gains, kind)]
    trust = [
        one for kind in gains.repeatability
        for one in finding("How far to trust it", recorded(kind.sentence), Grade.COUNTED, "gains.repeatability", (kind.dyno_kind, kind.rel_sd))
    ]  # fmt: skip
    outside = [
        *(replace(one, records=(), elsewhere=OF_STUDY) for one in _offsets(tables, model.level)),
        *(replace(one, records=(), elsewhere=REPEATED) for one in trust),
    ]
    return number_findings("P", [*first, *kinds, *under, *outside])


def _kind(gains: GainsResults, kind: PartGains) -> list[Finding]:
    """The sentence of a kind of part, and of what sets apart the engines that gain more where that stands clear of chance."""
    words, pairs = part_words(kind.part), pairs_of(gains, kind)
    told = re.sub(r"^[^:]*: ", "", kind.sentence)
    own = finding(
        "Part by part", recorded(f"{words}: {told}"), grade_of(kind.gain_pct, 0.0), f"gains.parts[{kind.part}].gain_pct",
        ("mean engine", kind.gain_pct), ("one engine more", kind.new_engine_pct), avoid=_FROM_ZERO,
    )  # fmt: skip
    clear = [one for one in kind.moderators if grade_of(one.difference_pct, 0.0) is Grade.SHOWN]
    own += [
        made for one in clear
        for made in finding("Part by part", recorded(f"{words}: {one.sentence[:1].lower()}{one.sentence[1:]}"), Grade.SHOWN, f"gains.parts[{kind.part}].moderators",
                            (clean_text(f"{one.name.replace('_', ' ')}, {one.level}", 120), one.difference_pct), avoid=_MANY)
    ]  # fmt: skip
    return [replace(one, records=records_of_pairs(pairs)) for one in own]


def _offsets(tables: OffsetTables, level: float) -> list[Finding]:
    if not tables.by_boost:
        return []
    middle = tables.by_boost[len(tables.by_boost) // 2]
    avoid = "Equal power is not equal stress: offset boost is arithmetic, not permission to raise boost."
    return [
        *finding("Part or boost", say_offset_example(middle, level), Grade.ESTIMATED, "offset", avoid=avoid),
        *finding("Part or boost", say_falls_short(tables.by_boost), Grade.ESTIMATED, "offset", avoid=avoid),
    ]


# --- one engine ---------------------------------------------------------------------------------------------------------


def engine_findings(prediction: PredictionResults, examples: Sequence[EngineEstimate]) -> tuple[Finding, ...]:
    """How far the estimate can be trusted, and what it says of a few engines.

    Parameters
    ----------
    prediction : the stored model and its check.
    examples : estimates of engines of round sizes, within the evidence.
    """
    found: list[Finding] = []
    for one in examples:
        grade = Grade.ESTIMATED if one.power.low80 is not None else Grade.MISSING
        found += finding("Examples", in_both(partial(_say_example, one)), grade, "prediction.model",
                         avoid="Not as what this engine will make, and not as a boost to run: a range over engines like it that lived.")  # fmt: skip
    if prediction.check is not None:
        check = prediction.check
        found += finding("How far to trust it", _same(say_honest(check)), Grade.COUNTED, "prediction.check.lines")
        found += finding("How far to trust it", _short(check), Grade.COUNTED, "prediction.check.lines")
        found += finding("How far to trust it", _same(say_comparison(check)), Grade.COUNTED, "prediction.check.methods")
    elif prediction.why:
        found += finding("How far to trust it", recorded(prediction.why), Grade.MISSING, "prediction.why")
    return number_findings("E", found)


def _short(check: PredictionCheck) -> InBothUnits | None:
    """Groups whose range held too seldom, in a sentence that can stand alone."""
    said = say_short(check)
    if said is None:
        return None
    return InBothUnits(*(re.sub(r"^It held", f"The 80{THIN}% range held", text) for text in (said.us, said.si)))


def _same(text: str) -> InBothUnits:
    return InBothUnits(text, text)


def _say_example(one: EngineEstimate, system: UnitSystem) -> str:
    asked, power = one.request, one.power
    na, boost = show_reported(asked.na_power_kw, "power", system), show_nominal(asked.boost_kpa, "boost", system)
    kind = engine_words(asked.induction, asked.charge_cooling)
    start = f"An engine that makes {na} without boost is to be expected to make about {show_reported(power.value, 'power', system)} at {boost} ({kind})"
    if power.low80 is None or power.high80 is None:
        return f"{start}; no range can be given. {one.why or ''}".strip()
    ends = [f"80{THIN}% range {_span(power.low80, power.high80, system)}"]
    if power.low95 is not None and power.high95 is not None:
        ends.append(f"95{THIN}% range {_span(power.low95, power.high95, system)}")
    return f"{start}: {', '.join(ends)}. The rule says {show_reported(one.rule_power_kw, 'power', system)}."


def _span(low: float, high: float, system: UnitSystem) -> str:
    first, last = (show_reported(end, "power", system) for end in (low, high))
    return f"{first.split(THIN + system.scales['power'].unit)[0]} to {last}"


# --- rules of thumb -----------------------------------------------------------------------------------------------------

_VERDICTS = {
    "holds": Grade.SHOWN, "holds with a lean": Grade.SHOWN, "does not hold": Grade.SHOWN, "cannot tell yet": Grade.OPEN,
}  # fmt: skip


def claim_findings(results: StudyResults) -> tuple[Finding, ...]:
    """Each rule of thumb with its verdict, what was measured, and where nothing was, which test would tell."""
    found: list[Finding] = []
    order = list(_VERDICTS)
    for rule in sorted(results.rules, key=lambda one: order.index(one.verdict) if one.verdict in order else len(order)):
        known = rule.estimate.low is not None and rule.estimate.high is not None
        grade = _VERDICTS.get(rule.verdict, Grade.OPEN) if known else Grade.MISSING
        heading = rule.verdict[:1].upper() + rule.verdict[1:]
        found += finding(clean_text(heading, 60), _say_rule(rule.id, results), grade, f"study.rules[{clean_text(rule.id, 60)}]",
                         (rule.tested_by or "figure", rule.estimate))  # fmt: skip
    return number_findings("C", found)


def _say_rule(key: str, results: StudyResults) -> InBothUnits:
    rule = next(one for one in results.rules if one.id == key)
    share = rule.estimate.unit == "1" and rule.tested_by not in PLAIN_FIGURES
    best, interval, level = estimate_cells(rule.estimate, share=share)
    statement, tolerance = (clean_text(text, 400).rstrip(".") for text in (rule.statement, rule.tolerance))

    def write(system: UnitSystem) -> str:
        def cell(value: str | InBothUnits) -> str:
            return value.in_system(system.code) if isinstance(value, InBothUnits) else value

        said = in_reader_units(f"\u201c{statement}.\u201d \u2013 {rule.verdict}").in_system(system.code)
        held = in_reader_units(tolerance).in_system(system.code)
        if rule.estimate.low is None or rule.estimate.high is None:
            text = f"{said}. {in_reader_units(clean_text(say_why(rule.estimate), 400)).in_system(system.code)}"
        else:
            text = f"{said}: measured {cell(best)}, {cell(level)} interval {cell(interval)}; the test was: {held}."
        tell = in_reader_units(clean_text(rule.would_tell, 400)).in_system(system.code)
        return f"{text} What would tell: {tell}" if rule.verdict == "cannot tell yet" and tell else text

    return in_both(write)
