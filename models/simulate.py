"""Studies with known truth, in the columns of the clean tables.

A study is drawn from a :class:`~models.simulate_truth.Truth`: the mean rule ratio, the spread
between builds and between publishers, the curvature, the classes of engine and the sizes of
the errors. Tests, the coverage suite and the demo data all draw from here, so that what a fit
should find is stated before it is fitted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.simulate_truth import (
    ATMOSPHERE_KPA,
    HIGH_SITE_KPA,
    MISTAKES,
    PSI_KPA,
    Truth,
    class_moments,
    generator,
    power_multiple,
)
from models.simulated_tables import build_table, run_table, typed_columns
from pipeline.fields import fields_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SimulatedStudy:
    """Clean tables and the truth behind them.

    ``build_truth`` has one row a build: build_key, true_rule_ratio, true_curvature, true_power_kw
    (NA), publisher_effect and mistake (one of `MISTAKES` or null).
    """

    truth: Truth
    sources: pl.DataFrame
    builds: pl.DataFrame
    runs: pl.DataFrame
    build_truth: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Builds:
    """What is true of each build, one entry a build."""

    publisher: Ints
    slope: Floats
    curvature: Floats
    power_kw: Floats
    publisher_effect: Floats
    classes: dict[str, NDArray[np.str_]]
    ambient_kpa: Floats
    at_wheel: NDArray[np.bool_]
    top_boost_kpa: Floats
    mistake: NDArray[np.int64]  # index into MISTAKES, -1 where the record is sound


def _draw_effects(rng: np.random.Generator, truth: Truth) -> Floats:
    if not truth.heavy_tails:
        return truth.build_sd * rng.standard_normal(truth.builds)
    return truth.build_sd * rng.standard_t(4, truth.builds) / np.sqrt(2.0)


def _draw_builds(rng: np.random.Generator, truth: Truth) -> _Builds:
    n = truth.builds
    size = np.exp(0.8 * rng.standard_normal(truth.publishers))
    publisher = rng.choice(truth.publishers, n, p=size / size.sum())
    effect = truth.publisher_sd * rng.standard_normal(truth.publishers)
    log_power = truth.log_power_sd * rng.standard_normal(n)
    slope = truth.rule_ratio * (1 + (truth.elasticity - 1) * log_power) + effect[publisher] + _draw_effects(rng, truth)
    classes = {}
    for name, codes in truth.classes.items():
        share = np.array([row[0] for row in codes.values()])
        drawn = rng.choice(len(codes), n, p=share / share.sum())
        slope = slope + np.array([row[1] for row in codes.values()])[drawn] - class_moments(codes)[0]
        classes[name] = np.array(list(codes))[drawn]
    high = rng.random(truth.publishers) < truth.high_site_share
    ambient = np.where(high[publisher], HIGH_SITE_KPA, 100.3) + 0.7 * rng.standard_normal(n)
    liking = (slope - truth.rule_ratio) / max(truth.between_builds_sd, 1e-9)
    top = np.exp(np.log(10.5) + 0.42 * rng.standard_normal(n) + truth.boost_follows_yield * liking)
    mistake = np.where(rng.random(n) < truth.contaminated, rng.integers(0, len(MISTAKES), n), -1)
    return _Builds(
        publisher=publisher,
        slope=np.clip(slope, 0.2, 1.8),
        curvature=truth.curvature + truth.curvature_sd * rng.standard_normal(n),
        power_kw=truth.median_power_kw * np.exp(log_power),
        publisher_effect=effect[publisher],
        classes=classes,
        ambient_kpa=np.where(mistake == MISTAKES.index("altitude_ignored"), HIGH_SITE_KPA, ambient),
        at_wheel=(rng.random(truth.publishers) < truth.chassis_share)[publisher],
        top_boost_kpa=np.clip(top, 4.0, 25.0) * PSI_KPA,
        mistake=mistake,
    )


def _out_of_breath(boost_kpa: Floats, top_kpa: Floats, hits: NDArray[np.bool_]) -> Floats:
    """Boost that the power follows: past 60 % of the top boost only 30 % of a rise still counts."""
    knee = 0.6 * top_kpa
    return np.where(hits & (boost_kpa > knee), knee + 0.3 * (boost_kpa - knee), boost_kpa)


def _draw_runs(rng: np.random.Generator, truth: Truth, b: _Builds) -> dict[str, NDArray[Any]]:
    """One entry a run, sorted by build, baselines first: build index, boost and power as recorded."""
    n = truth.builds
    baselines = rng.choice([1, 2, 3], n, p=[0.5, 0.3, 0.2])
    boosted = 1 + rng.poisson(truth.extra_runs, n)
    breathless = b.mistake == MISTAKES.index("out_of_breath")
    boosted = np.where(breathless, np.maximum(boosted, 3), boosted)
    build = np.repeat(np.arange(n), baselines + boosted)
    place = np.arange(len(build)) - np.repeat(np.cumsum(baselines + boosted) - baselines - boosted, baselines + boosted)
    is_boosted = place >= baselines[build]
    level = (place - baselines[build] + 1) / boosted[build]  # evenly up to the top boost
    true_kpa = np.where(is_boosted, np.maximum(level, 0.3) * b.top_boost_kpa[build], 0.0)
    felt_kpa = _out_of_breath(true_kpa, b.top_boost_kpa[build], breathless[build])
    multiple = np.maximum(power_multiple(b.slope[build], b.curvature[build], felt_kpa / b.ambient_kpa[build]), 0.2)
    session = truth.session_rel_sd * rng.standard_normal((n, 2))
    error = session[build, is_boosted.astype(int)] + truth.power_rel_sd * rng.standard_normal(len(build))
    power = b.power_kw[build] * multiple * np.exp(error)
    read_kpa = (
        true_kpa + truth.gauge_sd_kpa * rng.standard_normal(n)[build] + truth.boost_sd_kpa * rng.standard_normal(len(build))
    )
    misread = np.where(rng.random(n) < 0.5, 0.78, 1.28)
    read_kpa = np.where((b.mistake == MISTAKES.index("boost_misread"))[build], read_kpa * misread[build], read_kpa)
    wheel_only_boosted = is_boosted & (b.mistake == MISTAKES.index("wheel_boosted"))[build]
    return {
        "build": build,
        "is_boosted": is_boosted,
        "boost_kpa": np.where(is_boosted, np.maximum(read_kpa, 0.5 * PSI_KPA), 0.0),
        "power_kw": np.where(wheel_only_boosted, 0.85 * power, power),
    }


def _numbered(prefix: str, index: Ints) -> pl.Series:
    return pl.select(pl.lit(prefix) + pl.lit(pl.Series(index)).cast(pl.String).str.zfill(5)).to_series()


def _keys(b: _Builds) -> pl.DataFrame:
    named = pl.DataFrame(
        [
            _numbered("source_", b.publisher).alias("source"),
            _numbered("publisher ", b.publisher).alias("publisher"),
            _numbered("build ", np.arange(len(b.publisher))).alias("build"),
        ]
    )
    return named.select(pl.format("{}|{}|{}", "source", "publisher", "build").alias("build_key"), pl.all())


def _runs(r: dict[str, NDArray[Any]], b: _Builds, keys: pl.DataFrame) -> pl.DataFrame:
    of = r["build"]
    ignored = b.mistake == MISTAKES.index("altitude_ignored")
    given: dict[str, Any] = {
        name: np.where(r["is_boosted"], codes[of], "none") for name, codes in b.classes.items()
    } | {
        "session": keys["build"].gather(of), "dyno_type": np.where(b.at_wheel, "chassis_roller", "engine")[of],
        "measured_at": np.where(b.at_wheel, "wheel", "crank")[of], "correction": "sae_j1349", "fuel": "petrol",
        "power_kw": r["power_kw"], "boost_kpa": r["boost_kpa"],
        "ambient_kpa": np.where(ignored, ATMOSPHERE_KPA, b.ambient_kpa)[of], "wide_open": True,
        "boost_taken": "at_peak_power", "boost_where": "manifold", "charge_injection": "none", "outcome": "completed",
        "is_stated_rating": False, "baseline_hardware": "compressor_removed", "same_exhaust": True, "same_tune_target": True,
    }  # fmt: skip
    return run_table(keys.select("build_key", "source", "publisher")[of], pl.Series(r["is_boosted"]), given)


def simulate_study(truth: Truth, seed: int) -> SimulatedStudy:
    """Draw one study.

    Parameters
    ----------
    truth : what it is drawn from.
    seed : the same seed gives the same study.

    Returns
    -------
    SimulatedStudy
        Clean tables: one source a publisher, ``truth.builds`` builds, 1 to 3 baselines and at least one
        boosted run each. Publishers that drew no build are absent.
    """
    rng = generator(seed)
    b = _draw_builds(rng, truth)
    r = _draw_runs(rng, truth, b)
    keys = _keys(b)
    told = {"source": keys["source"], "publisher": keys["publisher"], "title": "Simulated study", "licence": "CC0-1.0",
            "medium": "other", "invented": True}  # fmt: skip
    sources = pl.DataFrame(list(typed_columns(fields_of("source"), told, keys.height).values())).unique("source").sort("source")
    mistakes = pl.Series([*MISTAKES, None]).gather(np.where(b.mistake < 0, len(MISTAKES), b.mistake))
    build_truth = keys.select("build_key").with_columns(
        pl.Series("true_rule_ratio", b.slope),
        pl.Series("true_curvature", b.curvature),
        pl.Series("true_power_kw", b.power_kw),
        pl.Series("publisher_effect", b.publisher_effect),
        mistakes.alias("mistake"),
    )
    return SimulatedStudy(truth, sources, build_table(keys, {"engine_id": keys["build"]}), _runs(r, b, keys), build_truth)
