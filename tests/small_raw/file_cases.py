"""Awkward file forms: workbooks, open documents, records, Parquet."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Sequence
from datetime import datetime
from xml.sax.saxutils import escape

import polars as pl
import xlsxwriter
from case import HP, PSI, Case, told

#: Files say when they were made; a fixed day makes the same bytes each time.
MADE = datetime(2024, 1, 1)
Cell = str | float | datetime | None


def workbook(sheets: dict[str, Sequence[Sequence[Cell]]], merged_title: str | None = None) -> bytes:
    """An XLSX file of some sheets, the first with a merged title row on top."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "default_date_format": "yyyy-mm-dd"})
    book.set_properties({"created": MADE})
    for number, (name, rows) in enumerate(sheets.items()):
        sheet = book.add_worksheet(name)
        first = 0
        if merged_title and not number:
            sheet.merge_range(0, 0, 0, 3, merged_title)
            first = 2
        for r, row in enumerate(rows, start=first):
            for c, cell in enumerate(row):
                if isinstance(cell, datetime):
                    sheet.write_datetime(r, c, cell)
                elif cell is not None:
                    sheet.write(r, c, cell)
    book.close()
    return out.getvalue()


def open_document(name: str, rows: Sequence[Sequence[Cell]]) -> bytes:
    """An ODS file of one sheet."""

    def cell(value: Cell) -> str:
        if value is None:
            return "<table:table-cell/>"
        if isinstance(value, str):
            return f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p></table:table-cell>'
        return f'<table:table-cell office:value-type="float" office:value="{value}"><text:p>{value}</text:p></table:table-cell>'

    body = "".join(f"<table:table-row>{''.join(cell(v) for v in row)}</table:table-row>" for row in rows)
    spaces = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{long}:1.0"'
        for short, long in (("office", "office"), ("table", "table"), ("text", "text"))
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {spaces} office:version="1.2"><office:body><office:spreadsheet>'
        f'<table:table table:name="{name}">{body}</table:table></office:spreadsheet></office:body></office:document-content>'
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        for entry, text in (("mimetype", kind), ("content.xml", content), ("META-INF/manifest.xml", manifest)):
            package.writestr(zipfile.ZipInfo(entry, MADE.timetuple()[:6]), text)
    return out.getvalue()


def parquet(frame: pl.DataFrame) -> bytes:
    """A Parquet file."""
    out = io.BytesIO()
    frame.write_parquet(out, compression="uncompressed")
    return out.getvalue()


HEAD = ("build", "power_hp", "boost_psi", "ambient_kpa", "tested_on")
DAY = datetime(2023, 4, 5)
SHEETS: dict[str, Sequence[Sequence[Cell]]] = {
    "figures": (HEAD, ("Alder", 412.5, 0, 100.25, DAY), ("Alder", "560 hp", 7.35, 100.25, DAY), ("Alder", "n/a", 8, 100.25, DAY)),
    "prices": (("part", "price"), ("pipe", 30)),
}
TWO = {"may": (HEAD[:4], ("Beech", 200, 0, 100)), "june": (HEAD[:4], ("Beech", 265, 6, 100))}
RECORDS = [
    {"build": "Cedar", "power_hp": 300, "boost_psi": 0, "ambient_kpa": 100},
    {"power_hp": "398 hp", "ambient_kpa": 100.0, "build": "Cedar", "boost_psi": 6, "gauges": {"oil": [1, 2]}},
    {"build": "Cedar", "boost_psi": 7, "ambient_kpa": 100},
]

FILE_CASES = (
    Case(
        "workbook_titles", "A workbook with a merged title, a named sheet, figures and texts mixed, true days", "book.xlsx",
        workbook(SHEETS, "Day at the track"), 3, 2, 1, runs=2, refused_lines="6:power_missing", more='sheet = "figures"\n',
        values=told(L4_power_kw=412.5 * HP, L5_power_kw=560 * HP, L5_boost_kpa=7.35 * PSI, L4_tested_on="2023-04-05"),
    ),
    Case(
        "workbook_two_sheets", "Tables on two sheets and none named", "months.xlsx", workbook(TWO), problem="2 sheets; 'may'; sheet =",
    ),
    Case("workbook_as_csv", "A workbook named .csv", "really.csv", workbook(TWO), problem="really.csv"),
    Case(
        "open_document", "An open document sheet", "figures.ods",
        open_document("Blad1", (HEAD[:4], ("Dogwood", 200.5, 0, 99), ("Dogwood", "265,5", 6.5, 99), (None, None, None, None), ("Average", 233, None, None))),
        3, 2, 1, runs=2, refused_lines="5:totals_row", values=told(L2_power_kw=200.5 * HP, L3_power_kw=265.5 * HP),
    ),
    Case(
        "json_lines", "JSON lines whose keys come in any order, one nested", "log.jsonl", "\n".join(json.dumps(r) for r in RECORDS) + "\n",
        3, 2, 1, runs=2, refused_lines="3:power_missing", flags="column_unrecognised", values=told(L1_power_kw=300 * HP, L2_power_kw=398 * HP),
    ),
    Case(
        "json_in_an_object", "JSON records inside an object", "export.json", json.dumps({"made": "by hand", "records": RECORDS[:2]}),
        2, 2, runs=2, flags="column_unrecognised", values=told(L2_boost_kpa=6 * PSI),
    ),
    Case(
        "parquet", "A Parquet file with floats that binary cannot hold", "log.parquet",
        parquet(pl.DataFrame({"build": ["Elder"] * 3, "power_kw": [110.1, 143.3, None], "boost_kpa": [0.0, 0.1 + 0.2 + 34.7, 40.0], "ambient_kpa": [100.0] * 3})),
        3, 2, 1, runs=2, refused_lines="3:power_missing", values=told(L1_power_kw=110.1, L2_boost_kpa=35.0),
    ),
)  # fmt: skip
