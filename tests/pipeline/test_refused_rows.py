"""Refused rows for people: groups by reason, and a table that a spreadsheet opens without running anything."""

from __future__ import annotations

import csv
import io

import pytest

from pipeline.build import build
from pipeline.checks import CODES
from pipeline.headers import recognise_headers
from pipeline.refused_rows import BESIDE, general_sentence, group_by_reason, refused_csv, refused_rows
from pipeline.store import read_table

TABLE = """build,power_hp,boost_psi,tested_on
Alder,150,,2020-01-01
Birch,abc,6,2020-01-01
Cedar,,6,2020-01-01
Dogwood,abc,6,2099-01-01
"=HYPERLINK(""http://x"")",-5,6,2020-01-01
"""


@pytest.fixture(scope="module")
def rows(tmp_path_factory):
    """Refused rows of one small source, built once."""
    root = tmp_path_factory.mktemp("refused")
    (root / "raw" / "one").mkdir(parents=True)
    (root / "raw" / "one" / "file.csv").write_text(TABLE)
    told = 'title = "A test"\npublisher = "Test Sheet"\nlicence = "CC0-1.0"\n[[file]]\nname = "file.csv"\nkind = "runs"\n'
    (root / "raw" / "one" / "source.toml").write_text(told)
    build(root / "raw", root / "study.duckdb")
    return refused_rows(read_table(root / "study.duckdb", "refused"))


def test_groups_hold_every_row_under_each_of_its_reasons(rows):
    groups = {g.code: g for g in group_by_reason(rows)}
    assert {c: g.rows for c, g in groups.items()} == {
        "number_unreadable": 2, "power_missing": 1, "date_future": 1, "power_not_positive": 1,
    }  # fmt: skip
    assert next(iter(groups)) == "number_unreadable"
    sentence, places = groups["number_unreadable"].sentences[0]
    assert "'abc'" in sentence and places == ("one/file.csv line 3", "one/file.csv line 5")
    assert groups["number_unreadable"].help.startswith("Correct the cell")


@pytest.mark.parametrize("code", [c for c, entry in CODES.items() if entry.severity == "refuse"])
def test_every_refusing_code_has_help_without_placeholders(code):
    text = general_sentence(code)
    assert len(text.split()) >= 3 and not {"{", "}"} & set(text)


def test_the_csv_holds_the_original_row_beside_its_reasons(rows):
    data = refused_csv(rows)
    assert data.startswith(b"\xef\xbb\xbf") and b"\r\n" in data
    read = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    assert list(read[0]) == [*BESIDE, "build", "power_hp", "boost_psi", "tested_on"]
    assert [(r["refused_line"], r["build"], r["power_hp"]) for r in read[:3]] == [
        ("3", "Birch", "abc"), ("4", "Cedar", ""), ("5", "Dogwood", "abc"),
    ]  # fmt: skip
    assert read[2]["refused_codes"] == "number_unreadable date_future"
    assert "not a number" in read[0]["refused_why"]


def test_no_cell_of_the_csv_is_a_formula(rows):
    read = list(csv.reader(io.StringIO(refused_csv(rows).decode("utf-8-sig"), newline="")))
    cells = [cell for row in read for cell in row]
    assert '\'=HYPERLINK("http://x")' in cells and "-5" in cells
    assert not [c for c in cells if c.lstrip()[:1] in ("=", "+", "@")]


def test_the_mended_csv_can_be_sent_back(rows, raw):
    mended = refused_csv(rows).decode("utf-8-sig").replace("abc", "240").replace("2099", "2020")
    raw.add("again", {"mended.csv": mended})
    summary = raw.build()
    again = next(r for r in summary.by_file if r.source == "again")
    assert (again.problem, again.rows_read, again.accepted) == (None, 4, 2)
    left = refused_rows(read_table(raw.store, "refused"), "again")
    assert [r.row["build"] for r in left] == ["Cedar", '\'=HYPERLINK("http://x")']
    resent = refused_csv(left).decode("utf-8-sig").splitlines()[0]
    assert resent.split(",").count("refused_why") == 1


def test_headers_that_are_patterns_are_only_names(one_file, raw):
    one_file("build,power_hp,^.*$,*,=1+1\nA,bad,x,y,z\n")
    text = refused_csv(refused_rows(read_table(raw.store, "refused"))).decode("utf-8-sig")
    read = list(csv.reader(io.StringIO(text, newline="")))
    assert read[0][5:] == ["build", "power_hp", "^.*$", "*", "'=1+1"] and read[1][5:] == ["A", "bad", "x", "y", "z"]


def test_the_columns_beside_are_no_fields_and_nothing_refused_is_a_header_alone():
    assert {c.field for c in recognise_headers(list(BESIDE))} == {None}
    assert refused_csv(()).decode("utf-8-sig").strip() == ",".join(BESIDE)
