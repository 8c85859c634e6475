"""The joint fit over data in parts: workers read their part and make its sums, the fit sees one row a build.

A part is a set of sources of one exported folder; sources that share a test or a baseline are in one part, so that every
build's runs are together and the sums of a build are made once, by one worker (DEVELOPERS.md, Estimators). What comes back
a pass is 17 numbers a build, and once three numbers a run for the range of boosts: never the table of runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from models.build_sums import Floats, Ints, PackedSums, RunColumns, sum_builds, to_run_columns
from models.fit_inputs import FitInput, to_fit_input
from models.fixed_point import start
from models.joint_fit import LEAST_INFORMATION, SILENT, JointFit, fit_ready
from models.sample import choose_sample
from models.study_records import is_invented
from pipeline.errors import RequestProblem

_RUN_FILE, _BUILD_FILE, _SOURCE_FILE = "run.parquet", "build.parquet", "source.parquet"
_NONE = np.zeros(0)
_NO_UNITS = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Part:
    """What one worker sums: some sources of one folder with ``run.parquet`` and ``build.parquet``, less the units in ``drop``."""

    folder: str
    sources: tuple[str, ...]
    drop: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PartFacts:
    """What a fit needs of a part besides its sums: its units, what no pass changes, and how many runs it has."""

    units: pl.DataFrame
    columns: RunColumns
    runs: int


def find_parts(folder: Path, wanted: int = 1) -> tuple[Part, ...]:
    """Cut the exports at or below a folder into parts.

    Parameters
    ----------
    folder : an export, or a folder of exports that share no source.
    wanted : parts to aim at in each export; sources that belong together stay so.

    Raises
    ------
    RequestProblem : no export there, a damaged file, or one source in two exports.
    """
    places = sorted(p.parent for p in folder.rglob(_RUN_FILE) if (p.parent / _BUILD_FILE).is_file())
    if not places:
        raise RequestProblem(
            f"{folder} holds no {_RUN_FILE} beside a {_BUILD_FILE}; --from takes a folder that `poundworth export` wrote, "
            "or one with several of them. Write one, or leave --from out to use the store."
        )
    parts: list[Part] = []
    for place in places:
        groups = _groups_of_sources(place)
        bins: list[list[str]] = [[] for _ in range(min(max(wanted, 1), max(len(groups), 1)))]
        for number, group in enumerate(groups):
            bins[number % len(bins)] += group
        parts += [Part(str(place.absolute()), tuple(sorted(names))) for names in bins if names]
    names = [name for part in parts for name in part.sources]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise RequestProblem(
            f"Source {', '.join(twice[:5])} stands in more than one export below {folder}; its builds would be counted twice. "
            "Keep one export of each source there."
        )
    return tuple(parts)


def _groups_of_sources(place: Path) -> list[list[str]]:
    """Sources that share a test or a baseline, together; from three narrow columns."""
    runs = _read(place / _RUN_FILE, ["source", "build_key", "baseline_build_key"]).unique()
    builds = _read(place / _BUILD_FILE, ["build_key", "same_test_as"])
    owners = dict(runs.select("build_key", "source").unique("build_key").iter_rows())
    root = {name: name for name in runs["source"].unique().sort()}

    def find(name: str) -> str:
        while root[name] != name:
            name = root[name]
        return name

    links = [runs.select("build_key", other="baseline_build_key"), builds.select("build_key", other="same_test_as")]
    shared = runs.select("build_key", "source").unique()  # a build that two sources describe ties them
    pairs = [(owners[b], s) for b, s in shared.iter_rows()]
    pairs += [(owners[b], owners[o]) for link in links for b, o in link.drop_nulls().iter_rows() if b in owners and o in owners]
    for one, other in pairs:
        low, high = sorted((find(one), find(other)))
        root[high] = low
    groups: dict[str, list[str]] = {}
    for name in root:
        groups.setdefault(find(name), []).append(name)
    return list(groups.values())


def _read(path: Path, columns: list[str] | None = None, sources: Sequence[str] | None = None) -> pl.DataFrame:
    try:
        filters = None if sources is None else [("source", "in", list(sources))]
        return pl.DataFrame(pl.from_arrow(pq.read_table(path, columns=columns, filters=filters)))
    except (OSError, ValueError, pa.ArrowException) as error:
        raise RequestProblem(
            f"{path.name} in {path.parent} cannot be read ({str(error).splitlines()[0][:120]}); write the export again."
        ) from error


def holds_invented(parts: Sequence[Part], units: pl.DataFrame) -> bool | None:
    """Whether a fitted unit comes from an invented source; None where an export has no table of sources."""
    places = sorted({Path(part.folder) / _SOURCE_FILE for part in parts})
    if not all(place.is_file() for place in places):
        return None
    return is_invented(pl.concat([_read(place, ["source", "invented"]) for place in places]), units)


@lru_cache(maxsize=64)
def _load(part: Part) -> tuple[FitInput, RunColumns]:
    """A part's sample as the passes need it; kept by the worker from pass to pass."""
    place = Path(part.folder)
    runs = _read(place / _RUN_FILE, None, part.sources)
    builds = _read(place / _BUILD_FILE).filter(pl.col("build_key").is_in(runs["build_key"].unique().implode()))
    sample = choose_sample(runs, builds)
    ready = to_fit_input(sample.runs, sample.units, None)
    ready = ready.without(ready.units["unit_id"].is_in(list(part.drop)).to_numpy(), SILENT)
    return ready, to_run_columns(ready.runs, ready.units)


