"""Common basis of power: hand-computed cases for each of its four kinds."""

from __future__ import annotations

import pytest

from models.sample import choose_sample
from pipeline.correction import Air, convert_between, factor
from pipeline.correction_air import power_in_air

SEA = {"ambient_used_kpa": 100.0, "air_c": 15.0, "humidity_pct": 40.0}
HIGH = {"ambient_used_kpa": 84.0, "air_c": 25.0, "humidity_pct": 30.0}


def air_of(row) -> Air:
    return Air(row["ambient_used_kpa"], row["air_c"], row["humidity_pct"])


def factor_of(code, row) -> float:
    return factor(code, row["ambient_used_kpa"], row["air_c"], row["humidity_pct"])


def only_unit(clean):
    sample = choose_sample(*clean.tables())
    assert sample.excluded.is_empty()
    return sample, sample.units.row(0, named=True), dict(sample.runs.select("boost_kpa", "power").iter_rows())


def test_same_correction_is_used_as_reported_even_if_nobody_knows_which(clean):
    clean.baseline(power_kw=200.0, correction=None), clean.boosted(power_kw=300.0, correction="unstated")
    _, unit, power = only_unit(clean)
    assert (unit["basis_of_power"], power) == ("as_reported", {0.0: 200.0, 60.0: 300.0})


def test_observed_power_of_one_session_needs_no_correction(clean):
    clean.baseline(power_kw=190.0, correction="uncorrected")
    clean.boosted(power_kw=312.0, correction="sae_j607", correction_factor=1.04)
    sample, unit, power = only_unit(clean)
    assert unit["basis_of_power"] == "observed"
    assert power[60.0] == pytest.approx(300.0)  # 312 / 1.04
    assert sample.runs["power_rel_sd"].to_list() == [pytest.approx(0.015)] * 2


def test_two_standards_with_air_go_through_observed_power(clean):
    day = {"session": None, **SEA}
    clean.baseline(power_kw=200.0, correction="sae_j1349", **day)
    clean.boosted(power_kw=300.0, correction="sae_j607", correction_factor=factor_of("sae_j607", SEA), **day)
    sample, unit, power = only_unit(clean)
    assert unit["basis_of_power"] == "sae_j1349"
    assert power[0.0] == 200.0
    assert power[60.0] == pytest.approx(300.0 / factor_of("sae_j607", SEA) * factor_of("sae_j1349", SEA), rel=1e-9)
    assert sample.runs["power_rel_sd"].to_list() == [pytest.approx(0.015)] * 2  # all of the air is known


def test_two_standards_without_air_use_the_reference_states_and_pay_for_it(clean):
    unknown = {"session": None, "ambient_basis": "assumed"}
    (
        clean.baseline(power_kw=200.0, correction="sae_j1349", **unknown),
        clean.boosted(power_kw=312.0, correction="sae_j607", **unknown),
    )
    sample, unit, power = only_unit(clean)
    wanted = convert_between(312.0, "sae_j607", "sae_j1349", None)
    assert power[60.0] == pytest.approx(wanted.power, rel=1e-12)
    assert power[60.0] == pytest.approx(300.0, rel=2e-3)  # STD reads about 4 % high
    assert wanted.relative_sd > 0.003
    assert sample.runs["power_rel_sd"].to_list()[1] == pytest.approx((0.015**2 + wanted.relative_sd**2) ** 0.5)


def test_unstated_against_stated_leaves_both_by_name(clean, reason_of):
    clean.baseline(correction="sae_j1349"), clean.boosted(correction="unstated")
    assert set(reason_of(choose_sample(*clean.tables())).values()) == {"correction"}


def test_unstated_with_observed_power_and_air_is_brought_over(clean):
    clean.baseline(power_kw=200.0, correction="sae_j1349", session=None, **SEA)
    clean.boosted(power_kw=999.0, observed_power_kw=300.0, correction="unstated", session=None, **SEA)
    _, unit, power = only_unit(clean)
    assert unit["basis_of_power"] == "sae_j1349"
    assert power[60.0] == pytest.approx(300.0 * factor_of("sae_j1349", SEA), rel=1e-9)


def test_only_the_row_that_cannot_be_converted_leaves(clean, reason_of):
    clean.baseline(correction="sae_j1349"), clean.boosted(correction="iso_1585", boost_kpa=80.0)
    out = clean.boosted(correction=None)
    assert reason_of(choose_sample(*clean.tables())) == {out: "correction"}


def test_baseline_of_the_same_correction_goes_first(clean, reason_of):
    same = {"correction": "sae_j607"}
    clean.baseline(power_kw=208.0, **same), clean.boosted(power_kw=312.0, **same)
    other = clean.baseline(power_kw=200.0, correction="sae_j1349")
    sample = choose_sample(*clean.tables())
    assert reason_of(sample) == {other: "better_baseline"}
    assert sample.runs["gain_ratio"].to_list()[1] == pytest.approx(0.5)


def test_absolute_boost_keeps_the_observed_figure_and_refers_the_baseline_to_its_air(clean):
    """Boost held absolute at a high site, printed with the correction of an unboosted engine; baseline at sea level."""
    f_high, f_sea = factor_of("sae_j1349", HIGH), factor_of("sae_j1349", SEA)
    assert f_high > 1.2  # what must not be credited to the boosted engine
    observed_base = 200.0 / f_sea
    clean.baseline(power_kw=200.0, session="sea", correction_factor=f_sea, **SEA)
    clean.boosted(power_kw=300.0 * f_high, session="hill", correction_factor=f_high, boost_control="absolute", **HIGH)
    _, unit, power = only_unit(clean)
    assert unit["basis_of_power"] == "baseline_in_boosted_air"
    assert power[60.0] == pytest.approx(300.0, rel=1e-12)
    assert power[0.0] == pytest.approx(power_in_air(observed_base, air_of(SEA), air_of(HIGH)).power, rel=1e-9)


def test_absolute_boost_in_two_airs_keeps_each_ratio_to_its_own_baseline(clean):
    base = {"power_kw": 200.0, "session": "sea", "correction_factor": factor_of("sae_j1349", SEA), **SEA}
    clean.baseline(**base)
    for row, boost, observed in ((SEA, 50.0, 290.0), (HIGH, 70.0, 280.0)):
        clean.boosted(
            power_kw=observed, observed_power_kw=observed, correction="uncorrected", boost_kpa=boost, session="x",
            boost_control="absolute", **row,
        )  # fmt: skip
    _, _, power = only_unit(clean)
    observed_base = 200.0 / factor_of("sae_j1349", SEA)
    for row, boost, observed in ((SEA, 50.0, 290.0), (HIGH, 70.0, 280.0)):
        wanted = observed / power_in_air(observed_base, air_of(SEA), air_of(row)).power
        assert power[boost] / power[0.0] == pytest.approx(wanted, rel=1e-9)


def test_absolute_boost_in_one_session_is_observed_over_observed(clean):
    f_high = factor_of("sae_j1349", HIGH)
    clean.baseline(power_kw=200.0 * f_high, correction_factor=f_high, **HIGH)
    clean.boosted(power_kw=300.0, correction="uncorrected", correction_factor=1.0, boost_control="absolute", **HIGH)
    sample, unit, power = only_unit(clean)
    assert unit["basis_of_power"] == "observed"
    assert power == {0.0: pytest.approx(200.0), 60.0: 300.0}


def test_absolute_boost_without_air_falls_back_to_the_common_factor(clean):
    clean.baseline(power_kw=200.0), clean.boosted(power_kw=300.0, boost_control="absolute")
    assert only_unit(clean)[1]["basis_of_power"] == "as_reported"
