"""Small clean tables for the tests of the sample and the study, written row by row."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl
import pytest

from models.prediction_fit import PredictionFit, fit_prediction
from models.sample import choose_sample
from models.sample_rows import complete
from models.simulate import simulate_study
from models.simulate_worlds import world

#: A run of the ordinary kind; each test states only what it is about.
ORDINARY_RUN = {
    "source": "src", "publisher": "Pub", "file": "runs.csv", "power_kw": 200.0, "boost_kpa": 0.0, "ambient_used_kpa": 100.0,
    "ambient_basis": "recorded", "ambient_kpa": 100.0, "measured_at": "crank", "session": "day 1", "correction": "sae_j1349",
    "outcome": "completed", "is_repeat": False, "role": "baseline",
}  # fmt: skip
ORDINARY_SETUP = {"induction": "turbocharger", "charge_cooling": "air_to_air", "charge_injection": "none", "fuel": "petrol"}


class CleanRows:
    """Collects runs and builds, then gives them as clean tables."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []
        self.build_rows: dict[str, dict[str, Any]] = {}

    def build(self, name: str, publisher: str = "Pub", source: str = "src", **facts: Any) -> str:
        key = f"{source}|{publisher}|{name}"
        self.build_rows[key] = {"build_key": key, "source": source, "publisher": publisher, "build": name, **facts}
        return key

    def _add(self, build_key: str, row: dict[str, Any]) -> str:
        if build_key not in self.build_rows:
            source, publisher, name = build_key.split("|")
            self.build(name, publisher, source)
        facts = self.build_rows[build_key]
        line = len(self.rows) + 2
        key = row.pop("run_key", f"{facts['source']}/runs.csv#{line:04d}")
        kept = {"source": facts["source"], "publisher": facts["publisher"]}
        self.rows.append({**ORDINARY_RUN, **kept, "run_key": key, "line": line, "build_key": build_key, **row})
        return key

    def baseline(self, build_key: str = "src|Pub|a", power_kw: float = 200.0, **row: Any) -> str:
        return self._add(build_key, {"power_kw": power_kw, **row})

    def boosted(self, build_key: str = "src|Pub|a", power_kw: float = 300.0, boost_kpa: float = 60.0, **row: Any) -> str:
        return self._add(build_key, {**ORDINARY_SETUP, "role": "boosted", "power_kw": power_kw, "boost_kpa": boost_kpa, **row})

    def tables(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        return complete(_frame(self.rows, _RUN_MUST), "run"), complete(
            _frame(list(self.build_rows.values()), _BUILD_MUST), "build"
        )


_RUN_MUST = ("run_key", "build_key", "role", "power_kw", "boost_kpa", "ambient_used_kpa")
_BUILD_MUST = ("build_key", "source", "publisher", "build")


def _frame(rows: list[dict[str, Any]], needed: tuple[str, ...]) -> pl.DataFrame:
    return pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame(schema=dict.fromkeys(needed, pl.String))


@pytest.fixture
def clean() -> CleanRows:
    """An empty collection of clean rows."""
    return CleanRows()


@pytest.fixture(scope="session")
def make_clean() -> Callable[[], CleanRows]:
    """For tests that need several collections, or one per hypothesis example."""
    return CleanRows


@pytest.fixture
def reason_of() -> Callable[..., dict[str, str]]:
    """Reason of each excluded run of a sample, by run_key."""

    def reasons(sample: Any) -> dict[str, str]:
        return dict(sample.excluded.select("run_key", "reason").iter_rows())

    return reasons


@pytest.fixture(scope="session")
def prediction() -> PredictionFit:
    """The estimate fitted to 90 builds of the base world."""
    drawn = simulate_study(world("base", 90), 3)
    fitted = fit_prediction(choose_sample(drawn.runs, drawn.builds), invented=True)
    assert not isinstance(fitted, str)
    return fitted
