"""All measures of speed, one after another, into one report: ``python tests/bench/run.py [--quick] [--out FILE]``.

Each script runs in a process of its own; what it prints goes into the report as it is, with the machine and the versions on top.
Ratios are those within one script's run. Run it on an idle machine: about three quarters of an hour, with ``--quick`` two minutes.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import platform
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PACKAGES = ("polars", "duckdb", "numpy", "scipy", "statsmodels", "scikit-learn", "pandera", "altair")
#: Heading, script, arguments of the full run, and of the quick one.
MEASURES: tuple[tuple[str, str, tuple[str, ...], tuple[str, ...]], ...] = (
    ("Demo and pages", "bench_pages.py", ("5000",), ("300",)),
    ("Reading rows and building the store", "bench_build.py", ("--rows", "1000000", "--files", "50"), ("--rows", "20000", "--files", "4")),
    ("The same rows in a thousand files", "bench_build.py", ("--rows", "1000000", "--files", "1000", "--jobs", "0"), ("--rows", "20000", "--files", "20", "--jobs", "0")),
    ("Reading curves", "bench_build.py", ("--rows", "10000", "--files", "10", "--points", "10000000"), ("--rows", "2000", "--files", "2", "--points", "100000")),
    ("Steps of curves", "bench_sweeps.py", ("1000000",), ("100000",)),
    ("Tests published twice", "bench_repeats.py", ("1000000",), ("30000",)),
    ("One pass of the fit", "bench_build_sums.py", ("100000",), ("2000",)),
    ("The fit", "bench_fit.py", ("1000", "10000", "100000", "1000000"), ("300",)),
    ("A hundred million points", "bench_build.py", ("--rows", "1000", "--files", "100", "--points", "100000000", "--jobs", "0"),
        ("--rows", "100", "--files", "10", "--points", "200000", "--jobs", "0")),
)  # fmt: skip
LONGEST_S = 3_000


def machine() -> str:
    """Processors, memory, system and versions."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in PACKAGES)
    return f"{os.cpu_count()} processors, {memory:.0f} GB, {platform.system()} {platform.machine()}, Python {platform.python_version()}; {versions}."


def measure(script: str, words: tuple[str, ...]) -> tuple[str, float]:
    """What a script prints, or how it failed, and the seconds it took."""
    begun = time.perf_counter()
    try:
        found = subprocess.run(
            [sys.executable, str(HERE / script), *words], cwd=ROOT, capture_output=True, text=True, timeout=LONGEST_S
        )
        text = found.stdout if found.returncode == 0 else f"{found.stdout}\nfailed: {found.stderr.strip().splitlines()[-1:]}"
    except subprocess.TimeoutExpired as stopped:
        text = f"{(stopped.stdout or b'').decode()}\nnot finished within {LONGEST_S} s"
    return text.strip(), time.perf_counter() - begun


def main() -> None:
    """Write the report, a part as soon as it is measured."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--quick", action="store_true")
    ask.add_argument("--out", type=Path, default=HERE / "report.md")
    ask.add_argument("--only", nargs="+", metavar="SCRIPT", help="only these scripts")
    asked = ask.parse_args()
    size = "quick run, small sizes" if asked.quick else "full run"
    load = os.getloadavg()[0]
    lines = [
        "# Speed", "", f"Made on {datetime.now(UTC).date().isoformat()} by `python tests/bench/run.py` ({size}; load before it {load:.1f}).",
        "", machine(), "", "Ratios are within one script's run; seconds are those of this machine.", "",
    ]  # fmt: skip
    for heading, script, full, quick in MEASURES:
        if asked.only and script not in asked.only:
            continue
        words = quick if asked.quick else full
        text, took = measure(script, words)
        lines += [
            f"## {heading}",
            "",
            f"`python tests/bench/{script} {' '.join(words)}`, {took:.0f} s",
            "",
            "```",
            text,
            "```",
            "",
        ]
        asked.out.write_text("\n".join(lines), encoding="utf-8")
        print(f"{heading}: {took:.0f} s", flush=True)


if __name__ == "__main__":
    main()
