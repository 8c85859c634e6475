"""The same store whoever reads the files: this process, threads, processes, a Dask cluster; and when a worker dies."""

from __future__ import annotations

import hashlib
import importlib
import os
import shutil
import time
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import polars as pl
import pytest

from pipeline import build_workers, build_writing, executors, store, work_files
from pipeline.build import _read_here, build
from pipeline.errors import RequestProblem, StoreProblem
from pipeline.store import read_table
from pipeline.work_files import read_work, work_folder, write_work

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "data_raw"
#: Text with decimal commas, records, repairs, a republished test, curves.
SOURCES = ("demo_hinterquell", "demo_ninefold", "demo_quarrel_lane", "demo_gleaner", "demo_tidewell_curves")
WHEN = ("seen_on", "mtime_ns")

#: A worker that is killed while it writes the second table of a file: what is on disk then is half of the work.
KILLED = """
import os, signal
from pipeline import work_files
from pipeline.build_workers import do_task

def do_and_die(task, folder, code):
    whole = work_files._write_durably
    seen = []
    def half(path, frame):
        seen.append(path)
        if len(seen) == 2:
            path.write_bytes(b"PAR1 half of it")
            os.kill(os.getpid(), signal.SIGKILL)
        return whole(path, frame)
    work_files._write_durably = half
    return do_task(task, folder, code)
"""


def hash_of(path):
    """Hash of every table but the times at which files were seen."""
    parts = []
    for name in store.TABLES:
        frame = read_table(path, name)
        parts.append(frame.drop([c for c in WHEN if c in frame.columns]).write_json())
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    root = tmp_path_factory.mktemp("workers") / "raw"
    for name in SOURCES:
        shutil.copytree(DEMO / name, root / name)
    broken = root / "broken"
    broken.mkdir()
    (broken / "source.toml").write_text(
        'title = "B"\npublisher = "P"\nlicence = "CC0-1.0"\ninvented = true\n[[file]]\nname = "gone.csv"\n'
    )
    return root


@pytest.fixture(scope="module")
def alone(demo, tmp_path_factory):
    path = tmp_path_factory.mktemp("alone") / "s.duckdb"
    return build(demo, path), hash_of(path)


@contextmanager
def spawned(jobs=2):
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield pool


@pytest.mark.slow
def test_threads_and_one_process_make_the_same_store(demo, alone, tmp_path):
    summary, expected = alone
    path = tmp_path / "s.duckdb"
    with ThreadPoolExecutor(3) as pool:
        made = build(demo, path, executor=pool)
        assert hash_of(path) == expected
        assert made.to_json() == summary.to_json()
        assert made.runs > 0 and made.sweep_points > 0 and len(made.problems) == 1
        assert build(demo, path, executor=pool).changed == 0
    assert not work_folder(path).exists()


@pytest.mark.slow
def test_spawned_processes_make_the_same_store(demo, alone, tmp_path):
    path = tmp_path / "s.duckdb"
    with executors.open_executor(jobs=2) as pool:
        made = build(demo, path, executor=pool)
    assert (made.to_json(), hash_of(path)) == (alone[0].to_json(), alone[1])


@pytest.mark.slow
def test_a_dask_cluster_makes_the_same_store(demo, alone, tmp_path):
    from distributed import LocalCluster

    path = tmp_path / "s.duckdb"
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None, "local_directory": str(tmp_path)}
    with LocalCluster(**options) as cluster, executors.open_executor(cluster=cluster.scheduler_address) as executor:
        made = build(demo, path, executor=executor)
    assert (made.to_json(), hash_of(path)) == (alone[0].to_json(), alone[1])


class KillsOne(ProcessPoolExecutor):
    """A real pool whose fourth task kills its process half-way through its Parquet."""

    count = 0

    def submit(self, fn, /, *args, **options):
        self.count += 1
        return super().submit(importlib.import_module("killed_worker").do_and_die if self.count == 4 else fn, *args, **options)


@pytest.mark.slow
def test_a_worker_killed_half_way_changes_nothing(demo, alone, tmp_path, monkeypatch):
    (tmp_path / "killed_worker.py").write_text(KILLED)
    monkeypatch.syspath_prepend(str(tmp_path))
    path = tmp_path / "s.duckdb"
    with KillsOne(2, mp_context=get_context("spawn")) as pool:
        made = build(demo, path, executor=pool)
    assert hash_of(path) == alone[1]
    assert any("worker ended before its work was done" in text for text in made.notes)
    assert not work_folder(path).exists()


