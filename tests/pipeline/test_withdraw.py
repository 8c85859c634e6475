"""A withdrawn source leaves the store, its file's bytes and the kept results; the ledger and withdrawn.toml keep why."""

from __future__ import annotations

import shutil
import tomllib
from datetime import date

import pytest

from pipeline import store
from pipeline.build import build
from pipeline.errors import RequestProblem
from pipeline.sources import read_withdrawn
from pipeline.withdraw import forget, ledger_sources, write_withdrawal

TODAY = date(2024, 6, 12)
KEEP = """build,power_hp,boost_psi
Alder,150,
Alder,205,6
Birch,240,0
Birch,330,6
Birch,372,9
"""
SECRET = "build,power_hp,boost_psi\nZanzibarwood,151,\nZanzibarwood,207,6\n"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Two sources in a store, built once."""
    root = tmp_path_factory.mktemp("built")
    for source, text in (("keep", KEEP), ("gone", SECRET + "Zanzibarwood,bad,6\n")):
        folder = root / "raw" / source
        folder.mkdir(parents=True)
        (folder / "f.csv").write_text(text)
        told = 'title = "A test"\npublisher = "Test Sheet"\nlicence = "CC0-1.0"\n[[file]]\nname = "f.csv"\nkind = "runs"\n'
        (folder / "source.toml").write_text(told)
    build(root / "raw", root / "clean" / "study.duckdb")
    return root


@pytest.fixture
def two(raw, built):
    """A copy of it for each test."""
    shutil.copytree(built / "raw", raw.root, dirs_exist_ok=True)
    shutil.copytree(built / "clean", raw.store.parent)
    return raw


def withdraw(raw, why="asked for by the publisher"):
    wrote = write_withdrawal(raw.root, "gone", why, TODAY, set())
    summary = raw.build()
    forget(raw.store)
    return wrote, summary


@pytest.mark.slow
def test_rows_leave_every_table_and_the_ledger_keeps_why(two):
    before = {n: store.read_table(two.store, n) for n in ("run", "build", "refused", "flag")}
    with store.writing(two.store) as con:
        store.write_result(con, "study", "mark", {"says": "Zanzibarwood"})
    _, summary = withdraw(two)
    for name, frame in before.items():
        after = store.read_table(two.store, name)
        assert after.equals(frame.filter(frame["source"] == "keep")), name
    row = next(r for r in summary.by_file if r.source == "gone")
    assert (row.withdrawn, row.rows_read, row.runs) == ("asked for by the publisher", 0, 0)
    assert store.read_table(two.store, "source")["source"].to_list() == ["keep"]
    with store.reading(two.store) as con:
        assert store.read_result(con, "study") is None


def test_nothing_of_it_stays_readable_in_the_stores_bytes(two):
    assert b"Zanzibarwood" in two.store.read_bytes()
    withdraw(two)
    assert b"Zanzibarwood" not in two.store.read_bytes()
    assert [p.name for p in two.store.parent.iterdir()] == [two.store.name]


@pytest.mark.slow
def test_a_later_build_changes_nothing_else_and_a_new_store_leaves_it_out_too(two):
    withdraw(two)
    with store.reading(two.store) as con:
        mark = store.fingerprint(con)
    again = two.build()
    assert again.changed == 0 and again.runs == 5
    with store.reading(two.store) as con:
        assert store.fingerprint(con) == mark
    two.store.unlink()
    assert two.build().runs == 5


def test_the_store_still_keeps_its_keys_after_it_was_written_anew(two):
    withdraw(two)
    two.add("third", {"h.csv": "build,power_hp\nElm,99\n"})
    assert two.build().runs == 6
    with store.writing(two.store) as con, pytest.raises(Exception, match=r"(?i)constraint"):
        con.execute("INSERT INTO file_seen SELECT * FROM file_seen LIMIT 1")


def test_taking_the_entry_out_brings_the_source_back(two):
    withdraw(two)
    (two.root / "withdrawn.toml").unlink()
    assert two.build().runs == 7


def test_what_stands_in_withdrawn_toml_stays(two):
    path = two.root / "withdrawn.toml"
    path.write_text('# kept by hand\n[[withdrawn]]\nsource = "older"\nwhy = "licence ended"')
    withdraw(two, 'said "no"\n# and meant it')
    assert path.read_text().startswith("# kept by hand\n")
    assert read_withdrawn(two.root) == {"older": "licence ended", "gone": 'said "no" # and meant it'}
    assert tomllib.loads(path.read_text())["withdrawn"][1]["withdrawn_on"] == TODAY


def test_twice_is_once_and_another_reason_is_refused(two):
    assert withdraw(two)[0] is True
    assert withdraw(two)[0] is False
    with pytest.raises(RequestProblem, match="asked for by the publisher"):
        write_withdrawal(two.root, "gone", "another", TODAY, set())


@pytest.mark.parametrize(
    ("source", "why", "said"), [("gon", "x", "'?gone"), ("gone", "  ", "--why"), ("../gone", "x", "no source")]
)
def test_unknown_sources_and_empty_reasons_are_refused(two, source, why, said):
    with pytest.raises(RequestProblem, match=said):
        write_withdrawal(two.root, source, why, TODAY, set())
    assert not (two.root / "withdrawn.toml").exists()


def test_a_source_known_only_to_the_ledger_can_be_withdrawn(two):
    shutil.rmtree(two.root / "gone")
    assert "gone" in ledger_sources(two.store)
    assert write_withdrawal(two.root, "gone", "gone for good", TODAY, ledger_sources(two.store))


def test_a_damaged_withdrawn_toml_is_not_written_over(two):
    path = two.root / "withdrawn.toml"
    path.write_text("withdrawn = {\n")
    with pytest.raises(Exception, match="TOML"):
        write_withdrawal(two.root, "gone", "x", TODAY, set())
    assert path.read_text() == "withdrawn = {\n"


def test_an_entry_that_cannot_be_added_leaves_the_file_as_it_was(two):
    path = two.root / "withdrawn.toml"
    path.write_text('withdrawn = [ { source = "older", why = "x" } ]\n')
    with pytest.raises(Exception, match=r"by hand|TOML"):
        write_withdrawal(two.root, "gone", "x", TODAY, set())
    assert read_withdrawn(two.root) == {"older": "x"}
