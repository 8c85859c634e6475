"""What changes a build's share of the rule, in sentences: margin, size, bend, drivers, physics."""

from __future__ import annotations

from collections.abc import Sequence

from models.driver_records import DriverContrast
from models.estimate import Estimate
from models.results import StudyResults
from reports.driver_words import contrast_words
from reports.labels import COOLING, INDUCTION, word_for
from reports.numbers import (
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
from reports.sentences import Evidence, evidence_against, say_why

#: Share of the spread between builds that has to be left for "most of it stays".
MOST = 0.6


def same(text: str) -> InBothUnits:
    """A text without quantities."""
    return InBothUnits(text, text)


# --- margin -------------------------------------------------------------------------------------------------------------


def say_equivalence(results: StudyResults) -> InBothUnits:
    """Whether the rule holds within the margin on average, and for how many builds; both halves always stand together."""
    answer = results.equivalence
    if answer is None:
        return same("Whether the rule holds within 10\u202f% was not asked.")
    margin = f"{write_number(100 * answer.margin, 0)}{THIN}%"
    return same(f"{_mean_half(results, margin)} {_share_half(answer.share_of_builds)}")


def _mean_half(results: StudyResults, margin: str) -> str:
    answer = results.equivalence
    assert answer is not None
    narrow, wide = answer.mean_estimate, results.rule_ratio
    if answer.mean == "cannot tell" or narrow.low is None or narrow.high is None:
        return f"Whether the average lies within {margin} of the rule cannot be told yet. {say_why(narrow)}"
    if answer.mean == "does not hold":
        shown = show_estimate(wide, US, share=True)
        return f"On average the rule does not hold within {margin} ({shown.range}, {show_level(wide)} interval)."
    shown = show_estimate(narrow, US, share=True)
    known = f"({shown.range}, {show_level(narrow)} interval)"
    if answer.mean == "holds":
        return f"On average the rule holds within {margin} {known}."
    return f"These records do not show that the rule holds within {margin} on average {known}."


def _share_half(share: Estimate) -> str:
    if share.low is None or share.high is None:
        return f"For how many single builds it does cannot be told. {say_why(share)}"
    low, high = (write_number(100 * end, 0) for end in (share.low, share.high))
    return f"Of a hundred builds, {low} to {high} follow it that closely ({show_level(share)} interval)."


# --- size ---------------------------------------------------------------------------------------------------------------


def say_elasticity(results: StudyResults) -> InBothUnits:
    """How the worth of a unit of boost grows with output."""
    answer = None if results.elasticity is None else results.elasticity.elasticity
    if answer is None:
        return same("How the worth of boost grows with output was not asked.")
    grade = evidence_against(answer, 1.0)
    if grade is Evidence.MISSING or answer.value is None or answer.low is None or answer.high is None:
        return same(f"How the worth of boost grows with output cannot be told yet. {say_why(answer)}")
    value, low, high = answer.value, 2**answer.low, 2**answer.high
    more = "more" if value > 1 else "less"
    opening = {
        Evidence.CLEAR: f"Bigger engines get slightly {more} of the rule"
        if abs(value - 1) < 0.1
        else f"Bigger engines get {more} of the rule",
        Evidence.LEANING: f"Bigger engines seem to get {more} of the rule, but this is not settled",
        Evidence.OPEN: "The worth of boost grows with output as the rule says, as far as these records tell",
    }[grade]
    twice = show_estimate(Estimate(2**value, low, high, answer.level, "1", answer.builds, answer.runs), US, reference=2.0)
    return in_both(
        lambda system: (
            f"{opening}: on an engine of twice the output a {system.boost_word} is worth {twice.low} to {twice.high} times as much, "
            "where the rule says twice."
        )
    )


def say_naive(results: StudyResults) -> InBothUnits | None:
    """Why a correlation of yield with output proves nothing; None where it was not worked out."""
    naive = () if results.elasticity is None else results.elasticity.naive
    one = next((one for one in naive if one.name == "yield_with_na_power"), None)
    if one is None:
        return None
    seen, mean, low, high = (write_number(x, 2) for x in (one.observed, one.null_mean, one.null_low, one.null_high))
    return same(
        f"Gain per unit of boost and output correlate at {seen}, which looks like proof. Deal each engine another one's share of the "
        f"rule at random and it is still {mean} ({low} to {high}): output stands on both sides. A correlation like this speaks "
        "neither for the rule nor against it."
    )


# --- bend ---------------------------------------------------------------------------------------------------------------


def say_confounding(results: StudyResults) -> InBothUnits | None:
    """Whether boost was chosen by how engines took it; None where it cannot be told and the notes say why."""
    if results.boost_confounded is None:
        return None
    if results.boost_confounded:
        return same(
            "Comparing builds and comparing each build with itself give different bends: boost was chosen by how engines took it. "
            "Trust the second, listed under every estimate as within builds."
        )
    return same(
        "Comparing each build only with itself shows the same bend as comparing builds with one another, so boost does not seem "
        "to have been chosen by how engines took it."
    )


# --- drivers ------------------------------------------------------------------------------------------------------------


def clear_contrasts(contrasts: Sequence[DriverContrast]) -> list[DriverContrast]:
    """Contrasts whose interval leaves out no difference."""
    return [one for one in contrasts if evidence_against(one.difference, 0.0) is Evidence.CLEAR]


def told(contrasts: Sequence[DriverContrast]) -> list[DriverContrast]:
    """Contrasts that have a value."""
    return [one for one in contrasts if one.difference.value is not None]


def say_drivers(results: StudyResults) -> InBothUnits:
    """Which drivers stand clear of chance once the others are held equal."""
    answers = results.drivers
    if answers is None:
        return same("What makes builds differ was not asked.")
    together = told(answers.together)
    if not together:
        return same(f"What makes builds differ cannot be told yet. {say_why(answers.mean_at_average)}")
    clear = clear_contrasts(together)
    if not clear:
        return same(
            f"None of {count_of(len(together), 'contrast')} stands clear of chance once the other drivers are held equal."
        )

    def write(system: UnitSystem) -> str:
        parts = [f"{contrast_words(one).in_system(system.code)} ({_points(one.difference)})" for one in clear]
        return (
            f"With the other drivers held equal, {len(clear)} of {count_of(len(together), 'contrast')} "
            f"{'stands' if len(clear) == 1 else 'stand'} clear of chance, in points of the rule: {'; '.join(parts)}."
        )

    return in_both(write)


def _points(estimate: Estimate) -> str:
    shown = show_estimate(estimate, US, share=True, reference=0.0)
    return f"{shown.low} to {shown.high}"


def say_classes(results: StudyResults) -> InBothUnits | None:
    """The average share of the rule of each kind of induction and of cooling; None where no class has enough builds."""
    alone = [
        one
        for one in results.class_means
        if (one.induction is None) != (one.charge_cooling is None) and one.rule_ratio.low is not None
    ]
    if not alone:
        return None

    def write(system: UnitSystem) -> str:
        told_of = []
        for one in alone:
            words = (
                word_for(one.induction, INDUCTION).lower() + " builds"
                if one.induction
                else word_for(one.charge_cooling, COOLING) + " builds"
            )
            shown = show_estimate(one.rule_ratio, system, share=True, reference=1.0)
            told_of.append(f"{words} {shown.range} ({count_of(one.builds, 'build')})")
        level = show_level(alone[0].rule_ratio)
        return f"By class, on average ({level} intervals): {'; '.join(told_of)}. Classes differ in more than their name."

    return in_both(write)


def say_explained(results: StudyResults) -> InBothUnits | None:
    """How much of the spread between builds the drivers account for, and how many contrasts chance alone would clear."""
    answers = results.drivers
    if answers is None or answers.spread_without is None or answers.spread_with is None:
        return None
    before, after = (write_number(100 * spread, 1) for spread in (answers.spread_without, answers.spread_with))
    stays = " Most of it stays unexplained." if answers.spread_with > MOST * answers.spread_without else ""
    tried = told(answers.together)
    chance = ""
    if len(tried) > 1:
        share = 1 - tried[0].difference.level
        chance = f" Of {len(tried)} contrasts, chance alone would be expected to clear {write_number(len(tried) * share, 1)}."
    return same(
        f"Knowing all of these takes the spread between builds (one standard deviation) from {before} to {after} points of the "
        f"rule.{stays}{chance}"
    )


def say_compressor(results: StudyResults) -> InBothUnits | None:
    """Whether the compressor's size changes anything once output is known; None where the question was not asked."""
    alone = () if results.drivers is None else results.drivers.alone
    one = next((one for one in alone if one.name == "compressor_rating"), None)
    if one is None:
        return None
    question = "Does a bigger compressor change the worth of boost once the engine's output is known?"
    answer = one.difference
    if answer.value is None or answer.low is None or answer.high is None:
        return same(f"{question} Cannot tell yet. {say_why(answer)}")
    grade = evidence_against(answer, 0.0)
    verdict = {Evidence.CLEAR: "It does", Evidence.LEANING: "Perhaps", Evidence.OPEN: "Not that these records show"}[grade]
    return same(f"{question} {verdict}: one of twice the rating moves the share of the rule by {_points(answer)} points.")


def say_unanswered(results: StudyResults) -> list[InBothUnits]:
    """Drivers for which nothing can be told, each with its reason; the compressor has a sentence of its own."""
    answers = results.drivers
    if answers is None:
        return []
    known = {"compressor_rating", *(one.name for one in (*told(answers.together), *told(answers.alone)))}
    return [
        same(f"{one.label}: {say_why(Estimate(None, None, None, 0.95, '1', 0, 0, one.why))}")
        for one in answers.summaries
        if one.name not in known
    ]


# --- physics ------------------------------------------------------------------------------------------------------------


def say_physics(results: StudyResults) -> InBothUnits:
    """How many builds lie within what physics expects of them."""
    answers = results.physics
    if answers is None or not answers.builds:
        return same("What physics expects was not worked out.")
    own = {unit.unit_id: unit.rule_ratio.value for unit in results.units}
    pairs = [(own.get(one.unit_id), one) for one in answers.builds]
    known = [(value, one) for value, one in pairs if value is not None]
    inside = sum(one.rule_ratio_low <= value <= one.rule_ratio_high for value, one in known)
    above = sum(value > one.rule_ratio_high for value, one in known)
    return same(
        f"{write_count(inside)} of {count_of(len(known), 'build')} lie within what physics expects of them, {write_count(above)} above "
        f"and {write_count(len(known) - inside - above)} below. The bars are wide because few records state temperatures and exhaust "
        "pressure."
    )


def say_budget(results: StudyResults) -> InBothUnits | None:
    """Why the simple rule works as well as it does, with the figures of the class with the most builds; None without budgets."""
    answers = results.physics
    if answers is None or not answers.budgets:
        return None
    builds = {(curve.induction, curve.charge_cooling): curve.builds for curve in answers.curves}
    most = max(answers.budgets, key=lambda budget: builds.get((budget.induction, budget.charge_cooling), 0))
    friction = next((e.change_of_rule_ratio for e in most.effects if e.effect == "friction"), None)
    if friction is None:
        return None
    alike = [b for b in answers.budgets if (b.induction, b.charge_cooling) == (most.induction, most.charge_cooling)]
    taken = sorted(1 + friction - budget.rule_ratio for budget in alike)
    against = "heat and exhaust pressure" if most.exhaust_over_boost is not None else "heat and drive power"
    name = f"{word_for(most.induction, INDUCTION)}, {word_for(most.charge_cooling, COOLING)}".lower()
    return same(
        f"Friction is paid once, boosted or not, which lifts the share by {write_number(100 * friction, 0)} points; {against} take "
        f"{write_number(100 * taken[0], 0)} to {write_number(100 * taken[-1], 0)} points back on the class with the most builds ({name}). "
        "The simple rule works as well as it does because the two work against each other."
    )
