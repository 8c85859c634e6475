"""The way from a raw folder to the store: counts, idempotence, bad files, kinds of record."""

from __future__ import annotations

import hashlib
import shutil
from datetime import date

import polars as pl
import pytest

from pipeline.build import build
from pipeline.errors import SourceProblem, StoreProblem
from pipeline.store import read_table


def flags_of(summary, code):
    return [f for f in summary.flags if f["code"] == code]


def codes_refused(raw):
    frame = read_table(raw.store, "refused")
    return {row["line"]: {r["code"] for r in row["reasons"]} for row in frame.to_dicts()}


def test_counts_balance_and_values_are_canonical(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text})
    summary = raw.build()
    assert (summary.count("rows_read"), summary.count("accepted"), summary.count("refused")) == (5, 5, 0)
    runs = read_table(raw.store, "run")
    assert runs["role"].to_list() == ["baseline", "boosted", "baseline", "boosted", "boosted"]
    assert runs["power_kw"][0] == pytest.approx(150 * 0.7456998715822702)
    assert runs["boost_kpa"][1] == pytest.approx(6 * 6.894757293168361)
    assert runs["run_key"][1] == "alder/runs.csv#3"
    builds = read_table(raw.store, "build")
    assert builds["displacement_cc"].to_list() == [1998.0, 2995.0]


def test_nothing_changed_is_nothing_done(raw, runs_text, read_tables):
    raw.add("alder", {"runs.csv": runs_text})
    first = raw.build()
    before = read_tables(raw.store, "run", "build", "file_seen")
    second = raw.build()
    assert (first.changed, second.changed) == (1, 0)
    assert first.to_json()["by_file"] == second.to_json()["by_file"]
    after = read_tables(raw.store, *before)
    for name, frame in before.items():
        columns = [c for c in frame.columns if c not in ("seen_on", "mtime_ns")]
        assert frame.select(columns).equals(after[name].select(columns), null_equal=True)


def test_changed_file_is_read_again_and_only_that_one(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text})
    raw.add("birch", {"runs.csv": runs_text.replace("Alder", "Elm").replace("150", "151")})
    raw.build()
    raw.add("alder", {"runs.csv": runs_text + "Alder 2.0,1998,231,9,101.0,a,\n"})
    summary = raw.build()
    assert summary.changed == 1
    assert summary.count("rows_read") == 11


def test_gone_file_leaves_the_store(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text})
    raw.add("birch", {"other.csv": runs_text.replace("150", "151")})
    raw.build()
    for path in (raw.root / "birch").iterdir():
        path.unlink()
    (raw.root / "birch").rmdir()
    raw.build()
    assert read_table(raw.store, "run")["source"].unique().to_list() == ["alder"]
    assert read_table(raw.store, "source")["source"].to_list() == ["alder"]


def test_refused_rows_keep_every_reason_and_the_raw_row(raw):
    text = "build,power_hp,boost_psi,torque_lbf_ft,power_rpm,note\nA,150,,,,\nA,see text,6,,,odd one\nA,-200,8,,,\n,210,7,,,\nA,200,6,100,6000,\n"
    raw.add("one", {"f.csv": text})
    summary = raw.build()
    assert summary.count("rows_read") == 5
    assert codes_refused(raw) == {
        3: {"number_unreadable"},
        4: {"power_not_positive"},
        5: {"build_missing"},
        6: {"torque_below_power_peak"},
    }
    rows = read_table(raw.store, "refused").to_dicts()
    assert '"note": "odd one"' in rows[0]["row"] and '"power_hp": "see text"' in rows[0]["row"]


