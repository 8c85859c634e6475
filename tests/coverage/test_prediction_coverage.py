"""Coverage of the ranges for new builds (minutes; `pytest -m simulation`), and a quick look that the measure can fail."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.prediction_fit import fit_prediction
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
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
