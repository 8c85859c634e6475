"""Record kinds: which columns make which side."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.curve_headers import label_curves
from pipeline.errors import FileProblem
from pipeline.grid import find_tables
from pipeline.headers import knows_header, recognise_headers
from pipeline.shapes import split_sides
from pipeline.text_grid import Grid


def sides_of(kind, *headers):
    cells = pl.DataFrame({"line": [1, 2, 3]} | {f"c{i}": [h, str(i), str(10 + i)] for i, h in enumerate(headers)})
    table = find_tables(Grid(cells=cells, sheet=None, form="delimited"), knows_header, 1)[0]
    columns = recognise_headers(table.headers, table.units, None, kind)
    if kind == "sweep":
        columns = label_curves(columns)
    return {(s.role, s.level_boost): dict(s.headers) for s in split_sides(table, columns, kind)}


def test_runs_are_one_side():
    assert list(sides_of("runs", "build", "power_kw", "boost_psi")) == [("", None)]


def test_a_level_is_a_side_with_its_boost_and_the_common_unit():
    made = sides_of("levels", "build", "NA hp", "6 psi", "8 psi")
    assert list(made) == [("level", 0.0), ("level", 6.0), ("level", 8.0)]


def test_pair_without_prefix_belongs_to_the_boosted_run():
    made = sides_of("pairs", "build", "baseline_power_hp", "power_hp", "boost_psi", "baseline_build")
    assert made["baseline", None] == {"build": "baseline_build", "power_kw": "baseline_power_hp"}
    assert made["boosted", None] == {"build": "build", "power_kw": "power_hp", "boost_kpa": "boost_psi"}


def test_changes_need_both_sides():
    with pytest.raises(FileProblem, match="before_"):
        sides_of("changes", "build", "power_kw")
    with pytest.raises(FileProblem, match="NA hp"):
        sides_of("levels", "build", "torque_nm")


def test_curves_share_what_has_no_side_and_own_the_rest():
    made = sides_of("sweep", "build", "rpm", "Run 1 kW", "Run 2 kW", "Run 2 rpm", "fuel")
    assert made["curve run 1", None] == {"build": "build", "rpm": "rpm", "curve_power_kw": "Run 1 kW", "fuel": "fuel"}
    assert made["curve run 2", None]["rpm"] == "Run 2 rpm"


def test_an_unprefixed_curve_is_a_curve_of_its_own():
    made = sides_of("sweep", "build", "rpm", "baseline_power_kw", "power_kw", "boost_psi", "torque_nm")
    assert made["baseline", None] == {"build": "build", "rpm": "rpm", "curve_power_kw": "baseline_power_kw"}
    assert made["", None] == {
        "build": "build", "rpm": "rpm", "curve_power_kw": "power_kw", "curve_torque_nm": "torque_nm", "curve_boost_kpa": "boost_psi",
    }  # fmt: skip


def test_boost_without_side_is_the_boosted_curves():
    made = sides_of("sweep", "build", "rpm", "baseline_power_kw", "boosted_power_kw", "boost_psi")
    assert "curve_boost_kpa" not in made["baseline", None]
    assert made["boosted", None]["curve_boost_kpa"] == "boost_psi"


def test_before_and_after_come_first():
    made = list(sides_of("sweep", "rpm", "8 psi kW", "Run 9 kW", "after kW", "before kW", "6 psi kW"))
    assert made == [("before", None), ("after", None), ("level", 8.0), ("level", 6.0), ("curve run 9", None)]
