"""Files made to do harm: packages that two readers see differently, endless lines, names and texts that are more than names."""

from __future__ import annotations

import io
import os
import tracemalloc
import zipfile

import pytest
from click.testing import CliRunner

from pipeline.cli import cli
from pipeline.errors import FileProblem, SourceProblem
from pipeline.read_raw import ReadOptions, read_grids
from pipeline.sources import read_source
from pipeline.store import read_table

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
BOOK = f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>'
SMALL = f'<worksheet xmlns="{MAIN}"><sheetData><row r="1"><c r="A1"><v>1</v></c></row></sheetData></worksheet>'
#: Two cells that a reader would turn into 16 thousand million.
FAR = SMALL.replace("</sheetData>", '<row r="1000000"><c r="XFD1000000"><v>1</v></c></row></sheetData>')
HEAD = 'title = "t"\npublisher = "p"\nlicence = "CC0-1.0"\n'


def relations(*targets: tuple[str, str], kind: str = "worksheet") -> str:
    each = "".join(f'<Relationship Id="{i}" Type="{OFFICE}/{kind}" Target="{target}"/>' for i, target in targets)
    return f'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">{each}</Relationships>'


ROOT = ("_rels/.rels", relations(("r1", "xl/workbook.xml"), kind="officeDocument"))
RELATIONS = ("xl/_rels/workbook.xml.rels", relations(("r1", "worksheets/sheet1.xml")))
SHEET = "xl/worksheets/sheet1.xml"


def package(*parts: tuple[str, str]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in parts:
            new.writestr(name, content)
    return packed.getvalue()


def read(tmp_path, data, name="f.xlsx"):
    (tmp_path / name).write_bytes(data)
    return read_grids(tmp_path / name, ReadOptions())


def test_the_package_of_these_tests_is_a_workbook(tmp_path):
    (grid,) = read(tmp_path, package(ROOT, ("xl/workbook.xml", BOOK), RELATIONS, (SHEET, SMALL)))
    assert grid.cells.rows() == [(1, "1")]


@pytest.mark.parametrize(
    "parts",
    [
        [ROOT, ("xl/workbook.xml", BOOK), ("xl/_rels/workbook.xml.rels", relations(("r1", "worksheets/Sheet1.xml"))), (SHEET, FAR)],
        [ROOT, ("xl/workbook.xml", BOOK), RELATIONS, (SHEET, SMALL), ("xl/worksheets/../worksheets/sheet1.xml", FAR)],
        [ROOT, ("xl/workbook.xml", BOOK), RELATIONS, (SHEET, SMALL), ("xl/worksheets/SHEET1.xml", FAR)],
        [
            ROOT, ("xl/workbook.xml", BOOK), (SHEET, FAR), ("xl/worksheets/sheet2.xml", SMALL),
            ("xl/_rels/workbook.xml.rels", relations(("r1", "worksheets/sheet1.xml"), ("r1", "worksheets/sheet2.xml"))),
        ],
        [
            ROOT, ("xl/workbook.xml", BOOK), (SHEET, FAR), ("xl/xl/worksheets/sheet1.xml", SMALL),
            ("xl/_rels/workbook.xml.rels", relations(("r1", "xl/worksheets/sheet1.xml"))),
        ],
        [
            ("_rels/.rels", relations(("r1", "ex/workbook.xml"), kind="officeDocument")), ("xl/workbook.xml", BOOK), RELATIONS,
            (SHEET, SMALL), ("ex/workbook.xml", BOOK), ("ex/_rels/workbook.xml.rels", RELATIONS[1]), ("ex/worksheets/sheet1.xml", FAR),
        ],
        [ROOT, ("content.xml", "<x/>"), ("xl/Workbook.xml", BOOK), RELATIONS, (SHEET, FAR)],
        [ROOT, ("xl/workbook.xml", BOOK), RELATIONS, (SHEET, SMALL), ("xl/media/picture.png", FAR)],
    ],
    ids=["case", "dots", "two-cases", "relation-twice", "two-paths", "other-workbook", "two-forms", "sheet-as-picture"],
)  # fmt: skip
def test_a_far_cell_cannot_be_hidden_from_the_check(tmp_path, parts):
    with pytest.raises(FileProblem, match="damaged|spans 1,000,000 rows"):
        read(tmp_path, package(*parts))


def test_an_ods_value_without_a_type_is_counted_too(tmp_path):
    repeated = '<table:table-cell office:value="1" table:number-columns-repeated="16384"/>'
    spaces = " ".join(f'xmlns:{s}="urn:oasis:names:tc:opendocument:xmlns:{s}:1.0"' for s in ("office", "table"))
    content = (
        f"<office:document-content {spaces}><office:body><office:spreadsheet><table:table table:name='a'>"
        f'<table:table-row table:number-rows-repeated="1048576">{repeated}</table:table-row></table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    with pytest.raises(FileProblem, match="spans 1,048,576 rows and 16,384 columns"):
        read(tmp_path, package(("content.xml", content)), "f.ods")


@pytest.mark.slow
def test_one_line_of_200_megabytes_is_one_sentence(tmp_path):
    (tmp_path / "f.csv").write_bytes(b"build,power_hp\nA," + b"9" * 200_000_000)
    tracemalloc.start()
    with pytest.raises(FileProblem, match="Line 2 of f.csv is 200,000,002 bytes long"):
        read_grids(tmp_path / "f.csv", ReadOptions())
    assert tracemalloc.get_traced_memory()[1] < 1 << 30
    tracemalloc.stop()


@pytest.mark.slow
@pytest.mark.parametrize("extension", ["csv", "json"])
def test_a_million_columns_are_one_sentence(tmp_path, extension):
    names = [f"c{n}" for n in range(1_000_000)]
    text = ",".join(names) if extension == "csv" else "[{" + ",".join(f'"{name}":1' for name in names) + "}]"
    (tmp_path / f"f.{extension}").write_text(text)
    with pytest.raises(FileProblem, match="Line 1 of f|1,000,000 columns"):
        read_grids(tmp_path / f"f.{extension}", ReadOptions())


@pytest.mark.parametrize(
    "name", ["../f.csv", "/etc/passwd", "a/../../f.csv", "..", "a\\\\..\\\\f.csv", "source.toml", "", "f.csv\\u0000"]
)
def test_a_file_name_cannot_leave_its_source(tmp_path, name):
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "source.toml").write_text(f'{HEAD}[[file]]\nname = "{name}"\n')
    with pytest.raises(SourceProblem, match="plain file name|cannot be a data file"):
        read_source(tmp_path / "one")


@pytest.mark.parametrize("told", ["[[file]]\nname = 'f.csv'\n" * 2, "[[file]]\nname = 'f.csv'\nsheet = 'a'\n" * 2])
def test_a_file_is_named_once_and_many_names_cost_little(tmp_path, told):
    (tmp_path / "one").mkdir()
    many = "".join(f"[[file]]\nname = '{n}'\n" for n in range(3_000))
    (tmp_path / "one" / "source.toml").write_text(HEAD + many + told)
    with pytest.raises(SourceProblem, match="names f.csv twice"):
        read_source(tmp_path / "one")


def test_a_source_description_that_is_a_pipe_or_a_link_is_not_opened(tmp_path):
    (tmp_path / "pipe").mkdir()
    os.mkfifo(tmp_path / "pipe" / "source.toml")
    with pytest.raises(SourceProblem, match="no regular file"):
        read_source(tmp_path / "pipe")
    (tmp_path / "secret.toml").write_text(HEAD)
    (tmp_path / "link").mkdir()
    (tmp_path / "link" / "source.toml").symlink_to(tmp_path / "secret.toml")
    with pytest.raises(SourceProblem, match="is a link"):
        read_source(tmp_path / "link")
    (tmp_path / "folder").symlink_to(tmp_path / "link")
    with pytest.raises(SourceProblem, match="is a link"):
        read_source(tmp_path / "folder")


@pytest.mark.parametrize(
    "address",
    ["javascript:alert(1)", "JaVaScRiPt:alert(1)", "data:text/html,x", "https://x.org/ onload=1", 'https://x\\"><script>'],
)
def test_an_address_that_does_something_is_refused(tmp_path, address):
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "source.toml").write_text(f'{HEAD}url = "{address}"\n[[file]]\nname = "f.csv"\n')
    with pytest.raises(SourceProblem, match="no address this project prints"):
        read_source(tmp_path / "one")


