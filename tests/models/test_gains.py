"""What changed parts are worth: pairs judged, doubts told, truth recovered, curves summed up."""

from __future__ import annotations

import json
from dataclasses import asdict
from math import expm1, log

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from models.curve_records import GainCurve, GainPoint
from models.gain_answers import PairAnswers, answer_gains, answer_pairs
from models.gain_curves import over_band
from models.gain_moderators import answer_moderators
from models.gain_pairs import MeanCurve
from models.gain_records import PairGain, Span, gains_from_json, gains_to_json
from models.growth_fit import GrowthData, _minus_log_likelihood, fit_growth
from models.nested_mean import fit_nested_mean, share_with_range
from models.session_pulls import Scatter
from models.simulate_changes import ChangeTruth, simulate_changes
from pipeline.errors import RequestProblem
from tests.models.fit_strategies import REFERENCE

CURVE = MeanCurve(0.9, -0.06, 0.08)
Z = float(norm.ppf(0.975))


def run(key: str, power: float, boost: float = 0.0, **more):
    charged = {"role": "boosted", "induction": "turbocharger"} if boost else {"role": "baseline", "induction": None}
    return {
        "run_key": key, "build_key": "s|P|engine, as it came" if key.startswith("b") else "s|P|engine, changed",
        "source": "s", "publisher": "P", "file": "f.csv", "line": 2, "power_kw": power, "boost_kpa": boost,
        "ambient_used_kpa": 100.0, "ambient_basis": "recorded", "measured_at": "crank", "session": "day 1", "dyno_type": "engine",
        "correction": "sae_j1349", "is_repeat": False, "power_sd_kw": 0.006 * power, "pulls": 1,
    } | charged | more  # fmt: skip


def tables(before, after, *, others=(), parts=("camshaft",), held="boost", retuned=True):
    runs = pl.DataFrame([r for r in (before, after, *others) if r], infer_schema_length=None)
    builds = runs.select("build_key", "source", "publisher", build=pl.col("build_key").str.split("|").list.last()).unique(
        "build_key"
    )
    builds = builds.with_columns(engine_id=pl.lit("engine"), displacement_cc=pl.lit(2000.0))
    change = {
        "change_key": "c", "source": "s", "publisher": "P", "before_run_key": before["run_key"],
        "after_run_key": after["run_key"] if after else "gone", "parts": list(parts), "retuned_each": retuned, "held": held,
    }  # fmt: skip
    schema = {"retuned_each": pl.Boolean, "parts": pl.List(pl.String)}
    return {"run": runs, "build": builds, "change": pl.DataFrame([change], schema_overrides=schema)}


def judged(before, after, curve=CURVE, scatter=None, **more) -> PairGain:
    return answer_pairs(tables(before, after, **more), curve, scatter or {}, 0.95).pairs[0]


def codes(pair: PairGain) -> dict[str, bool]:
    return {d.code: d.bars for d in pair.doubts}


def test_interval_is_that_of_two_pulls_and_two_sessions():
    pair = judged(run("b", 200.0), run("a", 210.0))
    half = Z * (2 * 0.006**2 + 2 * 0.005**2) ** 0.5
    assert pair.gain_pct.value == pytest.approx(5.0)
    assert pair.gain_pct.low == pytest.approx(100 * expm1(log(1.05) - half))
    assert pair.gain_kw.high == pytest.approx(200 * expm1(log(1.05) + half))
    assert pair.smallest_pct == pytest.approx(100 * expm1(half))
    assert pair.sure_pct == pytest.approx(100 * expm1(half * (Z + norm.ppf(0.8)) / Z))
    assert (pair.verdict, pair.basis, pair.repeat_basis, pair.same_session) == ("gain", "as reported", "stated", True)
    assert pair.feeds == ("kind", "growth") and "a real gain" in pair.sentence and "1 session" not in pair.sentence


def test_another_day_and_no_stated_scatter_widen_it():
    bare = {"power_sd_kw": None, "session": None}
    pair = judged(run("b", 200.0, **bare), run("a", 210.0, **bare))
    assert pair.smallest_pct == pytest.approx(100 * expm1(Z * (2 * 0.015**2 + 2 * 0.015**2) ** 0.5))
    assert (pair.repeat_basis, pair.same_session, pair.verdict) == ("assumed", False, "nothing measurable")
    by_study = judged(run("b", 200.0, **bare), run("a", 210.0, **bare), scatter={"engine": Scatter(40 * 0.004**2, 40, 50)})
    assert by_study.repeat_basis == "study" and by_study.pull_rel_sd == pytest.approx(0.004)
    assert by_study.smallest_pct is not None and by_study.smallest_pct < pair.smallest_pct
    # an interval from 40 degrees of freedom is wider than one from a known scatter
    assert by_study.smallest_pct > 100 * expm1(Z * (2 * 0.004**2 + 2 * 0.015**2) ** 0.5)


