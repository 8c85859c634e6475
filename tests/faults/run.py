"""Builds killed at random moments and other faults, as a table of what was injected and what was lost.

    python tests/faults/run.py                    200 kills and every other fault; report to tests/faults/report.md
    python tests/faults/run.py --kills 20 --out /tmp/faults.md

Run from the top of the checkout. Exit 1 when anything was lost.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import platform
import re
import sys
import tempfile
import time
import types
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
# another distribution may have installed a package named "tests" too; ours is meant
sys.modules["tests"] = types.ModuleType("tests")
sys.modules["tests"].__path__ = [str(ROOT / "tests")]

from tests.faults.injected import FAULTS, Outcome  # noqa: E402
from tests.faults.kills import Kills, kill_builds  # noqa: E402

FULL_RUN = 200


def _row(*cells: object) -> str:
    return "| " + " | ".join(str(cell).replace("|", "\\|") for cell in cells) + " |"


def to_markdown(kills: Kills, outcomes: dict[str, Outcome | None], seconds: float) -> str:
    """The report."""
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("duckdb", "polars"))
    head = [
        "# Faults",
        "",
        f"Written by `python tests/faults/run.py` on {datetime.now(UTC):%Y-%m-%d}: {platform.system()} {platform.machine()}, "
        f"Python {platform.python_version()}, {versions}; {seconds / 60:.0f} minutes.",
        "",
        "## Builds killed with SIGKILL",
        "",
        f"**{kills.kills} killed, {len(kills.lost)} lost.** After each kill the store was opened: every file in it ({kills.whole_files} in "
        "all) had the rows, refusals, flags and counts of a whole build of the one or the other version of that file, and no row belonged "
        f"to a file that the ledger does not know. {kills.completions} builds that followed ran to their end; each came to the tables of an "
        "undisturbed build.",
        "",
        _row("store before", "killed", "kills"),
        _row("---", "---", "---:"),
        *(_row(scenario, phase, count) for (scenario, phase), count in sorted(kills.done.items())),
        "",
        *(f"- LOST: {text}" for text in kills.lost),
        "## Other faults",
        "",
        _row("injected", "what the user is told", "files left whole", "next build the same"),
        _row("---", "---", "---", "---"),
    ]
    for fault, outcome in outcomes.items():
        if outcome is None:
            head.append(_row(fault, "(no file system can be mounted here)", "", ""))
        else:
            # scratch folders have names of the moment and of this machine
            said = (
                re.sub(r"/[^\s\"']*/faults-[^/\s\"']*/", "", outcome.said.replace("poundworth: ", ""))
                or "(nothing: it has no effect)"
            )
            head.append(_row(fault, said, "yes" if outcome.whole else "NO", "yes" if outcome.same else "NO"))
    return "\n".join(head) + "\n"


def main() -> int:
    """Run all of it."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--kills", type=int, default=FULL_RUN, help="builds to kill (default %(default)s)")
    asked.add_argument("--seed", type=int, default=1, help="of the moments of the kills (default %(default)s)")
    asked.add_argument("--out", type=Path, default=Path(__file__).parent / "report.md", help="the report (default %(default)s)")
    given = asked.parse_args()
    began = time.monotonic()
    outcomes: dict[str, Outcome | None] = {}
    for fault, (inject, _) in FAULTS.items():
        with tempfile.TemporaryDirectory(prefix="faults-") as folder:
            outcomes[fault] = inject(Path(folder))
        print(f"{fault}: {outcomes[fault]}", flush=True)
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        kills = kill_builds(given.kills, Path(folder), seed=given.seed, say=True)
    given.out.write_text(to_markdown(kills, outcomes, time.monotonic() - began), encoding="utf-8")
    bad = [fault for fault, outcome in outcomes.items() if outcome is not None and not (outcome.whole and outcome.same)]
    print(f"{kills.kills} kills, {len(kills.lost)} lost; faults with a loss: {', '.join(bad) or 'none'}; report: {given.out}")
    return int(bool(kills.lost or bad))


if __name__ == "__main__":
    sys.exit(main())
