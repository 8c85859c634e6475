"""What a fit refuses, and which units it leaves out."""

import numpy as np
import polars as pl
import pytest

from models.fit_inputs import to_fit_input
from pipeline.errors import RequestProblem
from tests.models.fit_strategies import hand_frames

GOOD = ("P", [100.0], [(50.0, 145.0)])


def test_units_without_one_kind_of_run_are_dropped_with_the_reason():
    runs, units = hand_frames(GOOD, ("P", [100.0], []), ("Q", [], [(50.0, 145.0)]), ("Q", [90.0], [(40.0, 120.0)]))
    ready = to_fit_input(runs, units, np.arange(8.0).reshape(4, 2))
    assert ready.units["unit"].to_list() == [0, 3]
    assert ready.runs["unit"].unique().sort().to_list() == [0, 1]
    assert ready.runs.filter(pl.col("unit") == 1)["power"].sort().to_list() == [90.0, 120.0]
    assert ready.design.tolist() == [[0.0, 1.0], [6.0, 7.0]]
    assert dict(ready.dropped.iter_rows()) == {1: "no boosted run", 2: "no unboosted run"}


def test_units_may_come_in_any_order():
    runs, units = hand_frames(GOOD, ("Q", [90.0], [(40.0, 120.0)]))
    assert to_fit_input(runs, units.reverse(), None).units["publisher"].to_list() == ["P", "Q"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r, u: (r.drop("power"), u), "no column power"),
        (lambda r, u: (r, u.drop("gauge_sd_kpa")), "no column gauge_sd_kpa"),
        (lambda r, u: (r.with_columns(power=pl.lit(0.0)), u), "power is 0.0"),
        (lambda r, u: (r.with_columns(power=pl.lit(float("nan"))), u), "power is nan"),
        (lambda r, u: (r.with_columns(ambient_kpa=pl.lit(None, dtype=pl.Float64)), u), "ambient_kpa is None"),
        (lambda r, u: (r.with_columns(boost_kpa=pl.lit(-3.0)), u), "boost_kpa is -3.0"),
        (lambda r, u: (r.with_columns(power_rel_sd=pl.lit(float("inf"))), u), "power_rel_sd is inf"),
        (lambda r, u: (r.with_columns(unit=pl.lit(9, dtype=pl.UInt32)), u), "outside 0 to 0"),
        (lambda r, u: (r, u.with_columns(unit=pl.lit(4, dtype=pl.UInt32))), "without a gap"),
        (lambda r, u: (r, u.with_columns(dyno_class=pl.lit("hub"))), "dyno_class is 'hub'"),
        (lambda r, u: (r, u.with_columns(publisher=pl.lit(None, dtype=pl.String))), "no publisher"),
    ],
)
def test_unusable_frames_are_refused_by_name(change, says):
    with pytest.raises(RequestProblem, match=says.replace("(", r"\(")):
        to_fit_input(*change(*hand_frames(GOOD)), None)


@pytest.mark.parametrize("design", [np.ones(1), np.ones((2, 1)), np.ones((1, 0)), np.array([[np.nan]])])
def test_a_design_that_does_not_fit_is_refused(design):
    with pytest.raises(RequestProblem, match="design"):
        to_fit_input(*hand_frames(GOOD), design)
