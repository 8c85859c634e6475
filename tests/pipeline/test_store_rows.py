"""Wide tables keep the columns that hold something; readers see all columns, whatever is kept."""

from __future__ import annotations

import subprocess
import sys

import duckdb
import polars as pl
import pytest

from pipeline import store
from pipeline.fields import fields_of
from pipeline.store import read_table, transaction
from pipeline.store_copy import copy_store
from pipeline.store_rows import WIDE, insert, rows_of
from pipeline.store_tables import table_columns

#: A build that is gone once its files are committed: all that is left of them is the log.
ENDS_AT_ONCE = """
import os, sys
from pathlib import Path
from pipeline import build, store_repeats
store_repeats.search_store = lambda *_: os._exit(9)
build.build(Path(sys.argv[1]), Path(sys.argv[2]))
"""
ROWS = "build,power_hp,boost_psi\nMule,301.7,0\nMule,352.3,2.6\n"
WARM = "build,power_hp,boost_psi,air_c,bore_mm\nMule,300.1,0,21,95\nMule,350.2,2.6,24,95\n"


def kept(path, table):
    with duckdb.connect(str(path), read_only=True) as con:
        return [c[0] for c in con.execute(f"SELECT * FROM {rows_of(table)} LIMIT 0").description]


def told(path, table):
    with duckdb.connect(str(path), read_only=True) as con:
        query = "SELECT column_name, data_type, comment FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index"
        return con.execute(query, [table]).fetchall()


def shapes(path):
    return {table: told(path, table) for table in WIDE}


@pytest.mark.parametrize("table", WIDE)
def test_readers_see_every_column_with_its_type_and_meaning(raw, table):
    with store.writing(raw.root / "empty.duckdb"):
        pass
    raw.add("one", {"f.csv": ROWS})
    raw.build()
    wanted = table_columns(table)
    meanings = {f.name: f.meaning for f in fields_of(table)}
    for path in (raw.root / "empty.duckdb", raw.store):
        found = told(path, table)
        assert [(name, kind) for name, kind, _ in found] == [(n, k.removesuffix(" NOT NULL")) for n, k in wanted.items()]
        assert all(comment and comment.startswith(meanings[name]) for name, _, comment in found if name in meanings)
    assert set(wanted) - {"file"} <= {*read_table(raw.store, table).columns}


def test_a_column_is_kept_from_the_first_row_on_that_states_it(raw):
    raw.add("one", {"f.csv": ROWS})
    raw.build()
    assert not {"air_c", "torque_nm"} & {*kept(raw.store, "run")} and "bore_mm" not in kept(raw.store, "build")
    raw.add("two", {"f.csv": WARM})
    raw.build()
    assert (
        "air_c" in kept(raw.store, "run") and "torque_nm" not in kept(raw.store, "run") and "bore_mm" in kept(raw.store, "build")
    )
    runs = read_table(raw.store, "run")
    assert runs.select("source", "air_c", "torque_nm").rows() == [
        ("one", None, None), ("one", None, None), ("two", 21.0, None), ("two", 24.0, None)
    ]  # fmt: skip
    (raw.root / "two" / "f.csv").write_text(ROWS)
    raw.build()
    assert read_table(raw.store, "run")["air_c"].null_count() == 4


def test_the_order_of_coming_leaves_no_trace(raw, make_raw, tmp_path_factory):
    other = make_raw(tmp_path_factory.mktemp("other"))
    for one, first, second in ((raw, "one", "two"), (other, "two", "one")):
        for name in (first, second):
            one.add(name, {"f.csv": ROWS if name == "one" else WARM})
            one.build()
    for table in WIDE:
        assert read_table(raw.store, table).equals(read_table(other.store, table))
    assert shapes(raw.store) == shapes(other.store)


def test_what_is_rolled_back_leaves_no_column(raw):
    raw.add("one", {"f.csv": ROWS})
    raw.build()
    before = kept(raw.store, "run"), shapes(raw.store)
    row = {"run_key": "k", "build_key": "b", "source": "s", "publisher": "p", "file": "f", "line": 1, "role": "baseline"}
    frame = pl.DataFrame([{**row, "ambient_used_kpa": 100.0, "ambient_basis": "assumed", "torque_nm": 400.0}])
    with store.writing(raw.store) as con:
        with pytest.raises(ZeroDivisionError), transaction(con):
            insert(con, "run", [frame])
            assert con.execute("SELECT torque_nm FROM run WHERE run_key = 'k'").fetchall() == [(400.0,)]
            raise ZeroDivisionError
        assert con.execute("SELECT count(*), count(torque_nm) FROM run").fetchall() == [(2, 0)]
    assert (kept(raw.store, "run"), shapes(raw.store)) == before


def test_a_column_survives_a_process_that_ends_without_closing(raw):
    raw.add("one", {"f.csv": ROWS})
    raw.build()
    raw.add("two", {"f.csv": WARM})
    assert subprocess.run([sys.executable, "-c", ENDS_AT_ONCE, raw.root, raw.store]).returncode == 9
    assert raw.store.with_name(raw.store.name + ".wal").stat().st_size > 0
    assert raw.build().changed == 0
    assert read_table(raw.store, "run")["air_c"].to_list() == [None, None, 21.0, 24.0]
    assert all(comment for name, _, comment in told(raw.store, "run") if name == "air_c")


def test_a_value_that_may_not_be_absent_is_refused(raw):
    raw.add("one", {"f.csv": ROWS})
    raw.build()
    frame = pl.DataFrame({"run_key": ["k"], "build_key": [None]}, schema={"run_key": pl.String, "build_key": pl.String})
    with store.writing(raw.store) as con, pytest.raises(duckdb.ConstraintException, match="NOT NULL"), transaction(con):
        insert(con, "run", [frame])


def test_a_copy_has_the_same_columns(raw):
    raw.add("two", {"f.csv": WARM})
    raw.build()
    copy_store(raw.store, raw.root / "copy.duckdb")
    assert shapes(raw.root / "copy.duckdb") == shapes(raw.store)
    assert kept(raw.root / "copy.duckdb", "run") == kept(raw.store, "run")
    assert read_table(raw.root / "copy.duckdb", "run").equals(read_table(raw.store, "run"))