@settings(max_examples=15, deadline=None)
@given(st.floats(20, 900), st.floats(0.7, 1.5))
def test_a_gain_is_real_exactly_where_it_passes_the_smallest_that_could_be_shown(power, ratio):
    pair = judged(run("b", power), run("a", power * ratio))
    assert pair.gain_pct.value is not None and pair.smallest_pct is not None
    assert (pair.verdict == "gain") == (pair.gain_pct.value > pair.smallest_pct)
    assert pair.gain_kw.value == pytest.approx(power * (ratio - 1), abs=1e-9)
    assert pair.sure_pct is not None and pair.sure_pct > pair.smallest_pct


CASES = [
    ("other_dyno", {"dyno_id": "one"}, {"dyno_id": "two"}, {}),
    ("other_dyno", {}, {"dyno_type": "chassis_roller"}, {}),
    ("other_place", {}, {"measured_at": "wheel"}, {}),
    ("other_rating", {"rating_basis": "net"}, {"rating_basis": "gross"}, {}),
    ("other_correction", {}, {"correction": None}, {}),
    ("part_throttle", {}, {"wide_open": False}, {}),
    ("engine_stopped", {}, {"outcome": "stopped_knock"}, {}),
    ("stated_rating", {"is_stated_rating": True}, {}, {}),
    ("repeated", {"is_repeat": True}, {}, {}),
    ("fuel_changed", {"fuel": "petrol"}, {"fuel": "ethanol_blend"}, {}),
    ("part_unknown", {}, {}, {"parts": ("other",)}),
    ("part_unknown", {}, {}, {"parts": ()}),
    ("boost_unstated", {"induction": "turbocharger"}, {"induction": "turbocharger"}, {}),
]


@pytest.mark.parametrize(("code", "before", "after", "more"), CASES)
def test_a_pair_that_cannot_be_compared_stays_out_and_says_what_helps(code, before, after, more):
    answers = answer_pairs(tables(run("b", 200.0, **before), run("a", 215.0, **after), **more), CURVE, {}, 0.95)
    pair = answers.pairs[0]
    assert codes(pair)[code] is True and pair.feeds == () and answers.parts == ()
    barred = next(d for d in pair.doubts if d.code == code)
    assert barred.sentence in pair.sentence and len(barred.sentence) > 40


def test_boost_on_one_side_is_no_gain_of_a_part():
    pair = judged(run("b", 200.0), run("a", 300.0, 60.0))
    assert codes(pair)["boosted_one_side"] and pair.verdict == "cannot judge"
    unstated = judged(run("b", 300.0, 60.0), run("a", 320.0, 60.0) | {"boost_kpa": 0.0})
    assert codes(unstated)["boost_unstated"] and "state it for both runs" in unstated.sentence


def test_a_loss_counts_and_a_swapped_pair_does_not():
    lost = judged(run("b", 200.0), run("a", 190.0))
    assert lost.verdict == "loss" and codes(lost)["loss"] is False and lost.feeds
    swapped = judged(run("b", 200.0, pull_order=5), run("a", 190.0, pull_order=2))
    assert codes(swapped)["swapped_order"] is True and swapped.verdict == "cannot judge" and "swapped" in swapped.sentence
    # run backwards with a gain: an engine may well be taken back to stock
    assert "swapped_order" not in codes(judged(run("b", 200.0, pull_order=5), run("a", 210.0, pull_order=2)))
    assert codes(judged(run("b", 200.0), run("a", 200.0)))["no_gain"] is False


def test_a_missing_run_is_told_and_nothing_crashes_on_empty_tables():
    gone = judged(run("b", 200.0), None)
    assert codes(gone) == {"run_missing": True} and gone.gain_pct.value is None and gone.verdict == "cannot judge"
    whole = tables(run("b", 200.0), run("a", 210.0))
    for change in (None, whole["change"].clear()):
        kept = {k: v for k, v in whole.items() if k != "change"} | ({} if change is None else {"change": change})
        answers = answer_pairs(kept, CURVE, {}, 0.95)
        assert (answers.pairs, answers.parts) == ((), ()) and answers.growth.growth.value is None


