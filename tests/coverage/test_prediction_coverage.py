"""Coverage of the ranges for new builds (minutes; `pytest -m simulation`), and a quick look that the measure can fail."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.demo.plants import WISHES
from models.prediction_check import _ranges
from models.prediction_fit import fit_prediction
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
from pipeline.build import build
from pipeline.paths import RAW_FOLDER
from pipeline.store import query_table, reading
from tests.coverage.prediction import measure_prediction, new_builds


@pytest.mark.simulation
@pytest.mark.parametrize("name", ["base", "contaminated", "yield_falls_with_power"])
def test_new_builds_lie_within_their_ranges(name):
    found = measure_prediction(name, 110, 60)
    if name != "contaminated":  # new builds hold planted mistakes there
        assert 0.77 <= found["80 %"] <= 0.85, found
    assert 0.93 <= found["95 %"] <= 0.98, found
    assert found["95 % above one atmosphere"] >= 0.92, found


@pytest.mark.simulation
def test_model_range_of_few_builds_keeps_its_promise():
    found = measure_prediction("base", 30, 60)
    assert 0.77 <= found["80 %"] <= 0.91 and found["95 %"] >= 0.93, found  # wide: 30 builds carry few publishers


def test_the_measure_tells_ranges_that_are_too_narrow():
    truth = world("base", 60)
    drawn = simulate_study(truth, 1)
    model = fit_prediction(choose_sample(drawn.runs, drawn.builds)).model
    narrow = replace(model, folds=tuple(replace(f, scores=tuple(s / 3 for s in f.scores)) for f in model.folds))
    share = [sum(row[2] for row in rows) / len(rows) for rows in (new_builds(one, truth, 9) for one in (model, narrow))]
    assert share[0] > 0.65 and share[1] < share[0] - 0.25


@pytest.mark.slow
def test_on_the_demo_only_planted_odd_builds_leave_their_wide_range_above_one_atmosphere(tmp_path):
    """Of the builds above one atmosphere all but the planted ones lie in their 95 % range; the planted ones need not."""
    build(RAW_FOLDER, tmp_path / "demo.duckdb", with_demo=True)
    with reading(tmp_path / "demo.duckdb") as con:
        runs, builds = (query_table(con, name) for name in ("run", "build"))
    fitted = fit_prediction(choose_sample(runs, builds))
    half = _ranges(fitted, fitted.expected)[0.95]
    above = fitted.runs.x > 1.0
    off = np.abs(fitted.runs.log_ratio - fitted.expected)
    keys = fitted.units["build_key"].to_numpy()[fitted.runs.unit]
    high, missed = (set(keys[mask].tolist()) for mask in (above, above & (off > half)))
    planted_folders = {folder for folder, _ in WISHES}
    assert len(high) >= 25
    assert len(missed) <= len(WISHES)
    assert {key.split("|")[0] for key in missed} <= planted_folders
    slopes = dict(zip(fitted.units["build_key"].to_list(), fitted.fit.own_slope.tolist(), strict=True))
    # each departs as far as it was planted to
    assert all(slopes[key] < 0.75 or slopes[key] > 1.25 for key in missed)
    ordinary = {key for key in high if 0.75 <= slopes[key] <= 1.25}
    assert 1.0 - len(missed & ordinary) / len(ordinary) >= 0.92
