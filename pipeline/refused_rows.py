"""Refused rows for people: grouped by reason, and as a table that opens in a spreadsheet to be mended and sent again."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.checks import CODES, sentence_of
from pipeline.spreadsheet_text import guard_text

#: Columns beside the original ones; no header recognition takes them for a field, so that the table can be sent back as it is.
BESIDE = ("refused_source", "refused_file", "refused_line", "refused_codes", "refused_why")


@dataclass(frozen=True, slots=True)
class RefusedRow:
    """One refused row with its own cells; reasons are {code, column, value, sentence}."""

    source: str
    file: str
    line: int
    row: dict[str, Any]
    reasons: tuple[dict[str, Any], ...]

    def to_json(self) -> dict[str, Any]:
        """The shape that scripts rely on."""
        return {"source": self.source, "file": self.file, "line": self.line, "row": self.row, "reasons": list(self.reasons)}


@dataclass(frozen=True, slots=True)
class ReasonGroup:
    """All rows refused for one code.

    `help` is what to do, in general words; `sentences` are (sentence of a row, where: "source/file line 7"), in row order.
    """

    code: str
    help: str
    rows: int
    sentences: tuple[tuple[str, tuple[str, ...]], ...]


def refused_rows(table: pl.DataFrame, source: str | None = None) -> tuple[RefusedRow, ...]:
    """Rows of the store's table `refused`, each reason with its sentence; of one source where it is named."""
    rows = table if source is None else table.filter(pl.col("source") == source)
    return tuple(
        RefusedRow(
            r["source"], r["file"], r["line"], json.loads(r["row"]),
            tuple({**reason, "sentence": sentence_of(reason["code"], reason["column"], reason["value"])} for reason in r["reasons"]),
        )
        for r in rows.iter_rows(named=True)
    )  # fmt: skip


def group_by_reason(rows: Sequence[RefusedRow]) -> tuple[ReasonGroup, ...]:
    """Groups by code, the most frequent first; a row with several reasons stands in several groups."""
    found: dict[str, dict[str, list[str]]] = {}
    for row in rows:
        for reason in row.reasons:
            at = found.setdefault(reason["code"], {}).setdefault(reason["sentence"], [])
            at.append(f"{row.source}/{row.file} line {row.line}")
    groups = [
        ReasonGroup(code, general_sentence(code), len({w for at in told.values() for w in at}),
                    tuple((sentence, tuple(at)) for sentence, at in told.items()))
        for code, told in found.items()
    ]  # fmt: skip
    return tuple(sorted(groups, key=lambda g: (-g.rows, g.code)))


def general_sentence(code: str) -> str:
    """What to do about a code, in general words: the clauses of its sentence that hold no row's own figures."""
    sentence = CODES[code].sentence
    clauses = [c for c in re.split(r"(?<=[;.])\s+", sentence) if "{" not in c]
    # A figure in brackets leaves with its brackets and unit.
    bare = re.sub(r"\s*\([^()]*\{[^}]*\}[^()]*\)", "", sentence)
    text = " ".join(clauses) if clauses else re.sub(r":?\s*\{[^}]*\}", "", bare)
    return text[:1].upper() + text[1:]


def refused_csv(rows: Sequence[RefusedRow]) -> bytes:
    """Reasons beside the original cells, as CSV for spreadsheets: UTF-8 with byte order mark, CRLF, formulas disarmed.

    The original columns of all files follow each other in the order in which they first appear; a cell that the row did
    not have is empty. Columns that an earlier table of this kind added are replaced by the present ones.
    """
    names = list(dict.fromkeys(name for row in rows for name in row.row if name not in BESIDE))
    beside: list[list[str | None]] = [
        [row.source for row in rows], [row.file for row in rows], [str(row.line) for row in rows],
        [" ".join(dict.fromkeys(reason["code"] for reason in row.reasons)) for row in rows],
        [" ".join(dict.fromkeys(reason["sentence"] for reason in row.reasons)) for row in rows],
    ]  # fmt: skip
    everything = beside + [[_cell(row.row.get(name)) for row in rows] for name in names]
    # Contributed headers become names only after the last expression: some are patterns to polars ("^a.*$").
    safe = pl.DataFrame([_guarded(texts).alias(f"c{i}") for i, texts in enumerate(everything)])
    safe.columns = _guarded([*BESIDE, *names]).to_list()
    text = safe.write_csv(line_terminator="\r\n", quote_style="necessary")
    return b"\xef\xbb\xbf" + text.encode("utf-8")


def _guarded(texts: Sequence[str | None]) -> pl.Series:
    return pl.DataFrame({"text": texts}, schema={"text": pl.String}).select(guard_text(pl.col("text"))).to_series()


def _cell(value: Any) -> str | None:
    if value is None:
        return None
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    # A spreadsheet cell cannot hold NUL, and no file half a character.
    return text.replace("\x00", "").encode("utf-8", "replace").decode()
