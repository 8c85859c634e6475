"""Who is in the sample: every reason for leaving, every kind of baseline, and an account that adds up."""

from __future__ import annotations

import random

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from models.exclusions import REASONS
from models.joint_fit import fit_joint
from models.sample import choose_sample
from models.sample_options import SampleOptions
from pipeline.errors import RequestProblem

A, B = "src|Pub|a", "src|Pub|b"


def flow_adds_up(sample) -> bool:
    steps = {step.step: step.count for step in sample.flow if not step.reason}
    return steps["runs"] == steps["runs analysed"] + sum(step.count for step in sample.flow if step.reason)


def test_facts_that_boosted_runs_share_are_kept_and_others_are_empty(clean):
    """Of texts, figures and flags alike: agreed, contradicted, stated once, stated nowhere."""
    clean.baseline(A), clean.baseline(B)
    clean.boosted(A, same_exhaust=True, same_tune_target=False, boost_where="manifold", ethanol_pct=10.0, octane_ron=98.0)
    clean.boosted(A, boost_kpa=80.0, same_exhaust=True, same_tune_target=True, boost_where="before_cooler", octane_ron=95.0)
    clean.boosted(B, same_exhaust=False, boost_where="manifold")
    units = choose_sample(*clean.tables()).units
    read = ["same_exhaust", "same_tune_target", "boost_where", "ethanol_pct", "octane_ron", "octane_aki", "boost_control"]
    assert units.select(read).rows() == [
        (True, None, None, 10.0, None, None, None),
        (False, None, "manifold", None, None, None, None),
    ]
    kinds = {"same_exhaust": pl.Boolean, "boost_where": pl.String, "octane_aki": pl.Float64, "boost_control": pl.String}
    assert {name: units.schema[name] for name in kinds} == kinds


def test_ordinary_pair_is_one_unit_with_hand_computed_figures(clean):
    clean.baseline(power_kw=200.0, pulls=4)
    clean.boosted(power_kw=310.0, boost_kpa=60.0, boost_step_kpa=6.894757, power_sd_kw=6.2)
    sample = choose_sample(*clean.tables())
    assert sample.excluded.is_empty()
    base, boosted = sample.runs.iter_rows(named=True)
    assert (base["unit"], base["boost_kpa"], base["power"], base["gain_ratio"]) == (0, 0.0, 200.0, None)
    assert base["power_rel_sd"] == pytest.approx(0.015 / 2)  # four pulls
    assert boosted["power_rel_sd"] == pytest.approx(6.2 / 310)  # the stated spread replaces the usual one
    assert boosted["boost_sd_kpa"] == pytest.approx(1.9903, abs=1e-4)  # "6 psi" is +-0.29 psi: 6.894757 / 2 / sqrt 3
    assert base["boost_sd_kpa"] == 1.19279
    assert boosted["gain_ratio"] == pytest.approx(0.55)
    assert boosted["boost_ratio"] == pytest.approx(0.6)
    unit = sample.units.row(0, named=True)
    assert unit["baseline_quality"] == "same_session"
    assert (unit["session_rel_sd"], unit["gauge_sd_kpa"], unit["dyno_class"]) == (0.005, 0.689476, "engine")
    assert (unit["na_power_kw"], unit["highest_boost_kpa"], unit["boosted_runs"], unit["baseline_runs"]) == (200.0, 60.0, 1, 1)
    assert unit["build_key"] == A
    assert sample.runs.schema["unit"] == pl.UInt32
    assert [(s.step, s.count) for s in sample.flow] == [("runs", 2), ("runs analysed", 2), ("builds analysed", 1)]


def test_several_pulls_with_a_stated_spread_share_it(clean):
    clean.baseline(power_kw=200.0, power_sd_kw=4.0, pulls=4)
    clean.boosted(power_sd_kw=0.0001)
    sd = choose_sample(*clean.tables()).runs["power_rel_sd"].to_list()
    assert sd == [pytest.approx(0.01), pytest.approx(0.002)]  # and nobody repeats to better than 0.2 %


ROW_REASONS = [
    ("repeat", {"is_repeat": True}),
    ("nitrous", {"charge_injection": "nitrous"}),
    ("throttled", {"role": "throttled", "boost_kpa": -40.0}),
    ("not_completed", {"outcome": "stopped_knock"}),
    ("not_completed", {"outcome": "stopped_heat"}),
    ("not_completed", {"outcome": "failed"}),
    ("not_usable", {"power_kw": 0.0}),
    ("not_usable", {"power_kw": None}),
    ("not_usable", {"ambient_used_kpa": None}),
    ("not_usable", {"boost_kpa": 0.0}),
    ("not_usable", {"power_kw": float("nan")}),
    ("stated_rating", {"is_stated_rating": True}),
]


