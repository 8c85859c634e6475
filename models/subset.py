"""A part of the data, named by the reader: clean tables in, smaller clean tables out, with what left counted.

A condition is asked of each boosted run together with what is known of its build, its source and its baselines; boosted runs
that do not meet it leave, baselines stay. So ``fuel = ethanol_blend`` keeps the runs on that fuel and compares them with the
same baselines as before.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from models.results import FlowStep
from models.sample_rows import complete
from models.where import parse_where
from pipeline.errors import RequestProblem
from pipeline.fields import Field, fields_of

#: Facts that stand on baseline rows and are asked of the build.
_OF_BASELINES = ("baseline_hardware",)

_NA_POWER = Field(
    "na_power_kw", "run", "number", "Mean power of the build's runs without boost.", "power", "kW", (5.0, 1500.0), (0.5, 6000.0)
)
_SOURCE = Field("source", "run", "text", "Folder of the source under data_raw.")
_SOURCE_FACTS = ("medium", "published_on", "licence")


@dataclass(frozen=True, slots=True)
class Subset:
    """What was asked for: a condition (:mod:`models.where`) or None, and sources to leave out."""

    where: str | None = None
    drop_sources: tuple[str, ...] = ()

    @property
    def is_everything(self) -> bool:
        """Whether nothing is left out."""
        return self.where is None and not self.drop_sources

    @property
    def sentence(self) -> str:
        """The part in words; empty for everything."""
        parts = [f"runs where {self.where}"] if self.where is not None else []
        parts += [f"without {', '.join(self.drop_sources)}"] if self.drop_sources else []
        return f"Only a part of the data: {'; '.join(parts)}." if parts else ""


def where_fields() -> dict[str, Field]:
    """Column name to description of everything that a condition may name."""
    found = {_SOURCE.name: _SOURCE, _NA_POWER.name: _NA_POWER}
    found |= {field.name: field for field in fields_of("source") if field.name in _SOURCE_FACTS}
    found |= {field.name: field for table in ("run", "build") for field in fields_of(table)}
    return found


def take_subset(tables: Mapping[str, pl.DataFrame], subset: Subset) -> tuple[dict[str, pl.DataFrame], tuple[FlowStep, ...]]:
    """The tables with what was not asked for left out, and the steps of the flow that say how much that was.

    Raises
    ------
    RequestProblem : the condition cannot be read, or a source to leave out is not in the store.
    """
    kept, steps = dict(tables), []
    if subset.drop_sources:
        before = kept["run"].height
        kept = _without_sources(kept, subset.drop_sources)
        reason = f"The source was left out as asked: {', '.join(subset.drop_sources)}."
        steps.append(FlowStep("runs left out as asked", before - kept["run"].height, reason))
    if subset.where is not None:
        condition = parse_where(subset.where, where_fields())
        met = _asked_rows(kept).select("run_key", condition.fill_null(False).alias("met"))
        keep = met.filter(pl.col("met"))["run_key"]
        runs = kept["run"].filter((pl.col("role") != "boosted") | pl.col("run_key").is_in(keep.implode()))
        steps.append(
            FlowStep("runs left out as asked", kept["run"].height - runs.height, f"The run does not meet: {subset.where}.")
        )
        kept["run"] = runs
    return kept, tuple(steps)


def _without_sources(tables: dict[str, pl.DataFrame], sources: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """All tables less some sources; a test that only a left-out source counted is counted where it was printed again."""
    known = sorted(set(tables["source"]["source"].to_list()))
    for name in sources:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=3, cutoff=0.5) or known[:5]
            raise RequestProblem(
                f"The source {name!r} is to be left out, but the store has none of that name; "
                f"it has {len(known)}, such as {', '.join(near) or 'none'}. Name one of them."
            )
    left = {
        name: table.filter(~pl.col("source").is_in(list(sources))) if "source" in table.columns else table
        for name, table in tables.items()
    }
    return _count_elsewhere(left) if "same_test_as" in left["build"].columns else left


def _count_elsewhere(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Builds that repeat one that is gone: the first of each test is counted now, the others repeat that one."""
    builds = tables["build"]
    gone = builds.filter(
        pl.col("same_test_as").is_not_null() & ~pl.col("same_test_as").is_in(builds["build_key"].implode())
    ).sort("build_key")
    if gone.is_empty():
        return tables
    first = pl.col("build_key").first().over("same_test_as")
    moved = gone.select("build_key", pl.when(first != pl.col("build_key")).then(first).alias("now"), pl.lit(True).alias("moved"))
    joined = builds.join(moved, on="build_key", how="left", maintain_order="left")
    now = pl.when(pl.col("moved").fill_null(False)).then(pl.col("now")).otherwise(pl.col("same_test_as"))
    counted = moved.filter(pl.col("now").is_null())["build_key"]
    again = pl.col("build_key").is_in(counted.implode())
    runs = tables["run"].with_columns(pl.when(again).then(False).otherwise(pl.col("is_repeat")).alias("is_repeat"))
    return tables | {"build": joined.with_columns(now.alias("same_test_as")).drop("now", "moved"), "run": runs}


def _asked_rows(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Boosted runs with what is known of their build, their source and their baselines, all columns of `where_fields`."""
    runs, builds, sources = complete(tables["run"], "run"), complete(tables["build"], "build"), tables["source"]
    base = runs.filter(pl.col("role") == "baseline").group_by("build_key").agg(
        pl.col("power_kw").mean().alias("na_power_kw"),
        *(pl.when(pl.col(c).min() == pl.col(c).max()).then(pl.col(c).min()).alias(c) for c in _OF_BASELINES),
    )  # fmt: skip
    boosted = runs.filter(pl.col("role") == "boosted").drop(_OF_BASELINES)
    facts = [name for name in _SOURCE_FACTS if name in sources.columns]
    absent = [
        pl.lit(None, pl.Date if name == "published_on" else pl.String).alias(name) for name in _SOURCE_FACTS if name not in facts
    ]
    asked = boosted.join(base, on="build_key", how="left").join(
        builds.select("build_key", *(c for c in builds.columns if c not in boosted.columns and c not in base.columns)),
        on="build_key", how="left",
    )  # fmt: skip
    return asked.join(sources.select("source", *facts).unique("source"), on="source", how="left").with_columns(absent)
