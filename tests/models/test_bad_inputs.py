"""Too little, too much and too alike: each gives fewer answers with a sentence, never a number without grounds."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.estimate import Estimate
from models.joint_fit import fit_joint
from models.results import StudyResults, results_from_json, results_to_json
from models.sample import choose_sample
from models.study import run_study
from models.yield_fit import answer_rule_ratio

PSI = 6.894757293168361


def study(made: Any, changed: Any = None) -> StudyResults:
    runs, builds = made.tables()
    runs = runs if changed is None else changed(runs)
    names = sorted(set(builds["source"].to_list()))
    sources = pl.DataFrame([{"source": n, "title": n, "publisher": n, "licence": "CC0-1.0", "invented": False} for n in names])
    results = run_study({"run": runs, "build": builds, "source": sources}, version="1", fingerprint="f", made_on="2026-03-14")
    check_whole(results)
    return results


def estimates_of(value: Any, where: str = "") -> Iterator[tuple[str, Estimate]]:
    if isinstance(value, Estimate):
        yield where, value
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            yield from estimates_of(getattr(value, field.name), f"{where}.{field.name}")
    elif isinstance(value, tuple):
        for i, one in enumerate(value):
            yield from estimates_of(one, f"{where}[{i}]")


def check_whole(results: StudyResults) -> None:
    """Whatever the data: a missing value or end says why, what is there is finite and in order, and it survives JSON."""
    for where, one in estimates_of(results):
        present = [v for v in (one.low, one.value, one.high) if v is not None]
        assert all(math.isfinite(v) for v in present), where
        assert present == sorted(present), (where, one)
        if len(present) < 3:
            assert one.why and one.why.endswith((".", "!", "?")), (where, one)
        if one.value is None:
            assert one.low is None and one.high is None, where
    assert results_from_json(json.loads(json.dumps(results_to_json(results), allow_nan=False))) == results


def add(
    made: Any,
    key: str,
    rng: np.random.Generator,
    *,
    levels=(5.0, 10.0),
    ratio: float = 0.92,
    base: float | None = None,
    **facts: Any,
):
    p0 = float(rng.uniform(90, 400)) if base is None else base
    slope = ratio + 0.06 * rng.standard_normal()
    made.baseline(key, power_kw=p0 * float(np.exp(0.015 * rng.standard_normal())), **facts)
    for psi in levels:
        x = psi * PSI / 100.0
        gain = 1 + slope * x - 0.08 * x * (x - 10 / 14.7)
        made.boosted(key, power_kw=p0 * gain * float(np.exp(0.015 * rng.standard_normal())), boost_kpa=psi * PSI, **facts)


def test_one_publisher_gives_values_without_ranges_and_says_why(clean):
    rng = np.random.default_rng(1)
    for i in range(12):
        add(clean, f"s|Only|{i}", rng)
    found = study(clean)
    assert found.rule_ratio.value is not None and found.rule_ratio.low is None and "one publisher" in found.rule_ratio.why
    assert found.one_publisher_out.lines == () and "one publisher" in found.one_publisher_out.why
    assert found.equivalence.mean == "cannot tell"
    assert all(v.verdict == "cannot tell yet" and v.would_tell for v in found.rules)


def test_three_builds(clean):
    rng = np.random.default_rng(2)
    for i in range(3):
        add(clean, f"s{i}|P{i}|a", rng)
    found = study(clean)
    assert found.rule_ratio.low is not None and any("Only 3 publishers" in note for note in found.notes)
    assert found.elasticity.elasticity.value is None and found.deviators.why
    assert all(one.difference.value is None for one in (*found.drivers.together, *found.drivers.alone))


def test_no_baselines(clean):
    for i in range(9):
        clean.boosted(f"s{i}|P{i}|a")
    found = study(clean)
    assert found.rule_ratio.value is None and found.units == () and found.runs == ()
    assert [(s.count, s.reason) for s in found.flow if s.step == "left out"] == [(9, "The build has no run without boost.")]
    assert all(line.rule_ratio.value is None for line in found.sensitivity)
    assert all(verdict.verdict == "cannot tell yet" for verdict in found.rules)


def test_all_builds_at_one_boost(clean):
    rng = np.random.default_rng(3)
    for i in range(20):
        add(clean, f"s{i % 5}|P{i % 5}|{i}", rng, levels=(8.0,))
    found = study(clean)
    assert found.rule_ratio.low is not None
    assert found.curvature.value is None and "one boost" in found.curvature.why
    assert found.last_over_first.value is None and found.curvature_within_builds.value is None
    verdicts = {v.id: v for v in found.rules}
    assert verdicts["every_psi_the_same"].verdict == verdicts["early_and_late_psi_differ"].verdict == "cannot tell yet"
    assert any("Only one boost" in note for note in found.notes)


def test_one_na_output_refuses_the_exponent(clean):
    rng = np.random.default_rng(4)
    for i in range(24):
        add(clean, f"s{i % 6}|P{i % 6}|{i}", rng, base=200.0)
    found = study(clean)
    assert found.rule_ratio.low is not None
    assert found.elasticity.elasticity.value is None and "alike" in found.elasticity.elasticity.why
    offset = next(v for v in found.rules if v.id == "offset_boost_falls_with_output")
    assert offset.verdict == "cannot tell yet" and "alike" in offset.estimate.why


@pytest.mark.slow
def test_drivers_that_go_together_are_not_told_apart(clean):
    rng = np.random.default_rng(5)
    for i in range(36):
        belt = i % 2 == 0
        add(
            clean, f"s{i % 6}|P{i % 6}|{i}", rng, ratio=0.8 if belt else 0.95,
            induction="centrifugal" if belt else "turbocharger", charge_cooling="none" if belt else "air_to_air",
        )  # fmt: skip
    found = study(clean)
    asked = {one.name for one in found.evidence if one.name in ("charge_cooling", "belt_drive") and one.estimate.value is None}
    assert asked == {"charge_cooling", "belt_drive"}
    assert all(
        "cannot be told apart" in one.estimate.why for one in found.evidence if one.name in ("charge_cooling", "belt_drive")
    )
    together = {one.name: one.difference for one in found.drivers.together if one.name in ("charge_cooling", "induction")}
    for difference in together.values():  # never an exploded number
        assert difference.value is None or difference.high - difference.low < 1.0


@pytest.mark.slow
def test_a_build_with_forty_runs_is_one_build(clean):
    rng = np.random.default_rng(6)
    for i in range(20):
        add(clean, f"s{i % 5}|P{i % 5}|{i}", rng)
    sample = choose_sample(*clean.tables())
    before = answer_rule_ratio(fit_joint(sample.runs, sample.units)).rule_ratio
    add(clean, "s0|P0|many", rng, ratio=0.5, levels=tuple(np.linspace(3, 14, 40)))
    after = study(clean).rule_ratio
    assert (after.builds, after.runs) == (before.builds + 1, before.runs + 41)
    # two fifths off, one build in twenty-one: it may move the mean by about .02, not by forty runs' worth
    assert abs(after.value - before.value) < 0.05


def test_a_fit_that_does_not_settle_prints_no_number(clean, monkeypatch):
    rng = np.random.default_rng(7)
    for i in range(12):
        add(clean, f"s{i % 4}|P{i % 4}|{i}", rng)
    monkeypatch.setattr("models.fixed_point.MOST_PASSES", 2)
    found = study(clean)
    assert found.rule_ratio.value is None and "did not settle" in found.rule_ratio.why
    assert found.mean_gain_ratio == () or all(p.estimate.value is None for p in found.mean_gain_ratio)
    assert all(unit.shrunk_rule_ratio.value is None for unit in found.units)
    fitted = [line for line in found.sensitivity if line.rule_ratio.value is not None]
    # other estimators do not need the joint fit; everything that does is silent
    assert {line.name for line in fitted} <= {"Mixed model of statsmodels", "Regression clustered by publisher"}
    assert found.cancelling_errors.ambient is None


@pytest.mark.slow
def test_an_absurd_build_is_named_and_gives_no_number(clean):
    rng = np.random.default_rng(8)
    for i in range(16):
        add(clean, f"s{i % 4}|P{i % 4}|{i}", rng)
    clean.baseline("s0|P0|misprint", power_kw=20.0), clean.boosted("s0|P0|misprint", power_kw=2000.0)
    found = study(clean)
    assert found.rule_ratio.value is None and "s0|P0|misprint" in found.rule_ratio.why and "beyond belief" in found.rule_ratio.why


def test_values_that_are_no_numbers_leave_with_a_reason(clean):
    rng = np.random.default_rng(9)
    for i in range(8):
        add(clean, f"s{i % 4}|P{i % 4}|{i}", rng)

    def spoil(runs: pl.DataFrame) -> pl.DataFrame:
        """One cell of each column that no run can do without is empty, in different builds."""
        place = pl.int_range(pl.len())
        columns = ("ambient_used_kpa", "power_kw", "boost_kpa")
        return runs.with_columns(
            pl.when(place == 1 + 6 * i).then(None).otherwise(pl.col(name)).alias(name) for i, name in enumerate(columns)
        )

    found = study(clean, spoil)
    assert found.rule_ratio.value is not None
    assert sum(step.count for step in found.flow if step.step == "left out") >= 3