@pytest.mark.slow
def test_half_a_folder_is_no_work(demo, alone, tmp_path):
    """What a killed process leaves behind is neither taken for work nor in the way of the next build."""
    path = tmp_path / "s.duckdb"
    left = work_folder(path) / "0123.abc.part"
    left.mkdir(parents=True)
    (left / "runs.parquet").write_bytes(b"PAR1 half")
    with ThreadPoolExecutor(1) as pool:
        build(demo, path, executor=pool)
    assert hash_of(path) == alone[1]
    assert not left.exists()


@pytest.mark.slow
def test_finished_work_of_a_stopped_build_is_used(demo, alone, tmp_path, monkeypatch):
    path = tmp_path / "s.duckdb"
    stored = []

    def stop_at_third(con, results, write=store.write_files):
        if len(stored) == 2:
            raise KeyboardInterrupt
        stored.append(results[0].ledger.source)
        write(con, results)

    with ThreadPoolExecutor(1) as pool, monkeypatch.context() as patch:
        patch.setattr(store, "write_files", stop_at_third)
        patch.setattr(build_writing, "ROWS_TOGETHER", 1)
        with pytest.raises(KeyboardInterrupt):
            build(demo, path, executor=pool)
    assert read_table(path, "run")["source"].unique().sort().to_list() == sorted(stored)
    kept = [p for p in work_folder(path).iterdir() if p.suffix != work_files.UNFINISHED]
    assert kept
    read = []
    original = build_workers.read_file
    monkeypatch.setattr(build_workers, "read_file", lambda task: read.append(task.key) or original(task))
    with ThreadPoolExecutor(1) as pool:
        build(demo, path, executor=pool)
    assert hash_of(path) == alone[1]
    assert len(read) < len(SOURCES) + 1 - len(stored)


@pytest.mark.slow
def test_damaged_work_is_made_again(demo, alone, tmp_path, monkeypatch):
    path = tmp_path / "s.duckdb"
    with ThreadPoolExecutor(1) as pool, monkeypatch.context() as patch:
        patch.setattr(build_workers, "drop_work", lambda place: None)
        patch.setattr("pipeline.build.drop_folder", lambda folder: None)
        build(demo, path, executor=pool)
    for table in work_folder(path).glob("*/runs.parquet"):
        content = bytearray(table.read_bytes())
        content[len(content) // 2] ^= 0xFF
        table.write_bytes(bytes(content))
    path.unlink()
    with ThreadPoolExecutor(1) as pool:
        build(demo, path, executor=pool)
    assert hash_of(path) == alone[1]


def test_work_comes_back_as_it_was(raw, tmp_path, monkeypatch, runs_text):
    """All frames of a result survive the way through Parquet: types, nulls, lists of structs, hostile texts."""
    seen = []
    monkeypatch.setattr("pipeline.build_writing.check_results", lambda results: seen.extend(results))
    raw.add("one", {"f.csv": runs_text + '"=cmd|\' /C calc\'!A0 \u202e\U0001f697",1,-5,6,101,a,"a\nb"\n'})
    raw.build()
    (result,) = seen
    back = read_work(write_work(result, tmp_path / "w", "name"))
    assert (back.ledger, back.repairs) == (result.ledger, result.repairs)
    assert result.refused.height == 1
    for name in ("runs", "builds", "points", "changes", "refused", "flags"):
        one, other = getattr(result, name), getattr(back, name)
        assert one.schema == other.schema, name
        assert one.equals(other, null_equal=True), name
    again = write_work(replace(result, repairs=("other",)), tmp_path / "w", "name")
    assert read_work(again).repairs == result.repairs, "the first whole work stands"
    assert [p.name for p in (tmp_path / "w").iterdir()] == ["name"]


def test_missing_work_is_one_sentence(tmp_path):
    with pytest.raises(StoreProblem, match="missing or damaged"):
        read_work(tmp_path / "none")


def test_a_worker_with_other_code_is_refused(demo, tmp_path, monkeypatch):
    monkeypatch.setattr(build_workers, "do_task", lambda task, place, code, do=build_workers.do_task: do(task, place, "0000"))
    with ThreadPoolExecutor(1) as pool, pytest.raises(RequestProblem, match="other code"):
        build(demo, tmp_path / "s.duckdb", executor=pool)


def test_a_changed_file_alone_is_read_by_a_worker(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text})
    raw.add("birch", {"runs.csv": runs_text.replace("150", "151")})
    # Settled for a while: a file written within the last moments is hashed again to be sure.
    os.utime(raw.root / "birch" / "runs.csv", (time.time() - 60,) * 2)
    asked = []

    class Counting(ThreadPoolExecutor):
        def submit(self, fn, /, *args, **options) -> Future:
            asked.append(args[0].key)
            return super().submit(fn, *args, **options)

    with Counting(2) as pool:
        build(raw.root, raw.store, executor=pool)
        assert len(asked) == 2
        raw.add("alder", {"runs.csv": runs_text + "Alder 2.0,1998,231,9,101.0,a,\n"})
        asked.clear()
        assert build(raw.root, raw.store, executor=pool).changed == 1
        assert asked == [("alder", "runs.csv")]
        asked.clear()
        assert build(raw.root, raw.store, executor=pool).changed == 0
        assert ("birch", "runs.csv") not in asked
    assert read_table(raw.store, "run").height == 11


