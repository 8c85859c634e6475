"""Stores kept from earlier versions: brought up to date by the next build, with nothing lost that they alone still hold.

`tests/reference/old_store.duckdb.gz` was written by version 1, `old_store_2.duckdb.gz` by version 2 and so on, each from three
small sources, two of which publish one test and one of which (`gone`) has no raw file any more.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import duckdb
import pytest

from pipeline import store, store_migrations
from pipeline.errors import StoreProblem
from pipeline.store_tables import SCHEMA_VERSION

REFERENCE = Path(__file__).parents[1] / "reference"
#: File and the runs in it.
KEPT = {
    1: ("old_store.duckdb.gz", 12),
    2: ("old_store_2.duckdb.gz", 10),
    3: ("old_store_3.duckdb.gz", 16),
    4: ("old_store_4.duckdb.gz", 15),
}


def layout(path):
    """Columns and rules; of the rows behind a view only the columns that each has, as the others come with what is stated."""
    with duckdb.connect(str(path), read_only=True) as con:
        columns = "SELECT table_name, column_name, data_type, is_nullable, comment FROM duckdb_columns() "
        columns += "WHERE NOT (table_name IN ('run_row', 'build_row') AND is_nullable) ORDER BY ALL"
        rules = "SELECT table_name, constraint_type, constraint_text FROM duckdb_constraints() ORDER BY ALL"
        return con.execute(columns).fetchall() + con.execute(rules).fetchall()


@pytest.fixture(params=sorted(KEPT))
def version(request):
    return request.param


@pytest.fixture
def old(raw, version):
    raw.store.parent.mkdir()
    raw.store.write_bytes(gzip.decompress((REFERENCE / KEPT[version][0]).read_bytes()))
    return raw


def test_reading_an_old_store_says_what_to_do(old):
    with pytest.raises(StoreProblem, match="older version .* run `poundworth build`, which brings it up to date"):
        store.read_table(old.store, "run")


def test_migration_keeps_every_row_and_gives_the_tables_of_today(old, version, tmp_path):
    with duckdb.connect(str(old.store), read_only=True) as con:
        before = con.execute("SELECT run_key, power_kw, boost_kpa FROM run ORDER BY run_key").fetchall()
        repeats = con.execute("SELECT build_key, same_as, figures FROM same_test ORDER BY ALL").fetchall()
    assert len(before) == KEPT[version][1] and repeats
    with store.writing(old.store) as con:
        assert con.execute("SELECT run_key, power_kw, boost_kpa FROM run ORDER BY run_key").fetchall() == before
        assert con.execute("SELECT build_key, same_as, figures FROM same_test ORDER BY ALL").fetchall() == repeats
        assert con.execute("SELECT DISTINCT recipe FROM file_seen").fetchall() == [("",)]  # every file is read anew
    with store.writing(tmp_path / "new.duckdb"):
        pass
    assert layout(old.store) == layout(tmp_path / "new.duckdb")
    assert store.read_table(old.store, "run").height == KEPT[version][1]


def test_rows_of_a_file_that_cannot_be_read_any_more_stay(old):
    old.add("gone", {"f.csv": "build,power_hp,boost_psi\n"})
    (old.root / "gone" / "f.csv").unlink()
    (problem,) = old.build().problems
    assert problem.source == "gone"
    assert store.read_table(old.store, "run")["source"].to_list() == ["gone", "gone"]


def test_a_step_that_fails_leaves_the_old_store(old, version, monkeypatch):
    sound = layout(old.store)
    monkeypatch.setitem(store_migrations.STEPS, version, store_migrations.STEPS[version] + "SELECT no_such_column FROM run;")
    with pytest.raises(StoreProblem), store.writing(old.store):
        pass
    assert layout(old.store) == sound


def test_there_is_a_way_from_every_earlier_version():
    assert all(store_migrations.can_migrate(version) for version in range(1, SCHEMA_VERSION))
    assert not store_migrations.can_migrate(0) and not store_migrations.can_migrate(SCHEMA_VERSION)
