"""The whole way with the network cut, and files that are one endless line or a million columns."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.build import build

HEAD = 'title = "t"\npublisher = "p"\nlicence = "CC0"\n[[file]]\nname = "f.csv"\nkind = "runs"\n'
#: Where the kernel gives no network of its own, every socket of the process fails instead.
NO_SOCKETS = """
import socket
def refuse(*args, **options):
    raise OSError("a socket was asked for")
socket.socket.connect = socket.socket.connect_ex = socket.create_connection = socket.getaddrinfo = refuse
"""


def cut_off() -> list[str]:
    """Words before a command that take its network away, or none where the kernel does not allow it."""
    words = [shutil.which("unshare") or "", "-rn"]
    return words if words[0] and subprocess.run([*words, "true"], capture_output=True).returncode == 0 else []


@pytest.mark.slow
def test_build_study_and_pages_need_no_network(tmp_path):
    (tmp_path / "sitecustomize.py").write_text(NO_SOCKETS)
    told = os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{Path(__file__).parents[2]}"}
    command = [*cut_off(), sys.executable, "-c", "from pipeline.cli import main; main()", "run"]
    done = subprocess.run(
        [*command, "--store", str(tmp_path / "s.duckdb"), "--out", str(tmp_path / "out")],
        env=told,
        capture_output=True, text=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert (tmp_path / "out" / "study.html").stat().st_size > 100_000


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("build,power_hp\nA," + "9" * 20_000_000 + "\n", "Line 2 of f.csv is 20,000,002 bytes long"),
        (",".join(f"c{n}" for n in range(300_000)) + "\n" + "1," * 299_999 + "1\n", "Line 1 of f.csv is"),
    ],
)
def test_endless_lines_are_one_sentence(tmp_path, text, said):
    folder = tmp_path / "raw" / "wide"
    folder.mkdir(parents=True)
    (folder / "source.toml").write_text(HEAD)
    (folder / "f.csv").write_text(text)
    summary = build(tmp_path / "raw", tmp_path / "s.duckdb")
    (line,) = summary.by_file
    assert said in (line.problem or "") and line.rows_read == 0
