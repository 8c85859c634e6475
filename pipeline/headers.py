"""Which contributed column is which field, in which unit, for which side of a pair.

Only recognition happens here: nothing is converted, judged or dropped. A column that is not recognised keeps its
place in the answer, with the nearest field names as suggestions and a sentence that says why; a fuzzy match never
decides. Words live in ``header_aliases.csv``.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

from rapidfuzz import fuzz, process

from pipeline.errors import FileProblem
from pipeline.fields import FIELDS
from pipeline.header_kinds import ROLES_OF_KIND, settle_claims, take_kind
from pipeline.header_reading import read_header
from pipeline.header_units import EXACT, NOTHING, OVERRIDE, STEM, Reading
from pipeline.header_words import header_table
from pipeline.units import find_unit
from pipeline.words import fold_words

#: A suggestion less alike than this (0 to 100) misleads more often than it helps.
LEAST_ALIKE = 72.0
MOST_SUGGESTIONS = 3
#: Shorter words are alike to anything.
SHORTEST_WORD = 4


@dataclass(frozen=True, slots=True)
class Column:
    """One contributed column.

    Attributes
    ----------
    position : index of the column in the raw table.
    header : as contributed.
    field : canonical field name, or None where the column is not recognised.
    unit : unit name in which the cells are read; None where the field has none or the unit is not stated.
    role : "", "before", "after", "baseline", "boosted" or "level".
    level_boost : gauge boost of a level's power in `level_unit`; 0 for the unboosted level.
    level_unit : unit name of `level_boost`.
    implied : codes that the header itself states, such as ``{"measured_at": "wheel"}`` of "whp".
    suggestions : nearest field names of an unrecognised column.
    doubt : one sentence, or None.
    """

    position: int
    header: str
    field: str | None
    unit: str | None
    role: str = ""
    level_boost: float | None = None
    level_unit: str | None = None
    implied: dict[str, str] = dataclasses.field(default_factory=dict)
    suggestions: tuple[str, ...] = ()
    doubt: str | None = None


def fold_header(text: str) -> str:
    """A header folded for comparing: case, accents, punctuation and full-width letters do not matter."""
    return fold_words(text)


def knows_header(text: str) -> bool:
    """True where a text alone names a field; a side or a boost level alone ("NA", "6 psi") is a cell as likely as a header."""
    reading = read_header(text)
    return (reading.field is not None and not reading.is_bare) or (reading.field is None and bool(reading.candidates))


def recognise_headers(
    headers: Sequence[str],
    unit_row: Sequence[str | None] | None = None,
    overrides: Mapping[str, str] | None = None,
    kind: str | None = None,
) -> list[Column]:
    """Recognise all headers of one table.

    Parameters
    ----------
    headers : header texts in the order of the columns; they may repeat or be empty.
    unit_row : texts of a second header row of units, in the same order, or None.
    overrides : header -> field name with a unit ending ("boost_bar"), stated by the contributor; it wins. An empty name
        sets the column aside.
    kind : "runs", "levels", "changes", "pairs", "sweep", or None where it is not stated.

    Returns
    -------
    One Column for each header, in order.

    Raises
    ------
    FileProblem : the kind is unknown, or an override names no field.
    """
    if kind is not None and kind not in ROLES_OF_KIND:
        raise FileProblem(
            f"record kind {kind!r} is not known; allowed are {', '.join(ROLES_OF_KIND)}. "
            "It is stated as `kind` of the file in source.toml; write one of these."
        )
    stated = {fold_words(header) or header: header for header in overrides or {}}
    readings = []
    for position, header in enumerate(headers):
        key = header if header in (overrides or {}) else stated.get(fold_words(header))
        unit_text = unit_row[position] if unit_row is not None and position < len(unit_row) else None
        if overrides and key is not None:
            readings.append(_read_override(header, overrides[key], unit_text))
        else:
            readings.append(_read_with_unit_row(header, unit_text))
    readings = take_kind(readings, headers, kind)
    readings = settle_claims(readings, headers)
    return [_column(position, header, reading) for position, (header, reading) in enumerate(zip(headers, readings, strict=True))]


def unused_overrides(headers: Iterable[str], overrides: Mapping[str, str]) -> tuple[str, ...]:
    """Overrides whose header is not in the table: a misspelling, or another sheet's."""
    present = set(headers)
    folded = {fold_words(header) for header in present}
    return tuple(name for name in overrides if name not in present and fold_words(name) not in folded)


def _read_with_unit_row(header: str, unit_text: str | None) -> Reading:
    reading = read_header(header)
    unit_text = (unit_text or "").strip(" \t()[]{}<>（）")
    if not unit_text or not fold_words(header) or (reading.is_bare and reading.field is None and not reading.role):
        return reading
    needs_unit = reading.field is None or (reading.unit is None and FIELDS[reading.field].quantity is not None)
    if needs_unit:
        joined = read_header(f"{header} ({unit_text})")
        is_unit = find_unit(unit_text) is not None
        return joined if joined.field is not None or joined.is_bare or (is_unit and reading.field is not None) else reading
    return _check_unit_row(reading, unit_text)