def test_one_session_of_two_corrections_is_compared_as_observed_and_two_days_by_one_standard():
    air = {"air_c": 25.0, "humidity_pct": 40.0}
    first = run("b", 200.0, observed_power_kw=195.0, **air)
    second = run("a", 215.0, observed_power_kw=204.75, correction="sae_j607", **air)
    pair = judged(first, second)
    assert pair.basis == "observed" and pair.gain_pct.value == pytest.approx(5.0)
    apart = judged(first, second | {"session": "day 2"})
    assert apart.basis == "sae_j1349" and apart.gain_pct.value is not None
    # J607 figures stand about 4 % higher than J1349 ones
    assert 2.0 < apart.gain_pct.value < 5.0


def test_power_ratio_is_the_engines_own_where_it_was_run_without_boost():
    boosted = run("b1", 310.0, 50.0), run("a1", 330.0, 50.0)
    alone = judged(*boosted)
    x, reference = 0.5, 10 * 6.894757293168361 / 101.325
    assert alone.power_ratio == pytest.approx(1 + 0.9 * x - 0.06 * x * (x - reference)) and not alone.power_ratio_measured
    own = judged(*boosted, others=(run("b0", 200.0),))
    assert own.power_ratio == pytest.approx(1.55) and own.power_ratio_measured
    unknown = judged(*boosted, curve=MeanCurve(None, 0.0, 0.0))
    assert unknown.power_ratio is None and unknown.feeds == ("kind",)


def test_boost_lost_at_a_held_setting_is_given_back():
    pair = judged(run("b", 310.0, 50.0), run("a", 320.0, 44.0), held="setting")
    assert pair.gain_at_held_boost_pct is not None and pair.gain_at_held_boost_pct.value is not None
    x, y, reference = 0.50, 0.44, 10 * 6.894757293168361 / 101.325
    back = (1 + 0.9 * x - 0.06 * x * (x - reference)) / (1 + 0.9 * y - 0.06 * y * (y - reference))
    assert pair.gain_at_held_boost_pct.value == pytest.approx(100 * (320 / 310 * back - 1))
    assert codes(pair)["setting_held"] is False and "equal boost" in pair.sentence
    belt = {"induction": "centrifugal", "boost_control": "fixed_drive"}
    belted = judged(run("b", 310.0, 50.0, **belt), run("a", 320.0, 44.0, **belt), held="setting")
    assert "drive ratio" in belted.sentence and "another drive ratio" in belted.sentence


def drawn(seed: int = 3, **truth) -> PairAnswers:
    made = simulate_changes(ChangeTruth(pull_rel_sd=0.0078, **truth), seed)
    runs = made.runs.with_columns(power_sd_kw=0.006 * pl.col("power_kw"))
    found = {"run": runs, "build": made.builds, "change": made.changes}
    return answer_pairs(found, MeanCurve(0.9, -0.06, 0.0), {}, 0.95)


@pytest.mark.parametrize("growth", [0.0, 0.7, 1.0])
def test_truth_is_recovered_from_many_pairs(growth):
    answers = drawn(engines=1000, growth=growth)
    found = answers.growth.growth
    assert found.value == pytest.approx(growth, abs=0.12) and found.low < growth < found.high
    assert answers.growth.moderation.value == pytest.approx(1.2 * log(2), abs=0.1)
    assert answers.growth.between_engines_share == pytest.approx(0.35, abs=0.05)
    assert answers.growth.engines_both_ways == len(answers.growth.both_ways) > 150
    truth = ChangeTruth().gains
    assert [p.part for p in answers.parts] == sorted(truth, key=lambda part: -truth[part])
    for part in answers.parts:
        mean = 100 * truth[part.part]
        assert part.gain_pct.low < mean < part.gain_pct.high and part.condition == "without boost"
        # on an engine of twice the output the gain is m ln 2 of itself more
        by_output = next(m.difference_pct for m in part.moderators if m.name == "kw_per_litre")
        half = (by_output.high - by_output.low) / 2
        assert part.slope_pct == by_output.value == pytest.approx(1.2 * log(2) * mean, abs=1.6 * half)
        # rho and the spread of output together
        assert part.between_engines_pct == pytest.approx(mean * (0.35**2 + (1.2 * 0.22) ** 2) ** 0.5, rel=0.25, abs=0.4)


