"""The record kinds: from recognised columns to sides, one side a run of a row.

A *side* is the part of each row that makes one run: the whole row for *runs*, before and after
for *changes*, baseline and boosted for *pairs*, one power column for *levels*, one curve for
*sweep*. Cells are still text here; nothing is converted and no row is dropped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from pipeline.errors import FileProblem
from pipeline.grid import RawTable
from pipeline.headers import Column
from pipeline.units import convert, unit_named
from pipeline.words import fold_words

#: Boost belongs to the boosted run of a pair even where its header carries no prefix.
BOOSTED_ONLY = frozenset({"boost_kpa", "manifold_kpa"})
#: Fields of a curve, and those of them without which there is no curve.
CURVE_FIGURES = frozenset({"curve_power_kw", "curve_torque_nm"})
CURVE_FIELDS = CURVE_FIGURES | {"curve_boost_kpa", "manifold_kpa"}
#: Order of the curves of a wide table; labelled ones stand before the last, which is the curve without a side.
CURVE_ORDER = ("before", "after", "baseline", "boosted", "level", "")
#: Sides of each record kind in the order of their runs.
SIDES = {"runs": ("",), "levels": ("level",), "changes": ("before", "after"), "pairs": ("baseline", "boosted"), "sweep": ("",)}


@dataclass(frozen=True, slots=True)
class Side:
    """One run of each row, as text.

    Attributes
    ----------
    role : "", "before", "after", "baseline", "boosted" or "level"; in a sweep also a folded label.
    number : 1-based place among the sides, part of the run's key.
    cells : `line` and one text column a canonical field.
    headers : canonical field -> header as contributed, for messages.
    units : canonical field -> unit name that the header states, or None.
    implied : codes that a header itself says (`whp` says wheel).
    level_boost, level_unit : boost of a *levels* column, None otherwise.
    """

    role: str
    number: int
    cells: pl.DataFrame
    headers: dict[str, str]
    units: dict[str, str | None]
    implied: dict[str, str] = field(default_factory=dict)
    level_boost: float | None = None
    level_unit: str | None = None


def _pick(table: RawTable, columns: Sequence[Column], role: str, number: int) -> Side:
    chosen: dict[str, Column] = {}
    for column in columns:
        if column.field is not None:
            chosen[column.field] = column
    cells = table.cells.select("line", *(pl.col(f"c{c.position}").alias(name) for name, c in chosen.items()))
    implied = {code: value for c in chosen.values() for code, value in c.implied.items()}
    return Side(role, number, cells, {n: c.header for n, c in chosen.items()}, {n: c.unit for n, c in chosen.items()}, implied)


def _level_sides(table: RawTable, columns: Sequence[Column]) -> list[Side]:
    shared = [c for c in columns if c.role == ""]
    levels = [c for c in columns if c.role == "level"]
    if not levels:
        raise FileProblem(
            'kind "levels" needs one power column for each boost level (such as `NA hp`, `6 psi`); none of the headers '
            f"{', '.join(repr(c.header) for c in columns[:12])} is one; name them so, or state another kind in source.toml"
        )
    # A level table states its power unit once (`NA hp`, `6 psi`, `8 psi`); two different ones leave the others unstated.
    stated = {c.unit for c in levels if c.unit}
    common = stated.pop() if len(stated) == 1 else None
    sides = []
    for number, level in enumerate(levels, start=1):
        side = _pick(table, [*shared, replace(level, field="power_kw", unit=level.unit or common)], "level", number)
        sides.append(replace(side, level_boost=level.level_boost, level_unit=level.level_unit))
    return sides


def _pair_side(table: RawTable, columns: Sequence[Column], role: str, number: int) -> Side:
    own = [c for c in columns if c.role == role]
    shared = [c for c in columns if c.role == ""]
    if role == "baseline":
        # A pair's unprefixed power or boost is the boosted run's; `baseline_build` names this side's build.
        shared = [c for c in shared if c.field not in BOOSTED_ONLY | {"power_kw", "observed_power_kw"}]
        own = own + [replace(c, field="build") for c in shared if c.field == "baseline_build"]
    shared = [c for c in shared if c.field != "baseline_build"]
    return _pick(table, [*shared, *own], role, number)


def split_sides(table: RawTable, columns: Sequence[Column], kind: str) -> list[Side]:
    """The sides of a table under its record kind; in a sweep one for each curve that stands beside the others.

    Raises
    ------
    FileProblem : the columns that this kind needs are not there.
    """
    if kind == "levels":
        return _level_sides(table, columns)
    if kind in ("changes", "pairs"):
        first, second = SIDES[kind]
        if not {first, second} <= {c.role for c in columns if c.field is not None} and kind == "changes":
            raise FileProblem(
                f'kind "{kind}" needs columns that begin with `{first}_` and `{second}_`; the headers are '
                f"{', '.join(repr(c.header) for c in columns[:12])}; name them so, or state another kind in source.toml"
            )
        if kind == "pairs":
            return [_pair_side(table, columns, role, n) for n, role in enumerate((first, second), start=1)]
        shared = [c for c in columns if c.role == ""]
        return [
            _pick(table, [*shared, *(c for c in columns if c.role == role)], role, n)
            for n, role in enumerate((first, second), start=1)
        ]
    if kind == "sweep":
        return _curve_sides(table, columns)
    return [_pick(table, [c for c in columns if c.role == ""], "", 1)]


def _curve_sides(table: RawTable, columns: Sequence[Column]) -> list[Side]:
    """One side a curve: those of a change or a pair first, then levels, labelled curves, and the curve without a side."""
    known = [c for c in columns if c.field is not None]
    keys = {_curve_key(c): c for c in reversed(known) if c.field in CURVE_FIGURES}
    shared = [c for c in known if c.role == "" and c.field not in CURVE_FIELDS]
    # An unprefixed curve is a curve of its own: none of its columns belongs to the others.
    own_boost = [c for c in known if c.role == "" and c.field in CURVE_FIELDS - CURVE_FIGURES]
    shared_boost = [] if ("", None) in keys else own_boost
    sides = []
    for number, key in enumerate(sorted(keys, key=lambda k: (_curve_rank(k[0]), keys[k].position)), start=1):
        role, _ = key
        own = [c for c in known if _curve_key(c) == key]
        if role == "":
            sides.append(_pick(table, [*shared, *own], "", number))
        elif role == "baseline":
            own = own + [replace(c, field="build") for c in shared if c.field == "baseline_build"]
            sides.append(_pick(table, [*(c for c in shared if c.field != "baseline_build"), *own], role, number))
        else:
            taken = [c for c in shared if role != "boosted" or c.field != "baseline_build"]
            sides.append(_pick(table, [*taken, *shared_boost, *own], role, number))
        level = next((c for c in own if c.level_boost is not None), None)
        if level is not None:
            sides[-1] = replace(sides[-1], level_boost=level.level_boost, level_unit=level.level_unit)
    return sides or [_pick(table, [c for c in known if c.role == ""], "", 1)]


def _curve_key(column: Column) -> tuple[str, float | None]:
    """What tells the curves of a wide table apart: the side or label, and the level's boost in kPa."""
    boost = None
    if column.role == "level" and column.level_boost is not None and column.level_unit is not None:
        boost = round(float(convert(column.level_boost, unit_named(column.level_unit), unit_named("kPa"))), 3)
    return fold_words(column.role), boost


def _curve_rank(role: str) -> int:
    """Before and after, or baseline and boosted, must be the first two sides: changes and pairs are known by their number."""
    return CURVE_ORDER.index(role) if role in CURVE_ORDER else len(CURVE_ORDER) - (role != "")
