"""Record sets of what speaks against a simple answer: deviators, selection, other choices."""

from __future__ import annotations

from collections.abc import Mapping

from models.deviator_records import Deviator, DeviatorAnswers, SelectionAnswers
from models.estimate import Estimate
from models.results import CancellingErrors, OnePublisherOut, StudyResults
from reports.charts.rows import Row, Rows, class_of, ends_of, known, texts
from reports.charts.rows_effects import points_of, range_of
from reports.driver_words import level_words
from reports.labels import clean_text
from reports.numbers import MINUS, US, InBothUnits, show_estimate, write_number
from reports.quantities_in_text import in_reader_units

#: Most builds of a list of deviators that a chart draws; the table and the file have all that the results write out.
MOST_DEVIATORS = 25
#: Most publishers left out in turn that a chart draws: those that move the average most.
MOST_PUBLISHERS = 40
#: Ends of the rule's band.
BAND = (0.9, 1.1)


def doubt_rows(results: StudyResults, number_of: Mapping[str, int]) -> Rows:
    """Record sets by name; a question that was not asked gives empty ones.

    Parameters
    ----------
    results : the stored study.
    number_of : numbers of the builds that are drawn.
    """
    deviators, selection = results.deviators, results.selection
    induction = {unit.unit_id: class_of(unit) for unit in results.units}
    return {
        "deviators": [] if deviators is None else _deviators(deviators.unlike_peers, number_of),
        "breakers": [] if deviators is None else _breakers(deviators, number_of),
        "funnel": [] if selection is None else _funnel(selection, results, number_of, induction),
        "withheld": [] if selection is None else _withheld(selection, results.rule_ratio),
        "kinds": [] if selection is None else _kinds(selection),
        "publishers": [] if results.one_publisher_out is None else _publishers(results.one_publisher_out, results.rule_ratio),
        "cancelling": [] if results.cancelling_errors is None else _cancelling(results.cancelling_errors, results.rule_ratio),
    }


# --- deviators ----------------------------------------------------------------------------------------------------------


def _deviators(listed: tuple[Deviator, ...], number_of: Mapping[str, int]) -> list[Row]:
    return [{"place": place if place < MOST_DEVIATORS else None, **_deviator(one, number_of)} for place, one in enumerate(listed)]


def _breakers(answers: DeviatorAnswers, number_of: Mapping[str, int]) -> list[Row]:
    """Strict ones first, then by how far they stand from the rule."""
    ordered = sorted(answers.breaks_rule, key=lambda one: (not one.is_strict, -abs((one.rule_ratio.value or 1.0) - 1.0)))
    rows = _deviators(tuple(ordered), number_of)
    for row, one in zip(rows, ordered, strict=True):
        row["strict"] = one.is_strict
        row["how"] = "by the strict count" if one.is_strict else "by the wider count"
    return rows


def _deviator(one: Deviator, number_of: Mapping[str, int]) -> Row:
    physics = (one.physics_low, one.physics_high)
    return {
        "u": number_of.get(one.unit_id), "name": clean_text(one.build), "publisher": clean_text(one.publisher),
        "words": f"{clean_text(one.build, 60)}, {clean_text(one.publisher, 40)}",
        **ends_of(one.rule_ratio), "expected": one.expected, "expected_low": one.expected_low, "expected_high": one.expected_high,
        "expected_shown": range_of(one.expected_low, one.expected_high),
        "physics_low": one.physics_low, "physics_high": one.physics_high,
        "physics_shown": "" if physics[0] is None or physics[1] is None else range_of(physics[0], physics[1]),
        "q_value": one.q_value, "tested_by": {"slope": "its average", "curvature": "how its gain bends"}[one.tested_by],
        **texts("summary", in_reader_units(clean_text(one.summary, 400))),
    }  # fmt: skip


# --- selection ----------------------------------------------------------------------------------------------------------


