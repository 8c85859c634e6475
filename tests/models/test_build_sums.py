"""The sums of a pass against the same sums row by row."""

from dataclasses import fields

import numpy as np
import polars as pl
import pytest

from models import build_sums
from models.build_sums import PackedSums, sum_builds, to_run_columns
from models.rule import REFERENCE_BOOST_RATIO
from tests.models.fit_strategies import FitTruth, simulate_fit

S_BAR, Q = 0.87, -0.06


def with_one_large_build(runs: pl.DataFrame) -> pl.DataFrame:
    """Build 3 gets forty boosted runs."""
    mine = runs.filter((pl.col("unit") == 3) & (pl.col("boost_kpa") > 0)).head(1)
    many = pl.concat([mine.with_columns(boost_kpa=pl.lit(30.0 + i), power=pl.col("power") * (1 + i / 500)) for i in range(40)])
    return pl.concat([runs, many])


def by_hand(runs: pl.DataFrame, units: pl.DataFrame, unit: int, s_own: float, phi: float) -> dict[str, float]:
    """The 17 sums of one unit, written as the formulas stand."""
    rows = runs.filter(pl.col("unit") == unit)
    base = rows.filter(pl.col("boost_kpa") == 0)["power"].log().mean()
    gauge = units["gauge_sd_kpa"][unit]
    total = dict.fromkeys((field.name for field in fields(PackedSums)), 0.0)
    for row in rows.iter_rows(named=True):
        x, p = row["boost_kpa"] / row["ambient_kpa"], row["ambient_kpa"]
        c = x * (x - REFERENCE_BOOST_RATIO)
        mb = 1 + S_BAR * x + Q * c
        d = float(x > 0)
        z, k = x / mb, c / mb
        per_kpa = d * (S_BAR + Q * (2 * x - REFERENCE_BOOST_RATIO)) / (mb * p)
        y = np.log(row["power"]) - base - np.log(max(1 + s_own * x + Q * c, 0.2)) + s_own * z + Q * k
        w = 1 / (phi * (row["power_rel_sd"] ** 2 + per_kpa**2 * row["boost_sd_kpa"] ** 2))
        g = per_kpa * gauge
        made = {"one": 1, "d": d, "g": g, "z": z, "k": k, "y": y, "dy": d * y, "gg": g * g, "gz": g * z, "gk": g * k,
                "gy": g * y, "zz": z * z, "zk": z * k, "zy": z * y, "kk": k * k, "ky": k * y, "yy": y * y}  # fmt: skip
        for name, value in made.items():
            total[name] += w * value
    return total


@pytest.mark.parametrize("block_rows", [1, 7, 4096])
def test_sums_are_those_of_the_formulas(monkeypatch, block_rows):
    monkeypatch.setattr(build_sums, "BLOCK_ROWS", block_rows)
    runs, units = simulate_fit(FitTruth(builds=23, publishers=5))
    runs = with_one_large_build(runs)
    s_own, phi = np.linspace(0.7, 1.1, 23), np.where(np.arange(23) % 2, 1.0, 1.7)
    sums = sum_builds(to_run_columns(runs, units), S_BAR, Q, s_own, phi)
    for unit in range(23):
        for name, value in by_hand(runs, units, unit, s_own[unit], phi[unit]).items():
            assert getattr(sums, name)[unit] == pytest.approx(value, rel=1e-11, abs=1e-9), (unit, name)


def test_order_of_rows_changes_no_bit():
    runs, units = simulate_fit()
    s_own, phi = np.full(60, 0.9), np.ones(60)
    one = sum_builds(to_run_columns(runs, units), S_BAR, Q, s_own, phi)
    other = sum_builds(to_run_columns(runs.sample(fraction=1.0, shuffle=True, seed=5), units), S_BAR, Q, s_own, phi)
    for name in ("one", "d", "zy", "kk", "yy"):
        assert (getattr(one, name) == getattr(other, name)).all()


def test_rows_that_come_in_order_take_the_short_way_to_the_same_bits():
    """Sorted by unit and boost, with pulls repeated at one boost: only those are sorted, and the caller's rows stay as they are."""
    runs, units = simulate_fit()
    again = runs.filter(pl.col("boost_kpa") > 0).with_columns(power=pl.col("power") * 0.99, power_rel_sd=pl.lit(0.02))
    runs = with_one_large_build(pl.concat([runs, again.reverse()]))
    ordered = runs.sort("unit", "boost_kpa", maintain_order=True)
    assert not ordered.equals(runs.sort("unit", "boost_kpa", "power")), "nothing would be left to sort"
    before = ordered.clone()
    one, other = to_run_columns(runs, units), to_run_columns(ordered, units)
    for field in fields(one):
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name), err_msg=field.name)
    assert ordered.equals(before)


def test_a_wild_slope_stays_finite():
    """A power ratio below zero would have no logarithm; it is held at 0.2."""
    runs, units = simulate_fit(FitTruth(builds=5, publishers=2))
    sums = sum_builds(to_run_columns(runs, units), 0.9, -40.0, np.full(5, -9.0), np.ones(5))
    assert np.isfinite(sums.yy).all() and np.isfinite(sums.zz).all()
