"""Findings as sentences, graded by what their interval carries.

Every sentence with a number is written here, from an Estimate. The words follow one fixed
ladder (:class:`Evidence`): what an interval excludes may be said plainly, what it only leans
away from is said to lean, and where it cannot be told the sentence says that and why.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from models.estimate import Estimate
from models.results import BoostPoint, StudyResults
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA, TRADE_ATMOSPHERE_KPA, rule_yield
from reports.numbers import (
    THIN,
    InBothUnits,
    UnitSystem,
    count_of,
    decimals_by_uncertainty,
    in_both,
    show_estimate,
    show_level,
    show_nominal,
    show_reported,
    write_count,
    write_number,
)
from reports.quantities_in_text import in_reader_units

#: The trade would still call the rule right within this much of it.
RULE_TOLERANCE = 0.10
#: Boost at which the last step is compared with the first: 15 psi.
LAST_BOOST_KPA = 15 * KPA_PER_PSI
#: Intervals below this coverage never count as clear.
CLEAR_LEVEL = 0.90
#: Share of the half-width that the value must stand away from the reference to be called leaning.
LEANING_SHARE = 0.5


class Evidence(Enum):
    """How firmly an interval speaks about a reference value."""

    CLEAR = "clear"
    LEANING = "leaning"
    OPEN = "open"
    MISSING = "missing"


def evidence_against(estimate: Estimate, reference: float) -> Evidence:
    """Grade of the evidence that the estimate differs from ``reference``.

    Clear: the interval (of at least 90 % coverage) lies wholly on one side. Leaning: it holds the reference, but the
    value stands at least half a half-width away. Open: it holds the reference well inside. Missing: no value or no ends.
    """
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return Evidence.MISSING
    outside = estimate.low > reference or estimate.high < reference
    if outside:
        return Evidence.CLEAR if estimate.level >= CLEAR_LEVEL else Evidence.LEANING
    half = (estimate.high - estimate.low) / 2
    return Evidence.LEANING if half > 0 and abs(estimate.value - reference) >= LEANING_SHARE * half else Evidence.OPEN


def say_why(estimate: Estimate) -> str:
    """Why a value or an end is missing, as a sentence."""
    why = (estimate.why or "The records do not carry it.").strip()
    return why if why.endswith((".", "!", "?")) else why + "."


def _unit_word(system: UnitSystem) -> str:
    return {"us": "a pound of boost (one psi)", "si": "a kilopascal of boost"}[system.code]


def say_headline(results: StudyResults) -> InBothUnits:
    """The answer to "does the rule hold?", with the range of the mean."""
    return in_both(lambda system: _headline(results.rule_ratio, system))


def _headline(mean: Estimate, system: UnitSystem) -> str:
    boost = _unit_word(system)
    if mean.value is None:
        return f"Cannot tell yet what {boost} is worth. {say_why(mean)}"
    shown = show_estimate(mean, system, share=True, reference=1.0)
    if mean.low is None or mean.high is None:
        return f"Cannot tell yet whether the rule holds: these builds average {shown.best} of it, but no range can be given."
    range_of = f"on average, {boost} gives {shown.range} of what the rule says."
    return f"{_verdict_word(mean, mean.low, mean.high)} {range_of[0].upper()}{range_of[1:]}"


def _verdict_word(mean: Estimate, low: float, high: float) -> str:
    """Opening words of the headline; each asserts no more than that the interval lies where they say."""
    clear = evidence_against(mean, 1.0) is Evidence.CLEAR
    inside = low >= 1 - RULE_TOLERANCE and high <= 1 + RULE_TOLERANCE and mean.level >= CLEAR_LEVEL
    if inside:
        return ("The rule runs a little high." if high < 1 else "The rule runs a little low.") if clear else "The rule holds."
    if clear:
        far = high < 1 - RULE_TOLERANCE or low > 1 + RULE_TOLERANCE
        if high < 1:
            return "The rule promises too much." if far else "The rule runs high."
        return "The rule promises too little." if far else "The rule runs low."
    return "Cannot tell yet whether the rule holds."


def say_next_engine(results: StudyResults) -> InBothUnits:
    """The range for an engine that was not tested: what the average does not tell."""
    new = results.new_build_rule_ratio

    def write(system: UnitSystem) -> str:
        if new.low is None or new.high is None:
            return f"What the next engine will do cannot be told yet. {say_why(new)}"
        shown = show_estimate(new, system, share=True, reference=1.0)
        land = f"The next engine may land anywhere from {shown.range} of the rule ({show_level(new)} range)"
        return f"{land}: the average describes no single build."

    return in_both(write)


def say_basis(results: StudyResults) -> InBothUnits:
    """What the answer rests on."""
    publishers = len({unit.publisher for unit in results.units})
    mean = results.rule_ratio
    text = f"{count_of(mean.runs, 'run')} on {count_of(mean.builds, 'build')} by {count_of(publishers, 'publisher')}"
    return InBothUnits(text, text)


def say_example(results: StudyResults) -> InBothUnits:
    """The mean and the new-build range as yields of one engine of a round size."""

    def write(system: UnitSystem) -> str:
        power = show_reported(system.example_power_kw, "power", system)
        per = system.scales["yield"]
        atmosphere = TRADE_ATMOSPHERE_KPA if system.code == "us" else SEA_LEVEL_KPA
        rule = rule_yield(system.example_power_kw, atmosphere)
        says = f"On an engine that makes {power} without boost, the rule says {show_reported(rule, 'yield', system)}."
        spans = []
        for estimate, words in ((results.rule_ratio, "builds average"), (results.new_build_rule_ratio, "a single one may give")):
            if estimate.low is not None and estimate.high is not None and estimate.value is not None:
                spans.append(f"{words} {show_estimate(_as_yield(estimate, rule), system).range}")
        return f"{says} Measured {', and '.join(spans)}." if spans and per.unit else says

    return in_both(write)


def _as_yield(ratio: Estimate, rule_kw_per_kpa: float) -> Estimate:
    """A rule ratio as the yield of an engine whose rule yield is given."""
    value, low, high = (None if x is None else x * rule_kw_per_kpa for x in (ratio.value, ratio.low, ratio.high))
    return Estimate(value, low, high, ratio.level, "kW/kPa", ratio.builds, ratio.runs, ratio.why)


def say_spread(results: StudyResults) -> InBothUnits:
    """How far builds stand from one another for real, beyond measurement error."""
    spread = results.between_builds_sd

    def write(system: UnitSystem) -> str:
        if spread.value is None:
            return f"How far builds differ cannot be told yet. {say_why(spread)}"
        shown = show_estimate(spread, system, share=True)
        if spread.low is None or spread.high is None:
            about = f"Real builds scatter around the average by about {shown.best} of the rule"
            return f"{about} (one standard deviation); no range can be given."
        return (
            f"Real builds scatter around the average by {shown.range} of the rule: the range of one standard deviation, "
            "with measurement error taken out."
        )

    return in_both(write)


def say_curvature(results: StudyResults) -> InBothUnits:
    """Whether later boost is worth less than the first."""
    ratio = results.last_over_first

    def write(system: UnitSystem) -> str:
        grade = evidence_against(ratio, 1.0)
        if grade is Evidence.MISSING or ratio.value is None:
            return f"Whether later boost is worth as much as the first cannot be told yet. {say_why(ratio)}"
        at = show_nominal(LAST_BOOST_KPA, "boost", system)
        unit = system.boost_word
        shown = show_estimate(ratio, system, share=True, reference=1.0)
        adds = f"at {at} the next {unit} adds {shown.low} to {shown.high}{THIN}{shown.unit} of what the first one adds"
        less = ratio.value < 1
        return {
            Evidence.CLEAR: f"Later boost is worth {'less' if less else 'more'}: {adds}.",
            Evidence.LEANING: f"Later boost looks worth {'less' if less else 'more'}, but this is not settled: {adds}.",
            Evidence.OPEN: f"The evidence cannot tell whether later boost is worth more or less: {adds}.",
        }[grade]

    return in_both(write)


def say_marginal(results: StudyResults) -> InBothUnits:
    """The next unit of boost on an engine of a round size, at the highest boost that the study answers for."""
    known = [point for point in results.marginal_yield if point.estimate.low is not None and point.estimate.high is not None]
    if not known:
        text = "What the next unit of boost adds at a given boost cannot be told yet."
        return InBothUnits(text, text)
    last = max(known, key=lambda point: point.boost_kpa)
    return in_both(lambda system: _marginal(last, system))


def _marginal(point: BoostPoint, system: UnitSystem) -> str:
    rule = rule_yield(system.example_power_kw, TRADE_ATMOSPHERE_KPA if system.code == "us" else SEA_LEVEL_KPA)
    shown = show_estimate(_as_yield(point.estimate, rule), system)
    power, unit = show_reported(system.example_power_kw, "power", system), system.boost_word
    at = show_nominal(point.boost_kpa, "boost", system)
    says = show_reported(rule, "yield", system).split(THIN)[0]
    adds = f"{shown.low} to {shown.high}{THIN}{system.scales['power'].unit}"
    return f"On a {power} engine at {at}, the next {unit} adds {adds}; the rule says {says}."


def say_sensitivity(results: StudyResults) -> InBothUnits:
    """How far the headline moves under other reasonable choices: the lowest and the highest average."""
    known = [line for line in results.sensitivity if line.rule_ratio.value is not None]
    if len(known) < 2:
        text = "Other choices of the analysis have not been tried on these records."
        return InBothUnits(text, text)
    low = min(known, key=lambda line: line.rule_ratio.value or 0.0)
    high = max(known, key=lambda line: line.rule_ratio.value or 0.0)

    def write(system: UnitSystem) -> str:
        first, last = (_share_text(line.rule_ratio) for line in (low, high))
        names = [_lower(in_reader_units(line.name).in_system(system.code)) for line in (low, high)]
        return (
            f"Across {count_of(len(known), 'way', 'ways')} of doing the analysis, the average lies between "
            f"{first} ({names[0]}) and {last} of the rule ({names[1]})."
        )

    return in_both(write)


def _share_text(estimate: Estimate) -> str:
    value, low, high = (None if x is None else 100 * x for x in (estimate.value, estimate.low, estimate.high))
    return write_number(value or 0.0, decimals_by_uncertainty(value, low, high)) + THIN + "%"


def _lower(name: str) -> str:
    """A name within a sentence: its first letter small unless the word is all capitals."""
    return name if name[:2].isupper() else name[:1].lower() + name[1:]


def say_flow(results: StudyResults, summary: Mapping[str, int]) -> InBothUnits:
    """From rows read to runs analysed."""
    refused, repeated = summary.get("refused", 0), summary.get("repeated", 0)
    text = (
        f"{count_of(summary.get('rows_read', 0), 'row was', 'rows were')} read from {count_of(summary.get('files', 0), 'file')}; "
        f"{count_of(summary.get('accepted', 0), 'was', 'were')} accepted, {write_count(refused)} refused with "
        f"{'its reason' if refused == 1 else 'their reasons'}, and {write_count(repeated)} had been published before. "
        f"The fit rests on {count_of(len(results.runs), 'boosted run')}."
    )
    return InBothUnits(text, text)


def say_estimate(name: str, estimate: Estimate, *, share: bool = False) -> InBothUnits:
    """Any estimate as a plain sentence with its range, or why there is none."""

    def write(system: UnitSystem) -> str:
        if estimate.value is None:
            return f"{name}: cannot tell. {say_why(estimate)}"
        shown = show_estimate(estimate, system, share=share)
        if estimate.low is None or estimate.high is None:
            return f"{name}: {shown.best}, without a range. {say_why(estimate)}"
        return f"{name}: {shown.best}, {show_level(estimate)} interval {shown.range}."

    return in_both(write)