def test_more_pairs_are_asked_for_until_growth_is_told():
    few, many = drawn(engines=80), drawn(engines=1000)
    assert few.growth.more_pairs > 50 and few.growth.more_engines_both_ways > 10
    assert (many.growth.more_pairs, many.growth.more_engines_both_ways) == (0, 0)
    assert "more pairs" in few.growth.sentence and "more pairs" not in many.growth.sentence


def test_growth_is_not_told_without_pairs_on_both_sides():
    answers = drawn(engines=60, boosted_share=0.0, both_share=0.0)
    assert answers.growth.growth.value is None and "What would tell" in (answers.growth.growth.why or "")
    assert all(p.growth_under_boost.why for p in answers.parts) and answers.growth.more_pairs is None
    boosted = drawn(engines=60, boosted_share=1.0, both_share=0.0)
    assert {p.condition for p in boosted.parts} == {"under boost"} and boosted.growth.growth.value is None


def test_a_combination_is_a_kind_of_its_own():
    made = simulate_changes(ChangeTruth(engines=60), 4)
    both = pl.Series([["valve_springs", "camshaft"]] * 5, dtype=pl.List(pl.String))
    changes = pl.concat([made.changes[:5].with_columns(parts=both), made.changes[5:]])
    answers = answer_pairs({"run": made.runs, "build": made.builds, "change": changes}, CURVE, {}, 0.95)
    combined = next(p for p in answers.parts if p.part == "camshaft + valve_springs")
    plain = {p.part for p in answers.parts if p.condition == "without boost"}
    assert all(("kind" in p.feeds) == (not p.is_boosted or p.kind not in plain) for p in answers.pairs)
    assert combined.parts == ("camshaft", "valve_springs")
    assert sum(p.pairs + (p.boosted_pairs if p.condition == "without boost" else 0) for p in answers.parts) == changes.height


def test_gradient_of_the_likelihood():
    rng = np.random.default_rng(1)
    n = 40
    data = GrowthData(
        rng.normal(0.06, 0.04, n), np.full(n, 2e-4), rng.integers(0, 3, n), rng.normal(0, 0.2, n),
        np.where(rng.random(n) < 0.4, 0.4, 0.0), rng.integers(0, 25, n),
    )  # fmt: skip
    at = np.array([0.9, 0.5, 0.3, 0.8, 0.7, -1.0])
    for place, slope in enumerate(_minus_log_likelihood(at, data, 3)[1]):
        step = np.zeros(6)
        step[place] = 1e-6
        up, down = (_minus_log_likelihood(at + sign * step, data, 3)[0] for sign in (1, -1))
        assert slope == pytest.approx((up - down) / 2e-6, rel=1e-5, abs=1e-5)
    assert fit_growth(data, moderation=0.3).moderation == 0.3


@pytest.mark.reference
def test_mean_over_engines_against_published_pooling():
    """Thirteen trials of BCG vaccine (Colditz et al. 1994), REML by R metafor (Viechtbauer 2010): -0.7145, tau^2 0.3132, SE 0.1798."""
    trials = pl.read_csv(REFERENCE / "bcg.csv")
    a, b, c, d = (trials[name].to_numpy().astype(float) for name in ("tpos", "tneg", "cpos", "cneg"))
    y, v = np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    found = fit_nested_mean(y, v, np.arange(13), 26, 0.95, "1")
    assert found.mean.value == pytest.approx(-0.7145, abs=5e-5)
    assert found.spread == pytest.approx(0.3132**0.5, abs=1e-4)
    # t with eleven degrees of freedom is 2.200985 (printed tables)
    assert found.new.high - found.new.value == pytest.approx(2.200985 * (0.3132 + 0.1798**2) ** 0.5, rel=2e-3)


def test_few_engines_or_one_publisher_give_no_range():
    three, v = np.array([4.0, 6.0, 5.0]), np.full(3, 0.5)
    assert fit_nested_mean(three[:1], v[:1], np.zeros(1, int), 2, 0.95, "%").mean.low is None
    assert "engines were tested" in (fit_nested_mean(three[:2], v[:2], np.array([0, 1]), 4, 0.95, "%").mean.why or "")
    assert "one publisher" in (fit_nested_mean(three, v, np.zeros(3, int), 6, 0.95, "%").mean.why or "")
    ranged = fit_nested_mean(three, v, np.array([0, 1, 1]), 6, 0.95, "%")
    assert ranged.mean.low < 5 < ranged.mean.high < ranged.new.high


