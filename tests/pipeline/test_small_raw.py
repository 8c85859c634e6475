"""Deliberately awkward files, each with the counts, codes and figures that it must come out as (tests/small_raw/expected.csv)."""

from __future__ import annotations

import csv
import importlib.util
import json
import shutil
import sys
from pathlib import Path
from types import ModuleType

import polars as pl
import pytest

from pipeline.build import BuildSummary, build
from pipeline.check_codes import CODES
from pipeline.store import read_table

pytestmark = pytest.mark.slow  # the whole demo, or every awkward file, is read; CI runs it too

FOLDER = Path(__file__).resolve().parents[1] / "small_raw"
with (FOLDER / "expected.csv").open(encoding="utf-8", newline="") as manifest:
    EXPECTED = {row["name"]: row for row in csv.DictReader(manifest)}
COUNTS = ("rows_read", "accepted", "refused", "repeated")
#: Codes of files whose source.toml leaves something out, as most here do.
OF_THE_FOLDER = {"not_pinned"}


class Built:
    """All cases in one store."""

    def __init__(self, raw: Path, store: Path) -> None:
        self.summary: BuildSummary = build(raw, store)
        self.ledger = {row.source: row for row in self.summary.by_file}
        self.tables = {name: read_table(store, name) for name in ("run", "build", "sweep_point", "change", "refused")}

    def rows(self, table: str, case: str) -> pl.DataFrame:
        frame = self.tables[table]
        if "source" in frame.columns:
            return frame.filter(pl.col("source") == case)
        return frame.filter(pl.col("run_key").str.starts_with(f"{case}/"))

    def flags(self, case: str) -> set[str]:
        return {flag["code"] for flag in self.summary.flags if flag["source"] == case} - OF_THE_FOLDER


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Built:
    root = tmp_path_factory.mktemp("small")
    shutil.copytree(FOLDER / "sources", root / "raw")
    return Built(root / "raw", root / "study.duckdb")


@pytest.mark.parametrize("case", EXPECTED)
def test_awkward_file(built, case):
    wanted, held = EXPECTED[case], built.ledger[case]
    if wanted["problem"]:
        assert all(word in (held.problem or "") for word in wanted["problem"].split("; ")), held.problem
        assert built.rows("run", case).is_empty()
        return
    assert held.problem is None
    told = {}
    for row in built.rows("refused", case).iter_rows(named=True):
        told[row["line"]] = "+".join(sorted({reason["code"] for reason in row["reasons"]}))
        assert json.loads(row["row"])
    assert " ".join(f"{line}:{codes}" for line, codes in sorted(told.items())) == wanted["refused_lines"]
    assert {name: getattr(held, name) for name in COUNTS} == {name: int(wanted[name]) for name in COUNTS}
    assert held.rows_read == held.accepted + held.refused + held.repeated
    for table, name in (("run", "runs"), ("sweep_point", "points"), ("change", "changes")):
        assert built.rows(table, case).height == int(wanted[name]), table
    assert built.flags(case) == set(wanted["flags"].split())


@pytest.mark.parametrize("case", [name for name, row in EXPECTED.items() if row["values"]])
def test_figures_of_awkward_file(built, case):
    runs = {row["run_key"].split("#", 1)[1]: row for row in built.rows("run", case).iter_rows(named=True)}
    builds = {row["build_key"]: row for row in built.rows("build", case).iter_rows(named=True)}
    for figure in EXPECTED[case]["values"].split("; "):
        place, name, value = figure.split(" ", 2)
        run = runs[place]
        stored = run[name] if name in run and name != "build" else builds[run["build_key"]][name]
        if isinstance(stored, int | float):
            assert stored == pytest.approx(float(value), rel=2e-3, abs=1e-6), figure
        else:
            assert str(stored) == value, figure


def test_there_are_forty_cases_and_more():
    assert len(EXPECTED) >= 40
    assert set(EXPECTED) == {path.name for path in (FOLDER / "sources").iterdir()}


def test_every_code_occurs():
    said = " ".join(f"{row['refused_lines']} {row['flags']}" for row in EXPECTED.values())
    assert {code for code in CODES if code not in said.replace(":", " ").replace("+", " ").split()} == OF_THE_FOLDER


def make_module() -> ModuleType:
    spec = importlib.util.spec_from_file_location("small_raw_make", FOLDER / "make.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    before = list(sys.path)
    try:
        spec.loader.exec_module(module)
    finally:
        sys.path[:] = before
    return module


def test_committed_files_are_those_of_the_script():
    """Workbooks and Parquet carry the version of their writer; their cases are compared by what is read."""
    make = make_module()
    assert make.manifest() == (FOLDER / "expected.csv").read_text(encoding="utf-8")
    for case in make.CASES:
        for name, content in make.files_of(case).items():
            if not name.endswith((".xlsx", ".ods", ".parquet")) and case.name != "workbook_as_csv":
                assert (FOLDER / "sources" / case.name / name).read_bytes() == content, (case.name, name)
