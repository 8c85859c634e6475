"""How long the fit takes and what it holds beside a bare group-by and other mixed models: ``python tests/bench/bench_fit.py [BUILDS ...]``.

The study is drawn and its sample chosen in one process; a second one reads from a scratch folder the columns that the fit reads, and
nothing else, and fits. So its memory is that of the fit: before (columns loaded) and the highest. Ratios are to the bare group-by of
the same runs in the same process; seconds are medians of three (the group-by of nine, the mixed models and a fit beyond five seconds
once) of the clock, and for the fit of the processor too.
The mixed model of statsmodels is left out above 1,500 builds, where it takes minutes; R's lme4 is timed where it is installed, the
fit alone, up to 100,000 builds.
"""

from __future__ import annotations

import argparse
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

from models.fit_inputs import RUN_COLUMNS, UNIT_COLUMNS  # noqa: E402
from models.joint_fit import fit_joint  # noqa: E402
from models.other_estimators import MOST_BUILDS_FOR_MIXED, mixed_model  # noqa: E402
from models.rule import REFERENCE_BOOST_RATIO  # noqa: E402
from models.sample import Sample, choose_sample  # noqa: E402
from models.simulate import simulate_study  # noqa: E402
from models.simulate_truth import Truth  # noqa: E402

RUNS, UNITS = "runs.parquet", "units.parquet"
REPEATS = 3
#: The group-by is short, so more of them are taken: all ratios rest on it.
BARE_REPEATS = 9
SUMMED = ("boost_kpa", "ambient_kpa", "power")

#: Fits slopes that differ by publisher and by build, as the mixed model beside it, and prints the seconds of the fit alone.
_LME4 = """
suppressMessages(library(lme4)); d <- read.csv(commandArgs(TRUE)[1])
t <- system.time(lmer(gain ~ 0 + x + c + (0 + x | publisher) + (0 + x | unit), data = d, REML = TRUE))
cat(t[["elapsed"]])
"""
MOST_BUILDS_FOR_LME4 = 100_000


def seconds(work: Callable[[], Any], repeats: int = REPEATS, clock: Callable[[], float] = time.perf_counter) -> float:
    """Median seconds."""
    taken = []
    for _ in range(repeats):
        begun = clock()
        work()
        taken.append(clock() - begun)
    return sorted(taken)[repeats // 2]


def bare_group_by(runs: pl.DataFrame) -> pl.DataFrame:
    """Three sums by unit: what any fit has to do at least."""
    return runs.group_by("unit").agg(pl.col(name).sum() for name in SUMMED)


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


def show(name: str, taken: float, bare: float) -> None:
    """One line of the table."""
    print(f"  {name:26s} {taken:9.4f} s  {taken / bare:10.1f} x", flush=True)


def peak_gb() -> float:
    """Highest resident memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def choose(builds: int, folder: Path) -> None:
    """Draw, choose, write for the fit; time the choice and the other estimators, which need the whole sample."""
    drawn = simulate_study(Truth(builds=builds, publishers=max(20, builds // 20)), seed=1)
    sample: Sample = choose_sample(drawn.runs, drawn.builds)
    sample.runs.write_parquet(folder / RUNS)
    sample.units.write_parquet(folder / UNITS)
    bare = seconds(lambda: bare_group_by(sample.runs), BARE_REPEATS)
    show("choosing the sample", seconds(lambda: choose_sample(drawn.runs, drawn.builds)), bare)
    if builds <= MOST_BUILDS_FOR_MIXED:
        show("MixedLM of statsmodels", seconds(lambda: mixed_model(sample, 0.95), 1), bare)
    if builds <= MOST_BUILDS_FOR_LME4 and (lme4 := lme4_seconds(sample.runs, sample.units)) is not None:
        show("lmer of R's lme4", lme4, bare)
    print(f"  peak memory of drawing and choosing {peak_gb():.2f} GB", flush=True)


def fit(folder: Path) -> None:
    """Fit what was written, in this process alone."""
    bare_python = peak_gb()
    # as the sample hands them over: in one piece and known to be sorted, which lets the bare group-by take its quickest way
    runs = pl.read_parquet(folder / RUNS, columns=["unit", "run_key", *RUN_COLUMNS]).rechunk()
    if not runs["unit"].is_sorted():
        raise SystemExit("the runs of a sample are sorted by unit; these are not")
    runs = runs.with_columns(pl.col("unit").set_sorted())
    units = pl.read_parquet(folder / UNITS, columns=["unit", "publisher", "dyno_class", *UNIT_COLUMNS])
    before = peak_gb()
    print(f"{units.height:,} builds, {runs.height:,} runs", flush=True)
    begun = time.perf_counter()
    made = fit_joint(runs, units)  # the first thing that is done, so that its peak is its own
    first = time.perf_counter() - begun
    peak = peak_gb()
    again = REPEATS if first < 5.0 else 1
    bare = seconds(lambda: bare_group_by(runs), BARE_REPEATS)
    show("group-by of three sums", bare, bare)
    show("fit", seconds(lambda: fit_joint(runs, units), again), bare)
    show("fit, processor time", seconds(lambda: fit_joint(runs, units), again, time.process_time), bare)
    print(
        f"  {made.passes} passes; memory {bare_python:.2f} GB with the libraries, {before:.2f} GB with the columns, {peak:.2f} GB at the highest"
    )


def main() -> None:
    """Both halves of each size, each in a process of its own."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("builds", type=int, nargs="*", default=[1_000, 100_000])
    asked.add_argument("--half", choices=("choose", "fit"), help=argparse.SUPPRESS)
    asked.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.half == "choose":
        choose(given.builds[0], given.folder)
    elif given.half == "fit":
        fit(given.folder)
    else:
        for builds in given.builds:
            with tempfile.TemporaryDirectory() as folder:
                told = []
                for half in ("choose", "fit"):
                    words = [sys.executable, __file__, str(builds), "--half", half, "--folder", folder]
                    told.append(subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout)
                print(told[1] + told[0], end="", flush=True)


if __name__ == "__main__":
    main()
