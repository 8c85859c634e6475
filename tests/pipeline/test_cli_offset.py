"""`offset` and `choose` as a script and a person see them, on a small store of known truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from pipeline.build import build
from pipeline.cli import cli, main

ESTIMATE = {"value", "low", "high", "level", "unit", "builds", "runs"}


def runs_csv() -> str:
    """40 builds of 5 publishers: turbocharged, cooled, petrol, rule ratio .95 with a slight bend, tested at 5 and 10 psi."""
    rng = np.random.default_rng(12)
    lines = ["publisher,build,session,measured_at,correction,induction,charge_cooling,fuel,power_hp,boost_psi,ambient_kpa"]
    for number in range(40):
        base, slope = float(rng.uniform(150, 500)), 0.95 + 0.06 * rng.standard_normal()
        about = f"Sheet {number % 5},engine {number},day {number},crank,sae_j1349"
        lines.append(f"{about},,,,{base * np.exp(0.01 * rng.standard_normal()):.1f},,99.5")
        for psi in (5, 10):
            x = psi * 6.894757 / 99.5
            made = base * (1 + slope * x - 0.06 * x * (x - 10 / 14.7)) * np.exp(0.01 * rng.standard_normal())
            lines.append(f"{about},turbocharger,air_to_air,petrol,{made:.1f},{psi},99.5")
    return "\n".join(lines) + "\n"


@pytest.fixture(autouse=True)
def _wide(monkeypatch):
    """A terminal of one width, whatever the tests run in."""
    monkeypatch.setenv("COLUMNS", "100")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("offset")
    folder = root / "raw" / "one"
    folder.mkdir(parents=True)
    (folder / "runs.csv").write_text(runs_csv(), encoding="utf-8")
    toml = 'title = "t"\npublisher = "P"\nlicence = "CC0-1.0"\nmedium = "magazine"\n[[file]]\nname = "runs.csv"\nkind = "runs"\n'
    (folder / "source.toml").write_text(toml, encoding="utf-8")
    assert build(root / "raw", root / "study.duckdb").builds == 40
    return root / "study.duckdb"


@pytest.fixture(scope="module")
def ask(store: Path) -> Callable[..., Result]:
    def asked(*words: str) -> Result:
        return CliRunner().invoke(cli, [words[0], "--store", str(store), *words[1:]])

    return asked


def test_offset_json_is_what_scripts_rely_on(ask):
    made = ask("offset", "--na", "400hp", "--gain", "40hp", "--boost", "8psi", "--json")
    assert made.exit_code == 0, made.output
    row = json.loads(made.stdout)
    assert list(row)[0] == "cautions" and {"rule", "at_no_boost", "at_boost", "bounded"} <= set(row)
    assert row["rule"] == pytest.approx(40 / (400 / 14.7)) and row["bounded"] is True and row["unit"] == "psi"
    for name, boost in (("at_no_boost", 0.0), ("at_boost", 8.0)):
        estimate = row[name]
        assert set(estimate) == ESTIMATE and estimate["unit"] == "psi" and estimate["builds"] == 40
        # truth: slope .95 with a bend of -.06 about 10 psi, the gain multiplied in full
        x, s, q, xr = boost / 14.6959, 0.95, -0.06, 10 / 14.7
        share = 0.1 * (1 + s * x + q * x * (x - xr))
        a = s + q * (2 * x - xr)
        right = 14.6959 * 2 * share / (a + (a * a + 4 * q * share) ** 0.5)
        assert estimate["low"] < right < estimate["high"] and estimate["value"] == pytest.approx(right, rel=0.06)


def test_the_same_question_has_the_same_answer_in_either_units_and_each_time(ask):
    us = json.loads(ask("offset", "--na", "400hp", "--gain", "10%", "--json").stdout)
    si = json.loads(ask("offset", "--na", "298.27994863290808kW", "--gain", "10%", "--units", "si", "--json").stdout)
    for end in ("value", "low", "high"):
        assert si["at_no_boost"][end] == pytest.approx(us["at_no_boost"][end] * 6.894757293168361, rel=1e-12)
    assert si["unit"] == "kPa" and us["at_boost"] is None
    assert ask("offset", "--na", "400", "--gain", "40").stdout == ask("offset", "--na", "400hp", "--gain", "40hp").stdout


@pytest.mark.usefixtures("read_once")
def test_a_list_is_the_table_a_writer_wants(ask):
    made = ask("offset", "--na", "300hp,400hp,500hp,600hp,700hp", "--gain", "56hp")
    assert made.exit_code == 0 and made.stdout.index("no tune, no limit and no promise") < made.stdout.index("from none")
    table = [line.split() for line in made.stdout.splitlines() if line.strip().startswith(("300", "400", "500", "600", "700"))]
    # the simple rule: 56 hp over NA / 14.7
    assert [row[2] for row in table] == ["2.74", "2.06", "1.65", "1.37", "1.18"]
    rows = json.loads(ask("offset", "--na", "300hp,400hp", "--gain", "56hp", "--json").stdout)
    assert len(rows) == 2 and rows[0]["at_no_boost"]["value"] > rows[1]["at_no_boost"]["value"]


@pytest.mark.usefixtures("read_once")
def test_choose_json_is_what_scripts_rely_on(ask):
    words = ("--na", "300hp", "--target", "420hp", "--induction", "turbo", "--cooling", "air to air", "--fuel", "petrol")
    made = ask("choose", *words, "--gain", "30hp", "--compressor-rating", "400hp", "--json")
    assert made.exit_code == 0, made.output
    ways = json.loads(made.stdout)
    assert [way["way"] for way in ways] == ["more boost alone", "your own gain alone", "your own gain and more boost"]
    for way in ways:
        assert {"way", "boost", "power", "chance_figure_reached", "cautions"} <= set(way) and way["price"] is None
        assert way["power"]["unit"] == "hp" and way["boost"]["unit"] == "psi" and 0 <= way["chance_figure_reached"] <= 1
        assert any("survival is not estimated" in text for text in way["cautions"])
        assert way["boost"]["value"] <= way["highest_boost"] + 1e-9
    assert ways[0]["compressor_exceeded"] and ways[0]["highest_boost"] == pytest.approx(10.0)
    tight = json.loads(ask("choose", *words, "--max-boost", "3psi", "--json").stdout)
    assert tight[0]["boost"]["value"] == pytest.approx(3.0) and tight[0]["stopped_by"] == "max_boost"


@pytest.mark.usefixtures("read_once")
def test_choose_as_text_puts_cautions_first(ask):
    made = ask(
        "choose", "--na", "300hp", "--target", "900hp", "--induction", "turbo", "--cooling", "air to air", "--fuel", "petrol"
    )
    assert made.exit_code == 0 and made.stdout.index("survival is not estimated") < made.stdout.index("More boost alone")
    assert "held to what was tested" in made.stdout and "under 1%" in made.stdout


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("offset", "--na", "400hp", "--gain", "0hp"), "above zero"), (("offset", "--na", "400hp", "--gain", "-5%"), "above zero"),
        (("offset", "--na", "400hp", "--gain", "40psi"), "unit of pressure"), (("offset", "--na", "400hp", "--gain", "x%"), "no percentage"),
        (("offset", "--na", "1,600hp", "--gain", "40hp"), "can mean thousands"), (("offset", "--na", ",", "--gain", "40hp"), "names 0 engines"),
        (("offset", "--na", "400hp", "--gain", "40hp", "--boost", "22psia"), "absolute pressure"),
        (("offset", "--na", "400hp", "--gain", "40hp", "--induction", "steam"), "is not known"),
        (("offset", "--na", "400hp", "--gain", "40hp", "--induction", "none"), "is not known"),
        (("offset", "--na", "400hp", "--part", "flux_capacitor"), "no gain of the part"),
        (("offset", "--na", "400hp", "--gain", "40hp", "--boost", "8psi", "--made", "300hp"), "swapped"),
        (("choose", "--na", "400hp", "--target", "300hp"), "nothing to choose"),
        (("choose", "--na", "400hp", "--target", "500hp", "--ambient", "14.5psig"), "gauge pressure"),
    ],
)  # fmt: skip
def test_a_request_that_cannot_be_served_is_one_sentence_and_exit_1(store, words, sentence, capsys):
    with pytest.raises(SystemExit) as end:
        main([words[0], "--store", str(store), *words[1:]])
    said = capsys.readouterr()
    assert end.value.code == 1 and sentence in said.err and said.out == "" and said.err.count("\n") == 1


def test_wrong_usage_exits_2(ask):
    assert ask("offset", "--na", "400hp").exit_code == 2
    assert ask("offset", "--na", "400hp", "--gain", "4hp", "--part", "camshaft").exit_code == 2
    assert ask("choose", "--na", "400hp", "--target", "600hp", "--boost", "5", "--boost-now", "6").exit_code == 2


def test_the_model_is_kept_and_not_made_again(ask, store):
    from pipeline import store as store_module

    ask("offset", "--na", "400hp", "--gain", "40hp")
    with store_module.reading(store) as con:
        kept = store_module.read_result(con, "offset")
        study = store_module.read_result(con, "study")
    assert kept is not None and study is not None and kept[0] == study[0] and len(kept[1]["draws"]) == 2048
