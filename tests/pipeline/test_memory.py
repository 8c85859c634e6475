"""Memory that a process keeps, and its share of the processors: set once, for it and what it starts, never against the user."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from pipeline import memory

NAMES = ("MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_", "_RJEM_MALLOC_CONF")
ASK = "import os; from pipeline.memory import keep_memory; keep_memory(); print(*(os.environ[n] for n in {names!r}))"


@pytest.fixture(autouse=True)
def unset(monkeypatch):
    for name in (*NAMES, "POLARS_MAX_THREADS"):
        monkeypatch.delenv(name, raising=False)


def told(**more):
    made = subprocess.run(
        [sys.executable, "-c", ASK.format(names=NAMES)], env={**os.environ, **more}, capture_output=True, text=True, check=True
    )
    return made.stdout.split()


def test_what_is_started_from_here_keeps_memory_too():
    assert told() == ["268435456", "33554432", "dirty_decay_ms:10000,muzzy_decay_ms:0"]


def test_what_the_user_set_stays():
    assert told(MALLOC_TRIM_THRESHOLD_="1", _RJEM_MALLOC_CONF="dirty_decay_ms:0") == ["1", "33554432", "dirty_decay_ms:0"]


@pytest.mark.parametrize("jobs, expected", [(1, "all"), (2, "half"), (1000, "one")])
def test_processes_share_the_processors(jobs, expected):
    count = memory.processors()
    with memory.sharing_processors(jobs):
        share = int(os.environ["POLARS_MAX_THREADS"])
    assert share == {"all": count, "half": max(1, count // 2), "one": 1}[expected]
    assert "POLARS_MAX_THREADS" not in os.environ


def test_a_number_of_threads_that_the_user_set_stays(monkeypatch):
    monkeypatch.setenv("POLARS_MAX_THREADS", "7")
    with memory.sharing_processors(2):
        assert os.environ["POLARS_MAX_THREADS"] == "7"
    assert os.environ["POLARS_MAX_THREADS"] == "7"
