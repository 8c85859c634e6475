"""Before/after changes with known truth, in the columns of the clean tables.

The gain of a part without boost is a share of the power before it::

    g = class mean * (1 + m ln(specific output / median)) * (1 + rho e)        e ~ N(0, 1)

so that a part which was not the limit of a mild engine gains little there, and much on an engine
that lacked only that part. Under boost the share becomes ``g M^(lambda - 1)`` with ``M`` the power
multiple: with lambda = 1 the gain in kW is multiplied by the full pressure ratio, with 0 it stays
what it was (DEVELOPERS.md, Estimators). Where the drive or wastegate setting is held in place of
the boost, the better-breathing engine lowers its own manifold pressure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.simulate_truth import PSI_KPA, generator, power_multiple
from models.simulated_tables import build_table, run_table

#: Mean gain without boost on an engine of median specific output, and its usual ends.
PART_GAINS: dict[str, tuple[float, float, float]] = {
    "camshaft": (0.100, 0.04, 0.18),
    "cylinder_head": (0.060, 0.01, 0.12),
    "intake_manifold": (0.045, 0.00, 0.11),
    "headers": (0.028, 0.01, 0.05),
    "throttle_body": (0.008, 0.00, 0.02),
}
MEDIAN_OUTPUT_KW_L = 52.0
#: Share of a gain's flow that comes off the manifold pressure where the drive setting is held.
GIVEBACK = 0.5


@dataclass(frozen=True, slots=True)
class ChangeTruth:
    """What simulated changes are drawn from.

    Attributes
    ----------
    engines, publishers : how many; an engine has one part changed.
    gains : part -> mean gain without boost as a share.
    moderation : m, growth of the gain with log specific output.
    growth : lambda, exponent of the gain in kW in the power multiple.
    engine_rel_sd : rho, spread of the gain between engines as a share of it.
    pull_rel_sd : error of one pull; before and after share the session.
    boosted_share, both_share : engines tested boosted only, and both ways.
    setting_share : boosted tests that held the drive or wastegate setting.
    log_output_sd : spread of log specific output.
    rule_ratio, curvature : of the engines under boost.
    """

    engines: int = 80
    publishers: int = 10
    gains: Mapping[str, float] = field(default_factory=lambda: {part: row[0] for part, row in PART_GAINS.items()})
    moderation: float = 1.2
    growth: float = 0.9
    engine_rel_sd: float = 0.35
    pull_rel_sd: float = 0.006
    boosted_share: float = 0.25
    both_share: float = 0.25
    setting_share: float = 0.3
    log_output_sd: float = 0.22
    rule_ratio: float = 0.90
    curvature: float = -0.06


@dataclass(frozen=True, slots=True)
class SimulatedChanges:
    """Clean tables and the truth behind them.

    ``pair_truth`` has one row a change: change_key, part, output_kw_l, true_na_gain (share), true_gain
    (share at the pair's boost, boost held), power_multiple.
    """

    truth: ChangeTruth
    builds: pl.DataFrame
    runs: pl.DataFrame
    changes: pl.DataFrame
    pair_truth: pl.DataFrame


def na_gain(mean: Any, moderation: float, output_kw_l: Any, engine_effect: Any) -> Any:
    """Gain without boost as a share, for numbers or arrays; ``engine_effect`` is ``rho e``."""
    return mean * (1 + moderation * np.log(output_kw_l / MEDIAN_OUTPUT_KW_L)) * (1 + engine_effect)


def gain_under_boost(gain: Any, growth: float, multiple: Any) -> Any:
    """Gain as a share at power multiple M: ``g M^(lambda - 1)``."""
    return gain * multiple ** (growth - 1)


def boost_at_held_setting(boost_kpa: Any, ambient_kpa: Any, gain: Any) -> Any:
    """Gauge boost after a change at the same drive or wastegate setting: absolute pressure over ``(1 + g)^0.5``."""
    return (boost_kpa + ambient_kpa) / (1 + gain) ** GIVEBACK - ambient_kpa


def _pairs(rng: np.random.Generator, truth: ChangeTruth) -> dict[str, NDArray[Any]]:
    """One entry a pair of runs, sorted by engine."""
    n = truth.engines
    ways = rng.choice(3, n, p=[1 - truth.boosted_share - truth.both_share, truth.boosted_share, truth.both_share])
    engine = np.repeat(np.arange(n), np.where(ways == 2, 2, 1))
    second = np.r_[False, engine[1:] == engine[:-1]]
    boosted = np.where(ways[engine] == 2, second, ways[engine] == 1)
    part = rng.integers(0, len(truth.gains), n)
    output = MEDIAN_OUTPUT_KW_L * np.exp(truth.log_output_sd * rng.standard_normal(n))
    gain = na_gain(
        np.array(list(truth.gains.values()))[part], truth.moderation, output, truth.engine_rel_sd * rng.standard_normal(n)
    )
    boost = np.where(boosted, np.exp(np.log(8.5) + 0.3 * rng.standard_normal(n))[engine] * PSI_KPA, 0.0)
    held_setting = boosted & (rng.random(n) < truth.setting_share)[engine]
    return {
        "engine": engine, "boosted": boosted, "part": part[engine], "output": output[engine], "gain": gain[engine],
        "boost": boost, "held_setting": held_setting, "publisher": rng.integers(0, truth.publishers, n)[engine],
        "power": (output * np.exp(np.log(4.0) + 0.4 * rng.standard_normal(n)))[engine],
    }  # fmt: skip


def simulate_changes(truth: ChangeTruth, seed: int) -> SimulatedChanges:
    """Draw before/after changes.

    Parameters
    ----------
    truth : what they are drawn from.
    seed : the same seed gives the same changes.

    Returns
    -------
    SimulatedChanges
        One or two changes an engine (without boost, boosted, or both); before and after are two builds of one ``engine_id``.
    """
    rng = generator(seed)
    p = _pairs(rng, truth)
    ambient = np.full(len(p["engine"]), 100.3)
    multiple = power_multiple(truth.rule_ratio, truth.curvature, p["boost"] / ambient)
    gain = gain_under_boost(p["gain"], truth.growth, multiple)
    after_boost = np.where(p["held_setting"], boost_at_held_setting(p["boost"], ambient, p["gain"]), p["boost"])
    after_multiple = power_multiple(truth.rule_ratio, truth.curvature, after_boost / ambient)
    error = np.exp(truth.pull_rel_sd * rng.standard_normal((2, len(ambient))))
    powers = np.stack([p["power"] * multiple, p["power"] * after_multiple * (1 + gain)]) * error
    return _tables(truth, p, powers, np.stack([p["boost"], after_boost]), ambient, gain, multiple)


def _tables(
    truth: ChangeTruth, p: dict[str, NDArray[Any]], powers: NDArray[Any], boosts: NDArray[Any],
    ambient: NDArray[Any], gain: NDArray[Any], multiple: NDArray[Any],
) -> SimulatedChanges:  # fmt: skip
    """Clean tables of the drawn pairs; row 2k is before, 2k + 1 after."""
    pairs = len(ambient)
    source = [f"changes_{g:03d}" for g in p["publisher"]]
    sides = pl.DataFrame(
        {
            "source": np.repeat(source, 2),
            "publisher": np.repeat([f"publisher {g:03d}" for g in p["publisher"]], 2),
            "build": [f"engine {e:05d} {side}" for e in p["engine"] for side in ("before", "after")],
        }
    )
    keys = sides.select(pl.format("{}|{}|{}", "source", "publisher", "build").alias("build_key"), pl.all())
    boost, power = boosts.T.ravel(), powers.T.ravel()
    runs = run_table(
        keys.drop("build"), pl.Series(np.repeat(p["boosted"], 2)),
        {"power_kw": power, "boost_kpa": boost, "ambient_kpa": np.repeat(ambient, 2), "correction": "sae_j1349",
        "measured_at": "crank",
         "session": [f"engine {e:05d}" for e in np.repeat(p["engine"], 2)], "fuel": "petrol",
         "induction": np.where(np.repeat(p["boosted"], 2), "turbocharger", "none")},
        file="changes.csv",
    )  # fmt: skip
    volume = np.repeat(p["power"] / p["output"] * 1000, 2)
    described = keys.with_columns(pl.Series("displacement_cc", volume), pl.col("build").str.slice(0, 12).alias("engine_id"))
    described = described.unique("build_key", keep="first", maintain_order=True)
    builds = build_table(described, {name: described[name] for name in ("displacement_cc", "engine_id")})
    parts = np.array(list(truth.gains))[p["part"]]
    before, after = runs[0 : 2 * pairs : 2], runs[1 : 2 * pairs : 2]
    changes = before.select("source", "publisher", "file", "line", pl.col("run_key").alias("before_run_key")).with_columns(
        after["run_key"].alias("after_run_key"),
        pl.Series("parts", [[part] for part in parts.tolist()], dtype=pl.List(pl.String)),
        pl.lit(True).alias("retuned_each"),
        pl.Series("held", np.where(p["boosted"], np.where(p["held_setting"], "setting", "boost"), "unstated")),
    )
    change_key = before["run_key"].alias("change_key")
    pair_truth = pl.DataFrame(
        {"change_key": change_key, "part": parts, "output_kw_l": p["output"], "true_na_gain": p["gain"], "true_gain": gain,
         "power_multiple": multiple}
    )  # fmt: skip
    return SimulatedChanges(truth, builds, runs, changes.select(change_key, pl.all()), pair_truth)
