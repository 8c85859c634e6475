"""Coverage-guided fuzzing of every door through which a stranger's bytes come in, with a report.

    python tests/fuzz/run.py --minutes 60                     all targets in turn; report to tests/fuzz/report.md
    python tests/fuzz/run.py --minutes 5 --target where --work /tmp/fuzz

Needs atheris (`pip install atheris`, Linux). Run from the top of the checkout. Each target runs in a process of its own, ended when
it takes more than 1 GB or an input more than 10 s. What is found stays in the working folder, and a later run goes on from there;
the inputs that matter are kept in tests/fuzz/corpus. Exit 1 when a fault is left.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.metadata
import json
import platform
import re
import subprocess
import sys
import tempfile
import time
import types
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
sys.path.insert(0, str(ROOT))
# another distribution may have installed a package named "tests" too; ours is meant
sys.modules["tests"] = types.ModuleType("tests")
sys.modules["tests"].__path__ = [str(ROOT / "tests")]

from tests.fuzz.seeds import seeds_of, words_of  # noqa: E402
from tests.fuzz.targets import TARGETS, run_target  # noqa: E402

LONGEST_INPUT = 8_192
MEMORY_MB, INPUT_S = 1_024, 10
_STATUS = re.compile(r"^#(\d+)\s.*?cov: (\d+) ft: (\d+) corp: (\d+)/", re.M)


@dataclass
class Ledger:
    """What one target has seen in all runs with the same working folder."""

    executions: int = 0
    accepted: int = 0
    seconds: float = 0.0
    edges: int = 0
    features: int = 0
    corpus: int = 0
    slowest_s: float = 0.0
    memory_mb: float = 0.0

    @classmethod
    def of(cls, folder: Path) -> Ledger:
        path = folder / "ledger.json"
        return cls(**json.loads(path.read_text())) if path.exists() else cls()

    def add(self, said: str, counts: dict[str, float], seconds: float) -> None:
        """One process more: what libFuzzer printed and what the target counted."""
        if found := _STATUS.findall(said):
            executions, edges, features, corpus = map(int, found[-1])
            self.executions += executions
            self.edges, self.features, self.corpus = max(self.edges, edges), max(self.features, features), corpus
        self.accepted += int(counts.get("accepted", 0))
        self.seconds += seconds
        self.slowest_s = max(self.slowest_s, counts.get("slowest_s", 0.0))
        self.memory_mb = max(self.memory_mb, counts.get("memory_mb", 0.0))

    def write(self, folder: Path) -> None:
        (folder / "ledger.json").write_text(json.dumps(asdict(self)))


def _prepare(name: str, folder: Path) -> list[str]:
    """First inputs and words of a target on disk; the folders and options for libFuzzer."""
    for part in ("seeds", "corpus", "stopped"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    for data in seeds_of(name):
        (folder / "seeds" / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
    quoted = {"".join(f"\\x{byte:02x}" for byte in word) for word in words_of(name) if 1 < len(word) < 60}
    (folder / "words").write_text("".join(f'"{word}"\n' for word in sorted(quoted)))
    options = {
        "dict": folder / "words", "artifact_prefix": f"{folder / 'stopped'}/", "timeout": INPUT_S, "rss_limit_mb": MEMORY_MB,
        "max_len": LONGEST_INPUT, "len_control": 0, "reload": 0,
    }  # fmt: skip
    kept = [str(HERE / "corpus" / name)] if (HERE / "corpus" / name).is_dir() else []
    return [*(f"-{key}={value}" for key, value in options.items()), str(folder / "corpus"), str(folder / "seeds"), *kept]


def fuzz(name: str, folder: Path, seconds: float) -> Ledger:
    """Fuzz one target; a process that was stopped (memory, time, a panic) is started anew for the time that is left."""
    told, ledger = _prepare(name, folder), Ledger.of(folder)
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 5:
        began = time.monotonic()
        command = [sys.executable, str(HERE / "one_target.py"), name, str(folder / "state"), f"-max_total_time={left:.0f}", *told]
        (folder / "state" / "counts.json").unlink(missing_ok=True)
        with (folder / "said").open("w") as said:
            try:
                subprocess.run(command, stdout=said, stderr=subprocess.STDOUT, timeout=left + 120, check=False)
            except subprocess.TimeoutExpired:
                (folder / "stopped" / "endless").write_bytes(b"")
        counts = folder / "state" / "counts.json"
        text = (folder / "said").read_text(errors="replace")
        ledger.add(text, json.loads(counts.read_text()) if counts.exists() else {}, time.monotonic() - began)
        ledger.write(folder)
        if not _STATUS.search(text):
            raise SystemExit(f"{name} did not start:\n{text[-2000:]}")
    return ledger


def replay(name: str, path: Path) -> str | None:
    """What an input does to the code as it is now, in a process of its own; None where it is read or refused as it should be."""
    command = [sys.executable, str(HERE / "run.py"), "--replay", name, str(path)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=6 * INPUT_S, check=False)
    except subprocess.TimeoutExpired:
        return f"more than {6 * INPUT_S} s"
    return None if done.returncode == 0 else (done.stderr.strip().splitlines() or [f"ended with {done.returncode}"])[-1]


def faults_of(name: str, folder: Path) -> dict[Path, str | None]:
    """Inputs that were faults when they were found, with what is left of each."""
    found = [p for p in sorted(folder.glob("state/fault-*")) if p.suffix != ".txt"]
    return {path: replay(name, path) for path in [*found, *sorted(folder.glob("stopped/*"))]}


def _row(*cells: object) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def to_markdown(ledgers: dict[str, Ledger], faults: dict[str, dict[Path, str | None]]) -> str:
    """The report."""
    left = [f"- {name}, input {path.name}: {said}" for name, found in faults.items() for path, said in found.items() if said]
    minutes = sum(ledger.seconds for ledger in ledgers.values()) / 60
    kept = {name: [p for p in (HERE / "corpus" / name).glob("*") if p.is_file()] for name in ledgers}
    return "\n".join([
        "# Fuzzing",
        "",
        f"Written by `python tests/fuzz/run.py` on {datetime.now(UTC):%Y-%m-%d}: {platform.system()} {platform.machine()}, Python "
        f"{platform.python_version()}, atheris {importlib.metadata.version('atheris')}; one process, {minutes:.0f} minutes in all, "
        f"{sum(ledger.executions for ledger in ledgers.values()):,} executions.",
        "",
        f"A fault is an exception that is no named error of the project, a row neither accepted nor refused, more than 5 s of processor "
        f"time for one input of at most {LONGEST_INPUT:,} bytes, or more than {MEMORY_MB:,} MB. Faults are counted by the place where they "
        "arose; those mended are replayed by `tests/fuzz/test_corpus.py` with the kept inputs.",
        "",
        _row("target", "minutes", "executions", "accepted", "edges", "features", "inputs found", "kept", "faults", "left", "slowest s", "MB"),
        _row("---", *["---:"] * 11),
        *(
            _row(
                name, f"{one.seconds / 60:.1f}", f"{one.executions:,}", f"{one.accepted:,}", one.edges, one.features, one.corpus,
                len(kept[name]), len(faults[name]), sum(said is not None for said in faults[name].values()), f"{one.slowest_s:.2f}",
                f"{one.memory_mb:.0f}",
            )
            for name, one in ledgers.items()
        ),
        "",
        f"The kept inputs have {sum(p.stat().st_size for paths in kept.values() for p in paths):,} bytes.",
        "",
        *(left or ["No fault is left."]),
        "",
    ])  # fmt: skip


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--minutes", type=float, default=60.0, help="for all targets together (default %(default)s)")
    asked.add_argument("--rounds", type=int, default=1, help="times that each target has its turn (default %(default)s)")
    asked.add_argument("--target", action="append", choices=list(TARGETS), help="only this target; may be given again")
    asked.add_argument("--work", type=Path, help="working folder that a later run goes on from (default: a new one)")
    asked.add_argument("--out", type=Path, default=HERE / "report.md", help="report (default %(default)s)")
    asked.add_argument("--replay", nargs=2, metavar=("TARGET", "FILE"), help="only give one input to one target")
    given = asked.parse_args()
    if given.replay:
        began = time.process_time()
        run_target(given.replay[0], Path(given.replay[1]).read_bytes())
        took = time.process_time() - began
        return 0 if took <= INPUT_S / 2 else int(f"{took:.1f} s of processor time" != print(f"{took:.1f} s", file=sys.stderr))
    work = given.work or Path(tempfile.mkdtemp(prefix="fuzz-work-"))
    names = given.target or list(TARGETS)
    for name in names * given.rounds:
        ledger = fuzz(name, work / name, given.minutes * 60 / len(names) / given.rounds)
        print(f"{name}: {ledger.executions:,} executions, {ledger.features} features", flush=True)
    ledgers = {name: Ledger.of(work / name) for name in TARGETS if (work / name / "ledger.json").exists()}
    faults = {name: faults_of(name, work / name) for name in ledgers}
    for name in names:
        keep = [sys.executable, str(HERE / "keep.py"), name, str(work / name / "corpus"), str(work / name / "seeds")]
        if subprocess.run(keep, check=False).returncode:
            print(f"  the inputs of {name} could not be chosen: a fault is among them", flush=True)
    given.out.write_text(to_markdown(ledgers, faults), encoding="utf-8")
    print(given.out.read_text())
    return int(any(said for found in faults.values() for said in found.values()))


if __name__ == "__main__":
    sys.exit(main())
