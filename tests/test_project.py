"""Promises about the project itself: quick help, import direction, a lock without addresses, nothing left behind."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

from pipeline.cli import COMMANDS

ROOT = Path(__file__).parent.parent
HEAVY = ("polars", "duckdb", "pandas", "numpy", "scipy", "sklearn", "statsmodels", "altair", "pandera", "pyarrow")


#: Prints the help of each command, after each what heavy thing has been imported by then.
HELP = f"""
import sys
from pipeline.cli import cli
for words in ([], *([name] for name in sys.argv[1:])):
    try:
        cli.main(args=[*words, "--help"], prog_name="poundworth")
    except SystemExit as end:
        print("exit", end.code, [m for m in {HEAVY!r} if m in sys.modules], end="\\f")
"""


def test_help_imports_nothing_heavy_and_has_an_example_or_says_what_it_prints():
    done = subprocess.run([sys.executable, "-c", HELP, *COMMANDS], cwd=ROOT, capture_output=True, text=True, check=False)
    said = done.stdout.split("\f")[:-1]
    assert done.returncode == 0 and len(said) == 1 + len(COMMANDS), done.stderr
    for name, text in zip(("", *COMMANDS), said, strict=True):
        assert text.startswith(f"Usage: poundworth {name}") and text.endswith("exit 0 []"), text
        assert "Example" in text or name in ("", "dictionary"), name


def test_the_package_of_commands_is_itself_a_command():
    done = subprocess.run([sys.executable, "-m", "pipeline.cli", "--help"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and done.stdout.startswith("Usage: poundworth"), done.stderr


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
