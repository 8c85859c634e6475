"""One target under the fuzzer, in a process of its own. Started by run.py; needs atheris, which the project itself does not.

    python tests/fuzz/one_target.py NAME STATE_FOLDER [options of libFuzzer] FOLDERS...

A fault is written down (its first input for each place where it arises) and the fuzzing goes on.
"""

from __future__ import annotations

import hashlib
import json
import resource
import sys
import time
import traceback
import types
from pathlib import Path

import atheris

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
# another distribution may have installed a package named "tests" too; ours is meant
sys.modules["tests"] = types.ModuleType("tests")
sys.modules["tests"].__path__ = [str(ROOT / "tests")]

with atheris.instrument_imports(include=["pipeline", "models"]):
    from tests.fuzz import targets

ADDRESS_SPACE = 16 << 30
#: An input that takes longer than this of the processor is a fault.
SLOWEST_S = 5.0


class Recorder:
    """Counts, the slowest input and the faults of one process, kept on disk as they come."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name, self.folder = name, folder
        self.counts: dict[str, float] = {"executions": 0, "accepted": 0, "faults": 0, "slowest_s": 0.0}
        self.seen: set[str] = set()
        self.written = 0.0
        folder.mkdir(parents=True, exist_ok=True)

    def __call__(self, data: bytes) -> None:
        """Run one input."""
        began = time.process_time()
        try:
            self.counts["accepted"] += targets.run_target(self.name, data)
        except Exception as error:
            self.fault(data, _place_of(error), repr(error))
        took = time.process_time() - began
        self.counts["executions"] += 1
        if took > self.counts["slowest_s"]:
            self.counts["slowest_s"] = took
            (self.folder / "slowest").write_bytes(data)
        if took > SLOWEST_S:
            self.fault(data, "slow", f"{took:.1f} s of processor time")
        if time.monotonic() - self.written > 1:
            self.write()

    def fault(self, data: bytes, place: str, said: str) -> None:
        """Keep the first input of each place where a fault arises."""
        self.counts["faults"] += 1
        if place not in self.seen:
            self.seen.add(place)
            name = hashlib.sha256(place.encode()).hexdigest()[:12]
            (self.folder / f"fault-{name}").write_bytes(data)
            (self.folder / f"fault-{name}.txt").write_text(f"{place}\n{said[:500]}\n")

    def write(self) -> None:
        """Put the counts on disk: the fuzzer ends its process without a word."""
        self.written = time.monotonic()
        self.counts["memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        (self.folder / "counts.json").write_text(json.dumps(self.counts))


def _place_of(error: Exception) -> str:
    """Kind of the error and where in the project it arose."""
    frames = [
        f for f in traceback.extract_tb(error.__traceback__) if str(ROOT) in f.filename and "site-packages" not in f.filename
    ]
    last = frames[-1]
    return f"{type(error).__name__} at {Path(last.filename).relative_to(ROOT)}:{last.lineno}"


def main() -> None:
    """Fuzz until libFuzzer's own limits end it."""
    name, folder, *options = sys.argv[1:]
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    atheris.Setup([sys.argv[0], *options], Recorder(name, Path(folder)))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
