"""Record sets of what changes a build's share of the rule: margin, size, drivers, physics."""

from __future__ import annotations

from collections.abc import Mapping

from models.driver_records import DriverAnswers, DriverContrast, PhysicsAnswers, PhysicsBudget
from models.estimate import Estimate
from models.results import StudyResults
from reports.charts.rows import Row, Rows, Selection, class_of, class_words, ends_of, known, texts
from reports.driver_words import contrast_words
from reports.labels import COOLING, INDUCTION, clean_text, word_for
from reports.numbers import MINUS, US, InBothUnits, show_estimate, show_level, write_number

#: Squares of the chart of shares: one for each build in a hundred; how many stand in a column of a narrow frame and of a wide one.
SQUARES, SQUARES_HIGH = 100, (10, 5)
#: Words of the step that the two budgets of a class take differently.
BACK_PRESSURE = "Exhaust pressure before the turbine, once to twice the boost"


def effect_rows(results: StudyResults, selection: Selection, number_of: Mapping[str, int]) -> Rows:
    """Record sets by name; a question that was not asked gives empty ones.

    Parameters
    ----------
    results : the stored study.
    selection : builds that are drawn.
    number_of : their numbers.
    """
    return {
        "within_squares": _squares(results),
        "band": _band_lines(results),
        "naive": _naive(results),
        "drivers": [] if results.drivers is None else _drivers(results.drivers),
        "physics": [] if results.physics is None else _physics_classes(results.physics),
        "physics_builds": [] if results.physics is None else _physics_builds(results.physics, selection, number_of),
        "budget": [] if results.physics is None else _budgets(results.physics),
    }


# --- within the margin --------------------------------------------------------------------------------------------------


def _squares(results: StudyResults) -> list[Row]:
    """A hundred squares in order: builds that follow the rule within the margin, that may, and that do not."""
    share = None if results.equivalence is None else results.equivalence.share_of_builds
    if share is None or share.low is None or share.high is None:
        return []
    sure, possible = (round(SQUARES * end) for end in (share.low, share.high))
    kinds = ["at least"] * sure + ["perhaps"] * (possible - sure) + ["outside"] * (SQUARES - possible)
    return [{"number": number, "kind": kind} for number, kind in enumerate(kinds)]


def _band_lines(results: StudyResults) -> list[Row]:
    """What is held against the margin: the mean with both its intervals, and the range for a new build."""
    if results.equivalence is None:
        return []
    mean, new, narrow = results.rule_ratio, results.new_build_rule_ratio, results.equivalence.mean_estimate
    lines = (
        (f"The average, {show_level(narrow)} interval", narrow, True),
        (f"The average, {show_level(mean)} interval", mean, True),
        (f"A build not yet tested, {show_level(new)} range", new, False),
    )
    return [
        {"place": place, "name": name, "average": is_average, **ends_of(estimate)}
        for place, (name, estimate, is_average) in enumerate(lines)
    ]


# --- size ---------------------------------------------------------------------------------------------------------------


def _naive(results: StudyResults) -> list[Row]:
    """What plain correlations say, beside what they say where there is nothing to find."""
    answers = () if results.elasticity is None else results.elasticity.naive
    return [
        {
            "place": place, "name": one.what[:1].upper() + one.what[1:], "observed": one.observed, "null_mean": one.null_mean,
            "low": one.null_low, "high": one.null_high, "draws": one.draws, "sentence": one.sentence,
        }
        for place, one in enumerate(answers)
    ]  # fmt: skip


# --- drivers ------------------------------------------------------------------------------------------------------------


def _drivers(answers: DriverAnswers) -> list[Row]:
    """One row per contrast: adjusted for the other drivers, and looked at alone; without a place where neither can be told."""
    labels = {one.name: clean_text(one.label) for one in answers.summaries}
    together = {(one.name, one.level): one for one in answers.together}
    alone = {(one.name, one.level): one for one in answers.alone}
    rows, place = [], 0
    for key in dict.fromkeys([*together, *alone]):
        first, second = together.get(key), alone.get(key)
        shown = [one.difference for one in (first, second) if one is not None]
        is_told = any(one.value is not None for one in shown)
        rows.append(_driver_row(labels, first, second, place if is_told else None))
        place += is_told
    return rows


