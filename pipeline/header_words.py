"""The table of header words (``header_aliases.csv``), loaded once and sorted by what a word does.

The table is the only place for header words: to teach a word, add a row. Columns:

- ``alias``: the folded word or words (see ``pipeline.words.fold_words``), without a unit.
- ``field``: the field it names; empty for the roles below other than ``""``.
- ``role``: empty for a plain alias, else what the word does to the rest of the header:
  ``before | after | baseline | boosted`` prefix or suffix of any field; ``qualifier`` says something about a power
  figure (``implies``); ``peak`` says that it is a peak; ``absolute | gauge`` kind of pressure; ``level_word`` stands beside
  the boost of a *levels* column; ``connector`` joins a name and its unit; ``ambiguous`` is known but does not decide.
- ``implies``: ``code_field=code`` pairs that the word itself states, separated by ``;``; for ``ambiguous`` the
  candidate fields.
- ``otherwise``: field it names where another column already claims the first one.
- ``language``, ``note``: for readers; the note of an ``ambiguous`` word is told to the contributor.
"""

from __future__ import annotations

import dataclasses
from functools import cache

from pipeline.fields import FIELDS, Field
from pipeline.words import fold_words, is_cjk, read_word_table

TABLE_NAME = "header_aliases.csv"
COLUMNS = ("alias", "field", "role", "implies", "otherwise", "language", "note")
SIDE_ROLES = ("before", "after", "baseline", "boosted")
#: Every role of the table; "" is a plain alias.
ROLES = ("", *SIDE_ROLES, "qualifier", "peak", "absolute", "gauge", "level_word", "connector", "ambiguous")


@dataclasses.dataclass(frozen=True, slots=True)
class HeaderWord:
    """One row of the table.

    Attributes
    ----------
    alias : folded words.
    field : canonical field, or None.
    role : what the word does, one of ``ROLES``.
    implied : codes that the word states.
    candidates : fields that an ambiguous word may mean.
    otherwise : field where the first is already claimed, or None.
    language, note : for readers.
    """

    alias: str
    field: str | None
    role: str = ""
    implied: dict[str, str] = dataclasses.field(default_factory=dict)
    candidates: tuple[str, ...] = ()
    otherwise: str | None = None
    language: str = ""
    note: str = ""


@dataclasses.dataclass(frozen=True, slots=True)
class HeaderTable:
    """The words by what they do.

    Attributes
    ----------
    names : folded exact field name -> field.
    stems : folded stem -> fields that share it, in dictionary order.
    aliases : plain and ambiguous words by alias.
    modifiers : words that say something about the rest of a header (sides, qualifiers, peaks, pressure kinds).
    level_words, connectors : words that carry no meaning of their own.
    cjk_modifiers : modifiers written without spaces, the longest first.
    longest : number of words of the longest modifier.
    """

    names: dict[str, str]
    stems: dict[str, tuple[Field, ...]]
    aliases: dict[str, HeaderWord]
    modifiers: dict[str, HeaderWord]
    level_words: frozenset[str]
    connectors: frozenset[str]
    cjk_modifiers: tuple[HeaderWord, ...]
    longest: int


def read_header_words() -> list[HeaderWord]:
    """Every row of the table in its order."""
    return [_header_word(row) for row in read_word_table(TABLE_NAME, COLUMNS)]


def _header_word(row: dict[str, str]) -> HeaderWord:
    parts = tuple(part.strip() for part in row["implies"].split(";") if part.strip())
    is_ambiguous = row["role"] == "ambiguous"
    implied = {} if is_ambiguous else dict(part.split("=", 1) for part in parts)
    return HeaderWord(
        alias=row["alias"],
        field=row["field"] or None,
        role=row["role"],
        implied=implied,
        candidates=parts if is_ambiguous else (),
        otherwise=row["otherwise"] or None,
        language=row["language"],
        note=row["note"],
    )


@cache
def header_table() -> HeaderTable:
    """The table of words with the names and stems of the dictionary of fields."""
    words = read_header_words()
    stems: dict[str, tuple[Field, ...]] = {}
    for each in FIELDS.values():
        if each.quantity is not None:
            stems[fold_words(each.stem)] = (*stems.get(fold_words(each.stem), ()), each)
    plain = {"", "ambiguous"}
    fillers = {"level_word", "connector"}
    modifiers = {word.alias: word for word in words if word.role not in plain | fillers}
    return HeaderTable(
        names={fold_words(name): name for name in FIELDS},
        stems=stems,
        aliases={word.alias: word for word in words if word.role in plain},
        modifiers=modifiers,
        level_words=frozenset(word.alias for word in words if word.role == "level_word"),
        connectors=frozenset(word.alias for word in words if word.role == "connector"),
        cjk_modifiers=tuple(sorted((w for a, w in modifiers.items() if is_cjk(a)), key=lambda w: -len(w.alias))),
        longest=max((len(alias.split()) for alias in modifiers), default=1),
    )
