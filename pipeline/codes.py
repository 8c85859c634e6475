"""Words of contributors to codes, flags and lists of parts, without guessing.

``charge_cooling`` "front mount" is ``air_to_air``, and "intercooled" is a problem, because air or water is not said.
Columns are read over their distinct texts, so that a million rows cost as much as their few words. Words live in
``code_aliases.csv``; dates are read in ``pipeline.dates``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import polars as pl

from pipeline.code_words import code_words, is_missing
from pipeline.dates import read_date
from pipeline.fields import FIELDS, Field
from pipeline.words import fold_words

#: Highest octane number at which plain words still mean petrol from a pump (102 RON is sold at some).
HIGHEST_PUMP_OCTANE = 102
#: Cells up to which a column is read cell by cell: a join costs more than these.
FEW_CELLS = 2_000
_NUMBER = re.compile(r"(?<![A-Za-z0-9])[0-9]{2,4}(?![A-Za-z0-9%])")
#: Edition of a standard: "2004", "200408", "AUG2004", "08".
_YEAR = re.compile(r"[a-z]{0,9}(19|20)[0-9]{2}([01][0-9])?|[0-9]{1,2}")
_BRACKETS = re.compile(r"\([^()]*\)|\[[^\[\]]*\]|（[^（）]*）")
_PART_BREAK = re.compile(
    r"\s*(?:[+;,&、，；＋＆\n]|(?<!\d)/(?!\d)|\s(?:and|und|y|e|et|plus|with|mit|con|avec|com|w)\s|\sと\s|(?<=[\u3040-\u9fff])と(?=[\u3040-\u9fff]))\s*",
    re.IGNORECASE,
)
#: Ticks and crosses, which folding drops; in Japan a circle is yes.
FLAG_MARKS = {**dict.fromkeys("✓✔☑○◯●◎", "true"), **dict.fromkeys("✗✘×☒❌", "false")}
#: Words that turn a part's name into its absence; such a text is left to a reader.
_DENIALS = frozenset({"no", "not", "without", "ohne", "kein", "keine", "sin", "sans", "sem", "minus", "non", "removed"})
#: In these languages the kind of part comes first and its description follows ("arbol de levas deportivo").
_NAME_FIRST = frozenset({"es", "fr", "pt"})


@dataclass(frozen=True, slots=True)
class PartsReading:
    """Parts named in one cell.

    Attributes
    ----------
    parts : codes of ``fields.PARTS``, sorted, each once; `other` stands for what was not understood.
    unknown : the texts that were not understood.
    """

    parts: tuple[str, ...]
    unknown: tuple[str, ...]


def recognise_code(field_name: str, text: str) -> str | None:
    """The code that a text means in a code field, or None where it is missing, unknown or undecided.

    Parameters
    ----------
    field_name : name of a field of kind ``code``.
    text : the cell as contributed.
    """
    return _read_code(field_name, text)[0]


@lru_cache(maxsize=65536)
def _read_code(field_name: str, text: str) -> tuple[str | None, str | None]:
    """(code, problem); both None for a missing value."""
    words = code_words(field_name)
    for candidate in _forms_of(field_name, text):
        code = words.codes.get(candidate)
        if code == "petrol" and field_name == "fuel" and _exceeds_pump(text):
            return None, "code_unknown"
        if code is not None:
            return code, None
        if candidate in words.undecided:
            return None, "code_unknown"
    return None, None if is_missing(text) or not fold_words(text) else "code_unknown"


def _forms_of(field_name: str, text: str) -> list[str]:
    """The folded text, then the same without remarks in brackets, then without words that may be left out."""
    if is_missing(text) and not _is_word_of(field_name, text):
        return []
    whole, bare = fold_words(text), fold_words(_BRACKETS.sub(" ", text))
    forms = [form for form in (whole, bare) if form]
    return [
        *forms,
        *(_without_numbers(field_name, form) for form in forms),
        *(_without_left_out(field_name, form) for form in forms),
    ]


def _is_word_of(field_name: str, text: str) -> bool:
    """A missing mark that is a word of this field: "none" as a code, "NA" as naturally aspirated; "n/a" never is."""
    words = code_words(field_name)
    return text.strip().casefold() in words.codes


def _without_numbers(field_name: str, folded: str) -> str:
    """A fuel without its octane number, a standard without its year; other fields keep their numbers."""
    tokens = folded.split()
    if field_name == "fuel":
        return " ".join(token for token in tokens if not token.isdigit())
    if field_name == "correction":
        return " ".join(token for place, token in enumerate(tokens) if place == 0 or not _YEAR.fullmatch(token))
    return folded


def _exceeds_pump(text: str) -> bool:
    """True where a fuel's octane number is above any pump's, so that its bare octane does not say which petrol it is."""
    return any(int(number) > HIGHEST_PUMP_OCTANE for number in _NUMBER.findall(text))


def _without_left_out(field_name: str, folded: str) -> str:
    left_out = code_words(field_name).left_out
    kept = [token for token in _without_numbers(field_name, folded).split() if token not in left_out]
    return " ".join(kept)


def say_code_problem(field: Field, text: str) -> str:
    """One sentence about a text that is no code: what was given, what is allowed, and what the words leave open."""
    reasons = [code_words(field.name).undecided.get(form) for form in _forms_of(field.name, text)]
    reason = next((each for each in reasons if each), None)
    opening = f"{field.name} holds {text.strip()!r}"
    opening += f": {reason}" if reason else ", which is none of its words"
    return f"{opening}; allowed are {', '.join(field.codes)}; write one of these."


def _read_distinct(text: pl.Series, read: Callable[[str], Mapping[str, Any]], schema: dict[str, Any]) -> pl.DataFrame:
    """Read each distinct text once and put the answers back in the order of the rows."""
    given = text.cast(pl.String).rename("text")
    if len(given) <= FEW_CELLS:
        cells = given.to_list()
        answers: dict[str | None, Mapping[str, Any]] = {each: read(each) for each in set(cells) if each is not None}
        answers[None] = dict.fromkeys(schema)
        return pl.DataFrame({name: pl.Series([answers[c][name] for c in cells], dtype=kind) for name, kind in schema.items()})
    distinct = [each for each in given.unique().to_list() if each is not None]
    table = pl.DataFrame([{"text": each, **read(each)} for each in distinct], schema={"text": pl.String, **schema})
    return given.to_frame().join(table, on="text", how="left", maintain_order="left").drop("text")


def read_codes(field: Field, text: pl.Series) -> pl.DataFrame:
    """Read a column of a code field.

    Parameters
    ----------
    field : a field of kind ``code``.
    text : cells as contributed (String; null for an empty cell).

    Returns
    -------
    `value` (String, a code of the field or null) and `problem` (null or "code_unknown"), one row a cell.
    """

    def read(cell: str) -> dict[str, str | None]:
        value, problem = _read_code(field.name, cell)
        return {"value": value, "problem": problem}

    return _read_distinct(text, read, {"value": pl.String, "problem": pl.String})


def read_flags(text: pl.Series) -> pl.DataFrame:
    """Read a column of yes and no in any of the table's languages.

    Returns
    -------
    `value` (Boolean or null) and `problem` (null or "code_unknown"), one row a cell.
    """
    words = code_words("flag").codes

    def read(cell: str) -> dict[str, Any]:
        folded = fold_words(cell)
        mark = FLAG_MARKS.get(cell.strip()) or words.get(folded)
        if mark is not None:
            return {"value": mark == "true", "problem": None}
        return {"value": None, "problem": None if is_missing(cell) or not folded else "code_unknown"}

    return _read_distinct(text, read, {"value": pl.Boolean, "problem": pl.String})


def read_dates(text: pl.Series) -> pl.DataFrame:
    """Read a column of dates.

    Returns
    -------
    `value` (Date; the first day of a month or year that is given alone), `problem` (null, "date_unreadable" or
    "ambiguous_date") and `precision` ("day", "month", "year" or null), one row a cell.
    """

    def read(cell: str) -> dict[str, Any]:
        found = read_date(cell)
        return {"value": found.day, "problem": found.problem, "precision": found.precision}

    return _read_distinct(text, read, {"value": pl.Date, "problem": pl.String, "precision": pl.String})


@lru_cache(maxsize=65536)
def read_parts(text: str) -> PartsReading:
    """The parts that one cell names, such as "heads + cam" or "Nockenwelle und Federn".

    A tune that comes with a part is not a part of its own: `tune_only` is kept only where it stands alone.
    """
    if is_missing(text):
        return PartsReading((), ())
    whole = code_words("parts").codes.get(fold_words(text))
    if whole is not None:
        return PartsReading(_tidy_parts(whole.split("+")), ())
    found: list[str] = []
    unknown: list[str] = []
    without_remarks = _BRACKETS.sub(" ", text)
    for piece in _PART_BREAK.split(without_remarks if fold_words(without_remarks) else text):
        codes = _part_codes(piece)
        found.extend(codes)
        if not codes and fold_words(piece):
            unknown.append(piece.strip())
    return PartsReading(_tidy_parts([*found, *(["other"] if unknown else [])]), tuple(unknown))


def _tidy_parts(codes: list[str]) -> tuple[str, ...]:
    distinct = set(codes)
    return tuple(sorted(distinct - {"tune_only"} if len(distinct) > 1 else distinct))


def _part_codes(piece: str) -> list[str]:
    """Codes of one named part; its describing words stand before it in most languages and after it in Romance ones."""
    words = code_words("parts")
    folded = fold_words(piece)
    if folded in words.codes:
        return words.codes[folded].split("+")
    kept = [token for token in folded.split() if token not in words.left_out and not token.isdigit()]
    if " ".join(kept) in words.codes:
        return words.codes[" ".join(kept)].split("+")
    if set(kept) & _DENIALS:
        return []
    for size in range(len(kept) - 1, 0, -1):
        last, first = " ".join(kept[-size:]), " ".join(kept[:size])
        if last in words.codes and words.languages.get(last) not in _NAME_FIRST:
            return words.codes[last].split("+")
        if first in words.codes and words.languages.get(first) in _NAME_FIRST:
            return words.codes[first].split("+")
    return []


def read_parts_column(text: pl.Series) -> pl.DataFrame:
    """Read a column of parts.

    Returns
    -------
    `value` (list of codes; null where nothing is named) and `problem` (null or "part_unknown"), one row a cell.
    """

    def read(cell: str) -> dict[str, Any]:
        found = read_parts(cell)
        return {"value": list(found.parts) or None, "problem": "part_unknown" if found.unknown else None}

    return _read_distinct(text, read, {"value": pl.List(pl.String), "problem": pl.String})


def code_fields() -> tuple[Field, ...]:
    """Every field of kind ``code`` in the order of the dictionary."""
    return tuple(field for field in FIELDS.values() if field.kind == "code")
