"""How long the fit takes beside a bare group-by and other mixed models: ``python tests/bench/bench_fit.py [BUILDS ...]``.

Prints seconds (median of three; the mixed models once) and the ratio to the bare group-by of the same runs in the same process.
The mixed model of statsmodels is left out above 1,500 builds, where it takes minutes; R's lme4 is timed where it is installed, the
fit alone, up to 100,000 builds.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.joint_fit import fit_joint  # noqa: E402
from models.other_estimators import MOST_BUILDS_FOR_MIXED, mixed_model  # noqa: E402
from models.rule import REFERENCE_BOOST_RATIO  # noqa: E402
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


#: Fits slopes that differ by publisher and by build, as the mixed model beside it, and prints the seconds of the fit alone.
_LME4 = """
suppressMessages(library(lme4)); d <- read.csv(commandArgs(TRUE)[1])
t <- system.time(lmer(gain ~ 0 + x + c + (0 + x | publisher) + (0 + x | unit), data = d, REML = TRUE))
cat(t[["elapsed"]])
"""
MOST_BUILDS_FOR_LME4 = 100_000


def lme4_seconds(runs: pl.DataFrame, units: pl.DataFrame) -> float | None:
    """Seconds that lmer takes; None where R or lme4 is not there."""
    if shutil.which("Rscript") is None:
        return None
    boosted = runs.filter(pl.col("gain_ratio").is_not_null()).join(units.select("unit", "publisher"), on="unit")
    x = pl.col("boost_kpa") / pl.col("ambient_kpa")
    table = boosted.select("unit", "publisher", x=x, c=x * (x - REFERENCE_BOOST_RATIO), gain="gain_ratio")
    with tempfile.TemporaryDirectory() as folder:
        table.write_csv(Path(folder) / "runs.csv")
        found = subprocess.run(
            ["Rscript", "-e", _LME4, str(Path(folder) / "runs.csv")], capture_output=True, text=True, timeout=900
        )
    return float(found.stdout) if found.returncode == 0 and found.stdout else None


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
        if builds <= MOST_BUILDS_FOR_LME4 and (lme4 := lme4_seconds(sample.runs, sample.units)) is not None:
            rows.append(("lmer of R's lme4", lme4))
        print(f"{builds:,} builds, {sample.runs.height:,} runs")
        for name, taken in rows:
            print(f"  {name:24s} {taken:9.4f} s  {taken / bare:10.1f} x")
        print(f"  peak memory so far {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB", flush=True)


if __name__ == "__main__":
    main()
