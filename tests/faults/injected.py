"""Faults put into the way of a build or a reader, and what became of the data: one function a fault.

Each takes an empty folder and returns an `Outcome`; none of them stands in for the disk, the lock or the clock where the
real thing can be had. `tests/faults/run.py` prints them as a table, `tests/faults/test_faults.py` asserts them.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb

from pipeline import store
from pipeline.build import build
from pipeline.errors import StoreProblem
from tests.faults.worlds import held_files, table_hash, write_world

COMMAND = (sys.executable, "-m", "pipeline.cli")
ROOT = Path(__file__).parents[2]
WAIT_S = 300


@dataclass(frozen=True)
class Outcome:
    """What one fault came to.

    Attributes
    ----------
    said : what the user was told, one sentence; empty where there was nothing to tell.
    whole : whether every file that the store still held was whole.
    same : whether the build after the fault came to the tables of a build that no fault had met.
    """

    said: str
    whole: bool
    same: bool


@dataclass(frozen=True)
class _World:
    raw: Path
    store: Path
    files: dict[tuple[str, str], str]
    tables: str

    def whole(self) -> bool:
        """Whether each file that the store holds is there whole."""
        return all(self.files[key] == digest for key, digest in held_files(self.store).items())

    def after(self) -> bool:
        """Whether a build now comes to the tables of an undisturbed one."""
        build(self.raw, self.store)
        return table_hash(self.store) == self.tables


def _world(folder: Path, version: int = 1) -> _World:
    """A raw folder, and what an undisturbed build of it holds; the store at `.store` is not there yet."""
    raw, whole = folder / f"raw{version}", folder / f"whole{version}.duckdb"
    write_world(raw, version, sources=2, rows=24)
    build(raw, whole)
    return _World(raw, folder / "clean" / "study.duckdb", held_files(whole), table_hash(whole))


def _built(folder: Path) -> _World:
    world = _world(folder)
    world.store.parent.mkdir()
    shutil.copy(folder / "whole1.duckdb", world.store)
    return world


def _command(words: list[str], before: tuple[str, ...] = (), limit_bytes: int | None = None) -> tuple[int, str]:
    """Run the command line in a process of its own; its exit code and what it said on stderr."""

    def limit() -> None:
        if limit_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

    done = subprocess.run([*before, *COMMAND, *words], cwd=ROOT, capture_output=True, text=True, timeout=WAIT_S, preexec_fn=limit)
    return done.returncode, done.stderr.strip()


def _told(call: Callable[[], object]) -> str:
    try:
        call()
    except StoreProblem as problem:
        return str(problem)
    return ""


def full_file_system(folder: Path) -> Outcome | None:
    """The store lies on a file system of 64 KB (tmpfs) that fills during the build; None where none can be mounted."""
    world, place = _world(folder), folder / "small"
    place.mkdir()
    kept = folder / "clean"
    kept.mkdir()
    script = f'mount -t tmpfs -o size=64k none "{place}" || exit 90; "$@"; code=$?; cp "{place}"/* "{kept}"/; exit $code'
    words = ["build", "--raw", str(world.raw), "--store", str(place / "study.duckdb")]
    code, said = _command(words, before=("unshare", "-rm", "sh", "-c", script, "sh"))
    if code == 90 or "unshare" in said:
        return None
    assert code == 1, said
    return Outcome(said, world.whole(), world.after())


def file_size_limit(folder: Path) -> Outcome:
    """No file may grow over 48 KB: the write-ahead log meets it in the middle of the build."""
    world = _world(folder)
    code, said = _command(["build", "--raw", str(world.raw), "--store", str(world.store)], limit_bytes=48_000)
    assert code == 1, said
    return Outcome(said, world.whole(), world.after())


def no_room_for_the_first_page(folder: Path) -> Outcome:
    """The disk is full before the store's headers are written."""
    world = _world(folder)
    code, said = _command(["build", "--raw", str(world.raw), "--store", str(world.store)], limit_bytes=8192)
    assert code == 1, said
    return Outcome(said, True, world.after())


def read_only_store(folder: Path) -> Outcome:
    """The store's file may not be written."""
    world = _built(folder)
    write_world(world.raw, 2, sources=2, rows=24)
    world.store.chmod(0o444)
    no_override = "-dac_override,-dac_read_search,-fowner"
    before = ("setpriv", f"--bounding-set={no_override}", "--inh-caps=-all") if os.geteuid() == 0 else ()
    code, said = _command(["build", "--raw", str(world.raw), "--store", str(world.store)], before=before)
    assert code == 1, said
    world.store.chmod(0o644)
    whole = world.whole()
    write_world(world.raw, 1, sources=2, rows=24)
    return Outcome(said, whole, world.after())


