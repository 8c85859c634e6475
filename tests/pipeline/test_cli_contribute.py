"""The commands of contributors as a person and a script see them: add, withdraw, refused."""

from __future__ import annotations

import csv
import json
import os
import pty
import select
import shutil
import sys
import time
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.build import build
from pipeline.cli import cli
from pipeline.errors import PoundworthError, RequestProblem
from pipeline.store import read_table

TABLE = "Engine,Displacement,Power (hp),Boost psi,Odd\nAlder,2.0,150,,x\nAlder,2.0,205,6,y\nBirch,3.0,,,z\n"
TOLD = [
    "--title",
    "Spring tests",
    "--publisher",
    "Quillfen Bench",
    "--licence",
    "CC0-1.0",
    "--set",
    "Displacement=displacement_l",
]
KEEP = """build,power_hp,boost_psi
Alder,150,
Alder,205,6
Birch,240,0
Birch,330,6
Birch,372,9
Cedar,bad,
Dogwood,,
"""
GONE = "build,power_hp,boost_psi\nElm,150,\nElm,210,6\nElm,bad,7\n"
ROOT = Path(__file__).parents[2]


@pytest.fixture
def place(tmp_path):
    (tmp_path / "mine.csv").write_text(TABLE)
    return tmp_path


def run(*words):
    return CliRunner().invoke(cli, [str(w) for w in words])


def add(place, *words, name="mine.csv"):
    return run("add", place / name, "--raw", place / "raw", "--store", place / "s.duckdb", *words)


# -- add ----------------------------------------------------------------------------------------------------------------


def test_options_answer_everything_and_the_outcome_is_said(place):
    done = add(place, *TOLD, "--correction", "SAE J1349", "--measured-at", "crank", "--constant", "induction=turbocharger")
    assert done.exit_code == 0, done.output
    assert "3 rows read: 2 are in" in done.stdout and "line 4: The row has no power figure" in done.stdout
    said = tomllib.loads((place / "raw/quillfen_bench_spring_tests/source.toml").read_text())
    assert said["file"][0]["constants"] == {"induction": "turbocharger", "correction": "sae_j1349", "measured_at": "crank"}
    assert "Not stated" not in done.stderr
    built = run("build", "--raw", place / "raw", "--store", place / "s.duckdb", "--json")
    assert json.loads(built.stdout)["accepted"] == 2


def test_without_a_terminal_everything_needed_is_named_and_nothing_written(place):
    done = add(place)
    assert isinstance(done.exception, RequestProblem)
    for option in ("--title", "--publisher", "--licence", '--set "Displacement=displacement_l"'):
        assert option in str(done.exception)
    assert not (place / "raw").exists()


def test_what_may_stay_open_is_said_aloud(place):
    done = add(place, *TOLD, "--yes")
    assert "Not stated, and left so: To which standard" in done.stderr and "Where was power measured?" in done.stderr
    said = tomllib.loads((place / "raw/quillfen_bench_spring_tests/source.toml").read_text())
    assert "constants" not in said["file"][0]


def test_dry_run_shows_what_the_real_thing_writes_and_writes_nothing(place):
    shown = add(place, *TOLD, "--dry-run")
    assert shown.exit_code == 0 and not (place / "raw").exists()
    assert "3 rows read: 2 would be in" in shown.stdout
    add(place, *TOLD)
    written = (place / "raw/quillfen_bench_spring_tests/source.toml").read_text()
    assert written in shown.stdout + "\n"


def test_dry_run_looks_past_units_that_are_not_told_yet(place):
    done = add(place, "--dry-run")
    assert "Without 'Displacement', whose unit is still to be told" in done.stdout
    assert "3 rows read: 2 would be in" in done.stdout
    assert "l: 2,000 to 3,000 cc" in done.stdout and "which cannot be" in done.stdout
    assert 'title       = ""' in done.stdout


def test_an_unknown_header_gets_the_exact_line(place):
    (place / "mine.csv").write_text("build,hp,Ambiant kpa\nA,150,99\n")
    done = add(place, "--dry-run")
    assert 'headers = { "Ambiant kpa" = "ambient_kpa" }' in done.stderr


def test_json_is_the_list_of_columns_and_alone_on_stdout(place):
    for words in (["--dry-run"], TOLD):
        done = add(place, *words, "--json")
        rows = json.loads(done.stdout)
        assert {"header", "field", "unit", "samples", "suggestions"} <= set(rows[0])
        assert [r["field"] for r in rows] == ["build", "displacement_cc", "power_kw", "boost_kpa", None]


