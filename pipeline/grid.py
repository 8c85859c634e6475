"""Find the tables in a grid of text: titles above, a header row, perhaps a row of units, rows, totals, notes below.

Several tables may stand under each other on one sheet. Every row of the grid ends in exactly one place: a row of a
table, one of its totals, or a line named as title, units, comment, example, repeated header or footnote, or counted as blank.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline import row_marks
from pipeline.header_rows import find_header_rows, first_title_row
from pipeline.row_marks import EXAMPLE_MARK
from pipeline.text_grid import Grid

__all__ = ["EXAMPLE_MARK", "RawTable", "find_tables"]

#: What a filled row below a header may be.
_KINDS = ("data", "total", "comment", "example", "repeated", "footnote")


@dataclass(frozen=True)
class RawTable:
    """One table as contributed, all text.

    Attributes
    ----------
    headers : header text of each column; may repeat or be empty.
    units : text of a second header row with units, or None, for each column.
    cells : ``line`` and ``c0``, ``c1``, ...: the rows of data. Columns without header and without any cell are gone.
    totals : rows recognised as totals or averages, same columns.
    header_line : line of the header row.
    blank_lines : number of blank rows from the table's first line to the next table.
    title_lines : lines above the header row that are no data.
    sheet, form : of the grid.
    notes : of the grid, with ``title`` and ``footnote`` where the table has them.
    unit_line : line of the second header row with units, or None.
    comment_lines, example_lines, repeated_header_lines, footnote_lines : lines below the header that are no data.
    """

    headers: tuple[str, ...]
    units: tuple[str | None, ...]
    cells: pl.DataFrame
    totals: pl.DataFrame
    header_line: int
    blank_lines: int
    title_lines: tuple[int, ...]
    sheet: str | None
    notes: dict[str, str]
    form: str
    unit_line: int | None = None
    comment_lines: tuple[int, ...] = ()
    example_lines: tuple[int, ...] = ()
    repeated_header_lines: tuple[int, ...] = ()
    footnote_lines: tuple[int, ...] = ()


def find_tables(grid: Grid, knows_header: Callable[[str], bool], header_line: int | None = None) -> list[RawTable]:
    """Find the tables of a grid, from top to bottom; an empty list where nothing looks like a header row.

    Parameters
    ----------
    grid : one sheet or file as text.
    knows_header : tells whether a text is a recognised header. It is asked once for each distinct text.
    header_line : line of the first header row where the source states it.

    Raises
    ------
    FileProblem
        Where the stated header line holds no cell.
    """
    cells = grid.cells
    if not cells.height:
        return []
    headers = find_header_rows(grid, knows_header, header_line)
    starts = [0] + [first_title_row(cells, header) for header in headers[1:]]
    ends = [*starts[1:], cells.height]
    return [_table(grid, start, header, end) for start, header, end in zip(starts, headers, ends, strict=True)] if headers else []


# -- one table ----------------------------------------------------------------------------------------------------------


def _table(grid: Grid, start: int, header: int, end: int) -> RawTable:
    whole = grid.cells.slice(start, end - start)
    head = grid.cells.row(header)[1:]
    above = grid.cells.slice(start, header - start)
    above = above.filter(row_marks.filled_rows(above))
    body = grid.cells.slice(header + 1, end - header - 1)
    units = row_marks.units_of_row(body.row(0)[1:]) if body.height and not grid.first_line_is_header else None
    unit_line = int(body["line"][0]) if units is not None else None
    if units is not None:
        body = body.slice(1)
    sorted_body = _sort_rows(body, head)
    used = [
        i
        for i, text in enumerate(head)
        if text is not None or grid.cells.slice(header + 1, end - header - 1)[f"c{i}"].null_count() < end - header - 1
    ]
    texts = {key: _joined(rows) for key, rows in (("title", above), ("footnote", sorted_body["footnote"])) if rows.height}
    return RawTable(
        headers=tuple(_header_text(head, i) for i in used),
        units=tuple(units[i] if units else None for i in used),
        cells=_columns(sorted_body["data"], used),
        totals=_columns(sorted_body["total"], used),
        header_line=int(grid.cells["line"][header]),
        blank_lines=whole.height - int(row_marks.filled_rows(whole).sum()),
        title_lines=tuple(above["line"]),
        sheet=grid.sheet,
        notes={**grid.notes, **texts},
        form=grid.form,
        unit_line=unit_line,
        comment_lines=tuple(sorted_body["comment"]["line"]),
        example_lines=tuple(sorted_body["example"]["line"]),
        repeated_header_lines=tuple(sorted_body["repeated"]["line"]),
        footnote_lines=tuple(sorted_body["footnote"]["line"]),
    )


def _sort_rows(body: pl.DataFrame, head: tuple[str | None, ...]) -> dict[str, pl.DataFrame]:
    """Part the filled rows below a header by kind; each row falls into exactly one."""
    if row_marks.is_all_data(body, head[0]):
        return {name: body if name == "data" else body.clear() for name in _KINDS}
    total, late_total = row_marks.total_rows(body)
    kind = (
        pl.when(_repeats(body, head))
        .then(pl.lit("repeated"))
        .when(row_marks.example_rows(body))
        .then(pl.lit("example"))
        .when(row_marks.is_comment())
        .then(pl.lit("comment"))
        .when(total)
        .then(pl.lit("total"))
        .otherwise(pl.lit("data"))
    )
    marked = body.with_columns(
        kind=kind,
        late_total=late_total,
        note=row_marks.remark_rows(body) & _below_blank(body),
        filled=row_marks.is_filled(),
    ).filter("filled")
    is_data = (pl.col("kind") == "data") & ~pl.col("late_total") & ~pl.col("note")
    last = marked.select(pl.arg_where(is_data).max()).item()
    at_end = pl.int_range(pl.len()) > (-1 if last is None else last)
    wide = len([text for text in head if text is not None]) >= 3
    still_data = pl.col("kind") == "data"
    marked = marked.with_columns(
        kind=pl.when(still_data & pl.col("late_total") & at_end)
        .then(pl.lit("total"))
        .when(still_data & pl.col("note") & at_end & pl.lit(wide))
        .then(pl.lit("footnote"))
        .otherwise("kind")
    )
    parts = {str(kind): part for (kind,), part in marked.partition_by("kind", as_dict=True, include_key=False).items()}
    return {name: parts[name].select(body.columns) if name in parts else body.clear() for name in _KINDS}


def _repeats(body: pl.DataFrame, head: tuple[str | None, ...]) -> pl.Series:
    """True for rows that say the header again, as printed tables do on each page."""
    folded = [text.strip().lower() if text is not None else None for text in head]
    likely = pl.Series([True]).new_from_index(0, body.height)
    # Column by column on the rows that are still alike: after the first column nearly none are left.
    for i in sorted(range(len(folded)), key=lambda k: folded[k] is None):
        column = body[f"c{i}"].filter(likely).str.strip_chars().str.to_lowercase()
        alike = column.eq_missing(pl.Series([folded[i]], dtype=pl.String).new_from_index(0, len(column)))
        likely = likely.scatter(likely.arg_true(), alike) if len(alike) else likely
        if not likely.any():
            break
    return likely


def _below_blank(body: pl.DataFrame) -> pl.Series:
    """True for rows that have a blank row somewhere above them in the table."""
    return body.select((~row_marks.is_filled()).cum_sum() > 0).to_series()


def _header_text(head: tuple[str | None, ...], i: int) -> str:
    text = (head[i] or "").strip()
    first_filled = next((k for k, cell in enumerate(head) if cell is not None), None)
    # Plotting programs comment their header row out.
    return text.removeprefix("#").strip() if i == first_filled and text != "#" else text


def _columns(rows: pl.DataFrame, used: list[int]) -> pl.DataFrame:
    return rows.select("line", *(pl.col(f"c{old}").alias(f"c{new}") for new, old in enumerate(used)))


def _joined(rows: pl.DataFrame) -> str:
    texts = rows.select(pl.concat_str(pl.exclude("line").str.strip_chars(), separator=" ", ignore_nulls=True)).to_series()
    return "\n".join(texts)
