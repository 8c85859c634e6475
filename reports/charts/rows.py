"""Record sets that the charts, their tables and their CSV files read: plain rows in SI, from the results only."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from models.estimate import Estimate
from models.results import BoostPoint, FlowStep, RunResult, StudyResults, UnitResult
from models.rule import SEA_LEVEL_KPA, rule_yield
from reports.labels import (
    AMBIENT,
    COOLING,
    FLOW_LOSSES,
    FLOW_STEPS,
    HARDWARE,
    INDUCTION,
    MEASURED_AT,
    QUALITY,
    clean_text,
    word_for,
)
from reports.numbers import US, InBothUnits, show_estimate
from reports.quantities_in_text import in_reader_units
from reports.theme import CLASSES

Row = dict[str, Any]
Rows = dict[str, list[Row]]

#: Most boosted runs drawn in one page: 5 000 points stay quick to filter in a browser (about 0.2 s for all charts).
MOST_RUNS = 5_000
#: Most builds drawn in one page: one row each in the chart of builds.
MOST_UNITS = 1_000
#: Points of the bands against output; they are straight, so the number only serves the hover.
BAND_POINTS = 25
#: Width of a column of dots in the chart of rule ratios.
DOT_STEP = 0.02


@dataclass(frozen=True, slots=True)
class Selection:
    """Which builds are drawn: all of them, or every ``step``-th by naturally aspirated output."""

    units: tuple[UnitResult, ...]
    runs: tuple[RunResult, ...]
    step: int
    of_units: int
    of_runs: int


def select_units(results: StudyResults, most_runs: int = MOST_RUNS, most_units: int = MOST_UNITS) -> Selection:
    """All builds where a page can carry them, else every k-th in order of output, each with all its runs.

    The rule looks at nothing but output, so that the drawn builds are no choice of results.
    """
    ordered = sorted(results.units, key=lambda unit: (unit.na_power_kw, unit.unit_id))
    step = max(1, math.ceil(len(results.runs) / most_runs), math.ceil(len(ordered) / most_units))
    while True:
        units = tuple(ordered[::step])
        kept = {unit.unit_id for unit in units}
        runs = tuple(run for run in results.runs if run.unit_id in kept)
        if len(runs) <= most_runs or len(units) <= 1:
            return Selection(units, runs, step, len(ordered), len(results.runs))
        step += 1


def class_order(unit: UnitResult) -> tuple[int, int]:
    """Place of a build's class: by what makes the boost, then by cooling."""
    cooling = ("air_to_water", "air_to_air", "none")
    first = CLASSES.index(class_of(unit))
    return first, cooling.index(unit.charge_cooling) if unit.charge_cooling in cooling else len(cooling)


def class_of(unit: UnitResult) -> str:
    """The class that sets colour and shape."""
    return unit.induction if unit.induction in CLASSES else "unstated"


def class_words(unit: UnitResult) -> str:
    """The class in words: ``Turbocharger, air-to-air cooled``."""
    return f"{word_for(class_of(unit), INDUCTION)}, {word_for(unit.charge_cooling, COOLING)}"


def flags_of(unit: UnitResult) -> list[str]:
    """What a careful reader should know about a build's record, in words."""
    flags = []
    if unit.ambient_basis != "recorded":
        flags.append(word_for(unit.ambient_basis, AMBIENT))
    if unit.baseline_quality != "same_session":
        flags.append(word_for(unit.baseline_quality, QUALITY))
    if unit.baseline_hardware != "compressor_removed":
        flags.append(word_for(unit.baseline_hardware, HARDWARE))
    if unit.measured_at is None:
        flags.append("place of measurement not stated")
    if unit.charge_cooling is None:
        flags.append("cooling not stated")
    return flags


def number_units(selection: Selection) -> dict[str, int]:
    """Each drawn build's number: by class, then from the highest share of the rule to the lowest."""
    ordered = sorted(selection.units, key=lambda u: (*class_order(u), -_value(u.rule_ratio), u.unit_id))
    return {unit.unit_id: number for number, unit in enumerate(ordered)}


