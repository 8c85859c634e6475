"""Which points form one curve: names, words stated once, pulls that stand under one another."""

from __future__ import annotations

import polars as pl

from pipeline.curve_groups import group_points

SPEEDS = [3000.0, 4000.0, 5000.0, 6000.0, 7000.0]


def grouped(rpm, **columns):
    frame = pl.DataFrame({"line": range(2, len(rpm) + 2), "number": [1] * len(rpm), "rpm": rpm, **columns})
    made = group_points(frame).sort("line")
    return made["curve"].to_list(), made


def test_named_runs_are_curves_wherever_their_lines_stand():
    curves, _ = grouped(SPEEDS * 2, build=["A"] * 10, run=["x", "y"] * 5)
    assert curves == [0, 1] * 5


def test_a_word_stated_once_holds_below_and_splits_nothing():
    curves, _ = grouped(SPEEDS, build=["A"] * 5, run=["x"] * 5, fuel=["petrol", None, None, None, None])
    assert curves == [0] * 5


def test_words_that_differ_tell_curves_of_one_name_apart_carried_down():
    curves, _ = grouped(SPEEDS * 2, build=["A"] * 10, fuel=["petrol", *[None] * 4, "methanol", *[None] * 4], run=["x"] * 10)
    assert curves == [0] * 5 + [1] * 5


def test_remarks_tell_nothing_apart():
    curves, _ = grouped(SPEEDS, build=["A"] * 5, run=["x"] * 5, note=["a", "b", None, "c", "d"])
    assert curves == [0] * 5


def test_unnamed_pulls_begin_where_speed_falls_back():
    curves, made = grouped(SPEEDS * 3, build=["A"] * 15)
    assert curves == [0] * 5 + [1] * 5 + [2] * 5
    assert made["pull_order"].to_list() == [1] * 5 + [2] * 5 + [3] * 5
    down, _ = grouped(SPEEDS[::-1] * 2, build=["A"] * 10)
    assert down == [0] * 5 + [1] * 5


def test_pulls_of_a_named_run_stay_one_curve_and_are_counted():
    curves, made = grouped(SPEEDS * 3, build=["A"] * 15, run=["x"] * 15)
    assert curves == [0] * 15
    assert made["passes"].unique().to_list() == [3]


def test_one_misprinted_speed_begins_no_pull():
    curves, _ = grouped([3000.0, 4000.0, 500.0, 5000.0, 6000.0, 7000.0], build=["A"] * 6)
    assert curves == [0] * 6


def test_up_and_down_is_one_curve():
    curves, _ = grouped(SPEEDS + SPEEDS[::-1], build=["A"] * 10)
    assert curves == [0] * 10


def test_no_points():
    assert group_points(pl.DataFrame(schema={"line": pl.Int64, "number": pl.Int32, "rpm": pl.Float64})).is_empty()
