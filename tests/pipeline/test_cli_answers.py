"""`study` and `rules` as a script and a person see them, on a small store of known truth."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from pipeline.build import build
from pipeline.cli import cli, main

ESTIMATE = {"value", "low", "high", "level", "unit", "builds", "runs"}


def runs_csv(publishers: range, seed: int) -> str:
    rng = np.random.default_rng(seed)
    lines = ["publisher,build,session,measured_at,correction,induction,charge_cooling,fuel,power_kw,boost_psi,ambient_kpa"]
    for g in publishers:
        for i in range(8):
            base, cooled = float(rng.uniform(60, 400)), i % 4 != 0
            slope = (0.95 if cooled else 0.78) + 0.05 * rng.standard_normal()
            about = f"Sheet {g},engine {g}-{i},day {i},crank,sae_j1349"
            lines.append(f"{about},,,,{base * np.exp(0.01 * rng.standard_normal()):.2f},,99.5")
            for psi in (5, 10):
                x = psi * 6.894757 / 99.5
                made = base * (1 + slope * x - 0.06 * x * (x - 10 / 14.7)) * np.exp(0.01 * rng.standard_normal())
                cooling = "air_to_air" if cooled else "none"
                lines.append(f"{about},turbocharger,{cooling},petrol,{made:.2f},{psi},99.5")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("answers")
    for source, publishers in (("first", range(4)), ("second", range(4, 6))):
        folder = root / "raw" / source
        folder.mkdir(parents=True)
        (folder / "runs.csv").write_text(runs_csv(publishers, len(source)), encoding="utf-8")
        toml = f'title = "{source}"\npublisher = "P"\nlicence = "CC0-1.0"\nmedium = "magazine"\n[[file]]\nname = "runs.csv"\nkind = "runs"\n'
        (folder / "source.toml").write_text(toml, encoding="utf-8")
    summary = build(root / "raw", root / "study.duckdb")
    assert (summary.runs, summary.builds) == (144, 48)
    return root / "study.duckdb"


@pytest.fixture(scope="module")
def ask(store: Path) -> Callable[..., Result]:
    def asked(*words: str) -> Result:
        return CliRunner().invoke(cli, [words[0], "--store", str(store), *words[1:]])

    return asked


@pytest.fixture(scope="module")
def study(ask: Callable[..., Result]) -> dict[str, Any]:
    done = ask("study", "--json")
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_study_json_has_the_shape_that_scripts_rely_on(study):
    for name in ("rule_ratio", "between_builds_sd", "new_build_rule_ratio", "curvature", "curvature_within_builds", "elasticity"):
        assert set(study[name]) >= ESTIMATE
    assert study["rule_within_10pct"]["mean"] in ("holds", "not shown", "does not hold")
    assert set(study["rule_within_10pct"]["share_of_builds"]) >= ESTIMATE
    driver = next(one for one in study["drivers"] if one["name"] == "charge_cooling" and one["difference"]["value"] is not None)
    assert set(driver) >= {"name", "level", "against", "difference"} and set(driver["difference"]) >= ESTIMATE
    for one in study["deviators"]:
        assert set(one) >= {"publisher", "build", "kind", "rule_ratio", "expected", "q_value", "causes"}
    assert study["selection"]["sentence"] and isinstance(study["selection"]["lines"], list)
    assert all(set(line) >= {"name", "rule_ratio"} for line in study["sensitivity"]) and len(study["sensitivity"]) >= 14
    assert all(set(step) == {"step", "count", "reason"} for step in study["flow"])
    assert {one["name"] for one in study["figures"]} > {"rule_ratio", "last_over_first", "charge_cooling"}
    assert "why" not in study["rule_ratio"] and study["subset"] == ""


def test_truth_comes_back(study):
    """A quarter at .78, the rest at .95: .9075; cooling is worth .17."""
    assert study["rule_ratio"]["low"] < 0.9075 < study["rule_ratio"]["high"]
    cooling = next(one["estimate"] for one in study["figures"] if one["name"] == "charge_cooling")
    assert cooling["low"] < 0.17 < cooling["high"] and cooling["low"] > 0


@pytest.mark.slow
def test_nothing_changed_is_said_and_a_part_is_never_kept(ask, study):
    done = ask("study")
    assert "Nothing changed since the last study." in done.stderr
    part = ask("study", "--where", "charge_cooling = air_to_air")
    assert part.exit_code == 0 and "Fitted anew." in part.stderr
    assert part.stdout.startswith("Only a part of the data: runs where charge_cooling = air_to_air.")
    again = json.loads(ask("study", "--json").stdout)
    assert again == study


@pytest.mark.slow
def test_a_part_is_studied_alone(ask, study):
    part = json.loads(ask("study", "--where", "charge_cooling = air_to_air", "--drop-source", "second", "--json").stdout)
    assert part["rule_ratio"]["builds"] == 24 < study["rule_ratio"]["builds"] == 48
    assert part["rule_ratio"]["value"] > study["rule_ratio"]["value"] + 0.02
    left = [step for step in part["flow"] if step["step"] == "runs left out as asked"]
    assert [step["count"] for step in left] == [48, 16]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--where", "induction = turbo"), "allowed is none, turbocharger"),
        (("--where", "powr_kw > 3"), "nearest are power_kw"),
        (("--where", "power_kw >"), "a value must stand"),
        (("--drop-source", "frist"), "such as first"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence_and_exit_1(store, words, says, capsys):
    with pytest.raises(SystemExit) as end:
        main(["study", "--store", str(store), *words])
    told = capsys.readouterr().err
    assert end.value.code == 1 and says in told and told.count("\n") == 1


def test_nothing_left_is_an_answer(ask):
    part = json.loads(ask("study", "--where", "power_kw > 9000kW", "--json").stdout)
    assert part["rule_ratio"]["value"] is None and part["rule_ratio"]["why"]


def test_rules_are_listed_with_verdicts(ask):
    rules = json.loads(ask("rules", "--json").stdout)
    assert len(rules) == 19
    assert all(set(rule) >= {"id", "statement", "verdict", "estimate", "tolerance", "would_tell"} for rule in rules)
    verdicts = {rule["id"]: rule["verdict"] for rule in rules}
    assert verdicts["cooling_raises_yield"] == "holds" and verdicts["wheel_fifteen_percent_below_crank"] == "cannot tell yet"
    text = ask("rules").stdout
    assert "HOLDS: Charge cooling raises what a psi is worth." in text and "What would tell: " in text


def test_rules_of_the_readers_own(ask, tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(
        '[[rule]]\nid = "half"\nstatement = "Half."\nestimate = "rule_ratio"\nlow = 0.4\nhigh = 0.6\n', encoding="utf-8"
    )
    (verdict,) = json.loads(ask("rules", "--file", str(mine), "--json").stdout)
    assert (verdict["id"], verdict["verdict"]) == ("half", "does not hold")
    figures = ask("rules", "--figures")
    assert figures.exit_code == 0 and "last_over_first" in figures.stdout


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"[[rule]]\nid = 1", b"", b"x" * 1_000_001, None])
def test_a_file_that_holds_no_rules_is_one_sentence(store, tmp_path, content, capsys):
    path = tmp_path / "rules.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SystemExit) as end:
        main(["rules", "--store", str(store), "--file", str(path)])
    told = capsys.readouterr().err
    assert end.value.code == 1 and "rules.toml" in told and told.count("\n") == 1
