"""Bands of physics: classes in order, records instead of assumptions, budgets that add up."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from models.charge_physics import SEA_LEVEL_KPA, Readings
from models.driver_records import PhysicsAnswers
from models.physics_answers import answer_physics
from models.physics_bands import ASSUMPTIONS, COMPRESSOR_EFFICIENCY, COOLER_EFFECTIVENESS, physics_band, physics_rule_ratio
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO
from models.sample import choose_sample

PSI = KPA_PER_PSI


@pytest.fixture
def answers(clean: Any) -> Callable[..., PhysicsAnswers]:
    def make() -> PhysicsAnswers:
        runs, builds = clean.tables()
        return answer_physics(choose_sample(runs, builds), runs)

    return make


def test_band_spans_rule_for_a_cooled_turbo_and_lies_below_it_for_hot_blowers():
    low, high = physics_rule_ratio("turbocharger", "air_to_air")
    assert low < 0.9 < 1.0 < high
    assert physics_rule_ratio("positive_displacement", "none")[1] < 0.9
    assert physics_rule_ratio("turbocharger", "none")[1] < high


def test_colder_and_less_driven_is_better_at_both_ends():
    for induction in COMPRESSOR_EFFICIENCY:
        none, air, water = (physics_rule_ratio(induction, cooling) for cooling in ("none", "air_to_air", "air_to_water"))
        assert none[0] < air[0] < water[0]
        assert none[1] < air[1] < water[1]


def test_unknown_class_spans_all_classes():
    low, high = physics_rule_ratio(None, None)
    known = [physics_rule_ratio(i, c) for i in COMPRESSOR_EFFICIENCY for c in COOLER_EFFECTIVENESS]
    assert (low, high) == (min(ends[0] for ends in known), max(ends[1] for ends in known))
    assert physics_rule_ratio("steam", "air_to_air")[0] == min(
        physics_rule_ratio(i, "air_to_air")[0] for i in COMPRESSOR_EFFICIENCY
    )


def test_altitude_changes_nothing_at_equal_boost_ratio():
    """Everything goes with boost over ambient pressure; the rule ratio of a class is the same on a mountain."""
    here, high = (physics_rule_ratio("centrifugal", "air_to_air", kpa) for kpa in (101.325, 82.0))
    assert here == pytest.approx(high)


def test_band_never_crosses_and_widens_with_boost():
    widths = []
    for boost in range(0, 140, 20):
        band = physics_band(float(boost), 98.0, "turbocharger", "air_to_air")
        widths.append(band.gain_ratio_high - band.gain_ratio_low)
        assert band.rule_gain_ratio == pytest.approx(boost / 98.0)
    assert widths[0] == pytest.approx(0, abs=1e-12)
    assert widths == sorted(widths)


def test_a_recorded_charge_temperature_narrows_the_band():
    plain = physics_band(70.0, 100.0, "turbocharger", "air_to_air")
    read = physics_band(70.0, 100.0, "turbocharger", "air_to_air", Readings(inlet_c=25, charge_c=45.0, exhaust_kpa=100.0))
    assert read.gain_ratio_high - read.gain_ratio_low < 0.6 * (plain.gain_ratio_high - plain.gain_ratio_low)


def test_budgets_add_up_and_name_what_belongs_to_the_class(clean, answers):
    for name, induction, cooling in (("a", "turbocharger", "air_to_air"), ("b", "positive_displacement", "none")):
        clean.baseline(f"src|Pub|{name}")
        clean.boosted(f"src|Pub|{name}", induction=induction, charge_cooling=cooling)
    found = answers()
    for budget in found.budgets:
        assert 1 + sum(e.change_of_rule_ratio for e in budget.effects) == pytest.approx(budget.rule_ratio)
        low, high = physics_rule_ratio(budget.induction, budget.charge_cooling)
        assert low < budget.rule_ratio < high
    turbo = [b for b in found.budgets if b.induction == "turbocharger"]
    assert [(b.temperature_exponent, b.exhaust_over_boost) for b in turbo] == [(0.5, 1.0), (0.5, 2.0), (1.0, 1.0), (1.0, 2.0)]
    assert [e.effect for e in turbo[0].effects] == ["friction", "charge heat", "charge cooler", "back pressure"]
    blower = [b for b in found.budgets if b.induction == "positive_displacement"]
    assert [e.effect for e in blower[0].effects] == ["friction", "charge heat", "drive power"]
    assert blower[0].exhaust_over_boost is None


def test_curves_end_at_the_highest_boost_of_their_class(clean, answers):
    clean.baseline("src|Pub|a")
    clean.boosted("src|Pub|a", boost_kpa=10.5 * PSI, ambient_used_kpa=SEA_LEVEL_KPA)
    (curve,) = answers().curves
    assert [round(p.boost_kpa / PSI) for p in curve.points] == [0, 2, 4, 6, 8, 10]
    assert (curve.builds, curve.induction, curve.charge_cooling) == (1, "turbocharger", "air_to_air")
    at_reference = physics_band(REFERENCE_BOOST_RATIO * SEA_LEVEL_KPA, SEA_LEVEL_KPA, "turbocharger", "air_to_air")
    assert curve.rule_ratio_low == pytest.approx(at_reference.gain_ratio_low / REFERENCE_BOOST_RATIO)


def test_what_the_record_states_is_used_and_the_rest_is_named(clean, answers):
    """200 kW at 6000 rpm from 4000 cc is a mean pressure of 1000 kPa."""
    clean.build("a", displacement_cc=4000.0)
    clean.baseline("src|Pub|a", power_kw=200.0, power_rpm=6000.0)
    full = {"air_c": 20.0, "charge_c": 50.0, "exhaust_back_kpa": 90.0, "power_rpm": 6000.0}
    clean.boosted("src|Pub|a", boost_kpa=60.0, **full)
    clean.baseline("src|Pub|b")
    clean.boosted("src|Pub|b", boost_kpa=60.0, ambient_basis="assumed")
    known, bare = answers().builds
    assert known.assumed == ()
    ((key, band),) = known.runs
    own = Readings(inlet_c=20.0, charge_c=50.0, exhaust_kpa=90.0, na_bmep_kpa=1000.0)
    assert key.startswith("src/")
    assert band == physics_band(60.0, 100.0, "turbocharger", "air_to_air", own)
    assert set(bare.assumed) == {
        "air pressure", "air temperature", "charge temperature", "exhaust pressure", "brake mean pressure without boost"
    }  # fmt: skip


def test_pressure_behind_the_turbine_and_wild_mean_pressure_are_not_used(clean, answers):
    clean.build("a", displacement_cc=400.0)
    clean.baseline("src|Pub|a", power_rpm=6000.0)
    clean.boosted("src|Pub|a", boost_kpa=60.0, exhaust_back_kpa=10.0)
    (build,) = answers().builds
    assert {"exhaust pressure", "brake mean pressure without boost"} <= set(build.assumed)
    assert build.runs[0][1] == physics_band(60.0, 100.0, "turbocharger", "air_to_air")


def test_observed_power_on_a_mountain_gives_the_mean_pressure_of_sea_level(clean, answers):
    thin = {"ambient_used_kpa": SEA_LEVEL_KPA * 0.8, "correction": "uncorrected", "session": "x"}
    clean.build("a", displacement_cc=4000.0)
    clean.baseline("src|Pub|a", power_kw=160.0, power_rpm=6000.0, **thin)
    clean.boosted("src|Pub|a", power_kw=240.0, boost_kpa=55.0, power_rpm=6000.0, **thin)
    (build,) = answers().builds
    expected = physics_band(55.0, SEA_LEVEL_KPA * 0.8, "turbocharger", "air_to_air", Readings(na_bmep_kpa=1000.0))
    assert build.runs[0][1].gain_ratio_low == pytest.approx(expected.gain_ratio_low)
    assert build.runs[0][1].gain_ratio_high == pytest.approx(expected.gain_ratio_high)


def test_works_without_the_table_of_runs_and_on_nothing(clean, make_clean):
    clean.baseline()
    clean.boosted()
    sample = choose_sample(*clean.tables())
    assert "air temperature" in answer_physics(sample).builds[0].assumed
    nothing = answer_physics(choose_sample(*make_clean().tables()))
    assert (nothing.curves, nothing.builds, nothing.budgets) == ((), (), ())
    assert nothing.assumptions == ASSUMPTIONS


def test_assumptions_are_those_that_are_used():
    named = {a.name: (a.low, a.high) for a in ASSUMPTIONS}
    assert named["effectiveness of an air-to-air cooler"] == COOLER_EFFECTIVENESS["air_to_air"]
    assert named["exhaust pressure before a turbine over boost"] == (1.0, 2.0)
    assert all(a.source for a in ASSUMPTIONS)