@pytest.mark.reference
def test_share_with_wilsons_interval():
    """10 of 20 by Wilson (1927): 0.299 to 0.701, as in Newcombe 1998 (from memory)."""
    share = share_with_range(10, 20, 0.95, 40, "engine")
    assert (round(share.low, 3), round(share.high, 3)) == (0.299, 0.701)
    assert share_with_range(0, 0, 0.95, 0, "engine").value is None


def engines(n: int, **columns) -> pl.DataFrame:
    rng = np.random.default_rng(8)
    plain = {
        "gain_pct": 6 + rng.normal(0, 0.5, n), "var_pct": np.full(n, 0.25), "pairs": [1] * n, "kw_per_litre": [50.0] * n,
        "head_state": [None] * n, "intake_kind": [None] * n, "intake_duration_deg": [None] * n, "duration_at_mm": [None] * n,
        "compressor_rating_kw": [None] * n, "before_kw": [300.0] * n,
    }  # fmt: skip
    types = {"head_state": pl.String, "intake_kind": pl.String}
    numbers = dict.fromkeys(("intake_duration_deg", "duration_at_mm", "compressor_rating_kw"), pl.Float64)
    return pl.DataFrame(plain | columns, schema_overrides=types | numbers)


def test_headroom_is_tested_where_ratings_are_recorded():
    rating = np.where(np.arange(16) < 8, 320.0, 500.0)
    gain = np.where(rating > 400, 0.2, 8.0) + np.random.default_rng(2).normal(0, 0.4, 16)
    _, (found,) = answer_moderators(engines(16, compressor_rating_kw=rating, gain_pct=gain), 0.95)
    assert (found.name, found.level, found.against) == ("compressor_headroom", "with_room", "near_its_rating")
    assert found.difference_pct.high < -6 and "less" in found.sentence and (found.level_engines, found.against_engines) == (8, 8)
    assert answer_moderators(engines(16), 0.95)[1] == ()


def test_durations_at_two_lifts_are_not_mixed():
    lift = [1.27] * 8 + [0.15] * 4
    duration = np.array([200.0, 205, 210, 215, 220, 225, 230, 235, 280, 290, 300, 310])
    _, (found,) = answer_moderators(engines(12, intake_duration_deg=duration, duration_at_mm=lift), 0.95)
    assert found.name == "intake_duration_deg" and found.level_engines == 8


def gain_curve(gain) -> GainCurve:
    rpm = np.arange(3000.0, 6001.0, 100.0)
    points = tuple(
        GainPoint(r, 100.0, 100.0 + g, g, g - 1.0, g + 1.0) for r, g in zip(rpm.tolist(), gain(rpm).tolist(), strict=True)
    )
    return GainCurve("c", "b", "a", "s", "P", "engine", ("camshaft",), "as reported", True, 0.95, points)


def test_a_curve_is_averaged_over_a_band_and_says_where_it_loses():
    curve = gain_curve(lambda rpm: (rpm - 4000) / 200)  # -5 at 3000, +10 at 6000
    found = over_band(curve)
    assert (found.band.low_rpm, found.band.high_rpm) == (5000.0, 6000.0)
    assert found.average_kw.value == pytest.approx(7.5) and found.average_pct.value == pytest.approx(7.5)
    assert found.average_kw.high - found.average_kw.value == pytest.approx(1.0)
    assert found.loses_at == (Span(3000.0, 3700.0),) and found.gains_at == (Span(4300.0, 6000.0),)
    assert found.area_kw_rpm == pytest.approx(2.5 * 3000) and "It loses at 3000 to 3700 rpm" in found.sentence
    asked = over_band(curve, Span(3000.0, 4000.0))
    assert asked.average_kw.value == pytest.approx(-2.5)
    with pytest.raises(RequestProblem, match="both cover 3000 to 6000 rpm"):
        over_band(curve, Span(5000.0, 7000.0))


