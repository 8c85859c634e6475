"""What the check of the estimate says, in sentences: how far off, which ranges fell short, what does as well."""

from __future__ import annotations

from models.estimate_records import PredictionModel
from models.prediction_records import CoverageLine, PredictionCheck
from reports.labels import COOLING, INDUCTION, MEASURED_AT, clean_text, word_for
from reports.numbers import THIN, InBothUnits, count_of, write_number
from reports.quantities_in_text import in_reader_units

#: A group is named where its 80 % range held fewer than this share, and where so many builds tell.
FELL_SHORT = 0.75
LEAST_BUILDS = 10

_METHODS = {
    "rule": "the bare rule",
    "common_slope": "one slope for all",
    "neighbours": "similar builds alone",
    "gradient_boosting": "gradient boosting",
}


def percent(share: float | None) -> str:
    """A share as a whole percentage; a dash where it is missing."""
    return "\u2013" if share is None else write_number(100.0 * share, 0) + THIN + "%"


def per_cent(value: float | None, digits: int = 1) -> str:
    """A figure that is in per cent already."""
    return "\u2013" if value is None else write_number(value, digits) + THIN + "%"


def say_engine_basis(model: PredictionModel) -> str:
    """What the estimate rests on."""
    return f"{count_of(model.builds, 'build')}, {count_of(model.runs, 'run')}, {count_of(model.publishers, 'publisher')}"


def say_honest(check: PredictionCheck) -> str:
    """How often the ranges held on engines that they had not seen, and how far off the estimate was."""
    line = check.lines[0]
    off = f"On engines that it had not seen, the estimate was off by {per_cent(line.error_pct)} on average"
    if line.cover80 is None:
        return off + "; too few builds tell how often a range holds."
    wide = "" if line.cover95 is None else f" and the 95{THIN}% range {percent(line.cover95)}"
    return f"{off}; its 80{THIN}% range held the result in {percent(line.cover80)} of builds{wide}."


def say_short(check: PredictionCheck) -> InBothUnits | None:
    """Groups whose 80 % range held too seldom; None where there are none."""
    short = [
        one for one in check.lines[1:] if one.cover80 is not None and one.cover80 < FELL_SHORT and one.builds >= LEAST_BUILDS
    ]
    if not short:
        return None
    named = [f"{_lead(one)} ({percent(one.cover80)} of {count_of(one.builds, 'build')})" for one in short]
    listed = named[0] if len(named) == 1 else ", ".join(named[:-1]) + " and " + named[-1]
    return in_reader_units(f"It held less often than it should {listed}: take those ranges as too narrow.")


def _lead(line: CoverageLine) -> str:
    words = group_words(line)
    if line.kind == "boost":
        return words if words.startswith("above") else f"at {words}"
    return f"with {words[:1].lower() + words[1:]}" if line.kind == "induction" else f"where {words[:1].lower() + words[1:]}"


def group_words(line: CoverageLine) -> str:
    """A group of the check in words; boosts in the unit that they were banded in."""
    words = {"induction": INDUCTION, "charge_cooling": COOLING, "measured_at": MEASURED_AT}.get(line.kind)
    text = clean_text(line.group, 60) if words is None else word_for(line.group, words)
    return text[:1].upper() + text[1:] if line.kind != "boost" else text


def say_comparison(check: PredictionCheck) -> str:
    """The estimate's error beside that of every other way to predict, and whether any of them does better."""
    own = next(one for one in check.methods if one.name == "estimate")
    others = [one for one in check.methods if one.name != "estimate"]
    better = [one for one in others if round(one.error_pct, 1) < round(own.error_pct, 1)]
    told = ", ".join(f"{_METHODS.get(one.name, clean_text(one.words))} by {per_cent(one.error_pct)}" for one in others)
    verdict = (
        "No other way to predict does better"
        if not better
        else f"{' and '.join(_METHODS.get(one.name, clean_text(one.words)) for one in better).capitalize()} came closer here"
    )
    return f"The estimate was off by {per_cent(own.error_pct)}, {told}. {verdict}."
