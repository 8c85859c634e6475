"""How fast raw files become a store: ``python tests/bench/bench_build.py [--rows N] [--files K] [--jobs 1 2] [--points N]``.

Messy rows of runs (mixed units, decimal marks, delimiters and header languages, some refused) in K files, built whole, again
with nothing changed, and with one file changed, beside DuckDB's bare read of the same files with every column as text.
Builds are made as the command makes them where nobody says how many processes read (``--jobs 0``), by this process alone (1) and by
several. ``--points`` adds a file set of curves of 100 points, built against the bare load of the same points. Ratios are of one run
of this script on one machine, to the middle one of bare reads before, between and after the builds; a busy machine spoils both
sides alike, but not equally.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path[:0] = [str(Path(__file__).parents[2])]

from pipeline.memory import prepare_reading  # noqa: E402

prepare_reading()  # as the command does, before the libraries are loaded

import duckdb  # noqa: E402
import numpy as np  # noqa: E402
import polars as pl  # noqa: E402

from pipeline.build import build  # noqa: E402
from pipeline.executors import open_readers  # noqa: E402

#: Header, delimiter, decimal mark, kW per unit of power, kPa per unit of boost, place of a full stop as thousands mark.
DIALECTS = (
    (("build", "displacement_cc", "power_hp", "boost_psi", "ambient_kpa", "session", "note"), ",", ".", 0.7456998715822702, 6.894757293168361),
    (("build", "displacement_cc", "power_kw", "boost_bar", "ambient_kpa", "session", "note"), ";", ",", 1.0, 100.0),
    (("build", "displacement_cc", "power_ps", "boost_kpa", "ambient_kpa", "session", "note"), "\t", ".", 0.73549875, 1.0),
)  # fmt: skip
HEAD = 'title = "Bench {0}"\npublisher = "Bench {0}"\nlicence = "CC0-1.0"\n'


def write_runs(folder: Path, rows: int, files: int) -> None:
    """Rows of invented runs: five a build, about 2 % of the rows with a mistake that refuses them."""
    rng = np.random.default_rng(1)
    each = rows // files
    for number in range(files):
        names, mark, decimal, kw, kpa = DIALECTS[number % len(DIALECTS)]
        build_no = np.arange(each) // 5
        level = np.arange(each) % 5
        na = rng.uniform(60, 400, each // 5 + 1)[build_no]
        boost = np.where(level == 0, 0.0, np.round(rng.uniform(3, 9, each) * level, 1))
        power = na * (1 + 0.9 * boost / 101.3) * np.exp(rng.normal(0, 0.012, each))
        text = {
            names[0]: pl.Series([f"Engine {number}-{b}" for b in build_no]),
            names[1]: pl.Series((na * 12).astype(int)).cast(pl.String),
            names[2]: pl.Series(np.round(power / kw, 1)).cast(pl.String),
            names[3]: pl.Series(np.round(boost / kpa, 3)).cast(pl.String),
            names[4]: pl.Series(np.round(rng.normal(100, 1, each), 1)).cast(pl.String),
            names[5]: pl.Series([f"day {b % 40}" for b in build_no]),
            names[6]: pl.Series(["a remark, with a comma" if b % 3 else "" for b in build_no]),
        }
        frame = pl.DataFrame(text)
        bad = pl.Series(rng.random(each) < 0.02) & pl.Series(level > 0)
        frame = frame.with_columns(pl.when(bad).then(pl.lit("n/k")).otherwise(pl.col(names[2])).alias(names[2]))
        if decimal == ",":
            frame = frame.with_columns(pl.col(list(names[2:5])).str.replace(".", ",", literal=True))
        _write_source(folder, number, frame, mark, "runs", "" if decimal == "." else 'decimal_mark = ","\n')


def write_curves(folder: Path, points: int, files: int) -> None:
    """Curves of 100 points, three boosts a build."""
    rng = np.random.default_rng(2)
    each = points // files // 100 * 100
    for number in range(files):
        curve = np.arange(each) // 100
        rpm = np.tile(np.linspace(2500, 7450, 100), each // 100)
        boost = 30.0 * (curve % 3)
        power = 150 * (1 - ((rpm - 6000) / 6000) ** 2) * (1 + 0.9 * boost / 101.3) * (1 + rng.normal(0, 0.004, each))
        frame = pl.DataFrame(
            {
                "build": [f"Engine {number}-{c // 3}" for c in curve], "run": [f"run {c}" for c in curve], "rpm": rpm.astype(int),
                "power_kw": np.round(power, 2), "boost_kpa": boost,
            }
        )  # fmt: skip
        _write_source(folder, number, frame, ",", "sweep", "")


def _write_source(folder: Path, number: int, frame: pl.DataFrame, mark: str, kind: str, more: str) -> None:
    place = folder / f"bench_{number:03d}"
    place.mkdir(parents=True)
    frame.write_csv(place / "runs.csv", separator=mark)
    entry = f'[[file]]\nname = "runs.csv"\nkind = "{kind}"\n{more}'
    (place / "source.toml").write_text(HEAD.format(number) + entry, encoding="utf-8")


def timed(step: Callable[[], object]) -> tuple[float, object]:
    """Seconds of one call, and what it gave."""
    start = time.perf_counter()
    made = step()
    return time.perf_counter() - start, made


def bare_read(folder: Path) -> int:
    """DuckDB reads every file with all columns as text into one table a file, in memory."""
    con = duckdb.connect()
    rows = 0
    for number, path in enumerate(sorted(folder.glob("*/runs.csv"))):
        con.execute(f"CREATE TABLE t{number} AS SELECT * FROM read_csv(?, all_varchar = true, header = true)", [str(path)])
        rows += con.execute(f"SELECT count(*) FROM t{number}").fetchall()[0][0]
    return rows


def measure(name: str, folder: Path, scratch: Path, jobs: list[int]) -> None:
    """Print one table."""
    bares, rows = [], 0

    def read_bare() -> None:
        nonlocal rows
        took, rows = timed(lambda: bare_read(folder))  # type: ignore[assignment]
        bares.append(took)

    builds: dict[str, tuple[float, int]] = {}
    for count in jobs:
        store = scratch / f"{name}_{count}.duckdb"

        def again(store: Path = store, count: int = count) -> object:
            with open_readers(count or None, None) as executor:
                return build(folder, store, executor=executor)

        read_bare()
        took, summary = timed(again)
        builds[f"build, --jobs {count}" if count else "build"] = took, summary.count("refused")  # type: ignore[attr-defined]
    read_bare()
    bare = median(bares)
    print(f"\n{name}: {rows:,} rows in {len(list(folder.iterdir()))} files, {_megabytes(folder):.0f} MB")
    print(
        f"  {'bare all-text read (DuckDB)':34} {bare:8.2f} s    1.0   {min(bares):.2f} to {max(bares):.2f} s in {len(bares)} reads"
    )
    for title, (took, refused) in builds.items():
        print(f"  {title:34} {took:8.2f} s {took / bare:6.1f}   {refused:,} refused")
    age = time.time() - 60
    for path in folder.glob("*/runs.csv"):
        os.utime(path, (age, age))
    build(folder, store)
    print(f"  {'nothing changed':34} {timed(lambda: build(folder, store))[0]:8.2f} s")
    first = min(folder.glob("*/runs.csv"))
    first.write_bytes(first.read_bytes().replace(b"Engine 0-0", b"Engine 0-x", 1))
    print(f"  {'one file changed':34} {timed(lambda: build(folder, store))[0]:8.2f} s")


def _megabytes(folder: Path) -> float:
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6


def main() -> None:
    """Write the files, build, print."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--rows", type=int, default=1_000_000)
    ask.add_argument("--files", type=int, default=50)
    ask.add_argument("--jobs", type=int, nargs="+", default=[0, 1, 2])
    ask.add_argument(
        "--points", type=int, default=0, help="points of curves, 100 million for the full measure; 0 leaves them out"
    )
    asked = ask.parse_args()
    print(
        f"{platform.platform()}, Python {platform.python_version()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}"
    )
    print(f"polars {pl.__version__}, duckdb {duckdb.__version__}")
    scratch = Path(tempfile.mkdtemp(prefix="bench_build_"))
    try:
        write_runs(scratch / "runs", asked.rows, asked.files)
        measure("runs", scratch / "runs", scratch, asked.jobs)
        if asked.points:
            write_curves(scratch / "curves", asked.points, asked.files)
            measure("curves", scratch / "curves", scratch, asked.jobs)
        print(f"\npeak memory of this process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
    finally:
        shutil.rmtree(scratch)


if __name__ == "__main__":
    main()
