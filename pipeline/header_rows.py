"""Which rows of a grid of text are header rows: the first one, and those of further tables below it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline import row_marks
from pipeline.errors import FileProblem
from pipeline.text_grid import Grid

#: Filled rows in which the first header row is looked for, and lines that may stand between a blank row and the
#: header of a further table. Reports carry a page of titles at most; further tables have a title or two.
SEARCHED_ROWS = 30
SEARCHED_AFTER_BLANK = 6

#: Longest text that is shown to `knows_header`; a longer cell is a remark.
_LONGEST_HEADER = 120
_BARE_NUMBER = re.compile(row_marks.BARE_NUMBER.removesuffix("$") + r"\Z")

KnowsHeader = Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class _Score:
    """What speaks for a row being a header row: recognised headers, other texts and bare numbers in it."""

    row: int
    known: int
    texts: int
    numbers: int


def find_header_rows(grid: Grid, knows_header: KnowsHeader, header_line: int | None) -> list[int]:
    """Row numbers (from 0) of the header rows, from top to bottom; parameters and errors are those of `pipeline.grid.find_tables`."""
    if grid.first_line_is_header:
        return [0]
    known = cache(knows_header)
    first = _first_header(grid.cells, known) if header_line is None else _stated_header(grid, header_line)
    return [] if first is None else [first, *_further_headers(grid.cells, first, known)]


def _stated_header(grid: Grid, header_line: int) -> int:
    rows = row_marks.filled_rows(grid.cells) & (grid.cells["line"] == header_line)
    if not rows.any():
        lines = grid.cells["line"]
        where = f"sheet {grid.sheet!r}" if grid.sheet else "the file"
        raise FileProblem(
            f"The header line {header_line} is stated, {where} has lines {lines[0]} to {lines[-1]} and that one is blank or not "
            "among them; correct `header_line` in source.toml, or remove it to have it found."
        )
    return int(rows.arg_true()[0])


def _first_header(cells: pl.DataFrame, knows_header: KnowsHeader) -> int | None:
    """First row with two recognised headers (at best more of them than numbers), else the row that looks most like one."""
    searched = row_marks.filled_rows(cells).arg_true().head(SEARCHED_ROWS)
    candidates = cells[searched]
    scored = []
    for score in _scored(searched, candidates, knows_header):
        if score.known >= 2 and score.known > score.numbers:
            return score.row
        scored.append(score)
    # Boost levels may stand as bare numbers in a header row, so numbers speak against it only where another row has fewer.
    sure = [s for s in scored if s.known >= 2]
    if sure:
        return sure[0].row
    # One recognised header outweighs three unknown texts; a number speaks against a header, a comment is none.
    comments = candidates.select(row_marks.is_comment()).to_series()
    likely = [
        s
        for s, comment in zip(scored, comments, strict=True)
        if not comment and (s.known >= 1 or s.texts >= 2) and s.texts > s.numbers
    ]
    best = max(likely, key=lambda s: 4 * s.known + s.texts - 2 * s.numbers, default=None)
    return None if best is None else best.row


def _further_headers(cells: pl.DataFrame, first: int, knows_header: KnowsHeader) -> list[int]:
    """Header rows of further tables: below a blank row, with two recognised headers and no number."""
    filled = row_marks.filled_rows(cells)
    if filled.all():
        return []
    since_blank = pl.select(_rows_since_blank(filled)).to_series()
    near = (filled & since_blank.is_between(1, SEARCHED_AFTER_BLANK)).arg_true()
    near = near.filter(near > first + 1)
    headers: list[int] = []
    for s in _scored(near, cells[near], knows_header):
        if s.known < 2 or s.numbers or 2 * s.known < s.texts:
            continue
        above = cells.slice(s.row - int(since_blank[s.row]) + 1, int(since_blank[s.row]) - 1)
        # Only titles may stand between the blank row and the header: full rows there mean a header repeated inside a table.
        if above.select((row_marks.filled_cells() <= 1).all()).item():
            headers.append(s.row)
    return headers


def _rows_since_blank(filled: pl.Series) -> pl.Expr:
    """Distance of each row from the last blank row above it; the top of the grid counts as none."""
    row = pl.int_range(len(filled))
    last_blank = pl.when(~filled).then(row).forward_fill()
    return (row - last_blank).fill_null(SEARCHED_AFTER_BLANK + 1)


def _scored(rows: Iterable[int], candidates: pl.DataFrame, knows_header: KnowsHeader) -> Iterator[_Score]:
    """Scores of candidate rows, as they are asked for: their numbers, and the frame with just them."""
    return (_score(row, cells, knows_header) for row, (_, *cells) in zip(rows, candidates.iter_rows(), strict=True))


def _score(row: int, cells: Iterable[str | None], knows_header: KnowsHeader) -> _Score:
    filled = [cell for cell in cells if cell is not None]
    numbers = sum(_BARE_NUMBER.match(cell) is not None for cell in filled)
    # A header that repeats within its row is one header: a line of "none, none, none" is not three.
    texts = {cell.strip().removeprefix("#").strip() for cell in filled}
    known = sum(len(text) <= _LONGEST_HEADER and knows_header(text) for text in texts)
    return _Score(row, known, len(filled) - numbers, numbers)


def first_title_row(cells: pl.DataFrame, header: int) -> int:
    """First row of the block of single cells right above a header."""
    row = header
    while row > 0 and cells.slice(row - 1, 1).select((row_marks.filled_cells() == 1).all()).item():
        row -= 1
    return row
