"""Delimited text: encodings, delimiters, quotes, ragged rows and the line of each row."""

import csv
import io

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline import read_delimited as module
from pipeline.errors import FileProblem
from pipeline.read_raw import ReadOptions, read_grids


def write(folder, content, name="runs.csv"):
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def read(folder, content, name="runs.csv", **options):
    (grid,) = read_grids(write(folder, content, name), ReadOptions(**options))
    return grid


def rows(grid):
    return [(line, *cells) for line, *cells in grid.cells.rows()]


TABLE = [(1, "Büro", "boost psi"), (2, "Nr. 5 – “A”", "6.5")]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends_are_found(tmp_path, encoding, ending):
    bom = "\ufeff" if encoding in ("utf-16-le", "utf-16-be") else ""
    text = bom + ending.join(["Büro,boost psi", "Nr. 5 – “A”,6.5", ""])
    grid = read(tmp_path, text.encode(encoding))
    assert rows(grid) == TABLE
    assert grid.form == "delimited" and not grid.first_line_is_header and grid.sheet is None


def test_utf16_without_a_mark_is_found(tmp_path):
    grid = read(tmp_path, "build,boost\nA,6\nB,8\n".encode("utf-16-le"))
    assert rows(grid) == [(1, "build", "boost"), (2, "A", "6"), (3, "B", "8")]
    assert grid.notes["encoding"] == "utf-16-le"


def test_a_stated_encoding_is_used(tmp_path):
    content = "馬力,回転\n400,6500\n".encode("shift_jis")
    assert rows(read(tmp_path, content, encoding="shift_jis"))[0] == (1, "馬力", "回転")


@pytest.mark.parametrize(
    ("delimiter", "text"),
    [
        (",", "build,note,hp\nA,x; y,400\nB,z; w,410\n"),
        (";", "build;psi;bar\nA;6,5;0,45\nB;8,0;0,55\n"),
        ("\t", "build\tname, long\thp\nA\tx, y\t400\n"),
        ("|", "build|note|hp\nA|x, y|400\nB|z, w|410\n"),
    ],
)
def test_the_delimiter_is_the_one_that_cuts_all_lines_alike(tmp_path, delimiter, text):
    grid = read(tmp_path, text)
    assert grid.notes["delimiter"] == delimiter
    assert grid.cells.width == 4
    assert grid.cells["c2"].null_count() == 0


def test_titles_and_ragged_rows_do_not_mislead(tmp_path):
    grid = read(tmp_path, "Engine tests; spring\n\nbuild,hp,psi\nA,400,0\nB,500,6,late\nC,300\n")
    assert grid.notes["delimiter"] == ","
    assert rows(grid)[3:] == [(4, "A", "400", "0", None), (5, "B", "500", "6", "late"), (6, "C", "300", None, None)]


def test_a_stated_delimiter_wins_and_words_are_understood(tmp_path):
    assert read(tmp_path, "a,b;c\n1,2;3\n", delimiter="semicolon").cells.row(1) == (2, "1,2", "3")
    assert read(tmp_path, "a^b\n1^2\n", delimiter="^").cells.row(1) == (2, "1", "2")


@pytest.mark.parametrize("delimiter", ["ab", "", '"', "\n", "7", "§"])
def test_an_unusable_delimiter_is_named(tmp_path, delimiter):
    with pytest.raises(FileProblem, match="delimiter .* runs.csv .*one character.*source.toml"):
        read(tmp_path, "a,b\n", delimiter=delimiter)


def test_a_separator_hint_of_a_spreadsheet_is_no_row(tmp_path):
    grid = read(tmp_path, "sep=;\na;b\n1,5;2\n")
    assert rows(grid) == [(1, None, None), (2, "a", "b"), (3, "1,5", "2")]


def test_lines_count_blank_lines_and_line_ends_inside_quotes(tmp_path):
    text = '\nbuild,note\n\nA,"first\nsecond\n\nthird"\nB,plain\n\n"C, big","say ""hi"""\n'
    assert rows(read(tmp_path, text)) == [
        (1, None, None),
        (2, "build", "note"),
        (3, None, None),
        (4, "A", "first\nsecond\n\nthird"),
        (8, "B", "plain"),
        (9, None, None),
        (10, "C, big", 'say "hi"'),
    ]


