"""A private session beside a study: the same figures as the study's own, places, changes, repeats, hostile and empty input."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.compare_session import compare_session, repeats_of
from models.estimate import Estimate
from models.joint_fit import fit_joint
from models.sample import choose_sample
from models.session_builds import against_range, less_mean
from models.session_slopes import own_slopes
from models.study import run_study
from pipeline.errors import RequestProblem

CHANGE = {
    "change_key": pl.String, "source": pl.String, "publisher": pl.String, "file": pl.String, "line": pl.Int64,
    "before_run_key": pl.String, "after_run_key": pl.String, "parts": pl.List(pl.String), "retuned_each": pl.Boolean, "held": pl.String,
}  # fmt: skip
NO_CHANGE = pl.DataFrame(schema=CHANGE)


def change(before: str, after: str, parts: list[str], line: int = 9) -> pl.DataFrame:
    row = (f"mine#{line}", "mine", "Mine", "f.csv", line, before, after, parts, None, None)
    return pl.DataFrame([row], schema=CHANGE, orient="row")


@pytest.fixture(scope="module")
def world():
    """A study of 24 invented builds of four publishers, and its clean tables."""
    import importlib.util
    from pathlib import Path

    spec = importlib.util.spec_from_file_location("rows", Path(__file__).parent / "conftest.py")
    rows_module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(rows_module)
    rng, rows = np.random.default_rng(5), rows_module.CleanRows()
    for i in range(24):
        key = rows.build(f"b{i:02d}", f"Pub {i % 4}", f"src{i % 4}", displacement_cc=2000.0)
        na, slope = 120.0 + 7 * i, 0.9 + 0.06 * rng.standard_normal()
        rows.baseline(key, na, dyno_type="engine")
        for boost in (40.0, 70.0):
            rows.boosted(key, na * (1 + slope * boost / 100) * np.exp(0.005 * rng.standard_normal()), boost, dyno_type="engine")
    runs, builds = rows.tables()
    source = pl.DataFrame({"source": [f"src{i}" for i in range(4)], "title": "t", "publisher": "p", "url": "", "licence": "CC0-1.0",
                           "published_on": None, "invented": False})  # fmt: skip
    tables = {
        "run": runs,
        "build": builds,
        "source": source.with_columns(pl.col("published_on").cast(pl.Date)),
        "change": NO_CHANGE,
    }
    return tables, run_study(tables, version="t", fingerprint="f", made_on="2026-01-01")


def test_a_build_alone_gives_what_the_fit_gives_it(world):
    """Own slopes at the study's curve are those of the joint fit to its tolerance, when the scale of the errors is 1."""
    tables, _ = world
    sample = choose_sample(tables["run"], tables["build"])
    fit = fit_joint(sample.runs, sample.units, estimate_phi=False)
    mean = float(fit.answer.beta[0])
    found = own_slopes(sample, mean, fit.answer.q)
    assert found.slope == pytest.approx(fit.own_slope, abs=1e-6)
    assert found.variance == pytest.approx(fit.own_variance, rel=1e-6)


def session(world, slope=0.9, na=150.0, name="mine", boosts=(45.0, 71.0), **facts):
    tables, _ = world
    like = tables["run"].row(0, named=True) | {
        "source": "mine",
        "publisher": "Mine",
        "file": "f.csv",
        "build_key": "mine|Mine|mine",
    }
    boosted = tables["run"].filter(pl.col("role") == "boosted").row(0, named=True)
    setup = {k: boosted[k] for k in ("induction", "charge_cooling", "charge_injection", "fuel", "outcome")}
    rows = [like | {"run_key": "mine#1", "line": 1, "power_kw": na, "boost_kpa": 0.0, "role": "baseline"} | facts]
    for i, b in enumerate(boosts):
        power = na * (1 + slope * b / 100)
        rows.append(
            like
            | setup
            | {"run_key": f"mine#{i + 2}", "line": i + 2, "power_kw": power, "boost_kpa": b, "role": "boosted"}
            | facts
        )
    runs = pl.DataFrame(rows, schema=tables["run"].schema)
    build = tables["build"].head(1).with_columns(
        build_key=pl.lit("mine|Mine|mine"), source=pl.lit("mine"), publisher=pl.lit("Mine"), build=pl.lit(name)
    )  # fmt: skip
    return {"run": runs, "build": build, "change": NO_CHANGE}


def test_a_build_is_placed_among_its_like(world):
    tables, study = world
    (low,) = compare_session(session(world, 0.6), tables, study).builds
    (high,) = compare_session(session(world, 1.3), tables, study).builds
    (middle,) = compare_session(session(world, 0.9), tables, study).builds
    assert (low.against_mean, high.against_mean, middle.against_mean) == ("below", "above", "not told apart")
    assert (low.against_new_build, high.against_new_build) == ("outside", "outside")
    assert low.standing.percentile == 0 and high.standing.percentile == 100 and 10 < middle.standing.percentile < 90
    assert low.standing.others == 24 and low.standing.low <= low.standing.percentile <= low.standing.high
    assert middle.rule_ratio.value == pytest.approx(0.9, abs=0.02)
    assert middle.rule_ratio.low < 0.9 < middle.rule_ratio.high
    assert "turbocharged, air-to-air cooled builds of the study" in middle.sentences[-1]


