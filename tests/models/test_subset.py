"""A part of the data: which runs stay, what the flow says, and tests that a left-out source alone had counted."""

from __future__ import annotations

import polars as pl
import pytest

from models.subset import Subset, take_subset
from pipeline.errors import RequestProblem


@pytest.fixture
def tables(clean):
    for source, hardware in (("one", "compressor_removed"), ("two", "fitted_bypassed")):
        key = f"{source}|{source}|a"
        clean.build("a", publisher=source, source=source, displacement_cc=2000.0 if source == "one" else 3000.0)
        clean.baseline(key, power_kw=150.0 if source == "one" else 250.0, baseline_hardware=hardware)
        clean.boosted(key, boost_kpa=40.0, fuel="petrol"), clean.boosted(key, boost_kpa=80.0, fuel="ethanol_blend")
    runs, builds = clean.tables()
    sources = pl.DataFrame({"source": ["one", "two"], "medium": ["magazine", "forum"]})
    return {"run": runs, "build": builds, "source": sources}


def kept(tables, **asked):
    part, steps = take_subset(tables, Subset(**asked))
    return part["run"].select("source", "role", "boost_kpa").sort("source", "boost_kpa").rows(), steps


def test_baselines_stay_and_boosted_runs_must_meet_the_condition(tables):
    rows, (step,) = kept(tables, where="fuel = ethanol_blend")
    assert rows == [(s, r, b) for s in ("one", "two") for r, b in (("baseline", 0.0), ("boosted", 80.0))]
    assert (step.count, step.reason) == (2, "The run does not meet: fuel = ethanol_blend.")


@pytest.mark.parametrize(
    "where",
    [
        "displacement_cc < 2.5L",  # of the build
        "na_power_kw < 200kW",  # of its baselines
        "baseline_hardware = compressor_removed",  # stands on the baseline row only
        "medium = magazine",  # of the source
        "source = one",
    ],
)
def test_facts_of_build_baseline_and_source_can_be_asked(tables, where):
    rows, (step,) = kept(tables, where=where)
    assert step.count == 2
    assert [source for source, role, _ in rows if role == "boosted"] == ["one", "one"]


def test_a_source_can_be_left_out(tables):
    rows, (step,) = kept(tables, drop_sources=("two",))
    assert {source for source, _, _ in rows} == {"one"} and step.count == 3
    with pytest.raises(RequestProblem, match="'tow'.*two"):
        take_subset(tables, Subset(drop_sources=("tow",)))


def test_everything_is_everything(tables):
    part, steps = take_subset(tables, Subset())
    assert steps == () and part["run"].equals(tables["run"]) and Subset().is_everything and Subset().sentence == ""
    assert "runs where fuel = petrol; without two" in Subset("fuel = petrol", ("two",)).sentence


def test_a_test_that_only_a_left_out_source_counted_is_counted_where_it_was_printed_again(make_clean):
    made = make_clean()
    made.baseline("first|F|a"), made.boosted("first|F|a")
    for source in ("again", "later"):
        made.build("a", publisher=source, source=source, same_test_as="first|F|a")
        made.baseline(f"{source}|{source}|a", is_repeat=True), made.boosted(f"{source}|{source}|a", is_repeat=True)
    runs, builds = made.tables()
    sources = pl.DataFrame({"source": ["first", "again", "later"]})
    part, _ = take_subset({"run": runs, "build": builds, "source": sources}, Subset(drop_sources=("first",)))
    assert dict(part["build"].select("source", "same_test_as").iter_rows()) == {"again": None, "later": "again|again|a"}
    repeats = part["run"].group_by("source").agg(pl.col("is_repeat").any()).sort("source").rows()
    assert repeats == [("again", False), ("later", True)]
