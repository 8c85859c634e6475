"""Offset boost: the trade's own figures, the closed form, Fieller and draws against one another, and bad requests."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import offset_records
from models.offset_boost import (
    NOT_BOUNDED,
    answer_offset,
    curve_for,
    engine_curve,
    extra_ratio,
    grown,
    power_multiple,
    quantile_of,
)
from models.offset_draws import standard_draws
from models.offset_records import (
    Engine,
    Gain,
    Growth,
    OffsetModel,
    PowerCurve,
    offset_model_from_json,
    offset_model_to_json,
)
from models.ratio_interval import fieller_interval
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA
from pipeline.errors import RequestProblem

HP = 550 * 0.3048 * 0.45359237 * 9.80665 / 1000
T20 = 2.0859634472658364  # two-sided 95 % of t with 20 degrees of freedom

CURVE = PowerCurve(None, None, 0.92, -0.05, 0.0002, 0.0001, -0.00002, 0.012, 20, 226, 855, 21, 226, None, 0.0003)
STRAIGHT = replace(CURVE, curvature=0.0, var_curvature=0.0, covariance=0.0, engine_var_curvature=0.0, curvature_why="Not asked.")
TURBO = replace(CURVE, induction="turbocharger", slope=0.96, builds_of_kind=171)
KIND = offset_records.TestedKind(
    "turbocharger", "air_to_air", "petrol", 4, 60.0, 520.0, (130.0, 110.0, 90.0, 70.0), (1.3, 1.1, 0.9, 0.7), (4,) * 11
)
MODEL = OffsetModel("f", "0.1.0", "2026-01-01", True, (CURVE, TURBO), (KIND,), 0.0224, 1.38, 0.95, T20, standard_draws(20))


def engine(na_hp: float = 400.0, boost_psi: float | None = None, **more) -> Engine:
    return Engine(na_hp * HP, SEA_LEVEL_KPA, None if boost_psi is None else boost_psi * KPA_PER_PSI, **more)


def psi(kpa: float | None) -> float:
    assert kpa is not None
    return kpa / KPA_PER_PSI


# Common practice, no published source: what the trade says a gain is worth in boost by its simple rule.
@pytest.mark.parametrize(
    ("gain_hp", "said_psi"),
    [(56.0, (3.0, 2.0, 1.75, 1.5, 1.25)), (63.0, (3.1, 2.3, 1.9, 1.5, 1.3))],
    ids=["56 hp: common practice, no published source", "63 hp: common practice, no published source"],
)
def test_simple_figure_is_what_the_trade_says(gain_hp, said_psi):
    # "about 3" and "just under 2" are rounded by ear: a third of a psi is as near as such figures come
    for na, said in zip((300, 400, 500, 600, 700), said_psi, strict=True):
        answer = answer_offset(MODEL, engine(na), Gain(gain_hp / na))
        assert psi(answer.rule_kpa) == pytest.approx(gain_hp / (na / 14.7), rel=1e-12)
        assert psi(answer.rule_kpa) == pytest.approx(said, abs=0.3)


def test_yields_of_common_practice_no_published_source():
    # common practice, no published source: 300 to 700 hp give 20.4 to 47.6 hp per psi, so that so much gain is one psi
    for na, per_psi in ((300, 20.4), (400, 27.2), (500, 34.0), (600, 40.8), (700, 47.6)):
        assert psi(answer_offset(MODEL, engine(na), Gain(per_psi / na)).rule_kpa) == pytest.approx(1.0, abs=0.002)
    # and 14.7 psi doubles the output
    assert psi(answer_offset(MODEL, engine(), Gain(1.0)).rule_kpa) == pytest.approx(14.7, rel=1e-12)


def test_without_curvature_the_two_closed_forms_hold():
    """db = (dP / P0) (pa / s) from no boost, and (dP / P0) (pa / s + b) at boost b."""
    model = replace(MODEL, curves=(STRAIGHT,))
    answer = answer_offset(model, engine(boost_psi=8.0), Gain(0.1))
    assert answer.at_no_boost.value == pytest.approx(0.1 * SEA_LEVEL_KPA / 0.92, rel=1e-12)
    assert answer.at_boost is not None
    assert answer.at_boost.value == pytest.approx(0.1 * (SEA_LEVEL_KPA / 0.92 + 8 * KPA_PER_PSI), rel=1e-12)
    assert psi(answer.rule_at_boost_kpa) == pytest.approx(0.1 * (14.7 + 8), rel=1e-12)


def test_without_curvature_the_range_is_fieller_s_and_draws_agree_with_it():
    model, one = replace(MODEL, curves=(STRAIGHT,)), engine(boost_psi=8.0)
    answer = answer_offset(model, one, Gain(0.1, 0.02))
    var = STRAIGHT.var_slope + STRAIGHT.engine_var
    by_hand = fieller_interval(0.1 * SEA_LEVEL_KPA, 0.92, (0.02 * SEA_LEVEL_KPA) ** 2, var, 0.0, T20)
    assert (answer.at_no_boost.low, answer.at_no_boost.high) == pytest.approx((by_hand.low, by_hand.high), rel=1e-12)
    # a curve that is known to be straight goes through the draws; with an exact gain both are quantiles of the slope alone
    drawn = answer_offset(replace(MODEL, curves=(replace(STRAIGHT, curvature_why=None),)), one, Gain(0.1))
    answer = answer_offset(model, one, Gain(0.1))
    for f, d in ((answer.at_no_boost, drawn.at_no_boost), (answer.at_boost, drawn.at_boost)):
        assert f is not None and d is not None
        assert f.value == d.value
        assert (d.low, d.high) == pytest.approx((f.low, f.high), rel=0.01)


@pytest.mark.reference
def test_student_s_sleep_data_have_no_bounded_ratio():
    """Student 1908 (Biometrika 6, 1-25): hours of sleep gained, 2.33 by one drug over 0.75 by the other; t(9) is 2.262157.

    t^2 var / mean^2 of the second is 2.91, above 1: the ratio is not bounded, whatever the first is worth.
    """
    drug = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    var = sum((hours - 0.75) ** 2 for hours in drug) / 90
    assert 2.262157**2 * var / 0.75**2 == pytest.approx(2.9117, abs=1e-4)
    curve = replace(STRAIGHT, slope=0.75, var_slope=var, engine_var=0.0, degrees_of_freedom=9)
    answer = answer_offset(replace(MODEL, curves=(curve,), t_quantile=2.262157), engine(), Gain(2.33, 0.6))
    assert not answer.bounded and (answer.at_no_boost.low, answer.at_no_boost.high) == (None, None)
    assert answer.at_no_boost.value == pytest.approx(SEA_LEVEL_KPA * 3.106667, abs=1e-4)


@given(
    share=st.floats(0.001, 0.5), s=st.floats(0.3, 1.5), q=st.floats(-0.15, 0.15), x=st.floats(0.0, 1.5), growth=st.floats(0.0, 1.5)
)  # fmt: skip
def test_boost_found_gives_the_power_of_the_part(share, s, q, x, growth):
    multiple = power_multiple(s, q, x)
    wanted = grown(share, multiple, growth)
    dx = extra_ratio(wanted, s, q, x)
    if dx < math.inf:
        made = 1 + s * (x + dx) + q * (x + dx) * (x + dx - REFERENCE_BOOST_RATIO)
        if multiple > 0.2:
            assert made == pytest.approx(multiple + wanted, rel=1e-9, abs=1e-9)
        # the smallest positive root: just before it the power is still short of it
        short = dx * (1 - 1e-6)
        assert s * short + q * ((x + short) * (x + short - REFERENCE_BOOST_RATIO) - x * (x - REFERENCE_BOOST_RATIO)) <= wanted
    else:
        reach = np.linspace(0, 50, 5001)
        assert (
            s * reach + q * ((x + reach) * (x + reach - REFERENCE_BOOST_RATIO) - x * (x - REFERENCE_BOOST_RATIO))
        ).max() < wanted


def test_simple_figure_falls_ever_further_short_as_boost_rises():
    at = [answer_offset(MODEL, engine(boost_psi=b), Gain(0.1)) for b in (0.0, 5.0, 10.0, 15.0, 20.0)]
    values = [one.at_boost.value for one in at if one.at_boost]
    assert values == sorted(values) and len({one.rule_kpa for one in at}) == 1
    assert values[0] == at[0].at_no_boost.value
    # where a gain stays the same power under boost, less boost offsets it
    same = answer_offset(MODEL, engine(boost_psi=10.0), Gain(0.1), Growth(0.0, 0.1, is_measured=True))
    assert same.at_boost is not None and same.at_boost.value < values[2]


def test_draws_one_by_one_and_all_at_once_give_the_same_to_the_last_digit():
    """The page follows the formula draw by draw; the ends must be those of the command."""
    gain, growth, one = Gain(0.1, 0.02), Growth(), engine(boost_psi=9.3, induction="turbocharger")
    answer = answer_offset(MODEL, one, gain, growth)
    of = engine_curve(MODEL, answer.curve, one)
    x = 9.3 * KPA_PER_PSI / SEA_LEVEL_KPA
    found = []
    for z in MODEL.draws:
        s, q = of.drawn(z[1], z[2])
        found.append(extra_ratio(grown(gain.share + gain.sd * z[0], power_multiple(s, q, x), 1.0), s, q, x))
    found.sort()
    assert answer.at_boost is not None
    assert answer.at_boost.low == quantile_of(found, (1 - 0.95) / 2) * SEA_LEVEL_KPA
    assert answer.at_boost.high == quantile_of(found, 1 - (1 - 0.95) / 2) * SEA_LEVEL_KPA


def test_ranges_of_the_draws_are_those_of_many_random_numbers():
    rng = np.random.default_rng(1)
    z = rng.standard_normal((150_000, 5))
    z[:, 1:3] /= np.sqrt(rng.chisquare(20, len(z)) / 20)[:, None]
    many = replace(MODEL, draws=tuple(map(tuple, z.tolist())))
    asked = engine(boost_psi=8.0), Gain(0.1, 0.02), Growth(0.8, 0.15, is_measured=True)
    few, right = answer_offset(MODEL, *asked).at_boost, answer_offset(many, *asked).at_boost
    assert few and right and (few.low, few.high) == pytest.approx((right.low, right.high), rel=0.02)


def test_power_measured_under_boost_draws_the_engine_to_itself():
    x, na = 8 * KPA_PER_PSI / SEA_LEVEL_KPA, 400 * HP
    strong = engine(boost_psi=8.0, made_kw=na * (1 + 1.15 * x))
    before, after = engine_curve(MODEL, CURVE, engine(boost_psi=8.0)), engine_curve(MODEL, CURVE, strong)
    assert before.slope == 0.92 and 1.0 < after.slope < 1.16 and after.l11 < 0.7 * before.l11
    # the same by matrices
    h, p = np.array([x, x * (x - REFERENCE_BOOST_RATIO)]), np.array([[0.0122, -0.00002], [-0.00002, 0.0004]])
    m = 1 + 1.15 * x
    r = (m * 0.0224) ** 2 + ((0.92 - 0.05 * (2 * x - REFERENCE_BOOST_RATIO)) * 1.38 / SEA_LEVEL_KPA) ** 2
    k = p @ h / (h @ p @ h + r)
    mean, cov = np.array([0.92, -0.05]) + k * (m - 1 - h @ [0.92, -0.05]), p - np.outer(k, h @ p)
    assert (after.slope, after.curvature) == pytest.approx(tuple(mean))
    factor = np.array([[after.l11, 0], [after.l21, after.l22]])
    assert factor @ factor.T == pytest.approx(cov)
    wide, narrow = (answer_offset(MODEL, one, Gain(0.1)).at_boost for one in (engine(boost_psi=8.0), strong))
    assert wide and narrow and narrow.high - narrow.low < 0.8 * (wide.high - wide.low)  # type: ignore[operator]


def test_not_bounded_where_the_yield_cannot_be_told_from_nothing():
    weak = replace(MODEL, curves=(replace(STRAIGHT, slope=0.2),))
    answer = answer_offset(weak, engine(), Gain(0.1))
    assert not answer.bounded and answer.at_no_boost.high is None and answer.at_no_boost.why == NOT_BOUNDED
    drawn = answer_offset(replace(MODEL, curves=(replace(CURVE, slope=0.15),)), engine(), Gain(0.1))
    assert not drawn.bounded and drawn.at_no_boost.high is None and drawn.at_no_boost.low is not None
    none = answer_offset(replace(MODEL, curves=(replace(CURVE, slope=0.1, curvature=-0.3),)), engine(boost_psi=12.0), Gain(0.1))
    assert none.at_boost is not None and none.at_boost.value is None and "bends over" in (none.at_boost.why or "")


def test_one_publisher_gives_a_value_and_no_range():
    alone = replace(MODEL, curves=(replace(CURVE, degrees_of_freedom=0),), t_quantile=None, draws=())
    answer = answer_offset(alone, engine(), Gain(0.1))
    assert answer.at_no_boost.value and answer.at_no_boost.low is None and "one publisher" in (answer.at_no_boost.why or "")


@pytest.mark.parametrize(
    ("asked", "gain", "sentence"),
    [
        (engine(), Gain(0.0), "nothing to offset"), (engine(), Gain(-0.02), "above zero"), (engine(), Gain(math.nan), "above zero"),
        (engine(), Gain(0.1, -1.0), "zero or above"), (engine(0.0), Gain(0.1), "output without boost is 0 kW"),
        (engine(math.inf), Gain(0.1), "output without boost"), (engine(boost_psi=-3.0), Gain(0.1), "present boost"),
        (engine(boost_psi=8.0, made_kw=200.0), Gain(0.1), "swapped"), (engine(made_kw=500.0), Gain(0.1), "without the boost"),
        (replace(engine(), ambient_kpa=14.7), Gain(0.1), "air pressure is 14.7 kPa"),
    ],
)  # fmt: skip
def test_a_request_that_cannot_be_served_says_why(asked, gain, sentence):
    with pytest.raises(RequestProblem, match=sentence):
        answer_offset(MODEL, asked, gain)


def test_without_a_curve_the_study_s_own_reason_is_told():
    with pytest.raises(RequestProblem, match="No build has both"):
        curve_for(replace(MODEL, curves=(), why="No build has both an unboosted and a boosted run."), None, None)


def test_nearest_kind_serves_and_what_lies_outside_is_said():
    answer = answer_offset(MODEL, engine(900, 21.0, induction="turbocharger", charge_cooling="air_to_air"), Gain(0.1))
    assert answer.curve.induction == "turbocharger" and any("nearest wider kind" in note for note in answer.notes)
    assert any("more than 697 hp" in said for said in answer.outside_evidence)
    assert any("above 18.9 psi" in said for said in answer.outside_evidence)
    assert any("Equal power is not equal stress" in said for said in answer.cautions)
    belt = answer_offset(MODEL, engine(induction="centrifugal"), Gain(0.1))
    assert any("fixed drive ratio" in note for note in belt.notes)
    assert "No build in the study has this" in belt.outside_evidence[0]


def test_the_model_is_read_back_equal_and_draws_are_always_the_same():
    import json

    assert offset_model_from_json(json.loads(json.dumps(offset_model_to_json(MODEL)))) == MODEL
    assert standard_draws(20) == MODEL.draws and standard_draws(20, seed=1) != MODEL.draws
    z = np.array(MODEL.draws)
    assert z.shape == (2048, 5) and abs(z.mean(axis=0)).max() < 0.01
    # a t with 20 degrees of freedom has the variance 20 / 18
    assert z.var(axis=0) == pytest.approx([1, 20 / 18, 20 / 18, 1, 1], rel=0.02)


def test_quantile_is_the_midpoint_one():
    values = sorted(np.random.default_rng(2).normal(size=101).tolist())
    for p in (0.0, 0.025, 0.31, 0.5, 0.975, 1.0):
        assert quantile_of(values, p) == pytest.approx(np.quantile(values, p, method="hazen"), abs=1e-12)
    assert quantile_of([1.0, math.inf], 0.9) == math.inf and quantile_of([1.0, 2.0, math.inf], 0.5) == 2.0
