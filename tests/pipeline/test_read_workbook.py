"""Workbooks: figures as typed, rows with their numbers, and packages that must not be opened."""

import datetime
import io
import struct
import zipfile

import polars as pl
import pytest
import xlsxwriter

from pipeline import workbook_package
from pipeline.errors import FileProblem
from pipeline.read_raw import ReadOptions, read_grids

OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def xlsx(fill, sheets=("runs",)):
    """Bytes of a workbook; `fill` gets the book and its first sheet."""
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        pages = [book.add_worksheet(sheet) for sheet in sheets]
        fill(book, pages[0])
    return buffer.getvalue()


def rebuilt(data, **changes):
    """The same package with some parts replaced or added (name with `__` for `/` and `_dot_` for `.`)."""
    named = {key.replace("__", "/").replace("_dot_", "."): value for key, value in changes.items()}
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            if part not in named:
                new.writestr(part, old.read(part))
        for part, content in named.items():
            new.writestr(part, content)
    return buffer.getvalue()


def sheet_xml(cells):
    return (
        '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        f"<sheetData>{cells}</sheetData></worksheet>"
    )


def ods(rows, manifest=""):
    buffer = io.BytesIO()
    spaces = " ".join(
        f'xmlns:{short}="urn:{short}"'
        if short == "calcext"
        else f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"'
        for short in ("office", "table", "text", "calcext")
    )
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet", zipfile.ZIP_STORED)
        package.writestr(
            "META-INF/manifest.xml",
            '<?xml version="1.0"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            f'<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml">'
            f"{manifest}</manifest:file-entry>"
            "</manifest:manifest>",
        )
        package.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content {spaces} office:version="1.2"><office:body><office:spreadsheet>'
            f'<table:table table:name="runs">{rows}</table:table></office:spreadsheet></office:body></office:document-content>',
        )
    return buffer.getvalue()


def cell(shown, kind="string", value=None, extra=""):
    attribute = {
        "float": "office:value",
        "percentage": "office:value",
        "date": "office:date-value",
        "time": "office:time-value",
    }.get(kind)
    given = f' {attribute}="{value}"' if attribute else ""
    return f'<table:table-cell office:value-type="{kind}"{given}{extra}><text:p>{shown}</text:p></table:table-cell>'


def read(folder, data, name="runs.xlsx", **options):
    path = folder / name
    path.write_bytes(data)
    return read_grids(path, ReadOptions(**options))


def test_cells_are_text_as_typed_with_their_rows(tmp_path):
    def fill(book, page):
        formats = {code: book.add_format({"num_format": code}) for code in ("yyyy-mm-dd", "0%", "0.0 %", "hh:mm", "0.00")}
        page.write_row(2, 1, ["build", "value", "share"])
        page.write_row(4, 1, [412.0, 0.55, " pad "])
        page.write_datetime(5, 1, datetime.datetime(2024, 5, 1), formats["yyyy-mm-dd"])
        page.write_number(5, 2, 0.85, formats["0%"])
        page.write_boolean(5, 3, True)
        page.write_number(6, 1, 0.123, formats["0.0 %"])
        page.write_number(6, 2, 0.5, formats["hh:mm"])
        page.write_formula(6, 3, "=1/0", None, "#DIV/0!")
        page.write_formula(7, 1, "=2*3.25", None, 6.5)
        page.write_number(7, 2, 6.5, formats["0.00"])
        page.write_string(7, 3, "0412")

    (grid,) = read(tmp_path, xlsx(fill))
    assert (grid.sheet, grid.form, grid.first_line_is_header) == ("runs", "workbook", False)
    assert grid.cells.rows() == [
        (1, None, None, None),
        (2, None, None, None),
        (3, "build", "value", "share"),
        (4, None, None, None),
        (5, "412", "0.55", " pad "),
        (6, "2024-05-01", "85%", "true"),
        (7, "12.3%", "12:00:00", "#DIV/0!"),
        (8, "6.5", "6.5", "0412"),
    ]


