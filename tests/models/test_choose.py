"""Ways to a target: never more boost than was tested or is allowed, chances against many engines, limits said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import offset_records
from models.choose import SURVIVAL, Limits, choose_way, gain_of, growth_of, own_part
from models.choose_power import multiple_for
from models.estimate import Estimate
from models.offset_draws import standard_draws
from models.offset_evidence import builds_at, highest_tested
from models.offset_records import Engine, Growth, OffsetModel, PartGain, PowerCurve
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA
from pipeline.errors import RequestProblem

HP = 550 * 0.3048 * 0.45359237 * 9.80665 / 1000


def kind(induction, cooling, fuel, *boosts_psi, builds=None):
    boosts = tuple(sorted((b * KPA_PER_PSI for b in boosts_psi), reverse=True))
    by_psi = tuple(sum(b >= k * KPA_PER_PSI for b in boosts) for k in range(int(boosts[0] / KPA_PER_PSI) + 1))
    ratios = tuple(b / 100.0 for b in boosts)
    return offset_records.TestedKind(induction, cooling, fuel, builds or len(boosts), 80.0, 600.0, boosts, ratios, by_psi)


CURVE = PowerCurve("turbocharger", "air_to_air", 0.95, -0.06, 0.0003, 0.0001, 0.0, 0.011, 20, 226, 855, 21, 124, None, 0.0003)
ALL = replace(CURVE, induction=None, charge_cooling=None, slope=0.92, engine_var=0.015)
MODEL = OffsetModel(
    "f", "0.1.0", "2026-01-01", True, (ALL, CURVE),
    (
        kind("turbocharger", "air_to_air", "petrol", 6, 8, 9, 10, 12, 14, 15, 18), kind("turbocharger", "air_to_air", "ethanol_blend", 20, 22, 25),
        kind("turbocharger", "none", "petrol", 5, 6, 7), kind("centrifugal", "none", "petrol", 9, 12), kind("turbocharger", None, None, 30),
    ), 0.0224, 1.38, 0.95, 2.086, standard_draws(20),
)  # fmt: skip
CLASS = {"induction": "turbocharger", "charge_cooling": "air_to_air", "fuel": "petrol"}


def engine(na_hp=400.0, boost_psi=None, made_hp=None, **codes) -> Engine:
    return Engine(
        na_hp * HP,
        SEA_LEVEL_KPA,
        boost_psi and boost_psi * KPA_PER_PSI,
        made_hp and made_hp * HP,
        **(codes or CLASS),
    )


def part(name: str, mean: float, half: float, pairs: int = 20) -> PartGain:
    e = Estimate(mean, mean - 1, mean + 1, 0.95, "%", 10, 20)
    return PartGain(name, e, replace(e, low=mean - half, high=mean + half), None, pairs)


PARTS = (part("camshaft", 9.0, 6.0), part("camshaft + valve_springs", 12.0, 5.0, pairs=3), part("exhaust", -0.5, 2.0))


@pytest.fixture(scope="module")
def choice():
    return choose_way(MODEL, engine(), 620 * HP, PARTS, Growth(0.8, 0.1, True), Limits(compressor_rating_kw=600 * HP))


def by_name(choice, name):
    return next(way for way in choice.ways if way.way == name)


def test_every_way_is_there_and_reaches_the_target_where_it_says_so(choice):
    assert [way.way for way in choice.ways] == [
        "more boost alone", "camshaft + valve springs alone", "camshaft alone", "camshaft + valve springs and more boost",
        "camshaft and more boost",
    ]  # fmt: skip
    for way in choice.ways:
        assert way.reaches_target == (way.power.value >= 620 * HP * (1 - 1e-9)) and way.price is None
        assert way.power.low < way.power.value < way.power.high
    boost, both = by_name(choice, "more boost alone"), by_name(choice, "camshaft and more boost")
    x = boost.boost.value / SEA_LEVEL_KPA
    assert 1 + 0.95 * x - 0.06 * x * (x - REFERENCE_BOOST_RATIO) == pytest.approx(620 / 400, rel=1e-9)
    assert both.boost.value < boost.boost.value and both.extra_boost_kpa == both.boost.value
    x = both.boost.value / SEA_LEVEL_KPA
    m = 1 + 0.95 * x - 0.06 * x * (x - REFERENCE_BOOST_RATIO)
    assert m + 0.09 * m**0.8 == pytest.approx(620 / 400, rel=1e-9)
    assert boost.builds_at_boost == 6 and boost.boost.value < 9 * KPA_PER_PSI
    assert by_name(choice, "camshaft alone").boost.value == 0.0


def test_chance_is_the_share_of_many_engines_whose_figure_reaches_the_target(choice):
    rng = np.random.default_rng(8)
    n = 400_000
    w = np.sqrt(rng.chisquare(20, n) / 20)
    s = 0.95 + (0.0113**0.5) * rng.standard_normal(n) / w
    q = -0.06 + 0.02 * rng.standard_normal(n) / w
    g = 0.09 + 0.06 / 1.959964 * rng.standard_normal(n)
    for way, gain in (("more boost alone", 0.0), ("camshaft alone", g), ("camshaft and more boost", g)):
        made = by_name(choice, way)
        x = made.boost.value / SEA_LEVEL_KPA
        m = 1 + s * x + q * x * (x - REFERENCE_BOOST_RATIO)
        power = (m + gain * m ** (0.8 + 0.1 * rng.standard_normal(n))) * 400 * HP * (1 + 0.0224 * rng.standard_normal(n))
        assert made.chance_figure_reached == pytest.approx((power >= 620 * HP).mean(), abs=0.01)
        assert (made.power.low, made.power.high) == pytest.approx(tuple(np.quantile(power, (0.025, 0.975))), rel=0.01)


def test_survival_compressor_and_few_pairs_are_said(choice):
    assert SURVIVAL in choice.cautions and any("rating is not safe" in text for text in choice.cautions)
    boost, few = by_name(choice, "more boost alone"), by_name(choice, "camshaft + valve springs alone")
    assert boost.compressor_exceeded and any("above the compressor's rating of 600 hp" in text for text in boost.cautions)
    assert few.compressor_exceeded is False and few.outside_evidence == ("The gain rests on 3 pairs of tests only.",)
    assert any("1 kinds of part" in note or "without a gain" in note for note in choice.notes)


@given(
    na=st.floats(100, 700), times=st.floats(1.05, 4.0), now=st.floats(0, 25), most=st.one_of(st.none(), st.floats(0, 40)),
    fuel=st.sampled_from(["petrol", "ethanol_blend", "methanol", None]), cooling=st.sampled_from(["air_to_air", "none", None]),
)  # fmt: skip
def test_nothing_beyond_the_evidence_or_the_reader_s_limit_is_ever_proposed(na, times, now, most, fuel, cooling):
    asked = engine(na, now, induction="turbocharger", charge_cooling=cooling, fuel=fuel)
    limits = Limits(None if most is None else most * KPA_PER_PSI)
    small = replace(MODEL, draws=MODEL.draws[:128])
    try:
        found = choose_way(small, asked, na * HP * times, PARTS, Growth(), limits)
    except RequestProblem:  # it makes that already
        return
    tested = highest_tested(MODEL, asked).boost_kpa
    ceiling = min(tested, tested if most is None else most * KPA_PER_PSI)
    assert found.highest_boost_kpa == ceiling
    for way in found.ways:
        assert way.boost.value <= max(ceiling, now * KPA_PER_PSI) * (1 + 1e-9) and way.extra_boost_kpa >= 0.0
        assert way.boost.high is None or way.boost.high <= ceiling * (1 + 1e-6)
        if not way.reaches_target and "more boost" in way.way:
            assert way.stopped_by in ("evidence", "max_boost", "no boost reaches it")


def test_limit_is_what_three_builds_ran_and_the_least_tested_class_where_one_is_not_named():
    assert highest_tested(MODEL, engine()).boost_kpa == pytest.approx(14 * KPA_PER_PSI)
    open_fuel = highest_tested(MODEL, engine(induction="turbocharger", charge_cooling="air_to_air"))
    assert open_fuel.boost_kpa == pytest.approx(14 * KPA_PER_PSI) and open_fuel.not_stated == ("fuel",)
    anything = highest_tested(MODEL, Engine(300.0, SEA_LEVEL_KPA))
    assert anything.boost_kpa == pytest.approx(5 * KPA_PER_PSI) and anything.kind and anything.kind.charge_cooling == "none"
    assert highest_tested(MODEL, engine(induction="centrifugal", charge_cooling="none", fuel="petrol")).boost_kpa == 0.0
    # in thin air the boost ratio that was tested is reached at less gauge boost
    high = replace(engine(), ambient_kpa=80.0)
    assert highest_tested(MODEL, high).boost_kpa == pytest.approx(14 * KPA_PER_PSI * 0.8)
    assert builds_at(MODEL, engine(), 12 * KPA_PER_PSI) == 4


def test_a_class_without_three_builds_gets_no_boost_proposed():
    found = choose_way(MODEL, engine(induction="centrifugal", charge_cooling="none", fuel="petrol"), 600 * HP, PARTS)
    assert found.highest_boost_kpa == 0.0 and all(way.extra_boost_kpa == 0.0 for way in found.ways)
    assert any("Fewer than three builds" in note for note in found.notes)
    assert not any("and more boost" in way.way for way in found.ways)


def test_a_reader_s_limit_holds_and_is_named():
    found = choose_way(MODEL, engine(boost_psi=8, made_hp=600), 700 * HP, (), None, Limits(9 * KPA_PER_PSI))
    boost = found.ways[0]
    assert boost.boost.value == pytest.approx(9 * KPA_PER_PSI) and boost.stopped_by == "max_boost" and not boost.reaches_target
    assert boost.boost.high is None and boost.boost.why and any("You allow 9.0 psi" in note for note in found.notes)
    too_much = choose_way(MODEL, engine(boost_psi=16), 850 * HP)
    assert too_much.ways[0].extra_boost_kpa == 0.0 and any(
        "already runs more boost" in text for text in too_much.ways[0].cautions
    )


def test_a_curve_that_bends_over_stops_at_its_top():
    bent = replace(MODEL, curves=(replace(CURVE, slope=0.6, curvature=-0.6),))
    found = choose_way(bent, engine(), 900 * HP)
    top = (REFERENCE_BOOST_RATIO + 1.0) / 2 * SEA_LEVEL_KPA
    assert found.ways[0].stopped_by == "no boost reaches it" and found.ways[0].boost.value == pytest.approx(top)


@pytest.mark.parametrize(
    ("asked", "target_hp", "limits", "sentence"),
    [
        (engine(), 380.0, None, "no more than the 400 hp"), (engine(boost_psi=8, made_hp=640), 620.0, None, "no more than the 640 hp"),
        (engine(), float("nan"), None, "above zero"), (engine(), 600.0, Limits(-1.0), "most boost allowed"),
        (replace(engine(), na_kw=-5.0), 600.0, None, "output without boost"),
    ],
)  # fmt: skip
def test_requests_that_cannot_be_served(asked, target_hp, limits, sentence):
    with pytest.raises(RequestProblem, match=sentence):
        choose_way(MODEL, asked, target_hp * HP, (), None, limits)


@given(st.floats(1.0, 4.0), st.floats(0.0, 0.4), st.floats(-0.5, 1.6))
def test_power_ratio_left_to_boost(wanted, gain, growth):
    m = multiple_for(wanted, gain, growth)
    assert m + gain * m**growth == pytest.approx(wanted, rel=1e-9)


def test_gain_of_own_and_growth_without_answers():
    own = own_part(0.1, 0.02)
    assert own.is_own and gain_of(own).share == pytest.approx(0.1) and gain_of(own).sd == pytest.approx(0.02)
    assert growth_of(None) == Growth(1.0, 0.0, False)