BAD_SOURCES = {
    "licence": ('title = "x"\npublisher = "y"\n[[file]]\nname = "f.csv"\n', ["no licence", "licence ="]),
    "title": ('publisher = "y"\nlicence = "z"\n[[file]]\nname = "f.csv"\n', ["no title"]),
    "unknown-key": (
        'title = "x"\npublisher = "y"\nlicence = "z"\nlicense = "q"\n[[file]]\nname = "f.csv"\n', ["license", "licence"]
    ),
    "javascript": (
        'title = "x"\npublisher = "y"\nlicence = "z"\nurl = "javascript:alert(1)"\n[[file]]\nname = "f.csv"\n', ["http"]
    ),
    "traversal": ('title = "x"\npublisher = "y"\nlicence = "z"\n[[file]]\nname = "../f.csv"\n', ["plain file name"]),
    "no-file": ('title = "x"\npublisher = "y"\nlicence = "z"\n', ["names no file"]),
    "no-toml": ("not toml at all", ["not valid TOML"]),
}  # fmt: skip
BAD_FILES = {
    "empty": (b"", "", ["empty"]),
    "binary": (bytes(range(256)) * 40, "", []),
    "no-power": (b"build,colour\nA,red\n", "", ["no column for power", "'colour'"]),
    "no-build": (b"power_hp,boost_psi\n150,0\n", "", ["no column for build"]),
    "wrong-hash": (
        b"build,power_hp\nA,150\n", f'sha256 = "{"0" * 64}"',
        ["sha256", "0000", hashlib.sha256(b"build,power_hp\nA,150\n").hexdigest()],
    ),
    "lost-override": (b"build,power_hp\nA,150\n", 'headers = { "Motor" = "build" }', ["'Motor'"]),
    "unknown-constant": (b"build,power_hp\nA,150\n", "constants = { altitude_feet_high = 3 }", ["altitude_feet_high"]),
}  # fmt: skip


@pytest.fixture(scope="module")
def with_bad_ones(make_raw, tmp_path_factory, runs_text):
    """What a build says of a good source among all these bad ones."""
    raw = make_raw(tmp_path_factory.mktemp("bad"))
    raw.add("good", {"runs.csv": runs_text})
    for name, (toml, _) in BAD_SOURCES.items():
        raw.add(name, {"f.csv": runs_text}, toml=toml)
    for name, (content, more, _) in BAD_FILES.items():
        raw.add(name, {"f.csv": content}, more=more)
    return raw.build()


def test_each_bad_one_is_named_once_and_the_others_load(with_bad_ones):
    assert with_bad_ones.count("accepted") == 5
    assert sorted(problem.source for problem in with_bad_ones.problems) == sorted([*BAD_SOURCES, *BAD_FILES])


@pytest.mark.parametrize("name", BAD_SOURCES)
def test_bad_source_is_named(with_bad_ones, name):
    (problem,) = [problem for problem in with_bad_ones.problems if problem.source == name]
    for word in BAD_SOURCES[name][1]:
        assert word in problem.problem


@pytest.mark.parametrize("name", BAD_FILES)
def test_bad_file_is_skipped_whole_and_named(with_bad_ones, name):
    (problem,) = [problem for problem in with_bad_ones.problems if problem.source == name]
    assert problem.file == "f.csv"
    assert "\n" not in problem.problem
    for word in BAD_FILES[name][2]:
        assert word in problem.problem


def test_what_the_store_held_of_a_bad_file_stays(raw, runs_text):
    raw.add("one", {"runs.csv": runs_text})
    raw.build()
    raw.add("one", {"runs.csv": b""})
    summary = raw.build()
    assert summary.problems[0].problem
    assert summary.count("accepted") == 5
    assert read_table(raw.store, "run").height == 5
    raw.add("one", {"runs.csv": runs_text})
    assert not raw.build().problems


def test_one_build_described_two_ways(raw):
    text = "build,displacement_cc,power_hp,boost_psi\nA,1998,150,\nA,2400,205,6\nA,1998,220,8\n"
    raw.add("one", {"f.csv": text})
    raw.build()
    assert codes_refused(raw) == {3: {"build_described_twice"}}


def test_manifold_pressure_gives_boost_and_roles(raw):
    text = "build,power_kw,manifold_kpa_abs,ambient_kpa,wide open\nA,60,100.5,101.3,\nA,90,150,101.3,\nA,50,80,101.3,\nA,58,95,101.3,yes\nA,57,95,101.3,\n"
    raw.add("one", {"f.csv": text})
    raw.build()
    runs = read_table(raw.store, "run")
    assert runs["role"].to_list() == ["baseline", "boosted", "throttled", "baseline", "throttled"]
    assert runs["boost_kpa"][1] == pytest.approx(48.7)