def test_the_noise_of_binary_fractions_is_not_shown(tmp_path):
    data = xlsx(lambda book, page: page.write(0, 0, "x"))
    values = ("0.55000000000000004", "0.30000000000000004", "6.5", "1013.2500000000001", "100000")
    cells = "".join(f'<row r="{i}"><c r="A{i}"><v>{value}</v></c></row>' for i, value in enumerate(values, start=1))
    (grid,) = read(tmp_path, rebuilt(data, xl__worksheets__sheet1_dot_xml=sheet_xml(cells)))
    assert grid.cells["c0"].to_list() == ["0.55", "0.3", "6.5", "1013.25", "100000"]


def test_all_sheets_are_read_and_empty_ones_left_out(tmp_path):
    data = xlsx(lambda book, page: [sheet.write(0, 0, sheet.name) for sheet in book.worksheets()[:2]], ("a", "B & c", "empty"))
    assert [grid.sheet for grid in read(tmp_path, data)] == ["a", "B & c"]
    assert [grid.cells["c0"][0] for grid in read(tmp_path, data, sheet="b & C ")] == ["B & c"]


def test_a_missing_sheet_lists_those_there(tmp_path):
    with pytest.raises(FileProblem, match="sheet 'runs 2' is not in runs.xlsx, its sheets are 'runs', 'notes'.*source.toml"):
        read(tmp_path, xlsx(lambda book, page: None, ("runs", "notes")), sheet="runs 2")


def test_a_workbook_without_cells_is_refused(tmp_path):
    with pytest.raises(FileProblem, match="holds no cell"):
        read(tmp_path, xlsx(lambda book, page: None))


def test_an_ods_is_read_as_typed(tmp_path):
    rows = (
        '<table:table-row table:number-rows-repeated="2"><table:table-cell table:number-columns-repeated="9"/></table:table-row>'
        f"<table:table-row><table:table-cell/>{cell('build')}{cell('hp')}{cell('share')}{cell('at')}</table:table-row>"
        f"<table:table-row><table:table-cell/>{cell('A')}{cell('412', 'float', '412')}{cell('85 %', 'percentage', '0.85')}"
        f"{cell('12:30', 'time', 'PT12H30M00S')}</table:table-row>"
        f"<table:table-row><table:table-cell/>{cell('1.5.24', 'date', '2024-05-01')}"
        f"{cell('0.55', 'float', '0.55000000000000004')}"
        f"{cell('#DIV/0!', 'float', '0', ' calcext:value-type=' + chr(34) + 'error' + chr(34))}{cell('x')}</table:table-row>"
        '<table:table-row table:number-rows-repeated="1048000">'
        '<table:table-cell table:number-columns-repeated="16384"/></table:table-row>'
    )
    (grid,) = read(tmp_path, ods(rows), "runs.ods")
    assert grid.cells.rows()[2:] == [
        (3, "build", "hp", "share", "at"),
        (4, "A", "412", "85%", "12:30"),
        (5, "2024-05-01", "0.55", "#DIV/0!", "x"),
    ]


def test_an_ods_that_repeats_a_cell_over_the_whole_sheet_is_not_opened(tmp_path):
    repeated = cell("9", "float", "9", ' table:number-columns-repeated="16384"')
    rows = f'<table:table-row table:number-rows-repeated="1048576">{repeated}</table:table-row>'
    with pytest.raises(FileProblem, match="'runs' of runs.ods spans 1,048,576 rows and 16,384 columns"):
        read(tmp_path, ods(rows), "runs.ods")


@pytest.mark.parametrize("reference", ['r="XFD1048576"', "x='>' r='XFD1048576'", 'r="&#88;FD1048576"'])
def test_a_stray_cell_in_the_last_corner_is_not_expanded(tmp_path, reference):
    data = xlsx(lambda book, page: page.write(0, 0, "x"))
    cells = f'<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c {reference}><v>1</v></c></row>'
    with pytest.raises(FileProblem, match="spans 1,048,576 rows and 16,384 columns.*stray cells"):
        read(tmp_path, rebuilt(data, xl__worksheets__sheet1_dot_xml=sheet_xml(cells)))


