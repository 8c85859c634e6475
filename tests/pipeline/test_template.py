import io
import zipfile
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import FileProblem, RequestProblem
from pipeline.fields import FIELDS, fields_of
from pipeline.file_tables import read_tables
from pipeline.grid import EXAMPLE_MARK
from pipeline.headers import guess_kind, recognise_headers
from pipeline.sources import RECORD_KINDS, FileEntry
from pipeline.store import read_table
from pipeline.template import UNIT_SYSTEMS, make_template
from pipeline.template_sheets import UnitSystem, template_sheets

KINDS = ("runs", "levels", "changes", "pairs", "sweep")
HOSTILE = '=HYPERLINK("http://a.example","x")'
US_ROWS = {
    "runs": [
        {"build": "Alder 2.0", "power_hp": 150, "power_rpm": 6000, "ambient_inhg": 29.9, "air_f": 77, "tested_on": date(2024, 5, 3)},
        {"build": "Alder 2.0", "power_hp": 205, "boost_psi": 6, "ambient_inhg": 29.9, "induction": "turbocharger", "wide_open": True},
        {"build": HOSTILE, "power_hp": "~140", "displacement_cu_in": 122.0, "note": "first"},
    ],
    "levels": [{"build": "Birch 3.0", "NA hp": 240, "6 psi hp": 330, "10 psi hp": 385, "measured_at": "wheel"}],
    "changes": [{"build": "Cedar 1.8", "before_power_hp": 130, "after_power_hp": 141, "parts": "camshaft + headers", "held": "boost"}],
    "pairs": [{"build": "Dogwood 2.5", "baseline_power_hp": 170, "boosted_power_hp": 246, "boost_psi": 7.5, "charge_cooling": "none"}],
    "sweep": [
        {"build": "Elm 2.2", "run": "pull 1", "rpm": rpm, "curve_power_hp": hp, "curve_torque_lbf_ft": round(hp * 5252.113 / rpm, 1)}
        for rpm, hp in ((3000, 80), (4000, 112), (5000, 140), (6000, 155), (6500, 150))
    ],
}  # fmt: skip


def toml(*kinds: str, name: str = "book.xlsx", state_kind: bool = True) -> str:
    head = 'title = "A test"\npublisher = "Test Sheet"\nlicence = "CC0-1.0"\n'
    return head + "".join(
        f'[[file]]\nname = "{name}"\nsheet = "{k}"\n' + (f'kind = "{k}"\n' if state_kind else "") for k in kinds
    )


@pytest.mark.slow
def test_a_workbook_filled_in_is_read_back_and_accepted(raw) -> None:
    raw.add("one", {"book.xlsx": make_template("us", US_ROWS)}, toml(*KINDS))
    summary = raw.build()
    assert not summary.problems
    counts = {r.file: (r.rows_read, r.accepted, r.refused, r.runs) for r in summary.by_file}
    assert counts == {
        "book.xlsx[runs]": (3, 3, 0, 3), "book.xlsx[levels]": (1, 1, 0, 3), "book.xlsx[changes]": (1, 1, 0, 2),
        "book.xlsx[pairs]": (1, 1, 0, 2), "book.xlsx[sweep]": (5, 5, 0, 1),
    }  # fmt: skip
    assert {f["code"] for f in summary.flags if f["code"] == "column_unrecognised"} == set()
    runs, builds = read_table(raw.store, "run"), read_table(raw.store, "build")
    first = runs.filter(pl.col("file") == "book.xlsx[runs]").sort("line").row(0, named=True)
    assert first["power_kw"] == pytest.approx(150 * 0.7456998715822702)
    assert first["ambient_kpa"] == pytest.approx(29.9 * 3.386388640341)
    assert (pytest.approx(first["air_c"]), first["tested_on"]) == (25.0, date(2024, 5, 3))
    assert HOSTILE in builds["build"].to_list()
    assert "Larkspur" not in " ".join(builds["build"])
    assert read_table(raw.store, "change")["parts"].to_list() == [["camshaft", "headers"]]
    assert runs.filter(pl.col("file") == "book.xlsx[levels]")["measured_at"].unique().to_list() == ["wheel"]


def test_si_workbook_holds_the_same_figures(raw) -> None:
    rows = {"runs": [{"build": "Fir", "power_kw": 110, "torque_nm": 210, "torque_rpm": 4200, "ambient_kpa": 98.5, "air_c": 21}],
            "levels": [{"build": "Ginkgo", "NA kW": 135, "0.5 bar kW": 197}]}  # fmt: skip
    raw.add("one", {"book.xlsx": make_template("si", rows)}, toml("runs", "levels"))
    summary = raw.build()
    assert (summary.count("accepted"), summary.count("refused")) == (2, 0)
    runs = read_table(raw.store, "run").sort("power_kw")
    assert runs["power_kw"].to_list() == [110, 135, 197]
    assert runs["boost_kpa"].to_list() == pytest.approx([0, 0, 50])
    assert runs["torque_nm"][0] == 210


