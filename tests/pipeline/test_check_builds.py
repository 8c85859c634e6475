"""The checks over the rows of one build: planted mistakes are found on their rows, honest builds raise nothing."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import complete
from pipeline.check_builds import find_build_failures
from pipeline.values import typed_schema

AMBIENT = st.floats(80, 104)
WORTH = st.floats(0.75, 1.05)
BASE = st.floats(60, 400)
BOOSTS = st.lists(st.floats(30, 120), min_size=1, max_size=3, unique=True).map(sorted)


def runs(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Typed, completed rows; everything not given is missing."""
    schema = typed_schema()
    frame = pl.DataFrame({"line": range(2, len(rows) + 2)}).with_columns(
        pl.Series(name, [row.get(name) for row in rows], dtype=dtype) for name, dtype in schema.items()
    )
    frame = frame.with_columns(number=pl.lit(1, pl.Int32), side=pl.lit(""), build=pl.col("build").fill_null("b"))
    return complete.complete(complete.add_names(frame, "s", "p", "f.csv", "runs"))


def build(base: float, worth: float, ambient: float, boosts: list[float]) -> list[dict[str, object]]:
    """A build that follows the rule at a share `worth`: its baseline, then a run a boost."""
    return [
        {"power_kw": base * (1 + worth * b / ambient), "boost_kpa": b, "ambient_kpa": ambient, "note": f"pull {i}"}
        for i, b in enumerate([0.0, *boosts])
    ]


def codes(rows: list[dict[str, object]]) -> dict[int, set[str]]:
    told: dict[int, set[str]] = {}
    for line, code in find_build_failures(runs(rows)).select("line", "code").iter_rows():
        told.setdefault(line, set()).add(code)
    return told


def every(told: dict[int, set[str]]) -> set[str]:
    return set().union(*told.values())


@given(base=BASE, worth=WORTH, ambient=AMBIENT, boosts=BOOSTS)
@settings(max_examples=10, deadline=None)
def test_a_build_that_follows_the_rule_raises_nothing(base, worth, ambient, boosts):
    assert codes(build(base, worth, ambient, boosts)) == {}


@given(base=BASE, worth=WORTH, ambient=AMBIENT, boosts=BOOSTS, share=st.floats(0.5, 0.99))
@settings(max_examples=8, deadline=None)
def test_boosted_below_baseline(base, worth, ambient, boosts, share):
    rows = build(base, worth, ambient, boosts)
    rows[1]["power_kw"] = base * share
    found = codes(rows)
    # A boost just above the air pressure also looks absolute; that is another matter.
    assert (
        set(found) == {3}
        and "boosted_below_baseline" in found[3]
        and found[3] <= {"boosted_below_baseline", "boost_looks_absolute"}
    )


@given(
    base=BASE,
    worth=st.floats(0.84, 1.0),
    ambient=AMBIENT,
    boosts=BOOSTS,
    factor=st.sampled_from([100 / 6.894757, 6.894757, 6.894757 / 100]),
)
@settings(max_examples=8, deadline=None)
def test_boost_in_the_wrong_unit_is_flagged_with_the_likely_slip(base, worth, ambient, boosts, factor):
    rows = build(base, worth, ambient, boosts)
    for row in rows[1:]:
        row["boost_kpa"] = row["boost_kpa"] * factor
    told = codes(rows)
    assert set(told) == set(range(3, len(rows) + 2)) or "baselines_disagree" in every(told)
    assert every(told) <= {"gain_far_from_rule", "baselines_disagree", "boost_looks_absolute"}
    if factor > 10:
        values = find_build_failures(runs(rows)).filter(pl.col("code") == "gain_far_from_rule")["value"]
        assert all("psi read as bar" in value for value in values)


@given(base=BASE, worth=st.floats(0.8, 1.0), ambient=AMBIENT, boosts=BOOSTS, with_base=st.booleans())
@settings(max_examples=10, deadline=None)
def test_absolute_boost_is_named(base, worth, ambient, boosts, with_base):
    rows = build(base, worth, ambient, boosts)
    for row in rows if with_base else rows[1:]:
        row["boost_kpa"] = row["boost_kpa"] + ambient
    told = every(codes(rows))
    # beyond an atmosphere the air that was added is the smaller part: such a figure may be the engine's own
    if max(boosts) < ambient:
        assert "boost_looks_absolute" in told


@given(base=BASE, worth=WORTH, ambient=AMBIENT, boosts=BOOSTS)
@settings(max_examples=8, deadline=None)
def test_boost_that_repeats_the_manifold_pressure_is_taken_from_it(base, worth, ambient, boosts):
    rows = build(base, worth, ambient, boosts)
    for row in rows:
        row["manifold_kpa"] = row["boost_kpa"] + ambient
        row["boost_kpa"] = row["manifold_kpa"]
    assert runs(rows)["boost_kpa"].to_list() == pytest.approx([0.0, *boosts], abs=1e-9)
    assert codes(rows) == {}


