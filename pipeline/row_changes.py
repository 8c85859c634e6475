"""What changed between two versions of a table of text: rows added, removed, changed; the order of rows does not matter."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

Row = tuple[str | None, ...]
#: Within one name, rows are matched by their likeness only up to this number; beyond it in their order.
MOST_MATCHED = 200
#: A file of which more rows differ is another table: its rows are counted as added and removed.
MOST_COMPARED = 20_000
#: Share of equal cells from which a removed and an added row are one row that was changed.
LEAST_ALIKE = 0.5


@dataclass(frozen=True, slots=True)
class ChangedRow:
    """One row before and after: the cells that differ as (column, before, after)."""

    line: int
    cells: tuple[tuple[str, str | None, str | None], ...]


@dataclass(frozen=True, slots=True)
class RowChanges:
    """Rows that differ; lines are those of the new version, for removed rows those of the old one."""

    added: tuple[int, ...]
    removed: tuple[int, ...]
    changed: tuple[ChangedRow, ...]
    same: int
    columns_shared: int = 0
    columns_added: tuple[str, ...] = ()
    columns_removed: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether no row and no column differs."""
        return not (self.added or self.removed or self.changed or self.columns_added or self.columns_removed)


def compare_tables(old: pl.DataFrame, new: pl.DataFrame) -> RowChanges:
    """Compare two tables of text.

    Parameters
    ----------
    old, new : `line` and text columns named by their headers. Columns that only one has are named apart; rows are compared
        on the columns that both have.
    """
    shared = [c for c in new.columns if c in old.columns and c != "line"]
    before, after = _rows(old, shared), _rows(new, shared)
    gone, come = _difference(before, after) if shared else (before, after)
    pairs, removed, added = _match(gone, come) if shared else ([], gone, come)
    changed = tuple(
        ChangedRow(line, tuple((c, a, b) for c, a, b in zip(shared, was, now, strict=True) if a != b))
        for (_, was), (line, now) in pairs
    )
    return RowChanges(
        tuple(line for line, _ in added),
        tuple(line for line, _ in removed),
        changed,
        len(after) - len(come),
        len(shared),
        tuple(c for c in new.columns if c not in old.columns),
        tuple(c for c in old.columns if c not in new.columns),
    )


def _rows(table: pl.DataFrame, columns: Sequence[str]) -> list[tuple[int, Row]]:
    # By name and not by expression: a contributed header may be a pattern to polars ("^a.*$").
    cells = [table.get_column(name).to_list() for name in columns]
    rows = zip(*cells, strict=True) if cells else [()] * table.height
    return list(zip(table.get_column("line").to_list(), rows, strict=True))


def _difference(
    before: list[tuple[int, Row]], after: list[tuple[int, Row]]
) -> tuple[list[tuple[int, Row]], list[tuple[int, Row]]]:
    """Rows that only one side has, counting equal rows."""
    left = Counter(row for _, row in before)
    left.subtract(row for _, row in after)
    gone: list[tuple[int, Row]] = []
    come: list[tuple[int, Row]] = []
    over, under = Counter({r: n for r, n in left.items() if n > 0}), Counter({r: -n for r, n in left.items() if n < 0})
    # The last of equal rows are the surplus ones, so that an appended repeat is named by its own line.
    for place, surplus, rows in ((gone, over, before), (come, under, after)):
        for line, row in reversed(rows):
            if surplus[row] > 0:
                surplus[row] -= 1
                place.append((line, row))
        place.reverse()
    return gone, come


Pairs = list[tuple[tuple[int, Row], tuple[int, Row]]]


def _match(
    gone: list[tuple[int, Row]], come: list[tuple[int, Row]]
) -> tuple[Pairs, list[tuple[int, Row]], list[tuple[int, Row]]]:
    """Pair each removed row with the added row that it became: the same first cell and the most equal cells."""
    if len(come) > MOST_COMPARED:
        return [], gone, come
    by_name: dict[str | None, list[tuple[int, Row]]] = defaultdict(list)
    for each in gone:
        by_name[_name(each[1])].append(each)
    pairs: Pairs = []
    added = []
    for each in come:
        candidates = by_name[_name(each[1])][:MOST_MATCHED]
        best = max(candidates, key=lambda c: _alike(c[1], each[1]), default=None)
        if best is None or _alike(best[1], each[1]) < LEAST_ALIKE:
            added.append(each)
            continue
        by_name[_name(each[1])].remove(best)
        pairs.append((best, each))
    removed = sorted((r for rows in by_name.values() for r in rows), key=lambda r: r[0])
    return pairs, removed, added


def _name(row: Row) -> str | None:
    return next((cell for cell in row if cell is not None), None)


def _alike(one: Row, other: Row) -> float:
    return sum(a == b for a, b in zip(one, other, strict=True)) / max(1, len(one))


def say_changes(changes: RowChanges, most: int = 8) -> list[str]:
    """The changes as lines, the first `most` of each kind in full."""
    if changes.is_empty:
        return ["No row differs."]
    kinds = ((changes.added, "added"), (changes.removed, "removed"), (changes.changed, "changed"))
    counted = [f"{len(rows):,} row{'' if len(rows) == 1 else 's'} {word}" for rows, word in kinds if rows]
    lines = [f"{', '.join(counted) or 'No row differs'}; {changes.same:,} as before."]
    for names, word in ((changes.columns_added, "new"), (changes.columns_removed, "gone")):
        if names:
            lines.append(f"  column{'' if len(names) == 1 else 's'} {word}: {', '.join(repr(n) for n in names[:most])}")
    for row in changes.changed[:most]:
        cells = "; ".join(f"{c}: {_shown(a)} -> {_shown(b)}" for c, a, b in row.cells)
        lines.append(f"  line {row.line}: {cells}")
    for rows, word in ((changes.added, "added"), (changes.removed, "removed (old line)")):
        if rows:
            more = f" and {len(rows) - most:,} more" if len(rows) > most else ""
            lines.append(f"  {word}: line{'' if len(rows) == 1 else 's'} {', '.join(str(n) for n in rows[:most])}{more}")
    return lines


def _shown(cell: str | None) -> str:
    return "(empty)" if cell is None else (cell if len(cell) <= 40 else cell[:39] + "…")
