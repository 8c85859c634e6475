"""The store: killed writers, damage, versions, permissions; each with one sentence and nothing lost."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time

import duckdb
import pytest

from pipeline import store
from pipeline.errors import StoreProblem
from pipeline.store import read_table

BUILD = "import sys\nfrom pathlib import Path\nfrom pipeline.build import build\nprint('go', flush=True)\nbuild(Path(sys.argv[1]), Path(sys.argv[2]))\n"


def many_sources(raw, count=12, rows=40):
    for number in range(count):
        lines = [f"E{i},{150 + i + number * 0.1:.1f},{'' if i % 2 == 0 else 6},s{number}" for i in range(rows)]
        raw.add(f"source{number:02d}", {"runs.csv": "build,power_hp,boost_psi,session\n" + "\n".join(lines) + "\n"})


@pytest.fixture(scope="module")
def built_once(make_raw, tmp_path_factory, runs_text):
    raw = make_raw(tmp_path_factory.mktemp("built"))
    raw.add("one", {"f.csv": runs_text})
    raw.build()
    return raw


@pytest.fixture
def built(raw, built_once):
    """One file and the store built from it, a copy for each test."""
    shutil.copytree(built_once.root, raw.root, dirs_exist_ok=True)
    shutil.copytree(built_once.store.parent, raw.store.parent)
    return raw


def check_whole(raw):
    """Every file in the store is there whole, and its counts balance."""
    ledger = read_table(raw.store, "file_seen")
    runs = read_table(raw.store, "run")
    per_file = dict(runs.group_by("source").len().rows())
    assert set(per_file) == set(ledger["source"])
    for row in ledger.to_dicts():
        assert per_file[row["source"]] == row["runs"] == 40
        assert row["rows_read"] == 40


@pytest.mark.slow
def test_killed_build_leaves_only_whole_files(raw):
    many_sources(raw)
    rng = random.Random(5)
    for _ in range(3):
        worker = subprocess.Popen([sys.executable, "-c", BUILD, str(raw.root), str(raw.store)], stdout=subprocess.PIPE, text=True)
        assert worker.stdout.readline().strip() == "go"
        wait_until = time.monotonic() + 20
        while not raw.store.exists() and time.monotonic() < wait_until:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.05, 0.6))
        os.kill(worker.pid, signal.SIGKILL)
        worker.wait()
        worker.stdout.close()
        try:
            check_whole(raw)
        except StoreProblem as problem:
            assert "empty" in str(problem)  # killed before the first commit
    summary = raw.build()
    assert summary.count("rows_read") == 480
    check_whole(raw)


def test_store_of_a_newer_version_is_refused(built):
    with duckdb.connect(str(built.store)) as con:
        con.execute("UPDATE meta SET value = '999' WHERE key = 'schema_version'")
    with pytest.raises(StoreProblem, match="newer version"):
        read_table(built.store, "run")
    with pytest.raises(StoreProblem, match="newer version"):
        built.build()


@pytest.mark.parametrize("spoil", ["truncate", "flip", "text"])
def test_damaged_store_gets_one_sentence(built, spoil):
    data = bytearray(built.store.read_bytes())
    if spoil == "truncate":
        data = data[: len(data) // 3]
    elif spoil == "flip":
        data[100:4000] = bytes(b ^ 0xFF for b in data[100:4000])
    else:
        data = bytearray(b"this is no database")
    built.store.write_bytes(bytes(data))
    with pytest.raises(StoreProblem) as caught:
        read_table(built.store, "run")
    assert "\n" not in str(caught.value)
    built.store.unlink()
    assert built.build().count("accepted") == 5


def test_foreign_database_and_missing_store(raw, tmp_path):
    with pytest.raises(StoreProblem, match="poundworth build"):
        read_table(tmp_path / "none.duckdb", "run")
    other = tmp_path / "other.duckdb"
    with duckdb.connect(str(other)) as con:
        con.execute("CREATE TABLE t AS SELECT 1 AS a")
    with pytest.raises(StoreProblem, match="none of this project"):
        read_table(other, "run")
    with pytest.raises(StoreProblem, match="tables are"):
        read_table(raw.store, "runs")


def test_failed_file_rolls_back_whole(built):
    with pytest.raises(RuntimeError), store.writing(built.store) as con, store.transaction(con):
        store.remove_files(con, [("one", "f.csv")])
        raise RuntimeError("in the middle")
    assert read_table(built.store, "run").height == 5


def test_no_extension_is_ever_fetched(built):
    with store.reading(built.store) as con:
        settings = dict(con.execute("SELECT name, value FROM duckdb_settings() WHERE name LIKE 'auto%extensions'").fetchall())
    assert settings == {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


def test_columns_carry_their_meaning(built):
    with store.reading(built.store) as con:
        rows = con.execute(
            "SELECT comment FROM duckdb_columns() WHERE table_name = 'run' AND column_name = 'boost_kpa'"
        ).fetchall()
    assert "Gauge pressure" in rows[0][0] and "[kPa]" in rows[0][0]


def test_hostile_names_are_data_not_sql(raw):
    name = "x'); DROP TABLE run; --"
    raw.add("one", {"f.csv": f'build,power_hp,boost_psi\n"{name}",150,\n"{name}",205,6\n'})
    raw.build()
    assert read_table(raw.store, "build")["build"].to_list() == [name]


def blocks_of_points(path):
    with store.reading(path) as con:
        groups = con.sql(
            "SELECT max(count) FROM pragma_storage_info('sweep_point') WHERE column_name = 'rpm' AND segment_type = 'DOUBLE' "
            "GROUP BY row_group_id ORDER BY row_group_id"
        )
        return len(groups.fetchall()), con.sql("SELECT count(*) FROM sweep_point").fetchall()[0][0]


def add_points(path, count, times):
    with store.writing(path) as con:
        for _ in range(times):
            con.execute(f"INSERT INTO sweep_point (run_key, line, rpm) SELECT 'a', i, i FROM range({count}) r(i)")


def test_blocks_are_merged_only_where_much_was_deleted(tmp_path):
    path = tmp_path / "s.duckdb"
    add_points(path, 130_000, 4)
    assert blocks_of_points(path) == (8, 520_000)  # four whole ones, and one rest each
    with store.writing(path) as con:
        con.execute("DELETE FROM sweep_point WHERE line % 10 < 3")
    assert blocks_of_points(path) == (8, 364_000)
    with store.writing(path) as con:
        con.execute("DELETE FROM sweep_point WHERE line % 10 < 9")
    assert blocks_of_points(path) == (1, 52_000)


def test_what_a_file_cannot_be_stored_for_reaches_the_caller(raw, runs_text, monkeypatch):
    raw.add("first", {"runs.csv": runs_text})
    raw.add("second", {"runs.csv": runs_text})
    monkeypatch.setattr("pipeline.build_writing.ROWS_TOGETHER", 1)
    with store.writing(raw.store) as con:
        con.execute("DROP TABLE flag")
        con.execute("CREATE VIEW flag AS SELECT 1 AS line")  # nothing can be written there
    with pytest.raises(StoreProblem, match="could not be written"):
        raw.build()
    assert read_table(raw.store, "run").is_empty()