def make_rows(results: StudyResults, selection: Selection) -> Rows:
    """Record sets of builds, runs, curves, choices and counts, by name."""
    number_of = number_units(selection)
    numbered = sorted(selection.units, key=lambda unit: number_of[unit.unit_id])
    units, groups = _unit_rows(numbered)
    runs = [_run_row(run, number_of[run.unit_id], numbered[number_of[run.unit_id]]) for run in selection.runs]
    runs.sort(key=lambda row: (row["u"], row["x"], row["run_key"]))
    return {
        "units": units,
        "groups": groups,
        "runs": runs,
        "gain_lines": _gain_lines(units, runs),
        "yield_band": _yield_band(results, max((u.na_power_kw for u in numbered), default=1.0)),
        "gain_band": _gain_band(results),
        "marginal": [_boost_row(point) for point in results.marginal_yield],
        "sensitivity": [
            {
                "place": place,
                **texts("name", in_reader_units(line.name)),
                **texts("sentence", in_reader_units(line.sentence)),
                "main": place == 0,
                **ends_of(line.rule_ratio),
            }
            for place, line in enumerate(results.sensitivity)
        ],  # fmt: skip
        "flow": [_flow_row(place, step) for place, step in enumerate(results.flow)],
    }


def _flow_row(place: int, step: FlowStep) -> Row:
    name = FLOW_STEPS.get(step.step, step.step.replace("_", " "))
    out = step.step in FLOW_LOSSES or (bool(step.reason) and step.step not in FLOW_STEPS)
    words = name if step.step in FLOW_STEPS or not step.reason else f"Left out: {step.reason}"
    return {"place": place, "step": name, "count": step.count, "reason": step.reason, "out": out, "words": words}


def _value(estimate: Estimate) -> float:
    return estimate.value if estimate.value is not None and math.isfinite(estimate.value) else -math.inf


def known(value: float | None) -> float | None:
    """The number where it is one, else None."""
    return value if value is not None and math.isfinite(value) else None


def texts(field: str, text: InBothUnits) -> Row:
    """A text in both unit systems: the field itself in US units, the same name with ``_si`` in SI."""
    return {field: text.us, f"{field}_si": text.si}


def ends_of(estimate: Estimate) -> Row:
    """Value and ends of a pure ratio, and the same as text."""
    return {
        "ratio": known(estimate.value),
        "low": known(estimate.low),
        "high": known(estimate.high),
        "shown": show_estimate(estimate, US, share=True).full,
        "builds": estimate.builds,
        "runs": estimate.runs,
    }


def _unit_rows(units: list[UnitResult]) -> tuple[list[Row], list[Row]]:
    """A row for each build in the order of the chart, and a heading for each class (a heading takes three places)."""
    rows: list[Row] = []
    groups: list[Row] = []
    heights: dict[int, int] = defaultdict(int)
    place, before = 0, None
    for number, unit in enumerate(units):
        if class_order(unit) != before:
            before = class_order(unit)
            place += 3
            groups.append(
                {"place": place - 1.7, "label": class_words(unit), "builds": sum(class_order(u) == before for u in units)}
            )
        rows.append(_unit_row(unit, number, place, heights))
        place += 1
    return rows, groups


def _unit_row(unit: UnitResult, number: int, place: int, heights: dict[int, int]) -> Row:
    own, shrunk = unit.rule_ratio, unit.shrunk_rule_ratio
    ratio = known(own.value)
    column = None if ratio is None else round(ratio / DOT_STEP)
    if column is not None:
        heights[column] += 1
    return {
        "u": number,
        "place": place,
        "name": clean_text(unit.build),
        "publisher": clean_text(unit.publisher),
        "source": unit.source,
        "induction": class_of(unit),
        "cooling": unit.charge_cooling or "unstated",
        "cooled": unit.charge_cooling in ("air_to_air", "air_to_water"),
        "class": class_words(unit),
        "fuel": clean_text((unit.fuel or "not stated").replace("_", " ")),
        "measured": word_for(unit.measured_at, MEASURED_AT),
        "displacement_cc": known(unit.displacement_cc),
        "na_power_kw": unit.na_power_kw,
        "ambient_kpa": unit.ambient_kpa,
        "boost_kpa": unit.highest_boost_kpa,
        "boosted_runs": unit.boosted_runs,
        "baseline_runs": unit.baseline_runs,
        "ratio": ratio,
        "low": known(own.low),
        "high": known(own.high),
        "shrunk": known(shrunk.value),
        "shown": show_estimate(own, US, share=True).full,
        "shrunk_shown": show_estimate(shrunk, US, share=True).full,
        "dot": None if column is None else column * DOT_STEP,
        "height": 0 if column is None else heights[column],
        "flags": "; ".join(flags_of(unit)),
    }


