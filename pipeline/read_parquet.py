"""Parquet -> grid of text, numbers in the shortest form that reads back to the same value."""

from __future__ import annotations

import io

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import FileProblem
from pipeline.text_grid import MAX_CELLS, MAX_UNPACKED_BYTES, Grid, ReadOptions, check_width, is_panic, numbered


def read_parquet(data: bytes, name: str, options: ReadOptions) -> list[Grid]:
    """Read a Parquet file; its column names come first, as line 0, and record k is line k.

    Raises
    ------
    FileProblem
        Where the file is damaged or claims more than the limits.
    """
    try:
        # Not the reader of polars, which ends the whole process when a damaged page claims an absurd length.
        file = pq.ParquetFile(io.BytesIO(data))
        _check_claims(file.metadata, name)
        table = file.read()
        table.validate(full=True)  # damaged text would pass as valid UTF-8 otherwise
        table = table.replace_schema_metadata(None)  # notes about the file are not read, and may be no text
        str(table.schema)  # names that are no text end here
        frame = pl.DataFrame(pl.from_arrow(table))
        texts = frame.select(_as_text(frame[column]) for column in frame.columns)
    except FileProblem:
        raise
    except (pl.exceptions.PolarsError, pa.ArrowException, OSError, ValueError):
        raise FileProblem(_damaged(name)) from None
    except BaseException as error:
        if is_panic(error):
            raise FileProblem(_damaged(name)) from None
        raise
    head = pl.DataFrame({column: pl.Series([column], dtype=pl.String) for column in texts.columns})
    cells = pl.concat([head, texts])
    return [Grid(numbered(cells, pl.int_range(cells.height, eager=True)), None, "parquet", {}, first_line_is_header=True)]


def _check_claims(claims: pq.FileMetaData, name: str) -> None:
    """Check what the footer claims before any page is unpacked."""
    unpacked = sum(claims.row_group(i).total_byte_size for i in range(claims.num_row_groups))
    check_width(claims.num_columns, name)
    if unpacked > MAX_UNPACKED_BYTES or claims.num_rows * max(claims.num_columns, 1) > MAX_CELLS:
        raise FileProblem(
            f"{name} unpacks to {unpacked:,} bytes and {claims.num_rows:,} rows, at most {MAX_UNPACKED_BYTES:,} bytes and "
            f"{MAX_CELLS:,} cells are read; split it into several files."
        )


def _damaged(name: str) -> str:
    return f"{name} is damaged or cut short, a whole Parquet file is expected; send it again."


def _as_text(column: pl.Series) -> pl.Series:
    kind = column.dtype
    if kind.is_float():
        return column.cast(pl.String).str.strip_suffix(".0")
    if kind == pl.Datetime:
        return column.dt.to_string("iso").str.replace(r"\.0+$", "").str.strip_suffix(" 00:00:00")
    if kind == pl.Struct:
        return column.struct.json_encode()
    if kind.is_nested():
        wrapped = pl.DataFrame({"v": column}).to_struct("s").struct.json_encode()
        inner = wrapped.str.strip_prefix('{"v":').str.strip_suffix("}")
        return pl.select(pl.when(column.is_not_null()).then(inner).alias(column.name)).to_series()
    if kind == pl.Binary:
        return column.bin.encode("hex")
    return column.cast(pl.String)