def newer_store(folder: Path) -> Outcome:
    """The store was written by a later version of the project."""
    world = _built(folder)
    with duckdb.connect(str(world.store)) as con:
        con.execute("UPDATE meta SET value = '999' WHERE key = 'schema_version'")
    said = _told(lambda: store.read_table(world.store, "run"))
    assert said == _told(lambda: build(world.raw, world.store))
    with duckdb.connect(str(world.store)) as con:  # nothing was touched: the later version finds its store as it left it
        con.execute("UPDATE meta SET value = ? WHERE key = 'schema_version'", [str(store.SCHEMA_VERSION)])
    return Outcome(said, world.whole(), world.after())


def truncated_store(folder: Path) -> Outcome:
    """The store's file ends too early."""
    world = _built(folder)
    os.truncate(world.store, world.store.stat().st_size * 2 // 3)
    said = _told(lambda: table_hash(world.store))
    world.store.unlink()
    return Outcome(said, True, world.after())


def flipped_store(folder: Path) -> Outcome:
    """Bits of the store's file are turned over, a few at a time: each store is told as damaged or gives the right tables."""
    world, said, whole = _built(folder), "", True
    sound = world.store.read_bytes()
    for seed in range(8):
        rng = random.Random(seed)
        spoilt = bytearray(sound)
        for _ in range((1, 8, 64)[seed % 3]):
            spoilt[rng.randrange(len(spoilt))] ^= 1 << rng.randrange(8)
        world.store.write_bytes(spoilt)
        try:
            whole = whole and table_hash(world.store) == world.tables
        except StoreProblem as problem:
            said = str(problem)
    world.store.unlink()
    return Outcome(said, whole, world.after())


def clock_gone_back(folder: Path) -> Outcome:
    """The last build saw a clock that was years ahead; since then a file changed, under a time older than before."""
    world = _world(folder)
    write_world(world.raw, 2, sources=2, rows=24)
    build(world.raw, world.store)
    ahead = (datetime.now(UTC) + timedelta(days=3000)).isoformat(timespec="seconds")
    with store.writing(world.store) as con:
        con.execute("UPDATE file_seen SET seen_on = ?", [ahead])
    write_world(world.raw, 1, sources=2, rows=24)
    for file in world.raw.rglob("*.csv"):
        os.utime(file, (1_000_000_000, 1_000_000_000))
    same = world.after()
    return Outcome("", world.whole(), same)


def changed_while_read(folder: Path) -> Outcome:
    """Somebody else writes into a file from the beginning of the build to its end."""
    world = _built(folder)
    file, stop = world.raw / "source00" / "runs.csv", threading.Event()
    sound = file.read_bytes()

    def write_on() -> None:
        number = 0
        while not stop.wait(0.001):
            number += 1
            with file.open("a") as handle:
                handle.write(f"S0 added {number},1600,{100 + number % 90},7,z\n")

    writer = threading.Thread(target=write_on)
    writer.start()
    try:
        summary = build(world.raw, world.store)
    finally:
        stop.set()
        writer.join()
    (problem,) = summary.problems
    rows = {name: digest for name, digest in held_files(world.store).items() if name != (problem.source, problem.file)}
    whole = all(world.files[name] == digest for name, digest in rows.items()) and problem.rows_read > 0
    file.write_bytes(sound)
    return Outcome(str(problem.problem), whole, world.after())


def two_builds_at_once(folder: Path) -> Outcome:
    """Another build has the store open for writing."""
    world = _built(folder)
    with store.writing(world.store):
        code, said = _command(["build", "--raw", str(world.raw), "--store", str(world.store)])
    assert code == 1, said
    return Outcome(said, world.whole(), world.after())


def two_builds_of_a_new_store(folder: Path) -> Outcome:
    """Two builds are started at the same moment, where there is no store yet: one of them, or both in turn, come through."""
    world = _world(folder)
    words = [*COMMAND, "build", "--raw", str(world.raw), "--store", str(world.store)]
    started = [subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [process.communicate(timeout=WAIT_S)[1].strip() for process in started]
    codes = [process.returncode for process in started]
    assert 0 in codes and set(codes) <= {0, 1}, said
    return Outcome("".join(text for text, code in zip(said, codes, strict=True) if code), world.whole(), world.after())


#: Fault -> its function and words that its sentence must hold; no words where there is nothing to tell.
FAULTS: dict[str, tuple[Callable[[Path], Outcome | None], tuple[str, ...]]] = {
    "file system full": (full_file_system, ("no room", "run the same command again")),
    "file may not grow further": (file_size_limit, ("no room", "run the same command again")),
    "no room for the store's first page": (no_room_for_the_first_page, ("no room",)),
    "store read-only": (read_only_store, ("permissions",)),
    "store of a newer version": (newer_store, ("newer version", "another --store")),
    "store cut short": (truncated_store, ("damaged", "delete it", "poundworth build")),
    "bits of the store turned over": (flipped_store, ("damaged", "delete it", "poundworth build")),
    "clock gone back": (clock_gone_back, ()),
    "file changed while it is read": (changed_while_read, ("changed while it was read", "run the build again")),
    "store open in another build": (two_builds_at_once, ("another command (process", "wait")),
    "two builds start together": (two_builds_of_a_new_store, ()),
}
