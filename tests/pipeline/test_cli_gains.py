"""`gains` as a script and a person see it, on a small store of known truth with pairs and curves."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from pipeline import store as store_module
from pipeline.build import build
from pipeline.cli import cli, main
from pipeline.cli.gains import gains_of

ESTIMATE = {"value", "low", "high", "level", "unit", "builds", "runs"}
TOML = 'title = "{0}"\npublisher = "{0}"\nlicence = "CC0-1.0"\nmedium = "magazine"\n[[file]]\nname = "{1}"\nkind = "{2}"\n'


def changes_csv(seed: int) -> str:
    """Camshafts that give 10 %, on engines run without boost, and half of them at 50 kPa too: lambda is 1."""
    rng = np.random.default_rng(seed)
    lines = [
        "build,engine_id,session,measured_at,correction,fuel,displacement_cc,parts,held,retuned_each,induction,before_power_kw,"
        "before_boost_kpa,after_power_kw,after_boost_kpa,ambient_kpa,dyno_type"
    ]
    for i in range(10):
        base, gain = float(rng.uniform(120, 300)), 0.10 + 0.02 * rng.standard_normal()
        for boost in (0, 50) if i % 2 else (0,):
            times = (1 + 0.9 * boost / 100) * np.exp(0.003 * rng.standard_normal(2))
            charger = "turbocharger" if boost else "none"
            lines.append(
                f"engine {seed}-{i},engine {seed}-{i},day {i},crank,sae_j1349,petrol,3000,{'camshaft' if i else 'wings'},boost,yes,"
                f"{charger},{base * times[0]:.1f},{boost},{base * (1 + gain) * times[1]:.1f},{boost},100,engine"
            )
    return "\n".join(lines) + "\n"


def levels_csv(seed: int) -> str:
    rng = np.random.default_rng(seed)
    lines = ["build,session,measured_at,correction,induction,charge_cooling,fuel,power_kw,boost_psi,ambient_kpa,dyno_type"]
    for i in range(12):
        base = float(rng.uniform(100, 400))
        lines.append(f"other {seed}-{i},day {i},crank,sae_j1349,,,,{base:.2f},,99.5,engine")
        for psi in (5, 10):
            made = base * (1 + (0.9 + 0.05 * rng.standard_normal()) * psi * 6.894757 / 99.5)
            lines.append(f"other {seed}-{i},day {i},crank,sae_j1349,turbocharger,air_to_air,petrol,{made:.2f},{psi},99.5,engine")
    return "\n".join(lines) + "\n"


def sweep_csv() -> str:
    """Two curves of one engine: the headers lose 3 kW at the bottom and gain at the top."""
    lines = ["build,run,compared_with,parts,session,measured_at,correction,dyno_type,rpm,power_kw"]
    for run, other, parts in (("stock", "", ""), ("piped", "stock", "headers")):
        for rpm in range(2500, 6501, 50):
            power = 200 * (rpm / 5500) * (1 - ((rpm - 3500) / 8000) ** 2)
            power += (rpm - 3700) / 150 if parts else 0.0
            lines.append(f"swept engine,{run},{other},{parts},one day,crank,sae_j1349,engine,{rpm},{power:.2f}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("gains")
    made = [(f"parts_{n}", "parts.csv", "changes", changes_csv(n)) for n in (1, 2, 3)]
    made += [(f"levels_{n}", "levels.csv", "runs", levels_csv(n)) for n in (4, 5)]
    made.append(("swept", "sweep.csv", "sweep", sweep_csv()))
    for source, file, kind, text in made:
        folder = root / "raw" / source
        folder.mkdir(parents=True)
        (folder / file).write_text(text, encoding="utf-8")
        (folder / "source.toml").write_text(TOML.format(source, file, kind), encoding="utf-8")
    summary = build(root / "raw", root / "study.duckdb")
    assert (summary.count("refused"), summary.changes) == (0, 46)
    return root / "study.duckdb"


def ask(store: Path, *words: str, columns: int = 100) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(cli, [words[0], "--store", str(store), *words[1:]])


@pytest.mark.slow
def test_json_is_what_scripts_rely_on(store):
    rows = json.loads(ask(store, "gains", "--json").stdout)
    assert [row["part"] for row in rows][0] == "camshaft" and {"pairs", "engines", "sentence"} <= set(rows[0])
    for name in ("gain_pct", "new_engine_pct", "growth_under_boost", "not_measurable"):
        assert set(rows[0][name]) >= ESTIMATE
    assert rows[0]["gain_pct"]["low"] < 10 < rows[0]["gain_pct"]["high"]
    assert rows[0]["growth_under_boost"]["low"] < 1 < rows[0]["growth_under_boost"]["high"]
    assert (rows[0]["pairs"], rows[0]["publishers"], rows[0]["boosted_pairs"]) == (27, 3, 15)


def test_every_pair_is_listed_with_its_sentence(store):
    pairs = json.loads(ask(store, "gains", "--pairs", "--json").stdout)
    assert len(pairs) == 46 and all(pair["sentence"] for pair in pairs)
    unknown = [pair for pair in pairs if pair["kind"] == "other"]
    assert len(unknown) == 3 and all(pair["feeds"] == [] and "name it" in pair["sentence"] for pair in unknown)
    shown = ask(store, "gains", "--pairs", "--part", "Camshaft").stdout
    assert shown.count("a real gain") == 42 and " hp, " in shown and "kW" not in shown


@pytest.mark.usefixtures("read_once")
def test_a_curve_over_a_band(store):
    (row,) = json.loads(ask(store, "gains", "--band", "3000-3400 rpm", "--json").stdout)
    assert row["part"] == "headers" and row["average_kw"]["value"] == pytest.approx(-3.33, abs=0.3)
    assert row["band"] == {"low_rpm": 3000.0, "high_rpm": 3400.0}
    assert "headers" in ask(store, "gains", "--band", "4000-6000").stdout


@pytest.mark.usefixtures("read_once")
@pytest.mark.parametrize(("words", "said"), [
    (("--part", "wings"), "pairs of this store change: camshaft"), (("--band", "6000"), "lower first"), (("--band", "9000-9900"), "both cover"),
    (("--band", "3000-4000", "--part", "camshaft"), "has curves"),
])  # fmt: skip
def test_what_cannot_be_served_is_one_sentence(store, words, said, capsys):
    with pytest.raises(SystemExit) as left:
        main(["gains", "--store", str(store), *words])
    told = capsys.readouterr().err
    assert left.value.code == 1 and told.startswith("poundworth: ") and said in told
    assert "Traceback" not in told


@pytest.mark.usefixtures("read_once")
def test_caution_stands_before_the_figures_and_lines_fit(store):
    for columns in (60, 100):
        lines = ask(store, "gains", columns=columns).stdout.splitlines()
        text = "\n".join(lines)
        assert text.index("no tune") < text.index("camshaft") and max(map(len, lines)) <= columns
        assert "Growth under boost" in text


@pytest.mark.slow
def test_study_keeps_the_answers_and_they_are_read_back(store):
    assert ask(store, "study").exit_code == 0
    with store_module.reading(store) as con:
        mark, kept = store_module.read_result(con, "gains")
    results = gains_of(store)
    assert results.fingerprint == mark and len(kept["pairs"]) == len(results.pairs) == 46
    assert gains_of(store) == results