@pytest.mark.parametrize(("reason", "what"), ROW_REASONS)
def test_a_run_leaves_by_name_and_the_rest_stay(clean, reason_of, reason, what):
    clean.baseline()
    clean.boosted(boost_kpa=40.0)
    out = clean.boosted(**{"boost_kpa": 60.0, **what})
    sample = choose_sample(*clean.tables())
    assert reason_of(sample) == {out: reason}
    assert sample.runs.height == 2
    assert sample.excluded["sentence"].to_list() == [REASONS[reason]]
    assert flow_adds_up(sample)


def test_completed_and_unstated_outcomes_stay(clean):
    clean.baseline(outcome=None)
    clean.boosted(outcome="unstated")
    assert choose_sample(*clean.tables()).units.height == 1


def test_build_without_baseline_and_build_without_boost(clean, reason_of):
    only_boosted, only_base = clean.boosted(A), clean.baseline(B)
    sample = choose_sample(*clean.tables())
    assert reason_of(sample) == {only_boosted: "no_baseline", only_base: "no_boosted_run"}
    assert sample.units.is_empty()
    assert flow_adds_up(sample)


def test_baseline_that_itself_left_and_boosted_runs_that_all_left(clean, reason_of):
    failed, alone = clean.baseline(A, outcome="failed"), clean.boosted(A)
    left, knocked = clean.baseline(B), clean.boosted(B, outcome="stopped_knock")
    reasons = reason_of(choose_sample(*clean.tables()))
    assert reasons == {failed: "not_completed", alone: "baseline_left_out", left: "boosted_runs_out", knocked: "not_completed"}


def test_lowest_boost_is_never_a_baseline(clean, reason_of):
    low = clean.baseline(boost_kpa=20.0, baseline_hardware="fitted_lowest_boost")
    boosted = clean.boosted()
    assert reason_of(choose_sample(*clean.tables())) == {low: "lowest_boost", boosted: "lowest_boost"}


def test_baseline_a_little_below_ambient_counts_as_no_boost(clean):
    clean.baseline(boost_kpa=-6.0)
    clean.boosted()
    assert choose_sample(*clean.tables()).runs["boost_kpa"].to_list() == [0.0, 60.0]


def test_wheel_never_pairs_with_crank(clean, reason_of):
    base, boosted = clean.baseline(measured_at="crank"), clean.boosted(measured_at="wheel", drivetrain_loss_pct=15.0)
    assert reason_of(choose_sample(*clean.tables())) == {base: "wheel_against_crank", boosted: "wheel_against_crank"}


def test_crank_figure_made_from_a_wheel_figure_is_no_crank_figure(clean, reason_of):
    clean.baseline(measured_at="crank"), clean.boosted(measured_at="crank", drivetrain_loss_pct=15.0)
    assert set(reason_of(choose_sample(*clean.tables())).values()) == {"wheel_against_crank"}


def test_same_flat_loss_on_both_cancels(clean):
    clean.baseline(drivetrain_loss_pct=15.0), clean.boosted(drivetrain_loss_pct=15.0)
    unit = choose_sample(*clean.tables()).units.row(0, named=True)
    assert unit["dyno_class"] == "chassis"


def test_flat_loss_pair_enters_its_sensitivity_line_with_four_percent(clean):
    clean.baseline(power_kw=200.0, measured_at="crank")
    clean.boosted(power_kw=255.0, measured_at="wheel", drivetrain_loss_pct=15.0)
    sample = choose_sample(*clean.tables(), SampleOptions(flat_loss=True))
    base, boosted = sample.runs.iter_rows(named=True)
    assert boosted["power"] == pytest.approx(300.0)  # 255 / 0.85
    assert boosted["power_rel_sd"] == pytest.approx((0.015**2 + 0.04**2) ** 0.5)
    assert base["power_rel_sd"] == pytest.approx(0.015)
    assert sample.units["session_rel_sd"].to_list() == [0.04]


def test_place_stated_on_one_side_only(clean, reason_of):
    clean.baseline(measured_at=None), clean.boosted()
    assert set(reason_of(choose_sample(*clean.tables())).values()) == {"place_unknown"}