@pytest.mark.slow
def test_the_kind_of_a_sheet_is_worked_out_where_it_is_not_stated(raw) -> None:
    raw.add("one", {"book.xlsx": make_template("us", US_ROWS)}, toml("levels", "changes", state_kind=False))
    assert {r.file: (r.accepted, r.runs) for r in raw.build().by_file} == {
        "book.xlsx[levels]": (1, 3),
        "book.xlsx[changes]": (1, 2),
    }


def test_one_filled_sheet_needs_no_sheet_named(raw) -> None:
    raw.add("one", {"book.xlsx": make_template("us", {"pairs": US_ROWS["pairs"]})}, kind="pairs")
    assert raw.build().count("accepted") == 1


def test_an_empty_workbook_holds_no_row_but_says_so(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    path.write_bytes(make_template("us"))
    with pytest.raises(FileProblem, match="no table with data rows"):
        read_tables(path, FileEntry(name=path.name))


def test_a_row_typed_over_an_example_counts_once_the_mark_is_gone(raw) -> None:
    rows = {
        "runs": [{"build": "Holly", "power_hp": 150, "note": EXAMPLE_MARK}, {"build": "Holly", "power_hp": 151, "note": "mine"}]
    }
    raw.add("one", {"book.xlsx": make_template("us", rows)}, toml("runs"))
    assert raw.build().count("rows_read") == 1


@pytest.mark.parametrize("units", UNIT_SYSTEMS)
@pytest.mark.parametrize("with_kind", [True, False])
def test_every_header_is_read_as_its_field_and_unit_without_doubt(units: UnitSystem, with_kind: bool) -> None:
    for sheet in template_sheets(units):
        columns = recognise_headers([c.header for c in sheet.columns], None, None, sheet.kind if with_kind else None)
        for read, meant in zip(columns, sheet.columns, strict=True):
            assert (read.field, read.unit, read.doubt) == (meant.field.name, meant.unit, None), (sheet.kind, meant.header)
        assert guess_kind(columns)[0] == sheet.kind


def test_each_record_kind_has_its_sheet_and_each_field_its_place() -> None:
    sheets = {s.kind: s for s in template_sheets("us")}
    assert set(sheets) == set(RECORD_KINDS)
    wanted = {f.name for table in ("build", "run") for f in fields_of(table)}
    assert wanted == {c.field.name for c in sheets["runs"].columns}
    assert {f.name for f in fields_of("change")} <= {c.field.name for c in sheets["changes"].columns}
    assert {f.name for f in fields_of("sweep_point")} <= {c.field.name for c in sheets["sweep"].columns}


def test_notes_give_meaning_unit_and_range_in_the_unit_of_the_header() -> None:
    column = next(c for c in template_sheets("us")[0].columns if c.field.name == "air_c")
    assert column.header == "air_f" and FIELDS["air_c"].meaning in column.note
    assert "Unit: F." in column.note and "Usual: 23 to 113." in column.note
    code = next(c for c in template_sheets("us")[0].columns if c.field.name == "measured_at")
    assert "crank, hub, wheel" in code.note


@pytest.mark.parametrize("units", UNIT_SYSTEMS)
def test_examples_lie_in_the_usual_range_and_carry_the_mark(units: UnitSystem) -> None:
    for sheet in template_sheets(units):
        columns = {c.header: c for c in sheet.columns}
        for row in sheet.examples:
            assert EXAMPLE_MARK in row.values()
            for header, value in row.items():
                usual = columns[header].usual
                assert usual is None or usual[0] <= float(value) <= usual[1], (sheet.kind, header)  # type: ignore[arg-type]
                codes = columns[header].field.codes
                assert not codes or value in codes


def _part(book: bytes, name: str) -> str:
    with zipfile.ZipFile(io.BytesIO(book)) as package:
        return package.read(name).decode()


def test_drop_downs_notes_and_frozen_headers_are_in_the_workbook() -> None:
    book = make_template("us")
    sheet, notes = _part(book, "xl/worksheets/sheet2.xml"), _part(book, "xl/comments1.xml")
    assert 'state="frozen"' in sheet and 'ySplit="1"' in sheet
    for field in fields_of("run"):
        assert not field.codes or ",".join(field.codes) in sheet
        assert field.meaning.replace("&", "&amp;") in notes, field.name


def test_no_cell_of_the_workbook_calculates_or_links() -> None:
    book = make_template("us", {"runs": [{"build": HOSTILE, "power_hp": 150}]})
    with zipfile.ZipFile(io.BytesIO(book)) as package:
        for name in package.namelist():
            if name.startswith("xl/worksheets/sheet"):
                text = package.read(name).decode()
                assert "<f>" not in text and "<hyperlink" not in text


def test_the_same_arguments_give_the_same_bytes() -> None:
    assert make_template("us", US_ROWS) == make_template("us", US_ROWS)
    assert make_template("us") != make_template("si")


def test_wrong_requests_are_told_in_words() -> None:
    with pytest.raises(RequestProblem, match="'furlongs' is no system of units"):
        make_template("furlongs")  # type: ignore[arg-type]
    with pytest.raises(RequestProblem, match="'laps' is no sheet"):
        make_template("us", {"laps": []})
    with pytest.raises(RequestProblem, match="'power_kw' is no column of the sheet 'runs'"):
        make_template("us", {"runs": [{"power_kw": 1}]})
