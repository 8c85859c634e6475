"""What a contribution leaves open: the questions, in the order in which people can answer them, and what an answer does.

A question is asked only where neither file nor options tell; an answer is read as strictly as a cell of a file. Nothing
has a default that would be a guess.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from pipeline.add import Draft
from pipeline.contribution import Wishes
from pipeline.fields import CORRECTIONS, FIELDS, MEASURED_AT, Field
from pipeline.header_targets import bare_name, suggested_target, target_in_unit
from pipeline.header_units import TRADE_UNITS
from pipeline.headers import recognise_headers
from pipeline.recognition import Recognised, SheetReading
from pipeline.units import convert, unit_named, units_of

Sort = Literal["text", "code", "column", "unit", "suggestion"]
#: An answer that begins so is a value for all rows and no column.
FOR_ALL = "="
#: Between columns that name the build together.
JOINED = "+"
MOST_CHOICES = 12
#: What a column that has to be named would be called.
LOOKED_FOR = {
    "build": "the build (the engine)",
    "power_kw": "power",
    "rpm": "engine speed",
    "curve_power_kw": "power",
}


@dataclass(frozen=True, slots=True)
class Question:
    """Something that only the contributor can tell.

    Attributes
    ----------
    key : stable name, "title", "column power_kw", "unit displacement".
    sort : how the answer is read.
    text : the question.
    hints : lines that help to answer.
    option : the option that answers it on the command line.
    is_needed : without an answer nothing can be written.
    proposed : a text that stands in the file itself, offered as the answer, or "".
    about : field of a column or unit question.
    header : column of a unit question.
    """

    key: str
    sort: Sort
    text: str
    hints: tuple[str, ...]
    option: str
    is_needed: bool
    proposed: str = ""
    about: str = ""
    header: str = ""
    sheet: str | None = None


def open_questions(draft: Draft) -> tuple[Question, ...]:
    """Everything that the draft leaves open: columns first, then units, then the words about the source."""
    return (*_column_questions(draft), *_unit_questions(draft), *_source_questions(draft), *_condition_questions(draft))


def suggestion_questions(draft: Draft) -> tuple[Question, ...]:
    """For a person at a terminal: each unrecognised column that resembles a field, to be taken for it or left as text."""
    return tuple(
        Question(
            f"suggestion {c.header}", "suggestion", f"Is {c.header!r} {c.suggestions[0]}? (yes, no, or another field)",
            (f"{c.header}: {', '.join(c.samples)}", f"{c.suggestions[0]}: {FIELDS[c.suggestions[0]].meaning}"),
            f'--set "{c.header}={suggested_target(c, c.suggestions[0])}"', False, "no", c.suggestions[0], c.header, c.sheet,
        )
        for reading in draft.readings for c in reading.columns if c.suggestions and c.field is None
    )  # fmt: skip


# -- columns ------------------------------------------------------------------------------------------------------------


def _column_questions(draft: Draft) -> Iterator[Question]:
    for reading in draft.readings:
        for name in _lacking(reading):
            yield _column_question(reading, name, len(draft.readings) > 1)


def _lacking(reading: SheetReading) -> list[str]:
    """Fields without which no row of the sheet can be used."""
    have = {c.field for c in reading.columns if c.field} | _constant_fields(reading)
    if reading.kind == "sweep":
        wanted = [("rpm", {"rpm"}), ("curve_power_kw", {"curve_power_kw", "curve_torque_nm"}), ("build", {"build"})]
    else:
        wanted = [("power_kw", {"power_kw"}), ("build", {"build"})]
    return [name for name, either in wanted if not have & either]


def _constant_fields(reading: SheetReading) -> set[str]:
    return {c.field for c in recognise_headers(list(reading.entry.constants), None, None, "runs") if c.field}


def _column_question(reading: SheetReading, name: str, several: bool) -> Question:
    is_text = FIELDS[name].kind == "text"
    free = [c for c in reading.columns if c.field is None and (c.low is None) == is_text and c.samples]
    hints = [
        f"{c.header or '(no header)'}: {', '.join(c.samples)}" for c in sorted(free, key=lambda c: -c.distinct)[:MOST_CHOICES]
    ]
    if name == "build":
        hints.append("Several columns may name it together: answer them joined by +, such as maker + model.")
        hints.append(f"If all rows are of one engine, answer {FOR_ALL} and its name, such as {FOR_ALL}Bench engine 1.")
    where = f" of sheet {reading.entry.sheet!r}" if several else ""
    target = "build" if name == "build" else f"{bare_name(FIELDS[name])}_UNIT" if FIELDS[name].quantity != "speed" else name
    option = f'--set "HEADER={target}"' + (
        ' (or --constant "build=NAME" where all rows are of one engine)' if name == "build" else ""
    )
    return Question(
        f"column {name}", "column", f"Which column{where} gives {LOOKED_FOR[name]}?", tuple(hints), option, True, "", name, "",
        reading.entry.sheet,
    )  # fmt: skip


# -- units --------------------------------------------------------------------------------------------------------------


def _unit_questions(draft: Draft) -> Iterator[Question]:
    for reading in draft.readings:
        levels = [c for c in reading.columns if c.role == "level"]
        level_stated = {c.unit for c in levels if c.unit}
        for column in reading.columns:
            if column.needs_unit and not (column.role == "level" and len(level_stated) == 1):
                yield _unit_question(column)


def _unit_question(column: Recognised) -> Question:
    named = FIELDS[str(column.field)]
    hints = tuple(_as_unit(column, named, unit) for unit in offered_units(named))
    likely = next((u for u, h in zip(offered_units(named), hints, strict=True) if "cannot" not in h and "outside" not in h), "")
    header = column.header or "(no header)"
    samples = ", ".join(column.samples)
    return Question(
        f"unit {column.header}", "unit", f"In which unit is {header!r} ({samples})?", hints,
        f'--set "{column.header}={target_in_unit(column, named, likely or offered_units(named)[0])}" (or another unit; --set "{column.header}=" sets the column aside)',
        True, "", named.name, column.header, column.sheet,
    )  # fmt: skip


def offered_units(named: Field) -> tuple[str, ...]:
    """Units that a question names; every other unit of the quantity is an answer too."""
    assert named.quantity is not None
    return TRADE_UNITS.get(named.quantity, units_of(named.quantity))


def _as_unit(column: Recognised, named: Field, unit: str) -> str:
    """What the figures would be in one unit, and whether an engine can have that."""
    if column.low is None or column.high is None or named.unit is None:
        return unit
    low, high = (float(convert(v, unit_named(unit), unit_named(named.unit))) for v in (column.low, column.high))
    text = f"{unit}: {_plain(low)} to {_plain(high)} {named.unit}"
    if named.possible and not (named.possible[0] <= low and high <= named.possible[1]):
        return f"{text}, which cannot be"
    if named.usual and not (named.usual[0] <= low and high <= named.usual[1]):
        return f"{text}, partly outside the usual"
    return text


def _plain(value: float) -> str:
    """About four digits, never with an exponent."""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"


# -- the source and its conditions --------------------------------------------------------------------------------------


def _source_questions(draft: Draft) -> Iterator[Question]:
    title = next((r.title for r in draft.readings if r.title), "").partition("\n")[0][:120]
    asked = (
        ("title", "What is its title?", "such as: Twelve engines, three boost levels", title),
        ("publisher", "Who published or measured it?", "the magazine, shop, channel or person; no real name is needed", ""),
        ("licence", "Under which terms may it be used?", "such as CC-BY-4.0, CC0-1.0, or: figures quoted with permission", ""),
    )
    for key, text, hint, proposed in asked:
        if not str(draft.described.get(key, "")).strip():
            yield Question(key, "text", text, (hint,), f"--{key} TEXT", True, proposed)


def _condition_questions(draft: Draft) -> Iterator[Question]:
    """Correction and place of measurement decide what may be compared with what; unknown is an answer."""
    asked = (
        ("correction", "To which standard was power corrected?", CORRECTIONS, "--correction"),
        ("measured_at", "Where was power measured?", (*MEASURED_AT, "unknown"), "--measured-at"),
    )
    for name, text, allowed, option in asked:
        if not all(_is_told(reading, name) for reading in draft.readings):
            hints = (f"one of {', '.join(allowed)}; or leave it empty if the source does not say",)
            yield Question(name, "code", text, hints, f"{option} {'|'.join(allowed)}", False, "", name)


def _is_told(reading: SheetReading, name: str) -> bool:
    figures = [c for c in reading.columns if c.field in ("power_kw", "observed_power_kw", "curve_power_kw")]
    by_header = bool(figures) and all(name in c.implied for c in figures)
    return name in _constant_fields(reading) or any(c.field == name for c in reading.columns) or by_header


def set_unknown_units_aside(wishes: Wishes, draft: Draft) -> tuple[Wishes, tuple[str, ...]]:
    """Wishes without the columns whose unit is open, power apart, and their headers: for looking at the rest meanwhile."""
    headers = {q.header: "" for q in _unit_questions(draft) if q.about not in ("power_kw", "curve_power_kw")}
    return replace(wishes, headers={**wishes.headers, **headers}), tuple(headers)


def say_open(questions: tuple[Question, ...]) -> str:
    """One sentence that names every needed answer with its option."""
    asked = "; ".join(f"{q.text} {q.option}" for q in questions)
    return f"nothing was written, because this is not told and is not guessed: {asked}"
