"""A build named by several columns."""

from __future__ import annotations

import pytest

TABLE = "model,year,hp,boost psi\nAlder,1990,150,\nAlder,1990,205,6\nAlder,1995,170,\nAlder,1995,230,6\n"


def test_columns_together_name_the_build(one_file, raw):
    summary = one_file(TABLE, more='build_from = ["model", "year"]')
    assert (summary.count("accepted"), summary.builds, summary.runs) == (4, 2, 4)
    from pipeline.store import read_table

    assert read_table(raw.store, "build")["build"].to_list() == ["Alder 1990", "Alder 1995"]


def test_without_it_the_first_column_alone_names_the_build(one_file):
    assert one_file(TABLE).builds == 1


def test_an_empty_cell_adds_nothing_and_a_row_without_any_has_no_build(one_file):
    summary = one_file("model,year,hp\nAlder,,150\n,,170\n", more='build_from = ["model", "year"]')
    assert (summary.count("accepted"), summary.count("refused")) == (1, 1)


@pytest.mark.parametrize("header", ["maker", "Model", ""])
def test_an_unknown_header_is_named_with_the_nearest(one_file, header):
    summary = one_file(TABLE, more=f'build_from = ["{header}"]')
    assert "does not have" in summary.problems[0].problem
    assert "'model'" in summary.problems[0].problem
