"""Folding of words, and the small tables of trade words that stand beside the code.

Headers and codes are compared folded, so that case, accents, punctuation and full-width letters never matter.
Folding is for comparing, not for printing.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from functools import lru_cache
from pathlib import Path

from pipeline.errors import FileProblem

#: Longest header or code that is looked at. The longest trade name seen is under 80 characters; a longer text is
#: a cell that slipped into the header row, and searching it only costs time.
LONGEST = 160
#: The voicing marks of Japanese are combining characters that carry meaning; accents do not.
_KEPT_MARKS = frozenset("\u3099\u309a")
_CJK = "\u3005\u3040-\u30ff\u3400-\u9fff\uac00-\ud7af"
_SCRIPT_BORDER = re.compile(f"(?<=[{_CJK}])(?=[A-Za-z0-9°%])|(?<=[A-Za-z0-9°%])(?=[{_CJK}])")
_WORD = re.compile(r"[^\W_]+")


def widen(text: str) -> str:
    """Text in compatibility form (full-width letters narrow, ㎪ taken apart) with a space between Latin and CJK letters."""
    return _SCRIPT_BORDER.sub(" ", unicodedata.normalize("NFKC", text[:LONGEST]))


def fold_words(text: str) -> str:
    """Lower-case words without accents and punctuation, one space between them.

    ``"Höchstleistung, [PS]"`` gives ``"hochstleistung ps"``, ``"最大出力（ＰＳ）"`` gives ``"最大出力 ps"``.
    """
    return _fold(text[:LONGEST])


@lru_cache(maxsize=32768)
def _fold(text: str) -> str:
    taken_apart = unicodedata.normalize("NFD", widen(text).casefold())
    bare = "".join(mark for mark in taken_apart if mark in _KEPT_MARKS or unicodedata.category(mark) != "Mn")
    return " ".join(_WORD.findall(unicodedata.normalize("NFKC", bare)))


def is_cjk(text: str) -> bool:
    """True where a text begins and ends in characters that are written without spaces between words."""
    return bool(re.fullmatch(f"[{_CJK}].*[{_CJK}]|[{_CJK}]", text))


def read_word_table(name: str, columns: tuple[str, ...]) -> list[dict[str, str]]:
    """Rows of a table of words that stands beside this module.

    Raises
    ------
    FileProblem : the table lacks one of the columns or a row has another number of cells.
    """
    with Path(__file__).with_name(name).open(encoding="utf-8", newline="") as opened:
        reader = csv.DictReader(opened, strict=True)
        if tuple(reader.fieldnames or ()) != columns:
            raise FileProblem(
                f"{name} has the columns {', '.join(reader.fieldnames or ())}; allowed are {', '.join(columns)}, in that order. "
                "It stands in the folder pipeline; restore its first line."
            )
        rows = list(reader)
    for number, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            raise FileProblem(
                f"{name} row {number} has another number of cells than its header; allowed are {len(columns)}. "
                "It stands in the folder pipeline; quote cells that contain a comma."
            )
    return rows