@pytest.mark.parametrize(
    ("cells", "place"),
    [
        ('<row r="299999999"><c r="A2"><v>1</v></c></row><row><c><v>2</v></c></row>', "row 299,999,999 and column 1"),
        ('<row r="1048577"><c><v>1</v></c></row>', "row 1,048,577 and column 1"),
        ('<row r="1"><c r="XFE1"><v>1</v></c></row>', "row 1 and column 16,385"),
        ('<row r="0"><c><v>1</v></c></row>', "row 0 and column 1"),
        ('<row r="1048576"/><row><c><v>1</v></c></row>', "row 1,048,577 and column 1"),
    ],
)
def test_places_that_no_sheet_has_are_refused(tmp_path, cells, place):
    """The compiled reader asks for memory up to the last place, and ends the process where it gets none."""
    data = xlsx(lambda book, page: page.write(0, 0, "x"))
    with pytest.raises(FileProblem, match=f"names {place} in .*a sheet has 1,048,576 rows and 16,384 columns"):
        read(tmp_path, rebuilt(data, xl__worksheets__sheet1_dot_xml=sheet_xml(cells)))


@pytest.mark.parametrize(
    "last", ['<row><c><v>3</v></c><c t="e"><v>#DIV/0!</v></c></row>', '<row r="6"><c/><c t="e"><v>#DIV/0!</v></c></row>']
)
def test_a_cell_that_names_another_row_moves_no_other(tmp_path, last):
    data = xlsx(lambda book, page: page.write(0, 0, "x"))
    cells = f'<row r="1"><c r="A1"><v>1</v></c></row><row r="5"><c r="A2"><v>2</v></c></row>{last}'
    (grid,) = read(tmp_path, rebuilt(data, xl__worksheets__sheet1_dot_xml=sheet_xml(cells)))
    rows = {row[0]: row[1:] for row in grid.cells.rows()}
    assert (rows[1][0], rows[2][0], rows[6][1]) == ("1", "2", "#DIV/0!") and len(rows) == 6


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml", "docProps/app.xml"])
def test_entities_have_no_way_in(tmp_path, encoding, part):
    hostile = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]><x>&e;</x>'
    data = xlsx(lambda book, page: page.write(0, 0, "x"))
    with pytest.raises(FileProblem, match=f"document type declaration in {part}"):
        read(tmp_path, rebuilt(data, **{part: hostile.encode(encoding)}))


def test_an_unknown_xml_encoding_is_damage(tmp_path):
    data = xlsx(lambda book, page: page.write(0, 0, "x"))
    with pytest.raises(FileProblem, match="damaged"):
        read(tmp_path, rebuilt(data, xl__worksheets__sheet1_dot_xml='<?xml version="1.0" encoding="utl-8"?><worksheet/>'))


def test_a_package_that_unpacks_to_far_more_is_not_opened(tmp_path):
    data = rebuilt(xlsx(lambda book, page: page.write(0, 0, "x")), **{"xl/media/zeros.bin": bytes(110 << 20)})
    assert len(data) < 1 << 20
    with pytest.raises(FileProblem, match="would unpack from .* 200 times the file's size"):
        read(tmp_path, data)


def test_a_package_over_the_limit_is_not_opened(tmp_path, monkeypatch):
    monkeypatch.setattr(workbook_package, "MAX_UNPACKED_BYTES", 1000)
    with pytest.raises(FileProblem, match="at most 1,000 bytes"):
        read(tmp_path, xlsx(lambda book, page: page.write(0, 0, "x")))


