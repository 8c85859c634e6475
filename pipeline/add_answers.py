"""What an answer to a question of `add` does: the contributor's wishes with one thing more, read as strictly as a cell."""

from __future__ import annotations

import difflib
from dataclasses import replace

from pipeline.add import Draft
from pipeline.add_questions import FOR_ALL, JOINED, MOST_CHOICES, Question, offered_units
from pipeline.codes import recognise_code, say_code_problem
from pipeline.contribution import Wishes
from pipeline.errors import RequestProblem
from pipeline.fields import FIELDS
from pipeline.header_targets import bare_name, read_override, suggested_target, target_in_unit
from pipeline.units import find_unit
from pipeline.words import fold_words

#: Answers that say that something is not known.
UNKNOWN = frozenset({"unknown", "unstated", "not stated", "dont know", "do not know", "?", "", "skip"})
YES = frozenset({"y", "yes", "ja", "si", "oui", "sim"})
NO = frozenset({"n", "no", "nein", "non", "nao", ""})


def take_answer(wishes: Wishes, question: Question, answer: str, draft: Draft) -> Wishes:
    """The wishes with one more answer; the same wishes where "unknown" is an answer to something that is not needed.

    Raises
    ------
    RequestProblem : the answer cannot be understood, or something needed was left open.
    """
    text = answer.strip()
    if fold_words(text) in UNKNOWN and (question.is_needed or question.sort not in ("code", "suggestion")):
        raise RequestProblem(f"an answer is needed: {question.text} ({question.option})")
    takers = {"suggestion": _take_suggestion, "text": _take_text, "code": _take_code, "column": _take_column, "unit": _take_unit}
    return takers[question.sort](wishes, question, text, draft)


def _take_text(wishes: Wishes, question: Question, text: str, draft: Draft) -> Wishes:
    return replace(wishes, described={**wishes.described, question.key: text})


def _take_code(wishes: Wishes, question: Question, text: str, draft: Draft) -> Wishes:
    return replace(wishes, constants={**wishes.constants, **code_constant(question.about, text)})


def code_constant(name: str, text: str) -> dict[str, str]:
    """The constant that states a code for all rows; `unstated` or nothing where it is not known.

    Raises
    ------
    RequestProblem : the words mean no code of the field.
    """
    named = FIELDS[name]
    if fold_words(text) in UNKNOWN:
        return {name: "unstated"} if "unstated" in named.codes else {}
    code = recognise_code(name, text)
    if code is None:
        raise RequestProblem(say_code_problem(named, text))
    return {name: code}


def _take_suggestion(wishes: Wishes, question: Question, text: str, draft: Draft) -> Wishes:
    """Yes takes the proposed field, no leaves the column as text, and another field's name takes that one."""
    if fold_words(text) in NO:
        return wishes
    column = next(c for r in draft.readings for c in r.columns if c.header == question.header and c.field is None)
    target = suggested_target(column, question.about) if fold_words(text) in YES else text
    read = read_override(column.header, target)
    if read is None or read.field is None:
        raise RequestProblem(f"{text!r} is neither yes or no nor the name of a field; `poundworth dictionary` lists the fields")
    return replace(wishes, headers={**wishes.headers, column.header: target})


def _take_column(wishes: Wishes, question: Question, text: str, draft: Draft) -> Wishes:
    if text.startswith(FOR_ALL) and question.about == "build":
        if not text[1:].strip():
            raise RequestProblem(f"a name is needed after {FOR_ALL}, such as {FOR_ALL}Bench engine 1")
        return replace(wishes, constants={**wishes.constants, "build": text[1:].strip()})
    headers = [c.header for r in draft.readings if r.entry.sheet == question.sheet for c in r.columns]
    if question.about == "build" and JOINED in text and text not in headers:
        return replace(wishes, build_from=tuple(_present(part.strip(), headers) for part in text.split(JOINED)))
    named = FIELDS[question.about]
    target = named.name if named.quantity in (None, "speed") else bare_name(named)
    return replace(wishes, headers={**wishes.headers, _present(text, headers): target})


def _present(told: str, headers: list[str]) -> str:
    wanted = "" if fold_words(told) == "no header" else told
    found = [h for h in headers if h == wanted] or [h for h in headers if fold_words(h) == fold_words(wanted)]
    if not found:
        near = difflib.get_close_matches(told, headers, n=3) or headers[:MOST_CHOICES]
        raise RequestProblem(f"there is no column {told!r}; the nearest are {', '.join(repr(h) for h in near)}")
    return found[0]


def _take_unit(wishes: Wishes, question: Question, text: str, draft: Draft) -> Wishes:
    named = FIELDS[question.about]
    unit = find_unit(text, named.quantity)
    if unit is None:
        raise RequestProblem(f"{text!r} is no unit of {named.quantity}; allowed are {', '.join(offered_units(named))}")
    column = next(c for r in draft.readings for c in r.columns if c.header == question.header and c.needs_unit)
    return replace(wishes, headers={**wishes.headers, question.header: target_in_unit(column, named, unit.name)})