def test_no_row_in_means_nothing_written_unless_asked_for(place):
    (place / "mine.csv").write_text("build,hp,boost psi\nA,x,\nB,y,6\n")
    done = add(place, *TOLD[:6])
    assert isinstance(done.exception, RequestProblem) and "no row would be in" in str(done.exception)
    assert "not a number" in done.stderr and not (place / "raw").exists()
    assert add(place, *TOLD[:6], "--yes").exit_code == 0
    assert (place / "raw/quillfen_bench_spring_tests/mine.csv").exists()


def test_an_edited_file_says_what_changed_and_gets_its_new_hash(place):
    add(place, *TOLD)
    (place / "mine.csv").write_text(TABLE.replace("Birch,3.0,,,z", "Birch,3.0,240,,z"))
    done = add(place)
    assert done.exit_code == 0, done.output
    assert "New version of quillfen_bench_spring_tests/mine.csv" in done.stderr
    assert "1 row changed; 2 as before." in done.stderr and "Power (hp): (empty) -> 240" in done.stderr
    assert "3 rows read: 3 are in" in done.stdout
    assert json.loads(run("build", "--raw", place / "raw", "--store", place / "s.duckdb", "--json").stdout)["refused"] == 0


def test_an_edit_in_place_is_compared_with_the_store(place):
    add(place, *TOLD)
    run("build", "--raw", place / "raw", "--store", place / "s.duckdb")
    held = place / "raw/quillfen_bench_spring_tests/mine.csv"
    held.write_text(TABLE.replace("205", "215"))
    done = run("add", held, "--raw", place / "raw", "--store", place / "s.duckdb")
    assert "1 row changed; 1 as before." in done.stderr and "power_kw" in done.stderr


def test_columns_that_most_rows_fail_on_are_named_with_the_way_out(place):
    (place / "mine.csv").write_text("build,hp,versus\nA,150,0\nB,160,1\n")
    done = add(place, *TOLD[:6], "--dry-run")
    assert '--set "versus="' in done.stdout and "compared_with" in done.stdout
    assert add(place, *TOLD[:6], "--set", "versus=").exit_code == 0


def test_no_escape_sequence_of_a_file_reaches_the_terminal(place):
    (place / "mine.csv").write_text("build,hp,\x1b[31mred\u202e\n" + "Alder two litres,150,\x1b]0;x\x07\n" * 40)
    done = add(place, *TOLD[:6])
    assert "\x1b" not in done.output and "\u202e" not in done.output and "\x07" not in done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--set", "Displacement"], "equals sign"),
        (["--kind", "banana"], "banana"),
        (["--header-line", "0"], "header-line"),
    ],
)
def test_wrong_usage_exits_2(place, words, said):
    done = add(place, *TOLD, *words)
    assert done.exit_code == 2 and said in done.stderr


@pytest.mark.parametrize(
    "words",
    [
        ["--correction", "banana"],
        ["--source", "../x"],
        ["--url", "file:///etc"],
        ["--sheet", "None such"],
        ["--constant", "colour=red"],
    ],
)
def test_what_cannot_be_is_one_sentence_and_nothing_is_written(place, words):
    done = add(place, *TOLD, *words)
    assert isinstance(done.exception, PoundworthError)
    assert "\n" not in str(done.exception) and not (place / "raw").exists()


def test_constants_keep_their_kind(place):
    given = {"tested_on": "2020-01-01", "session": "007", "ambient_kpa": "99.5", "cylinders": "4", "wide_open": "true"}
    words = [w for k, v in given.items() for w in ("--constant", f"{k}={v}")]
    assert add(place, *TOLD, *words).exit_code == 0
    said = tomllib.loads((place / "raw/quillfen_bench_spring_tests/source.toml").read_text())["file"][0]["constants"]
    assert said == {"tested_on": "2020-01-01", "session": "007", "ambient_kpa": 99.5, "cylinders": 4, "wide_open": True}


def talk(words, answers, timeout=60.0):
    """Run the command at a real terminal; each answer is typed when a prompt waits for it."""
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(ROOT)
        os.execv(sys.executable, [sys.executable, "-m", "pipeline.cli", *words])
    shown, typed, start = b"", 0, time.monotonic()
    while time.monotonic() - start < timeout:
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                data = os.read(terminal, 65536)
            except OSError:  # the other end is closed
                break
            if not data:
                break
            shown += data
        elif typed < len(answers) and shown.rstrip(b" ").endswith(answers[typed][0].encode()):
            os.write(terminal, answers[typed][1].encode() + b"\n")
            typed += 1
            shown += b"\n"
    os.close(terminal)  # hangs up, so that a command that still waits for an answer ends
    return shown.decode(), os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), typed


