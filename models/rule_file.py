"""A reader's own rules of thumb, from the text of a TOML file to rules that are judged like the trade's.

::

    [[rule]]
    id        = "boost_is_linear"
    statement = "The last psi at 15 is worth as much as the first."
    estimate  = "last_over_first"       # any figure that `poundworth rules --figures` lists
    low       = 0.95                    # leave one end out for a rule that names a side only
    high      = 1.05
    predicts  = 1.0                     # optional; with it a verdict can be "holds with a lean"
    outside   = false                   # true: the rule says that the figure lies OUTSIDE low to high
    tolerance = "within 5 %"            # optional words
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from models.rules_of_thumb import Rule, judge_band, judge_outside, judge_side
from pipeline.errors import RequestProblem

#: More rules than this in one file are not a reader's own.
MOST_RULES = 500
LONGEST_TEXT = 500

_KEYS = ("id", "statement", "estimate", "low", "high", "predicts", "outside", "tolerance", "would_tell")
_ID = re.compile(r"[a-z][a-z0-9_]{0,63}")
_EXAMPLE = 'Write for example: [[rule]] id = "mine", statement = "...", estimate = "rule_ratio", low = 0.9, high = 1.1.'


def parse_rules(text: str, file: str, figures: Sequence[str]) -> tuple[Rule, ...]:
    """Read a reader's rules.

    Parameters
    ----------
    text : content of the file.
    file : its name, for messages.
    figures : names of the evidence that a rule may be judged by.

    Raises
    ------
    RequestProblem : the text is no TOML, or a rule lacks something, has too much, or names a figure that the study does not have.
    """
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a whole number of thousands of digits is a plain ValueError
        raise RequestProblem(f"{file} is no TOML: {error}. {_EXAMPLE}") from error
    rows = content.get("rule")
    if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows) or len(rows) > MOST_RULES:
        given = "more than that" if isinstance(rows, list) and len(rows) > MOST_RULES else "no such list"
        raise RequestProblem(f"{file} has {given}; it must hold 1 to {MOST_RULES} tables [[rule]]. {_EXAMPLE}")
    unknown = sorted(set(content) - {"rule"})
    if unknown:
        raise RequestProblem(f"{file} holds {', '.join(unknown)} beside its rules; only [[rule]] is known. Remove it.")
    rules = tuple(_rule(row, f"Rule {place} of {file}", figures) for place, row in enumerate(rows, start=1))
    twice = sorted({rule.id for rule in rules if sum(other.id == rule.id for other in rules) > 1})
    if twice:
        raise RequestProblem(f"{file} gives the id {twice[0]!r} to more than one rule; each needs its own. Rename one.")
    return rules


def _rule(row: Mapping[str, Any], where: str, figures: Sequence[str]) -> Rule:
    unknown = sorted(set(row) - set(_KEYS))
    if unknown:
        raise RequestProblem(f"{where} has {', '.join(unknown)}; allowed are {', '.join(_KEYS)}. Remove or rename it.")
    name = _text(row, "id", where)
    if not _ID.fullmatch(name):
        raise RequestProblem(
            f"{where} has the id {name!r}; an id is a small letter, then small letters, digits and _. Rename it."
        )
    tested_by = _text(row, "estimate", where)
    if tested_by not in figures:
        near = difflib.get_close_matches(tested_by, list(figures), n=3, cutoff=0.5)
        raise RequestProblem(
            f"{where} is to be judged by {tested_by!r}, which the study does not have; "
            f"{'nearest are ' + ', '.join(near) if near else 'it has ' + ', '.join(figures)}. Name one of its figures."
        )
    low, high, predicts = (_number(row, key, where) for key in ("low", "high", "predicts"))
    outside = row.get("outside", False)
    if not isinstance(outside, bool):
        raise RequestProblem(f"{where} has outside = {outside!r}; it must be true or false. Write one of these.")
    _check_range(low, high, predicts, outside, where)
    tolerance = _text(row, "tolerance", where, _range_words(low, high, outside))
    would_tell = _text(row, "would_tell", where, "More builds, from publishers that are not in the study yet.")
    judge = judge_outside if outside else judge_band if low is not None and high is not None else judge_side
    return Rule(name, _text(row, "statement", where), tested_by, predicts, low, high, tolerance, would_tell, judge)


def _text(row: Mapping[str, Any], key: str, where: str, otherwise: str | None = None) -> str:
    value = row.get(key, otherwise)
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST_TEXT:
        raise RequestProblem(
            f"{where} has {key} = {str(value)[:60]!r}; it must be a text of 1 to {LONGEST_TEXT} characters. {_EXAMPLE}"
        )
    return value.strip()


def _number(row: Mapping[str, Any], key: str, where: str) -> float | None:
    value = row.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise RequestProblem(f"{where} has {key} = {value!r}; it must be a plain number. Write one, or leave it out.")
    return float(value)


def _check_range(low: float | None, high: float | None, predicts: float | None, outside: bool, where: str) -> None:
    if low is None and high is None:
        raise RequestProblem(f"{where} has neither low nor high; at least one end of its tolerance is needed. {_EXAMPLE}")
    if outside and (low is None or high is None):
        raise RequestProblem(f"{where} says outside and has one end only; it needs both low and high. Add the other end.")
    if low is not None and high is not None and not low < high:
        raise RequestProblem(f"{where} has low = {low:g} and high = {high:g}; low must be below high. Exchange them.")
    if predicts is not None and ((low is not None and predicts < low) or (high is not None and predicts > high)):
        raise RequestProblem(f"{where} predicts {predicts:g}, outside its own tolerance. Move the tolerance or the prediction.")


def _range_words(low: float | None, high: float | None, outside: bool) -> str:
    if low is None:
        return f"below {high:g}"
    if high is None:
        return f"above {low:g}"
    return f"{'outside' if outside else 'between'} {low:g} {'to' if outside else 'and'} {high:g}"
