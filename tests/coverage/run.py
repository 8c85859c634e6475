"""The coverage suite: simulated studies of known truth, world by world.

    python tests/coverage/run.py                        200 studies a world, report to tests/coverage/report.md
    python tests/coverage/run.py --studies 40 --world base --out /tmp/report.md

Run from the top of the checkout. Exit 1 when a limit is clearly missed.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import platform
import sys
import time
import types
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
# another distribution may have installed a package named "tests" too; ours is meant
sys.modules["tests"] = types.ModuleType("tests")
sys.modules["tests"].__path__ = [str(ROOT / "tests")]

from tests.coverage.parts import PART_WORLDS, run_part_world  # noqa: E402
from tests.coverage.summary import Row, run_world, summarise, to_markdown, unmet  # noqa: E402
from tests.coverage.worlds import NAMED_LIMITS, WORLDS, World  # noqa: E402

FULL_RUN = 200


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--studies", type=int, default=FULL_RUN, help="studies a world (default %(default)s)")
    asked.add_argument(
        "--world",
        action="append",
        choices=sorted({one.name for one in (*WORLDS, *PART_WORLDS)}),
        help="only this world; may be given again",
    )
    asked.add_argument("--out", type=Path, default=Path(__file__).with_name("report.md"))
    options = asked.parse_args()
    made: list[tuple[World, list[Row], float]] = []
    faults: list[str] = []
    for one in (*WORLDS, *PART_WORLDS):
        if options.world and one.name not in options.world:
            continue
        begun = time.perf_counter()
        rows = summarise(one, (run_part_world if one in PART_WORLDS else run_world)(one, options.studies))
        made.append((one, rows, time.perf_counter() - begun))
        faults += unmet(one, rows)
        print(f"{one.label}: {made[-1][2]:.0f} s", file=sys.stderr)
    options.out.write_text(to_markdown(made, _head(options.studies, faults)), encoding="utf-8")
    print("\n".join(faults) or "Every limit was kept.", file=sys.stderr)
    return 1 if faults else 0


def _head(studies: int, faults: list[str]) -> list[str]:
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "scipy", "polars", "statsmodels"))
    reduced = "" if studies >= FULL_RUN else f" A reduced run: the full one has {FULL_RUN} studies a world."
    return [
        "# Coverage report",
        "",
        f"Made on {datetime.now(UTC).date().isoformat()} by `python tests/coverage/run.py --studies {studies}`, "
        f"Python {platform.python_version()}, {versions}.{reduced}",
        "",
        "Studies of 60 to 150 builds with known truth (models/simulate_worlds.py), seeds fixed; worlds of parts have 80 engines of 10 "
        "publishers with one part changed each, about 100 pairs (models/simulate_changes.py). Coverage is that of 95 % intervals. "
        "The Monte Carlo error is what chance alone does to a figure with so many studies; a figure less than two of them beyond "
        "its limit is marked as a possible chance.",
        "",
        "Named limits:",
        "",
        *(f"- {text}" for text in NAMED_LIMITS),
        "",
        *([f"- MISSED: {fault}" for fault in faults] or ["Every limit was kept, or missed by no more than chance does."]),
    ]


if __name__ == "__main__":
    sys.exit(main())
