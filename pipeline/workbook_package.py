"""Look into a workbook's zip package before it is opened: limits, forbidden content, and cells that a reader loses.

The compiled reader turns a sheet into a full rectangle, forgets number formats and drops error values. So each part is
first parsed here as a stream: how far its cells reach, which show a percentage, and which hold an error or a time of day.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from xml.parsers import expat

from pipeline.errors import FileProblem
from pipeline.text_grid import MAX_CELLS, MAX_COLUMNS, MAX_UNPACKED_BYTES
from pipeline.workbook_scan import SheetScan, check_ods_lock, locked, percent_styles, scan_ods, scan_xlsx, sheet_parts

#: A package that unpacks to more than this is also judged by its ratio; below it a high ratio does no harm.
_RATIO_MATTERS_BYTES = 100 << 20
#: Sheets of repeated figures reach ratios of 50 to 100; deflate ends near 1,000, where only made-up files are.
_MAX_RATIO = 200
_MAX_PARTS = 10_000
_CHUNK_BYTES = 1 << 20
_SHEET_MARK = b"sheetData"


def scan_package(data: bytes, name: str) -> dict[str, SheetScan]:
    """Check a zipped workbook and scan its sheets.

    Returns
    -------
    dict
        Sheet name -> what the reader would lose. Empty for sheets without cells.

    Raises
    ------
    FileProblem
        For archives that are no workbook, damaged, encrypted, too large once unpacked, or that hold a DOCTYPE.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            _check_parts(package, len(data), name)
            scans = _scan(package, name)
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        RuntimeError,
        OSError,
        expat.ExpatError,
        LookupError,
        ValueError,
    ):
        raise FileProblem(damaged(name)) from None
    for sheet, scan in scans.items():
        _check_reach(scan, sheet, name)
    return scans


def damaged(name: str) -> str:
    """Sentence for a workbook that cannot be read to its end."""
    return (
        f"{name} is damaged or cut short, a whole workbook is expected; "
        "save it anew from the spreadsheet program and send it again."
    )


def _check_parts(package: zipfile.ZipFile, packed: int, name: str) -> None:
    parts = package.infolist()
    unpacked = sum(part.file_size for part in parts)
    too_dense = unpacked > _RATIO_MATTERS_BYTES and unpacked > _MAX_RATIO * packed
    if len(parts) > _MAX_PARTS or unpacked > MAX_UNPACKED_BYTES or too_dense:
        raise FileProblem(
            f"{name} would unpack from {packed:,} to {unpacked:,} bytes in {len(parts):,} parts, at most "
            f"{MAX_UNPACKED_BYTES:,} bytes, {_MAX_RATIO} times the file's size and {_MAX_PARTS:,} parts are read; "
            "send the table as CSV."
        )
    if any(part.flag_bits & 1 for part in parts):
        raise FileProblem(locked(name))


def _scan(package: zipfile.ZipFile, name: str) -> dict[str, SheetScan]:
    names = set(package.namelist())
    _check_names(package.namelist(), name)
    if "xl/workbook.bin" in names:
        raise FileProblem(f"{name} is a binary workbook (XLSB), XLSX, XLS and ODS are read; save it as .xlsx.")
    if "xl/workbook.xml" in names:
        sheets = sheet_parts(package, name)
        styles = percent_styles(package, name)
        scans = {sheet: scan_xlsx(package, part, styles, name) for sheet, part in sheets.items() if part in names}
        scanned = set(sheets.values())
    elif "content.xml" in names:
        check_ods_lock(package, name)
        scans, scanned = scan_ods(package, name), {"content.xml"}
    else:
        raise FileProblem(
            f"{name} is a zip archive without a workbook in it, XLSX and ODS are read; unpack it and send the tables."
        )
    for part in sorted(names - scanned):
        # The reader may find a sheet by other rules than those above (case, paths, relations given twice), so no part may reach far.
        if part.endswith((".xml", ".rels")) or _holds_sheet(package, part):
            _check_reach(scan_xlsx(package, part, set(), name), part, name)
    return scans


def _check_names(names: list[str], name: str) -> None:
    """Refuse names that two readers may take for different parts, and a package that could be either form of workbook."""
    folded = [part.lower() for part in names]
    are_plain = all("\\" not in part and not {".", ".."} & set(part.split("/")) for part in folded)
    is_both = "content.xml" in folded and any(part.endswith("workbook.xml") for part in folded)
    if len(set(folded)) < len(folded) or not are_plain or is_both:
        raise FileProblem(damaged(name))


def _holds_sheet(package: zipfile.ZipFile, part: str) -> bool:
    """Whether a part that is not called XML could be read as a sheet."""
    tail = b""
    with package.open(part) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            if _SHEET_MARK in tail + chunk:
                return True
            tail = chunk[-len(_SHEET_MARK) :]
    return False


def _check_reach(scan: SheetScan, sheet: str, name: str) -> None:
    width, height = scan.last_column - scan.first_column + 1, scan.last_row + 1
    if width > MAX_COLUMNS or width * height > MAX_CELLS:
        raise FileProblem(
            f"Sheet {sheet!r} of {name} spans {height:,} rows and {width:,} columns, at most {MAX_COLUMNS:,} columns and "
            f"{MAX_CELLS:,} cells are read; delete stray cells far from the table, or split it."
        )
