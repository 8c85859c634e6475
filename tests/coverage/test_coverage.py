"""The coverage suite as tests (minutes; `pytest -m simulation`), and quick tests of its own arithmetic."""

from __future__ import annotations

import math

import pytest

from models.estimate import Estimate
from models.simulate_worlds import WORLDS as TRUTHS
from tests.coverage.measures import Measured, draw, headline, measure, true_share
from tests.coverage.summary import run_world, summarise, to_markdown, unmet
from tests.coverage.worlds import WORLDS, Limit, World


@pytest.mark.simulation
@pytest.mark.parametrize("one", WORLDS, ids=lambda one: one.label)
def test_world_keeps_its_limits(one):
    assert unmet(one, summarise(one, run_world(one, 60))) == []


def study(value: float, half: float, hit: bool) -> Measured:
    return Measured({"x": (1.0, Estimate(value, value - half, value + half, 0.95, "1", 9, 9))}, {"said": hit}, {"part": (1, 4)})


def test_figures_are_what_they_say():
    made = [study(1.1, 0.2, True), study(0.9, 0.05, False), study(1.3, 0.4, False), Measured(failed=True)]
    rows = {(r.quantity, r.figure): r for r in summarise(World("w", (), ()), made)}
    assert rows["x", "bias"].value == pytest.approx(0.1)
    assert rows["x", "bias"].error == pytest.approx(0.2 / math.sqrt(3))
    assert rows["x", "coverage"].value == pytest.approx(2 / 3)
    assert rows["x", "width"].value == pytest.approx((0.4 + 0.1 + 0.8) / 3)
    assert rows["said", "rate"].value == pytest.approx(1 / 3)
    assert rows["part", "rate"].value == pytest.approx(1 / 4)
    assert rows["studies without an answer", "rate"].value == pytest.approx(1 / 4)


def test_a_miss_and_a_limit_that_was_never_measured_are_told():
    far = [study(1.5, 0.01, True)] * 10
    limits = (Limit("x", "coverage", 0.9, 1.0), Limit("x", "bias", -0.01, 0.01), Limit("other", "rate", 0, 1))
    one = World("w", (), limits)
    faults = unmet(one, summarise(one, far))
    assert len(faults) == 3 and any("never measured" in fault for fault in faults)
    near = World("w", (), (Limit("x", "coverage", 0.9, 1.0),))
    assert unmet(near, summarise(near, [study(1.0, 0.1, True)] * 10)) == []
    assert "MISSED" in to_markdown([(one, summarise(one, far), 1.0)], ["# Head"])


def test_every_world_that_is_drawn_exists_and_every_limit_names_a_figure():
    assert {one.name for one in WORLDS} == set(TRUTHS)
    for one in WORLDS:
        assert all(limit.figure in ("bias", "coverage", "rate") and limit.low <= limit.high for limit in one.limits)


@pytest.mark.slow
def test_the_same_seed_measures_the_same_and_truth_is_that_of_the_world():
    truth = TRUTHS["homogeneous"]
    first, second = (measure(draw(truth, 3, builds=40), (headline,)) for _ in range(2))
    assert first == second
    assert first.estimates["rule ratio"][0] == truth.rule_ratio
    # one class, one publisher level: normal with sd .055 about .90
    assert true_share(truth) == pytest.approx(0.5 - 0.0001, abs=0.01)
