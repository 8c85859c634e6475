"""The command line as a script sees it: figures on stdout, notes on stderr, exit codes, JSON shapes."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

from pipeline import store as store_module
from pipeline.cli import cli
from pipeline.errors import PoundworthError

pytestmark = pytest.mark.slow  # the whole demo, or every awkward file, is read; CI runs it too

ESTIMATE = {"value", "low", "high", "level", "unit", "builds", "runs"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The whole way on the demo data, once."""
    root = tmp_path_factory.mktemp("whole")
    paths = {"store": str(root / "study.duckdb"), "out": str(root / "pages")}
    done = CliRunner().invoke(cli, ["run", "--store", paths["store"], "--out", paths["out"]])
    return paths, done


def ask(*words):
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_run_on_the_demo_data_prints_counts_that_balance(demo):
    _, done = demo
    assert done.exit_code == 0, done.output
    line = next(text for text in done.stdout.splitlines() if " rows read = " in text)
    read, accepted, refused, repeated = (
        int("".join(c for c in part if c.isdigit())) for part in line.replace("=", "+").split("+")
    )
    assert read == accepted + refused + repeated > 600
    assert refused > 8 and repeated > 0
    assert "INVENTED DEMO DATA" in done.stdout


def test_build_json(demo):
    paths, _ = demo
    found = ask("build", "--store", paths["store"], "--json")
    assert {
        "files",
        "rows_read",
        "accepted",
        "refused",
        "repeated",
        "builds",
        "runs",
        "sweep_points",
        "changes",
        "flags",
        "by_file",
    } <= set(found)
    assert {"code", "source", "file", "line", "column", "value", "sentence"} <= set(found["flags"][0])
    for row in found["by_file"]:
        assert row["rows_read"] == row["accepted"] + row["refused"] + row["repeated"]
    assert found["changed"] == 0


def test_refused_json(demo):
    paths, _ = demo
    rows = ask("refused", "--store", paths["store"], "--json")
    assert {"source", "file", "line", "reasons", "row"} <= set(rows[0])
    assert {"code", "column", "value", "sentence"} <= set(rows[0]["reasons"][0])
    assert len({reason["code"] for row in rows for reason in row["reasons"]}) >= 8


def test_study_json(demo):
    paths, _ = demo
    found = ask("study", "--store", paths["store"], "--json")
    for name in ("rule_ratio", "between_builds_sd", "new_build_rule_ratio", "curvature", "curvature_within_builds"):
        assert set(found[name]) >= ESTIMATE
        assert found[name]["low"] < found[name]["value"] < found[name]["high"]
    assert 0.85 < found["rule_ratio"]["value"] < 1.0
    assert {"step", "count", "reason"} <= set(found["flow"][0])
    assert len(found["sensitivity"]) >= 10


def test_study_says_when_nothing_changed(demo):
    paths, _ = demo
    done = CliRunner().invoke(cli, ["study", "--store", paths["store"]])
    assert "Nothing changed" in done.stderr
    assert "Nothing changed" not in done.stdout


def test_rules_json(demo):
    paths, _ = demo
    rules = ask("rules", "--store", paths["store"], "--json")
    assert {"id", "statement", "verdict", "estimate", "tolerance", "would_tell"} <= set(rules[0])
    assert {r["verdict"] for r in rules} <= {"holds", "holds with a lean", "does not hold", "cannot tell yet"}


def test_dictionary_json():
    fields = ask("dictionary", "--json")
    assert {"name", "table", "unit", "meaning"} <= set(fields[0])
    assert len(fields) > 80


def test_add_dry_run_json(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("Engine,Max Power (bhp),boost psi,fuel press\nA,300,,4\n")
    rows = ask("add", str(path), "--dry-run", "--json")
    assert {"header", "field", "unit", "samples", "suggestions"} <= set(rows[0])
    assert [r["field"] for r in rows] == ["build", "power_kw", "boost_kpa", None]
    assert not (tmp_path / "source.toml").exists()


def test_wrong_usage_exits_2():
    assert CliRunner().invoke(cli, ["study", "--nonsense"]).exit_code == 2
    assert CliRunner().invoke(cli, ["unheard-of"]).exit_code == 2


def test_what_cannot_be_served_is_one_named_error(tmp_path):
    done = CliRunner().invoke(cli, ["study", "--store", str(tmp_path / "none.duckdb")])
    assert isinstance(done.exception, PoundworthError)
    assert "poundworth build" in str(done.exception)


def test_main_turns_a_named_error_into_one_line(tmp_path, capsys):
    from pipeline.cli import main

    with pytest.raises(SystemExit) as end:
        main(["study", "--store", str(tmp_path / "none.duckdb")])
    assert end.value.code == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_strict_build_exits_1_when_a_row_was_refused(raw, runs_text):
    raw.add("one", {"f.csv": runs_text + "A,,,,,,\n"})
    words = ["build", "--raw", str(raw.root), "--store", str(raw.store)]
    assert CliRunner().invoke(cli, words).exit_code == 0
    assert CliRunner().invoke(cli, [*words, "--strict"]).exit_code == 1


def test_build_where_nothing_loads_exits_1(raw):
    raw.add("one", {"f.csv": b""})
    done = CliRunner().invoke(cli, ["build", "--raw", str(raw.root), "--store", str(raw.store)])
    assert done.exit_code == 1
    assert "skipped one/f.csv" in done.stderr


@pytest.mark.slow
def test_two_processes_make_the_pages_that_one_makes(tmp_path):
    store = tmp_path / "study.duckdb"
    words = ["run", "--store", str(store), "--out", str(tmp_path / "two")]
    subprocess.run([sys.executable, "-m", "pipeline.cli", *words], check=True, capture_output=True, timeout=300)
    with store_module.writing(store) as con:
        kept = {n: store_module.read_result(con, n) for n in ("study", "gains", "offset", "prediction", "next")}
        con.execute("DELETE FROM result")
    ask("report", "--store", str(store), "--out", str(tmp_path / "one"), "--json")
    with store_module.reading(store) as con:
        assert kept == {n: store_module.read_result(con, n) for n in kept}
    pages = {p.name: p.read_bytes() for p in (tmp_path / "two").iterdir()}
    assert pages == {p.name: p.read_bytes() for p in (tmp_path / "one").iterdir()}
    assert len(pages) > 7
