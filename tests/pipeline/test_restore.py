"""A store made again from an export: the same content, and nothing at all from an export that is damaged, changed or forged."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import restore_parquet, store
from pipeline.build import build
from pipeline.cli import cli
from pipeline.data_package import STORE_PROPERTY, TABLE_PROPERTY
from pipeline.data_summary import summarise
from pipeline.errors import FileProblem, PoundworthError, RequestProblem, StoreProblem
from pipeline.export import write_export
from pipeline.export_store import FILE_OF, mark_content
from pipeline.restore import restore
from pipeline.restore_checks import check_rows
from pipeline.restore_parquet import read_rows
from pipeline.store_content import CONTENT, content_batches
from pipeline.store_tables import SCHEMA_VERSION
from pipeline.table_hash import hash_table, hash_tables

RUNS = """build,run,compared_with,parts,displacement_cc,power_hp,boost_psi,ambient_kpa,note,Owner,Plenum colour
Alder 2.0,a,,,1998,150.5,,101.0,"first, ""quoted""
line",J. Doe,red
Alder 2.0,b,,,1998,205.1,6,101.0,,J. Doe,
Alder 2.0,e,,,1998,231.7,9,101.0,,,
Alder 2.0 cam,c,a,camshaft + headers,1998,158,,101.0,,J. Doe,blue
"Odd|name\\",d,,,1998,140,,101.0,@note,J. Doe,
Birch 3.0,f,,,2995,abc,,101.0,refused,J. Doe,green
"""
AGAIN = "build,power_hp,boost_psi\n" + "Alder 2.0,150.5,\nAlder 2.0,205.1,6\nAlder 2.0,231.7,9\n"
CURVE = "build,run,rpm,power_kw\n" + "".join(
    f"Elm,p1,{r},{kw}\n" for r, kw in ((3000, 60), (4000, 84), (5000, 105), (6000, 112), (6500, 108))
)
HEADS = {
    "real": 'title = "Runs"\npublisher = "Test Sheet"\nauthor = "Ann Author"\ncontributor = "Con Tributor"\n'
    'url = "https://a.example/x"\npublished_on = 2024-05-01\nlicence = "CC0-1.0"\n',
    "again": 'title = "Again"\npublisher = "Other Sheet"\nlicence = "CC0-1.0"\n[not_same]\n"Alder 2.0" = "curves|Elm Room|Elm"\n',
    "curves": 'title = "Curves"\npublisher = "Elm Room"\nlicence = "CC0-1.0"\ninvented = true\n',
    "gone": 'title = "Gone"\npublisher = "Gone Sheet"\nlicence = "CC0-1.0"\n',
}
PERSONS = ("Ann Author", "Con Tributor", "J. Doe")


def make_raw(root: Path) -> Path:
    files = {"real": ("runs", RUNS), "again": ("runs", AGAIN), "curves": ("sweep", CURVE), "gone": ("runs", AGAIN)}
    for source, (kind, text) in files.items():
        (root / source).mkdir(parents=True)
        (root / source / "file.csv").write_text(text)
        (root / source / "source.toml").write_text(f'{HEADS[source]}[[file]]\nname = "file.csv"\nkind = "{kind}"\n')
    return root


class World:
    """Raw files with persons, a repeat, a refused row, a change, a curve and a withdrawn source; their store and its two exports."""

    def __init__(self, root: Path) -> None:
        self.raw, self.store = make_raw(root / "raw"), root / "study.duckdb"
        build(self.raw, self.store, with_demo=True)
        (self.raw / "withdrawn.toml").write_text('[[withdrawn]]\nsource = "gone"\nwhy = "asked for"\n')
        summary = build(self.raw, self.store, with_demo=True)
        assert not summary.problems and summary.count("refused") == 1 and summary.count("repeated") == 3
        self.plain, self.whole = root / "plain", root / "whole"
        write_export(self.store, self.plain)
        write_export(self.store, self.whole, with_personal=True)
        self.plain_again, self.whole_again = root / "again" / "plain.duckdb", root / "again" / "whole.duckdb"
        self.told = {p: restore(f, p) for f, p in ((self.plain, self.plain_again), (self.whole, self.whole_again))}

    def pair(self, with_personal: bool) -> tuple[Path, Path]:
        """An export, and the store made from it, which no test changes."""
        return (self.whole, self.whole_again) if with_personal else (self.plain, self.plain_again)


@pytest.fixture(scope="module")
def world(tmp_path_factory) -> World:
    made = World(tmp_path_factory.mktemp("world"))
    empty = [name for name, rows in marks(made.store).items() if not rows[0] and name not in ("repair", "near_test")]
    assert not empty, "every table has rows here, so that nothing passes for want of them"
    return made


@pytest.fixture
def copy(world: World, tmp_path: Path) -> Path:
    """An export that a test may spoil."""
    shutil.copytree(world.whole, tmp_path / "copy")
    return tmp_path / "copy"


def marks(path: Path, with_personal: bool = True) -> dict[str, tuple[int, str]]:
    with store.reading(path) as con:
        return {name: (m.rows, m.sha256) for name, m in mark_content(con, with_personal).items()}


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def described(folder: Path) -> dict:
    return json.loads((folder / "datapackage.json").read_text())


def describe(folder: Path, content: object) -> None:
    (folder / "datapackage.json").write_text(json.dumps(content))


def of_table(content: dict, name: str) -> dict:
    return next(r for r in content["resources"] if r.get(TABLE_PROPERTY, {}).get("name") == name)


def seal(folder: Path) -> None:
    """What a forger can do: sizes and hashes of the files as they are now."""
    content = described(folder)
    for resource in content["resources"]:
        data = (folder / resource["path"]).read_bytes()
        resource |= {"bytes": len(data), "hash": f"sha256:{hashlib.sha256(data).hexdigest()}"}
    describe(folder, content)


def rewrite(folder: Path, name: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> None:
    """Change the rows of one table, and let file hash and row count say so; the content hash stays."""
    path = folder / FILE_OF[name]
    frame = change(pl.DataFrame(pl.from_arrow(pq.read_table(path))))
    pq.write_table(frame.to_arrow(), path)
    content = described(folder)
    of_table(content, name)[TABLE_PROPERTY]["rows"] = frame.height
    describe(folder, content)
    seal(folder)


# -- the same content ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("with_personal", [False, True])
def test_export_restore_export_gives_the_same(world: World, tmp_path: Path, with_personal: bool) -> None:
    folder, restored = world.pair(with_personal)
    summary = world.told[restored]
    assert marks(restored) == marks(world.store, with_personal)
    stated = {name: (of_table(described(folder), name)[TABLE_PROPERTY]) for name in CONTENT}
    assert {n: (s["rows"], s["content_hash"]) for n, s in stated.items()} == marks(restored)
    assert summary.content_hash == described(folder)[STORE_PROPERTY]["content_hash"]
    assert summary.content_hash == hash_tables({n: h for n, (_, h) in marks(restored).items()})
    write_export(restored, tmp_path / "out", with_personal=with_personal)
    assert contents(tmp_path / "out") == contents(folder)
    assert {p.name for p in restored.parent.iterdir()} == {"plain.duckdb", "whole.duckdb"}


def test_the_hash_is_that_of_the_table_that_python_readers_get(world: World) -> None:
    for name in ("run", "build", "source", "refused"):
        stated = of_table(described(world.whole), name)[TABLE_PROPERTY]["content_hash"]
        assert hash_table(store.read_table(world.store, name)) == stated
    stated = of_table(described(world.plain), "source")[TABLE_PROPERTY]["content_hash"]
    sources = store.read_table(world.store, "source")
    assert hash_table(sources) != stated
    assert hash_table(sources.with_columns(pl.lit(None, pl.String).alias(c) for c in ("author", "contributor"))) == stated


def test_every_table_of_the_store_is_the_same_row_for_row(world: World) -> None:
    """Held against the database itself, so that a table that nobody thought of is missed here and not by a reader."""
    made_anew = {"result", "meta", "repeat_build", "repeat_key", "repeat_equal", "repeat_judged"}
    found: list[dict[str, list]] = []
    for path in (world.store, world.whole_again):
        with duckdb.connect(str(path), read_only=True) as con:
            names = con.execute("SELECT table_name FROM information_schema.tables").fetchall()
            tables = {name for (name,) in names} - made_anew - {"run_row", "build_row"}  # of which the views tell all
            less = " EXCLUDE (mtime_ns, seen_on)"
            found.append(
                {t: con.execute(f'SELECT *{less if t == "file_seen" else ""} FROM "{t}" ORDER BY ALL').fetchall() for t in tables}
            )
    assert found[0] == found[1] and found[0].keys() >= {"run", "repeated_run", "same_test", "repeat_answer", "repair"}
    with store.reading(world.store) as a, store.reading(world.whole_again) as b:
        assert store.fingerprint(a) == store.fingerprint(b)


@pytest.mark.parametrize("with_personal", [False, True])
def test_nobody_is_named_and_no_withdrawn_file_told_of_unless_asked_for(world: World, with_personal: bool) -> None:
    folder, restored = world.pair(with_personal)
    with store.reading(restored) as con:
        held = "\n".join(repr(list(frame.rows() for frame in content_batches(con, t, 1_000))) for t in CONTENT)
    assert [name in held for name in (*PERSONS, "asked for")] == [with_personal] * 4
    assert "Plenum colour" in held
    kept = pl.DataFrame(pl.from_arrow(pq.read_table(folder / FILE_OF["file_seen"])))
    assert ("asked for" in kept["withdrawn"].to_list()) is with_personal
    assert not [name for name, data in contents(folder).items() if b"asked for" in data and not name.startswith("store/")]


def test_a_build_over_the_same_files_changes_nothing(world: World, tmp_path: Path) -> None:
    restored = tmp_path / "study.duckdb"
    shutil.copy(world.whole_again, restored)
    assert build(world.raw, restored, with_demo=True).changed == 0
    assert marks(restored) == marks(world.store)
    with store.reading(restored) as con:
        assert all(row.mtime_ns > 0 for row in store.read_ledger(con).values() if not row.withdrawn)


@pytest.mark.slow
def test_other_reading_code_reads_anew_and_other_files_take_the_place(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    restored = tmp_path / "study.duckdb"
    shutil.copy(world.plain_again, restored)
    with monkeypatch.context() as patched:
        patched.setattr("pipeline.build_file.code_mark", lambda: "another")
        assert build(world.raw, restored, with_demo=True).changed == 3
    assert "J. Doe" in repr(store.read_table(restored, "refused").to_dicts())
    shutil.copy(world.plain_again, restored)
    (tmp_path / "other").mkdir()
    shutil.copytree(world.raw / "curves", tmp_path / "other" / "curves")
    build(tmp_path / "other", restored)
    assert set(store.read_table(restored, "run")["source"]) == {"curves"}


def test_a_source_withdrawn_after_the_export_leaves_with_the_next_build(world: World, tmp_path: Path) -> None:
    raw = make_raw(tmp_path / "raw")
    (raw / "withdrawn.toml").write_text('[[withdrawn]]\nsource = "real"\nwhy = "asked later"\n')
    shutil.copy(world.plain_again, tmp_path / "study.duckdb")
    build(raw, tmp_path / "study.duckdb", with_demo=True)
    assert "real" not in set(store.read_table(tmp_path / "study.duckdb", "run")["source"])
    assert "asked later" in set(store.read_table(tmp_path / "study.duckdb", "file_seen")["withdrawn"])


@pytest.mark.slow
def test_batches_make_no_difference(world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.export_rows.BATCH_ROWS", 2)
    monkeypatch.setattr("pipeline.export_store.BATCH_ROWS", 2)
    write_export(world.store, tmp_path / "out", with_personal=True)
    assert pq.ParquetFile(tmp_path / "out" / "data" / "run.parquet").num_row_groups > 2
    restore(tmp_path / "out", tmp_path / "study.duckdb")
    assert marks(tmp_path / "study.duckdb") == marks(world.store)


@pytest.mark.slow
def test_an_empty_store_is_restored_empty(raw, tmp_path: Path) -> None:
    raw.build()
    write_export(raw.store, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "study.duckdb")
    assert marks(tmp_path / "study.duckdb") == marks(raw.store)


@pytest.mark.slow
def test_the_study_of_the_demo_and_what_its_data_page_shows_are_the_same(tmp_path: Path) -> None:
    build(Path("data_raw"), tmp_path / "study.duckdb", with_demo=True)
    write_export(tmp_path / "study.duckdb", tmp_path / "out", with_personal=True)
    restore(tmp_path / "out", tmp_path / "again.duckdb")
    told, shown = [], []
    for name in ("study.duckdb", "again.duckdb"):
        done = CliRunner().invoke(cli, ["study", "--json", "--store", str(tmp_path / name)])
        assert done.exit_code == 0, done.output
        told.append({k: v for k, v in json.loads(done.stdout).items() if k != "made_on"})
        shown.append(replace(summarise(tmp_path / name), seen_on=""))
    assert told[0] == told[1] and told[0]["fingerprint"] and told[0]["rule_ratio"]["value"] > 0
    assert shown[0] == shown[1] and shown[0].refused and shown[0].repeats


# -- exports that are not whole -----------------------------------------------------------------------------------------


def flip(path: Path, at: int = -200) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(bytes(data))


def edit(change: Callable[[dict], object]) -> Callable[[Path], None]:
    def changed(folder: Path) -> None:
        content = described(folder)
        change(content)
        describe(folder, content)

    return changed


def as_link(path: str) -> Callable[[Path], None]:
    def changed(folder: Path) -> None:
        kept = folder.parent / "elsewhere"
        shutil.move(folder / path, kept)
        (folder / path).symlink_to(kept)

    return changed


def as_pipe(folder: Path) -> None:
    (folder / "data" / "run.parquet").unlink()
    os.mkfifo(folder / "data" / "run.parquet")


def garbage(folder: Path) -> None:
    (folder / "data" / "run.parquet").write_bytes(b"PAR1" + bytes(range(256)) + b"PAR1")
    seal(folder)


def torn_inside(folder: Path) -> None:
    data = bytearray((folder / "data" / "run.parquet").read_bytes())
    data[40:4000] = bytes(3960)
    (folder / "data" / "run.parquet").write_bytes(bytes(data))
    seal(folder)


DAMAGE: dict[str, tuple[Callable[[Path], object], str]] = {
    "bit flipped": (lambda f: flip(f / "data" / "run.parquet"), r"data/run\.parquet has the hash .* changed or damaged"),
    "bit flipped in csv": (lambda f: flip(f / "data" / "run.csv"), r"data/run\.csv has the hash"),
    "bit flipped in store": (lambda f: flip(f / "store" / "file_seen.parquet"), r"store/file_seen\.parquet has the hash"),
    "cut short": (lambda f: os.truncate(f / "data" / "run.parquet", 900), r"data/run\.parquet has 900 bytes, datapackage\.json says"),
    "file missing": (lambda f: (f / "data" / "change.parquet").unlink(), r"data/change\.parquet is missing"),
    "folder missing": (lambda f: shutil.rmtree(f / "store"), r"store/\w+\.parquet is missing"),
    "link": (as_link("data/run.parquet"), r"data/run\.parquet in .* cannot be opened .* no link"),
    "link of a folder": (as_link("store"), r"store/\w+\.parquet in .* cannot be opened .* no link"),
    "link of the description": (as_link("datapackage.json"), r"datapackage\.json in .* cannot be opened"),
    "pipe": (as_pipe, r"no plain file"),
    "no JSON": (lambda f: (f / "datapackage.json").write_text('{"name": '), r"is no JSON text"),
    "no text": (lambda f: (f / "datapackage.json").write_bytes(b"\xff\xfe\x00"), r"is no JSON text"),
    "deep JSON": (lambda f: (f / "datapackage.json").write_text("[" * 200_000), r"is no JSON text"),
    "endless number": (lambda f: (f / "datapackage.json").write_text("1" * 5_000), r"is no JSON text"),
    "no description": (lambda f: (f / "datapackage.json").unlink(), r"datapackage\.json is missing"),
    "a list": (lambda f: describe(f, [1]), r"describes no export of this project"),
    "another package": (edit(lambda c: c.update(name="other")), r"describes no export of this project"),
    "an export of before": (edit(lambda c: c.pop(STORE_PROPERTY)), r"earlier version .* data/run_flat\.csv can be read"),
    "newer": (edit(lambda c: c[STORE_PROPERTY].update(tables_version=SCHEMA_VERSION + 1)), r"newer version .* use that version"),
    "path out": (edit(lambda c: of_table(c, "run").update(path="../x")), r"names the file '\.\./x'"),
    "path within": (edit(lambda c: of_table(c, "run").update(path="data/../../x.parquet")), r"no other path is opened"),
    "path from the root": (edit(lambda c: of_table(c, "run").update(path="/etc/passwd")), r"names the file '/etc/passwd'"),
    "several paths": (edit(lambda c: of_table(c, "run").update(path=["a", "b"])), r"is damaged: at resources\.\d+\.path"),
    "path of another": (edit(lambda c: of_table(c, "run").update(path="data/build.parquet")), r"each in its own file"),
    "described twice": (edit(lambda c: c["resources"].append(of_table(c, "run"))), r"describes data/run\.parquet more than once"),
    "table not described": (edit(lambda c: c["resources"].remove(of_table(c, "same_test"))), r"holds the table same_test"),
    "wrong content hash": (
        edit(lambda c: of_table(c, "run")[TABLE_PROPERTY].update(content_hash="0" * 64)),
        r"states the content hash \w+ for all tables",
    ),
    "no hash": (edit(lambda c: of_table(c, "run").update(hash="md5:abc")), r"is damaged: at resources\.\d+\.hash"),
    "wrong rows": (edit(lambda c: of_table(c, "run")[TABLE_PROPERTY].update(rows=7)), r"holds 9 rows, datapackage\.json says 7"),
    "column not hashed": (edit(lambda c: of_table(c, "run")[TABLE_PROPERTY]["columns"].remove("note")), r"other columns .* 'note'"),
    "column unknown": (edit(lambda c: of_table(c, "run")[TABLE_PROPERTY]["columns"].append("x")), r"other columns .* 'x'"),
    "garbage": (garbage, r"data/run\.parquet is damaged inside"),
    "torn inside": (torn_inside, r"data/run\.parquet is damaged inside"),
}  # fmt: skip


#: Told apart from others of their kind by the file alone.
MORE = ("bit flipped in store", "folder missing", "link of a folder", "torn inside")


@pytest.mark.parametrize("how", [pytest.param(how, marks=[pytest.mark.slow] if how in MORE else []) for how in DAMAGE])
def test_a_damaged_export_gives_one_sentence_and_no_store(copy: Path, tmp_path: Path, how: str) -> None:
    damage, told = DAMAGE[how]
    damage(copy)
    with pytest.raises((FileProblem, RequestProblem), match=told) as caught:
        restore(copy, tmp_path / "new" / "study.duckdb")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "new").exists() or not list((tmp_path / "new").iterdir())


def one(**values: object) -> Callable[[pl.DataFrame], pl.DataFrame]:
    """Change cells of the first row."""

    def change(frame: pl.DataFrame) -> pl.DataFrame:
        first = pl.int_range(pl.len()) == 0
        return frame.with_columns(
            pl.when(first).then(pl.lit(v, dtype=frame.schema[c])).otherwise(pl.col(c)).alias(c) for c, v in values.items()
        )

    return change


#: Rows that no cleaning lets through: table, change, what is said.
UNCLEAN: dict[str, tuple[str, Callable[[pl.DataFrame], pl.DataFrame], str]] = {
    "key twice": ("run", lambda f: pl.concat([f, f[:1]]), r"run_key"),
    "not a number": ("run", one(power_kw=float("nan")), r"power_kw is a finite number"),
    "endless factor": ("run", one(correction_factor=float("inf")), r"correction_factor is a finite number"),
    "no air": ("run", one(ambient_used_kpa=0.0), r"ambient_used_kpa is above zero"),
    "impossible power": ("run", one(power_kw=-5.0), r"in 1 of 9 rows: power_kw lies from"),
    "no power": ("run", one(power_kw=None), r"power_kw is never empty"),
    "unknown code": ("run", one(induction="steam"), r"induction is one of"),
    "role": ("run", one(role="gearbox"), r"role is one of"),
    "unrecognised cells": ("run", one(extra='["J. Doe"]'), r"extra holds texts by header"),
    "deep cells": ("run", one(extra="[" * 100_000), r"extra holds texts by header"),
    "deep objects": ("run", one(extra='{"a": {"b": "c"}}'), r"extra holds texts by header"),
    "script as address": ("source", one(url="javascript:alert(1)"), r"is no address this project prints"),
    "source out": ("source", one(source="../x"), r"source is a name of letters"),
    "source without terms": ("source", one(licence=None), r"licence is never empty"),
    "impossible engine": ("build_by_file", one(displacement_cc=1e9), r"displacement_cc lies from"),
    "build twice": ("build_by_file", lambda f: pl.concat([f, f[:1]]), r"build_key"),
    "speed": ("sweep_point", one(rpm=1e9), r"rpm lies from"),
    "unknown flag": ("flag", one(code="made_up"), r"code is a code of the checks"),
    "unknown reason": ("refused", one(reasons=[{"code": "made_up", "column": None, "value": None}]), r"with a code of the checks"),
    "no reason": ("refused", one(reasons=[]), r"reasons are told"),
    "refused no object": ("refused", one(row="[1]"), r"row holds texts by header"),
    "refused no JSON": ("refused", one(row="{"), r"row holds texts by header"),
    "unknown part": ("change", one(parts=["warp_drive"]), r"parts are codes of parts"),
    "empty part": ("change", one(parts=[None]), r"parts are codes of parts"),
    "count below zero": ("file_seen", one(refused=-1), r"refused is a count"),
    "no hash": ("file_seen", one(sha256="x"), r"sha256 is a hash"),
    "found by": ("same_test", one(found_by="chance"), r"found_by is figures or answer"),
    "answer": ("repeat_answer", one(answer="perhaps"), r"answer is one of same, not_same"),
}  # fmt: skip


@pytest.mark.parametrize("how", UNCLEAN)
def test_rows_that_cleaning_never_lets_through_do_not_pass(world: World, how: str) -> None:
    name, change, told = UNCLEAN[how]
    with store.reading(world.store) as con:
        frame = pl.concat(content_batches(con, name, 1_000))
    check_rows(name, frame, "data/x.parquet")
    with pytest.raises(
        FileProblem, match=f"data/x.parquet breaks a rule of the clean tables .*{told}.* write it again"
    ) as caught:
        check_rows(name, change(frame), "data/x.parquet")
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 700


#: Tables that are clean row by row, but not those that were exported, or that do not fit one another.
FORGED: dict[str, tuple[str, Callable[[pl.DataFrame], pl.DataFrame], str]] = {
    "unclean": ("run", one(power_kw=-5.0), r"data/run\.parquet breaks a rule of the clean tables in 1 of 9 rows"),
    "last bit": ("run", lambda f: f.with_columns(pl.col("power_kw") * (1 + 2**-52)), r"table run give the content hash .*not the rows"),
    "row lost": ("flag", lambda f: f[1:], r"table flag give the content hash"),
    "row doubled": ("flag", lambda f: pl.concat([f, f[:1]]), r"table flag give the content hash"),
    "build of a file": ("build_by_file", one(engine_family="other"), r"table build give the content hash"),
    "repeat": ("run", lambda f: f.with_columns(is_repeat=False), r"table run give the content hash"),
    "ledger": ("file_seen", one(recipe="other"), r"table file_seen give the content hash"),
    "extra column": ("run", lambda f: f.with_columns(more=pl.lit(1)), r"data/run\.parquet has the column 'more'"),
    "column missing": ("run", lambda f: f.drop("note"), r"data/run\.parquet has no column 'note'"),
    "other type": ("run", lambda f: f.with_columns(pl.col("power_kw").cast(pl.String)), r"the column power_kw as String, Float64"),
    "categories": ("run", lambda f: f.with_columns(pl.col("source").cast(pl.Categorical)), r"the column source as Cat"),
    "bytes": ("repair", lambda f: f.with_columns(pl.col("what").cast(pl.Binary)), r"the column what as Binary"),
    "counts": ("file_seen", one(runs=99), r"counts in the ledger are not those of its rows .*first: 'again/file\.csv'"),
    "file unknown": ("file_seen", lambda f: f.filter(pl.col("source") != "real"), r"not in the ledger"),
    "source unknown": ("source", lambda f: f[1:], r"a source that is not in the table source"),
    "run without build": ("build_by_file", lambda f: f[1:], r"a run of a build that is not there"),
    "build key": ("build_by_file", one(build_key="x"), r"key is not made of its source, publisher and name"),
    "run key": ("run", one(run_key="x"), r"key is not made of its file and line"),
    "curve without run": ("sweep_point", one(run_key="x"), r"a point of a curve of a run that is not there"),
    "change without run": ("change", one(before_run_key="x"), r"a change between runs that are not there"),
    "repeat of none": ("same_test", one(same_as="x"), r"a repeated test of builds that are not there"),
}  # fmt: skip
#: The others take another way and look at the tables in the same manner.
QUICK = ("unclean", "last bit", "extra column", "counts")


@pytest.mark.parametrize("how", [pytest.param(how, marks=[] if how in QUICK else [pytest.mark.slow]) for how in FORGED])
def test_changed_tables_with_fitting_hashes_of_files_are_found(copy: Path, tmp_path: Path, how: str) -> None:
    name, change, told = FORGED[how]
    rewrite(copy, name, change)
    with pytest.raises(FileProblem, match=told) as caught:
        restore(copy, tmp_path / "new" / "study.duckdb")
    assert "\n" not in str(caught.value)
    assert not list((tmp_path / "new").iterdir())


@pytest.mark.slow
def test_a_key_that_stands_in_two_row_groups_is_found(copy: Path, tmp_path: Path) -> None:
    path = copy / FILE_OF["run"]
    table = pq.read_table(path)
    with pq.ParquetWriter(path, table.schema) as writer:
        writer.write_table(table)
        writer.write_table(table[:1])
    content = described(copy)
    of_table(content, "run")[TABLE_PROPERTY]["rows"] += 1
    describe(copy, content)
    seal(copy)
    with pytest.raises(FileProblem, match="holds each key once|a run that stands twice"):
        restore(copy, tmp_path / "study.duckdb")


BOMBS: dict[str, tuple[str, Callable[[pl.DataFrame], pl.DataFrame], str]] = {
    "long text in every row": ("flag", lambda f: pl.concat([f.with_columns(value=pl.lit("x" * 2_000))] * 200), "the texts of"),
    "long text in every list": (
        "change",
        lambda f: pl.concat([f.with_columns(parts=pl.lit(["y" * 4_000] * 300, dtype=pl.List(pl.String)))] * 20),
        "the texts of",
    ),
    "many empty cells": (
        "repair",
        lambda f: pl.DataFrame({c: [None] * 9_000 for c in f.columns}, schema=f.schema),
        "27,000 cells",
    ),
}


@pytest.mark.parametrize("how", BOMBS)
def test_a_small_file_that_would_unpack_to_much_is_not_unpacked(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    monkeypatch.setattr(restore_parquet, "MAX_UNPACKED_BYTES", 1 << 20)
    monkeypatch.setattr(restore_parquet, "MAX_CELLS", 20_000)
    name, change, told = BOMBS[how]
    rewrite(copy, name, change)
    path = copy / FILE_OF[name]
    assert path.stat().st_size < 50_000
    with path.open("rb") as handle, pytest.raises(FileProblem, match=f"{told}.* at a time, at most .* are unpacked"):
        frame = pl.DataFrame(pl.from_arrow(pq.read_schema(path).empty_table()))
        list(read_rows(handle, name, pq.read_metadata(path).num_rows, dict(frame.schema), frozenset()))


@pytest.mark.slow
@given(st.data())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_changed_byte_gives_another_store(world: World, tmp_path_factory, data) -> None:
    """Whichever byte of whichever file is changed: a sentence, or (in a text that says nothing to a store) the same content."""
    root = tmp_path_factory.mktemp("changed")
    folder = root / "export"
    shutil.copytree(world.plain, folder)
    names = sorted(p for p in contents(folder) if p.endswith((".parquet", ".json")))
    path = folder / data.draw(st.sampled_from([*names, *["datapackage.json"] * len(names)]))
    content = bytearray(path.read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    content[at] = data.draw(st.integers(0, 255).filter(lambda b: b != content[at]))
    path.write_bytes(bytes(content))
    try:
        restore(folder, root / "study.duckdb")
    except PoundworthError as error:
        assert "\n" not in str(error) and not list(root.glob("study*"))
    else:
        assert path.name == "datapackage.json" and marks(root / "study.duckdb") == marks(world.store, False)


@pytest.mark.slow
def test_columns_that_came_after_the_export_are_empty(copy: Path, tmp_path: Path) -> None:
    """An export of an earlier version lacks a column that needs no value; its hash is that of the columns it had."""
    with_note = pl.DataFrame(pl.from_arrow(pq.read_table(copy / FILE_OF["run"]))).drop("build")
    rewrite(copy, "run", lambda f: f.drop("oil_c"))
    content = described(copy)
    held = of_table(content, "run")[TABLE_PROPERTY]
    held["columns"].remove("oil_c")
    held["content_hash"] = hash_table(with_note.drop("oil_c"))
    stated = {r[TABLE_PROPERTY]["name"]: r[TABLE_PROPERTY]["content_hash"] for r in content["resources"] if TABLE_PROPERTY in r}
    content[STORE_PROPERTY] |= {"content_hash": hash_tables(stated)}
    describe(copy, content)
    with pytest.raises(FileProblem, match="other columns of the table run .* 'oil_c'"):
        restore(copy, tmp_path / "study.duckdb")
    content[STORE_PROPERTY]["tables_version"] = SCHEMA_VERSION - 1
    describe(copy, content)
    restore(copy, tmp_path / "study.duckdb")
    assert store.read_table(tmp_path / "study.duckdb", "run")["oil_c"].null_count() == 9
    rewrite(copy, "run", lambda f: f.drop("power_kw").with_columns(oil_c=pl.lit(None, pl.Float64)))
    with pytest.raises(FileProblem, match="power_kw is never empty"):
        restore(copy, tmp_path / "new.duckdb")


# -- the place of the store ---------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_store_that_is_there_stays_unless_it_is_to_be_replaced(world: World, tmp_path: Path, raw, runs_text: str) -> None:
    raw.add("one", {"f.csv": runs_text})
    raw.build()
    before = raw.store.read_bytes()
    with pytest.raises(RequestProblem, match="there is a store at .* --replace"):
        restore(world.plain, raw.store)
    assert raw.store.read_bytes() == before
    raw.store.with_name("study.duckdb.wal").write_bytes(b"a log of the store that goes")
    restore(world.plain, raw.store, replace=True)
    assert marks(raw.store) == marks(world.store, False)
    assert [p.name for p in raw.store.parent.iterdir()] == ["study.duckdb"]


def test_a_damaged_export_replaces_nothing(copy: Path, tmp_path: Path, raw, runs_text: str) -> None:
    raw.add("one", {"f.csv": runs_text})
    raw.build()
    before = raw.store.read_bytes()
    rewrite(copy, "repeat_answer", one(other="changed"))
    with pytest.raises(FileProblem, match="table repeat_answer give"):
        restore(copy, raw.store, replace=True)
    assert raw.store.read_bytes() == before and [p.name for p in raw.store.parent.iterdir()] == ["study.duckdb"]


def test_only_a_store_is_replaced(world: World, tmp_path: Path) -> None:
    (tmp_path / "README.md").write_text("mine, and no store at all")
    with pytest.raises(RequestProblem, match="is no store, and only a store is replaced"):
        restore(world.plain, tmp_path / "README.md", replace=True)
    assert (tmp_path / "README.md").read_text().startswith("mine")
    with pytest.raises(RequestProblem, match="is no file"):
        restore(world.plain, tmp_path, replace=True)
    with pytest.raises(RequestProblem, match="no folder"):
        restore(tmp_path / "none", tmp_path / "s.duckdb")
    with pytest.raises(RequestProblem, match="there can be no store"):
        restore(world.plain, tmp_path / ("x" * 5_000))
    (tmp_path / "round").symlink_to(tmp_path / "round")
    with pytest.raises(RequestProblem, match="there can be no store"):
        restore(world.plain, tmp_path / "round")


@pytest.mark.slow
def test_a_link_to_a_store_stays_a_link(world: World, tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    (tmp_path / "study.duckdb").symlink_to(tmp_path / "disk" / "big.duckdb")
    restore(world.plain, tmp_path / "study.duckdb")
    assert (tmp_path / "study.duckdb").is_symlink() and marks(tmp_path / "disk" / "big.duckdb") == marks(world.store, False)


HOLD = "import sys, duckdb\ncon = duckdb.connect(sys.argv[1])\nprint('held', flush=True)\nsys.stdin.read()\n"


@pytest.mark.parametrize("name", ["study.duckdb", pytest.param("study.duckdb.restoring", marks=pytest.mark.slow)])
def test_a_store_in_use_is_left_alone(world: World, tmp_path: Path, name: str) -> None:
    shutil.copy(world.plain_again, tmp_path / name)
    before = (tmp_path / name).read_bytes()
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path / name)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None and holder.stdout.readline().strip() == "held"
        with pytest.raises(StoreProblem, match="another command is .* wait for it to end"):
            restore(world.plain, tmp_path / "study.duckdb", replace=True)
    finally:
        holder.communicate("")
    assert (tmp_path / name).read_bytes() == before


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline import store_restore
from pipeline.restore import restore
from pipeline.restore_checks import check_rows
from pipeline.restore_parquet import read_rows
insert, check = store_restore.insert_rows, store_restore.check_whole
def killed(*args):
    os.kill(os.getpid(), signal.SIGKILL)
def at_change(con, table, frame, path):
    insert(con, table, frame, path)
    if table == "change":
        killed()
if sys.argv[3] == "rows":
    store_restore.insert_rows = at_change
else:
    store_restore.put_in_place = killed
restore(Path(sys.argv[1]), Path(sys.argv[2]), replace=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize("when", ["rows", "moved"])
def test_killed_half_way_it_leaves_what_was_there(world: World, tmp_path: Path, when: str) -> None:
    place = tmp_path / "study.duckdb"
    if when == "moved":
        shutil.copy(world.whole_again, place)
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(world.plain), str(place), when], capture_output=True, text=True, check=False
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert (tmp_path / "study.duckdb.restoring").exists()
    assert marks(place) == marks(world.store) if when == "moved" else not place.exists()
    restore(world.plain, place, replace=True)
    assert marks(place) == marks(world.store, False) and [p.name for p in tmp_path.iterdir()] == ["study.duckdb"]


def test_a_full_disk_or_a_folder_without_rights_is_one_sentence(
    world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(PoundworthError, match="give another --store file|cannot be"):
        restore(world.plain, tmp_path / "file" / "study.duckdb")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.store_restore._sync", full)
    with pytest.raises(StoreProblem, match="No space left on device"):
        restore(world.plain, tmp_path / "study.duckdb")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
