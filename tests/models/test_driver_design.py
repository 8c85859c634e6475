"""Levels that can be compared, complete cases, and drivers that follow one another: named, never a wild number."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.outliers_influence import variance_inflation_factor

from models.driver_columns import NOT_STATED, Driver
from models.driver_design import (
    OTHER,
    collinearity_of,
    condition_number,
    driver_why,
    levels_of,
    make_design,
)
from models.driver_model import joint_design

COLOUR = Driver("colour", "Colour", "code", "red")
SHAPE = Driver("shape", "Shape", "code", "round")
SIZE = Driver("size", "Size", "number", step=2.0, least_sd=0.01)
POWER = Driver("power", "Power", "number", step=2.0, by_doubling=True)


def table(publishers: int = 4, **columns: list) -> pl.DataFrame:
    n = len(next(iter(columns.values())))
    return pl.DataFrame({"unit": range(n), "publisher": [f"P{i % publishers}" for i in range(n)], **columns})


def spread(counts: dict[str | None, int]) -> list[str | None]:
    return [level for level, count in counts.items() for _ in range(count)]


def test_reference_first_then_by_builds_then_not_stated():
    levels = levels_of(COLOUR, table(colour=spread({"red": 6, "blue": 9, None: 30, "green": 8})))
    assert [(one.level, one.builds) for one in levels] == [("red", 6), ("blue", 9), ("green", 8), (NOT_STATED, 30)]


def test_commonest_level_stands_in_for_a_thin_reference():
    levels = levels_of(COLOUR, table(colour=spread({"red": 4, "blue": 9, None: 30, "green": 10})))
    assert [one.level for one in levels] == ["green", "blue", "red", NOT_STATED]
    assert [one.is_compared for one in levels] == [True, True, False, True]


def test_a_level_of_one_publisher_is_not_compared():
    frame = pl.DataFrame({"publisher": ["A"] * 9 + ["B", "C"] * 5, "colour": ["blue"] * 9 + ["red"] * 10})
    assert {one.level: one.is_compared for one in levels_of(COLOUR, frame)} == {"red": True, "blue": False}


@pytest.mark.parametrize(
    ("cells", "why"),
    [
        ([None] * 20, "No build states it."),
        (["red"] * 20, "All builds are alike: red."),
        (["red"] * 20 + ["blue"] * 4, "Fewer than two levels have 5 builds of 2 publishers."),
        (["red"] * 4 + [None] * 20, "Fewer than two levels have 5 builds of 2 publishers."),
        (["red"] * 8 + [None] * 8, None),
    ],
)
def test_why_a_code_is_not_answered(cells, why):
    assert driver_why(COLOUR, table(colour=pl.Series(cells, dtype=pl.String))) == why


@pytest.mark.parametrize(
    ("cells", "why"),
    [
        ([None] * 9, "No build states it."),
        ([1.0, 2.0, 3.0, 4.0], "4 builds of 4 publishers: a level needs 5 builds of 2 publishers."),
        ([3.0] * 9, "These engines are too alike in it to tell what it does."),
        ([3.0, 3.001] * 9, "These engines are too alike in it to tell what it does."),
        ([1.0, 2.0, 3.0] * 3, None),
    ],
)
def test_why_a_number_is_not_answered(cells, why):
    assert driver_why(SIZE, table(size=pl.Series(cells, dtype=pl.Float64))) == why


def test_columns_are_levels_against_the_reference_and_steps_and_are_centred():
    frame = table(colour=["red", "blue"] * 10, size=[float(i) for i in range(20)], power=[100.0, 200.0] * 10)
    design = make_design((COLOUR, SIZE, POWER), frame)
    assert [(c.driver, c.level, c.against) for c in design.columns] == [
        ("colour", "blue", "red"), ("size", "+2", "no step"), ("power", "doubled", "no step")
    ]  # fmt: skip
    assert design.keep.all()
    assert design.matrix[:, 0].tolist() == [1.0] * 20
    assert design.matrix[:, 1:].mean(axis=0) == pytest.approx(0, abs=1e-12)
    assert np.ptp(design.matrix[:, 1:], axis=0).tolist() == pytest.approx([1.0, 9.5, 1.0])


def test_incomplete_numbers_leave_and_missing_codes_stay():
    frame = table(colour=["red", "blue", None] * 10, size=[None if i % 5 == 0 else float(i) for i in range(30)])
    design = make_design((COLOUR, SIZE), frame)
    assert design.keep.sum() == 24
    assert [c.level for c in design.columns if c.driver == "colour"] == ["blue", NOT_STATED]
    assert len(design.matrix) == 24


def test_thin_levels_are_pooled_or_leave():
    pooled = make_design((COLOUR,), table(colour=spread({"red": 9, "blue": 9, "grey": 3, "pink": 4})))
    assert [c.level for c in pooled.columns] == ["blue", OTHER]
    assert pooled.keep.all()
    gone = make_design((COLOUR,), table(colour=spread({"red": 9, "blue": 9, "grey": 3})))
    assert [c.level for c in gone.columns] == ["blue"]
    assert gone.keep.sum() == 18


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(["red", "blue", "green", None]), min_size=1, max_size=60), st.integers(1, 5))
def test_every_level_in_a_design_has_enough_builds(cells, publishers):
    frame = table(publishers, colour=pl.Series(cells, dtype=pl.String))
    design = make_design((COLOUR,), frame)
    assert len(design.matrix) == design.keep.sum()
    kept = frame.filter(pl.Series(design.keep)).with_columns(pl.col("colour").fill_null(NOT_STATED))
    for column in design.columns:
        if column.level != OTHER:
            assert kept.filter(pl.col("colour") == column.level).height >= 5
            assert kept.filter(pl.col("colour") == column.level)["publisher"].n_unique() >= 2
    assert np.linalg.matrix_rank(design.matrix) == min(len(design.columns) + 1, len(design.matrix))


# --- collinearity -------------------------------------------------------------------------------------------------------


def two_numbers(noise: float) -> pl.DataFrame:
    draw = np.random.default_rng(7)
    size = draw.normal(size=80)
    return table(size=(size + 10).tolist(), power=np.exp2(size + noise * draw.normal(size=80)).tolist())


def test_variance_inflation_of_two_numbers_is_that_of_their_correlation():
    design = make_design((SIZE, POWER), two_numbers(0.5))
    r = np.corrcoef(design.matrix[:, 1], design.matrix[:, 2])[0, 1]
    for row in collinearity_of(design):
        assert row.vif == pytest.approx(1 / (1 - r**2))
        assert row.driver_vif == pytest.approx(1 / (1 - r**2))
        assert row.goes_with is None
    assert collinearity_of(design)[0].vif == pytest.approx(variance_inflation_factor(design.matrix, 1))


def test_numbers_that_nearly_agree_name_one_another():
    rows = collinearity_of(make_design((SIZE, POWER), two_numbers(0.1)))
    assert [(row.name, row.goes_with) for row in rows] == [("size", "power"), ("power", "size")]


def test_a_rare_reference_is_no_collinearity():
    """Five builds at the reference make the other levels' own columns nearly opposite, yet nothing hides their contrast."""
    colour = spread({"red": 5, "blue": 100, "green": 100})
    rows = collinearity_of(make_design((COLOUR, SIZE), table(colour=colour, size=[float(i * 7 % 11) for i in range(205)])))
    assert rows[0].vif > 10
    assert rows[0].driver_vif < 1.2
    assert all(row.goes_with is None for row in rows)


