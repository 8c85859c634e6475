"""The table of words for codes (``code_aliases.csv``), loaded once.

The table is the only place for such words: to teach one, add a row. Columns:

- ``field``: a code field, or ``parts``, ``flag``, ``month``.
- ``alias``: the folded words (see ``pipeline.words.fold_words``).
- ``code``: the code that they mean; several joined by ``+`` for parts; empty where the words are known but do not
  decide (``supercharger``); ``*`` for a word that may be left out beside others.
- ``language``, ``note``: for readers; the note of an undecided word is told to the contributor.
"""

from __future__ import annotations

import dataclasses
from functools import cache

from pipeline.fields import FIELDS, PARTS
from pipeline.words import fold_words, read_word_table

TABLE_NAME = "code_aliases.csv"
COLUMNS = ("field", "alias", "code", "language", "note")
#: A cell that says that nothing is known. "none" and "NA" are here too and count only where they are no code.
MISSING = frozenset(
    {
        "", "-", "--", "---", "–", "—", "−", "ー", ".", "..", "...", "…", "/", "?", "??", "???", "*", "n/a",
        "#n/a", "n.a.", "na", "nan", "null", "nil", "none", "unknown", "unkn.", "not known", "blank", "(blank)",
        "tbd", "tba", "tbc", "k.a.", "k. a.", "n.v.", "unbekannt", "s/d", "s.d.", "n/d", "n.d.", "nd",
        "desconocido", "desconocida", "inconnu", "inconnue", "n.c.", "nc", "desconhecido", "desconhecida", "不明",
        "未定",
    }
)  # fmt: skip


@dataclasses.dataclass(frozen=True, slots=True)
class CodeWords:
    """Words of one field.

    Attributes
    ----------
    codes : folded words -> code; also each code itself.
    undecided : folded words -> why they do not decide.
    left_out : words that may be left out beside others.
    languages : folded words -> language of the row.
    """

    codes: dict[str, str]
    undecided: dict[str, str]
    left_out: frozenset[str]
    languages: dict[str, str]


@cache
def code_words(field_name: str) -> CodeWords:
    """The words of a code field, or of ``parts``, ``flag`` or ``month``."""
    rows = [row for row in _rows() if row["field"] == field_name]
    own = PARTS if field_name == "parts" else FIELDS[field_name].codes if field_name in FIELDS else ()
    codes = {row["alias"]: row["code"] for row in rows if row["code"] not in ("", "*")}
    return CodeWords(
        codes=codes | {fold_words(code): code for code in own},
        undecided={row["alias"]: row["note"] for row in rows if row["code"] == ""},
        left_out=frozenset(row["alias"] for row in rows if row["code"] == "*"),
        languages={row["alias"]: row["language"] for row in rows},
    )


@cache
def _rows() -> tuple[dict[str, str], ...]:
    return tuple(read_word_table(TABLE_NAME, COLUMNS))


def is_missing(text: str | None) -> bool:
    """True for an empty cell and for the usual marks of a missing value."""
    return text is None or text.strip().casefold() in MISSING
