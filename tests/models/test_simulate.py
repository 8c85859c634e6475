"""The simulators give what their stated truth says, in the columns of the clean tables."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.simulate import simulate_study
from models.simulate_changes import ChangeTruth, boost_at_held_setting, gain_under_boost, na_gain, simulate_changes
from models.simulate_truth import (
    COMMON_CLASSES,
    HIGH_SITE_KPA,
    MISTAKES,
    ONE_CLASS,
    PSI_KPA,
    REFERENCE_BOOST_RATIO,
    Truth,
    class_moments,
    power_multiple,
)
from models.simulate_worlds import WORLDS, world
from pipeline.fields import fields_of

EXACT = replace(
    Truth(), power_rel_sd=0.0, boost_sd_kpa=0.0, gauge_sd_kpa=0.0, session_rel_sd=0.0, builds=300
)  # a study without any error of measurement


@given(s=st.floats(0.3, 1.5), q=st.floats(-0.3, 0.3))
def test_power_multiple_is_one_at_no_boost_and_on_the_rule_ratio_at_the_reference_boost(s, q):
    assert power_multiple(s, q, 0.0) == 1.0
    gain = power_multiple(s, q, REFERENCE_BOOST_RATIO) - 1
    assert gain / REFERENCE_BOOST_RATIO == pytest.approx(s)


@given(s=st.floats(0.5, 1.2), q=st.floats(-0.15, 0.15), x=st.floats(0.1, 1.7))
def test_curvature_below_zero_makes_later_boost_worth_less(s, q, x):
    step = 1e-3
    early = power_multiple(s, q, step) - power_multiple(s, q, 0.0)
    late = power_multiple(s, q, x + step) - power_multiple(s, q, x)
    assert late - early == pytest.approx(2 * q * x * step, rel=1e-6, abs=1e-9)


def joined(study):
    return study.runs.join(study.build_truth, on="build_key")


def test_without_errors_every_run_follows_its_builds_own_truth():
    runs = joined(simulate_study(EXACT, 5)).filter(pl.col("role") == "boosted")
    x = runs["boost_kpa"] / runs["ambient_kpa"]
    expected = runs["true_power_kw"] * power_multiple(runs["true_rule_ratio"], runs["true_curvature"], x)
    assert (runs["power_kw"] / expected - 1).abs().max() < 1e-12
    baselines = joined(simulate_study(EXACT, 5)).filter(pl.col("role") == "baseline")
    assert (baselines["power_kw"] / baselines["true_power_kw"] - 1).abs().max() < 1e-12


def test_the_same_seed_gives_the_same_study_and_another_seed_another():
    first, again, other = (simulate_study(WORLDS["base"], seed) for seed in (3, 3, 4))
    for table in ("sources", "builds", "runs", "build_truth"):
        assert getattr(first, table).equals(getattr(again, table))
    assert not first.runs.equals(other.runs)


def test_columns_are_those_of_the_clean_tables():
    study = simulate_study(WORLDS["base"], 1)
    assert {f.name for f in fields_of("run")} <= set(study.runs.columns)
    assert {f.name for f in fields_of("build")} | {"build_key", "source", "same_test_as"} == set(study.builds.columns)
    assert [f.name for f in fields_of("source")] == study.sources.columns
    added = {
        "run_key", "build_key", "source", "publisher", "file", "line", "role", "ambient_used_kpa", "ambient_basis",
        "power_step_kw",
        "boost_step_kpa", "correction_factor", "baseline_build_key", "extra", "is_repeat",
    }  # fmt: skip
    assert added == set(study.runs.columns) - {f.name for f in fields_of("run")}
    types = {"number": pl.Float64, "integer": pl.Int64, "text": pl.String, "code": pl.String, "date": pl.Date, "flag": pl.Boolean}
    for field in fields_of("run"):
        assert study.runs.schema[field.name] == types[field.kind], field.name
        if field.codes:
            assert set(study.runs[field.name].drop_nulls()) <= set(field.codes), field.name
    numbers = study.runs.select(pl.col(pl.Float64)).select(pl.all().is_nan().any())
    assert not any(numbers.row(0))


def test_keys_are_unique_and_every_build_has_a_baseline_and_a_boosted_run():
    study = simulate_study(WORLDS["base"], 2)
    assert study.runs["run_key"].is_unique().all()
    assert study.builds["build_key"].is_unique().all()
    assert set(study.runs["source"]) == set(study.sources["source"])
    roles = study.runs.group_by("build_key").agg(pl.col("role").unique().sort())
    assert roles.height == study.builds.height == 100
    assert set(map(tuple, roles["role"])) == {("baseline", "boosted")}
    baselines = study.runs.filter(pl.col("role") == "baseline")
    assert (baselines["boost_kpa"] == 0).all()
    assert (baselines["induction"] == "none").all()
    assert study.runs.filter(pl.col("role") == "boosted")["boost_kpa"].min() > 0


def test_mean_and_spread_of_many_builds_are_those_of_the_truth():
    study = simulate_study(world("many_small_publishers"), 7)
    truth, ratios = study.truth, study.build_truth["true_rule_ratio"]
    assert ratios.mean() == pytest.approx(truth.rule_ratio, abs=0.004)
    assert ratios.std() == pytest.approx(truth.between_builds_sd, rel=0.03)
    assert study.build_truth["true_curvature"].mean() == pytest.approx(truth.curvature, abs=0.001)
    assert study.build_truth["publisher_effect"].unique().std() == pytest.approx(truth.publisher_sd, rel=0.06)
    kinds = study.runs.filter(pl.col("role") == "boosted").unique("build_key").join(study.build_truth, on="build_key")
    means = dict(kinds.group_by("charge_cooling").agg(pl.col("true_rule_ratio").mean()).iter_rows())
    effects = {code: row[1] for code, row in COMMON_CLASSES["charge_cooling"].items()}
    assert means["none"] - means["air_to_air"] == pytest.approx(effects["none"] - effects["air_to_air"], abs=0.008)


def test_errors_of_measurement_have_their_stated_size():
    truth = replace(Truth(), builds=6000, classes=ONE_CLASS, session_rel_sd=0.0)
    baselines = joined(simulate_study(truth, 8)).filter(pl.col("role") == "baseline")
    assert (baselines["power_kw"] / baselines["true_power_kw"]).log().std() == pytest.approx(0.015, rel=0.05)


def test_class_moments_of_a_hand_made_table():
    mean, variance = class_moments({"a": (3.0, 0.0), "b": (1.0, 0.4)})
    assert mean == pytest.approx(0.1)
    assert variance == pytest.approx(0.03)


@pytest.mark.parametrize("name", [name for name in WORLDS if name != "many_small_publishers"])
def test_every_world_draws_a_sound_study(name):
    study = simulate_study(world(name), 11)
    assert study.builds.height == WORLDS[name].builds
    assert study.runs["power_kw"].min() > 0
    assert study.runs["publisher"].n_unique() <= WORLDS[name].publishers


def test_worlds_differ_from_the_base_in_what_they_are_named_for():
    assert simulate_study(world("few_publishers"), 1).runs["publisher"].n_unique() <= 6
    spread = simulate_study(world("engines_alike"), 1).build_truth["true_power_kw"].log().std()
    assert spread == pytest.approx(0.08, rel=0.25)
    one = simulate_study(world("one_boost_each"), 1).runs.filter(pl.col("role") == "boosted")
    assert one["build_key"].is_unique().all()
    homogeneous = simulate_study(world("homogeneous", 4000), 1)
    assert homogeneous.build_truth["true_rule_ratio"].std() == pytest.approx(0.055, rel=0.05)
    assert homogeneous.build_truth["publisher_effect"].abs().max() == 0
    true_rule = simulate_study(world("rule_true", 4000), 1).build_truth["true_rule_ratio"]
    assert true_rule.mean() == pytest.approx(1.0, abs=0.02)


def boost_and_ratio(name):
    study = simulate_study(world(name, 4000), 3)
    top = joined(study).filter(pl.col("role") == "boosted").group_by("build_key").agg(pl.col("boost_kpa").max().log())
    both = top.join(study.build_truth, on="build_key")
    return np.corrcoef(both["boost_kpa"], both["true_rule_ratio"])[0, 1]


def test_boost_follows_yield_only_in_its_own_world():
    assert abs(boost_and_ratio("base")) < 0.06
    assert boost_and_ratio("boost_follows_yield") > 0.4


def test_heavy_tails_have_more_far_builds_at_the_same_spread():
    heavy = simulate_study(world("heavy_tails", 20_000), 3).build_truth["true_rule_ratio"]
    assert heavy.std() == pytest.approx(WORLDS["heavy_tails"].between_builds_sd, rel=0.1)
    assert heavy.kurtosis() > 1.0


def test_yield_falls_with_power_where_the_elasticity_says_so():
    truth = simulate_study(world("yield_falls_with_power", 20_000), 3).build_truth
    slope = np.polyfit(truth["true_power_kw"].log(), truth["true_rule_ratio"] / truth["true_rule_ratio"].mean(), 1)[0]
    assert 1 + slope == pytest.approx(0.9, abs=0.01)


def test_contaminated_records_show_each_mistake():
    exact = replace(EXACT, contaminated=0.5, builds=2000, classes=ONE_CLASS, extra_runs=3.0, curvature_sd=0.0)
    study = simulate_study(exact, 9)
    runs = joined(study).filter(pl.col("role") == "boosted").with_columns(x=pl.col("boost_kpa") / pl.col("ambient_kpa"))
    expected = power_multiple(runs["true_rule_ratio"], runs["true_curvature"], runs["x"])
    runs = runs.with_columns(off=runs["power_kw"] / runs["true_power_kw"] / expected)
    share = study.build_truth["mistake"].is_not_null().mean()
    assert share == pytest.approx(0.5, abs=0.04)
    assert set(study.build_truth["mistake"].drop_nulls()) == set(MISTAKES)
    off = dict(runs.group_by("mistake").agg(pl.col("off").mean()).iter_rows())
    assert off[None] == pytest.approx(1.0, abs=1e-9)
    assert off["wheel_boosted"] == pytest.approx(0.85, abs=1e-9)
    assert off["out_of_breath"] < 0.97
    assert off["altitude_ignored"] > 1.05
    misread = runs.filter(pl.col("mistake") == "boost_misread").with_columns(lean=pl.col("off") > 1)
    assert set(misread["lean"]) == {True, False}
    hidden = study.runs.join(study.build_truth.filter(pl.col("mistake") == "altitude_ignored"), on="build_key")
    assert (hidden["ambient_kpa"] == 101.325).all()


def test_high_sites_have_the_pressure_of_their_height():
    runs = simulate_study(replace(Truth(), high_site_share=1.0), 1).runs
    assert runs["ambient_kpa"].mean() == pytest.approx(HIGH_SITE_KPA, abs=0.4)


# Changes.

CLEAN_CHANGES = replace(ChangeTruth(), pull_rel_sd=0.0, engines=400, engine_rel_sd=0.0)


def pairs_of(simulated):
    power = simulated.runs.select("run_key", "power_kw", "boost_kpa")
    return (
        simulated.changes.join(power, left_on="before_run_key", right_on="run_key")
        .join(power, left_on="after_run_key", right_on="run_key", suffix="_after")
        .join(simulated.pair_truth, on="change_key")
    )


def test_without_errors_a_change_at_held_boost_gives_its_true_gain():
    pairs = pairs_of(simulate_changes(CLEAN_CHANGES, 1)).filter(pl.col("held") != "setting")
    assert pairs.height > 300
    assert (pairs["power_kw_after"] / pairs["power_kw"] - 1 - pairs["true_gain"]).abs().max() < 1e-12
    assert (pairs["boost_kpa_after"] - pairs["boost_kpa"]).abs().max() == 0


def test_gains_follow_part_and_specific_output():
    truth = simulate_changes(CLEAN_CHANGES, 2).pair_truth
    means = pl.Series([CLEAN_CHANGES.gains[part] for part in truth["part"]])
    expected = na_gain(means.to_numpy(), CLEAN_CHANGES.moderation, truth["output_kw_l"].to_numpy(), 0.0)
    assert np.allclose(truth["true_na_gain"], expected)
    camshaft = truth.filter(pl.col("part") == "camshaft").sort("output_kw_l")
    assert camshaft["true_na_gain"].is_sorted()


def test_at_a_held_setting_boost_falls_and_the_gain_with_it():
    pairs = pairs_of(simulate_changes(CLEAN_CHANGES, 3)).filter(pl.col("held") == "setting", pl.col("true_na_gain") > 0.02)
    assert pairs.height > 10
    assert (pairs["boost_kpa_after"] < pairs["boost_kpa"]).all()
    assert (pairs["power_kw_after"] / pairs["power_kw"] - 1 < pairs["true_gain"]).all()


@given(gain=st.floats(0.0, 0.2), multiple=st.floats(1.0, 2.5))
def test_growth_one_keeps_the_share_and_growth_zero_keeps_the_power(gain, multiple):
    assert gain_under_boost(gain, 1.0, multiple) == pytest.approx(gain)
    assert gain_under_boost(gain, 0.0, multiple) * multiple == pytest.approx(gain)
    assert boost_at_held_setting(8 * PSI_KPA, 100.0, 0.0) == pytest.approx(8 * PSI_KPA)


def test_some_engines_are_tested_both_ways_and_keys_join():
    simulated = simulate_changes(ChangeTruth(), 4)
    assert simulated.runs["run_key"].is_unique().all()
    assert simulated.builds["build_key"].is_unique().all()
    assert set(simulated.runs["build_key"]) == set(simulated.builds["build_key"])
    ways = simulated.runs.group_by("build_key").agg(pl.col("role").n_unique())
    assert 0.1 < (ways["role"] == 2).mean() < 0.45
    assert pairs_of(simulated).height == simulated.changes.height == simulated.pair_truth.height
    assert simulated.changes["parts"].list.len().unique().to_list() == [1]
