"""How long the fit takes beside a bare group-by and the mixed model of statsmodels: ``python tests/bench/bench_fit.py [BUILDS ...]``.

Prints seconds (median of three; the mixed model once) and the ratio to the bare group-by of the same runs in the same process.
The mixed model is left out above 1,500 builds, where it takes minutes.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.joint_fit import fit_joint  # noqa: E402
from models.other_estimators import MOST_BUILDS_FOR_MIXED, mixed_model  # noqa: E402
from models.sample import choose_sample  # noqa: E402
from models.simulate import simulate_study  # noqa: E402
from models.simulate_truth import Truth  # noqa: E402


def seconds(work: Callable[[], Any], repeats: int = 3) -> float:
    """Median seconds."""
    taken = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return sorted(taken)[repeats // 2]


def main() -> None:
    for builds in [int(text) for text in sys.argv[1:]] or [1_000, 100_000]:
        drawn = simulate_study(Truth(builds=builds, publishers=max(20, builds // 20)), seed=1)
        sample = choose_sample(drawn.runs, drawn.builds)
        sums = [pl.col(c).sum() for c in ("boost_kpa", "ambient_kpa", "power")]
        bare = seconds(lambda runs=sample.runs, sums=sums: runs.group_by("unit").agg(sums))
        rows = [("group-by of three sums", bare), ("fit", seconds(lambda s=sample: fit_joint(s.runs, s.units)))]
        rows.append(("choosing the sample", seconds(lambda d=drawn: choose_sample(d.runs, d.builds))))
        if builds <= MOST_BUILDS_FOR_MIXED:
            rows.append(("MixedLM of statsmodels", seconds(lambda s=sample: mixed_model(s, 0.95), 1)))
        print(f"{builds:,} builds, {sample.runs.height:,} runs")
        for name, taken in rows:
            print(f"  {name:24s} {taken:9.4f} s  {taken / bare:10.1f} x")


if __name__ == "__main__":
    main()
