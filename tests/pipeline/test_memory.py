"""Memory that a process keeps, and its threads: set once, for it and what it starts, never against the user."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from pipeline import memory

NAMES = ("MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_", "_RJEM_MALLOC_CONF", "POLARS_MAX_THREADS")
ASK = "import os; from pipeline.memory import prepare_reading; prepare_reading(); print(*(os.environ[n] for n in {names!r}))"


@pytest.fixture(autouse=True)
def unset(monkeypatch):
    for name in NAMES:
        monkeypatch.delenv(name, raising=False)


def told(**more):
    made = subprocess.run(
        [sys.executable, "-c", ASK.format(names=NAMES)], env={**os.environ, **more}, capture_output=True, text=True, check=True
    )
    return made.stdout.split()


def test_what_is_started_from_here_keeps_memory_too():
    assert told() == ["268435456", "33554432", "dirty_decay_ms:10000,muzzy_decay_ms:0", "1"]


def test_what_the_user_set_stays():
    assert told(MALLOC_TRIM_THRESHOLD_="1", _RJEM_MALLOC_CONF="dirty_decay_ms:0", POLARS_MAX_THREADS="7") == [
        "1", "33554432", "dirty_decay_ms:0", "7",
    ]  # fmt: skip


def test_processes_started_meanwhile_run_one_thread():
    with memory.in_one_thread():
        assert os.environ["POLARS_MAX_THREADS"] == "1"
    assert "POLARS_MAX_THREADS" not in os.environ


def test_a_number_of_threads_that_the_user_set_stays(monkeypatch):
    monkeypatch.setenv("POLARS_MAX_THREADS", "7")
    with memory.in_one_thread():
        assert os.environ["POLARS_MAX_THREADS"] == "7"
    assert os.environ["POLARS_MAX_THREADS"] == "7"
