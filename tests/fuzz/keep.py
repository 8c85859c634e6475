"""Which inputs are worth keeping: the smallest that together run every line that all of them run, within a small budget.

Run as a program, it reads inputs of one target and writes the kept ones into the corpus:

    python tests/fuzz/keep.py NAME FOLDER...
"""

from __future__ import annotations

import hashlib
import random
import sys
import time
import types
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
CORPUS = Path(__file__).parent / "corpus"
#: What one target may keep: the corpus is replayed by every quick test run.
MOST_BYTES, MOST_INPUTS, MOST_SECONDS = 12_000, 40, 0.12
MOST_CANDIDATES = 400
MOST_TRACED_S = 15.0

Edge = tuple[str, int, int]


def _edges_of(name: str, data: bytes) -> tuple[set[Edge], float]:
    """Steps from line to line inside the project that an input makes, and the seconds it takes untraced."""
    from tests.fuzz.targets import run_target

    found: set[Edge] = set()
    own = tuple(str(ROOT / package) for package in ("pipeline", "models"))

    def enter(frame: types.FrameType, event: str, arg: object) -> object:
        if not frame.f_code.co_filename.startswith(own):
            return None
        last = frame.f_lineno

        def step(inner: types.FrameType, event: str, arg: object) -> object:
            nonlocal last
            if event == "line":
                found.add((inner.f_code.co_filename, last, inner.f_lineno))
                last = inner.f_lineno
            return step

        return step

    began = time.perf_counter()
    run_target(name, data)
    took = time.perf_counter() - began
    sys.settrace(enter)
    try:
        run_target(name, data)
    finally:
        sys.settrace(None)
    return found, took


def _candidates(folders: list[Path]) -> Iterator[bytes]:
    """Distinct inputs, smallest first; a sample of them where there are many."""
    held = {path.read_bytes() for folder in folders if folder.is_dir() for path in folder.iterdir() if path.is_file()}
    small = sorted((data for data in held if len(data) <= MOST_BYTES // 4), key=lambda data: (len(data), data))
    if len(small) > MOST_CANDIDATES:
        drawn = set(random.Random(0).sample(range(len(small)), MOST_CANDIDATES))
        small = [data for i, data in enumerate(small) if i in drawn]
    yield from small


def choose(name: str, folders: list[Path], always: list[bytes]) -> list[bytes]:
    """Inputs worth keeping, those of `always` (inputs that once were faults) first."""
    kept, known = list(always), set[Edge]()
    size, seconds, began = 0, 0.0, time.monotonic()
    for data in always:
        known |= _edges_of(name, data)[0]
    for data in _candidates(folders):
        if time.monotonic() - began > MOST_TRACED_S or len(kept) - len(always) >= MOST_INPUTS:
            break
        try:
            edges, took = _edges_of(name, data)
        except Exception:  # a fault that is not mended yet: it is kept by hand once it is
            continue
        if edges - known and size + len(data) <= MOST_BYTES and seconds + took <= MOST_SECONDS:
            kept.append(data)
            known |= edges
            size, seconds = size + len(data), seconds + took
    return kept


def write_corpus(name: str, kept: list[bytes], always: list[bytes]) -> None:
    """Put the kept inputs under their hashes; inputs that once were faults keep that in their names."""
    folder = CORPUS / name
    folder.mkdir(parents=True, exist_ok=True)
    wanted = {("fault-" if data in always else "") + hashlib.sha256(data).hexdigest()[:16]: data for data in kept}
    for path in folder.iterdir():
        if path.name not in wanted:
            path.unlink()
    for file, data in wanted.items():
        (folder / file).write_bytes(data)


def main() -> None:
    """Choose and write."""
    name, *folders = sys.argv[1:]
    always = [path.read_bytes() for path in sorted((CORPUS / name).glob("fault-*"))]
    write_corpus(name, choose(name, [CORPUS / name, *map(Path, folders)], always), always)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    # another distribution may have installed a package named "tests" too; ours is meant
    sys.modules["tests"] = types.ModuleType("tests")
    sys.modules["tests"].__path__ = [str(ROOT / "tests")]
    main()
