"""Curves of engines and kinds against the truth they were drawn from, and what was tested."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.offset_curves import make_offset_model, model_of
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
from models.study import run_study

STAMP = ("f", "0.1.0", "2026-01-01")


@pytest.fixture(scope="module")
def sample():
    drawn = simulate_study(replace(world("base", 300), publishers=30), 11)
    return choose_sample(drawn.runs, drawn.builds)


@pytest.fixture(scope="module")
def model(sample):
    return model_of(sample, level=0.95, curvature_sd=0.04, tested=(), stamp=STAMP, invented=True)


def test_curve_of_all_engines_is_the_truth_within_its_error(model):
    first = model.curves[0]
    assert (first.induction, first.charge_cooling, first.builds, first.builds_of_kind) == (None, None, 300, 300)
    assert abs(first.slope - 0.90) < 3.5 * first.var_slope**0.5 and first.var_slope**0.5 < 0.03
    assert first.curvature == pytest.approx(-0.08, abs=0.03) and first.is_curved
    assert first.engine_var_curvature == pytest.approx(0.04**2)
    assert first.degrees_of_freedom == first.publishers - 1 and len(model.draws) == 2048


def test_kinds_differ_by_what_was_planted(model):
    """Centrifugal -.06 and positive displacement -.13 against the turbocharger, uncooled -.11 against air-to-air."""
    by_kind = {(c.induction, c.charge_cooling): c for c in model.curves}
    cooled, bare = by_kind["turbocharger", "air_to_air"], by_kind["turbocharger", "none"]
    belt = by_kind["positive_displacement", "air_to_air"]
    assert bare.slope - cooled.slope == pytest.approx(-0.11, abs=0.05)
    assert belt.slope - cooled.slope == pytest.approx(-0.13, abs=0.05)
    # within a kind engines are more alike than over all: .065 and .03 against .096 with the classes
    assert cooled.engine_var**0.5 == pytest.approx(np.hypot(0.065, 0.03), abs=0.015)
    assert cooled.engine_var < by_kind["turbocharger", None].engine_var < by_kind[None, None].engine_var
    assert all(c.builds_of_kind >= 5 and c.builds == 300 for c in model.curves)


def test_a_study_without_a_fit_gives_no_curve_and_says_why(sample):
    none = replace(sample, runs=sample.runs.clear(), units=sample.units.clear())
    model = model_of(none, level=0.95, curvature_sd=None, tested=(), stamp=STAMP, invented=False)
    assert model.curves == () and model.draws == () and model.t_quantile is None and "No build has both" in (model.why or "")


def test_one_publisher_has_curves_but_no_range():
    drawn = simulate_study(replace(world("base", 40), publishers=1), 3)
    one = choose_sample(drawn.runs, drawn.builds)
    model = model_of(one, level=0.95, curvature_sd=0.0, tested=(), stamp=STAMP, invented=True)
    assert model.curves[0].degrees_of_freedom == 0 and model.draws == () and model.t_quantile is None


@pytest.mark.slow
def test_what_was_tested_is_counted_by_kind_and_fuel():
    drawn = simulate_study(world("base", 80), 4)
    study = run_study(
        {"run": drawn.runs, "build": drawn.builds, "source": drawn.sources}, version="0", fingerprint="f", made_on="2026-01-01"
    )
    model = make_offset_model(choose_sample(drawn.runs, drawn.builds), study)
    assert sum(kind.builds for kind in model.tested) == len(study.units) and model.fingerprint == "f"
    for kind in model.tested:
        of = [
            u for u in study.units if (u.induction, u.charge_cooling, u.fuel) == (kind.induction, kind.charge_cooling, kind.fuel)
        ]
        assert kind.top_boosts_kpa[0] == max(u.highest_boost_kpa for u in of) and kind.builds_by_psi[0] == len(of)
        assert list(kind.builds_by_psi) == sorted(kind.builds_by_psi, reverse=True) and kind.builds_by_psi[-1] >= 1
        assert (kind.lowest_na_kw, kind.highest_na_kw) == (min(u.na_power_kw for u in of), max(u.na_power_kw for u in of))