def read_facts(part: Part) -> PartFacts:
    """Everything of a part that no pass changes, without its runs' layout: what runs once in a worker."""
    ready, columns = _load(part)
    bare = replace(
        columns, order=_NO_UNITS, units_with=_NO_UNITS, rank_starts=_NO_UNITS, tail_unit=_NO_UNITS, c=_NONE, log_power=_NONE,
        power_var=_NONE, base_weight=_NONE, base_y=_NONE, base_yy=_NONE,
    )  # fmt: skip
    return PartFacts(ready.units, bare, ready.runs["run_key"].n_unique())


def sum_part(part: Part, s_bar: float, q: float, s_own: Floats, phi: Floats) -> PackedSums:
    """One pass over a part: what runs in a worker. Arguments as those of :func:`models.build_sums.sum_builds`."""
    return sum_builds(_load(part)[1], s_bar, q, s_own, phi)


def fit_parts(parts: Sequence[Part], executor: Executor | None = None) -> JointFit:
    """The joint fit of all parts together.

    Parameters
    ----------
    parts : see :func:`find_parts`.
    executor : workers that read and sum; None does it here, part after part.

    Returns
    -------
    JointFit
        The same as :func:`models.joint_fit.fit_joint` of one table: a build's sums are the same additions in the same order.
        The order of builds is that of their ``unit_id``, so that the number of parts cannot change a digit.

    Raises
    ------
    RequestProblem : a part cannot be read, or its columns are not those of a store of this version.
    """
    run = map if executor is None else executor.map
    facts = list(run(read_facts, parts))
    units = pl.concat([f.units for f in facts], how="vertical")
    # place[i] is where the i-th unit, counted through the parts, stands among all
    order = units.with_row_index("came").sort("unit_id")["came"].to_numpy().astype(np.int64)
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    units = units[order].with_columns(pl.Series("unit", np.arange(order.size), dtype=pl.UInt32))
    ends = np.cumsum([f.units.height for f in facts])
    mine = [place[end - f.units.height : end] for f, end in zip(facts, ends, strict=True)]
    columns = _together([f.columns for f in facts], order)

    def pass_over(_: RunColumns, s_bar: float, q: float, s_own: Floats, phi: Floats) -> PackedSums:
        jobs = (list(parts), [s_bar] * len(parts), [q] * len(parts), [s_own[m] for m in mine], [phi[m] for m in mine])
        return _gather(run(sum_part, *jobs), mine, order.size)

    begin = start(columns, pass_over) if order.size else None
    silent = units["unit_id"].to_numpy()[~(begin.grams.czz > LEAST_INFORMATION)] if begin else _NO_UNITS
    if silent.size:
        return fit_parts([replace(part, drop=(*part.drop, *map(str, silent))) for part in parts], executor)
    none = pl.DataFrame(schema={"unit": pl.UInt32, "reason": pl.String})
    ready = FitInput(pl.DataFrame({"unit": pl.Series([], dtype=pl.UInt32)}), units, np.ones((order.size, 1)), none)
    return replace(fit_ready(ready, columns, pass_over, begin=begin), runs=sum(f.runs for f in facts))


def _together(columns: Sequence[RunColumns], order: Ints) -> RunColumns:
    """Columns of all parts: arrays of units in the common order, arrays of runs one after another."""
    by_unit = ("baselines", "boosted", "log_baseline", "session_var")
    joined = {f.name: np.concatenate([getattr(c, f.name) for c in columns]) for f in fields(RunColumns)}
    return RunColumns(**{name: values[order] if name in by_unit else values for name, values in joined.items()})


def _gather(sums: Iterable[PackedSums], mine: Sequence[Ints], n: int) -> PackedSums:
    """Sums of all units in the common order."""
    out = {f.name: np.empty(n) for f in fields(PackedSums)}
    for made, at in zip(sums, mine, strict=True):
        for name, values in out.items():
            values[at] = getattr(made, name)
    return PackedSums(**out)