def test_answer_does_not_depend_on_the_order_of_rows(world):
    tables, study = world
    mine = session(world)
    turned = {**mine, "run": mine["run"].reverse()}
    assert compare_session(mine, tables, study).builds == compare_session(turned, tables, study).builds


def test_figures_that_the_study_holds_are_named_and_left_out_of_the_crowd(world):
    tables, study = world
    key = study.units[3].build_key
    runs = tables["run"].filter(pl.col("build_key") == key)
    mine = {"run": runs, "build": tables["build"].filter(pl.col("build_key") == key), "change": NO_CHANGE}
    assert repeats_of(mine, tables) == {key: key}
    (build,) = compare_session(mine, tables, study).builds
    assert build.standing.others == 23
    assert study.units[3].publisher in build.repeats
    assert repeats_of(session(world), tables) == {}


def test_a_change_is_judged_on_all_pulls_of_its_states(world):
    tables, study = world
    base = session(world)["run"].row(0, named=True) | {"dyno_type": "engine"}
    powers = [150.0, 151.0, 149.4, 159.0, 160.1, 158.9]
    states = [{}, {}, {}, *[{"compared_with": "b", "parts": "camshaft", "build_key": "mine|Mine|cam"}] * 3]
    rows = [
        base | {"run_key": f"m#{i}", "line": i, "pull_order": i + 1, "power_kw": p} | s
        for i, (p, s) in enumerate(zip(powers, states, strict=True))
    ]
    runs = pl.DataFrame(rows, schema=tables["run"].schema)
    both = pl.concat([change("m#2", f"m#{i}", ["camshaft"], i) for i in (3, 4, 5)])
    mine = {**session(world), "run": runs, "change": both}
    answer = compare_session(mine, tables, study)
    (one,) = answer.changes
    expected = 100 * (np.exp(np.log(powers[3:]).mean() - np.log(powers[:3]).mean()) - 1)
    assert one.gain_pct.value == pytest.approx(expected, abs=1e-9)
    assert one.gain_pct.runs == 6
    assert one.verdict == "gain" and one.gain_pct.low > 0
    assert 0 < one.smallest_gain_pct < one.gain_pct.value
    assert one.standing is None
    assert "camshaft: +6." in one.sentences[0]
    (repeats,) = answer.repeatability
    assert repeats.pull_error.kind == "pulls" and repeats.pull_error.freedom == 4


def test_a_small_change_is_not_told_from_nothing_and_a_barred_pair_counts_for_nothing(world):
    tables, study = world
    base = session(world)["run"].row(0, named=True)
    rows = [base | {"run_key": f"m#{i}", "line": i, "power_kw": p} for i, p in enumerate((150.0, 151.0))]
    mine = {**session(world), "run": pl.DataFrame(rows, schema=tables["run"].schema), "change": change("m#0", "m#1", ["headers"])}
    (one,) = compare_session(mine, tables, study).changes
    assert one.verdict == "not told from nothing" and "not told from nothing" in one.sentences[0]
    wheel = pl.DataFrame([rows[0], rows[1] | {"measured_at": "wheel"}], schema=tables["run"].schema)
    (one,) = compare_session({**mine, "run": wheel}, tables, study).changes
    assert one.verdict == "cannot judge"
    assert any("two places" in text for text in one.sentences)


def test_a_session_that_cannot_be_placed_says_why(world):
    tables, study = world
    mine = session(world)
    alone = {**mine, "run": mine["run"].filter(pl.col("role") == "boosted")}
    answer = compare_session(alone, tables, study)
    assert answer.builds == ()
    assert sum(step.count for step in answer.left_out) == 2
    none = {name: frame.clear() for name, frame in mine.items()}
    empty = compare_session(none, tables, study)
    assert (empty.builds, empty.changes, empty.repeatability) == ((), (), ())
    assert empty.cautions[0].startswith("More boost raises cylinder pressure")
    with pytest.raises(RequestProblem, match="change is missing"):
        compare_session({"run": mine["run"], "build": mine["build"]}, tables, study)


def test_a_study_without_a_mean_places_no_build(world):
    tables, study = world
    nothing = Estimate(None, None, None, 0.95, "1", 0, 0, "No build.")
    assert compare_session(session(world), tables, replace(study, rule_ratio=nothing)).builds == ()


def test_differences_and_ranges():
    def e(low, value, high):
        return Estimate(value, low, high, 0.95, "1", 1, 2)

    less = less_mean(e(0.7, 1.0, 1.3), e(0.5, 0.9, 1.3))
    assert (less.low, less.value, less.high) == pytest.approx((-0.4, 0.1, 0.6))
    assert against_range(e(0.8, 0.9, 1.0), e(0.7, 0.9, 1.2)) == "inside"
    assert against_range(e(0.6, 0.9, 1.0), e(0.7, 0.9, 1.2)) == "not told apart"
    assert against_range(e(1.3, 1.4, 1.5), e(0.7, 0.9, 1.2)) == "outside"
    assert against_range(Estimate(0.9, None, None, 0.95, "1", 1, 2, "x"), e(0.7, 0.9, 1.2)) == "cannot judge"
