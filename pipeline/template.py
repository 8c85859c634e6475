"""The contribution workbook: one sheet a record kind, drop-downs for codes, notes at the headers, rows to start from.

The same arguments give the same bytes. Nothing in the workbook calculates; every text is written as text, so that no
name can become a formula or a link.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import xlsxwriter

from pipeline.errors import RequestProblem
from pipeline.grid import EXAMPLE_MARK
from pipeline.template_sheets import Cell, TemplateColumn, TemplateSheet, UnitSystem, template_sheets

UNIT_SYSTEMS: tuple[UnitSystem, ...] = ("us", "si")
READ_ME_SHEET = "read me"
#: A fixed day of creation: the workbook is the same whenever it is made.
CREATED_ON = datetime(2024, 1, 1)
#: Rows that carry drop-downs and formats; rows below are read all the same.
READY_ROWS = 2000
_FROZEN_COLUMNS = 2
_NARROWEST, _WIDEST = 11, 34
#: Longest list that a spreadsheet keeps in the drop-down itself, and longest sentence of its message.
_LONGEST_LIST, _LONGEST_MESSAGE = 255, 255

Rows = Mapping[str, Sequence[Mapping[str, Cell | date]]]

_READ_ME = (
    "How to fill in this workbook",
    "Use the one sheet whose rows look like your figures, or several. Leave the others as they are: a sheet without rows is passed over.",
    "{kinds}",
    "Start below the grey example rows. They are invented, and a row that says \"{mark}\" in any of its cells is skipped; "
    "type over that text, or clear it, if you use such a row for your own figures.",
    "Dark headers are needed, those in the middle shade help most, pale ones are there where you know them. "
    "Empty means not known. Delete or move columns as you like.",
    "Point at a header to see what it means, its unit and its usual range. A code has a drop-down in its cells.",
    "Units stand at the end of each header ({units}). Change a header to change them (power_ps, boost_bar), or write the unit "
    "into the cell (0.55 bar).",
    "Give boost as gauge pressure, and air pressure as the dyno's own reading, not reduced to sea level.",
    "Give figures as they were printed. Do not convert between correction standards or add a drivetrain loss: name the standard in "
    "`correction` and the place in `measured_at`.",
    "You need not name yourself or anybody else: leave names and plates out of the notes.",
    "Then: poundworth add YOURFILE.xlsx. It shows how each column is read, asks for title, publisher and licence, and says which rows "
    "were accepted, and why any was refused.",
    "Never seek a run without boost by unplugging a boost-control line: on most wastegates that removes the limit.",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Formats:
    """Cell formats of the workbook."""

    needed: Any
    asked: Any
    optional: Any
    text: Any
    day: Any
    example: Any
    title: Any
    prose: Any


def _formats(book: Any) -> _Formats:
    head = {"bold": True, "border": 1, "border_color": "#9AA5B1", "valign": "vcenter", "num_format": "@"}
    return _Formats(
        needed=book.add_format({**head, "bg_color": "#1F3A5F", "font_color": "#FFFFFF"}),
        asked=book.add_format({**head, "bg_color": "#BFD3EA", "font_color": "#10233B"}),
        optional=book.add_format({**head, "bg_color": "#EEF2F6", "font_color": "#26323F", "bold": False}),
        # Text cells are text, or a spreadsheet makes a day of the build "3-5".
        text=book.add_format({"num_format": "@"}),
        day=book.add_format({"num_format": "yyyy-mm-dd"}),
        example=book.add_format({"italic": True, "font_color": "#5F6B76", "bg_color": "#F2F2F2"}),
        title=book.add_format({"bold": True, "font_size": 15}),
        prose=book.add_format({"text_wrap": True, "valign": "top"}),
    )


def make_template(units: UnitSystem = "us", rows: Rows | None = None) -> bytes:
    """The contribution workbook.

    Parameters
    ----------
    units : "us" (hp, psi, lbf ft, F) or "si" (kW, kPa, N m, C).
    rows : record kind -> rows by header, written below the examples; None for an empty workbook.

    Returns
    -------
    The bytes of an XLSX file.

    Raises
    ------
    RequestProblem : no such system of units, a kind that is no sheet, or a header that is no column of its sheet.
    """
    if units not in UNIT_SYSTEMS:
        raise RequestProblem(f"{units!r} is no system of units of the workbook; use one of {', '.join(UNIT_SYSTEMS)}")
    sheets = template_sheets(units)
    _check_rows(sheets, rows or {})
    out = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    book = xlsxwriter.Workbook(out, options)
    book.set_properties({"title": "Dynamometer results", "author": "Poundworth", "created": CREATED_ON})
    formats = _formats(book)
    _write_read_me(book, formats, sheets, units)
    for sheet in sheets:
        _write_sheet(book, formats, sheet, (rows or {}).get(sheet.kind, ()))
    book.close()
    return out.getvalue()


def _check_rows(sheets: Sequence[TemplateSheet], rows: Rows) -> None:
    known = {s.kind: {c.header for c in s.columns} for s in sheets}
    for kind, given in rows.items():
        if kind not in known:
            raise RequestProblem(f"{kind!r} is no sheet of the workbook; its sheets are {', '.join(known)}")
        if lost := {header for row in given for header in row} - known[kind]:
            raise RequestProblem(
                f"{sorted(lost)[0]!r} is no column of the sheet {kind!r}; its first columns are {', '.join(list(known[kind])[:8])}"
            )


def _write_read_me(book: Any, formats: _Formats, sheets: Sequence[TemplateSheet], units: UnitSystem) -> None:
    """The sheet of instructions: one cell a row, so that it can never be taken for a table."""
    page = book.add_worksheet(READ_ME_SHEET)
    page.hide_gridlines(2)
    page.set_column(0, 0, 105)
    shown = "hp, psi, lbf ft, in Hg, F" if units == "us" else "kW, kPa, N m, C"
    texts: list[str] = []
    for text in _READ_ME:
        if text == "{kinds}":
            texts += [f'The sheet "{s.kind}": {s.what[:1].lower()}{s.what[1:]}' for s in sheets]
        else:
            texts.append(text.format(mark=EXAMPLE_MARK, units=shown))
    for line, text in enumerate(texts):
        page.write_string(line, 0, text, formats.title if line == 0 else formats.prose)
        page.set_row(line, 24 if line == 0 else 18 * (1 + len(text) // 110))


def _write_sheet(book: Any, formats: _Formats, sheet: TemplateSheet, rows: Sequence[Mapping[str, Cell | date]]) -> None:
    page = book.add_worksheet(sheet.kind)
    page.freeze_panes(1, _FROZEN_COLUMNS)
    page.set_row(0, 22)
    page.set_landscape()
    page.repeat_rows(0)
    for place, column in enumerate(sheet.columns):
        _write_column(page, formats, place, column)
    below = [(row, formats.example) for row in sheet.examples] + [(row, None) for row in rows]
    places = {column.header: place for place, column in enumerate(sheet.columns)}
    for line, (row, look) in enumerate(below, start=1):
        for header, value in row.items():
            _write_cell(page, line, places[header], value, look or _cell_format(formats, sheet.columns[places[header]]))
    mark = EXAMPLE_MARK.replace('"', '""')
    # The look follows the mark, so that a row typed over an example loses it together with the skipping.
    page.conditional_format(
        1, 0, READY_ROWS, len(sheet.columns) - 1,
        {"type": "formula", "criteria": f'=TRIM($A2)="{mark}"', "format": formats.example},
    )  # fmt: skip


def _write_column(page: Any, formats: _Formats, place: int, column: TemplateColumn) -> None:
    width = min(max(len(column.header) + 3, _NARROWEST, 22 if column.field.name in ("note", "build") else 0), _WIDEST)
    page.set_column(place, place, width, _cell_format(formats, column))
    page.write_string(0, place, column.header, getattr(formats, column.weight))
    lines = column.note.count("\n") + 1 + len(column.note) // 45
    page.write_comment(0, place, column.note, {"author": "Poundworth", "width": 300, "height": 18 * lines + 12})
    if (validation := _validation(column)) is not None:
        page.data_validation(1, place, READY_ROWS, place, validation)


def _cell_format(formats: _Formats, column: TemplateColumn) -> Any:
    return {"text": formats.text, "code": formats.text, "date": formats.day}.get(column.field.kind)


def _validation(column: TemplateColumn) -> dict[str, Any] | None:
    """Drop-down or range of a column. A range only warns: "~410" and "0.55 bar" are read too."""
    warn = {"error_type": "warning", "error_title": column.header[:32], "ignore_blank": True}
    choices = list(column.field.codes) if column.field.codes else ["yes", "no"] if column.field.kind == "flag" else []
    if choices and len(",".join(choices)) <= _LONGEST_LIST:
        message = "This is none of the known words; it may not be understood. Keep it?"
        return {"validate": "list", "source": choices, "error_message": message, **warn}
    if column.possible is None or column.field.kind not in ("number", "integer"):
        return None
    low, high = column.possible
    message = f"Possible: {low:.4g} to {high:.4g}{f' {column.unit}' if column.unit else ''}. Keep it all the same?"
    return {
        "validate": "decimal", "criteria": "between", "minimum": low, "maximum": high,
        "error_message": message[:_LONGEST_MESSAGE], **warn,
    }  # fmt: skip


def _write_cell(page: Any, line: int, place: int, value: Cell | date, look: Any) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        page.write_string(line, place, "yes" if value else "no", look)
    elif isinstance(value, date):
        page.write_datetime(line, place, datetime(value.year, value.month, value.day), look)
    elif isinstance(value, int | float):
        page.write_number(line, place, value, look)
    else:
        page.write_string(line, place, str(value), look)
