"""Curves at equal speed: inside both ranges only, one correction for both, known gains and yields recovered, bands that cover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.curve_records import CurveAnswers, YieldCurve
from models.curves_at_rpm import answer_curves, answer_yield_by_speed, gains_of_changes, on_common_speeds
from models.sample import choose_sample
from pipeline.errors import RequestProblem


def kw(rpm, times=1.0):
    """Torque peak at 4000 rpm, power peak of 150 kW at 6000 rpm."""
    rpm = np.asarray(rpm, float)
    return times * 150 * (rpm / 6000) * (1 - (rpm - 4000) ** 2 / 28e6) / (6 / 7)


def points_of(key, rpm, power, boost=None):
    rpm = np.asarray(rpm, float)
    return pl.DataFrame(
        {
            "run_key": [key] * rpm.size, "line": np.arange(2, rpm.size + 2), "rpm": rpm, "curve_power_kw": power,
            "curve_torque_nm": pl.Series([None] * rpm.size, dtype=pl.Float64),
            "curve_boost_kpa": pl.Series([None] * rpm.size if boost is None else boost, dtype=pl.Float64),
        }
    )  # fmt: skip


def run_row(key, build, power, boost=0.0, **more):
    return {
        "run_key": key, "build_key": f"s|p|{build}", "source": "s", "publisher": "p", "role": "boosted" if boost > 3 else "baseline",
        "power_kw": power, "power_rpm": 6000.0, "boost_kpa": boost, "ambient_used_kpa": 100.0, "ambient_basis": "recorded",
        "induction": "turbocharger" if boost > 3 else None, "correction": None, "correction_factor": None, "session": None,
    } | more  # fmt: skip


def table(rows):
    return pl.DataFrame(rows, infer_schema_length=None)


def builds_of(runs):
    return runs.select("build_key", "source", "publisher", build=pl.col("build_key").str.split("|").list.last()).unique(
        "build_key"
    )


CHANGE = {
    "change_key": "c1", "source": "s", "publisher": "p", "before_run_key": "b", "after_run_key": "a", "parts": ["camshaft"],
}  # fmt: skip
NO_CHANGE = pl.DataFrame([CHANGE]).clear()


def test_speeds_are_inside_the_range_and_straight_between_points():
    made = on_common_speeds(points_of("k", [3050, 3550, 4050, 4550], [50.0, 60.0, 80.0, 90.0]))
    assert made["rpm"].to_list() == [float(r) for r in range(3100, 4600, 100)]
    assert made.filter(pl.col("rpm") == 3300)["power_kw"][0] == pytest.approx(55.0)


def test_no_line_is_drawn_across_a_wide_gap():
    made = on_common_speeds(points_of("k", [3000, 3100, 3200, 5200, 5300, 5400], kw([3000, 3100, 3200, 5200, 5300, 5400])))
    assert made["rpm"].to_list() == [3000.0, 3100.0, 3200.0, 5200.0, 5300.0, 5400.0]


@pytest.mark.slow
@given(st.lists(st.tuples(st.integers(1000, 9000), st.integers(2, 30)), min_size=1, max_size=5))
@settings(max_examples=40, deadline=None)
def test_curves_of_any_range_stay_apart(spans):
    frames = [points_of(f"k{i}", low + 75 * np.arange(n), kw(low + 75 * np.arange(n), 1 + i)) for i, (low, n) in enumerate(spans)]
    made = on_common_speeds(pl.concat(frames))
    for i, (low, n) in enumerate(spans):
        own = made.filter(pl.col("run_key") == f"k{i}")
        assert own.is_empty() or (own["rpm"].min() >= low and own["rpm"].max() <= low + 75 * (n - 1))
        alone = on_common_speeds(frames[i])
        assert own.drop("run_key").equals(alone.drop("run_key"))


def test_table_without_its_columns_is_named():
    with pytest.raises(RequestProblem, match="curve_boost_kpa"):
        on_common_speeds(points_of("k", [3000], [50.0]).drop("curve_boost_kpa"))
    with pytest.raises(RequestProblem, match="step above zero"):
        on_common_speeds(points_of("k", [3000], [50.0]), 0)


def gain_case(before=None, after=None, shift=0, points=None):
    rpm = np.arange(3000, 7001, 250)
    given_points = pl.concat([points_of("b", rpm, kw(rpm)), points_of("a", rpm + shift, kw(rpm + shift, 1.06))])
    runs = table([run_row("b", "A", 150.0, **(before or {})), run_row("a", "A cam", 159.0, **(after or {}))])
    return gains_of_changes(pl.DataFrame([CHANGE]), runs, builds_of(runs), given_points if points is None else points)


def test_gain_of_a_change_at_each_shared_speed():
    (gain,), left_out = gain_case(shift=500)
    assert not left_out
    assert (gain.points[0].rpm, gain.points[-1].rpm) == (3500.0, 7000.0)
    for p in gain.points:
        assert p.gain_kw == pytest.approx(0.06 * float(kw(p.rpm)), abs=0.15)  # straight lines between points 250 rpm apart
        assert p.low_kw < p.gain_kw < p.high_kw
        assert p.gain_kw == pytest.approx(p.after_kw - p.before_kw)
    assert (gain.build, gain.parts, gain.basis, gain.same_session) == ("A", ("camshaft",), "as reported", False)


def test_band_narrows_within_a_session_and_with_pulls():
    (apart,), _ = gain_case()
    (together,), _ = gain_case({"session": "x"}, {"session": "x"})
    (often,), _ = gain_case({"session": "x", "pulls": 9}, {"session": "x", "pulls": 9})

    def width(gain):
        return gain.points[5].high_kw - gain.points[5].low_kw

    assert width(apart) > width(together) > width(often)


def test_two_corrections_are_taken_off_or_the_pair_is_left_out():
    (gain,), _ = gain_case(
        {"correction": "din_70020", "correction_factor": 1.05}, {"correction": "sae_j1349", "correction_factor": 1.02}
    )
    assert gain.basis == "observed"
    at = next(p for p in gain.points if p.rpm == 4000)
    assert at.before_kw == pytest.approx(float(kw(at.rpm)) / 1.05, rel=1e-6)
    gains, (lost,) = gain_case({"correction": "din_70020"}, {"correction": "sae_j1349"})
    assert not gains
    assert "din_70020 and sae_j1349" in lost.sentence


def test_curves_without_shared_speeds_are_left_out_by_name():
    points = pl.concat([points_of("b", [3000, 3100, 3200], [50.0, 51, 52]), points_of("a", [6000, 6100, 6200], [90.0, 91, 92])])
    gains, (lost,) = gain_case(points=points)
    assert not gains
    assert "share no speed" in lost.sentence


@pytest.mark.slow
def test_band_covers_the_true_gain_as_often_as_it_says():
    rng = np.random.default_rng(17)
    rpm = np.arange(3000, 7001, 250)
    hits = []
    for _ in range(150):
        heights = 1 + rng.normal(0, 0.015, 2) + rng.normal(0, 0.005, 2)
        points = pl.concat([points_of("b", rpm, kw(rpm) * heights[0]), points_of("a", rpm, kw(rpm, 1.06) * heights[1])])
        (gain,), _ = gain_case({"session": "x"}, {"session": "x"}, points=points)
        p = gain.points[20]
        hits.append(p.low_kw <= 0.06 * float(kw(p.rpm)) <= p.high_kw)
    assert 0.90 <= np.mean(hits) <= 0.995  # 150 trials at 0.95: three standard errors are 0.053


def study(ratios, logged=True):
    """One unboosted and one boosted curve of each build, with the rule ratio as a function of speed."""
    rpm = np.arange(2500, 7001, 250)
    runs, points = [], []
    for i, ratio in enumerate(ratios):
        boost = 60 * np.minimum(rpm / 4000, 1.0)
        made = kw(rpm) * (1 + np.array([ratio(r) for r in rpm]) * boost / 100.0)
        runs += [run_row(f"n{i}", f"B{i}", float(kw(rpm).max())), run_row(f"t{i}", f"B{i}", float(made.max()), 60.0)]
        points += [points_of(f"n{i}", rpm, kw(rpm)), points_of(f"t{i}", rpm, made, boost if logged else None)]
    runs = table(runs)
    builds = builds_of(runs)
    return answer_curves(choose_sample(runs, builds), runs, builds, NO_CHANGE, pl.concat(points))


def test_yield_by_speed_is_recovered():
    def fades(rpm):
        return 1.0 - 0.05 * (rpm - 2500) / 1000

    answers = study([fades, lambda r: fades(r) - 0.02, lambda r: fades(r) + 0.02])
    assert len(answers.yields) == 3
    assert not answers.left_out
    for p in answers.yields[0].points:
        assert p.rule_ratio == pytest.approx(fades(p.rpm), abs=0.01)
        assert p.low < p.rule_ratio < p.high
        assert p.yield_kw_per_kpa == pytest.approx(p.rule_ratio * p.baseline_kw / 101.325)
    by_share = {p.speed_share: p.rule_ratio for p in answers.by_speed}
    assert by_share[0.5].value == pytest.approx(fades(3000), abs=0.01)
    assert by_share[1.0].value == pytest.approx(fades(6000), abs=0.01)
    assert by_share[1.0].builds == 3
    assert by_share[1.1].low < fades(6600) < by_share[1.1].high


def test_boost_that_was_not_logged_gives_no_yield_but_a_sentence():
    answers = study([lambda r: 0.9] * 3, logged=False)
    assert not answers.yields
    assert [lost.key for lost in answers.left_out] == ["t0", "t1", "t2"]
    assert answers.by_speed[0].rule_ratio.value is None


def test_low_boost_is_left_out():
    answers = study([lambda r: 0.9])
    assert min(p.boost_kpa for p in answers.yields[0].points) >= 10.0


def test_two_builds_are_no_average_and_curves_of_one_build_count_once():
    answers = study([lambda r: 0.9] * 2)
    assert answers.by_speed[3].rule_ratio.why is not None
    three = study([lambda r: 0.9, lambda r: 0.8, lambda r: 1.0])
    twin: YieldCurve = replace(three.yields[0], run_key="again")
    more = answer_yield_by_speed([*three.yields, twin])[5].rule_ratio
    assert (more.builds, more.runs) == (3, 4)
    assert more.value == pytest.approx(three.by_speed[5].rule_ratio.value)


def test_a_store_without_curves():
    runs = table([run_row("n", "A", 150.0), run_row("t", "A", 210.0, 50.0)])
    empty = points_of("k", [3000.0], [1.0]).clear()
    answers = answer_curves(choose_sample(runs, builds_of(runs)), runs, builds_of(runs), NO_CHANGE, empty)
    assert isinstance(answers, CurveAnswers)
    assert answers.gains == answers.yields == answers.left_out == ()
