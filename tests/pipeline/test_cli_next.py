"""`next` as a script and a person see it, on a small simulated study."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from models.simulate import simulate_study
from models.simulate_worlds import world
from pipeline.build import build
from pipeline.cli import cli

pytestmark = pytest.mark.slow

TOML = 'title = "{0}"\npublisher = "{0}"\nlicence = "CC0-1.0"\n[[file]]\nname = "runs.csv"\nkind = "runs"\n'


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A store of twelve publishers, built from files."""
    place = tmp_path_factory.mktemp("next")
    made = simulate_study(world("base", 60), 11)
    builds = made.builds.select("build_key", "publisher", "build")
    rows = made.runs.drop("publisher", "build", strict=False).join(builds, on="build_key")
    columns = [
        "build",
        "session",
        "power_kw",
        "boost_kpa",
        "induction",
        "charge_cooling",
        "fuel",
        "ambient_kpa",
        "measured_at",
        "correction",
    ]
    kept = [name for name in columns if name in rows.columns]
    for number, (publisher,) in enumerate(rows.select("publisher").unique().sort("publisher").iter_rows()):
        folder = place / "raw" / f"s{number:02d}"
        folder.mkdir(parents=True)
        (folder / "source.toml").write_text(TOML.format(publisher))
        rows.filter(publisher=publisher).select(kept).write_csv(folder / "runs.csv")
    build(place / "raw", place / "s.duckdb")
    return place / "s.duckdb"


def ask(store, *words):
    return CliRunner().invoke(cli, ["next", "--store", str(store), *words], terminal_width=100)


def test_json_is_a_list_of_tests_best_first(store):
    done = ask(store, "--ask", "mean", "--json")
    assert done.exit_code == 0, done.output
    tests = json.loads(done.stdout)
    assert tests and all({"test", "narrows_pct", "why"} <= set(one) for one in tests)
    narrows = [one["narrows_pct"] for one in tests]
    assert narrows == sorted(narrows, reverse=True) and narrows[0] > 0
    assert all(one["levels_kpa"] == [] for one in tests), "without a limit no boost is named"


def test_no_boost_beyond_the_limit_is_named(store):
    tests = json.loads(ask(store, "--ask", "curvature", "--max-boost", "6psi", "--json").stdout)
    named = [level for one in tests for level in one["levels_kpa"]]
    assert named and max(named) <= 6 * 6.894757294


def test_text_puts_the_caution_and_what_is_known_first(store):
    done = ask(store, "--ask", "mean", "--max-boost", "8psi")
    assert done.exit_code == 0, done.output
    text = done.stdout
    assert "8.0 psi" in text
    assert text.index("qualified calibrator") < text.index("Known now") < text.index("narrower")


def test_boosts_are_named_in_the_units_asked_for(store):
    done = ask(store, "--ask", "curvature", "--max-boost", "50kPa", "--units", "si")
    assert done.exit_code == 0, done.output
    assert "50.0 kPa" in done.stdout and "psi" not in done.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--ask", "nothing"), "can plan for mean"),
        (("--ask", "mean", "--max-boost", "12zz"), "12zz"),
        (("--ask", "mean", "--max-boost", "12hp"), "12hp"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence(store, words, told):
    done = ask(store, *words)
    assert done.exit_code == 1
    assert told in str(done.exception or "") + done.output
