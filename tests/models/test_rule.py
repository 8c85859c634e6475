"""The rule: its constants, the trade's own table, and what altitude must not do."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import rule

powers = st.floats(20, 1500)
boosts = st.floats(5, 250)
airs = st.floats(60, 106)


@pytest.mark.reference
def test_constants_against_scipy():
    """scipy.constants (CODATA definitions): psi and atm in pascal."""
    from scipy import constants

    assert pytest.approx(constants.psi / 1000, rel=1e-15) == rule.KPA_PER_PSI
    assert constants.atm / 1000 == rule.SEA_LEVEL_KPA
    assert round(rule.SEA_LEVEL_KPA / rule.KPA_PER_PSI, 6) == 14.695949
    assert rule.REFERENCE_BOOST_RATIO == 10 / 14.7


@pytest.mark.parametrize(("na_hp", "hp_per_psi"), [(300, 20.4), (400, 27.2), (500, 34.0), (600, 40.8), (700, 47.6)])
def test_trade_table_of_hp_per_psi(na_hp, hp_per_psi):
    """Common practice of the trade, no published source: NA power over 14.7, to one decimal."""
    per_psi = rule.rule_yield(na_hp, rule.TRADE_ATMOSPHERE_KPA) * rule.KPA_PER_PSI
    assert round(per_psi, 1) == hp_per_psi


def test_one_atmosphere_doubles_at_any_altitude():
    for ambient in (101.325, 83.0, 70.0):
        assert rule.rule_power(250.0, ambient, ambient) == 500.0


@given(na=powers, boost=boosts, ambient=airs)
def test_a_rule_follower_has_ratio_one_and_lies_on_the_line(na, boost, ambient):
    power = rule.rule_power(na, boost, ambient)
    assert rule.rule_ratio(power, na, boost, ambient) == pytest.approx(1, abs=1e-9)
    assert rule.yield_at_sea_level(power, na, boost, ambient) == pytest.approx(rule.rule_yield(na), rel=1e-9)


def test_yield_here_is_higher_at_altitude_for_the_same_rule():
    low, high = 101.325, 83.0
    here = [rule.yield_here(rule.rule_power(300.0, 50.0, pa), 300.0, 50.0) for pa in (low, high)]
    assert here[1] / here[0] == pytest.approx(low / high)


@given(na=powers, share=st.floats(0.3, 1.5), boost=boosts, ambient=airs, unit=st.floats(0.1, 10))
def test_ratio_does_not_depend_on_the_unit_of_power(na, share, boost, ambient, unit):
    power = na * (1 + share * boost / ambient)
    assert rule.rule_ratio(power, na, boost, ambient) == pytest.approx(share, rel=1e-7)
    assert rule.rule_ratio(power * unit, na * unit, boost, ambient) == pytest.approx(share, rel=1e-7)


def test_arrays_and_expressions_give_what_floats_give():
    frame = pl.DataFrame({"p": [400.0, 520.0], "n": [300.0, 310.0], "b": [50.0, 80.0], "a": [99.0, 84.0]})
    by_expression = frame.select(rule.yield_at_sea_level(*(pl.col(c) for c in "pnba"))).to_series().to_list()
    by_array = rule.yield_at_sea_level(*(frame[c].to_numpy() for c in "pnba"))
    by_float = [rule.yield_at_sea_level(*row) for row in frame.rows()]
    np.testing.assert_allclose(by_expression, by_float, rtol=1e-14)
    np.testing.assert_array_equal(by_array, by_float)