def test_a_request_that_cannot_be_served_is_one_sentence(small_study):
    with pytest.raises(RequestProblem, match="lack build"):
        answer_gains({"run": pl.DataFrame(), "source": pl.DataFrame()}, small_study)
    whole = tables(run("b", 200.0), run("a", 210.0)) | {"source": pl.DataFrame({"source": ["s"], "invented": [True]})}
    with pytest.raises(RequestProblem, match="between 0 and 1"):
        answer_gains(whole, small_study, level=1.5)
    with pytest.raises(RequestProblem, match="no column held"):
        answer_gains(whole | {"change": whole["change"].drop("held")}, small_study)


@pytest.fixture(scope="module")
def small_study():
    from models.simulate import simulate_study
    from models.simulate_worlds import world
    from models.study import run_study

    made = simulate_study(world("base", builds=20), 5)
    sources = made.runs.select("source", "publisher").unique("source").with_columns(
        title=pl.lit("t"), url=pl.lit(""), licence=pl.lit("CC0-1.0"), published_on=pl.lit("2024-01-01"), invented=pl.lit(True),
        medium=pl.lit("magazine"),
    )  # fmt: skip
    found = {"run": made.runs, "build": made.builds, "source": sources}
    return run_study(found, version="1", fingerprint="mark", made_on="2026-01-01")


def test_all_answers_carry_the_stamp_of_the_study_and_come_back_equal(small_study):
    made = simulate_changes(ChangeTruth(engines=40), 9)
    source = pl.DataFrame({"source": made.changes["source"].unique(), "invented": True})
    found = {"run": made.runs, "build": made.builds, "source": source, "change": made.changes}
    results = answer_gains(found, small_study)
    assert (results.fingerprint, results.invented, len(results.pairs)) == ("mark", True, made.changes.height)
    assert gains_from_json(gains_to_json(results)) == results == answer_gains(found, small_study)
    assert {r.dyno_kind for r in results.repeatability} == {"engine", "chassis"}


@pytest.mark.parametrize("seed", range(8))
def test_awkward_records_are_answered_or_say_why(seed):
    rng = np.random.default_rng(seed)
    made = simulate_changes(ChangeTruth(engines=int(rng.integers(1, 14)), publishers=int(rng.integers(1, 4))), seed)
    n, m = made.runs.height, made.builds.height

    def some(values, share, kind):
        return pl.Series([rng.choice(values) if rng.random() < share else None for _ in range(n)], dtype=kind, strict=False)

    odd = some([1e-3, 9999.0, 150.0], 0.2, pl.Float64)
    runs = made.runs.with_columns(
        power_kw=pl.coalesce(odd, "power_kw"), boost_kpa=pl.coalesce(some([0.0, 1.0, 600.0], 0.1, pl.Float64), "boost_kpa"),
        observed_power_kw=some([60.0, 300.0], 0.3, pl.Float64), air_c=some([-10.0, 55.0], 0.4, pl.Float64),
        correction=pl.coalesce(some(["sae_j607", "unstated", "uncorrected"], 0.3, pl.String), "correction"),
        pulls=some([1, 3, 100], 0.4, pl.Int64), power_sd_kw=some([0.0, 1e-6, 50.0], 0.4, pl.Float64),
    )  # fmt: skip
    builds = made.builds.with_columns(
        displacement_cc=pl.when(pl.int_range(m) % 3 != 0).then("displacement_cc"), compressor_rating_kw=pl.lit(300.0),
        intake_duration_deg=pl.Series(rng.uniform(180, 300, m)), head_state=pl.Series(rng.choice(["stock", "ported"], m)),
    )  # fmt: skip
    held = pl.lit(["setting", "boost", None][seed % 3], pl.String)
    found = {"run": runs, "build": builds, "change": made.changes.with_columns(held=held)}
    answers = answer_pairs(found, [CURVE, MeanCurve(None, 0.0, 0.0)][seed % 2], {}, 0.95)
    assert len(answers.pairs) == made.changes.height and all(pair.sentence for pair in answers.pairs)
    json.dumps(asdict(answers), allow_nan=False)
    for part in answers.parts:
        assert part.gain_pct.value is not None and (part.gain_pct.low is not None or part.gain_pct.why)


def test_hostile_names_stay_text():
    evil = "=cmd|' /C calc'!A0<script>\x1b[2J"
    rows = tables(run("b", 200.0), run("a", 210.0))
    rows["build"] = rows["build"].with_columns(engine_id=pl.lit(evil), build=pl.lit(evil))
    pair = answer_pairs(rows, CURVE, {}, 0.95).pairs[0]
    assert pair.engine == evil and pair.verdict == "gain"
