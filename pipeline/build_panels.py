"""Every build of a store as its contributor recorded it: its fields, its runs, and the flags raised on them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import store
from pipeline.checks import sentence_of
from pipeline.fields import fields_of

#: Most builds that are read with their record; above it every n-th in order of publisher and name.
MOST_BUILDS = 5_000
_PERSONAL = frozenset(field.name for table in ("build", "run") for field in fields_of(table) if field.personal)
_BUILD = tuple(f.name for f in fields_of("build") if f.name not in {"build", "publisher"} | _PERSONAL)
#: Fields of a run that stand in a panel where they are the same for all its runs, and on the run's line where they differ.
_RUN = tuple(f.name for f in fields_of("run") if f.name not in {"baseline_build", "compared_with", "publisher"} | _PERSONAL)

Value = str | float | int | bool


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """One run: its place in the contributor's file, its role, and what it states beyond what all runs of the build share."""

    run_key: str
    file: str
    line: int
    role: str
    boost_kpa: float | None
    power_kw: float | None
    is_repeat: bool
    own: tuple[tuple[str, Value], ...]


@dataclass(frozen=True, slots=True)
class RecordedFlag:
    """One remark on a row of the build."""

    file: str
    line: int
    sentence: str


@dataclass(frozen=True, slots=True)
class RecordedBuild:
    """One build: what its record states (fields in SI), its runs and its flags; ``counted_as`` is the test it repeats."""

    build_key: str
    source: str
    publisher: str
    build: str
    fields: tuple[tuple[str, Value], ...]
    runs: tuple[RecordedRun, ...]
    flags: tuple[RecordedFlag, ...]
    counted_as: str | None


@dataclass(frozen=True, slots=True)
class RecordedBuilds:
    """Builds by publisher and name; of ``of_builds`` every ``step``-th where there are too many to show."""

    builds: tuple[RecordedBuild, ...]
    of_builds: int
    step: int


def read_builds(path: str | Path) -> RecordedBuilds:
    """The builds of a store.

    Raises
    ------
    StoreProblem : no store there, locked, damaged or of another version.
    """
    with store.reading(Path(path)) as con:
        return read_builds_open(con)


def read_builds_open(con: duckdb.DuckDBPyConnection) -> RecordedBuilds:
    """The builds of a store through an open connection."""
    table = store.query_table(con, "build").sort("publisher", "build", "build_key")
    step = max(1, -(-table.height // MOST_BUILDS))
    shown = table.gather_every(step)
    keys = shown.select("build_key")
    names = ("run_key", "build_key", "source", "file", "line", "role", "is_repeat", *_RUN)
    runs = store.query_table(con, "run").select(list(dict.fromkeys(names)))
    runs = runs.join(keys, on="build_key", how="semi").sort("build_key", "file", "line", "run_key")
    of_build = {key[0]: list(frame.iter_rows(named=True)) for key, frame in runs.group_by("build_key", maintain_order=True)}
    flags = _flags(store.query_table(con, "flag"), runs)
    repeats = dict(store.query_table(con, "same_test").select("build_key", "same_as").iter_rows())
    return RecordedBuilds(
        tuple(_build(row, of_build.get(row["build_key"], []), flags, repeats) for row in shown.iter_rows(named=True)),
        table.height,
        step,
    )


def _flags(table: pl.DataFrame, runs: pl.DataFrame) -> dict[tuple[str, str, int], list[RecordedFlag]]:
    """Flags by source, file and line."""
    found: dict[tuple[str, str, int], list[RecordedFlag]] = {}
    wanted = table.join(runs.select("source", "file", "line").unique(), on=("source", "file", "line"), how="semi")
    for row in wanted.sort("source", "file", "line", "code").iter_rows(named=True):
        place = (row["source"], row["file"], row["line"])
        one = RecordedFlag(row["file"], row["line"], sentence_of(row["code"], row["column"], row["value"]))
        found.setdefault(place, []).append(one)
    return found


def _build(
    row: dict[str, Any],
    runs: list[dict[str, Any]],
    flags: dict[tuple[str, str, int], list[RecordedFlag]],
    repeats: dict[str, str],
) -> RecordedBuild:
    boosted = [run for run in runs if run["role"] == "boosted"] or runs
    shared = {name for name in _RUN if boosted and len({run[name] for run in boosted}) == 1}
    shared -= {"boost_kpa", "power_kw", "power_rpm", "torque_nm", "torque_rpm"}
    stated = [*((name, row[name]) for name in _BUILD), *((name, boosted[0][name]) for name in _RUN if name in shared)]
    places = dict.fromkeys((run["source"], run["file"], run["line"]) for run in runs)
    return RecordedBuild(
        build_key=row["build_key"],
        source=row["source"],
        publisher=row["publisher"],
        build=row["build"],
        fields=tuple((name, _plain(value)) for name, value in stated if value is not None),
        runs=tuple(_run(run, boosted[0], shared) for run in runs),
        flags=tuple(flag for place in places for flag in flags.get(place, [])),
        counted_as=repeats.get(row["build_key"]),
    )


def _run(run: dict[str, Any], first: dict[str, Any], shared: set[str]) -> RecordedRun:
    own = (name for name in _RUN if name not in {"boost_kpa", "power_kw"} and run[name] is not None)
    return RecordedRun(
        run_key=run["run_key"],
        file=run["file"],
        line=run["line"],
        role=run["role"],
        boost_kpa=run["boost_kpa"],
        power_kw=run["power_kw"],
        is_repeat=bool(run["is_repeat"]),
        own=tuple((name, _plain(run[name])) for name in own if name not in shared or run[name] != first[name]),
    )


def _plain(value: Any) -> Value:
    """Dates and lists as text; numbers, codes and flags as they are."""
    if isinstance(value, bool | int | float | str):
        return value
    return ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
