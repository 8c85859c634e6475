"""A Parquet file of an export as batches of rows: its claims are checked before a page is unpacked, its columns before a row is used.

pyarrow reads it and not polars, whose reader ends the whole process on damaged pages.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import BinaryIO

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import FileProblem
from pipeline.text_grid import MAX_CELLS, MAX_COLUMNS, MAX_UNPACKED_BYTES, is_panic

_AGAIN = "write the export again with `poundworth export DIR`"


def read_rows(
    handle: BinaryIO, path: str, rows: int, wanted: Mapping[str, pl.DataType], may_miss: frozenset[str]
) -> Iterator[pl.DataFrame]:
    """The rows of one exported table, a row group at a time.

    Parameters
    ----------
    handle : the opened file.
    path : its name for messages.
    rows : how many it is said to have.
    wanted : column -> type that it must have, in any order.
    may_miss : columns that an export of an earlier version has not; they are given empty.

    Raises
    ------
    FileProblem : damaged, other columns, types or rows, or more in it than is unpacked at a time.
    """
    try:
        file = pq.ParquetFile(handle)
        _check_columns(file.schema_arrow, path, wanted, may_miss)
        _check_claims(file.metadata, path, rows)
        handle.seek(0)
        measured = pq.ParquetFile(handle, read_dictionary=_texts(file.metadata))
        for group in range(file.num_row_groups):
            _check_texts(measured, group, path)
            table = file.read_row_group(group)
            table.validate(full=True)  # damaged text would pass as valid UTF-8 otherwise
            frame = pl.DataFrame(pl.from_arrow(table))
            yield frame.with_columns(pl.lit(None, dtype=wanted[c]).alias(c) for c in may_miss if c not in frame.columns).select(
                list(wanted)
            )
    except FileProblem:
        raise
    except (pl.exceptions.PolarsError, pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise FileProblem(_damaged(path)) from error
    except BaseException as error:
        if is_panic(error):
            raise FileProblem(_damaged(path)) from None
        raise


def _damaged(path: str) -> str:
    return f"{path} is damaged inside, although its hash is the one described; a whole Parquet file is expected: {_AGAIN}"


def _check_columns(schema: pa.Schema, path: str, wanted: Mapping[str, pl.DataType], may_miss: frozenset[str]) -> None:
    names = list(schema.names[: MAX_COLUMNS + 1])
    unknown = sorted({n for n in names if n not in wanted or names.count(n) > 1})
    missing = [n for n in wanted if n not in names and n not in may_miss]
    if unknown or missing:
        told = (
            f"has the column {unknown[0][:60]!r}, which the table has not (or only once)"
            if unknown
            else f"has no column {missing[0]!r}"
        )
        raise FileProblem(f"{path} {told}; it must hold the columns that this version exports: {_AGAIN}")
    found = pl.DataFrame(pl.from_arrow(schema.remove_metadata().empty_table())).schema
    for name, dtype in found.items():
        if dtype != wanted[name]:
            raise FileProblem(f"{path} has the column {name} as {str(dtype)[:80]}, {wanted[name]} is expected; {_AGAIN}")


def _check_claims(claims: pq.FileMetaData, path: str, rows: int) -> None:
    """Check what the footer claims before any page is unpacked."""
    if claims.num_rows != rows:
        raise FileProblem(
            f"{path} holds {claims.num_rows:,} rows, datapackage.json says {rows:,}: rows were lost or added; {_AGAIN}"
        )
    for number in range(claims.num_row_groups):
        group = claims.row_group(number)
        cells = sum(group.column(i).num_values for i in range(group.num_columns))
        if group.total_byte_size > MAX_UNPACKED_BYTES or max(cells, group.num_rows * claims.num_columns) > MAX_CELLS:
            raise FileProblem(
                f"{path} unpacks to {group.total_byte_size:,} bytes and {cells:,} cells at a time, at most {MAX_UNPACKED_BYTES:,} bytes and "
                f"{MAX_CELLS:,} cells are unpacked, and no export of this project has more: {_AGAIN}"
            )


# -- how long the texts are ---------------------------------------------------------------------------------------------


def _texts(claims: pq.FileMetaData) -> list[str]:
    """Paths of the columns that hold text."""
    columns = [claims.schema.column(i) for i in range(claims.num_columns)]
    return [c.path for c in columns if c.physical_type == "BYTE_ARRAY"]


def _check_texts(measured: pq.ParquetFile, group: int, path: str) -> None:
    """Measure the texts of a row group before they are laid out: a long one that is named in every row takes no room in the file."""
    texts = _texts(measured.metadata)
    if not texts:
        return
    table = measured.read_row_group(group, columns=texts)
    length = sum(_text_bytes(chunk) for column in table.columns for chunk in column.chunks)
    if length > MAX_UNPACKED_BYTES:
        raise FileProblem(
            f"the texts of {path} unpack to {length:,} bytes at a time, at most {MAX_UNPACKED_BYTES:,} are unpacked, and no export of this "
            f"project has more: {_AGAIN}"
        )


def _text_bytes(array: pa.Array) -> int:
    """Bytes of all texts in an array, however deep they lie."""
    if pa.types.is_dictionary(array.type):
        lengths = pc.binary_length(array.dictionary).cast(pa.int64())
        return int(pc.sum(lengths.take(array.indices.drop_null())).as_py() or 0)
    if pa.types.is_struct(array.type):
        return sum(_text_bytes(array.field(i)) for i in range(array.type.num_fields))
    if pa.types.is_list(array.type) or pa.types.is_large_list(array.type):
        return _text_bytes(array.flatten())
    return int(array.nbytes)
