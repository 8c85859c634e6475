"""How fast curves become runs: ``python tests/bench/bench_sweeps.py [POINTS]``.

Prints seconds a million points for each step, for curves of 100 points and for logs of 1000 readings, and as a multiple
of one bare sort of the same points by run and speed.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

sys.path[:0] = [str(Path(__file__).parents[2])]

from models.curves_at_rpm import on_common_speeds  # noqa: E402
from pipeline.curve_bins import bin_curves, smooth_curves  # noqa: E402
from pipeline.curve_groups import group_points  # noqa: E402
from pipeline.sweeps import check_points, make_curves  # noqa: E402


def made_points(points: int, readings: int) -> pl.DataFrame:
    """Curves of one engine at three boosts, with a little noise."""
    rng = np.random.default_rng(1)
    curves = points // readings
    rpm = np.tile(np.linspace(2500, 7500, readings), curves)
    owner = np.repeat(np.arange(curves), readings)
    power = 150 * (1 - ((rpm - 6000) / 6000) ** 2) * (1 + 0.3 * (owner % 3)) * (1 + rng.normal(0, 0.004, rpm.size))
    names = pl.Series("run", [f"run {k}" for k in range(curves)])
    return pl.DataFrame(
        {
            "line": np.arange(2, rpm.size + 2), "number": np.ones(rpm.size, np.int32), "run": names.gather(owner), "rpm": rpm,
            "curve_power_kw": power, "curve_torque_nm": power * 30_000 / np.pi / rpm, "curve_boost_kpa": 30.0 * (owner % 3),
        }
    ).with_columns(build=pl.lit("A"))  # fmt: skip


def timed(step: Callable[[], object]) -> float:
    """Seconds of one call, the better of two."""
    took = []
    for _ in range(2):
        start = time.perf_counter()
        step()
        took.append(time.perf_counter() - start)
    return min(took)


def main() -> None:
    """Print the table."""
    points = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    for readings in (100, 1000):
        frame = made_points(points, readings)
        grouped = group_points(frame)
        keyed = grouped.with_columns(run_key=pl.col("run"))
        bare = timed(partial(frame.sort, "run", "rpm"))
        print(f"{points} points in curves of {readings}; bare sort {bare * 1e6 / points:.3f} s a million")
        steps = {
            "group_points": partial(group_points, frame), "check_points": partial(check_points, grouped),
            "bin_curves": partial(bin_curves, grouped, "curve"), "smooth_curves": partial(smooth_curves, grouped, "curve"),
            "make_curves": partial(make_curves, grouped), "on_common_speeds": partial(on_common_speeds, keyed),
        }  # fmt: skip
        for name, step in steps.items():
            took = timed(step)
            print(f"  {name:18} {took * 1e6 / points:7.3f} s a million, {took / bare:6.1f} sorts")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB")


if __name__ == "__main__":
    main()