@pytest.mark.parametrize(
    ("base", "boosted"),
    [({"rating_basis": "net"}, {"rating_basis": "gross"}), ({"correction": "ece_r85"}, {"correction": "sae_j1995"})],
)
def test_net_never_pairs_with_gross(clean, reason_of, base, boosted):
    clean.baseline(**base), clean.boosted(**boosted)
    assert set(reason_of(choose_sample(*clean.tables())).values()) == {"net_against_gross"}


def test_same_spec_baseline_is_named_and_kept_for_its_own_line(clean, reason_of):
    clean.baseline(B), clean.boosted(A, baseline_build_key=B)
    main = choose_sample(*clean.tables())
    assert set(reason_of(main).values()) == {"same_spec"}
    let_in = choose_sample(*clean.tables(), SampleOptions(qualities=("same_session", "same_engine", "same_spec")))
    unit = let_in.units.row(0, named=True)
    assert (unit["baseline_quality"], unit["session_rel_sd"], unit["build_key"]) == ("same_spec", 0.04, A)


def test_own_baseline_goes_before_the_named_one(clean, reason_of):
    clean.baseline(A, power_kw=190.0), clean.boosted(A, baseline_build_key=B)
    other = clean.baseline(B, power_kw=210.0)
    sample = choose_sample(*clean.tables(), SampleOptions(qualities=("same_session", "same_engine", "same_spec")))
    assert sample.units["na_power_kw"].to_list() == [190.0]
    assert reason_of(sample) == {other: "better_baseline"}


def test_stated_rating_as_baseline(clean, reason_of):
    rating, boosted = clean.baseline(is_stated_rating=True), clean.boosted()
    assert reason_of(choose_sample(*clean.tables())) == {rating: "stated_rating", boosted: "stated_rating"}
    let_in = choose_sample(*clean.tables(), SampleOptions(qualities=("same_session", "same_engine", "stated")))
    unit = let_in.units.row(0, named=True)
    assert (unit["baseline_quality"], unit["session_rel_sd"]) == ("stated", 0.05)


def test_other_dyno(clean, reason_of):
    clean.baseline(dyno_id="one", session=None), clean.boosted(dyno_id="two", session=None)
    assert set(reason_of(choose_sample(*clean.tables())).values()) == {"other_dyno"}
    let_in = choose_sample(*clean.tables(), SampleOptions(other_dyno=True))
    assert let_in.units["session_rel_sd"].to_list() == [0.04]


def test_unstated_dyno_or_session_of_one_build_is_another_day(clean):
    clean.baseline(session="", dyno_id=None), clean.boosted(session="day 2", dyno_id="one")
    unit = choose_sample(*clean.tables()).units.row(0, named=True)
    assert (unit["baseline_quality"], unit["session_rel_sd"]) == ("same_engine", 0.015)


def test_baseline_of_the_same_session_goes_before_one_of_another_day(clean, reason_of):
    clean.baseline(power_kw=200.0, session="day 1")
    other = clean.baseline(power_kw=220.0, session="day 2")
    clean.boosted(session="day 1")
    sample = choose_sample(*clean.tables())
    assert sample.units["na_power_kw"].to_list() == [200.0]
    assert reason_of(sample) == {other: "better_baseline"}


def test_one_boosted_run_outside_the_session_makes_the_unit_same_engine(clean):
    clean.baseline(session="day 1"), clean.boosted(session="day 1"), clean.boosted(session="day 2", boost_kpa=80.0)
    unit = choose_sample(*clean.tables()).units.row(0, named=True)
    assert (unit["baseline_quality"], unit["boosted_runs"]) == ("same_engine", 2)


def test_only_one_session_asked_for(clean, reason_of):
    clean.baseline(session=None), clean.boosted(session=None)
    sample = choose_sample(*clean.tables(), SampleOptions(qualities=("same_session",)))
    assert "not_same_session" in reason_of(sample).values()


def test_setups_of_a_build_share_its_baseline_and_are_two_units(clean):
    base = clean.baseline()
    clean.boosted(charge_cooling="air_to_air"), clean.boosted(charge_cooling="none", power_kw=280.0)
    sample = choose_sample(*clean.tables())
    assert sorted(sample.units["charge_cooling"].to_list()) == ["air_to_air", "none"]
    assert sample.runs.filter(pl.col("run_key") == base)["unit"].to_list() == [0, 1]
    assert [s.count for s in sample.flow if s.step == "runs analysed"] == [3]  # the shared baseline is one run


