"""Read a sheet through the pipeline and say what became of each mistake: recovered, refused, flagged or missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.check_codes import CODES
from pipeline.clean_file import check_results, clean_file
from pipeline.errors import FileProblem
from pipeline.fields import FIELDS
from pipeline.file_result import FileResult
from pipeline.file_tables import Context
from pipeline.sources import read_source
from tests.scramble.records import Row, Sheet

TODAY = date(2026, 1, 1)
#: A stored figure is the true one when it lies this close: the digits that were printed.
SAME_SHARE = 0.004
#: Smaller differences are those of the last printed digit, whatever the share.
SAME_AT_LEAST = 0.06
#: What the study takes each field from.
STORED = {"ambient_kpa": "ambient_used_kpa"}
#: Helper columns that never reach the store under their own name.
NOT_STORED = frozenset({"manifold_kpa", "rpm", "curve_power_kw", "curve_torque_nm"})


@dataclass(frozen=True)
class Outcome:
    """What became of the records of one sheet; the four counts add up to `planted`."""

    planted: int
    recovered: int
    refused: int
    flagged: int
    missed: int
    codes: tuple[str, ...]


def read_sheet(sheet: Sheet, folder: Path) -> FileResult | FileProblem:
    """A sheet as the pipeline reads it, or the problem of the whole file."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "sheet.csv").write_text(sheet.text(), encoding="utf-8")
    head = 'title = "Planted mistakes"\npublisher = "Test Sheet"\nlicence = "CC0-1.0"\ninvented = true\n'
    (folder / "source.toml").write_text(
        f'{head}[[file]]\nname = "sheet.csv"\nkind = "{sheet.kind}"\n{sheet.toml}\n', encoding="utf-8"
    )
    source = read_source(folder)
    try:
        result = clean_file(Context(source, source.entry.file[0], (), TODAY), "", "", 0, 0, "2026-01-01T00:00:00+00:00")
        check_results([result])
        return result
    except FileProblem as problem:
        return problem


def reasons_of(result: FileResult) -> dict[int, set[str]]:
    """Codes at each line, of refused rows and of flags."""
    found: dict[int, set[str]] = {}
    for row in result.refused.iter_rows(named=True):
        found.setdefault(row["line"], set()).update(reason["code"] for reason in row["reasons"])
    for line, code in result.flags.select("line", "code").iter_rows():
        found.setdefault(line, set()).add(code)
    return found


def codes_of_clean(sheet: Sheet, folder: Path) -> frozenset[str]:
    """Codes that the checks raise on a clean sheet; each distinct sheet is read once."""
    key = (sheet.kind, sheet.text())
    if key not in _CLEAN:
        result = read_sheet(sheet, folder / "clean")
        assert isinstance(result, FileResult), result
        _CLEAN[key] = frozenset().union(*reasons_of(result).values())
    return _CLEAN[key]


_CLEAN: dict[tuple[str, str], frozenset[str]] = {}


def _same(name: str, truth: float | str | None, stored: object) -> bool:
    if truth is None or stored is None:
        return truth is stored
    if isinstance(truth, str):
        return str(stored) == truth
    assert isinstance(stored, int | float)
    return abs(float(stored) - truth) <= max(SAME_SHARE * abs(truth), SAME_AT_LEAST if FIELDS[name].unit != "cc" else 0.6)


def _stored_truly(sheet: Sheet, truth: Sequence[Row], result: FileResult, lines: Sequence[int]) -> bool:
    """Whether every run of these lines stands in the store with its true figures, and no run besides."""
    runs = result.runs.filter(pl.col("line").is_in(lines)).sort("run_key")
    wanted = [i for line in lines for i in sheet.origin[line - 2]]
    if runs.height != len(wanted):
        return False
    builds = {row["build_key"]: row for row in result.builds.iter_rows(named=True)}
    columns = {
        name.removeprefix("before_").removeprefix("after_").removeprefix("baseline_").removeprefix("boosted_")
        for name in sheet.headers
    }
    places = {line: sheet.origin[line - 2] for line in lines}
    for run in runs.iter_rows(named=True):
        number = int(run["run_key"].rsplit("/", 1)[1]) - 1 if sheet.kind in ("pairs", "changes") else 0
        row = truth[places[run["line"]][number]]
        for name in columns - NOT_STORED - {"parts"}:
            stored = builds[run["build_key"]].get(name) if name in builds[run["build_key"]] else run.get(STORED.get(name, name))
            if name == "build" and sheet.kind == "changes":
                stored = str(stored).removesuffix(" [camshaft]")
            if name == "tested_on":
                stored = str(run[name])
            if not _same(name, row[name], stored):
                return False
    if "manifold_kpa" in columns and "boost_kpa" not in columns:
        gauge = runs.select("line", "boost_kpa").iter_rows()
        return all(_same("boost_kpa", truth[places[line][0]]["boost_kpa"], value) for line, value in gauge)
    return True


def _points_truly(sheet: Sheet, truth: Sequence[Row], result: FileResult, lines: Sequence[int]) -> bool:
    points = result.points.filter(pl.col("line").is_in(lines)) if result.points.height else result.points
    if points.height != len(lines):
        return False
    return all(
        _same(name, truth[sheet.origin[point["line"] - 2][0]][name], point[name])
        for point in points.iter_rows(named=True)
        for name in ("rpm", "curve_power_kw", "curve_torque_nm")
    )


def judge(clean: Sheet, scrambled: Sheet, truth: Sequence[Row], named_by: frozenset[str], folder: Path) -> Outcome:
    """What became of each record of a scrambled sheet.

    A record is *recovered* when all its runs are stored with their true figures; else *refused* when a row of it was, or
    *flagged* when one carries a flag, by a code that names the mistake and that the clean record does not have; else *missed*.
    """
    clean_codes, after = codes_of_clean(clean, folder), read_sheet(scrambled, folder / "scrambled")
    groups: dict[str, list[int]] = {}
    for place, origin in enumerate(scrambled.origin):
        name = str(truth[origin[0]]["build"]) if origin else scrambled.rows[place]["build"]
        name = name if origin or name in groups else next(reversed(groups))
        groups.setdefault(name, []).append(place + 2)
    if isinstance(after, FileProblem):
        return Outcome(len(groups), 0, len(groups), 0, 0, ("the file, with its reason",))
    found = reasons_of(after)
    stored_truly = _points_truly if scrambled.kind == "sweep" else _stored_truly
    counts = dict.fromkeys(("recovered", "refused", "flagged", "missed"), 0)
    seen: set[str] = set()
    for lines in groups.values():
        codes = set().union(*(found.get(line, set()) for line in lines)) & named_by - clean_codes
        seen |= codes
        if stored_truly(scrambled, truth, after, lines):
            counts["recovered"] += 1
        elif any(CODES[code].severity == "refuse" for code in codes):
            counts["refused"] += 1
        else:
            counts["flagged" if codes else "missed"] += 1
    return Outcome(len(groups), **counts, codes=tuple(sorted(seen)))