def test_levels_give_a_run_for_each_filled_cell(raw):
    text = "Engine,NA hp,6 psi,8 psi\nA,300,420,\nB,250,x,390\nC,,,\n"
    raw.add("one", {"f.csv": text}, kind="levels")
    summary = raw.build()
    assert (summary.count("rows_read"), summary.count("accepted")) == (3, 1)
    assert codes_refused(raw) == {3: {"number_unreadable"}, 4: {"power_missing"}}
    runs = read_table(raw.store, "run")
    assert runs["boost_kpa"].to_list() == [0.0, pytest.approx(6 * 6.894757293168361)]


def test_changes_give_two_runs_and_a_change(raw):
    text = "engine,before_hp,after_hp,parts,session\nA,300,322,cam + springs,s\nB,200,,heads,s\n"
    raw.add("one", {"f.csv": text}, kind="changes")
    summary = raw.build()
    assert (summary.count("rows_read"), summary.count("accepted"), summary.changes, summary.runs) == (2, 1, 1, 2)
    change = read_table(raw.store, "change").row(0, named=True)
    assert change["parts"] == ["camshaft", "valve_springs"]
    runs = read_table(raw.store, "run")
    assert runs["build_key"].n_unique() == 2
    assert read_table(raw.store, "build")["engine_id"].to_list() == ["A", "A"]


def test_runs_may_name_the_run_they_are_compared_with(raw):
    text = (
        "build,run,power_hp,compared_with,parts\nA,one,300,,\nA cam,two,320,one,camshaft\nA head,three,340,nine,cylinder head\n"
    )
    raw.add("one", {"f.csv": text})
    raw.build()
    assert codes_refused(raw) == {4: {"run_unknown"}}
    assert read_table(raw.store, "change")["parts"].to_list() == [["camshaft"]]


def test_pairs_may_span_two_builds(raw):
    text = "baseline_build,baseline_hp,boosted_build,boosted_hp,boost_psi\nA,210,A turbo,310,6\nB,200,B,290,5\n"
    raw.add("one", {"f.csv": text}, kind="pairs")
    summary = raw.build()
    assert (summary.count("accepted"), summary.runs) == (2, 4)
    runs = read_table(raw.store, "run").filter(pl.col("role") == "boosted")
    assert runs["baseline_build_key"].to_list() == ["one|Test Sheet|A", None]


def test_invented_sources_leave_when_a_real_one_comes(raw, runs_text):
    raw.add("demo_a", {"runs.csv": runs_text}, head='title = "t"\npublisher = "p"\nlicence = "CC0-1.0"\ninvented = true\n')
    assert raw.build().count("accepted") == 5
    raw.add("real", {"runs.csv": runs_text.replace("150", "151").replace("240", "241")})
    summary = raw.build()
    assert summary.left_out == ("demo_a",)
    assert read_table(raw.store, "run")["source"].unique().to_list() == ["real"]
    assert raw.build(with_demo=True).count("accepted") == 10


def test_withdrawn_source_leaves_rows_and_keeps_its_ledger_line(raw, runs_text):
    raw.add("one", {"runs.csv": runs_text})
    raw.add("two", {"runs.csv": runs_text.replace("150", "151").replace("240", "241")})
    raw.build()
    (raw.root / "withdrawn.toml").write_text('[[withdrawn]]\nsource = "two"\nwhy = "asked by the publisher"\n')
    summary = raw.build()
    assert {r.source: r.withdrawn for r in summary.by_file} == {"one": None, "two": "asked by the publisher"}
    assert read_table(raw.store, "run")["source"].unique().to_list() == ["one"]
    assert raw.build().changed == 0


def test_republished_test_is_counted_once(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text}, head='title = "t"\npublisher = "First"\nlicence = "x"\npublished_on = 2020-01-01\n')
    again = runs_text.replace("Alder 2.0", "The Alder").replace("power_hp", "power_hp")
    raw.add("zeder", {"runs.csv": again}, head='title = "t"\npublisher = "Second"\nlicence = "x"\npublished_on = 2021-01-01\n')
    summary = raw.build()
    assert summary.count("rows_read") == 10 == summary.count("accepted") + summary.count("repeated")
    assert summary.count("repeated") == 5
    builds = read_table(raw.store, "build")
    assert builds.filter(pl.col("same_test_as").is_not_null())["publisher"].unique().to_list() == ["Second"]


