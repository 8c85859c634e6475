"""Contrasts of drivers: truth comes back, what cannot be told says so, nothing explodes."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from pydantic import TypeAdapter
from statsmodels.regression.linear_model import OLS

from models.driver_diagnostics import MOST_LISTED, _chosen
from models.driver_records import DriverAnswers, DriverContrast
from models.drivers import answer_drivers
from models.estimate import Estimate
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
from pipeline.errors import RequestProblem

PSI = 6.894757293168361


def of(contrasts: tuple[DriverContrast, ...], name: str, level: str | None = None) -> DriverContrast:
    (found,) = [c for c in contrasts if c.name == name and level in (None, c.level)]
    return found


def standard_error(estimate: Estimate) -> float:
    """Half width over 2.1, the quantile of t with about 20 publishers."""
    return (estimate.high - estimate.low) / 2 / 2.1


def numbers_in(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [n for one in value.values() for n in numbers_in(one)]
    if isinstance(value, list | tuple):
        return [n for one in value for n in numbers_in(one)]
    return [value] if isinstance(value, float) else []


def check_honest(answers: DriverAnswers) -> None:
    """Every estimate without a value or an end says why; no number is infinite, missing by NaN, or beyond belief."""
    for contrast in (*answers.together, *answers.alone):
        estimate = contrast.difference
        if None in (estimate.value, estimate.low, estimate.high):
            assert estimate.why, contrast
        if estimate.value is not None:
            assert abs(estimate.value) < 2, contrast
    assert all(math.isfinite(n) for n in numbers_in(asdict(answers)))


# --- recovery -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def simulated() -> tuple[Any, DriverAnswers]:
    truth = replace(world("base", 300), publishers=40)
    study = simulate_study(truth, 20260411)
    sample = choose_sample(study.runs, study.builds)
    return study, answer_drivers(sample, tables={"source": study.sources, "run": study.runs, "build": study.builds})


@pytest.mark.parametrize(
    ("name", "level", "true"),
    [
        ("induction", "centrifugal", -0.06),
        ("induction", "positive_displacement", -0.13),
        ("charge_cooling", "air_to_water", 0.02),
        ("charge_cooling", "none", -0.11),
    ],
)
def test_class_effects_come_back_together_and_alone(simulated, name, level, true):
    """Classes are drawn independently of one another, so both ways must find them, within 3.3 standard errors."""
    _, answers = simulated
    for contrasts in (answers.together, answers.alone):
        difference = of(contrasts, name, level).difference
        assert abs(difference.value - true) < 3.3 * standard_error(difference)
        assert standard_error(difference) < 0.02


def test_drivers_explain_part_of_the_spread(simulated):
    """Spread beside the classes is sqrt(.065^2 + .03^2) = .072; with them .103."""
    study, answers = simulated
    assert answers.spread_with == pytest.approx(0.0716, abs=0.012)
    assert answers.spread_without == pytest.approx(study.truth.between_builds_sd, abs=0.015)
    assert answers.spread_with < answers.spread_without


def test_mean_of_the_average_build_is_the_mean(simulated):
    _, answers = simulated
    mean = answers.mean_at_average
    assert abs(mean.value - 0.90) < 3.3 * standard_error(mean)


def test_altitude_and_place_do_nothing_where_they_do_nothing(simulated):
    _, answers = simulated
    for name in ("altitude", "measured_at"):
        difference = of(answers.together, name).difference
        assert abs(difference.value) < 3.3 * standard_error(difference)


def test_answers_are_honest_and_survive_storing(simulated):
    _, answers = simulated
    check_honest(answers)
    stored = json.loads(json.dumps(asdict(answers)))
    assert TypeAdapter(DriverAnswers).validate_python(stored) == answers


def test_order_of_rows_changes_nothing(simulated):
    study, answers = simulated
    runs, builds = study.runs.reverse(), study.builds.sample(fraction=1.0, shuffle=True, seed=4)
    again = answer_drivers(choose_sample(runs, builds), tables={"source": study.sources})
    assert again == answers


# --- numbers, with planted effects --------------------------------------------------------------------------------------

Fill = Callable[..., tuple[Any, dict[str, pl.DataFrame]]]


@pytest.fixture
def fill(make_clean: Callable[[], Any]) -> Fill:
    """Builds whose rule ratio follows a function of their facts.

    ``facts(draw, i)`` gives build facts, boosted-run facts and the build's true rule ratio; ``na_kw`` among the build facts is
    its power without boost. Scatter between builds is .03, errors as the fit assumes them.
    """

    def make(facts: Callable[[np.random.Generator, int], tuple[dict, dict, float]], builds: int = 96, publishers: int = 12,
             seed: int = 5) -> tuple[Any, dict[str, pl.DataFrame]]:  # fmt: skip
        draw, clean = np.random.default_rng(seed), make_clean()
        for i in range(builds):
            build, run, ratio = facts(draw, i)
            p0 = build.pop("na_kw", None) or float(draw.uniform(80, 500))
            s = ratio + 0.03 * draw.standard_normal()
            g = i % publishers
            key = clean.build(f"e{i}", publisher=f"Pub {g}", source=f"s{g}", **build)
            clean.baseline(key, power_kw=p0 * math.exp(0.015 * draw.standard_normal()), ambient_used_kpa=101.3)
            for psi in (6, 12):
                x = psi * PSI / 101.3
                made = p0 * (1 + s * x) * math.exp(0.015 * draw.standard_normal())
                clean.boosted(key, power_kw=made, boost_kpa=psi * PSI, ambient_used_kpa=101.3, **run)
        runs, table = clean.tables()
        extra = pl.DataFrame([{"run_key": row["run_key"], "extra": row.get("extra")} for row in clean.rows],
                             schema={"run_key": pl.String, "extra": pl.String})  # fmt: skip
        runs = runs.join(extra, on="run_key", how="left")
        return choose_sample(runs, table), {"run": runs, "build": table}

    return make


def test_compression_ratio_and_specific_output_come_back(fill):
    """+1 of compression costs .03 and 10 kW/L add .01."""

    def facts(draw, _):
        ratio, per_litre = draw.uniform(7.5, 11.5), draw.uniform(30, 90)
        power = draw.uniform(80, 500)
        build = {"compression_ratio": ratio, "na_kw": power, "displacement_cc": 1000 * power / per_litre}
        return build, {}, 0.9 - 0.03 * (ratio - 9.5) + 0.01 * (per_litre - 60) / 10

    sample, _ = fill(facts)
    answers = answer_drivers(sample)
    for name, true in (("compression_ratio", -0.03), ("specific_output", 0.01)):
        for contrasts in (answers.together, answers.alone):
            contrast = of(contrasts, name)
            assert abs(contrast.difference.value - true) < 3.3 * standard_error(contrast.difference)
            assert standard_error(contrast.difference) < 0.006
    assert (of(answers.alone, "specific_output").step, of(answers.alone, "specific_output").unit) == (10.0, "kW/L")
    assert of(answers.alone, "compression_ratio").level == "+1"


def test_compressor_rating_is_judged_at_equal_output(fill):
    """Big engines yield less here and carry big compressors; the compressor itself does nothing, and that is what is said."""

    def facts(draw, _):
        log_power = draw.normal(7.6, 0.6)
        rating = 2 ** (log_power + 1 + 0.3 * draw.standard_normal())
        return {"na_kw": 2**log_power, "compressor_rating_kw": rating}, {}, 0.9 - 0.08 * (log_power - 7.6)

    sample, tables = fill(facts)
    answers = answer_drivers(sample, tables=tables, own_columns=("compressor_rating_kw",))
    contrast = of(answers.alone, "compressor_rating")
    assert abs(contrast.difference.value) < 3.3 * standard_error(contrast.difference)
    assert standard_error(contrast.difference) < 0.03
    assert contrast.adjusted_for == ("na_power",)
    assert (contrast.level, contrast.step, contrast.unit) == ("doubled", 2.0, "1")
    by_itself = of(answers.alone, "compressor_rating_kw").difference
    assert by_itself.high < 0, "without output beside it the rating takes the blame"


def test_compressor_in_step_with_output_is_refused(fill):
    def facts(draw, _):
        power = float(draw.uniform(80, 500))
        return {"na_kw": power, "compressor_rating_kw": 2.0 * power}, {}, 0.9

    sample, _ = fill(facts)
    difference = of(answer_drivers(sample).alone, "compressor_rating").difference
    assert difference.value is None
    assert "goes together with na power" in difference.why


# --- levels, missing values, collinearity -------------------------------------------------------------------------------


def test_drivers_that_always_go_together_are_named_and_not_given(fill):
    def facts(_, i):
        hot = i // 12 % 2 == 0
        setup = {"induction": "centrifugal" if hot else "turbocharger", "charge_cooling": "none" if hot else "air_to_air"}
        return {}, setup, 0.8 if hot else 0.95

    sample, _ = fill(facts)
    answers = answer_drivers(sample)
    check_honest(answers)
    for name, other in (("charge_cooling", "induction"), ("induction", "charge cooling")):
        difference = of(answers.together, name).difference
        assert difference.value is None
        assert difference.why == f"It goes together with {other} in these builds; their effects cannot be told apart."
        assert of(answers.alone, name).difference.value == pytest.approx(-0.15, abs=0.04)
    rows = {(row.name, row.goes_with) for row in answers.diagnostics.collinearity}
    assert rows == {("charge_cooling", "induction"), ("induction", "charge_cooling")}
    assert any("neither is given" in note for note in answers.notes)


def test_what_is_not_stated_is_a_level_of_its_own_and_counted(fill):
    def facts(_, i):
        k = i // 12 % 3
        return {}, {"charge_cooling": (None, "air_to_air", "none")[k]}, (0.9, 0.95, 0.80)[k]

    sample, _ = fill(facts)
    answers = answer_drivers(sample)
    missing = of(answers.alone, "charge_cooling", "not stated")
    assert missing.difference.value == pytest.approx(-0.05, abs=0.04)
    assert (missing.builds_at_level, missing.builds_against, missing.missing) == (36, 36, 36)
    (summary,) = [s for s in answers.summaries if s.name == "charge_cooling"]
    assert (summary.stated, summary.missing) == (60, 36)


def test_builds_without_the_number_leave_its_model_and_are_counted(fill):
    def facts(draw, i):
        return {"compression_ratio": float(draw.uniform(8, 11)) if i % 8 else None}, {}, 0.9

    sample, _ = fill(facts)
    answers = answer_drivers(sample)
    contrast = of(answers.together, "compression_ratio")
    assert (contrast.missing, contrast.builds_at_level, contrast.difference.builds) == (12, 84, 84)
    assert answers.builds_left_out == 12
    assert any("leaves out 12 of 96" in note for note in answers.notes)
    assert answers.mean_at_average.builds == 84


def test_thin_levels_are_refused_one_by_one(fill):
    def facts(_, i):
        fuel = "methanol" if i < 4 else "ethanol_blend" if i % 12 == 3 else "gas" if i // 12 % 2 else "petrol"
        return {}, {"fuel": fuel}, 0.9

    sample, _ = fill(facts)
    answers = answer_drivers(sample)
    check_honest(answers)
    few = of(answers.alone, "fuel", "methanol")
    assert few.difference.why == "4 builds of 4 publishers: a level needs 5 builds of 2 publishers."
    one = of(answers.alone, "fuel", "ethanol_blend")
    assert one.difference.why == "7 builds of 1 publisher: a level needs 5 builds of 2 publishers."
    assert of(answers.alone, "fuel", "gas").difference.value is not None


@pytest.mark.parametrize(("builds", "publishers"), [(0, 1), (1, 1), (3, 3), (9, 1), (12, 12)])
def test_small_samples_give_sentences(fill, builds, publishers):
    def facts(_, i):
        return {"compression_ratio": 8.0 + i % 3}, {"charge_cooling": ("none", "air_to_air")[i % 2]}, 0.9

    sample, tables = fill(facts, builds, publishers)
    answers = answer_drivers(sample, tables=tables)
    check_honest(answers)
    assert len(answers.summaries) == 11
    if builds <= 9:
        assert all(c.difference.value is None or c.difference.low is None for c in answers.alone)
        assert answers.mean_at_average.value is None
        assert answers.mean_at_average.why


# --- columns of the analyst's own ---------------------------------------------------------------------------------------


@pytest.fixture
def shop(fill) -> tuple[Any, dict[str, pl.DataFrame]]:
    """A contributed header "Shop car?" that costs .05, a number "room", and a build field that is only a label."""

    def facts(draw, i):
        yes, room = i // 12 % 2 == 0, float(draw.uniform(15, 35))
        extra = json.dumps({"Shop car?": "yes" if yes else "no", "room": f"{room:.1f}", "<b>": f"text {i}", "empty": None})
        return {"engine_family": "A" if yes else "B"}, {"extra": extra}, 0.95 - 0.05 * yes - 0.002 * (room - 25)

    return fill(facts)


def test_own_columns_of_text_and_number(shop):
    sample, tables = shop
    answers = answer_drivers(sample, tables=tables, own_columns=("Shop car?", "room", "engine_family", "fuel"))
    text = of(answers.alone, "Shop car?")
    assert {text.level, text.against} == {"yes", "no"}
    as_planted = text.difference.value if text.level == "yes" else -text.difference.value
    assert abs(as_planted + 0.05) < 3.3 * standard_error(text.difference)
    assert standard_error(text.difference) < 0.02
    number = of(answers.alone, "room")
    assert number.difference.value / number.step == pytest.approx(-0.002, abs=0.002)
    assert of(answers.alone, "engine_family").difference.value is not None
    assert [s.name for s in answers.summaries].count("fuel") == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Shop car", "nearest: Shop car?"),
        ("<b>", "96 different texts"),
        ("empty", "no build"),
        ("bore_mm", "no build"),
        ("zzz", "there are"),
    ],
)
def test_own_columns_that_cannot_serve_say_why(shop, name, words):
    sample, tables = shop
    with pytest.raises(RequestProblem, match=".") as caught:
        answer_drivers(sample, tables=tables, own_columns=(name,))
    assert words in str(caught.value)
    assert repr(name) in str(caught.value)


@pytest.mark.parametrize("name", ["publisher", "unit", "boost_kpa", "na_power_kw"])
def test_own_columns_named_like_our_own_hide_nothing(shop, name):
    sample, tables = shop
    plain = answer_drivers(sample, tables=tables)
    answers = answer_drivers(sample, tables=tables, own_columns=(name,))
    assert answers.together == plain.together
    assert answers.alone[: len(plain.alone)] == plain.alone


# --- diagnostics --------------------------------------------------------------------------------------------------------


def test_diagnostics_are_those_of_the_weighted_regression(simulated):
    _, answers = simulated
    found = answers.diagnostics
    columns = len(found.collinearity) + 1
    assert found.shown == found.builds == 300
    assert sum(u.leverage for u in found.units) == pytest.approx(columns)
    assert all(row.vif < 3 and row.goes_with is None for row in found.collinearity)
    assert 1 < found.condition_number < 10
    assert [u.cooks_distance for u in found.units] == sorted((u.cooks_distance for u in found.units), reverse=True)
    by_quantile = sorted(found.units, key=lambda u: u.normal_quantile)
    assert [u.studentised for u in by_quantile] == sorted(u.studentised for u in found.units)
    assert np.std([u.studentised for u in found.units]) == pytest.approx(1, abs=0.05)
    slope = OLS([u.studentised for u in by_quantile], [u.normal_quantile for u in by_quantile]).fit().params[0]
    assert slope == pytest.approx(1, abs=0.1), "effects are normal in this world, so the QQ plot is straight"


def test_a_planted_misprint_is_the_most_influential(fill):
    def facts(draw, i):
        return {"compression_ratio": 15.0 if i == 40 else float(draw.uniform(8, 11))}, {}, 1.6 if i == 40 else 0.9

    sample, _ = fill(facts)
    first = answer_drivers(sample).diagnostics.units[0]
    assert "e40" in first.unit_id
    assert first.is_influential
    assert first.cooks_distance > 1


def test_uneven_spread_is_noticed(fill):
    def facts(draw, i):
        ratio = float(draw.uniform(8, 11))
        return {"compression_ratio": ratio}, {}, 0.9 - 0.05 * (ratio - 9.5) + (ratio - 8) * 0.12 * draw.standard_normal()

    sample, _ = fill(facts)
    found = answer_drivers(sample).diagnostics
    assert found.uneven_spread_p < 0.01
    assert any("do not spread evenly" in note for note in found.notes)


def test_a_large_study_lists_the_influential_and_a_fair_share_of_the_rest():
    cooks = np.random.default_rng(1).exponential(size=5000)
    order = np.argsort(np.random.default_rng(2).normal(size=5000))
    shown = _chosen(order, cooks)
    assert len(shown) == len(set(shown)) == MOST_LISTED
    assert set(np.argsort(-cooks)[:100].tolist()) <= set(shown)
    place = np.argsort(order)[shown]
    assert np.quantile(place, [0.1, 0.5, 0.9]) == pytest.approx([500, 2500, 4500], abs=250)
    assert cooks[shown[0]] == cooks.max()
