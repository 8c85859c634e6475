"""A contributed file as a grid of text: the shape that every reader returns, and the limits that all readers keep."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.errors import FileProblem

#: Largest contributed file. 1 GiB holds about 1.6 million rows of 40 printed columns; a file is read whole into memory,
#: several times its size while it is parsed.
MAX_FILE_BYTES = 1 << 30

#: Largest size of a workbook's or Parquet file's content once unpacked. Both formats compress, so a small file may
#: claim to hold terabytes; the claim is checked before anything is unpacked.
MAX_UNPACKED_BYTES = 1 << 30

#: Widest table. The dictionary has about a hundred fields; a curve printed sideways needs some hundreds of columns.
MAX_COLUMNS = 2_000

#: Most cells of one sheet. Sheets are expanded to full rectangles, so one cell far down and right costs the whole area.
MAX_CELLS = 100_000_000


@dataclass(frozen=True)
class ReadOptions:
    """What the source says about a file that the file does not say itself.

    Attributes
    ----------
    sheet : name of the only sheet to read; None reads all.
    delimiter : one character, or one of the words comma, semicolon, tab, pipe; None finds it.
    encoding : name of a text encoding; None finds it.
    header_line : line that holds the headers (used by ``pipeline.grid``); None finds it.
    """

    sheet: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    header_line: int | None = None


@dataclass(frozen=True)
class Grid:
    """One file or sheet as text; nothing is cleaned and no header is assumed.

    Attributes
    ----------
    cells : column ``line`` (Int64) and String columns ``c0``, ``c1``, ... ``line`` is the physical line of a text file
        (the first one of a record that spans several), the row of a sheet, or the number of a record; counted from 1,
        with 0 for keys that stand on no line. An empty or blank cell is null.
    sheet : name of the sheet, or None.
    form : "delimited", "workbook", "records" or "parquet".
    notes : how it was read (encoding, delimiter, ...), as text.
    first_line_is_header : True where the form itself names its columns (records, Parquet).
    """

    cells: pl.DataFrame
    sheet: str | None
    form: str
    notes: dict[str, str] = field(default_factory=dict)
    first_line_is_header: bool = False


def blank_to_null(name: str) -> pl.Expr:
    """Return the column with cells that hold nothing but white space as null; other cells keep their spaces."""
    return pl.when(pl.col(name).str.strip_chars() != "").then(pl.col(name)).alias(name)


def numbered(cells: pl.DataFrame, line: pl.Series) -> pl.DataFrame:
    """Put a line column before text columns, renamed ``c0``, ``c1``, ...; blank cells become null.

    Parameters
    ----------
    cells : text columns, any names, n rows.
    line : n line numbers.
    """
    renamed = cells.rename({old: f"c{i}" for i, old in enumerate(cells.columns)})
    filled = renamed.select(blank_to_null(name) for name in renamed.columns)
    return filled.insert_column(0, line.cast(pl.Int64).alias("line"))


def check_width(columns: int, name: str) -> None:
    """Raise `FileProblem` where a table is wider than `MAX_COLUMNS`."""
    if columns > MAX_COLUMNS:
        raise FileProblem(
            f"{name} has {columns:,} columns, at most {MAX_COLUMNS:,} are read; "
            "split it, or state the right delimiter in source.toml."
        )


def is_panic(error: BaseException) -> bool:
    """Tell whether an exception is a panic of a compiled reader, which does not derive from `Exception`."""
    return type(error).__name__ == "PanicException"
