"""What the project is made of: the licence of each dependency is known, and the same sources make the same wheel."""

from __future__ import annotations

import csv
import hashlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.reference.licences import COPYLEFT, TABLE, locked, rows, to_csv

ROOT = Path(__file__).parent.parent


def test_the_table_of_licences_is_the_lock_as_installed():
    assert TABLE.read_text(encoding="utf-8") == to_csv(rows()), "run: python tests/reference/licences.py"
    with TABLE.open(encoding="utf-8", newline="") as lines:
        table = list(csv.DictReader(lines))
    assert [row["package"] for row in table] == locked()
    assert all(row["licence"].strip() for row in table)


def test_nothing_that_runs_has_a_licence_that_binds_ours():
    for row in rows():
        if COPYLEFT.search(row["licence"]):
            assert row["note"], f"{row['package']}: say why {row['licence']} does not bind this project"
            assert row["needed_for"] == "tests", row


@pytest.mark.parametrize("licence", ["GPL-3.0-only", "LGPLv3", "Mozilla Public License 2.0 (MPL 2.0)", "Artistic License"])
def test_copyleft_is_noticed(licence):
    assert COPYLEFT.search(licence)
    assert not any(COPYLEFT.search(free) for free in ("MIT", "BSD-3-Clause", "Apache-2.0", "ISC License (ISCL)", "PSF-2.0"))


def _wheel(folder: Path, stamp: float) -> Path | None:
    """A wheel made from a copy of the tracked sources in a folder, all files of the same mode; None without a build tool."""
    source = folder / "source"
    tracked = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for name in filter(None, tracked.split("\0")):
        if re.match(r"(pipeline|models|reports)/|[^/]+$", name) and (ROOT / name).is_file():
            (source / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, source / name)
            (source / name).chmod(0o644)
            os.utime(source / name, (stamp, stamp))
    told = os.environ | {"SOURCE_DATE_EPOCH": "1700000000", "TZ": "UTC" if stamp < 1e9 else "Asia/Tokyo"}
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", str(folder), str(source)]
    done = subprocess.run(command, env=told, capture_output=True, text=True, check=False)
    if done.returncode and re.search(r"No matching distribution|Could not (?:find|fetch)|connection", done.stderr):
        return None
    assert done.returncode == 0, done.stderr[-2000:]
    return next(folder.glob("*.whl"))


@pytest.mark.slow
def test_the_same_sources_make_the_same_wheel(tmp_path):
    made = [_wheel(tmp_path / name, stamp) for name, stamp in (("a", 5e8), ("b/elsewhere", 1.6e9))]
    if None in made:
        assert not os.environ.get("CI"), "the build tool that pyproject.toml pins must be there"
        pytest.skip("the build tool that pyproject.toml pins cannot be had here")
    first, second = (hashlib.sha256(path.read_bytes()).hexdigest() for path in made if path)
    assert first == second