def _driver_row(
    labels: Mapping[str, str], together: DriverContrast | None, alone: DriverContrast | None, place: int | None
) -> Row:
    one = together or alone
    assert one is not None  # every key comes from one of the two
    words, label = contrast_words(one), labels.get(one.name, one.name)
    full = InBothUnits(f"{label}: {words.us}", f"{label}: {words.si}")
    main = together.difference if together is not None and together.difference.value is not None else None
    lone = None if alone is None else alone.difference
    missing = next((e.why for e in (None if together is None else together.difference, lone) if e is not None and e.why), "")
    return {
        "place": place, "driver": label, **texts("what", words),
        **texts("words", full), **texts("short", full if one.step is not None else _short(words)),
        **_difference("", main), **_difference("alone_", lone),
        "clear": _is_clear(main if main is not None else lone), "adjusted": main is not None,
        "builds_at_level": one.builds_at_level, "builds_against": one.builds_against, "missing": one.missing,
        "why": "" if main is not None else missing or "",
    }  # fmt: skip


def _short(words: InBothUnits) -> InBothUnits:
    return InBothUnits(*((text[:1].upper() + text[1:]).replace(" supercharger", "") for text in (words.us, words.si)))


def _difference(prefix: str, estimate: Estimate | None) -> Row:
    """Difference of shares of the rule with its ends, and as text in points."""
    empty = estimate is None or estimate.value is None
    return {
        f"{prefix}ratio": None if empty or estimate is None else known(estimate.value),
        f"{prefix}low": None if empty or estimate is None else known(estimate.low),
        f"{prefix}high": None if empty or estimate is None else known(estimate.high),
        f"{prefix}shown": "" if empty or estimate is None else points_of(estimate),
    }


def points_of(estimate: Estimate) -> str:
    """A difference of shares as ``-9.3 (-15.8 to -2.9)``, in points of the rule."""
    return show_estimate(estimate, US, share=True, reference=0.0).full.removesuffix("%").rstrip()


def _is_clear(estimate: Estimate | None) -> bool:
    if estimate is None or estimate.low is None or estimate.high is None:
        return False
    return estimate.low > 0 or estimate.high < 0


# --- physics ------------------------------------------------------------------------------------------------------------


def _label(induction: str, cooling: str) -> str:
    return f"{word_for(induction, INDUCTION)}, {word_for(cooling, COOLING)}"


def _physics_classes(answers: PhysicsAnswers) -> list[Row]:
    return [
        {
            "place": place, "name": _label(curve.induction, curve.charge_cooling), "builds": curve.builds,
            "words": f"{_label(curve.induction, curve.charge_cooling)}  ({curve.builds})",
            "short": f"{_label(curve.induction, curve.charge_cooling).replace(' supercharger', '')}  ({curve.builds})",
            "low": curve.rule_ratio_low, "high": curve.rule_ratio_high,
        }
        for place, curve in enumerate(answers.curves)
    ]  # fmt: skip


def _physics_builds(answers: PhysicsAnswers, selection: Selection, number_of: Mapping[str, int]) -> list[Row]:
    """Each drawn build in the row of its class, with what physics expects of it at its own air pressure."""
    places = {(curve.induction, curve.charge_cooling): place for place, curve in enumerate(answers.curves)}
    expected = {one.unit_id: one for one in answers.builds}
    rows = []
    for unit in sorted(selection.units, key=lambda unit: number_of[unit.unit_id]):
        place, own = places.get((unit.induction or "", unit.charge_cooling or "")), expected.get(unit.unit_id)
        if place is None or own is None or unit.rule_ratio.value is None:
            continue
        rows.append({
            "u": number_of[unit.unit_id], "place": place, "name": clean_text(unit.build),
            "publisher": clean_text(unit.publisher), "class": class_words(unit), "induction": class_of(unit),
            "cooled": unit.charge_cooling in ("air_to_air", "air_to_water"),
            "ratio": unit.rule_ratio.value, "low": own.rule_ratio_low, "high": own.rule_ratio_high,
            "inside": own.rule_ratio_low <= unit.rule_ratio.value <= own.rule_ratio_high,
            "shown": show_estimate(unit.rule_ratio, US, share=True).full, "expected": range_of(own.rule_ratio_low, own.rule_ratio_high),
            "assumed": ", ".join(own.assumed),
        })  # fmt: skip
    return rows