def _check_unit_row(reading: Reading, unit_text: str) -> Reading:
    """The header's own unit wins; a unit row that says another one is told."""
    if reading.field is None or reading.unit is None:
        return reading
    below = find_unit(unit_text, FIELDS[reading.field].quantity) or find_unit(unit_text)
    if below is None or below.name == reading.unit or reading.unit.startswith(below.name):
        return reading
    return replace(
        reading, doubt=f"the header says {reading.unit} and the unit row below it {below.name}; {reading.unit} is taken"
    )


def _read_override(header: str, target: str, unit_text: str | None) -> Reading:
    if not target.strip():
        return replace(NOTHING, rank=OVERRIDE, doubt="set aside by the headers table of source.toml")
    reading = read_header(target)
    is_named = reading.rank in (EXACT, STEM) and (reading.field is not None or reading.is_bare)
    if not is_named:
        near = ", ".join(_suggest(target, reading)) or "those of the dictionary"
        raise FileProblem(
            f"header {header!r} is overridden to {target!r}, which names no field with a unit of its quantity; "
            f"the nearest are {near}. It stands under `headers` of the file in source.toml; write a field name "
            "with its unit at the end, such as boost_bar."
        )
    if reading.field is not None and reading.unit is None and FIELDS[reading.field].quantity is not None:
        reading = _unit_of_header(reading, target, header, unit_text)
    return replace(reading, rank=OVERRIDE)


def _unit_of_header(reading: Reading, target: str, header: str, unit_text: str | None) -> Reading:
    """An override without a unit takes the one that the header or the unit row states."""
    texts = [unit_text or "", *header.replace("(", " ").replace("[", " ").strip(" )]").split()[::-1]]
    for text in texts:
        with_unit = read_header(f"{target} ({text.strip(' ()[]')})") if text.strip(" ()[]") else NOTHING
        if with_unit.field is not None and with_unit.unit is not None:
            return with_unit
    return reading


def _column(position: int, header: str, reading: Reading) -> Column:
    if reading.field is None:
        return Column(position, header, None, None, suggestions=_suggest(header, reading), doubt=reading.doubt)
    return Column(
        position,
        header,
        reading.field,
        reading.unit,
        reading.role,
        reading.level_boost,
        reading.level_unit,
        dict(reading.implied),
        (),
        reading.doubt,
    )


def _suggest(header: str, reading: Reading) -> tuple[str, ...]:
    """Nearest field names: those that an ambiguous word may mean, else the most alike words of the table."""
    found = list(reading.candidates)
    folded = fold_words(header)
    if not found and len(folded) > 1:
        choices = _suggestion_words()
        for word, _score, _index in process.extract(
            folded, choices.keys(), scorer=fuzz.token_sort_ratio, score_cutoff=LEAST_ALIKE, limit=12
        ):
            if choices[word] not in found:
                found.append(choices[word])
    return tuple(found[:MOST_SUGGESTIONS])


@cache
def _suggestion_words() -> dict[str, str]:
    table = header_table()
    words = {alias: word.field for alias, word in table.aliases.items() if word.field is not None and len(alias) >= SHORTEST_WORD}
    return {**words, **{stem: fields[0].name for stem, fields in table.stems.items()}, **table.names}


def guess_kind(columns: Sequence[Column], rows: Callable[[str], int] | None = None) -> tuple[str | None, str]:
    """The record kind that fits the columns, and why.

    Parameters
    ----------
    columns : from :func:`recognise_headers`, called without a kind.
    rows : tells for a grouping field how many rows its average value has; None where the cells are not at hand.
        Engine speed beside many rows of one run is a sweep.

    Returns
    -------
    kind or None where nothing fits, reason
    """
    roles = {column.role for column in columns if column.field is not None}
    fields = {column.field for column in columns if column.field is not None}
    levels = [column for column in columns if column.role == "level"]
    if any(column.level_boost for column in levels):
        return "levels", f"{len(levels)} columns give power at a stated boost, such as {levels[-1].header!r}"
    for kind, (first, second) in {"changes": ("before", "after"), "pairs": ("baseline", "boosted")}.items():
        if {first, second} <= roles:
            return kind, f"columns of the sides {first!r} and {second!r} stand side by side"
    curve = fields & {"curve_power_kw", "curve_torque_nm", "curve_boost_kpa"}
    if "rpm" in fields and curve:
        return "sweep", f"engine speed stands beside {', '.join(sorted(curve))}"
    if "rpm" in fields and rows is not None and _has_many_rows(fields, rows):
        return "sweep", "engine speed takes many values within one run"
    if fields & {"power_kw", "observed_power_kw", "torque_nm", "curve_power_kw"}:
        return "runs", "a power or torque column stands for the run of each line"
    return None, "no column gives power or torque"


#: A run's summary has one row and a few repeats; a curve has a point every few hundred rpm.
FEWEST_CURVE_ROWS = 6


def _has_many_rows(fields: set[str], rows: Callable[[str], int]) -> bool:
    grouping = next((name for name in ("run", "build") if name in fields), "")
    return rows(grouping) >= FEWEST_CURVE_ROWS
