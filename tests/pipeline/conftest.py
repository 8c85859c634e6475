"""Shared by the tests of the pipeline and its commands: a store is opened once for several tables, kept answers read once."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import store

#: The functions by which commands read what a store keeps of answers.
READERS = (
    ("answers", "study_of"), ("estimate", "prediction_of"), ("gains", "gains_of"), ("offset", "offset_model_of"), ("claim", "basis_of"),
)  # fmt: skip


@pytest.fixture(scope="session")
def read_tables() -> Callable[..., dict[str, pl.DataFrame]]:
    """Several tables of a store by one connection: to open it costs more than to read."""

    def read(path: Path, *names: str) -> dict[str, pl.DataFrame]:
        with store.reading(path) as con:
            return {name: store.query_table(con, name) for name in names}

    return read


@pytest.fixture(scope="module")
def _kept_answers() -> dict[tuple[str, Path], Any]:
    return {}


@pytest.fixture
def read_once(monkeypatch: pytest.MonkeyPatch, _kept_answers: dict[tuple[str, Path], Any]) -> None:
    """Answers are read from a store by the first test of a module alone: for tests of how a request is read and what is said."""

    def once(name: str, read: Callable[..., Any]) -> Callable[..., Any]:
        def answer(path: Path, *more: Any) -> Any:
            if (name, path) not in _kept_answers:
                _kept_answers[name, path] = read(path, *more)
            return _kept_answers[name, path]

        return answer

    for where, name in READERS:
        module = importlib.import_module(f"pipeline.cli.{where}")
        monkeypatch.setattr(module, name, once(name, getattr(module, name)))