def _funnel(
    answers: SelectionAnswers, results: StudyResults, number_of: Mapping[str, int], induction: Mapping[str, str]
) -> list[Row]:
    """Points of the funnel of the builds that are drawn."""
    names = {unit.unit_id: clean_text(unit.build) for unit in results.units}
    cooled = {unit.unit_id: unit.charge_cooling in ("air_to_air", "air_to_water") for unit in results.units}
    return [
        {
            "u": number_of[point.unit_id], "name": names.get(point.unit_id, ""), "publisher": clean_text(point.publisher),
            "induction": induction.get(point.unit_id, "unstated"), "cooled": cooled.get(point.unit_id, False),
            "ratio": point.rule_ratio, "error": known(point.standard_error), "boost_kpa": known(point.highest_boost_kpa),
        }
        for point in answers.funnel
        if point.unit_id in number_of
    ]  # fmt: skip


def _withheld(answers: SelectionAnswers, mean: Estimate) -> list[Row]:
    """The average under each assumption; each cut's line starts at the average as it stands, with nothing withheld."""
    rows: list[Row] = []
    for cut in sorted({line.cut for line in answers.lines}):
        words = f"below {write_number(100 * cut, 0)}\u202f%"
        start = {"share_withheld": 0.0, "ratio": known(mean.value), "unpublished": 0.0, "start": True, "last": False}
        lines = sorted((line for line in answers.lines if line.cut == cut), key=lambda line: line.share_withheld)
        told = [line for line in lines if line.rule_ratio is not None]
        made = [
            {
                "share_withheld": line.share_withheld, "ratio": line.rule_ratio, "unpublished": line.unpublished, "start": False,
                "last": bool(told) and line is told[-1],
            }
            for line in lines
        ]  # fmt: skip
        rows.extend({"cut": cut, "words": words, **row} for row in (start, *made))
    return rows


def _kinds(answers: SelectionAnswers) -> list[Row]:
    ordered = sorted(answers.kinds, key=lambda kind: -(kind.rule_ratio.value or 0.0))
    return [
        {
            "place": place, "name": level_words("medium", kind.medium).capitalize(), **ends_of(kind.rule_ratio),
            "difference": "" if kind.difference.value is None else points_of(kind.difference),
        }
        for place, kind in enumerate(ordered)
    ]  # fmt: skip


# --- other choices ------------------------------------------------------------------------------------------------------


def _publishers(answers: OnePublisherOut, mean: Estimate) -> list[Row]:
    """The average as it stands, then without each publisher; the chart shows those that move it most."""
    most = sorted(answers.lines, key=lambda line: -abs((line.rule_ratio.value or 0.0) - (mean.value or 0.0)))[:MOST_PUBLISHERS]
    drawn = {line.publisher for line in most}
    rows: list[Row] = [{"place": 0, "name": "With every publisher", "main": True, "out": 0, **ends_of(mean)}]
    place = 1
    for line in answers.lines:
        is_drawn = line.publisher in drawn
        name = f"Without {clean_text(line.publisher, 60)}"
        rows.append({
            "place": place if is_drawn else None, "name": name, "main": False, "out": line.builds, **ends_of(line.rule_ratio)
        })  # fmt: skip
        place += is_drawn
    return rows


def _cancelling(answers: CancellingErrors, mean: Estimate) -> list[Row]:
    """Where the average goes with each shortcut and with both."""
    if mean.value is None:
        return []
    lines = (
        (InBothUnits("14.7 psi taken for every site's air", "101 kPa taken for every site's air"), answers.ambient, False),
        (InBothUnits("No curvature", "No curvature"), answers.curvature, False),
        (InBothUnits("Both at once", "Both at once"), answers.together, True),
    )
    rows: list[Row] = []
    for words, shift, both in lines:
        if shift is None:
            continue
        moved = f"{words.us}: {_signed(shift)}", f"{words.si}: {_signed(shift)}"
        rows.append({
            "place": len(rows), **texts("name", words), **texts("words", InBothUnits(*moved)), "from": mean.value,
            "to": mean.value + shift, "shift": shift, "both": both,
        })  # fmt: skip
    return rows


def _signed(shift: float) -> str:
    """A shift of the share of the rule, in points."""
    shown = write_number(100 * shift, 1)
    return f"{shown if shown.startswith(MINUS) else '+' + shown} points"


def deviation_words(one: Deviator) -> str:
    """``64 (56 to 73) % of the rule, where 78 to 111 % was to be expected``."""
    own = show_estimate(one.rule_ratio, US, share=True).full
    return f"{own} of the rule, where {range_of(one.expected_low, one.expected_high)}\u202f% was to be expected"
