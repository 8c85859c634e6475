"""A build named by several columns."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.build_names import with_build_names
from pipeline.grid import RawTable
from pipeline.store import read_table

TABLE = "model,year,hp,boost psi\nAlder,1990,150,\nAlder,1990,205,6\nAlder,1995,170,\nAlder,1995,230,6\n"


def test_columns_together_name_the_build(one_file, raw):
    summary = one_file(TABLE, more='build_from = ["model", "year"]')
    assert (summary.count("accepted"), summary.builds, summary.runs) == (4, 2, 4)
    assert read_table(raw.store, "build")["build"].to_list() == ["Alder 1990", "Alder 1995"]


def test_without_it_the_first_column_alone_names_the_build(one_file):
    assert one_file(TABLE).builds == 1


def test_an_empty_cell_adds_nothing_and_a_row_without_any_has_no_build(one_file):
    summary = one_file("model,year,hp\nAlder,,150\n,,170\n", more='build_from = ["model", "year"]')
    assert (summary.count("accepted"), summary.count("refused")) == (1, 1)


def test_an_unknown_header_is_named_with_the_nearest(one_file):
    summary = one_file(TABLE, more='build_from = ["Model"]')
    assert "does not have" in summary.problems[0].problem and "'model'" in summary.problems[0].problem


@pytest.mark.parametrize(("columns", "made"), [((), None), (("year", "model"), ["1990 Alder", "Birch", None])])
def test_cells_are_joined_in_the_order_asked_for(columns, made):
    cells = pl.DataFrame({"line": [2, 3, 4], "c0": ["Alder ", "Birch", None], "c1": ["1990", None, None]})
    table = RawTable(("model", "year"), (None, None), cells, cells.clear(), 1, 0, (), None, {}, "delimited")
    found = with_build_names(table, columns, "f.csv")
    assert found.headers == (("model", "year", "build") if columns else ("model", "year"))
    assert (found.cells["c2"].to_list() if columns else None) == made
