"""`claim` as a script and a person see it, on a small store of known truth: one claim, files of claims, what is refused."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from pipeline.build import build
from pipeline.cli import cli, main
from pipeline.cli.claim_reading import CLAIM_WORDS, _column_of
from pipeline.paths import RAW_FOLDER
from tests.pipeline.test_cli_estimate import runs_csv

CHANGES = "publisher,build,engine_id,session,measured_at,correction,parts,before_power_kw,after_power_kw\n"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("claim")
    folder = root / "raw" / "first"
    folder.mkdir(parents=True)
    (folder / "runs.csv").write_text(runs_csv(), encoding="utf-8")
    cams = [(200 + 9 * i, (200 + 9 * i) * (1.06 + 0.004 * (i % 5))) for i in range(12)]
    about = "Sheet {0},cam engine {1},cam {1},day {1},crank,sae_j1349,camshaft,{2},{3:.1f}\n"
    rows = "".join(about.format(i % 4, i, before, after) for i, (before, after) in enumerate(cams))
    (folder / "pairs.csv").write_text(CHANGES + rows, encoding="utf-8")
    head = 'title = "T"\npublisher = "P"\nlicence = "CC0-1.0"\nmedium = "magazine"\n'
    files = "".join(
        f'[[file]]\nname = "{name}.csv"\nkind = "{kind}"\n' for name, kind in (("runs", "runs"), ("pairs", "changes"))
    )
    (folder / "source.toml").write_text(head + files, encoding="utf-8")
    build(root / "raw", root / "study.duckdb")
    return root / "study.duckdb"


@pytest.fixture(scope="module")
def ask(store: Path) -> Callable[..., Result]:
    def asked(*words: str, columns: int = 100) -> Result:
        return CliRunner(env={"COLUMNS": str(columns)}).invoke(cli, ["claim", "--store", str(store), *words])

    return asked


POWER = ("--na", "340hp", "--boost", "9psi", "--made")


@pytest.mark.slow
def test_json_has_the_shape_that_scripts_rely_on(ask):
    said = json.loads(ask(*POWER, "900hp", "--json").stdout)
    assert {"verdict", "percentile", "expected", "sentence", "evidence"} <= set(said)
    assert said["verdict"] == "beyond the evidence" and said["percentile"] > 95 and said["cautions"]
    assert set(said["expected"]) == {"value", "low80", "high80", "low95", "high95", "unit"}
    assert said["claimed"] == pytest.approx(900) and said["rule_power"] == pytest.approx(340 * (1 + 9 / 14.69595), rel=1e-5)
    assert {"publisher", "build", "sentence", "would_be", "reaches_claim"} <= set(said["evidence"][0])
    assert said["conditions"] and said["sentence_to_avoid"]


@pytest.mark.slow
def test_the_expectation_is_that_of_the_estimate(ask, store):
    said = json.loads(ask(*POWER, "520hp", "--json").stdout)["expected"]
    other = CliRunner().invoke(cli, ["estimate", "--store", str(store), "--na", "340hp", "--boost", "9psi", "--json"])
    assert json.loads(other.stdout)["power"] == pytest.approx(said)


def test_other_units_say_the_same(ask):
    us, si = (json.loads(ask(*POWER, "600hp", "--json", "--units", units).stdout) for units in ("us", "si"))
    assert us["verdict"] == si["verdict"] and si["expected"]["value"] == pytest.approx(
        us["expected"]["value"] * 0.745699872, rel=1e-6
    )
    assert " hp" not in si["sentence"].replace("\u202f", " ")


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize("columns", [60, 100])
def test_cautions_come_before_any_figure_and_lines_fit(ask, columns):
    text = ask(*POWER, "900hp", columns=columns).stdout
    assert text.startswith("More boost raises cylinder pressure") and text.index("cylinder pressure") < text.index("900 hp")
    assert max(len(line) for line in text.splitlines()) <= columns
    assert "To print:" in text and "To avoid:" in text


def test_a_part_a_yield_and_a_rule(ask):
    part = json.loads(ask("--na", "300hp", "--part", "cam", "--gain", "20hp", "--json").stdout)
    assert (
        part["kind"] == "part" and part["verdict"] == "in line" and part["expected"]["value"] == pytest.approx(300 * 0.068, abs=4)
    )
    share = json.loads(ask("--na", "300hp", "--part", "cam", "--gain", "6.667%", "--json").stdout)
    assert share["claimed"] == pytest.approx(20.0, abs=0.01)
    per_psi = json.loads(ask("--na", "400hp", "--hp-per-psi", "26", "--json").stdout)
    assert per_psi["kind"] == "yield" and any("states no boost" in one for one in per_psi["caveats"])
    assert per_psi["claimed"] == pytest.approx(400 + 26 * 10, rel=2e-3)
    rule = json.loads(ask("--rule", "na power over 14.7", "--json").stdout)
    assert rule["kind"] == "rule" and rule["figure"]["value"] is not None and rule["cautions"] == []


FILE = (
    "Claimed by;NA hp;Boost (psi);Made hp;Part;Gain hp;hp per psi;Rule;Cooling\n"
    "A writer;340;9;520;;;;;air to air\n=1+1;340;9;900;;;;;\n<b>x</b>;340;9;360;;;;;\nShop;300;;;cam;20;;;\nAnother;300;;;turbine wheel;20;;;\n"
    "Per psi;400;10;;;;27;;\nRule;;;;;;;na_power_over_14_7;\nNo power;;8;700;;;;;\nWords;four;8;700;;;;;\nIn kW;250 kW;0.6 bar;380 kW;;;;;\n"
)


@pytest.mark.usefixtures("read_once")
def test_every_row_of_a_file_is_judged_or_says_why(ask, tmp_path):
    (tmp_path / "claims.csv").write_text(FILE, encoding="utf-8")
    said = json.loads(ask("--file", str(tmp_path / "claims.csv"), "--json").stdout)
    verdicts = [one["verdict"] for one in said["claims"]]
    assert len(verdicts) == 10 and verdicts[:3] == ["in line", "beyond the evidence", "low"]
    assert verdicts[3] == "in line" and [verdicts[i] for i in (4, 7, 8)] == [None] * 3
    problems = {one["line"]: one["problem"] for one in said["claims"] if one["problem"]}
    assert "no na" in problems[9] and "'four'" in problems[10] and "turbine wheel" in problems[6]
    assert said["counts"]["not read"] == 3 and sum(said["counts"].values()) == 10
    assert said["claims"][9]["claimed"] == pytest.approx(380 / 0.745699872, rel=1e-6)
    assert said["claims"][0]["given"]["NA hp"] == "340"


@pytest.mark.usefixtures("read_once")
def test_the_table_as_csv_holds_every_row_and_no_formula(ask, tmp_path):
    (tmp_path / "claims.csv").write_text(FILE, encoding="utf-8")
    result = ask("--file", str(tmp_path / "claims.csv"), "--csv", str(tmp_path / "out" / "judged.csv"))
    assert result.exit_code == 0 and "10 claims:" in result.stdout
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / "judged.csv").read_text(encoding="utf-8"))))
    assert len(rows) == 10 and rows[1]["name"] == "'=1+1" and rows[2]["name"] == "<b>x</b>"
    assert float(rows[0]["low80_hp"]) < float(rows[0]["value_hp"]) < float(rows[0]["high80_hp"])
    assert rows[8]["verdict"] == "not read" and rows[8]["claimed_hp"] == ""


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize("columns", [60, 100])
def test_a_file_reads_as_a_table_or_as_lines(ask, tmp_path, columns):
    (tmp_path / "claims.csv").write_text(FILE, encoding="utf-8")
    text = ask("--file", str(tmp_path / "claims.csv"), columns=columns).stdout
    assert "A writer" in text and "in line" in text.lower() and "3 not read" in text
    assert max(len(line) for line in text.splitlines()) <= max(columns, 88)


@pytest.mark.usefixtures("read_once")
def test_workbooks_are_read_too(ask, tmp_path):
    import xlsxwriter

    with xlsxwriter.Workbook(tmp_path / "claims.xlsx") as book:
        sheet = book.add_worksheet()
        for i, row in enumerate((("na_hp", "boost_psi", "made_hp"), (340, 9, 520))):
            sheet.write_row(i, 0, row)
    said = json.loads(ask("--file", str(tmp_path / "claims.xlsx"), "--json").stdout)
    assert [one["verdict"] for one in said["claims"]] == ["in line"]


def test_spellings_are_each_of_one_thing():
    every = [spelling for spellings in CLAIM_WORDS.values() for spelling in spellings]
    assert len(every) == len(set(every))
    for name, spellings in CLAIM_WORDS.items():
        assert all(_column_of(one)[0] == name for one in spellings)
    assert _column_of("made_hp") == ("made", "hp") and _column_of("Boost (bar)") == ("boost", "bar")
    assert _column_of("charge cooling")[0] == "cooling" and _column_of("shoe size") is None


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "nothing that can be judged"),
        (("--na", "340hp", "--boost", "9psi"), "nothing that can be judged"),
        ((*POWER, "520hp", "--rule", "x"), "made and rule"),
        (("--boost", "9psi", "--made", "520hp"), "states no na"),
        (("--na", "340hp", "--gain", "20hp"), "states no part"),
        (("--na", "340hp", "--part", "warp drive", "--gain", "20hp"), "is not known"),
        (("--na", "340hp", "--part", "cam", "--gain", "400hp"), "at most the engine's own output"),
        (("--na", "340hp", "--boost", "9furlong", "--made", "520hp"), "not a unit known"),
        (("--na", "-340hp", "--boost", "9psi", "--made", "520hp"), "what an engine can have"),
        (("--na", "340hp", "--boost", "9psi", "--made", "0hp"), "what an engine makes"),
        (("--na", "340hp", "--hp-per-psi", "-4"), "lies above 0"),
        (("--rule", "nobody_said_so"), "judges"),
        (("--na", "340hp", "--boost", "9psi", "--made", "520hp", "--cooling", "warm"), "is not known"),
    ],
)
def test_what_cannot_be_judged_is_one_sentence_and_no_number(store, capsys, words, said):
    with pytest.raises(SystemExit) as stop:
        main(["claim", "--store", str(store), *words])
    shown = capsys.readouterr()
    assert stop.value.code == 1 and said in shown.err and shown.out == "" and "Traceback" not in shown.err


@pytest.mark.parametrize("words", [("--csv", "x.csv"), ("--page", "x.html"), ("--file", "x.csv", "--na", "300hp")])
def test_wrong_use_is_told_as_such(ask, words):
    assert ask(*words).exit_code == 2


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "\x00\x01", "na_hp\n300\n"])
def test_a_file_without_claims_is_told(store, capsys, tmp_path, text):
    (tmp_path / "claims.csv").write_bytes(text.encode())
    with pytest.raises(SystemExit) as stop:
        main(["claim", "--store", str(store), "--file", str(tmp_path / "claims.csv")])
    assert stop.value.code == 1 and "claims.csv" in capsys.readouterr().err


def test_an_empty_store_is_told(capsys, tmp_path):
    with pytest.raises(SystemExit) as stop:
        main(["claim", "--store", str(tmp_path / "none.duckdb"), *POWER, "520hp"])
    assert stop.value.code == 1 and "no store" in capsys.readouterr().err


@pytest.mark.slow
def test_seven_hundred_hp_at_twelve_psi_is_in_line_on_the_demo(tmp_path):
    """401 hp without boost, just over 700 hp at 12.3 psi; the rule says 737 (common practice, no published source)."""
    build(RAW_FOLDER, tmp_path / "demo.duckdb", with_demo=True)
    words = [
        "claim",
        "--store",
        str(tmp_path / "demo.duckdb"),
        "--na",
        "401hp",
        "--boost",
        "12.3psi",
        "--made",
        "703hp",
        "--json",
    ]
    said = json.loads(CliRunner().invoke(cli, words).stdout)
    assert said["verdict"] == "in line" and said["rule_power"] == pytest.approx(737, abs=1)
