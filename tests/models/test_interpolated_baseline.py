"""Baseline read off the line through runs on both sides of ambient manifold pressure."""

from __future__ import annotations

import polars as pl
import pytest

from models.sample import choose_sample
from models.sample_options import SampleOptions

READ_OFF = SampleOptions(interpolated_baseline=True)


def add_line(clean, boosts, at_ambient=200.0, per_kpa=2.5, **row):
    for boost in boosts:
        role = "throttled" if boost < -10 else "baseline" if boost <= 3 else "boosted"
        clean.boosted(**{"role": role, "boost_kpa": boost, "power_kw": at_ambient + per_kpa * boost, **row})


def test_power_at_ambient_is_read_off_an_exact_line(clean, reason_of):
    add_line(clean, [-20.0, -15.0, 10.0, 20.0])
    top = clean.boosted(power_kw=380.0, boost_kpa=80.0)
    assert choose_sample(*clean.tables()).units.is_empty()  # no baseline in the main analysis
    sample = choose_sample(*clean.tables(), READ_OFF)
    base, boosted = sample.runs.iter_rows(named=True)
    assert base["power"] == pytest.approx(200.0, rel=1e-12)
    # leverage of zero: 1/4 + 1.25^2 / sum of squares about the mean
    x = [-20.0, -15.0, 10.0, 20.0]
    leverage = 1 / 4 + 1.25**2 / sum((b + 1.25) ** 2 for b in x)
    assert base["power_rel_sd"] == pytest.approx(0.015 * leverage**0.5)
    assert boosted["run_key"] == top
    assert set(reason_of(sample).values()) == {"interpolated"}
    counts = {s.step: s.count for s in sample.flow if not s.reason}
    assert counts == {"runs": 5, "runs analysed": 1, "builds analysed": 1}


def test_far_points_and_other_builds_do_not_enter(clean):
    add_line(clean, [-20.0, 20.0])
    add_line(clean, [-60.0], at_ambient=500.0)
    add_line(clean, [-22.0, 22.0], at_ambient=400.0, build_key="src|Pub|b")
    clean.boosted(boost_kpa=80.0), clean.boosted("src|Pub|b", boost_kpa=80.0)
    units = choose_sample(*clean.tables(), READ_OFF).units
    assert dict(units.select("build", "na_power_kw").iter_rows()) == {"a": pytest.approx(200.0), "b": pytest.approx(400.0)}


def test_points_on_one_side_only_change_nothing(clean):
    clean.baseline(boost_kpa=-5.0), clean.boosted(boost_kpa=60.0)
    one, two = choose_sample(*clean.tables()), choose_sample(*clean.tables(), READ_OFF)
    assert one.runs.equals(two.runs)


def test_a_baseline_at_ambient_is_kept_as_it_is(clean):
    clean.baseline(boost_kpa=0.0, power_kw=207.0)
    add_line(clean, [-20.0, 20.0])
    sample = choose_sample(*clean.tables(), READ_OFF)
    assert sample.runs.filter(pl.col("boost_kpa") == 0)["power"].to_list() == [207.0]


def test_runs_of_two_standards_make_no_common_line(clean):
    add_line(clean, [-20.0], correction="sae_j607"), add_line(clean, [20.0], correction="sae_j1349")
    clean.boosted(boost_kpa=80.0)
    assert choose_sample(*clean.tables(), READ_OFF).units.is_empty()


def test_a_line_that_would_use_up_every_boosted_run_is_not_drawn(clean):
    clean.baseline(boost_kpa=-5.0, power_kw=195.0), clean.boosted(boost_kpa=20.0, power_kw=240.0)
    one, two = choose_sample(*clean.tables()), choose_sample(*clean.tables(), READ_OFF)
    assert one.units.height == 1
    assert one.runs.equals(two.runs)
