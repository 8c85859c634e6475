"""JSON and Parquet as text."""

import datetime
import decimal
import json

import polars as pl
import pytest

from pipeline import read_parquet
from pipeline.errors import FileProblem
from pipeline.read_raw import ReadOptions, read_grids


def read(folder, content, name="runs.json"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    (grid,) = read_grids(path, ReadOptions())
    return grid


def test_numbers_keep_the_digits_they_were_written_with(tmp_path):
    grid = read(tmp_path, '[{"a": 412.0, "b": 1e3, "c": 0.10, "d": 12345678901234567890, "e": -0.0, "f": NaN}]')
    assert grid.cells.rows() == [(0, *"abcdef"), (1, "412.0", "1e3", "0.10", "12345678901234567890", "-0.0", "NaN")]
    assert grid.form == "records" and grid.first_line_is_header


def test_values_of_all_kinds_become_text(tmp_path):
    grid = read(tmp_path, '[{"a": true, "b": null, "c": {"x": [1.50, "y"]}, "d": "", "e": "é"}, {"f": 1, "a": false}]')
    assert grid.cells.rows() == [
        (0, *"abcdef"),
        (1, "true", None, '{"x": [1.50, "y"]}', None, "é", None),
        (2, "false", None, None, None, None, "1"),
    ]
    assert json.loads(grid.cells["c2"][1]) == {"x": [1.5, "y"]}


def test_one_list_inside_an_object_is_found(tmp_path):
    grid = read(tmp_path, '{"title": "t", "tags": [1, 2], "records": [{"a": 1}, {"a": 2}]}')
    assert grid.cells["c0"].to_list() == ["a", "1", "2"]
    assert grid.notes["records"] == "records"
    assert json.loads(grid.notes["beside_records"]) == {"title": "t", "tags": [1, 2]}


@pytest.mark.parametrize("name", ["runs.jsonl", "runs.ndjson", "runs.json"])
def test_json_lines_keep_their_physical_lines(tmp_path, name):
    grid = read(tmp_path, '\ufeff{"a": 1}\r\n\r\n{"a": 2, "b": "x"}\r\n', name)
    assert grid.cells.rows() == [(0, "a", "b"), (1, "1", None), (3, "2", "x")]


def test_a_single_line_is_a_record(tmp_path):
    assert read(tmp_path, '{"a": 1}', "runs.jsonl").cells.rows() == [(0, "a"), (1, "1")]


def test_utf16_json_is_read(tmp_path):
    assert read(tmp_path, '[{"ä": 1}]'.encode("utf-16")).cells.rows() == [(0, "ä"), (1, "1")]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("[{", "no valid JSON at line 1"),
        ('[{"a": 1},\n {"a": }]', "no valid JSON at line 2"),
        ('{"a": 1}\n{"a": 2}\n{"a"', "Line 3 of runs.json is no valid JSON"),
        ('{"a": 1}\n{"a": 2}\n[1]', "Line 3 of runs.json is no JSON object"),
        ('[{"a": 1, "b": 2, "a": 3}]', "key 'a' twice"),
        ('{"x": [{"a": 1}], "y": [{"a": 2}]}', "the lists 'x', 'y'"),
        ('{"x": {"a": [1]},\n "y": [2]}', "no list of records"),
        ("[1, 2]", "no list of records"),
        ("[]", "no list of records"),
        ('"text"', "no list of records"),
        ("[" * 100_000, "nested too deeply|no valid JSON"),
        ('[{"a":' + "[" * 50_000 + "]" * 50_000 + "}]", "nested too deeply"),
        ('[{"a": 1}, {"b": 2}, 3]', "no list of records"),
        (json.dumps([{f"k{i}": 1 for i in range(2001)}]), "2,001 columns"),
    ],
)
def test_json_that_is_no_table_gets_one_sentence(tmp_path, content, words):
    with pytest.raises(FileProblem, match=words) as caught:
        read(tmp_path, content)
    assert "runs.json" in str(caught.value)


def test_the_last_line_of_a_cut_file_is_not_lost_silently(tmp_path):
    with pytest.raises(FileProblem, match="Line 2"):
        read(tmp_path, '{"a": 1}\n{"a": 2', "runs.jsonl")


def test_parquet_becomes_text_as_printed(tmp_path):
    frame = pl.DataFrame(
        {
            "build": ["A", None],
            "hp": [412.0, 0.1],
            "n": [1, None],
            "d": [datetime.date(2024, 5, 1), None],
            "t": [datetime.datetime(2024, 5, 1), datetime.datetime(2024, 5, 1, 13, 30)],
            "ok": [True, False],
            "l": [[1, 2], None],
            "s": [{"x": 1.5}, {"x": None}],
            "b": [b"\x01\xff", None],
            "m": [decimal.Decimal("1.50"), None],
        }
    ).with_columns(f=pl.Series([0.55, 6.5], dtype=pl.Float32), c=pl.Series(["x", "y"], dtype=pl.Categorical))
    frame.write_parquet(tmp_path / "runs.parquet")
    (grid,) = read_grids(tmp_path / "runs.parquet", ReadOptions())
    assert grid.form == "parquet" and grid.first_line_is_header
    assert grid.cells.row(0) == (0, *frame.columns)
    assert grid.cells.row(1) == (
        1, "A", "412", "1", "2024-05-01", "2024-05-01", "true", "[1,2]", '{"x":1.5}', "01ff", "1.50", "0.55", "x",
    )  # fmt: skip
    assert grid.cells.row(2)[:6] == (2, None, "0.1", None, None, "2024-05-01 13:30:00")
    assert grid.cells.row(2)[7] is None


@pytest.mark.parametrize("cut", [8, 40, -20])
def test_a_damaged_parquet_file_gets_one_sentence(tmp_path, cut):
    pl.DataFrame({"a": list(range(100))}).write_parquet(tmp_path / "whole.parquet")
    (tmp_path / "runs.parquet").write_bytes((tmp_path / "whole.parquet").read_bytes()[:cut])
    with pytest.raises(FileProblem, match="damaged"):
        read_grids(tmp_path / "runs.parquet", ReadOptions())


def test_a_parquet_file_that_claims_too_much_is_not_unpacked(tmp_path, monkeypatch):
    pl.DataFrame({"a": [0] * 1_000_000}).write_parquet(tmp_path / "runs.parquet")
    monkeypatch.setattr(read_parquet, "MAX_CELLS", 999_999)
    monkeypatch.setattr(read_parquet.pl, "from_arrow", lambda *_: pytest.fail("was unpacked"))
    with pytest.raises(FileProblem, match="1,000,000 rows.*split"):
        read_grids(tmp_path / "runs.parquet", ReadOptions())
