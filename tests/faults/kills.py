"""`poundworth build` killed with SIGKILL at random moments; the store judged after each kill.

Each build runs in a process of its own, forked from a server that has only imported the project: the kill falls into the
build, not into the start of Python. Half of the kills fall anywhere in the build; half are aimed at its writing, some
moments after the store's write-ahead log was seen to grow.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import time
from collections import Counter
from dataclasses import dataclass, field
from multiprocessing.forkserver import ensure_running
from pathlib import Path

from pipeline.build import build
from pipeline.errors import StoreProblem
from tests.faults.worlds import Held, held_files, table_hash, write_world

#: Rows that wait for one transaction: every file in its own, some together, all of this small world at once.
TOGETHER = (1, 1, 100, None)
SCENARIOS = ("new store", "after a killed build", "every file changed")
PRELOADED = ["pipeline.build", "pipeline.cli.data", "pipeline.store"]
#: A build that takes longer than this has hung.
HUNG_S = 120.0


@dataclass
class Kills:
    """What was done and found. `lost` : sentences, one for each kill after which something was not as it should be."""

    done: Counter[tuple[str, str]] = field(default_factory=Counter)
    whole_files: int = 0
    completions: int = 0
    lost: list[str] = field(default_factory=list)

    @property
    def kills(self) -> int:
        """Builds that were killed before their end."""
        return sum(self.done.values())


@dataclass(frozen=True)
class _Truth:
    """What whole builds of both versions of the world hold."""

    files: dict[tuple[str, str], set[str]]
    hashes: dict[int, str]
    seconds: float
    writing_s: float


class _Builds:
    """Starts builds as processes of their own; what they print goes nowhere."""

    def __init__(self) -> None:
        self.context = multiprocessing.get_context("forkserver")
        self.context.set_forkserver_preload(PRELOADED)
        kept = [(number, os.dup(number)) for number in (1, 2)]
        null = os.open(os.devnull, os.O_WRONLY)
        try:
            for number, _ in kept:
                os.dup2(null, number)
            ensure_running()  # the server, and so each build, inherits these
        finally:
            os.close(null)
            for number, copy in kept:
                os.dup2(copy, number)
                os.close(copy)

    def start(self, raw: Path, path: Path, together: int | None = None) -> multiprocessing.process.BaseProcess:
        """Start a build; `together` rows at least wait for one transaction, None for as many as ever."""
        words = ["build", "--raw", str(raw), "--store", str(path), "--json"]
        few = "" if together is None else f"from pipeline import build_writing; build_writing.ROWS_TOGETHER = {together}; "
        # text, since a server that was forked early cannot look functions of a test up
        process = self.context.Process(target=exec, args=(f"{few}from pipeline.cli import main; main({words!r})", {}))
        process.start()
        return process


def _log_size(path: Path) -> int:
    log = path.with_name(path.name + ".wal")
    try:
        return log.stat().st_size
    except FileNotFoundError:
        return 0


def _truth(folder: Path, builds: _Builds) -> _Truth:
    files: dict[tuple[str, str], set[str]] = {}
    hashes: dict[int, str] = {}
    seconds, writing = [], []
    for version in (1, 2):
        raw, path = folder / f"raw{version}", folder / f"whole{version}.duckdb"
        write_world(raw, version)
        process = builds.start(raw, path)
        began, first = time.monotonic(), None
        while process.is_alive():
            if first is None and _log_size(path) > 0:
                first = time.monotonic()
            time.sleep(0.001)
        process.join()
        assert process.exitcode == 0, f"a build that nobody killed ended with {process.exitcode}"
        seconds.append(time.monotonic() - began)
        writing.append(time.monotonic() - (first or began))
        hashes[version] = table_hash(path)
        for key, digest in held_files(path).items():
            files.setdefault(key, set()).add(digest)
    assert hashes[1] != hashes[2]
    return _Truth(files, hashes, min(seconds), min(writing))


def _kill_one(builds: _Builds, raw: Path, path: Path, aimed: bool, truth: _Truth, rng: random.Random) -> str | None:
    """Start a build and kill it; the phase in which it died, or None where it had ended before."""
    process = builds.start(raw, path, rng.choice(TOGETHER))
    began = time.monotonic()
    before = _log_size(path)
    if aimed:
        while process.is_alive() and _log_size(path) <= before and time.monotonic() - began < HUNG_S:
            time.sleep(0.0005)
        time.sleep(rng.uniform(0, truth.writing_s))
    else:
        time.sleep(rng.uniform(0, truth.seconds))
    grown = _log_size(path) > 0
    was_there = path.exists()
    process.kill()
    process.join()
    if process.exitcode == 0:
        return None
    assert process.exitcode == -9, f"the build ended with {process.exitcode}"
    return "while writing" if grown else "while reading" if was_there else "before the store was there"


def _judge(path: Path, truth: _Truth, kills: Kills, where: str) -> None:
    """Every file that the store knows is there whole, in the one or the other version."""
    if not path.exists():
        return
    try:
        held: Held = held_files(path)
    except StoreProblem as problem:
        if "is empty" not in str(problem):  # killed before its tables were committed
            kills.lost.append(f"{where}: {problem}")
        return
    except AssertionError as wrong:
        kills.lost.append(f"{where}: {wrong}")
        return
    for key, digest in held.items():
        if digest not in truth.files.get(key, set()):
            kills.lost.append(f"{where}: {'/'.join(key)} is in part only")
        else:
            kills.whole_files += 1


def _complete(raw: Path, path: Path, version: int, truth: _Truth, kills: Kills, where: str) -> None:
    build(raw, path)
    kills.completions += 1
    if (found := table_hash(path)) != truth.hashes[version]:
        kills.lost.append(f"{where}: the next build came to {found}, not to {truth.hashes[version]}")


def kill_builds(count: int, folder: Path, seed: int = 1, say: bool = False) -> Kills:
    """Kill `count` builds at random moments, and judge the store after each one.

    Parameters
    ----------
    count : builds to kill; one that ended before its kill does not count.
    folder : an empty folder to work in.
    seed : of the moments; what happens at a moment still depends on the machine.
    say : print a line for every 20 kills.
    """
    builds, rng, kills = _Builds(), random.Random(seed), Kills()
    truth = _truth(folder, builds)
    path = folder / "killed" / "study.duckdb"
    held_version: int | None = None  # of the whole store that stands at `path`; None for none or a killed one
    tried = 0
    while kills.kills < count:
        scenario = SCENARIOS[tried % 3]
        tried += 1
        assert tried < 20 * count + 100, "hardly any build was killed before its end"
        version = rng.choice((1, 2))
        if scenario == "new store":
            shutil.rmtree(path.parent, ignore_errors=True)
        elif scenario == "every file changed":
            if held_version is None:
                shutil.rmtree(path.parent, ignore_errors=True)
                path.parent.mkdir(parents=True)
                shutil.copy(folder / f"whole{3 - version}.duckdb", path)
            else:
                version = 3 - held_version
        raw = folder / f"raw{version}"
        where = f"kill {kills.kills + 1} ({scenario})"
        phase = _kill_one(builds, raw, path, rng.random() < 0.5, truth, rng)
        if phase is None:  # it ended before it could be killed: a completed build like any other
            _complete(raw, path, version, truth, kills, where)
            held_version = version
            continue
        kills.done[scenario, phase] += 1
        held_version = None
        _judge(path, truth, kills, where)
        if scenario != "new store":  # a store left by a killed build is first built upon by another that is killed
            _complete(raw, path, version, truth, kills, where)
            held_version = version
        if say and kills.kills % 20 == 0:
            print(f"{kills.kills} kills, {kills.whole_files} files whole, {len(kills.lost)} lost", flush=True)
    return kills
