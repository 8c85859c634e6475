"""Which curve a column of a wide table of curves belongs to: "Run 3 power (hp)", "6 psi torque", "stock hp", "Kurve 2 Nm".

Sides that the words themselves name (before, after, baseline, boosted) and levels of power are recognised by
``pipeline.headers``. What is left is taken apart into a free label and the rest, and the rest is recognised on its own.
A label counts only where it owns a curve: power or torque of its own, in a table without a curve that has no label.
Nothing is guessed in silence: the caller names the curves that were found side by side.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import polars as pl

from pipeline.fields import FIELDS
from pipeline.grid import RawTable
from pipeline.header_reading import read_header
from pipeline.headers import Column, recognise_headers
from pipeline.numerals import parse_numerals
from pipeline.text_grid import Grid
from pipeline.units import find_unit
from pipeline.words import fold_words, read_word_table

#: A role of this form names the curve by its free label.
LABEL_ROLE = "curve: "
#: Fields of which a curve needs one.
CURVE_FIGURES = frozenset({"curve_power_kw", "curve_torque_nm"})
#: Fields that belong to a point or a run; only these can belong to a labelled curve.
OF_A_RUN = frozenset(
    f.name for f in FIELDS.values() if f.table in ("run", "sweep_point", "build") and f.name not in ("build", "run")
)
#: A header of more words is a sentence, and a label of more is no name of a run.
MOST_WORDS, MOST_LABEL_WORDS = 12, 6
#: Rows that are looked at to see whether speeds run in one direction, and the fewest that make a curve.
LOOKED_AT, FEWEST_ROWS = 2_000, 6
#: Rank correlation of speed with row within one run: peaks of unlike runs are in no such order.
IN_ORDER = 0.9

_TOKEN = re.compile(r"[^\s_,;:|/]+")
_PRESSURE = re.compile(r"(\d{1,3}(?:[.,]\d{1,3})?)\s*([A-Za-z][A-Za-z/²]*\d?)")
_NUMBERED = re.compile(r"^(?P<name>.*\S)\s*[ ._#(-]\s*(?P<number>\d{1,2})\s*\)?$")


@dataclass(frozen=True, slots=True)
class _Reading:
    """One way to take a header apart: the label as contributed, and the column that the rest names."""

    label: str
    column: Column

    @property
    def key(self) -> str:
        return fold_words(self.label)


def label_of(column: Column) -> str | None:
    """The free label of a column's curve, or None."""
    return column.role.removeprefix(LABEL_ROLE) if column.role.startswith(LABEL_ROLE) else None


@cache
def not_curve_words() -> frozenset[str]:
    """Folded words that say that a figure is no run's (losses, differences, targets, other machines)."""
    return frozenset(fold_words(row["word"]) for row in read_word_table("not_curve_words.csv", ("word", "language", "note")))


def label_curves(
    columns: Sequence[Column], units: Sequence[str | None] | None = None, fixed: Collection[str] = frozenset()
) -> list[Column]:
    """Columns of a sweep with the curve that each belongs to.

    Parameters
    ----------
    columns : from :func:`pipeline.headers.recognise_headers` under the kind sweep.
    units : texts of a second header row.
    fixed : headers that the contributor has decided on; they are left as they are.

    Returns
    -------
    The columns in their order. A column of a labelled curve has its field and unit, and the role ``curve: <label>``, or
    role "level" where the label is a boost and nothing else. All others are unchanged.
    """
    numbered = _number_repeats(columns, units, fixed)
    if any(c.role == "" and c.field in CURVE_FIGURES for c in numbered):
        return _keep_whole_curves(numbered, columns)
    readings = {
        place: found
        for place, column in enumerate(numbered)
        if column.field is None and column.header not in fixed and (found := list(_readings(column, _unit(units, place))))
    }
    votes = Counter(key for found in readings.values() for key in {r.key for r in found})
    labelled = list(numbered)
    for place, found in readings.items():
        best = max(found, key=lambda r: (votes[r.key], -len(r.key.split())))
        labelled[place] = _as_curve(best, columns[place])
    return _keep_whole_curves(labelled, columns)


def _unit(units: Sequence[str | None] | None, place: int) -> str | None:
    return units[place] if units is not None and place < len(units) else None


@lru_cache(maxsize=8192)
def _recognise_alone(header: str, unit: str | None) -> Column:
    texts = (header, f"{header} ({unit})") if unit else (header,)
    if all(read_header(text).field is None for text in texts):
        return Column(0, header, None, None)  # suggestions would cost more than all the rest
    return recognise_headers([header], [unit], None, "sweep")[0]