@given(base=BASE, worth=WORTH, ambient=AMBIENT, boosts=BOOSTS)
@settings(max_examples=8, deadline=None)
def test_true_gauge_boost_beside_manifold_pressure_stays(base, worth, ambient, boosts):
    rows = build(base, worth, ambient, boosts)
    for row in rows:
        row["manifold_kpa"] = row["boost_kpa"] + ambient + 0.5
    assert runs(rows)["boost_kpa"].to_list() == pytest.approx([0.0, *boosts], abs=1e-9)


@given(
    base=BASE, worth=WORTH, ambient=AMBIENT, boosts=st.lists(st.floats(30, 60), min_size=1, max_size=3, unique=True).map(sorted)
)
@settings(max_examples=8, deadline=None)
def test_gauge_under_a_manifold_header_is_named(base, worth, ambient, boosts):
    rows = build(base, worth, ambient, boosts)
    for row in rows:
        row["manifold_kpa"] = row.pop("boost_kpa") or 1.0
    told = codes(rows)
    assert all("manifold_looks_gauge" in told[line] for line in range(3, len(rows) + 2))


@given(base=BASE, share=st.floats(0.8, 1.4))
@settings(max_examples=10, deadline=None)
def test_baselines_of_one_build_agree(base, share):
    rows = [{"power_kw": base, "boost_kpa": 0.0, "note": "a"}, {"power_kw": base * share, "boost_kpa": 0.0, "note": "b"}]
    ratio = max(share, 1 / share)
    if abs(ratio - 1.1) > 1e-6:
        assert ("baselines_disagree" in every(codes(rows))) is (ratio > 1.1)


@given(moved=st.floats(0, 1500), base=st.floats(4000, 7000))
@settings(max_examples=8, deadline=None)
def test_a_power_peak_that_moved_is_flagged(moved, base):
    rows = build(200, 0.9, 100, [50.0])
    rows[0]["power_rpm"], rows[1]["power_rpm"] = base, base + moved
    assert ("peak_rpm_moved" in every(codes(rows))) is (base + moved - base > 500)


def test_wheel_baseline_is_not_set_against_a_crank_run():
    rows = build(200, 0.9, 100, [50.0])
    rows[0] |= {"measured_at": "crank", "power_kw": 320.0}
    rows[1]["measured_at"] = "wheel"
    assert codes(rows) == {}


def test_baseline_of_another_build_serves_where_it_is_named():
    rows = build(200, 0.9, 100, [50.0])
    rows[0]["build"], rows[1]["build"], rows[1]["baseline_build"] = "stock", "turbo", "stock"
    rows[1]["boost_kpa"] = 345.0
    assert codes(rows) == {3: {"gain_far_from_rule"}}


@given(times=st.integers(1, 4), place=st.integers(0, 2))
@settings(max_examples=8, deadline=None)
def test_a_row_pasted_twice_is_named_with_the_first(times, place):
    rows = build(200, 0.9, 100, [40.0, 60.0])
    pasted = [*rows, *([rows[place]] * times)]
    failures = find_build_failures(runs(pasted)).filter(pl.col("code") == "row_twice")
    assert failures["line"].to_list() == list(range(5, 5 + times))
    assert set(failures["value"]) == {str(place + 2)}


def test_two_pulls_with_their_own_number_are_two_pulls():
    rows = [{"power_kw": 200.0, "boost_kpa": 0.0, "pull_order": n} for n in (1, 2)]
    assert codes(rows) == {}


SAID = st.lists(st.sampled_from([1998.0, 2002.0, 2400.0]), min_size=2, max_size=6)


@given(said=SAID)
@settings(max_examples=20, deadline=None)
def test_the_description_of_the_majority_stands(said):
    """1998 and 2002 cc are one engine as printed; 2400 is another."""
    rows = [{"power_kw": 100.0, "boost_kpa": 0.0, "displacement_cc": value, "note": str(i)} for i, value in enumerate(said)]
    told = {line for line, found in codes(rows).items() if "build_described_twice" in found}
    large = [i + 2 for i, value in enumerate(said) if value == 2400.0]
    small = [i + 2 for i, value in enumerate(said) if value != 2400.0]
    if not large or not small:
        assert told == set()
    elif len(large) == len(small):
        assert told == {*large, *small}
    else:
        assert set(min(large, small, key=len)) <= told
        if len(small) > len(large):
            assert told == set(large)


def test_names_differ_by_more_than_case():
    rows = [
        {"power_kw": 100.0, "boost_kpa": 0.0, "engine_family": name, "note": name}
        for name in ("Alder", "ALDER", "alder", "Birch")
    ]
    assert codes(rows) == {5: {"build_described_twice"}}
