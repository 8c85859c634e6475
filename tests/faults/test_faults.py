"""Faults: one clear sentence each, every file of the store whole, and the next build as if nothing had been."""

from __future__ import annotations

import subprocess
import sys

import pytest

from pipeline import store
from pipeline.errors import StoreProblem
from pipeline.store_faults import clear_stub
from tests.faults.injected import FAULTS
from tests.faults.kills import kill_builds
from tests.faults.worlds import held_files, table_hash, write_world


@pytest.mark.simulation
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_told_in_one_sentence_and_loses_nothing(tmp_path, fault):
    inject, words = FAULTS[fault]
    outcome = inject(tmp_path)
    if outcome is None:
        assert fault == "file system full"  # the limit on a file's size stands in for it
        pytest.skip("no file system can be mounted here")
    assert (outcome.whole, outcome.same) == (True, True), outcome.said
    assert "\n" not in outcome.said and "Traceback" not in outcome.said
    for word in words:
        assert word in outcome.said


@pytest.mark.slow
def test_killed_builds_leave_whole_files_and_the_next_build_completes(tmp_path):
    kills = kill_builds(5, tmp_path, seed=7)
    assert kills.kills == 5 and kills.completions > 0
    assert kills.lost == []


@pytest.mark.slow
def test_the_judge_sees_a_part_of_a_file_and_a_row_of_none(raw):
    write_world(raw.root, 1, sources=1, rows=9)
    raw.build()
    sound, tables = held_files(raw.store), table_hash(raw.store)
    with store.writing(raw.store) as con:
        con.execute("UPDATE run_row SET power_kw = power_kw + 1e-9 WHERE line = 2")
    assert held_files(raw.store) != sound and table_hash(raw.store) != tables
    with store.writing(raw.store) as con:
        con.execute("DELETE FROM run_row WHERE file = 'runs.csv' AND line = 2")
    with pytest.raises(AssertionError, match="the ledger says"):
        held_files(raw.store)
    with store.writing(raw.store) as con:
        con.execute("DELETE FROM file_seen")
    with pytest.raises(AssertionError, match="no file of the ledger"):
        held_files(raw.store)


@pytest.mark.parametrize("content", [b"", b"DUCK"], ids=["empty", "headers"])
def test_a_store_stopped_in_its_first_moment_is_made_anew(raw, runs_text, content):
    raw.add("one", {"f.csv": runs_text})
    raw.store.parent.mkdir()
    raw.store.write_bytes(content and bytes(8) + content + bytes(8000))
    assert raw.build().count("accepted") == 5


@pytest.mark.parametrize("content", [b"notes", b"my notes on engines", b"x" * 20_000])
def test_a_file_of_somebody_elses_is_never_written_over(raw, runs_text, content):
    raw.add("one", {"f.csv": runs_text})
    raw.store.parent.mkdir()
    raw.store.write_bytes(content)
    with pytest.raises(StoreProblem, match="no store"):
        raw.build()
    assert raw.store.read_bytes() == content


def test_a_store_being_made_by_another_is_left_alone(tmp_path):
    path = tmp_path / "held.duckdb"
    path.write_bytes(bytes(8) + b"DUCK" + bytes(100))
    code = "import fcntl,sys; f=open(sys.argv[1],'r+b'); fcntl.lockf(f,fcntl.LOCK_EX); print('held',flush=True); sys.stdin.read()"
    words = [sys.executable, "-c", code, str(path)]
    holder = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline().strip() == "held"
        clear_stub(path)
        assert path.exists()
    finally:
        holder.communicate("")
    clear_stub(path)
    assert not path.exists()