@pytest.mark.parametrize("gone", [False, True])
def test_a_build_stopped_before_its_search_leaves_it_to_the_next_one(raw, runs_text, monkeypatch, gone):
    for name in ("first", "second"):
        raw.add(name, {"runs.csv": runs_text}, head=f'title = "t"\npublisher = "{name}"\nlicence = "x"\n')
    if gone:
        assert raw.build().count("repeated") == 5
        shutil.rmtree(raw.root / "second")
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr("pipeline.store_repeats.search_repeats", lambda *given: (_ for _ in ()).throw(KeyboardInterrupt))
        raw.build()
    summary = raw.build()
    assert summary.changed == 0
    assert summary.count("repeated") == (0 if gone else 5)
    assert read_table(raw.store, "same_test").is_empty() == gone


def test_barometer_reduced_to_sea_level_is_caught(raw):
    text = "build,power_hp,boost_psi,ambient_kpa,altitude_m\nA,150,,101.4,1600\nA,205,6,101.4,1600\n"
    raw.add("one", {"f.csv": text})
    summary = raw.build()
    assert flags_of(summary, "ambient_sea_level")
    assert read_table(raw.store, "run")["ambient_used_kpa"].to_list() == pytest.approx([83.6, 83.6], abs=0.8)


def test_second_writer_gets_one_sentence(raw, runs_text, tmp_path):
    import subprocess
    import sys

    raw.add("one", {"runs.csv": runs_text})
    raw.build()
    code = f"import duckdb,sys,time\nc=duckdb.connect({str(raw.store)!r})\nprint('open',flush=True)\nsys.stdin.read()"
    holder = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline().strip() == "open"
        with pytest.raises(StoreProblem, match=f"process {holder.pid}"):
            raw.build()
        with pytest.raises(StoreProblem, match="is writing"):
            read_table(raw.store, "run")
    finally:
        holder.communicate("")


def test_no_raw_folder(tmp_path):
    with pytest.raises(SourceProblem, match="not a folder"):
        build(tmp_path / "nowhere", tmp_path / "s.duckdb")


def test_repairs_apply_with_their_guard(raw):
    text = "build,power_hp,boost_psi\nA,150,\nA,2050,6\nB,1,\n"
    folder = raw.add("one", {"f.csv": text})
    repair = (
        '[[repair]]\nfile = "f.csv"\nwhere = { build = "A", boost_psi = "6" }\naction = "replace"\ncolumn = "power_hp"\nvalue = "205"\n'
        'reason = "erratum"\nexpect = { column = "power_hp", above = 2000 }\n'
        '[[repair]]\nfile = "f.csv"\nwhere = { build = "B" }\naction = "drop"\nreason = "not an engine"\nexpect = { column = "power_hp", equals = "1" }\n'
    )
    (folder / "repairs.toml").write_text(repair)
    summary = raw.build()
    assert (summary.count("rows_read"), summary.count("refused")) == (3, 1)
    assert codes_refused(raw) == {4: {"repair_dropped"}}
    assert read_table(raw.store, "run")["power_kw"][1] == pytest.approx(205 * 0.7456998715822702)
    assert read_table(raw.store, "repair").height == 2
    raw.add("one", {"f.csv": text.replace("2050", "205")})
    (problem,) = raw.build().problems
    assert "no longer looks wrong" in problem.problem
    assert read_table(raw.store, "run").height == 2


def test_a_date_still_to_come_is_judged_again_once_its_day_has_passed(raw, monkeypatch):
    text = "build,power_hp,boost_psi,tested_on\nAlder,150,,2031-03-05\nAlder,200,6,2031-03-05\n"
    raw.add("alder", {"runs.csv": text})

    class Day(date):
        now = date(2031, 3, 1)

        @classmethod
        def today(cls):
            return cls.now

    monkeypatch.setattr("pipeline.build.date", Day)
    first = build(raw.root, raw.store)
    assert sum(line.refused for line in first.by_file) == 2
    assert build(raw.root, raw.store).changed == 0
    Day.now = date(2031, 3, 6)
    later = build(raw.root, raw.store)
    assert later.changed == 1 and sum(line.refused for line in later.by_file) == 0
    Day.now = date(2031, 3, 7)
    assert build(raw.root, raw.store).changed == 0


def test_a_link_that_leads_to_itself_is_no_source(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text})
    (raw.root / "loop").symlink_to(raw.root / "loop")
    (raw.root / "nowhere").symlink_to(raw.root / "gone")
    summary = raw.build()
    assert [row.source for row in summary.by_file] == ["alder"] and not summary.problems
