"""Coverage of the ranges of offset boost (minutes; `pytest -m simulation`), and a quick look that the measure can fail."""

from __future__ import annotations

import pytest

from tests.coverage import offset
from tests.coverage.offset import HIGHEST, LOWEST, RATIO_CASES, ratio_case, whole_studies


@pytest.mark.simulation
@pytest.mark.parametrize("world", ["base", "few_publishers", "heavy_tails"])
def test_new_engines_lie_within_their_ranges(world):
    for one in whole_studies(world, 60):
        assert LOWEST - 2 * one.error <= one.share <= HIGHEST + 2 * one.error, one


@pytest.mark.simulation
@pytest.mark.parametrize("curved", [False, True], ids=["Fieller", "draws"])
@pytest.mark.parametrize("name", RATIO_CASES)
def test_ranges_hold_where_the_yield_is_barely_known_too(name, curved):
    one = ratio_case(name, 4000, curved)
    assert LOWEST - 2 * one.error <= one.share <= HIGHEST + 2 * one.error, one


def test_the_measure_tells_a_range_that_is_too_narrow(monkeypatch):
    assert ratio_case("well known", 300, False).share > 0.9
    made = offset._mean_engine

    def narrow(slope, var_slope, freedom, curved):
        return offset.replace(made(slope, var_slope, freedom, curved), t_quantile=1.0)

    monkeypatch.setattr(offset, "_mean_engine", narrow)
    assert ratio_case("well known", 300, False).share < 0.8