def test_a_part_that_lies_about_its_size_is_damage(tmp_path):
    data = bytearray(rebuilt(xlsx(lambda book, page: page.write(0, 0, "x"))))
    directory = data.index(b"PK\x01\x02")
    data[directory + 24 : directory + 28] = struct.pack("<I", 5)  # the declared unpacked size
    with pytest.raises(FileProblem, match="damaged"):
        read(tmp_path, bytes(data))


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
def test_a_truncated_workbook_is_named(tmp_path, share):
    data = xlsx(lambda book, page: page.write_column(0, 0, range(500)))
    with pytest.raises(FileProblem, match="runs.xlsx is damaged or cut short.*send it again"):
        read(tmp_path, data[: int(len(data) * share)])


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"notes.txt": "x"}, "zip archive without a workbook"),
        ({"xl/workbook.bin": "x"}, "binary workbook"),
        ({"xl/workbook.xml": "<workbook/>"}, "damaged"),
        ({"xl/workbook.xml": "<workbook>", "xl/_rels/workbook.xml.rels": "<Relationships/>"}, "damaged"),
        ({"content.xml": "<x"}, "damaged"),
    ],
)
def test_archives_that_are_no_workbook(tmp_path, parts, words):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as package:
        for part, content in parts.items():
            package.writestr(part, content)
    with pytest.raises(FileProblem, match=words):
        read(tmp_path, buffer.getvalue())


def test_password_protection_is_named(tmp_path):
    wrapped = OLE + bytes(504) + "EncryptedPackage".encode("utf-16-le") + bytes(1000)
    with pytest.raises(FileProblem, match="protected by a password.*without the password"):
        read(tmp_path, wrapped)
    with pytest.raises(FileProblem, match="protected by a password"):
        read(tmp_path, ods("", "<manifest:encryption-data/>"), "runs.ods")


def record(code, content):
    return struct.pack("<HH", code, len(content)) + content


def xls(cells):
    """Bytes of a BIFF8 workbook with one sheet `runs`: a compound file whose only stream is the workbook.

    Record layouts after the published "[MS-XLS] Excel Binary File Format" and "[MS-CFB] Compound File Binary File Format".
    """
    sheet = record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0010, 0, 1997, 0, 6))
    for row, column, value in cells:
        place = struct.pack("<HHH", row, column, 0)
        if isinstance(value, str):
            sheet += record(0x0204, place + struct.pack("<HB", len(value), 0) + value.encode("latin-1"))
        else:
            sheet += record(0x0203, place + struct.pack("<d", value))
    sheet += record(0x000A, b"")
    start = record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0005, 0, 1997, 0, 6))
    length = len(start) + 4 + 6 + 2 + 4 + 4
    stream = start + record(0x0085, struct.pack("<IBB", length, 0, 0) + b"\x04\x00runs") + record(0x000A, b"") + sheet
    stream = stream.ljust(4096, b"\0")  # shorter streams would need a second allocation table
    sectors = len(stream) // 512
    table = [0xFFFFFFFD, 0xFFFFFFFE, *range(3, 2 + sectors), 0xFFFFFFFE]
    table += [0xFFFFFFFF] * (128 - len(table))

    def entry(name, kind, child, first, size):
        text = name.encode("utf-16-le") + b"\0\0"
        links = struct.pack("<III", 0xFFFFFFFF, 0xFFFFFFFF, child)
        return (
            text.ljust(64, b"\0") + struct.pack("<HBB", len(text), kind, 1) + links + bytes(36) + struct.pack("<IQ", first, size)
        )

    directory = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, 2, len(stream)) + bytes(256)
    header = OLE + bytes(16) + struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + bytes(6)
    header += struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    header += struct.pack("<I", 0) + b"\xff" * 432
    return header + struct.pack("<128I", *table) + directory + stream


def test_an_old_workbook_is_read_with_its_rows(tmp_path):
    cells = [(2, 1, "build"), (2, 2, "hp"), (4, 1, "A"), (4, 2, 412.0), (5, 2, 0.1 + 0.2)]
    (grid,) = read(tmp_path, xls(cells), "runs.xls")
    assert grid.sheet == "runs"
    assert grid.cells.filter(pl.col("c0").is_not_null() | pl.col("c1").is_not_null()).rows() == [
        (3, "build", "hp"),
        (5, "A", "412"),
        (6, None, "0.3"),
    ]


@pytest.mark.parametrize("length", [8, 600, 5000])
def test_a_damaged_old_workbook_is_named(tmp_path, length):
    with pytest.raises(FileProblem, match="runs.xls is damaged"):
        read(tmp_path, (OLE + b"\x07" * 5000)[:length], "runs.xls")
