"""Promises about the project itself: quick help, import direction, a lock without addresses, nothing left behind."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from pipeline.cli import COMMANDS

ROOT = Path(__file__).parent.parent
HEAVY = ("polars", "duckdb", "pandas", "numpy", "scipy", "sklearn", "statsmodels", "altair", "pandera", "pyarrow")


@pytest.mark.parametrize("words", [["--help"], *([name, "--help"] for name in COMMANDS)], ids=lambda w: " ".join(w))
def test_help_imports_nothing_heavy(words):
    code = (
        "import sys\nfrom pipeline.cli import cli\ntry:\n    cli.main(args=sys.argv[1:], prog_name='poundworth')\nexcept SystemExit as end:\n    assert end.code == 0\n"
        f"heavy = [m for m in {HEAVY!r} if m in sys.modules]\nassert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Usage: poundworth" in done.stdout


def test_every_command_help_has_an_example_or_says_what_it_prints():
    for name in COMMANDS:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.cli", name, "--help"], cwd=ROOT, capture_output=True, text=True, check=False
        )
        assert "Example" in done.stdout or name == "dictionary", name


def test_lock_names_no_address():
    text = (ROOT / "requirements.lock").read_text()
    assert "://" not in text and not re.search(r"(?m)(?:^|\s)--(?!hash=sha256:)", text), "no option but hashes"
    assert text.count("--hash=sha256:") > 100


def test_lock_covers_every_declared_dependency():
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*declared["dependencies"], *(d for group in declared["optional-dependencies"].values() for d in group)]
    locked = set(re.findall(r"^([A-Za-z0-9_.-]+)==", (ROOT / "requirements.lock").read_text(), flags=re.M))
    for line in wanted:
        name = re.split(r"[\[<>=]", line)[0].lower()
        assert name in {n.lower() for n in locked}, name


def test_top_level_holds_what_was_agreed():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    top = {p.split("/")[0] for p in tracked}
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "pipeline",
        "models",
        "tests",
        "data_raw",
        "data_clean",
        "reports",
        "requirements.lock",
        "LICENSE",
    }
    assert {t for t in top if not t.startswith(".")} <= agreed


def test_import_contracts_hold():
    done = subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-3000:]


def test_modules_stay_readable():
    for package in ("pipeline", "models", "reports"):
        for path in (ROOT / package).rglob("*.py"):
            assert len(path.read_text().splitlines()) <= 340, f"{path.name} wants splitting by question"


def test_no_test_folder_shadows_a_package():
    assert not list((ROOT / "tests").rglob("__init__.py"))
