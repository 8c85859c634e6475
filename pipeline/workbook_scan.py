"""What the XML of a workbook's sheets says beyond their texts: how far cells reach, percent signs, errors, times of day."""

from __future__ import annotations

import posixpath
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from xml.parsers import expat

from pipeline.errors import FileProblem

_CHUNK_BYTES = 1 << 20

#: Rows and columns of a sheet, as far as spreadsheet programs write them (from memory).
MAX_ROWS, MAX_SHEET_COLUMNS = 1 << 20, 1 << 14

#: Number formats 9 and 10 of spreadsheets are "0%" and "0.00%"; others name their code in the styles part.
_BUILT_IN_PERCENT = {"9", "10"}


@dataclass
class SheetScan:
    """What one sheet's XML says beyond its texts; rows and columns count from 0.

    Attributes
    ----------
    first_column, last_column, last_row : reach of the cells that hold a value; -1 without any.
    percent : blocks (row, column, rows, columns) shown as a percentage.
    shown : text of cells (row, column) whose value the reader drops: errors and times.
    """

    first_column: int = -1
    last_column: int = -1
    last_row: int = -1
    percent: list[tuple[int, int, int, int]] = field(default_factory=list)
    shown: dict[tuple[int, int], str] = field(default_factory=dict)

    def reach(self, row: int, column: int, columns: int = 1, rows: int = 1) -> None:
        """Widen the reach to a block of cells with values."""
        self.first_column = column if self.first_column < 0 else min(self.first_column, column)
        self.last_column = max(self.last_column, column + columns - 1)
        self.last_row = max(self.last_row, row + rows - 1)


def locked(name: str) -> str:
    """Sentence for a workbook behind a password."""
    return f"{name} is protected by a password, only open workbooks are read; save it without the password and send it again."


Handler = Callable[[str, dict[str, str]], None]


def parse_part(
    package: zipfile.ZipFile, part: str, name: str, start: Handler | None = None, end: Callable[[str], None] | None = None,
    text: Callable[[str], None] | None = None,
) -> None:  # fmt: skip
    """Parse one part as a stream; a DOCTYPE, the door to entities, ends it at once."""

    def refuse_doctype(*_: object) -> None:
        raise FileProblem(
            f"{name} holds a document type declaration in {part}, workbooks have none; save it anew from the spreadsheet program."
        )

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse_doctype
    parser.buffer_text = True
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
    with package.open(part) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            parser.Parse(chunk, False)
    parser.Parse(b"", True)


def _local(tag: str) -> str:
    return tag.rpartition(":")[2]


# -- XLSX ---------------------------------------------------------------------------------------------------------------


def sheet_parts(package: zipfile.ZipFile, name: str) -> dict[str, str]:
    """Sheet name -> part that holds its cells."""
    ids: dict[str, str] = {}
    targets: dict[str, str] = {}

    def sheet(tag: str, found: dict[str, str]) -> None:
        if _local(tag) == "sheet":
            ids[found["name"]] = next((value for key, value in found.items() if _local(key) == "id" and ":" in key), "")

    def relation(tag: str, found: dict[str, str]) -> None:
        if _local(tag) == "Relationship":
            targets[found["Id"]] = posixpath.normpath(posixpath.join("/xl", found["Target"])).lstrip("/")

    parse_part(package, "xl/workbook.xml", name, sheet)
    parse_part(package, "xl/_rels/workbook.xml.rels", name, relation)
    return {sheet_name: targets.get(relation_id, "") for sheet_name, relation_id in ids.items()}


def percent_styles(package: zipfile.ZipFile, name: str) -> set[str]:
    """Numbers of the cell styles that show a value times one hundred with a percent sign."""
    if "xl/styles.xml" not in package.namelist():
        return set()
    percent = set(_BUILT_IN_PERCENT)
    styles: list[str] = []
    inside = [False]

    def start(tag: str, found: dict[str, str]) -> None:
        kind = _local(tag)
        if kind == "numFmt" and "%" in found.get("formatCode", ""):
            percent.add(found.get("numFmtId", ""))
        elif kind == "cellXfs":
            inside[0] = True
        elif kind == "xf" and inside[0]:
            styles.append(found.get("numFmtId", "0"))

    def end(tag: str) -> None:
        if _local(tag) == "cellXfs":
            inside[0] = False

    parse_part(package, "xl/styles.xml", name, start, end)
    return {str(i) for i, number_format in enumerate(styles) if number_format in percent}


