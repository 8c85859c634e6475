"""Delimited text -> grid: the delimiter is found, quotes are honoured, ragged rows widen the grid, lines keep their numbers.

Nearly every file goes through the compiled all-text reader. Only files whose quotes are irregular or span lines are read
record by record, because there the line of a record must be tracked.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from itertools import zip_longest

import numpy as np
import polars as pl

from pipeline.decode import decode_text
from pipeline.errors import FileProblem
from pipeline.text_grid import Grid, ReadOptions, check_width, is_panic, numbered

#: Delimiters that are looked for; at equal evidence the earlier one wins, since commas are also decimal marks
#: and stand in remarks.
DELIMITERS = ("\t", ";", "|", ",")

#: A record that spans more lines than this comes from a quotation mark that was never closed.
MAX_LINES_PER_RECORD = 200

_WORDS = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "pipe": "|"}
_SAMPLE_BYTES = 1 << 18
_SAMPLE_LINES = 1_000
_BATCH_ROWS = 50_000
_QUOTE, _NEWLINE = ord('"'), ord("\n")
_SEP_LINE = re.compile(rb'\A"?sep=([^\n])"?\n', re.IGNORECASE)


def read_delimited(data: bytes, name: str, options: ReadOptions) -> list[Grid]:
    """Read a delimited text file.

    Parameters
    ----------
    data : content of the file.
    name : its name, for messages.
    options : `delimiter` and `encoding` are used.

    Raises
    ------
    FileProblem
        Where the bytes are no text, the delimiter is not usable, a quotation mark is never closed, or a limit is passed.
    """
    text, encoding = decode_text(data, name, options.encoding)
    hint = _SEP_LINE.match(text)
    if hint:  # a spreadsheet's own hint about the delimiter: no row, but it keeps its line
        text = b"\n" + text[hint.end() :]
    stated = _stated_delimiter(options.delimiter, name)
    delimiter = stated or (hint.group(1).decode("ascii", "ignore") if hint else "") or find_delimiter(text)
    width = _sample_width(text, delimiter)
    check_width(width, name)
    cells = _read_fast(text, delimiter, width, name)
    if cells is None:
        cells = _read_by_record(text, delimiter, name)
    return [Grid(cells, None, "delimited", {"encoding": encoding, "delimiter": delimiter})]


def find_delimiter(text: bytes) -> str:
    """Find the delimiter that cuts most of the first lines into the same number (two or more) of cells."""
    lines = _sample(text)
    scores = {delimiter: _agreement(lines, delimiter) for delimiter in DELIMITERS if any(delimiter in line for line in lines)}
    best = max(scores.values(), default=0.0)
    if best > 0:
        return next(delimiter for delimiter, score in scores.items() if score == best)
    return ","


def _agreement(lines: list[str], delimiter: str) -> float:
    widths = Counter(len(row) for row in _lenient_rows(lines, delimiter) if row)
    several = {width: count for width, count in widths.items() if width > 1}
    return max(several.values()) / widths.total() if several else 0.0


def _lenient_rows(lines: list[str], delimiter: str) -> Iterator[list[str]]:
    try:
        yield from csv.reader(lines, delimiter=delimiter)
    except csv.Error:
        return


def _sample(text: bytes) -> list[str]:
    lines = text[:_SAMPLE_BYTES].decode("utf-8", "ignore").split("\n", _SAMPLE_LINES)[:_SAMPLE_LINES]
    cut_short = len(text) > _SAMPLE_BYTES and len(lines) > 1
    return [line + "\n" for line in (lines[:-1] if cut_short else lines)]


def _sample_width(text: bytes, delimiter: str) -> int:
    return max((len(row) for row in _lenient_rows(_sample(text), delimiter)), default=1) or 1


def _stated_delimiter(delimiter: str | None, name: str) -> str | None:
    if delimiter is None:
        return None
    known = _WORDS.get(delimiter.casefold(), delimiter)
    if len(known) != 1 or known in '"\r\n' or known.isalnum() or ord(known) > 126:
        raise FileProblem(
            f"The delimiter {delimiter[:20]!r} stated for {name} cannot be used, one character or one of the words comma, "
            "semicolon, tab, pipe is allowed; correct `delimiter` in source.toml, or remove it to have it found."
        )
    return known


# -- the compiled reader ------------------------------------------------------------------------------------------------


def _read_fast(text: bytes, delimiter: str, width: int, name: str) -> pl.DataFrame | None:
    """Read with one record a line, the first ones of some width; None where the quotes do not allow it."""
    if len(delimiter.encode()) != 1 or not _is_one_record_a_line(text, delimiter):
        return None
    cells = _parse(text, delimiter, width)
    if cells is None:  # usually a wider row further down
        width = _widest(text, delimiter)
        if _QUOTE in text:  # delimiters inside quotes were counted too: the slow reader counts right
            return None
        check_width(width, name)
        cells = _parse(text, delimiter, width)
    if cells is None:
        return None
    return numbered(cells, pl.int_range(1, cells.height + 1, eager=True))


def _parse(text: bytes, delimiter: str, width: int) -> pl.DataFrame | None:
    # An own header line of full width goes first, because the reader takes the number of columns from its first line.
    head = delimiter.join(f"c{i}" for i in range(width)).encode() + b"\n"
    try:
        return pl.read_csv(
            head + text, has_header=True, separator=delimiter, infer_schema=False, quote_char='"' if b'"' in text else None
        )
    except pl.exceptions.PolarsError:
        return None
    except BaseException as error:
        if is_panic(error):
            return None
        raise


def _is_one_record_a_line(text: bytes, delimiter: str) -> bool:
    """Tell whether all quotation marks open or close a cell, or are doubled, and none spans a line end."""
    if _QUOTE not in text:
        return True
    codes = np.frombuffer(b"\n" + text + b"\n", np.uint8)
    quotes = np.flatnonzero(codes == _QUOTE)
    neighbours = (_QUOTE, _NEWLINE, ord(delimiter))
    regular = np.isin(codes[quotes - 1], neighbours) | np.isin(codes[quotes + 1], neighbours)
    if not regular.all():
        return False
    before_line_end = np.searchsorted(quotes, np.flatnonzero(codes == _NEWLINE))
    return not (before_line_end % 2).any()


def _widest(text: bytes, delimiter: str) -> int:
    codes = np.frombuffer(text, np.uint8)
    ends = np.append(np.flatnonzero(codes == _NEWLINE), codes.size)
    counts = np.diff(np.searchsorted(np.flatnonzero(codes == ord(delimiter)), ends), prepend=0)
    return int(counts.max()) + 1


# -- record by record ---------------------------------------------------------------------------------------------------


def _read_by_record(text: bytes, delimiter: str, name: str) -> pl.DataFrame:
    # Some programs write a space before an opening quotation mark.
    mark = re.escape(delimiter.encode())
    spaced = re.search(mark + b' +"[^"\n]*" *(?:' + mark + rb"|\n|\Z)", text) is not None
    frames: list[pl.DataFrame] = []
    lines: list[int] = []
    rows: list[list[str]] = []
    for line, row in _records(text.decode("utf-8"), delimiter, name, spaced):
        lines.append(line)
        rows.append(row)
        if len(rows) == _BATCH_ROWS:
            frames.append(_frame(lines, rows, name))
            lines, rows = [], []
    frames.append(_frame(lines, rows, name))
    return pl.concat(frames, how="diagonal")


def _records(text: str, delimiter: str, name: str, spaced: bool) -> Iterator[tuple[int, list[str]]]:
    """Yield the first physical line and the cells of each record.

    A line of our own follows the text; if it does not come back as a record, an open quotation mark has swallowed it.
    """
    end_mark = "\x1fend of text"
    lines = text.removesuffix("\n").split("\n")
    reader = csv.reader((line + "\n" for line in (*lines, end_mark)), delimiter=delimiter, skipinitialspace=spaced)
    start = 1
    try:
        for row in reader:
            if row == [end_mark]:
                return
            if reader.line_num > len(lines) or reader.line_num - start >= MAX_LINES_PER_RECORD:
                break
            yield start, row
            start = reader.line_num + 1
    except csv.Error:  # a field beyond the module's own limit of 131,072 characters
        pass
    raise FileProblem(
        f"Line {start} of {name} opens a quotation mark that is not closed within {MAX_LINES_PER_RECORD} lines, a quoted cell "
        'must end with a quotation mark; close it there, or double it ("") where it means inches.'
    )


def _frame(lines: list[int], rows: list[list[str]], name: str) -> pl.DataFrame:
    columns = list(zip_longest(*rows))
    check_width(len(columns), name)
    cells = pl.DataFrame({f"c{i}": pl.Series(values, dtype=pl.String) for i, values in enumerate(columns)})
    if not columns:  # nothing but blank lines
        cells = pl.DataFrame({"c0": pl.Series([None] * len(rows), dtype=pl.String)})
    return numbered(cells, pl.Series(lines, dtype=pl.Int64))