def _readings(column: Column, unit: str | None) -> Iterator[_Reading]:
    """Every way to take a header apart into a label and a recognised rest, the shortest label first, at its head first."""
    tokens = [(m.start(), m.end()) for m in _TOKEN.finditer(column.header) if fold_words(m.group())]
    if not 2 <= len(tokens) <= MOST_WORDS:
        return
    for size in range(1, min(len(tokens) - 1, MOST_LABEL_WORDS) + 1):
        for start in (0, len(tokens) - size, *range(1, len(tokens) - size)):
            begin, end = tokens[start][0], tokens[start + size - 1][1]
            if any(column.header[begin:end].count(a) != column.header[begin:end].count(b) for a, b in ("()", "[]", "{}")):
                continue
            label = _tidy(column.header[begin:end])
            if not fold_words(label) or set(fold_words(label).split()) & not_curve_words():
                continue
            rest = _recognise_alone(f"{column.header[:begin]} {column.header[end:]}".strip(" \t_,;:|/-–—@"), unit)
            if rest.field in OF_A_RUN and rest.role == "":
                yield _Reading(label, rest)


def _tidy(label: str) -> str:
    """A label without marks at its ends; a bracket stays where it closes one that was opened."""
    label = label.strip(" \t-–—=@.")
    for opened, closed in ("()", "[]", "{}"):
        if label.count(opened) != label.count(closed) or (label.startswith(opened) and label.endswith(closed)):
            label = label.strip(opened + closed)
    return label


def _as_curve(reading: _Reading, column: Column) -> Column:
    """The column under its label; a label that is a boost makes a level of it."""
    boost, boost_unit, is_all = _boost_in(reading.label)
    role = "level" if is_all else LABEL_ROLE + reading.label
    made = replace(
        reading.column, position=column.position, header=column.header, role=role, level_boost=boost, level_unit=boost_unit
    )
    return replace(made, suggestions=(), doubt=reading.column.doubt)


def _boost_in(label: str) -> tuple[float | None, str | None, bool]:
    """Gauge boost that a label states, its unit, and whether it says nothing else."""
    for match in _PRESSURE.finditer(label):
        unit = find_unit(match.group(2), "pressure")
        plain = find_unit(match.group(2))
        if unit is None or unit.pressure_kind == "absolute" or plain is None or plain.quantity != "pressure":
            continue
        reading = read_header(label)
        return float(match.group(1).replace(",", ".")), unit.name, reading.role == "level" and reading.is_bare
    return None, None, False


def _number_repeats(columns: Sequence[Column], units: Sequence[str | None] | None, fixed: Collection[str]) -> list[Column]:
    """Headers that repeat, as they stand or with a number behind ("hp", "hp.1"): one curve for each time round."""
    names = {fold_words(c.header): c for c in columns if c.field in OF_A_RUN and c.role == ""}
    seen: Counter[str] = Counter()
    made = list(columns)
    repeated = set()
    for place, column in enumerate(columns):
        key = fold_words(column.header)
        seen[key] += 1
        if column.field is not None or column.header in fixed:
            continue
        number, first = str(seen[key]), names.get(key)
        match = _NUMBERED.match(column.header)
        if first is None and match is not None:
            key, number = fold_words(match.group("name")), match.group("number")
            first = names.get(key)
        if first is not None:
            alone = _recognise_alone(first.header, _unit(units, place))
            made[place] = replace(alone, position=column.position, header=column.header, role=LABEL_ROLE + number)
            repeated.add(key)
    if not any(made[place].field in CURVE_FIGURES and made[place] != columns[place] for place in range(len(made))):
        return list(columns)
    # The first time round is a curve like the others.
    return [
        replace(c, role=LABEL_ROLE + "1")
        if c.role == "" and fold_words(c.header) in repeated and seen[fold_words(c.header)] > 1
        else c
        for c in made
    ]


def _keep_whole_curves(labelled: Sequence[Column], before: Sequence[Column]) -> list[Column]:
    """Columns of labels without power or torque go back to what they were; of two columns for one field the first stays."""
    owners = {fold_words(c.role) for c in labelled if c.field in CURVE_FIGURES}
    claimed: dict[tuple[str, float | None, str | None], str] = {}
    kept = []
    for column, was in zip(labelled, before, strict=True):
        is_new = column.role != was.role or column.field != was.field
        key = (fold_words(column.role), column.level_boost if column.role == "level" else None, column.field)
        if is_new and fold_words(column.role) not in owners:
            column = was
        elif column.field is not None and column.role and key in claimed:
            column = replace(was, field=None, role="", doubt=f"{claimed[key]!r} already gives {column.field} of this curve")
        elif column.field is not None:
            claimed.setdefault(key, column.header)
        kept.append(column)
    return kept