def test_executor_that_cannot_be_had_is_one_sentence(monkeypatch):
    with pytest.raises(RequestProblem, match="were both given"), executors.open_executor(2, "tcp://127.0.0.1:9"):
        pass
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(RequestProblem, match="needs Dask"), executors.open_executor(cluster="tcp://127.0.0.1:9"):
        pass
    with executors.open_executor() as nothing:
        assert nothing is None


def test_a_cluster_that_does_not_answer_is_one_sentence(monkeypatch):
    monkeypatch.setattr(executors, "PATIENCE_S", 0.3)
    for address in ("tcp://127.0.0.1:9", "nonsense"):
        with pytest.raises(RequestProblem, match="no Dask scheduler answers"), executors.open_executor(cluster=address):
            pass


def test_frames_of_empty_tables_keep_their_columns(tmp_path, raw, monkeypatch):
    seen = []
    monkeypatch.setattr("pipeline.build_writing.check_results", lambda results: seen.extend(results))
    raw.add("one", {"f.csv": "build,power_hp,boost_psi\nA,,6\n"})
    raw.build()
    back = read_work(write_work(seen[0], tmp_path / "w", "n"))
    assert back.runs.is_empty() and back.runs.columns == seen[0].runs.columns
    assert isinstance(back.refused, pl.DataFrame) and back.refused.height == 1


@pytest.mark.parametrize("least, expected", [(1, "workers"), (10**9, "here")])
def test_where_nobody_said_how_many_workers_read_only_what_is_worth_it(demo, alone, tmp_path, monkeypatch, least, expected):
    read_by = []
    monkeypatch.setattr(executors, "WORTH_BYTES", least)
    for where in ("pipeline.executors", "pipeline.build"):
        monkeypatch.setattr(f"{where}.processors", lambda: 2)
    monkeypatch.setattr("pipeline.build._read_here", lambda *given, here=_read_here: (read_by.append("here"), here(*given)))
    with executors.open_readers(None, None) as chooser:
        build(demo, tmp_path / "s.duckdb", executor=chooser)
    assert (read_by or ["workers"]) == [expected]
    assert hash_of(tmp_path / "s.duckdb") == alone[1]


class Gone(ThreadPoolExecutor):
    """Workers of which the one that reads a certain file is lost, and with it all others."""

    lost_over, is_gone = "", False

    def submit(self, fn, /, *args, **options) -> Future:
        if self.is_gone or args[0].source.source == self.lost_over:
            self.is_gone = True
            raise BrokenExecutor
        return super().submit(fn, *args, **options)


@pytest.mark.parametrize("lost_over", ["", SOURCES[1], SOURCES[-1]])
def test_this_process_and_workers_read_each_file_once(demo, alone, tmp_path, monkeypatch, lost_over):
    read = []
    here = build_workers.read_file
    monkeypatch.setattr(build_workers, "read_file", lambda task: (read.append(task.key), here(task))[1])
    monkeypatch.setattr("pipeline.build.processors", lambda: 3)
    with Gone(2) as pool:
        pool.lost_over = lost_over
        summary = build(demo, tmp_path / "s.duckdb", executor=lambda size: pool)
    assert sorted(read) == sorted((row.source, row.file) for row in summary.by_file)
    assert any("were read by this process instead" in note or "was read by this" in note for note in summary.notes) == bool(
        lost_over
    )
    assert hash_of(tmp_path / "s.duckdb") == alone[1]