def test_lines_are_right_across_batches(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_BATCH_ROWS", 2)
    text = 'a,b\n"x\ny",1\n\nz,2,wide\nu,3\nv,4\n'
    assert rows(read(tmp_path, text)) == [
        (1, "a", "b", None), (2, "x\ny", "1", None), (4, None, None, None), (5, "z", "2", "wide"), (6, "u", "3", None),
        (7, "v", "4", None),
    ]  # fmt: skip


def test_inch_marks_are_no_quotes(tmp_path):
    assert rows(read(tmp_path, 'build,bore,stroke\nA,4.125",3.48"\nB,4.030",3\n'))[1:] == [
        (2, "A", '4.125"', '3.48"'),
        (3, "B", '4.030"', "3"),
    ]


def test_a_space_before_a_quote_is_allowed(tmp_path):
    assert rows(read(tmp_path, 'build, note\nA, "x, y"\n'))[1] == (2, "A", "x, y")


def test_blank_cells_are_null_and_other_spaces_stay(tmp_path):
    assert rows(read(tmp_path, 'a,b,c\n  ,\u00a0,""\n x ,2,3\n'))[1:] == [(2, None, None, None), (3, " x ", "2", "3")]


def test_a_row_that_is_wider_than_all_before_it_is_kept(tmp_path):
    text = "a,b\n" + "1,2\n" * 3000 + "1,2,3,4\n"
    grid = read(tmp_path, text)
    assert grid.cells.row(-1) == (3002, "1", "2", "3", "4")
    assert grid.cells["c3"].null_count() == 3001


def test_a_wide_row_with_quotes_is_kept(tmp_path):
    grid = read(tmp_path, "a,b\n" + "1,2\n" * 3000 + '1,"2,2",3\n')
    assert grid.cells.row(-1) == (3002, "1", "2,2", "3")


def test_one_column_needs_no_delimiter(tmp_path):
    assert rows(read(tmp_path, "power_hp\n400\n\n410")) == [(1, "power_hp"), (2, "400"), (3, None), (4, "410")]


def test_nothing_is_read_as_a_formula_or_a_number(tmp_path):
    assert rows(read(tmp_path, "a,b\n=1+1,007\n1e3,NULL\n"))[1:] == [(2, "=1+1", "007"), (3, "1e3", "NULL")]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a,b\n1,\x00\x01\x02\n" * 50, "binary data"),
        (bytes(range(1, 32)) * 50, "binary data"),
        (b"a,b\n\x81\x8d,1\n", r"line 2 .*neither|neither .*line 2"),
        (b"a,b\n" + b"x" * (1 << 20) + b"y,1\n", "Line 2 of runs.csv is 1,048,579 bytes long"),
        (b"a,b\nx,1\n" + b"x" * (3 << 20), "Line 3 of runs.csv"),
        (",".join(f"c{i}" for i in range(2001)) + "\n", "2,001 columns"),
        ("a,b\n" + "1,2\n" * 2000 + "," * 2500 + "\n", "2,501 columns"),
        ('a,b\nA,1\nB,"never closed\n' + "C,2\n" * 300, "Line 3 of runs.csv opens a quotation mark"),
        ('a,b\nA,1\nB,"never closed', "Line 3 of runs.csv opens a quotation mark"),
        ('a,b\nA,"' + ("x" * 1000 + "\n") * 150 + '"\n', "Line 2 of runs.csv opens a quotation mark"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_table_gets_one_sentence(tmp_path, content, words):
    with pytest.raises(FileProblem, match=words) as caught:
        read(tmp_path, content)
    assert str(tmp_path) not in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("encoding", ["zip", "rot13", "punycode", "unicode_escape", "no-such", "utf-8\0"])
def test_an_encoding_that_is_no_text_encoding_is_refused(tmp_path, encoding):
    with pytest.raises(FileProblem, match="unknown.*utf-8.*source.toml"):
        read(tmp_path, "a,b\n1,2\n", encoding=encoding)


def test_a_wrong_stated_encoding_names_the_line(tmp_path):
    with pytest.raises(FileProblem, match="stated as utf-8, but line 2"):
        read(tmp_path, "a,b\né,1\n".encode("cp1252"), encoding="utf8")


@pytest.mark.parametrize("text", ["\n", "\n\n\n", ",,\n,,\n", "a,b\n", "a"])
def test_files_of_almost_nothing_are_grids(tmp_path, text):
    grid = read(tmp_path, text)
    assert grid.cells["line"].to_list() == list(range(1, text.count("\n") + (not text.endswith("\n")) + 1))


cells = st.text(st.sampled_from('ab",;\n 1é#'), max_size=5)


@given(st.lists(st.lists(cells, min_size=2, max_size=4), min_size=1, max_size=6))
@example([["a", '"']])
@example([['""', "b"], ["", '"a",']])
@settings(max_examples=60, deadline=None)
def test_what_a_csv_writer_wrote_is_read_back(table):
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(table)
    (grid,) = module.read_delimited(buffer.getvalue().encode(), "t.csv", ReadOptions(delimiter=","))
    width = max(map(len, table))
    expected = [tuple(cell.strip() for cell in row) + ("",) * (width - len(row)) for row in table]
    assert [tuple((cell or "").strip() for cell in row[1 : width + 1]) for row in grid.cells.rows()] == expected
    starts = [1]
    for row in table:
        starts.append(starts[-1] + 1 + sum(cell.count("\n") for cell in row))
    assert grid.cells["line"].to_list() == starts[:-1]


@given(st.text(st.sampled_from('ab",;\n1'), max_size=30))
@settings(max_examples=80, deadline=None)
def test_the_compiled_reader_agrees_with_the_record_reader(text):
    text = text + "\nx,y\n"
    fast = module._read_fast(text.encode(), ",", module._sample_width(text.encode(), ","), "t.csv")
    if fast is None:
        return
    slow = module._read_by_record(text.encode(), ",", "t.csv")
    width = max(fast.width, slow.width) - 1
    same = [
        frame.with_columns(pl.lit(None, pl.String).alias(f"c{i}") for i in range(width) if f"c{i}" not in frame.columns)
        for frame in (fast, slow)
    ]
    assert same[0].rows() == same[1].select(same[0].columns).rows()