def _run_row(run: RunResult, number: int, unit: UnitResult) -> Row:
    return {
        "u": number,
        "name": clean_text(unit.build),
        "publisher": clean_text(unit.publisher),
        "induction": class_of(unit),
        "cooled": unit.charge_cooling in ("air_to_air", "air_to_water"),
        "na_power_kw": unit.na_power_kw,
        "power_kw": run.power_kw,
        "boost_kpa": run.boost_kpa,
        "sea_level_boost_kpa": run.boost_ratio * SEA_LEVEL_KPA,
        "x": run.boost_ratio,
        "gain": run.gain_ratio,
        "yield_kw_per_kpa": run.yield_kw_per_kpa,
        "share": run.gain_ratio / run.boost_ratio if run.boost_ratio else None,
        "run_key": clean_text(run.run_key, 200),
    }


def _gain_lines(units: list[Row], runs: list[Row]) -> list[Row]:
    """The runs of each build, led by a point without boost, where every build gains nothing."""
    keep = ("u", "name", "publisher", "induction", "cooled", "sea_level_boost_kpa", "gain", "share")
    starts = [{**{k: unit.get(k) for k in keep}, "sea_level_boost_kpa": 0.0, "gain": 0.0, "start": True} for unit in units]
    return starts + [{**{k: run[k] for k in keep}, "start": False} for run in runs]


def _yield_band(results: StudyResults, top_kw: float) -> list[Row]:
    """The rule, the mean with its interval and the range for a new build, as yields against output."""
    mean, new = results.rule_ratio, results.new_build_rule_ratio
    rows = []
    for step in range(BAND_POINTS):
        power = top_kw * 1.04 * step / (BAND_POINTS - 1)
        rule = rule_yield(power)
        shares = {"mean": mean.value, "mean_low": mean.low, "mean_high": mean.high, "new_low": new.low, "new_high": new.high}
        rows.append({"na_power_kw": power, "rule": rule, **{k: _times(v, rule) for k, v in shares.items()}})
    return rows


def _times(share: float | None, amount: float) -> float | None:
    there = known(share)
    return None if there is None else there * amount


def _gain_band(results: StudyResults) -> list[Row]:
    """Mean curve and range for a new build against boost at sea level, from no boost on."""
    new_at = {round(point.boost_kpa, 6): point.estimate for point in results.new_build_gain_ratio}
    rows: list[Row] = [
        {"sea_level_boost_kpa": 0.0, "rule": 0.0, "mean": 0.0, "mean_low": 0.0, "mean_high": 0.0, "new_low": 0.0, "new_high": 0.0}
    ]
    for point in results.mean_gain_ratio:
        new = new_at.get(round(point.boost_kpa, 6))
        mean = point.estimate
        rows.append({
            "sea_level_boost_kpa": point.boost_kpa, "rule": point.boost_kpa / SEA_LEVEL_KPA,
            "mean": known(mean.value), "mean_low": known(mean.low), "mean_high": known(mean.high),
            "new_low": None if new is None else known(new.low), "new_high": None if new is None else known(new.high),
        })  # fmt: skip
    return sorted((row for row in rows if row["sea_level_boost_kpa"] >= 0), key=lambda row: row["sea_level_boost_kpa"])


def _boost_row(point: BoostPoint) -> Row:
    return {"boost_kpa": point.boost_kpa, **ends_of(point.estimate)}
