"""A table of curves to runs and points: the part of ``pipeline.clean_file`` that is its own for the kind *sweep*.

Points are judged one by one, grouped to curves and the curves to runs. A line leaves whole: where it leaves for one
curve, the others lose their point of that line too, so the curves are worked out anew until no further line leaves.
Nothing is worked out from a point that was refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline import changes, complete, sweeps
from pipeline.checks import CODES, EMPTY_REASONS
from pipeline.curve_groups import group_points
from pipeline.shapes import Side
from pipeline.units import factor_and_offset, unit_named
from pipeline.values import fill_constants, type_side, typed_schema

#: Fields that a constant of the file gives to boosted curves only.
BOOST = frozenset({"boost_kpa", "manifold_kpa"})
#: Rows whose printed digits show what the last one of a column is.
LOOKED_AT = 2_000
POINT_COLUMNS = ("run_key", "line", *sweeps.CURVE_FIELDS)
#: Columns that belong to points or are made on the way.
_ON_THE_WAY = ("line", "number", "curve", "passes", *sweeps.STEPS)


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the curves come from: parts of their keys."""

    source: str
    publisher: str
    file: str


@dataclass(frozen=True, slots=True)
class CleanCurves:
    """What a table of curves turns into.

    Attributes
    ----------
    runs : one completed row a curve.
    points : run_key, line and the curve's figures, as reported.
    changes : before/after pairs of accepted runs.
    reasons : line, code, column, value; every line with a refusing one has no point in `points`, every other has one.
    """

    runs: pl.DataFrame
    points: pl.DataFrame
    changes: pl.DataFrame
    reasons: pl.DataFrame


def _printed_step(text: pl.Series, unit: str | None, canonical: str) -> float | None:
    """Size of the last printed digit of a column in its canonical unit; None where the unit stands in the cells."""
    if unit is None:
        return None
    decimals = text.head(LOOKED_AT).str.extract(r"^\s*[-+]?\d+[.,](\d+)").str.len_chars().max()
    factor, _ = factor_and_offset(unit_named(unit), unit_named(canonical))
    return float(factor) * 10.0 ** -(int(decimals) if isinstance(decimals, int) else 0)


