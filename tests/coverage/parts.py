"""Simulated changes of parts with known truth: class means, range for a new engine, moderation, growth under boost.

The drawn powers carry the error that the analysis takes them to carry: the stated scatter of a pull, half a per cent a side
within a session, and under boost the error of a reading of boost.
"""

from __future__ import annotations

import math

import polars as pl

from models.gain_answers import PairAnswers, answer_pairs
from models.gain_pairs import MeanCurve
from models.pairing import SESSION_REL_SD
from models.sample import BOOST_SD_KPA
from models.simulate_changes import MEDIAN_OUTPUT_KW_L, ChangeTruth, na_gain, simulate_changes
from models.simulate_truth import generator
from tests.coverage.measures import Measured
from tests.coverage.worlds import Limit, World

PULL_REL_SD = 0.006
#: More error than the pulls alone have: that of the session.
DRAWN = math.hypot(PULL_REL_SD, SESSION_REL_SD["same_session"])

_LIMITS = (
    Limit("class mean", "coverage", 0.92, 0.99),
    Limit("class mean", "bias", -0.25, 0.25),
    Limit("range of a new engine", "coverage", 0.90, 0.99),
    Limit("moderation", "coverage", 0.90, 0.99),
    Limit("growth under boost", "coverage", 0.92, 0.985),
    Limit("growth under boost", "bias", -0.05, 0.05),
)

#: World -> what its changes are drawn from.
TRUTHS: dict[str, ChangeTruth] = {
    f"parts, growth {growth:g}": ChangeTruth(engines=80, growth=growth, pull_rel_sd=DRAWN) for growth in (0.0, 0.7, 1.0)
}
PART_WORLDS: tuple[World, ...] = tuple(World(name, (), _LIMITS) for name in TRUTHS)


def drawn_answers(truth: ChangeTruth, seed: int, level: float = 0.95) -> PairAnswers:
    """Changes drawn from a truth, with stated scatter and misread boost, analysed."""
    drawn = simulate_changes(truth, seed)
    rng = generator(seed, 7)
    read = pl.col("boost_kpa") + pl.Series(BOOST_SD_KPA * rng.standard_normal(drawn.runs.height))
    runs = drawn.runs.with_columns(
        power_sd_kw=PULL_REL_SD * pl.col("power_kw"),
        boost_kpa=pl.when(pl.col("role") == "boosted").then(read.clip(1.0)).otherwise(pl.col("boost_kpa")),
    )
    tables = {"run": runs, "build": drawn.builds, "change": drawn.changes}
    return answer_pairs(tables, MeanCurve(truth.rule_ratio, truth.curvature, 0.0), {}, level)


def measure_parts(truth: ChangeTruth, seed: int) -> Measured:
    """One drawn world of changes: each estimate beside its truth; class means and ranges of one kind in turn."""
    answers, found = drawn_answers(truth, seed), Measured()
    kind = list(truth.gains)[seed % len(truth.gains)]
    rng = generator(seed, 11)
    for one in answers.parts:
        if one.part == kind and one.condition == "without boost":
            output = MEDIAN_OUTPUT_KW_L * math.exp(truth.log_output_sd * rng.standard_normal())
            fresh = na_gain(truth.gains[kind], truth.moderation, output, truth.engine_rel_sd * rng.standard_normal())
            found.estimates["class mean"] = (100 * truth.gains[kind], one.gain_pct)
            found.estimates["range of a new engine"] = (100 * float(fresh), one.new_engine_pct)
    found.estimates["moderation"] = (math.log(2) * truth.moderation, answers.growth.moderation)
    found.estimates["growth under boost"] = (truth.growth, answers.growth.growth)
    return found


def run_part_world(one: World, studies: int, first_seed: int = 1) -> list[Measured]:
    """Draw and measure; no two worlds share a seed."""
    begin = 5_000_000 + 100_000 * list(TRUTHS).index(one.name) + first_seed
    return [measure_parts(TRUTHS[one.name], seed) for seed in range(begin, begin + studies)]