@pytest.mark.slow
def test_at_a_terminal_it_asks_only_what_is_open_and_takes_no_nonsense(place):
    (place / "mine.csv").write_text("engine label,Displacement,hp,versus\nAlder,2.0,150,0\nBirch,3.0,240,1\n")
    answers = [
        ("[no]:", "perhaps"),
        ("[no]:", "no"),
        ("(the engine)?:", "no such column"),
        ("(the engine)?:", "engine label"),
        ("(2.0, 3.0)?:", "hp"),
        ("(2.0, 3.0)?:", "litres"),
        ("title?:", "$(touch evil); `touch evil`"),
        ("measured it?:", "Quillfen Bench"),
        ("be used?:", "CC0-1.0"),
        ("corrected?:", "banana"),
        ("corrected?:", "DIN 70020"),
        ("measured?:", ""),
        ("[y/N]:", "y"),
    ]
    words = ["add", str(place / "mine.csv"), "--raw", str(place / "raw"), "--store", str(place / "s.duckdb")]
    shown, code, typed = talk(words, answers)
    assert (code, typed) == (0, len(answers)), shown
    (toml,) = (place / "raw").glob("*/source.toml")
    said = tomllib.loads(toml.read_text())
    assert said["title"] == "$(touch evil); `touch evil`" and not list(place.rglob("evil"))
    assert said["file"][0]["headers"] == {"engine label": "build", "Displacement": "displacement_l", "versus": ""}
    assert said["file"][0]["constants"] == {"correction": "din_70020"}
    assert "2 rows read: 2 are in" in shown


# -- refused and withdraw -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Two sources in a store, built once."""
    root = tmp_path_factory.mktemp("built")
    for source, text in (("keep", KEEP), ("gone", GONE)):
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


def test_refused_is_grouped_by_reason_with_what_to_do(two):
    done = run("refused", "--store", two.store)
    lines = done.stdout.splitlines()
    assert lines[0] == "number_unreadable: 2 rows" and lines[1].strip().startswith("Correct the cell")
    assert any("keep/f.csv line 7" in text and "'bad'" in text for text in lines)
    assert lines[-1].startswith("3 rows refused")


def test_refused_of_one_source_and_as_csv(two, tmp_path):
    done = run("refused", "--store", two.store, "--source", "gone", "--csv", tmp_path / "mend.csv")
    assert done.exit_code == 0 and "1 refused row written" in done.stderr
    rows = list(csv.DictReader((tmp_path / "mend.csv").open(encoding="utf-8-sig", newline="")))
    assert [(r["refused_source"], r["build"], r["power_hp"]) for r in rows] == [("gone", "Elm", "bad")]
    assert isinstance(run("refused", "--store", two.store, "--source", "gon").exception, RequestProblem)
    assert isinstance(run("refused", "--store", two.store, "--csv", tmp_path / "no" / "x.csv").exception, RequestProblem)


def withdraw(raw, source, out):
    return run("withdraw", source, "--why", "asked for", "--raw", raw.root, "--store", raw.store, "--out", out)


@pytest.fixture
def pages(tmp_path):
    out = tmp_path / "pages"
    out.mkdir()
    (out / "study.html").write_text("shows Elm")
    (out / "holiday.html").write_text("not ours")
    return out


@pytest.mark.slow
def test_withdraw_takes_rows_out_and_deletes_pages_that_show_nothing_else(two, pages, tmp_path):
    withdraw(two, "keep", tmp_path / "no_pages")
    done = withdraw(two, "gone", pages)
    assert done.exit_code == 0, done.output
    assert "gone is withdrawn: asked for" in done.stdout and "1 page in" in done.stderr
    assert read_table(two.store, "run").is_empty()
    assert [p.name for p in pages.iterdir()] == ["holiday.html"]
    assert "(it was before)" in withdraw(two, "gone", pages).stdout
    assert run("withdraw", "keep", "--raw", two.root).exit_code == 2


@pytest.mark.slow
def test_pages_of_what_remains_are_written_anew(two, pages):
    done = withdraw(two, "gone", pages)
    assert done.exit_code == 0, done.output
    assert set(read_table(two.store, "run")["source"]) == {"keep"}
    shown = {p.name: p.read_text() for p in pages.iterdir()}
    assert shown["holiday.html"] == "not ours"
    assert all("Elm" not in text for text in shown.values())
