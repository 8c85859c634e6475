"""Frames for the tests of the estimators: the pinned study, and small studies with known truth."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO

REFERENCE = Path(__file__).parents[1] / "reference"
PINNED = REFERENCE / "pinned_study"


@dataclass(frozen=True)
class FitTruth:
    """What a simulated study is made of; levels and baselines are fixed per build when given."""

    builds: int = 60
    publishers: int = 12
    beta: float = 0.9
    q: float = -0.08
    tau_build: float = 0.095
    tau_source: float = 0.03
    noise: float = 1.0
    levels: int | None = None
    boosts_kpa: tuple[float, ...] | None = None


def simulate_fit(truth: FitTruth = FitTruth(), seed: int = 1) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Runs and units of a study in which the model is true."""
    draw = np.random.Generator(np.random.PCG64(seed))
    n = truth.builds
    publisher = np.arange(n) % truth.publishers if n < 3 * truth.publishers else draw.integers(0, truth.publishers, n)
    slope = truth.beta + draw.normal(0, truth.tau_source, truth.publishers)[publisher] + draw.normal(0, truth.tau_build, n)
    ambient = np.where(draw.random(n) < 0.2, 84.0, 101.3) + draw.normal(0, 0.6, n)
    baseline = np.exp(draw.normal(5.5, 0.35, n))
    levels = draw.choice([1, 2, 3, 4, 5], n, p=[0.2, 0.3, 0.25, 0.15, 0.1])
    levels = levels if truth.levels is None else np.full(n, truth.levels)
    unit = np.repeat(np.arange(n), levels)
    boost = draw.uniform(25, 140, unit.size)
    if truth.boosts_kpa is not None:
        boost = np.asarray(truth.boosts_kpa)[draw.integers(0, len(truth.boosts_kpa), unit.size)]
    x = boost / ambient[unit]
    multiple = 1 + slope[unit] * x + truth.q * x * (x - REFERENCE_BOOST_RATIO)
    session = draw.normal(0, 0.005, (2, n)) * truth.noise
    power = baseline[unit] * multiple * np.exp(truth.noise * draw.normal(0, 0.015, unit.size) + session[0][unit])
    read = boost + truth.noise * (draw.normal(0, 1.19279, unit.size) + draw.normal(0, 0.689476, n)[unit])
    base_unit = np.repeat(np.arange(n), draw.choice([1, 2, 3], n, p=[0.6, 0.25, 0.15]))
    base_power = baseline[base_unit] * np.exp(truth.noise * draw.normal(0, 0.015, base_unit.size) + session[1][base_unit])
    every = np.concatenate([unit, base_unit])
    runs = pl.DataFrame(
        {
            "unit": every.astype(np.uint32),
            "boost_kpa": np.concatenate([read, np.zeros(base_unit.size)]),
            "ambient_kpa": ambient[every],
            "power": np.concatenate([power, base_power]),
        }
    ).with_columns(power_rel_sd=pl.lit(0.015), boost_sd_kpa=pl.lit(1.19279))
    dyno = np.where(draw.random(n) < 0.6, "chassis", "engine")
    units = pl.DataFrame(
        {"unit": np.arange(n, dtype=np.uint32), "publisher": [f"P{g:03d}" for g in publisher], "dyno_class": dyno}
    ).with_columns(session_rel_sd=pl.lit(0.005), gauge_sd_kpa=pl.lit(0.689476))
    return runs, units


def pinned_frames() -> tuple[pl.DataFrame, pl.DataFrame]:
    """The pinned study as fit frames, pressures in kPa."""
    builds = pl.read_csv(PINNED / "builds.csv").sort("build")
    unit = pl.col("build").cast(pl.UInt32).alias("unit")
    units = builds.select(
        unit,
        publisher=pl.col("source").cast(pl.String),
        dyno_class="dyno",
        session_rel_sd=pl.lit(0.005),
        gauge_sd_kpa=pl.lit(0.10 * KPA_PER_PSI),
    )
    runs = (
        pl.read_csv(PINNED / "runs.csv")
        .join(builds, on="build")
        .select(
            unit,
            boost_kpa=pl.col("boost_psi") * KPA_PER_PSI,
            ambient_kpa=pl.col("ambient_psi") * KPA_PER_PSI,
            power="power_hp",
            power_rel_sd=pl.lit(0.015),
            boost_sd_kpa=pl.lit(0.173 * KPA_PER_PSI),
        )
    )
    return runs, units


def pinned_answers() -> dict[str, Any]:
    """What the pinned study has to give."""
    return json.loads((PINNED / "expected.json").read_text(encoding="utf-8"))


def hand_frames(*builds: tuple[str, list[float], list[tuple[float, float]]]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Frames written by hand: per build its publisher, baseline powers, and (boost_kpa, power) of boosted runs, at 100 kPa."""
    rows = [
        {"unit": i, "boost_kpa": boost, "ambient_kpa": 100.0, "power": power, "power_rel_sd": 0.015, "boost_sd_kpa": 1.19279}
        for i, (_, baselines, boosted) in enumerate(builds)
        for boost, power in [*((0.0, power) for power in baselines), *boosted]
    ]
    schema = {
        "unit": pl.UInt32, "boost_kpa": pl.Float64, "ambient_kpa": pl.Float64, "power": pl.Float64,
        "power_rel_sd": pl.Float64, "boost_sd_kpa": pl.Float64,
    }  # fmt: skip
    units = pl.DataFrame(
        {"unit": range(len(builds)), "publisher": [publisher for publisher, _, _ in builds]},
        schema={"unit": pl.UInt32, "publisher": pl.String},
    ).with_columns(dyno_class=pl.lit("engine"), session_rel_sd=pl.lit(0.005), gauge_sd_kpa=pl.lit(0.689476))
    return pl.DataFrame(rows, schema=schema), units