def test_setup_said_once_holds_for_the_build_but_is_not_guessed_between_two(clean, make_clean):
    clean.baseline(), clean.boosted(charge_cooling="air_to_air"), clean.boosted(charge_cooling=None, boost_kpa=80.0)
    assert choose_sample(*clean.tables()).units["charge_cooling"].to_list() == ["air_to_air"]
    two = make_clean()
    two.baseline(), two.boosted(charge_cooling="air_to_air"), two.boosted(charge_cooling="none"), two.boosted(charge_cooling=None)
    assert choose_sample(*two.tables()).units.height == 3


def test_induction_and_cooling_of_a_baseline_are_ignored(clean):
    clean.baseline(induction="none", charge_cooling="none", fuel="petrol"), clean.boosted(fuel="race_petrol")
    unit = choose_sample(*clean.tables()).units.row(0, named=True)
    assert (unit["induction"], unit["charge_cooling"], unit["fuel"]) == ("turbocharger", "air_to_air", "race_petrol")


def test_same_build_at_the_crank_and_at_the_wheel_never_mixes(clean):
    clean.baseline(power_kw=200.0), clean.boosted(power_kw=300.0)
    clean.baseline(power_kw=170.0, measured_at="wheel"), clean.boosted(power_kw=260.0, measured_at="wheel")
    units = choose_sample(*clean.tables()).units
    assert dict(units.select("measured_at", "na_power_kw").iter_rows()) == {"crank": 200.0, "wheel": 170.0}


def test_republished_test_is_counted_once_and_its_further_runs_join(clean, reason_of):
    clean.build("a"), clean.build("a again", publisher="Other", source="other", same_test_as=A)
    again = "other|Other|a again"
    clean.baseline(A), clean.boosted(A)
    copies = [clean.baseline(again, is_repeat=True), clean.boosted(again, is_repeat=True)]
    clean.boosted(again, power_kw=340.0, boost_kpa=80.0)
    sample = choose_sample(*clean.tables())
    assert reason_of(sample) == dict.fromkeys(copies, "repeat")
    unit = sample.units.row(0, named=True)
    assert (sample.units.height, unit["publisher"], unit["boosted_runs"]) == (1, "Pub", 2)


def test_republications_in_a_circle_end(clean):
    clean.build("a", same_test_as=B), clean.build("b", same_test_as=A)
    clean.baseline(B), clean.boosted(B)
    assert choose_sample(*clean.tables()).units["build_key"].to_list() == [A]


def test_boost_levels_half_a_psi_apart_are_one(clean):
    clean.baseline()
    for boost in (40.0, 41.0, 42.0, 60.0):
        clean.boosted(boost_kpa=boost)
    unit = choose_sample(*clean.tables()).units.row(0, named=True)
    assert (unit["boost_levels"], unit["boosted_runs"]) == (2, 4)


SUBSETS = [
    SampleOptions(only_recorded_ambient=True), SampleOptions(only_cooled=True), SampleOptions(only_measured_at=("crank",)),
    SampleOptions(only_baseline_hardware=("compressor_removed",)), SampleOptions(least_boost_levels=2),
    SampleOptions(drop_publishers=("Other",)), SampleOptions(drop_sources=("other",)),
]  # fmt: skip


@pytest.mark.parametrize("options", SUBSETS)
def test_subsets_keep_the_one_and_name_the_other(clean, options):
    clean.baseline(A, baseline_hardware="compressor_removed"), clean.boosted(A), clean.boosted(A, boost_kpa=90.0)
    other = "other|Other|b"
    outside = [
        clean.baseline(other, measured_at="wheel", baseline_hardware="fitted_bypassed"),
        clean.boosted(other, measured_at="wheel", charge_cooling="none", ambient_basis="assumed"),
    ]
    assert choose_sample(*clean.tables()).units.height == 2
    sample = choose_sample(*clean.tables(), options)
    assert sample.units["build_key"].to_list() == [A]
    assert sample.excluded.select("run_key", "reason").rows() == [(key, "outside_subset") for key in sorted(outside)]
    assert flow_adds_up(sample)


def test_dropping_a_unit_by_its_id(clean):
    clean.baseline(A), clean.boosted(A), clean.baseline(B), clean.boosted(B)
    first = choose_sample(*clean.tables()).units["unit_id"][0]
    assert choose_sample(*clean.tables(), SampleOptions(drop_units=(first,))).units["build_key"].to_list() == [B]


