"""Find the tables in a grid of text: titles above, a header row, perhaps a row of units, rows, totals, notes below.

Several tables may stand under each other on one sheet. Every row of the grid ends in exactly one place: a row of a
table, one of its totals, or a line named as title, units, comment, example, repeated header or footnote, or counted as blank.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline import row_marks
from pipeline.errors import FileProblem
from pipeline.row_marks import EXAMPLE_MARK
from pipeline.text_grid import Grid

__all__ = ["EXAMPLE_MARK", "RawTable", "find_tables"]

#: Filled rows in which the first header row is looked for, and lines that may stand between a blank row and the
#: header of a further table. Reports carry a page of titles at most; further tables have a title or two.
SEARCHED_ROWS = 30
SEARCHED_AFTER_BLANK = 6

#: Longest text that is shown to `knows_header`; a longer cell is a remark.
_LONGEST_HEADER = 120


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
    headers = _header_rows(grid, knows_header, header_line)
    starts = [0] + [_first_title_row(cells, header) for header in headers[1:]]
    ends = [*starts[1:], cells.height]
    return [_table(grid, start, header, end) for start, header, end in zip(starts, headers, ends, strict=True)] if headers else []


# -- header rows --------------------------------------------------------------------------------------------------------


def _header_rows(grid: Grid, knows_header: Callable[[str], bool], header_line: int | None) -> list[int]:
    """Row numbers (from 0) of the header rows."""
    cells = grid.cells
    if grid.first_line_is_header:
        return [0]
    first = _first_header(cells, knows_header) if header_line is None else _stated_header(grid, header_line)
    return [] if first is None else [first, *_further_headers(cells, first, knows_header)]


def _stated_header(grid: Grid, header_line: int) -> int:
    found = grid.cells.with_row_index("row").filter(
        (pl.col("line") == header_line) & pl.any_horizontal(pl.exclude("row", "line").is_not_null())
    )
    if not found.height:
        lines = grid.cells["line"]
        where = f"sheet {grid.sheet!r}" if grid.sheet else "the file"
        raise FileProblem(
            f"The header line {header_line} is stated, {where} has lines {lines[0]} to {lines[-1]} and that one is blank or not "
            "among them; correct `header_line` in source.toml, or remove it to have it found."
        )
    return int(found["row"][0])


def _first_header(cells: pl.DataFrame, knows_header: Callable[[str], bool]) -> int | None:
    """First row with two recognised headers (at best more of them than numbers), else the row that looks most like one."""
    candidates = (
        cells.with_row_index("row").filter(pl.any_horizontal(pl.exclude("row", "line").is_not_null())).head(SEARCHED_ROWS)
    )
    scored = _scored(candidates, knows_header)
    sure = scored.filter(pl.col("known") >= 2)
    # Boost levels may stand as bare numbers in a header row, so numbers speak against it only where another row has fewer.
    worded = sure.filter(pl.col("known") > pl.col("numbers"))
    for rows in (worded, sure):
        if rows.height:
            return int(rows["row"][0])
    # One recognised header outweighs three unknown texts; a number speaks against a header, a comment is none.
    likely = scored.filter(
        ~pl.col("comment") & ((pl.col("known") >= 1) | (pl.col("texts") >= 2)) & (pl.col("texts") > pl.col("numbers"))
    )
    best = likely.sort(4 * pl.col("known") + pl.col("texts") - 2 * pl.col("numbers"), descending=True, maintain_order=True)
    return int(best["row"][0]) if best.height else None


def _further_headers(cells: pl.DataFrame, first: int, knows_header: Callable[[str], bool]) -> list[int]:
    """Header rows of further tables: below a blank row, with two recognised headers and no number."""
    filled = cells.select(row_marks.is_filled()).to_series()
    since_blank = pl.select(_rows_since_blank(filled)).to_series()
    rows = cells.with_row_index("row").with_columns(since=since_blank)
    near = rows.filter((pl.col("row") > first + 1) & pl.col("since").is_between(1, SEARCHED_AFTER_BLANK) & filled).drop("since")
    scored = _scored(near, knows_header).filter(
        (pl.col("known") >= 2) & (pl.col("numbers") == 0) & (2 * pl.col("known") >= pl.col("texts"))
    )
    headers: list[int] = []
    for row in scored["row"]:
        above = cells.slice(row - int(since_blank[row]) + 1, int(since_blank[row]) - 1)
        # Only titles may stand between the blank row and the header: full rows there mean a header repeated inside a table.
        if above.select((row_marks.filled_cells() <= 1).all()).item():
            headers.append(int(row))
    return headers


def _rows_since_blank(filled: pl.Series) -> pl.Expr:
    """Distance of each row from the last blank row above it; the top of the grid counts as none."""
    row = pl.int_range(len(filled))
    last_blank = pl.when(~filled).then(row).forward_fill()
    return (row - last_blank).fill_null(SEARCHED_AFTER_BLANK + 1)


def _scored(candidates: pl.DataFrame, knows_header: Callable[[str], bool]) -> pl.DataFrame:
    """Count recognised headers, other texts and numbers of candidate rows (columns ``row``, ``line``, text columns)."""
    texts = candidates.drop("row")
    long = candidates.drop("line").unpivot(index="row", value_name="text").drop_nulls("text")
    long = long.with_columns(pl.col("text").str.strip_chars().str.strip_prefix("#").str.strip_chars()).filter(
        pl.col("text").str.len_chars() <= _LONGEST_HEADER
    )
    known = [text for text in long["text"].unique() if knows_header(text)]
    # A header that repeats within its row is one header: a line of "none, none, none" is not three.
    counts = long.filter(pl.col("text").is_in(known)).group_by("row").agg(known=pl.col("text").n_unique())
    return (
        candidates.select("row")
        .with_columns(
            texts.select(numbers=row_marks.bare_numbers(), filled=row_marks.filled_cells(), comment=row_marks.is_comment())
        )
        .with_columns(texts=pl.col("filled") - pl.col("numbers"))
        .join(counts, on="row", how="left", maintain_order="left")
        .with_columns(
            pl.col("known").fill_null(0).cast(pl.Int64), pl.col("numbers").cast(pl.Int64), pl.col("texts").cast(pl.Int64)
        )
    )


def _first_title_row(cells: pl.DataFrame, header: int) -> int:
    """First row of the block of single cells right above a header."""
    row = header
    while row > 0 and cells.slice(row - 1, 1).select((row_marks.filled_cells() == 1).all()).item():
        row -= 1
    return row


# -- one table ----------------------------------------------------------------------------------------------------------


def _table(grid: Grid, start: int, header: int, end: int) -> RawTable:
    whole = grid.cells.slice(start, end - start)
    head = grid.cells.row(header)[1:]
    above = grid.cells.slice(start, header - start).filter(row_marks.is_filled())
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
        blank_lines=whole.height - whole.filter(row_marks.is_filled()).height,
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
    kinds = ("data", "total", "comment", "example", "repeated", "footnote")
    return {name: parts[name].select(body.columns) if name in parts else body.clear() for name in kinds}


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
