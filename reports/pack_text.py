"""Text of an article pack: contributed words set as words in Markdown, BibTeX, CSV and XML, whatever they hold."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import polars as pl

from pipeline.spreadsheet_text import guard_text
from reports.labels import clean_text
from reports.numbers import UnitSystem
from reports.tables import Column

#: Characters with which Markdown (with tables, footnotes, mathematics and addresses that link themselves) can begin markup.
_MARKDOWN = re.compile(r"([\\`*_\[\]<>|#!~&$^{}])|(?<=[A-Za-z])(:)(?=//)|(?<=www)(\.)|(?<=\w)(@)(?=\w)", re.IGNORECASE)

#: What begins a list or a heading where it stands first.
_AT_START = re.compile(r"^(\d*)([.)](?=\s|$)|[+=-](?=[\s=-]|$))")

#: Characters that mean something to TeX; braces count for BibTeX's own nesting even behind a backslash, so that they are named.
_TEX: dict[str, str] = {
    "\\": r"{\textbackslash}", "{": r"{\textbraceleft}", "}": r"{\textbraceright}", "~": r"{\textasciitilde}",
    "^": r"{\textasciicircum}", "<": r"{\textless}", ">": r"{\textgreater}", "|": r"{\textbar}", '"': r"{\textquotedbl}",
    **{mark: "\\" + mark for mark in "#$%&_"},
}  # fmt: skip


def markdown(text: str, longest: int = 2_000) -> str:
    """A text as one line of Markdown that shows every character and begins no markup."""
    return _AT_START.sub(r"\1\\\2", _MARKDOWN.sub(lambda found: "\\" + found[0], clean_text(text, longest)))


def tex(text: str, longest: int = 600) -> str:
    """A text as the value of a BibTeX field, without the braces around it."""
    return "".join(_TEX.get(mark, mark) for mark in clean_text(text, longest))


def xml(text: str) -> str:
    """A text as XML character data; characters that XML cannot hold go."""
    kept = clean_text(text, 4_000).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")
    return "".join(c for c in kept if c not in "\ufffe\uffff")


def markdown_table(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """Lines of a Markdown table; every cell is escaped."""
    return [
        "| " + " | ".join(heads) + " |",
        "|" + " --- |" * len(heads),
        *("| " + " | ".join(markdown(str(cell)) or " " for cell in row) + " |" for row in rows),
    ]


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[Any]], *, invented: bool) -> str:
    """CSV (UTF-8, commas, LF): numbers as numbers, no text that a spreadsheet would run as a formula; invented rows marked."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    mark = ["invented demo data"] if invented else []
    writer.writerow([*heads, *(["note"] if invented else [])])
    listed = [[*row, *mark] for row in rows]
    texts = sorted({cell for row in listed for cell in row if isinstance(cell, str)})
    guarded = pl.DataFrame({"t": texts}, schema={"t": pl.String}).select(guard_text(pl.col("t")))["t"]
    safe = dict(zip(texts, guarded, strict=True))
    for row in listed:
        writer.writerow([safe[cell] if isinstance(cell, str) else _number(cell) for cell in row])
    return out.getvalue()


def _number(cell: Any) -> Any:
    if cell is None:
        return ""
    return float(f"{cell:.10g}") if isinstance(cell, float) else cell


#: Numbers that stand behind an estimate's text; a data file has them where the figure's rows do.
_ENDS = (
    Column("ratio", "Share of the rule", "tenths", True), Column("low", "Lower end", "tenths", True), Column("high", "Upper end", "tenths", True),
)  # fmt: skip


def figure_csv(columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], system: UnitSystem, *, invented: bool) -> str:
    """The data of a figure in the reader's units, the unit in the heading; invented data say so in every row."""
    have = {column.field for column in columns}
    more = [
        column for column in _ENDS if column.field not in have and all("ratio" in row and column.field in row for row in rows)
    ]
    shown = [*columns, *(more if rows and "shown" in have else [])]
    heads = _once([_heading(column, system) for column in shown])
    return csv_text(heads, ([_cell(row, c, system) for c in shown] for row in rows), invented=invented)


def _once(heads: Sequence[str]) -> list[str]:
    """Headings of which no two are alike."""
    made: list[str] = []
    for name in heads:
        made.append(name if name not in made else f"{name} ({sum(one.startswith(name) for one in made) + 1})")
    return made


def _heading(column: Column, system: UnitSystem) -> str:
    unit = "" if column.quantity is None else _scale(column.quantity, system)[0]
    return f"{column.label} [{unit}]" if unit else column.label


def _cell(row: Mapping[str, Any], column: Column, system: UnitSystem) -> Any:
    value = row.get(f"{column.field}_si") if system.code == "si" and f"{column.field}_si" in row else row.get(column.field)
    if column.quantity is not None and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value) * _scale(column.quantity, system)[1]
    return clean_text(value, 2_000) if isinstance(value, str) else value


def _scale(quantity: str, system: UnitSystem) -> tuple[str, float]:
    # The parts page writes some quantities with more digits under a name of their own: the unit is that of the quantity.
    scale = system.scales[quantity if quantity in system.scales else quantity.rpartition("_")[0]]
    return scale.unit, scale.factor


def words_in(text: str) -> int:
    """Words of a text; markup and numbers with their unit count as a reader would count them."""
    return len([word for word in re.split(r"[\s\u00a0]+", text) if re.search(r"\w", word)])