def scan_xlsx(package: zipfile.ZipFile, part: str, percent_styles: set[str], name: str) -> SheetScan:
    """Scan the cells of one XLSX sheet part; `percent_styles` as `percent_styles` returns them."""
    scan = SheetScan()
    line, row, column = -1, -1, -1  # a cell that names another row moves neither its row nor the next one
    cell: dict[str, str] = {}
    error: list[str] | None = None
    in_sheet = False

    def start(tag: str, found: dict[str, str]) -> None:
        nonlocal line, row, column, cell, error, in_sheet
        in_sheet = in_sheet or _local(tag) == "sheetData"
        kind = _local(tag) if in_sheet else ""
        if kind == "c":
            cell = found
            row, column = _position(found["r"]) if "r" in found else (line, column + 1)
            _check_place(row, column, part, name)
        elif kind == "row":
            line, column = (int(found["r"]) - 1 if "r" in found else line + 1), -1
            _check_place(line, 0, part, name)
        elif kind == "v" or kind == "is":
            scan.reach(row, column)
            if cell.get("t", "n") == "n" and cell.get("s") in percent_styles:
                scan.percent.append((row, column, 1, 1))
            error = [] if cell.get("t") == "e" else None

    def end(tag: str) -> None:
        nonlocal error
        if error is not None and _local(tag) == "v":
            scan.shown[row, column] = "".join(error).strip()
            error = None

    def text(content: str) -> None:
        if error is not None:
            error.append(content)

    parse_part(package, part, name, start, end, text)
    return scan


def _check_place(row: int, column: int, part: str, name: str) -> None:
    """Refuse places that no workbook has: the reader would ask the system for as much memory as reaches there, and end with it."""
    if not (0 <= row < MAX_ROWS and 0 <= column < MAX_SHEET_COLUMNS):
        raise FileProblem(
            f"{name} names row {row + 1:,} and column {column + 1:,} in {part}, a sheet has {MAX_ROWS:,} rows and "
            f"{MAX_SHEET_COLUMNS:,} columns; save it anew from the spreadsheet program."
        )


def _position(reference: str) -> tuple[int, int]:
    """Row and column, from 0, of a reference such as ``AB12``."""
    letters = reference.rstrip("0123456789").upper()
    column = 0
    for letter in letters:
        column = column * 26 + ord(letter) - ord("A") + 1
    return int(reference[len(letters) :]) - 1, column - 1


# -- ODS ----------------------------------------------------------------------------------------------------------------


def check_ods_lock(package: zipfile.ZipFile, name: str) -> None:
    """Raise `FileProblem` where the manifest of an ODS says that its parts are encrypted."""

    def start(tag: str, _: dict[str, str]) -> None:
        if _local(tag) == "encryption-data":
            raise FileProblem(locked(name))

    if "META-INF/manifest.xml" in package.namelist():
        parse_part(package, "META-INF/manifest.xml", name, start)


class _OdsCells:
    """Walks through ``content.xml``; repeated rows and cells count as often as they say."""

    def __init__(self) -> None:
        self.scans: dict[str, SheetScan] = {}
        self._scan = SheetScan()
        self._row = self._column = 0
        self._rows = self._columns = 1
        self._kind = ""
        self._has_value = False
        self._text: list[str] = []

    def start(self, tag: str, found: dict[str, str]) -> None:
        if tag == "table:table":
            self._scan = self.scans.setdefault(found.get("table:name", ""), SheetScan())
            self._row = 0
        elif tag == "table:table-row":
            self._rows = int(found.get("table:number-rows-repeated", "1"))
            self._column = 0
        elif tag in ("table:table-cell", "table:covered-table-cell"):
            self._columns = int(found.get("table:number-columns-repeated", "1"))
            value_type = found.get("office:value-type", "")
            self._has_value = any(key.startswith("office:") for key in found)  # a value counts without its type too
            self._kind = "error" if found.get("calcext:value-type") == "error" else value_type
            self._text = []

    def end(self, tag: str) -> None:
        if tag == "table:table-row":
            self._row += self._rows
        elif tag in ("table:table-cell", "table:covered-table-cell"):
            if self._has_value or self._kind:
                self._scan.reach(self._row, self._column, self._columns, self._rows)
            if self._kind == "percentage":
                self._scan.percent.append((self._row, self._column, self._rows, self._columns))
            if self._kind in ("error", "time") and self._text:
                self._scan.shown[self._row, self._column] = "".join(self._text).strip()
            self._column += self._columns

    def text(self, content: str) -> None:
        if self._kind in ("error", "time"):
            self._text.append(content)


def scan_ods(package: zipfile.ZipFile, name: str) -> dict[str, SheetScan]:
    """Scan all sheets of an ODS, by their names."""
    cells = _OdsCells()
    parse_part(package, "content.xml", name, cells.start, cells.end, cells.text)
    return cells.scans
