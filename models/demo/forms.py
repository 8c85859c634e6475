"""The forms in which contributors send tables: delimited text, workbooks, JSON.

Everything is made as bytes and depends on nothing but the values: workbooks carry a fixed
creation day and are stored uncompressed, so that no compression library can change a byte.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

import xlsxwriter

from models.demo.engines import Row
from pipeline.fields import FIELDS
from pipeline.units import convert, unit_named

Form = Literal["delimited", "workbook", "json_lines", "json_records"]
WORKBOOK_DAY = datetime(2024, 1, 1)


class Text(str):
    """A cell exactly as the contributor typed it; nothing is converted."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a contributed table.

    Attributes
    ----------
    header : as the contributor wrote it.
    key : key of the row it prints.
    unit : unit it is printed in (a name of ``pipeline.units``), None for plain values.
    digits : decimals printed.
    words : code -> the contributor's word for it.
    suffix : text after each number (`` hp``).
    quantity_unit : unit of the row's value where `key` is no field of the dictionary.
    """

    header: str
    key: str
    unit: str | None = None
    digits: int = 0
    words: Mapping[str, str] = field(default_factory=dict)
    suffix: str = ""
    quantity_unit: str | None = None

    def value(self, row: Row) -> Any:
        """The printed value: a number rounded to its digits, a text, or None."""
        given = row.get(self.key)
        if given is None or isinstance(given, Text):
            return given
        if isinstance(given, bool):
            return self.words.get(str(given).lower(), "yes" if given else "no")
        if isinstance(given, date):
            return given.strftime(self.words.get("date", "%Y-%m-%d"))
        if isinstance(given, str):
            return self.words.get(given, given)
        own = self.quantity_unit or FIELDS[self.key].unit if self.quantity_unit or self.key in FIELDS else None
        shown = given if self.unit is None or own is None else convert(float(given), unit_named(own), unit_named(self.unit))
        rounded = round(float(shown), self.digits)
        return rounded if self.digits else int(rounded)

    def text(self, row: Row, decimal_mark: str) -> str:
        """The printed cell as text; empty where nothing is known."""
        value = self.value(row)
        if value is None:
            return ""
        if isinstance(value, str):
            return str(value)
        shown = f"{value:.{self.digits}f}" if self.digits else str(value)
        return shown.replace(".", decimal_mark) + self.suffix


@dataclass(frozen=True, slots=True)
class Layout:
    """How a table is laid out in its file.

    ``titles`` are lines above the header; ``units`` a second header row; ``blank_after`` leaves an empty
    line after that many rows.
    """

    form: Form
    columns: tuple[Column, ...]
    delimiter: str = ","
    decimal_mark: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    titles: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    sheet: str = "Sheet1"
    blank_after: tuple[int, ...] = ()

    def line_of(self, index: int) -> int:
        """Physical line, sheet row or record number of the row at `index` (0-based)."""
        if self.form in ("json_lines", "json_records"):
            return index + 1
        above = len(self.titles) + 1 + bool(self.units)
        return above + index + 1 + sum(1 for after in self.blank_after if after <= index)


def _quoted(cell: str, delimiter: str) -> str:
    needs = any(mark in cell for mark in (delimiter, '"', "\n", "\r"))
    return '"' + cell.replace('"', '""') + '"' if needs else cell


def _delimited(layout: Layout, rows: Sequence[Row]) -> bytes:
    head = [c.header for c in layout.columns]
    lines = [_quoted(title, layout.delimiter) for title in layout.titles]
    lines.append(layout.delimiter.join(_quoted(cell, layout.delimiter) for cell in head))
    if layout.units:
        lines.append(layout.delimiter.join(layout.units))
    for index, row in enumerate(rows):
        if index in layout.blank_after:
            lines.append("")
        cells = (_quoted(c.text(row, layout.decimal_mark), layout.delimiter) for c in layout.columns)
        lines.append(layout.delimiter.join(cells))
    text = layout.newline.join(lines) + layout.newline
    if layout.encoding == "utf-16":  # little-endian with its mark on every machine
        return b"\xff\xfe" + text.encode("utf-16-le")
    return text.encode(layout.encoding)


def _store_uncompressed(packed: bytes) -> bytes:
    """The same zip archive with plain entries of one date, in the same order."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as target:
        for name in source.namelist():
            entry = zipfile.ZipInfo(name, date_time=(2024, 1, 1, 0, 0, 0))
            entry.external_attr = 0o600 << 16
            target.writestr(entry, source.read(name))
    return out.getvalue()


def _workbook(layout: Layout, rows: Sequence[Row]) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    book.set_properties({"created": WORKBOOK_DAY})
    sheet = book.add_worksheet(layout.sheet)
    bold = book.add_format({"bold": True})
    for line, title in enumerate(layout.titles):
        sheet.write_string(line, 0, title, bold)
    top = len(layout.titles)
    for place, column in enumerate(layout.columns):
        sheet.write_string(top, place, column.header, bold)
        if layout.units and layout.units[place]:
            sheet.write_string(top + 1, place, layout.units[place])
    for index, row in enumerate(rows):
        for place, column in enumerate(layout.columns):
            value = column.value(row)
            if isinstance(value, str):
                sheet.write_string(layout.line_of(index) - 1, place, str(value))
            elif value is not None:
                sheet.write_number(layout.line_of(index) - 1, place, value)
    book.close()
    return _store_uncompressed(out.getvalue())


def _records(layout: Layout, rows: Sequence[Row]) -> list[dict[str, Any]]:
    def shown(column: Column, row: Row) -> Any:
        value = column.value(row)
        return column.text(row, layout.decimal_mark) if column.suffix and value is not None else value

    return [{c.header: shown(c, row) for c in layout.columns if c.value(row) is not None} for row in rows]


def table_bytes(layout: Layout, rows: Sequence[Row]) -> bytes:
    """The file that holds `rows` in this layout."""
    if layout.form == "delimited":
        return _delimited(layout, rows)
    if layout.form == "workbook":
        return _workbook(layout, rows)
    records = _records(layout, rows)
    if layout.form == "json_lines":
        return "".join(json.dumps(r, ensure_ascii=False) + "\n" for r in records).encode()
    return (json.dumps({"records": records}, ensure_ascii=False, indent=1) + "\n").encode()


def toml_value(value: Any) -> str:
    """A value in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {toml_value(v)}" for k, v in value.items()) + " }"
    return json.dumps(str(value), ensure_ascii=False)


def toml_lines(values: Mapping[str, Any]) -> str:
    """`key = value` lines of TOML, names padded to one width."""
    width = max(len(k) for k in values)
    return "".join(f"{key:<{width}} = {toml_value(value)}\n" for key, value in values.items())
