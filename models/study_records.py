"""Rows of the study's result: builds, runs, sources and the ledger's part of the flow, as frozen records."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import polars as pl

from models import rule
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.laws import norm
from models.results import FlowStep, RunResult, SourceNote, UnitResult
from models.sample import Sample

#: What the store's ledger counts, in the order of the flow, with the words of the flow.
_LEDGER = (
    ("rows_read", "rows read", ""),
    ("refused", "refused", "A check failed; each row is kept with its reasons."),
    ("repeated", "repeated", "The same test is already counted under another publisher."),
    ("accepted", "rows accepted", ""),
)


def unit_results(units: pl.DataFrame, fit: JointFit, level: float) -> tuple[UnitResult, ...]:
    """Each unit with its own and its shrunk rule ratio; normal intervals, because their error sizes are taken as known."""
    table = units.join(fit.unit_table(), on="unit", how="left").sort("unit")
    z = float(norm.ppf(0.5 + level / 2))
    outside = dict(fit.dropped.iter_rows())

    def estimate(row: Mapping[str, Any], value: str, variance: str) -> Estimate:
        runs = row["boosted_runs"] + row["baseline_runs"]
        mean, var = row.get(value), row.get(variance)
        if mean is None or var is None or not (math.isfinite(mean) and var >= 0):
            left = outside.get(row["unit"])
            why = (
                f"The build was left out of the fit: {left}." if left else fit.why or "The fit gives no estimate for this build."
            )
            return Estimate(None, None, None, level, "1", 1, runs, why)
        half = z * var**0.5
        return Estimate(mean, mean - half, mean + half, level, "1", 1, runs)

    plain = [name for name in UnitResult.__dataclass_fields__ if name not in ("rule_ratio", "shrunk_rule_ratio")]
    return tuple(
        UnitResult(
            **{name: row[name] for name in plain},
            rule_ratio=estimate(row, "own_slope", "own_variance"),
            shrunk_rule_ratio=estimate(row, "blup", "blup_variance"),
        )
        for row in table.iter_rows(named=True)
    )


def run_results(sample: Sample) -> tuple[RunResult, ...]:
    """Each boosted run as the fit saw it, with its yield referred to sea level."""
    boosted = sample.runs.filter(pl.col("boost_kpa") > 0).join(sample.units.select("unit", "na_power_kw"), on="unit", how="left")
    gained = rule.yield_at_sea_level(pl.col("power"), pl.col("na_power_kw"), pl.col("boost_kpa"), pl.col("ambient_kpa"))
    shown = boosted.sort("unit", "boost_kpa", "run_key").select(
        "run_key", "unit_id", "boost_kpa", "boost_ratio", "gain_ratio", power_kw="power", yield_kw_per_kpa=gained
    )
    return tuple(RunResult(**row) for row in shown.iter_rows(named=True))


def ledger_steps(ledger: Mapping[str, int] | None) -> tuple[FlowStep, ...]:
    """The store's counts as the first steps of the flow."""
    return tuple(
        FlowStep(step, int(ledger[key]), reason) for key, step, reason in _LEDGER if ledger is not None and key in ledger
    )


def _cited(builds: pl.DataFrame, units: pl.DataFrame) -> set[str]:
    """Sources of analysed builds, and of those that print the same tests again."""
    cited = set(units["source"].to_list())
    if "same_test_as" in builds.columns:
        again = builds.filter(pl.col("same_test_as").is_in(units["build_key"].implode()))
        cited |= set(again["source"].to_list())
    return cited


def is_invented(sources: pl.DataFrame, units: pl.DataFrame) -> bool:
    """Whether any analysed source is invented demo data; without analysed builds, whether any source is."""
    if "invented" not in sources.columns or sources.is_empty():
        return False
    analysed = sources.filter(pl.col("source").is_in(units["source"].implode())) if not units.is_empty() else sources
    return bool(analysed["invented"].fill_null(False).any())


def source_notes(sources: pl.DataFrame, builds: pl.DataFrame, units: pl.DataFrame) -> tuple[SourceNote, ...]:
    """The sources of analysed builds, as the pages cite them."""
    cited = _cited(builds, units)

    def text(row: Mapping[str, Any], name: str) -> str:
        value = row.get(name)
        return "" if value is None else str(value)

    return tuple(
        SourceNote(
            text(row, "source"), text(row, "title"), text(row, "publisher"), text(row, "url"), text(row, "licence"),
            text(row, "published_on"), bool(row.get("invented")),
        )
        for row in sources.sort("source").iter_rows(named=True)
        if row["source"] in cited
    )  # fmt: skip
