"""How long the demo takes from nothing to pages, and pages of many builds: ``python tests/bench/bench_pages.py [BUILDS]``.

The demo runs in a process of its own, as a user starts it, from the second time on: byte code is kept. Pages of BUILDS (5,000)
simulated builds are written from a study fitted before the clock starts. ``--help`` is timed beside a bare start of Python.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from models.simulate import simulate_study  # noqa: E402
from models.simulate_truth import Truth  # noqa: E402
from models.study import run_study  # noqa: E402
from reports import bundle  # noqa: E402
from reports.write import write_pages  # noqa: E402


def run_seconds(kept: Path, *words: str, fresh: tuple[str, ...] = ()) -> float:
    """Seconds of one process; the best of four after one that is not counted.

    Parameters
    ----------
    kept : folder for byte code.
    words : what Python is started with.
    fresh : one more word each time, where nothing of the time before may be there.
    """
    environment = {n: v for n, v in os.environ.items() if n != "PYTHONDONTWRITEBYTECODE"} | {"PYTHONPYCACHEPREFIX": str(kept)}
    took = []
    for i in range(5):
        begun = time.perf_counter()
        more = fresh[i : i + 1]
        subprocess.run([sys.executable, *words, *more], cwd=ROOT, check=True, capture_output=True, env=environment)
        took.append(time.perf_counter() - begun)
    return min(took[1:])


def demo(folder: Path) -> None:
    """From nothing to pages, and the pages alone."""
    kept, pages_folder = folder / "bytecode", folder / "pages"
    command = ("-m", "pipeline.cli")
    print(f"bare start of Python            {run_seconds(kept, '-c', 'pass'):7.2f} s")
    print(f"poundworth --help               {run_seconds(kept, *command, '--help'):7.2f} s")
    stores = tuple(f"--store={folder / str(i)}.duckdb" for i in range(5))
    took = run_seconds(kept, *command, "run", "--out", str(pages_folder), fresh=stores)
    print(f"poundworth run on the demo      {took:7.2f} s")
    took = run_seconds(kept, *command, "report", "--out", str(pages_folder), stores[0])
    print(f"poundworth report on the demo   {took:7.2f} s")
    pages = sorted(pages_folder.glob("*.html"), key=lambda page: page.stat().st_size)
    print(
        f"largest page                    {pages[-1].stat().st_size / 1e6:7.2f} MB ({pages[-1].name} of {len(pages)})", flush=True
    )


def many(builds: int, folder: Path) -> None:
    """Pages of many builds."""
    drawn = simulate_study(Truth(builds=builds, publishers=max(20, builds // 20)), seed=1)
    tables = {"run": drawn.runs, "build": drawn.builds, "source": drawn.sources}
    small = simulate_study(Truth(builds=60), seed=1)  # libraries are imported where they are used first
    run_study(
        {"run": small.runs, "build": small.builds, "source": small.sources}, version="0", fingerprint="", made_on="2000-01-01"
    )
    begun = time.perf_counter()
    study = run_study(tables, version="0", fingerprint="bench", made_on="2000-01-01")
    print(f"study of {builds:,} builds           {time.perf_counter() - begun:7.2f} s", flush=True)
    bundle.chart_bundle()
    begun = time.perf_counter()
    pages = write_pages(
        study, {"rows_read": drawn.runs.height, "accepted": drawn.runs.height, "refused": 0, "repeated": 0}, folder
    )
    print(
        f"its pages                       {time.perf_counter() - begun:7.2f} s, largest {max(p.stat().st_size for p in pages) / 1e6:.2f} MB"
    )


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        demo(Path(folder))
        many(int(sys.argv[1]) if len(sys.argv) > 1 else 5_000, Path(folder) / "many")


if __name__ == "__main__":
    main()
