"""Changes of parts in the coverage suite (minutes; `pytest -m simulation`), and a quick test that they are measured at all."""

from __future__ import annotations

import pytest

from tests.coverage.parts import PART_WORLDS, TRUTHS, measure_parts, run_part_world
from tests.coverage.summary import summarise, unmet


@pytest.mark.simulation
@pytest.mark.parametrize("one", PART_WORLDS, ids=lambda one: one.label)
def test_world_of_parts_keeps_its_limits(one):
    assert unmet(one, summarise(one, run_part_world(one, 100))) == []


@pytest.mark.slow
def test_every_limit_is_measured_and_a_seed_measures_the_same():
    one = PART_WORLDS[1]
    found = run_part_world(one, 2)
    assert found[0] == measure_parts(TRUTHS[one.name], 5_000_000 + 100_000 + 1)
    told = {(row.quantity, row.figure) for row in summarise(one, found)}
    assert {(limit.quantity, limit.figure) for limit in one.limits} <= told
    assert found[0].estimates["growth under boost"][0] == 0.7