def range_of(low: float, high: float) -> str:
    """A range of shares of the rule, to the whole per cent."""
    return f"{write_number(100 * low, 0)} to {write_number(100 * high, 0)}"


def _budgets(answers: PhysicsAnswers) -> list[Row]:
    """Steps from the rule to the expectation for every class, kind assumptions and unkind ones side by side.

    ``block`` numbers the classes that are drawn: the most common one with a turbine in the exhaust and the most common one
    with a belt; the others stand in the table only.
    """
    builds = {(curve.induction, curve.charge_cooling): curve.builds for curve in answers.curves}
    by_class: dict[tuple[str, str], list[PhysicsBudget]] = {}
    for one in answers.budgets:
        by_class.setdefault((one.induction, one.charge_cooling), []).append(one)
    with_turbine = [key for key in by_class if by_class[key][0].exhaust_over_boost is not None]
    with_belt = [key for key in by_class if key not in with_turbine]
    drawn = [max(keys, key=lambda key: builds.get(key, 0)) for keys in (with_turbine, with_belt) if keys]
    rows: list[Row] = []
    place = 0.0
    for key in [*drawn, *(key for key in by_class if key not in drawn)]:
        kind, unkind = (pick(by_class[key], key=lambda budget: budget.rule_ratio) for pick in (max, min))
        rows.extend(_budget_rows(_label(*key), kind, unkind, place if key in drawn else None))
        place += len(kind.effects) + 2.6
    return rows


def _budget_rows(label: str, kind: PhysicsBudget, unkind: PhysicsBudget, place: float | None) -> list[Row]:
    """One class: the rule, each effect, the expectation."""
    start = dict.fromkeys(("kind_from", "kind_to", "unkind_from", "unkind_to"), 1.0)
    rows: list[Row] = [{"name": label, "words": label, "short": label, "part": "rule", **start}]
    high = low = 1.0
    for mild, harsh in zip(kind.effects, unkind.effects, strict=True):
        changes = (mild.change_of_rule_ratio, harsh.change_of_rule_ratio)
        sentence = BACK_PRESSURE if mild.effect == "back pressure" else mild.sentence
        rows.append({
            "name": label, "words": f"{_points(changes)}: {_small(sentence.rstrip('.'))}", "part": "effect",
            "short": f"{_points(changes)}: {mild.effect}",
            "kind_from": high, "kind_to": high + changes[0], "unkind_from": low, "unkind_to": low + changes[1],
        })  # fmt: skip
        high, low = high + changes[0], low + changes[1]
    expected = f"{range_of(min(high, low), max(high, low))}\u202f%"
    rows.append({
        "name": label, "words": f"{expected} expected", "short": f"{expected} expected", "part": "expected",
        "kind_from": high, "kind_to": high, "unkind_from": low, "unkind_to": low,
    })  # fmt: skip
    for number, row in enumerate(rows):
        row["place"] = None if place is None else place + number
        row["kind_change"], row["unkind_change"] = row["kind_to"] - row["kind_from"], row["unkind_to"] - row["unkind_from"]
    return rows


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _points(changes: tuple[float, float]) -> str:
    """One or two changes of the share of the rule, in whole points with their sign."""
    texts_ = [("+" if c > 0 else MINUS if round(100 * c) < 0 else "") + write_number(abs(100 * c), 0) for c in changes]
    return texts_[0] if texts_[0] == texts_[1] else f"{texts_[0]} to {texts_[1]}"
