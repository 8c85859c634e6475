"""Search for tests published twice at scale: seconds for growing numbers of runs, and what was planted and found.

Run: ``python tests/bench/bench_repeats.py [runs]`` (default 1e6). The figures are invented: engines of 60 to 650 hp printed in whole
hp, boost in tenths of a psi around few usual levels, 1 % of the builds printed again by another publisher.
"""

import sys
import time
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))
from pipeline.repeats import find_repeats  # noqa: E402

HP, PSI = 0.7456998715822702, 6.894757293168361


def make(runs: int, seed: int = 3) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, int]:
    """Runs, builds, days of publication and the number of planted repeats."""
    rng = np.random.default_rng(seed)
    builds = runs // 3
    base = np.round(np.exp(rng.uniform(np.log(60), np.log(650), builds)))
    share = rng.normal(0.9, 0.1, builds)
    low, high = rng.choice([4, 5, 6, 7, 8], builds), rng.choice([10, 12, 14, 15, 18], builds)
    build = np.tile(np.arange(builds), 3)
    low, high = (np.round(level + rng.normal(0, 0.5, builds), 1) for level in (low, high))
    boost = np.concatenate([np.zeros(builds), low, high])
    power = np.round(base[build] * (1 + share[build] * boost / 14.7))
    source = rng.integers(0, 200, builds)
    copies = rng.choice(builds, builds // 100, replace=False)
    rows = np.isin(build, copies)
    build = np.concatenate([build, builds + np.searchsorted(np.sort(copies), build[rows])])
    boost, power = np.concatenate([boost, boost[rows]]), np.concatenate([power, power[rows]])
    source = np.concatenate([source, np.full(len(copies), 200)])
    frame = pl.DataFrame({"b": build, "boost_kpa": boost * PSI, "power_kw": power * HP}).with_columns(
        source=pl.Series([f"s{i:03d}" for i in source])[build],
        role=pl.when(pl.col("boost_kpa") > 0).then(pl.lit("boosted")).otherwise(pl.lit("baseline")),
    )
    frame = frame.with_columns(
        publisher=pl.lit("P ") + pl.col("source"),
        power_step_kw=pl.lit(HP),
        boost_step_kpa=pl.lit(PSI / 10),
        power_rpm=pl.lit(None, pl.Float64),
        build_key=pl.format("{}|P {}|B {}", "source", "source", "b"),
        run_key=pl.format("{}#{}", "source", pl.int_range(pl.len())),
    )
    facts = frame.unique("build_key", maintain_order=True).select("build_key", "source", "publisher", "b")
    builds_frame = facts.with_columns(
        build=pl.format("Engine {}", "b"),
        engine_id=pl.lit(None, pl.String),
        displacement_cc=pl.Series(rng.choice([1600.0, 1998.0, 2500.0, 3000.0, 5700.0], facts.height)),
        **{c: pl.lit(None, pl.Float64) for c in ("compression_ratio", "bore_mm", "stroke_mm", "cylinders")},
    )
    # A repeat states no displacement: it cannot disagree.
    builds_frame = builds_frame.with_columns(displacement_cc=pl.when(pl.col("source") != "s200").then("displacement_cc"))
    days = pl.DataFrame(
        {"source": [f"s{i:03d}" for i in range(201)], "published_on": [date(2001 + i // 10, 1, 1) for i in range(201)]}
    )
    return frame.drop("b"), builds_frame.drop("b"), days, len(copies)


def main(most: int) -> None:
    """Time the search at a tenth and at the whole number of runs."""
    for runs in (most // 10, most):
        made = make(runs)
        start = time.perf_counter()
        found = find_repeats(*made[:3])
        seconds = time.perf_counter() - start
        copies = found.same_test.filter(pl.col("build_key").str.starts_with("s200")).height
        print(
            f"{made[0].height:>9,} runs: {seconds:6.1f} s; {copies:,} of {made[3]:,} planted found, "
            f"{found.same_test.height - copies:,} others by chance, {found.near.height:,} to be judged"
        )


if __name__ == "__main__":
    main(int(float(sys.argv[1])) if len(sys.argv) > 1 else 1_000_000)