def test_a_level_hidden_in_a_sum_of_levels_is_found():
    """Blue and green together are the square builds: no one column shows it."""
    colour = spread({"red": 20, "blue": 20, "green": 20})
    shape = spread({"round": 20, "square": 40})
    rows = collinearity_of(make_design((COLOUR, SHAPE), table(colour=colour, shape=shape)))
    assert {row.name: row.goes_with for row in rows} == {"colour": "shape", "shape": "colour"}
    assert all(row.driver_vif is None for row in rows)
    assert condition_number(make_design((COLOUR, SHAPE), table(colour=colour, shape=shape)).matrix) is None


def test_condition_number_of_uncorrelated_columns_is_one():
    frame = table(colour=["red", "red", "blue", "blue"] * 10, shape=["round", "square"] * 20)
    assert condition_number(make_design((COLOUR, SHAPE), frame).matrix) == pytest.approx(1)


# --- the joint model ----------------------------------------------------------------------------------------------------


def test_of_two_drivers_that_agree_the_later_goes_and_both_are_named():
    frame = table(colour=["red", "blue"] * 40, shape=["round", "square"] * 40, size=[float(i % 9) for i in range(80)])
    joint = joint_design((COLOUR, SHAPE, SIZE), frame)
    assert [d.name for d in joint.drivers] == ["colour", "size"]
    assert joint.left_out == {"shape": "It goes together with colour in these builds."}
    assert joint.untold == {"colour": "shape", "shape": "colour"}


def test_a_number_that_few_state_stays_out_of_the_joint_model():
    size = [float(i % 7) if i < 60 else None for i in range(100)]
    joint = joint_design((COLOUR, SIZE), table(colour=["red", "blue"] * 50, size=size))
    assert [d.name for d in joint.drivers] == ["colour"]
    assert joint.left_out == {"size": "Only 60 of 100 builds state it; the joint model would lose the rest."}
    assert joint.design.keep.all()


def test_the_last_drivers_go_until_there_are_builds_enough():
    draw = np.random.default_rng(3)
    frame = table(colour=draw.choice(["red", "blue"], 20).tolist(), size=draw.normal(size=20).tolist())
    joint = joint_design((COLOUR, SIZE), frame)
    assert [d.name for d in joint.drivers] == ["colour"]
    assert joint.left_out == {"size": "With it the joint model would need 24 builds and has 20."}


def test_nothing_usable_is_no_model():
    joint = joint_design((COLOUR, SIZE), table(colour=["red"] * 9, size=[None] * 9))
    assert joint.design is None
    assert set(joint.left_out) == {"colour", "size"}
    assert joint_design((), table(colour=["red"])).design is None
