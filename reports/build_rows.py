"""The record of each build as the script of the page of builds reads it: words and figures ready to print, points ready to draw."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import Any

from models.driver_records import PhysicsBand
from models.estimate import Estimate
from models.results import RunResult, StudyResults, UnitResult
from pipeline.build_panels import RecordedBuild, RecordedRun, Value
from pipeline.fields import FIELDS
from reports.build_links import build_anchor
from reports.charts.rows import class_words, flags_of
from reports.data_tables import field_words
from reports.deviator_words import deviation_lines
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, in_both, show_estimate, show_level, show_reported, write_number
from reports.quantities_in_text import in_reader_units

#: Unit of a field -> quantity of the unit switch.
_QUANTITIES = {"kW": "power", "N m": "torque", "kPa": "boost", "cc": "volume"}
_DIGITS = {"rpm": 0, "rpm/s": 0, "mm": 2, "m": 0, "deg": 1, "C": 1, "%": 1}
_UNITS = {"C": "\u00b0C", "deg": "\u00b0"}
_ROLES = {"baseline": "without boost", "boosted": "boosted", "throttled": "throttled"}
#: Longest contributed text in a panel.
LONGEST_TEXT = 240
#: Most runs and flags that a panel lists; the number left out is said.
MOST_RUNS, MOST_FLAGS = 60, 20

Text = str | list[str]


def text_json(text: str | InBothUnits) -> Text:
    """One text, or a pair of texts where the unit systems differ."""
    if isinstance(text, str):
        return text
    return text.us if text.us == text.si else [text.us, text.si]


def panel_json(
    build: RecordedBuild,
    units: Sequence[UnitResult],
    runs: dict[str, list[RunResult]],
    physics: dict[str, tuple[PhysicsBand, ...]],
    results: StudyResults,
) -> dict[str, Any]:
    """One panel: fields, study's reading, runs, drawing, flags."""
    return {
        "fields": [[_words(name), text_json(write_value(name, value))] for name, value in build.fields],
        "study": [line for unit in units for line in _reading(unit, results, len(units) > 1)],
        "plots": [_plot(unit, runs.get(unit.unit_id, []), physics.get(unit.unit_id, ())) for unit in units],
        "runs": [_run(run) for run in build.runs[:MOST_RUNS]],
        "moreRuns": max(len(build.runs) - MOST_RUNS, 0),
        "flags": [text_json(in_reader_units(clean_text(text, 300))) for text in _flags(build)[:MOST_FLAGS]],
        "moreFlags": max(len(_flags(build)) - MOST_FLAGS, 0),
        "countedAs": None if build.counted_as is None else build_anchor(build.counted_as),
    }


@cache
def _words(name: str) -> str:
    """A field in words; there are few fields and many records."""
    return field_words(FIELDS[name])


def write_value(name: str, value: Value) -> str | InBothUnits:
    """A recorded value in words, in both unit systems where it has a quantity of the switch."""
    field = FIELDS[name]
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name == "correction" and any(c.isdigit() for c in str(value)):
        return clean_text(str(value)).replace("_", " ").upper()
    if isinstance(value, str):
        return clean_text(value, LONGEST_TEXT).replace("_", " ") if field.codes else clean_text(value, LONGEST_TEXT)
    quantity = _QUANTITIES.get(field.unit or "")
    if quantity is not None:
        return in_both(lambda system: show_reported(float(value), quantity, system))
    number = write_number(float(value), 0 if isinstance(value, int) else _DIGITS.get(field.unit or "", 2))
    number = number.rstrip("0").rstrip(".") if "." in number else number
    unit = _UNITS.get(field.unit or "", field.unit or "")
    return f"{number}\u202f{unit}" if unit else number


def share_words(estimate: Estimate) -> str:
    """A share of the rule with its range, or why there is none."""
    if estimate.value is None:
        return "cannot be told"
    return show_estimate(estimate, SYSTEMS["us"], share=True, reference=1.0).full


def _reading(unit: UnitResult, results: StudyResults, is_one_of_many: bool) -> list[list[Any]]:
    """What the study makes of the build: class, share, share drawn to its peers, whether and why it departs."""
    own, shrunk = unit.rule_ratio, unit.shrunk_rule_ratio
    lines: list[list[Any]] = [["Setup" if is_one_of_many else "Kind", class_words(unit)]]
    lines.append(["Share of the rule", f"{share_words(own)}, {show_level(own)} interval"])
    lines.append(["Drawn to its peers", share_words(shrunk)])
    lines.append(["Without boost", text_json(in_both(lambda system: show_reported(unit.na_power_kw, "power", system)))])
    known = flags_of(unit)
    if known:
        lines.append(["To know", "; ".join(known)])
    lines += [["Departs", text_json(text)] for text in deviation_lines(results, unit.unit_id)]
    return lines


def _plot(unit: UnitResult, runs: Sequence[RunResult], physics: Sequence[PhysicsBand]) -> dict[str, Any]:
    """Points of gain over boost ratio, as shares of the output without boost."""
    bands = sorted((band.boost_kpa / band.ambient_kpa, band.gain_ratio_low, band.gain_ratio_high) for band in physics)
    points = sorted((run.boost_ratio, run.gain_ratio) for run in runs)
    return {"points": _rounded(points), "physics": _rounded(bands)}


def _rounded(points: Sequence[tuple[float, ...]]) -> list[list[float]]:
    return [[round(x, 4) for x in point] for point in points if all(math.isfinite(x) for x in point)]


def _run(run: RecordedRun) -> list[Any]:
    """Role, boost and power in SI, what it states of its own, its place."""
    own = [f"{_words(name)}: " for name, _ in run.own]
    texts = [write_value(name, value) for name, value in run.own]
    both = InBothUnits(*("; ".join(w + _in(t, code) for w, t in zip(own, texts, strict=True)) for code in ("us", "si")))
    role = _ROLES.get(run.role, run.role) + (", counted elsewhere" if run.is_repeat else "")
    return [role, run.boost_kpa, run.power_kw, text_json(both), f"{clean_text(run.file)}, line {run.line}"]


def _in(text: str | InBothUnits, code: str) -> str:
    return text if isinstance(text, str) else text.in_system(code)


def _flags(build: RecordedBuild) -> list[str]:
    """Remarks, each once, with the lines they stand at."""
    lines: dict[str, list[int]] = {}
    for flag in build.flags:
        lines.setdefault(flag.sentence, []).append(flag.line)
    return [f"{text} ({'line' if len(at) == 1 else 'lines'} {_listed(sorted(set(at)))})" for text, at in lines.items()]


def _listed(numbers: list[int]) -> str:
    """``3``, ``3 and 5``, ``3, 4 and 9``; long lists are cut."""
    words = [str(number) for number in numbers]
    if len(words) > 6:
        return ", ".join(words[:5]) + f" and {len(words) - 5} more"
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]
