"""`poundworth compare` as a person and a script see it: an answer, and not a byte written anywhere."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.build import build
from pipeline.cli import cli
from pipeline.cli.answers import study_of
from pipeline.errors import PoundworthError, RequestProblem

pytestmark = pytest.mark.slow

SATURDAY = """build,run,session,pull_order,induction,charge_cooling,power_hp,boost_psi,compared_with,parts,held
Our Four,b1,sat,1,turbocharger,air to air,150.2,0,,,
Our Four,b2,sat,2,turbocharger,air to air,151.0,0,,,
Our Four,t1,sat,3,turbocharger,air to air,208.4,6.1,,,
Our Four cam,c1,sat,4,turbocharger,air to air,160.4,0,b2,camshaft,boost
Our Four,b3,sat,5,turbocharger,air to air,148.0,0,,,
Our Four,x,sat,6,turbocharger,air to air,,5,,,
"""


def hashes(*roots: Path) -> dict[str, str]:
    files = [p for root in roots for p in (sorted(root.rglob("*")) if root.is_dir() else [root]) if p.is_file()]
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A raw folder, its store with a kept study, and a private file outside of both."""
    root = tmp_path_factory.mktemp("compare")
    (root / "raw" / "one").mkdir(parents=True)
    rows = ["build,publisher,power_hp,boost_psi,ambient_kpa,induction,charge_cooling"]
    for i in range(9):
        base, like = 150 + 20 * i, "turbocharger,air to air"
        rows.append(f"E{i},Pub {i % 3},{base},,101.0,{like}")
        rows += [f"E{i},Pub {i % 3},{base * (1 + (0.86 + 0.02 * i) * psi / 14.65):.1f},{psi},101.0,{like}" for psi in (6, 10)]
    (root / "raw" / "one" / "file.csv").write_text("\n".join(rows) + "\n")
    (root / "raw" / "one" / "source.toml").write_text(
        'title = "A test"\npublisher = "Sheet"\nlicence = "CC0-1.0"\n[[file]]\nname = "file.csv"\nkind = "runs"\n'
    )
    store = root / "clean" / "study.duckdb"
    build(root / "raw", store)
    study_of(store)
    (root / "mine").mkdir()
    (root / "mine" / "saturday.csv").write_text(SATURDAY)
    return root


def call(place: Path, *args: str, file: str = "saturday.csv", columns: int = 100):
    runner = CliRunner(env={"COLUMNS": str(columns)})
    command = ["compare", str(place / "mine" / file), "--store", str(place / "clean" / "study.duckdb"), *args]
    return runner.invoke(cli, command, catch_exceptions=True)


def test_everything_is_answered_and_nothing_written(place, monkeypatch):
    monkeypatch.chdir(place / "mine")
    before = hashes(place)
    answer = call(place)
    assert answer.exit_code == 0, answer.output
    assert hashes(place) == before
    text = answer.stdout
    assert text.startswith("More boost raises cylinder pressure")
    assert text.index("no tune") < text.index("BUILDS") < text.index("CHANGES") < text.index("HOW WELL THE DYNO REPEATS: SAT")
    assert "Our Four gives" in text and "camshaft: +6." in text and "line 7: The row has no power figure" in text


def test_a_study_out_of_date_is_fitted_for_the_answer_and_not_kept(place, monkeypatch):
    monkeypatch.setattr("pipeline.cli.study_made._models_mark", lambda: "other")
    before = hashes(place)
    answer = call(place)
    assert answer.exit_code == 0
    assert "out of date" in answer.stderr
    assert hashes(place) == before


def test_json_says_what_the_text_says(place):
    told = json.loads(call(place, "--json").stdout)
    assert told["stored"] is False and told["invented"] is False
    assert (told["read"]["rows_read"], told["read"]["accepted"], told["read"]["refused"][0]["line"]) == (6, 5, 7)
    (build_told,) = told["builds"]
    assert set(build_told["rule_ratio"]) >= {"value", "low", "high", "level", "unit", "builds", "runs"}
    assert build_told["standing"]["others"] == 9
    assert told["changes"][0]["parts"] == ["camshaft"]
    assert told["repeatability"][0]["drift_states"] == 1
    assert told["cautions"]


def test_what_the_file_cannot_say_is_told_by_options(place):
    (place / "mine" / "own.csv").write_text("Motor,Leistung,Ladedruck bar\nOur Four,110,\nOur Four,152,0.42\n")
    lacking = call(place, file="own.csv")
    assert isinstance(lacking.exception, RequestProblem)
    assert "not guessed" in str(lacking.exception) and "--set" in str(lacking.exception)
    told = call(
        place,
        "--set",
        "Leistung=power_kw",
        "--constant",
        "induction=turbocharger",
        "--measured-at",
        "crank",
        "--json",
        file="own.csv",
    )
    assert told.exit_code == 0, told.output
    (build_told,) = json.loads(told.stdout)["builds"]
    assert build_told["measured_at"] == "crank"
    assert build_told["rule_ratio"]["value"] == pytest.approx((152 / 110 - 1) / (42 / 101.325), abs=0.02)


def test_lines_fit_a_narrow_terminal_and_hostile_names_stay_text(place):
    (place / "mine" / "bad.csv").write_text(SATURDAY.replace("Our Four,", "\u202e=cmd<b>,"))
    answer = call(place, file="bad.csv", columns=60)
    assert answer.exit_code == 0, answer.output
    assert "\u202e" not in answer.output
    assert max(len(line) for line in answer.stdout.splitlines()) <= 60


@pytest.mark.parametrize(
    ("name", "content"),
    [("none.csv", None), ("empty.csv", ""), ("words.csv", "hello\nthere\n"), ("zip.xlsx", "PK\x03\x04 no workbook"),
     ("refused.csv", "build,power_hp,boost_psi\nA,,\nA,x,5\n")],
)  # fmt: skip
def test_files_that_are_no_session_end_in_one_sentence(place, name, content):
    if content is not None:
        (place / "mine" / name).write_text(content)
    answer = call(place, file=name)
    assert isinstance(answer.exception, PoundworthError)
    assert name in str(answer.exception)


def test_a_source_toml_beside_the_file_is_read(place):
    before = hashes(place)
    runner = CliRunner()
    file, store = place / "raw" / "one" / "file.csv", place / "clean" / "study.duckdb"
    answer = runner.invoke(cli, ["compare", str(file), "--store", str(store), "--json"])
    told = json.loads(answer.stdout)
    assert len(told["builds"]) == 9
    assert all("Pub" in one["repeats"] for one in told["builds"])
    assert hashes(place) == before
