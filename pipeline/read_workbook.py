"""Workbooks (XLSX, XLS, ODS) -> one grid of text per sheet, figures as they were typed.

A spreadsheet stores 0.55 as 0.55000000000000004 and 85 % as 0.85; both come back as typed. Formulas give the value that
was last calculated. Nothing in a workbook is executed and no link is followed.
"""

from __future__ import annotations

import fastexcel
import numpy as np
import polars as pl

from pipeline.errors import FileProblem
from pipeline.text_grid import Grid, ReadOptions, check_width, is_panic, numbered
from pipeline.workbook_package import damaged, scan_package
from pipeline.workbook_scan import SheetScan, locked

#: Spreadsheets keep and show 15 digits; more are the noise of binary fractions.
_SHOWN_DIGITS = 15
_NOISY_FRACTION = r"^-?[0-9]*\.[0-9]+$"
_MIDNIGHT = r"^([0-9]{4}-[0-9]{2}-[0-9]{2}) 00:00:00$"
_TIME_OF_DAY = r"^1899-12-3[01] ([0-9]{2}:[0-9]{2}:[0-9]{2})$"


def read_workbook(data: bytes, name: str, options: ReadOptions) -> list[Grid]:
    """Read the sheets of a workbook, or the one that `options.sheet` names; a row's line is its row in the sheet.

    Raises
    ------
    FileProblem
        Where the workbook is damaged, protected, hostile or too large, or where the sheet is not there.
    """
    scans = scan_package(data, name) if data.startswith(b"PK") else {}
    if not scans:
        _refuse_locked(data, name)
    book = _open(data, name)
    chosen = _chosen(book.sheet_names, options.sheet, name)
    if scans and not set(chosen) <= set(scans):  # the reader found a sheet that was never looked into
        raise FileProblem(damaged(name))
    return [_read_sheet(book, sheet, scans.get(sheet), name) for sheet in chosen]


def _refuse_locked(data: bytes, name: str) -> None:
    # A protected XLSX is wrapped in the older container, which names this stream in UTF-16.
    if "EncryptedPackage".encode("utf-16-le") in data:
        raise FileProblem(locked(name))


def _open(data: bytes, name: str) -> fastexcel.ExcelReader:
    try:
        return fastexcel.read_excel(data)
    except fastexcel.FastExcelError as error:
        raise FileProblem(locked(name) if "password" in str(error).lower() else damaged(name)) from None
    except BaseException as error:
        if is_panic(error):
            raise FileProblem(damaged(name)) from None
        raise


def _chosen(names: list[str], wanted: str | None, name: str) -> list[str]:
    if wanted is None:
        return names
    same = [sheet for sheet in names if sheet == wanted] or [
        sheet for sheet in names if sheet.strip().casefold() == wanted.strip().casefold()
    ]
    if len(same) != 1:
        raise FileProblem(
            f"The sheet {wanted[:60]!r} is not in {name}, "
            f"its sheets are {', '.join(map(repr, names[:20]))}; correct `sheet` in source.toml."
        )
    return same


def _read_sheet(book: fastexcel.ExcelReader, sheet: str, scan: SheetScan | None, name: str) -> Grid:
    try:
        cells = book.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="string").to_polars()
    except fastexcel.FastExcelError:
        raise FileProblem(damaged(name)) from None
    except BaseException as error:
        if is_panic(error):
            raise FileProblem(damaged(name)) from None
        raise
    check_width(cells.width, name)
    if scan is not None and cells.height:
        cells = _restore(cells, scan, sheet, name)
    typed = _as_typed(cells)
    return Grid(numbered(typed, pl.int_range(1, cells.height + 1, eager=True)), sheet, "workbook", {"sheet": sheet})


def _restore(cells: pl.DataFrame, scan: SheetScan, sheet: str, name: str) -> pl.DataFrame:
    """Put back percent signs, error values and times of day."""
    if not scan.percent and not scan.shown:
        return cells
    if cells.width != scan.last_column - scan.first_column + 1 or cells.height != scan.last_row + 1:
        raise FileProblem(
            f"Sheet {sheet!r} of {name} has cells in percent or errors that cannot be located, plain numbers and text are read; "
            "save the sheet as CSV."
        )
    percent = np.zeros((cells.width, cells.height), bool)
    for row, column, rows, columns in scan.percent:
        left = column - scan.first_column
        percent[left : left + columns, row : row + rows] = True
    shown: dict[int, dict[int, str]] = {}
    for (row, column), text in scan.shown.items():
        shown.setdefault(column - scan.first_column, {})[row] = text
    restored = []
    for i, texts in enumerate(cells.get_columns()):
        signed = _with_percent(texts, pl.Series(percent[i])) if percent[i].any() else texts
        restored.append(signed.scatter(list(shown[i]), list(shown[i].values())) if i in shown else signed)
    return pl.DataFrame(restored)


def _with_percent(column: pl.Series, percent: pl.Series) -> pl.Series:
    number = column.cast(pl.Float64, strict=False)
    shown = (number * 100).map_elements(_fifteen_digits, return_dtype=pl.String) + "%"
    return pl.select(pl.when(percent & number.is_not_null()).then(shown).otherwise(column).alias(column.name)).to_series()


def _as_typed(cells: pl.DataFrame) -> pl.DataFrame:
    """Figures and times as a person typed them."""
    is_noisy = pl.all().str.contains(_NOISY_FRACTION) & (pl.all().str.count_matches("[0-9]") > _SHOWN_DIGITS)
    noisy = cells.select(is_noisy.fill_null(False))
    for name in [column.name for column in noisy if column.any()]:
        clean = cells[name].filter(noisy[name]).cast(pl.Float64).map_elements(_fifteen_digits, return_dtype=pl.String)
        cells = cells.with_columns(cells[name].scatter(noisy[name].arg_true(), clean))
    return cells.select(pl.all().str.replace(_MIDNIGHT, "${1}").str.replace(_TIME_OF_DAY, "${1}"))


def _fifteen_digits(value: float) -> str:
    return f"{value:.{_SHOWN_DIGITS}g}"