def split_overrides(overrides: Mapping[str, str]) -> tuple[dict[str, str], dict[str, str]]:
    """Header overrides that name a field, and those that name a field under a label ("Kurve A power_hp")."""
    labelled = {}
    for header, target in overrides.items():
        alone = _recognise_alone(target, None)
        if target.strip() and alone.field is None and any(True for _ in _readings(alone, None)):
            labelled[header] = target
    return {h: t for h, t in overrides.items() if h not in labelled}, labelled


def curves_beside(columns: Sequence[Column]) -> list[str]:
    """Names of the curves that stand side by side in a table, for telling the contributor; one curve alone has no name."""
    names: dict[tuple[str, float | None], str] = {}
    for c in columns:
        if c.field is not None and c.role:
            boost = c.level_boost if c.role == "level" else None
            names.setdefault(
                (fold_words(c.role), boost), label_of(c) or (f"{boost:g} {c.level_unit}" if boost is not None else c.role)
            )
    return list(names.values())


def looks_like_sweep(table: RawTable, columns: Sequence[Column], decimal_mark: str | None = None) -> str | None:
    """Why a table whose kind is not stated must be curves side by side, or None.

    Columns of several sides may as well be pairs, changes or levels with the speed of each peak. Curves they are only
    where one speed column runs in one direction, row by row, through many rows of the same run.

    Parameters
    ----------
    columns : recognised without a kind.
    """
    speeds = [c for c in columns if c.field == "rpm" and c.role == ""]
    sides = {c.role for c in columns if c.role} or {c.role for c in label_curves(_as_sweep(table), table.units) if c.role}
    if len(speeds) != 1 or not sides or table.cells.height < FEWEST_ROWS:
        return None
    head = table.cells.head(LOOKED_AT)
    groups = [f"c{c.position}" for c in columns if c.field in ("build", "run", "session")]
    rpm = parse_numerals(head[f"c{speeds[0].position}"], decimal_mark)["value"]
    frame = head.select(*groups, place=pl.int_range(pl.len())).with_columns(rpm=rpm).drop_nulls("rpm")
    each = frame.group_by(groups or [pl.lit(0)]).agg(
        rho=pl.corr(pl.col("rpm").rank(), pl.col("place").rank()), rows=pl.len(), distinct=pl.col("rpm").n_unique()
    )
    longest = (
        each.sort("rows", descending=True)
        .head(1)
        .filter((pl.col("rows") >= FEWEST_ROWS) & (pl.col("distinct") >= FEWEST_ROWS) & (pl.col("rho").abs() >= IN_ORDER))
    )
    if longest.is_empty():
        return None
    return f"engine speed runs through {longest['rows'][0]} rows of one run, with {len(sides)} curve{'' if len(sides) == 1 else 's'} beside it"


def _as_sweep(table: RawTable) -> list[Column]:
    return recognise_headers(table.headers, table.units, None, "sweep")


def name_by_titles(table: RawTable, grid: Grid, overrides: Mapping[str, str]) -> RawTable:
    """A table whose headers repeat under run names in the row above ("Run 1", "", "Run 2", "") with those names in its headers."""
    folded = [fold_words(h) for h in table.headers]
    repeats = {k for k, n in Counter(folded).items() if k and n > 1}
    at = grid.cells["line"].index_of(table.header_line)
    if not repeats or at is None or at == 0 or table.unit_line is None and grid.first_line_is_header:
        return table
    above = grid.cells.row(at - 1)[1:]
    places = _places(grid.cells.row(at)[1:], table.headers)
    if places is None or sum(1 for text in above if text is not None and text.strip()) < 2:
        return table
    names, held = [], ""
    for text in above:
        held = text.strip() if text is not None and text.strip() else held
        names.append(held)
    headers = tuple(
        f"{names[places[i]]}: {header}" if folded[i] in repeats and names[places[i]] and header not in overrides else header
        for i, header in enumerate(table.headers)
    )
    return replace(table, headers=headers)


def _places(head: Sequence[str | None], headers: Sequence[str]) -> list[int] | None:
    """Column of the grid that each header of the table came from (columns without any cell are gone from the table)."""
    places, start = [], 0
    for header in headers:
        match = next((i for i in range(start, len(head)) if (head[i] or "").strip().removeprefix("#").strip() == header), None)
        if match is None:
            return None
        places.append(match)
        start = match + 1
    return places