@pytest.mark.parametrize("name", ["x'); DROP TABLE run; --", '"; DROP TABLE run; --', "%s {0} $1 ? :x", "=1+1|'\u202e"])
def test_texts_are_stored_as_they_are_and_never_run(raw, name):
    quoted = '"' + name.replace('"', '""') + '"'
    raw.add("one", {"f.csv": f"build,power_hp,boost_psi\n{quoted},150,\n{quoted},205,6\nAlder,240,0\n"})
    raw.build()
    assert read_table(raw.store, "run").height == 3
    assert set(read_table(raw.store, "build")["build"]) == {name, "Alder"}


@pytest.mark.parametrize(
    "answer",
    ["$(touch {mark})", "`touch {mark}`", "; touch {mark}", "__import__('pathlib').Path('{mark}').touch()", "{{{{7*7}}}}"],
)
def test_what_is_answered_to_add_is_text(tmp_path, monkeypatch, answer):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "raw").mkdir()
    (tmp_path / "f.csv").write_text("build,power_hp,boost_psi\nAlder,150,\nAlder,205,6\n")
    told = answer.format(mark=tmp_path / "mark")
    words = ["add", "f.csv", "--raw", "raw", "--source", "one", "--title", told, "--publisher", told, "--licence", told]
    done = CliRunner().invoke(cli, [*words, "--yes"])
    assert done.exit_code == 0, done.output
    assert not (tmp_path / "mark").exists()
    entry = read_source(tmp_path / "raw" / "one").entry
    assert (entry.title, entry.publisher, entry.licence) == (told, told, told)


def test_text_marked_as_utf8_that_is_none_names_its_line(tmp_path):
    (tmp_path / "f.csv").write_bytes(b"\xef\xbb\xbfbuild,power_hp\nA,150\nM\x96,1\n")
    with pytest.raises(FileProblem, match="marked as UTF-8, but line 3 holds bytes"):
        read_grids(tmp_path / "f.csv", ReadOptions())