def test_standard_ambient_is_14_7_psi_everywhere(clean):
    clean.baseline(ambient_used_kpa=84.0), clean.boosted(ambient_used_kpa=84.0)
    ambient = choose_sample(*clean.tables(), SampleOptions(standard_ambient=True)).runs["ambient_kpa"].to_list()
    assert ambient == [pytest.approx(101.35293, abs=1e-5)] * 2


def test_worst_ambient_basis_of_the_boosted_runs_counts(clean):
    clean.baseline(), clean.boosted(), clean.boosted(boost_kpa=80.0, ambient_basis="altitude")
    assert choose_sample(*clean.tables()).units["ambient_basis"].to_list() == ["altitude"]


def test_free_text_cannot_make_two_units_one(clean):
    clean.baseline(dyno_id="x/y"), clean.boosted(dyno_id="x/y"), clean.baseline(dyno_id="x"), clean.boosted(dyno_id="x")
    assert choose_sample(*clean.tables()).units["unit_id"].n_unique() == 2


def test_empty_tables_give_an_empty_sample(clean):
    sample = choose_sample(*clean.tables())
    assert (sample.runs.height, sample.units.height, sample.excluded.height) == (0, 0, 0)


def test_a_missing_column_is_named(clean):
    runs, builds = clean.tables()
    with pytest.raises(RequestProblem, match="ambient_used_kpa"):
        choose_sample(runs.drop("ambient_used_kpa"), builds)


def test_a_column_of_another_type_is_a_sentence(clean):
    clean.baseline()
    runs, builds = clean.tables()
    with pytest.raises(RequestProblem, match="another type"):
        choose_sample(runs.with_columns(pl.lit("many").alias("power_kw")), builds)


runs_of_a_set = st.lists(
    st.fixed_dictionaries({
        "role": st.sampled_from(["baseline", "boosted", "boosted", "throttled"]),
        "name": st.sampled_from(["a", "b", "c"]),
        "session": st.sampled_from([None, "", "s1", "s2"]),
        "measured_at": st.sampled_from([None, "crank", "wheel"]),
        "dyno_id": st.sampled_from([None, "d1", "d2"]),
        "correction": st.sampled_from([None, "unstated", "uncorrected", "sae_j1349", "sae_j607", "ece_r85", "sae_j1995"]),
        "rating_basis": st.sampled_from([None, "net", "gross"]),
        "correction_factor": st.sampled_from([None, 1.0, 1.05]),
        "air_c": st.sampled_from([None, 20.0]),
        "boost_control": st.sampled_from([None, "absolute"]),
        "drivetrain_loss_pct": st.sampled_from([None, 15.0]),
        "is_stated_rating": st.sampled_from([None, False, True]),
        "is_repeat": st.sampled_from([False, False, True]),
        "baseline_build_key": st.sampled_from([None, None, A, B]),
        "power_kw": st.floats(50, 500),
        "gauge": st.floats(-30, 120),
    }),
    max_size=14,
)  # fmt: skip
choices = st.sampled_from([
    SampleOptions(),
    SampleOptions(qualities=("same_session", "same_engine", "same_spec", "stated"), other_dyno=True, flat_loss=True),
    SampleOptions(interpolated_baseline=True), SampleOptions(qualities=("same_session",), standard_ambient=True),
])  # fmt: skip


@pytest.mark.slow
@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])  # shrinking takes minutes here
@given(rows=runs_of_a_set, options=choices, seed=st.integers(0, 1000))
def test_any_set_is_accounted_for_and_its_order_does_not_matter(make_clean, rows, options, seed):
    made = make_clean()
    for row in rows:
        role, name, gauge = row["role"], row.pop("name"), row.pop("gauge")
        boost = {"baseline": min(gauge, 8.0), "boosted": 5.0 + abs(gauge), "throttled": -abs(gauge)}[role]
        made.boosted(f"src|Pub|{name}", **{**row, "boost_kpa": boost})
    runs, builds = made.tables()
    sample = choose_sample(runs, builds, options)
    assert flow_adds_up(sample)
    assert sample.excluded["reason"].null_count() == 0
    assert not set(sample.excluded["run_key"]) & set(sample.runs["run_key"])
    assert (
        sample.units.is_empty() or fit_joint(sample.runs, sample.units).dropped.is_empty()
    )  # every unit has both kinds of run and clean figures
    order = list(range(runs.height))
    random.Random(seed).shuffle(order)
    again = choose_sample(runs[order], builds[::-1], options)
    for one, two in ((sample.runs, again.runs), (sample.units, again.units), (sample.excluded, again.excluded)):
        assert_frame_equal(one, two, check_exact=True)
