"""Write the data that the peers fit: python tests/reference/peers/make_inputs.py, from the top of the checkout.

pairs.csv holds each build's own slope and its variance at the fixed point of our fit to the pinned study (error scale held at 1);
runs.csv each boosted run's boost ratio, curvature column and gain ratio over the build's mean baseline.
"""

from __future__ import annotations

import sys
import types
from pathlib import Path

import polars as pl

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))
# another distribution may have installed a package named "tests" too; ours is meant
sys.modules["tests"] = types.ModuleType("tests")
sys.modules["tests"].__path__ = [str(ROOT / "tests")]

from models.joint_fit import JointFit, fit_joint  # noqa: E402
from models.rule import REFERENCE_BOOST_RATIO  # noqa: E402
from tests.models.fit_strategies import pinned_frames  # noqa: E402

HERE = Path(__file__).parent


def pairs_of(fit: JointFit) -> pl.DataFrame:
    """publisher, build, slope, variance."""
    return fit.units.select("publisher", build="unit").with_columns(
        slope=pl.Series(fit.own_slope), variance=pl.Series(fit.own_variance)
    )


def runs_of(runs: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """publisher, build, x, c, g of the boosted runs."""
    base = runs.filter(pl.col("boost_kpa") == 0).group_by("unit").agg(pl.col("power").mean().alias("base"))
    x = pl.col("boost_kpa") / pl.col("ambient_kpa")
    boosted = runs.filter(pl.col("boost_kpa") > 0).join(base, on="unit").join(units.select("unit", "publisher"), on="unit")
    return boosted.select(
        "publisher", build="unit", x=x, c=x * (x - REFERENCE_BOOST_RATIO), g=pl.col("power") / pl.col("base") - 1
    ).sort("build", "x")


def main() -> None:
    runs, units = pinned_frames()
    pairs_of(fit_joint(runs, units, estimate_phi=False)).write_csv(HERE / "pairs.csv", line_terminator="\n")
    runs_of(runs, units).write_csv(HERE / "runs.csv", line_terminator="\n")


if __name__ == "__main__":
    main()
