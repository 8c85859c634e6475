"""Tests published twice, as people judge them: rows side by side, and the line that says yes or no."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.data_records import AnswerLine, BuildName, RepeatLine, RowPair, SuspectLine
from pipeline.figure_blocks import BOOST_TOLERANCE_KPA, POWER_TOLERANCE_KW
from pipeline.repeat_answers import NOT_SAME, SAME, answer_line, own_name

Row = dict[str, float | str | None]
Names = Mapping[str, BuildName]


def names_of(builds: pl.DataFrame) -> dict[str, BuildName]:
    """Build key -> how people know the build."""
    rows = builds.select("build_key", "source", "publisher", "build").iter_rows()
    return {key: BuildName(key, source, publisher, build) for key, source, publisher, build in rows}


def list_repeats(same_test: pl.DataFrame, runs: pl.DataFrame, names: Names) -> tuple[RepeatLine, ...]:
    """Builds counted under another publication.

    Parameters
    ----------
    same_test : the store's table of that name.
    runs : build_key, is_repeat.
    """
    count = dict(runs.filter("is_repeat").group_by("build_key").len().iter_rows())
    return tuple(
        RepeatLine(names[key], names[first], figures, found_by, count.get(key, 0))
        for key, first, figures, found_by in same_test.select("build_key", "same_as", "figures", "found_by").iter_rows()
        if key in names and first in names
    )


def list_suspects(
    near: pl.DataFrame, runs: pl.DataFrame, same_test: pl.DataFrame, answers: Sequence[AnswerLine], names: Names
) -> tuple[SuspectLine, ...]:
    """Pairs that look like one test, each with its rows and the two lines of source.toml that answer.

    Parameters
    ----------
    near : rows of the store's table `near_test`, in the order to be shown.
    runs : build_key, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa, correction.
    same_test : the store's table: pairs that are counted once already.
    answers : answers given so far; a build with several needs them in one line.
    """
    keys = pl.concat([near["build_key"], near["near_key"]]).unique()
    held: dict[str, list[Row]] = {}
    for row in runs.filter(pl.col("build_key").is_in(keys.implode())).iter_rows(named=True):
        held.setdefault(row["build_key"], []).append(row)
    shared = Counter((n.source, n.build) for n in names.values())
    once = set(same_test.select("build_key", "same_as").iter_rows())
    lines = []
    for found in near.iter_rows(named=True):
        build, other = names[found["build_key"]], names[found["near_key"]]
        own = own_name(build.key, build.source, build.build, shared[build.source, build.build] > 1)
        mine, theirs = held.get(build.key, []), held.get(other.key, [])
        lines.append(
            SuspectLine(
                build, other, found["reason"], found["figures"], found["compared"], found["alike"], found["ratio"],
                _corrections(mine, theirs), _side_by_side(mine, theirs, found["ratio"]), (build.key, other.key) in once,
                _line(SAME, own, build, other, answers), _line(NOT_SAME, own, build, other, answers),
            )
        )  # fmt: skip
    return tuple(lines)


def _line(answer: str, own: str, build: BuildName, other: BuildName, answers: Sequence[AnswerLine]) -> str:
    given = [a.other for a in answers if (a.source, a.build, a.answer) == (build.source, own, answer) and a.other != other.key]
    return answer_line(answer, own, [*given, other.key])


def _corrections(mine: Sequence[Row], theirs: Sequence[Row]) -> tuple[str, str] | None:
    """The standards that the two state, where each states one and they differ."""
    stated = [{str(r["correction"]) for r in rows if r["correction"] not in (None, "unstated")} for rows in (mine, theirs)]
    if any(len(s) != 1 for s in stated) or stated[0] == stated[1]:
        return None
    return stated[0].pop(), stated[1].pop()


def _side_by_side(mine: Sequence[Row], theirs: Sequence[Row], ratio: float | None) -> tuple[RowPair, ...]:
    """Rows of two builds, the baseline first, then by boost; a row takes the nearest free one of the other build."""
    free = list(theirs)
    pairs = []
    for row in sorted(mine, key=_order):
        fits = [r for r in free if r["role"] == row["role"] and (row["role"] == "baseline" or _meets(row, r, "boost"))]
        # A misprinted boost leaves equal power as the tie.
        fits = fits or [r for r in free if r["role"] == row["role"] and _meets(row, r, "power")]
        best = min(fits, key=lambda r: abs(_number(r, "power_kw") - _number(row, "power_kw")), default=None)
        if best is not None:
            free.remove(best)
        pairs.append((row, best))
    lines = [_pair(row, best, ratio) for row, best in pairs] + [_pair(None, r, ratio) for r in free]
    return tuple(sorted(lines, key=lambda p: p.boost_kpa if p.boost_kpa is not None else p.near_boost_kpa or 0.0))


def _order(row: Row) -> tuple[bool, float, float]:
    return row["role"] != "baseline", _number(row, "boost_kpa"), _number(row, "power_kw")


def _number(row: Row, name: str) -> float:
    value = row[name]
    return float(value) if value is not None else 0.0


def _meets(row: Row, other: Row, stem: str, ratio: float | None = None) -> bool:
    """Whether two figures agree within their printed digits; figures of one unit must be equal."""
    unit, tolerance = ("kpa", BOOST_TOLERANCE_KPA) if stem == "boost" else ("kw", POWER_TOLERANCE_KW)
    steps = [_number(r, f"{stem}_step_{unit}") for r in (row, other)]
    one_unit = ratio is None and (0.0 in steps or abs(steps[0] / steps[1] - 1) < 1e-3)
    slack = 0.0 if one_unit else sum(steps) / 2
    return abs(_number(row, f"{stem}_{unit}") * (ratio or 1.0) - _number(other, f"{stem}_{unit}")) <= slack + tolerance


def _pair(row: Row | None, other: Row | None, ratio: float | None) -> RowPair:
    boost, power = (None if row is None else _number(row, c) for c in ("boost_kpa", "power_kw"))
    near_boost, near_power = (None if other is None else _number(other, c) for c in ("boost_kpa", "power_kw"))
    if row is None or other is None:
        return RowPair(boost, power, near_boost, near_power, False)
    same_boost = row["role"] == "baseline" or _meets(row, other, "boost")
    return RowPair(boost, power, near_boost, near_power, same_boost and _meets(row, other, "power", ratio))