def _type_points(side: Side, label: str | None, decimal_mark: str | None) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Points of one side with the columns that it states and no others, and the reasons for cells that cannot be read."""
    typed = type_side(side, decimal_mark)
    stated = [n for n in typed.frame.columns if n in side.cells.columns[1:] or n in side.implied]
    if side.level_boost is not None:
        stated += [n for n in ("boost_kpa",) if n not in stated]
    figures = [n for n in sweeps.CURVE_FIELDS if n not in stated]
    frame = typed.frame.select("line", "number", *figures, *(n for n in stated if n not in _ON_THE_WAY))
    steps = {
        step: _printed_step(side.cells[name], side.units.get(name), unit)
        for step, name, unit in zip(sweeps.STEPS, ("curve_power_kw", "curve_torque_nm"), ("kW", "N m"), strict=True)
        if name in side.cells.columns
    }
    frame = frame.with_columns(pl.lit(v, pl.Float64).alias(k) for k, v in steps.items())
    if label is not None:
        named = pl.concat_str("run", pl.lit(f" {label}")) if "run" in frame.columns else pl.lit(None, pl.String)
        frame = frame.with_columns(run=pl.coalesce(named, pl.lit(label)))
    return frame, typed.reasons


def _refusing(reasons: pl.DataFrame) -> pl.DataFrame:
    codes = [code for code, entry in CODES.items() if entry.severity == "refuse"]
    return reasons.filter(pl.col("code").is_in(codes))


def _named_runs(runs: pl.DataFrame, points: pl.DataFrame, sides: Sequence[Side], origin: Origin) -> tuple[pl.DataFrame, bool]:
    """Runs with every column of a typed row, their names and keys; and whether before and after stand side by side."""
    roles = {side.number: side.role for side in sides}
    has = set(roles.values())
    is_change = {"before", "after"} <= has
    is_pair = not is_change and {"baseline", "boosted"} <= has
    schema = typed_schema()
    wide = runs.select(
        "curve", "line", "number",
        *(pl.col(n).cast(d) if n in runs.columns else pl.lit(None, d).alias(n) for n, d in schema.items() if n != "line"),
    ).with_columns(
        side=pl.col("number").replace_strict(roles, return_dtype=pl.String),
        _own_line=pl.col("line"),
        _pair=_pair_line(runs, points, is_change or is_pair),
    )  # fmt: skip
    kind = "changes" if is_change else "pairs" if is_pair else "sweep"
    named = complete.add_names(wide.with_columns(line="_pair"), origin.source, origin.publisher, origin.file, kind)
    tail = pl.format("/{}", "number") if len(sides) > 1 else pl.lit("")
    key = pl.format("{}/{}#{}{}", pl.lit(origin.source), pl.lit(origin.file), "_own_line", tail)
    return named.with_columns(line="_own_line", run_key=key), is_change


def _pair_line(runs: pl.DataFrame, points: pl.DataFrame, is_paired: bool) -> pl.Series:
    """A number that the two curves of a pair share: the first line of the first of them.

    The second side's curve belongs to the first side's with which it shares most lines. One that shares none gets a number
    of its own, below zero.
    """
    if not is_paired:
        return runs["line"]
    held = points.select("line", "curve", "number")
    first, second = (held.filter(pl.col("number") == n).select("line", "curve") for n in (1, 2))
    shared = second.join(first, on="line", suffix="_first").group_by("curve", "curve_first").len()
    best = shared.sort("len", "curve_first", descending=[True, False]).unique("curve", keep="first")
    begins = runs.select(curve_first="curve", _pair="line")
    found = runs.join(best.join(begins, on="curve_first"), on="curve", how="left", maintain_order="left")
    return found.select(
        pl.when(pl.col("number") != 2).then("line").otherwise(pl.coalesce("_pair", -pl.col("line"))).alias("_pair")
    ).to_series()


def _widen(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs with every column that a typed row has."""
    columns = (pl.col(n).cast(d) if n in runs.columns else pl.lit(None, d).alias(n) for n, d in typed_schema().items())
    return runs.select("curve", "line", "number", *columns)


def _fill(runs: pl.DataFrame, constants: Mapping[str, object], sides: Sequence[Side]) -> pl.DataFrame:
    """Constants of the file; boost neither where the curve has a column for it nor on an unboosted curve."""
    filled = []
    for side in sides:
        present = set(side.cells.columns)
        keeps = present & (BOOST | {"curve_boost_kpa"}) or side.role == "baseline" or side.level_boost is not None
        own = {n: v for n, v in constants.items() if not (n in BOOST and keeps)}
        filled.append(fill_constants(runs.filter(pl.col("number") == side.number), own, frozenset(present)))
    return pl.concat(filled).sort("curve")


def _with_gauge_boost(points: pl.DataFrame, constants: Mapping[str, object]) -> pl.DataFrame:
    """Boost of each point from absolute manifold pressure, where that is what was logged."""
    if "manifold_kpa" not in points.columns:
        return points
    needed = ("ambient_kpa", "altitude_m", "manifold_kpa")
    air = points.with_columns(pl.lit(None, pl.Float64).alias(n) for n in needed if n not in points.columns)
    # Air that is stated once holds for all points of the curve.
    air = air.with_columns(
        pl.coalesce(n, pl.col(n).drop_nulls().first().over("curve"), pl.lit(constants.get(n), pl.Float64)) for n in needed[:2]
    )
    return points.with_columns(complete.add_curve_boost(air)["curve_boost_kpa"]).drop("manifold_kpa")


