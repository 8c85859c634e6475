"""Which reader a file gets, and the files that get none."""

import io
import os
import random

import polars as pl
import pytest
import xlsxwriter

from pipeline import read_raw
from pipeline.errors import FileProblem
from pipeline.read_raw import ReadOptions, read_grids


def workbook_bytes():
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        book.add_worksheet("runs").write(0, 0, "build")
    return buffer.getvalue()


def parquet_bytes():
    buffer = io.BytesIO()
    pl.DataFrame({"a": [1]}).write_parquet(buffer)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("runs.csv", workbook_bytes(), "workbook .*'.csv' promises delimited text.*rename it .*xlsx"),
        ("runs.csv", parquet_bytes(), "Parquet.*rename it .*parquet"),
        ("runs.json", workbook_bytes(), "promises JSON"),
        ("runs.xlsx", b"a,b\n1,2\n", "is text by its content.*promises a workbook.*rename it to .csv"),
        ("runs.xls", b"<html><table><tr><td>1</td></tr></table></html>", "web page"),
        ("runs.csv", b"\n <!DOCTYPE html><html></html>", "web page"),
        ("runs.parquet", b"a,b\n1,2\n", "promises Parquet"),
        ("runs.csv", b"%PDF-1.7 ...", "PDF document.*save the table as CSV or XLSX"),
        ("runs.csv", b"\x1f\x8b\x08....", "gzip archive"),
        ("runs.txt", b"\x89PNG\r\n\x1a\n", "picture"),
        ("runs.doc", b"x", "extension '.doc'.*.csv.*save it"),
        ("runs", b"x", r"extension '\(none\)'"),
        ("runs.csv", b"", "is empty"),
        ("runs.xlsx", b"", "is empty"),
    ],
)
def test_content_and_extension_must_agree(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(FileProblem, match=words) as caught:
        read_grids(path, ReadOptions())
    assert name in str(caught.value)
    assert str(tmp_path) not in str(caught.value)


@pytest.mark.parametrize("name", ["RUNS.CSV", "runs.Tsv", "runs.txt"])
def test_extensions_are_read_without_regard_to_case(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"a\tb\n1\t2\n")
    assert read_grids(path, ReadOptions())[0].cells.row(1) == (2, "1", "2")


def test_a_symbolic_link_is_refused(tmp_path):
    (tmp_path / "secret.csv").write_bytes(b"a,b\n")
    (tmp_path / "link.csv").symlink_to(tmp_path / "secret.csv")
    with pytest.raises(FileProblem, match="link.csv is a symbolic link"):
        read_grids(tmp_path / "link.csv", ReadOptions())


def test_what_is_no_regular_file_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "folder.csv").mkdir()
    for name in ("pipe.csv", "folder.csv"):
        with pytest.raises(FileProblem, match=f"{name} .*regular file"):
            read_grids(tmp_path / name, ReadOptions())


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(FileProblem, match="runs.csv is not there"):
        read_grids(tmp_path / "runs.csv", ReadOptions())


def test_a_file_over_the_limit_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr(read_raw, "MAX_FILE_BYTES", 10)
    (tmp_path / "runs.csv").write_bytes(b"a,b\n1,2\n3,4\n")
    with pytest.raises(FileProblem, match="12 bytes, at most 10 are read; split"):
        read_grids(tmp_path / "runs.csv", ReadOptions())


def test_a_huge_sparse_file_is_refused_by_its_size(tmp_path):
    path = tmp_path / "runs.csv"
    with path.open("wb") as handle:
        handle.truncate(1 << 40)
    with pytest.raises(FileProblem, match="1,099,511,627,776 bytes"):
        read_grids(path, ReadOptions())


SOUND = {
    "runs.xlsx": workbook_bytes(),
    "runs.parquet": parquet_bytes(),
    "runs.csv": 'build,note\nA,"two\nlines"\né,4\n'.encode() * 5,
    "runs.json": b'[{"a": 1.50, "b": [1, {"c": null}]}, {"a": "x"}]',
}


@pytest.mark.parametrize("name", SOUND)
def test_damage_at_random_places_is_read_or_refused_with_one_sentence(tmp_path, name):
    random_places = random.Random(20)
    path = tmp_path / name
    outcomes = set()
    for _ in range(60):
        content = bytearray(SOUND[name])
        for _ in range(random_places.choice([1, 3, 10])):
            content[random_places.randrange(len(content))] = random_places.randrange(256)
        path.write_bytes(content)
        try:
            grids = read_grids(path, ReadOptions())
            assert all(grid.cells.columns[0] == "line" for grid in grids)
            outcomes.add("read")
        except FileProblem as problem:
            assert name in str(problem) and "\n" not in str(problem)
            outcomes.add("refused")
    assert "refused" in outcomes
