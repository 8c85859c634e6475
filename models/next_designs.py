"""Tests that could be run next: levels, baselines and repeats, and the Gram that each would give at the fitted curve.

Without a limit stated by the reader no boost is proposed: a new build is tested at the boost that it already runs. With one,
no level lies above it nor above what three builds of its class were tested at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_grams import BuildGrams, sweep_errors, sweep_level
from models.build_sums import sum_builds, to_run_columns
from models.joint_fit import ErrorSizes, JointFit
from models.rule import SEA_LEVEL_KPA

#: So many builds of a class must have run a boost before a plan may name it.
LEAST_BUILDS_AT_BOOST = 3

CLASS = ("induction", "charge_cooling", "fuel")


@dataclass(frozen=True, slots=True)
class TestPlan:
    """A test of one build.

    Attributes
    ----------
    shares : its boost levels as shares of the highest, one entry per pull.
    baselines : unboosted pulls.
    words : the levels in words where no boost is proposed.
    why : what it is good for.
    """

    __test__ = False  # its name must not make pytest collect it

    shares: tuple[float, ...]
    baselines: int
    words: str
    why: str

    @property
    def pulls(self) -> int:
        """All pulls."""
        return len(self.shares) + self.baselines


_ONE_EACH = "A build tells the mean by differing from other builds; a second look at the same build tells little more."
_REPEATS = "Repeats steady this build's own figure; the spread between builds stays."
_SEVERAL = "Levels far apart on one engine show the bend without comparing engines."

PLANS: tuple[TestPlan, ...] = (
    TestPlan((1.0,), 1, "at one boost that it already runs, one baseline", _ONE_EACH),
    TestPlan((1.0,), 3, "at one boost that it already runs, three baselines", _ONE_EACH),
    TestPlan((1.0, 1.0, 1.0), 3, "at one boost that it already runs, three pulls and three baselines", _REPEATS),
    TestPlan((0.5, 1.0), 1, "at two boosts that it already runs, one half of the other, one baseline", _SEVERAL),
    TestPlan((1 / 3, 2 / 3, 1.0), 3, "at three boosts that it already runs, far apart, three baselines", _SEVERAL),
    TestPlan((0.2, 0.4, 0.6, 0.8, 1.0), 3, "at five boosts that it already runs, far apart, three baselines", _SEVERAL),
)


@dataclass(frozen=True, slots=True)
class Reach:
    """Boost that a test of a class may use.

    Attributes
    ----------
    top_kpa : boost of the highest level that the plan counts with.
    evidence_kpa : highest boost that three builds of the class ran.
    is_named : whether the levels may be named (the reader stated a limit).
    """

    top_kpa: float
    evidence_kpa: float
    is_named: bool


def reach_of(units: pl.DataFrame, max_boost_kpa: float | None) -> Reach | None:
    """How much boost a plan may count with, or None where no class has three builds.

    Parameters
    ----------
    units : units of the kind that the test is of: induction, charge_cooling, fuel, highest_boost_kpa.
    max_boost_kpa : the reader's own limit.

    Notes
    -----
    Where the units are of several classes, the class that was tested least far sets the limit.
    """
    stated = units.drop_nulls(list(CLASS))
    place = LEAST_BUILDS_AT_BOOST - 1
    tops = stated.group_by(CLASS).agg(pl.col("highest_boost_kpa").sort(descending=True), pl.len().alias("n"))
    tops = tops.filter(pl.col("n") > place)
    if tops.is_empty():
        return None
    evidence = min(float(row[place]) for row in tops["highest_boost_kpa"].to_list())
    if max_boost_kpa is not None:
        return Reach(min(evidence, max_boost_kpa), evidence, is_named=True)
    median = stated["highest_boost_kpa"].median()
    assert isinstance(median, float)
    return Reach(min(evidence, median), evidence, is_named=False)


def levels_of_plan(plan: TestPlan, top_kpa: float) -> tuple[float, ...]:
    """Boost of each boosted pull [kPa]."""
    return tuple(share * top_kpa for share in plan.shares)


def plan_grams(fit: JointFit, plans: Sequence[TestPlan], top_kpa: float, errors: ErrorSizes | None = None) -> BuildGrams:
    """The Gram that each plan would give at sea level on an engine dyno, at the fitted curve; (m,).

    Parameters
    ----------
    fit : a fit that stands.
    plans : m tests.
    top_kpa : their highest boost.
    errors : error sizes of the pulls.
    """
    errors = errors or ErrorSizes()
    rows = [
        (i, boost)
        for i, plan in enumerate(plans)
        for boost in (*levels_of_plan(plan, top_kpa), *(0.0 for _ in range(plan.baselines)))
    ]
    runs = pl.DataFrame(rows, schema={"unit": pl.UInt32, "boost_kpa": pl.Float64}, orient="row").with_columns(
        ambient_kpa=pl.lit(SEA_LEVEL_KPA), power=pl.lit(1.0), power_rel_sd=pl.lit(errors.power_rel_sd),
        boost_sd_kpa=pl.lit(errors.boost_sd_kpa),
    )  # fmt: skip
    units = pl.DataFrame({"unit": np.arange(len(plans), dtype=np.uint32)}).with_columns(
        session_rel_sd=pl.lit(errors.session_rel_sd), gauge_sd_kpa=pl.lit(errors.gauge_sd_kpa)
    )
    return grams_of(fit, runs, units, np.full(len(plans), fit.phi.get("engine", 1.0)))


def grams_of(fit: JointFit, runs: pl.DataFrame, units: pl.DataFrame, phi: np.ndarray) -> BuildGrams:
    """Gram of each unit at the common curve of a fit; only zz, zk and kk mean something where powers are made up."""
    effects = fit.answer
    columns = to_run_columns(runs, units)
    slope = float(fit.design.mean(axis=0) @ effects.beta)
    sums = sum_builds(columns, slope, effects.q, np.full(units.height, slope), phi)
    return sweep_level(sweep_errors(sums, columns.session_var))