def clean_curves(
    sides: Sequence[Side],
    labels: Mapping[str, str],
    constants: Mapping[str, object],
    decimal_mark: str | None,
    origin: Origin,
    judge: Callable[[pl.DataFrame], pl.DataFrame],
) -> CleanCurves:
    """Curves of one table to runs and points.

    Parameters
    ----------
    sides : one for each curve that stands beside the others.
    labels : role of a side -> its label as contributed.
    constants : typed constants of the file.
    decimal_mark : of the file's figures, or None.
    origin : parts of the keys.
    judge : completed runs to reasons (line, code, column, value).
    """
    parts = [_type_points(side, labels.get(side.role), decimal_mark) for side in sides]
    reasons = pl.concat([EMPTY_REASONS, *(r for _, r in parts)])
    points, found = sweeps.find_blank_points(pl.concat([p for p, _ in parts], how="diagonal"))
    reasons = pl.concat([reasons, found])
    points = _with_gauge_boost(group_points(_without(points, reasons)), constants)
    while True:
        points, found = sweeps.check_points(points)
        if not _refusing(found).is_empty():
            reasons, points = pl.concat([reasons, found]), _without(points, found)
            continue
        curves = sweeps.make_curves(points)
        runs, is_change = _named_runs(_fill(_widen(curves.runs), constants, sides), points, sides, origin)
        # Curves that stand beside one another begin on one line: while runs are judged, their number stands for the line.
        runs = complete.complete(runs).with_columns(line="curve")
        changed = _find_changes(runs, is_change, origin)
        of_runs = pl.concat([judge(runs.drop("_own_line", "_pair")), changed.reasons])
        refused = pl.concat([_refusing(curves.reasons), _on_every_line(_refusing(of_runs), points)])
        reasons = pl.concat([reasons, refused])
        if refused.is_empty() or points.is_empty():
            break
        points = _without(points, refused)
    flags = pl.concat([found, curves.reasons, _on_first_line(of_runs, runs)])
    flags = flags.join(_refusing(flags), on=flags.columns, how="anti", nulls_equal=True, maintain_order="left")
    runs = runs.with_columns(line="_own_line").filter(pl.col("curve").is_in(points["curve"].unique().implode()))
    keyed = points.join(runs.select("curve", "run_key"), on="curve", how="inner", maintain_order="left").select(POINT_COLUMNS)
    kept = changed.changes.filter(pl.all_horizontal(pl.col("before_run_key", "after_run_key").is_in(runs["run_key"].implode())))
    begins = runs.select(after_run_key="run_key", line="line")
    kept = kept.drop("line").join(begins, on="after_run_key", maintain_order="left").select(changes.CHANGE_SCHEMA.keys())
    return CleanCurves(runs.drop("curve", "_own_line", "_pair"), keyed, kept, pl.concat([reasons, flags]))


def _without(points: pl.DataFrame, reasons: pl.DataFrame) -> pl.DataFrame:
    lines = _refusing(reasons)["line"].unique()
    return points.filter(~pl.col("line").is_in(lines.implode())) if len(lines) else points


def _find_changes(runs: pl.DataFrame, is_change: bool, origin: Origin) -> changes.Changes:
    """Pairs that stand side by side, and pairs that are named (``compared_with``)."""
    named = changes.find_changes(runs, "sweep", origin.source, origin.file)
    if not is_change:
        return named
    beside = changes.find_changes(runs.with_columns(line="_pair"), "changes", origin.source, origin.file)
    made = beside.changes.with_columns(change_key="after_run_key")
    return changes.Changes(pl.concat([made, named.changes]), pl.concat([beside.reasons, named.reasons]))


def _on_every_line(reasons: pl.DataFrame, points: pl.DataFrame) -> pl.DataFrame:
    """Reasons that refuse a run, told under the number of its curve, on every line of that curve."""
    lines = points.select("curve", _line="line")
    return (
        reasons.join(lines, left_on="line", right_on="curve", maintain_order="left")
        .select("code", "column", "value", line="_line")
        .select(EMPTY_REASONS.columns)
    )


def _on_first_line(reasons: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Reasons told under the number of a curve, on the first line of that curve."""
    lines = runs.select("curve", _line="_own_line")
    return (
        reasons.join(lines, left_on="line", right_on="curve", maintain_order="left")
        .select("code", "column", "value", line="_line")
        .select(EMPTY_REASONS.columns)
    )
