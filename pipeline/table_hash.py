"""The content hash of a table: equal where the rows are equal, whatever their order, the file format and the versions of the libraries.

Each row becomes bytes of a form that is written down here and nowhere else, each row's bytes are hashed (BLAKE2b, RFC 7693), and
the hashes are added up as whole numbers; the sum, the number of rows and the columns with their types are hashed once more
(SHA-256, FIPS 180-4).

Why a sum: rows need no order, which databases and frames do not agree on for ties and empty cells; batches of any size give the
same, so memory does not grow with the table; and a row that stands twice counts twice. What it is not: a seal. Somebody who may
make up millions of rows to measure can bring a sum to a wanted value (generalised birthday problem, Wagner 2002); against that
stand the SHA-256 of the files themselves.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.errors import RequestProblem

#: Stands at the head of what is hashed; a change of the form below needs another one.
_FORM = "poundworth table 1"
_DIGEST_BYTES = 64
#: A cell of fixed width: one byte that says whether there is a value, eight of the value, or of the length of a text.
_CELL = np.dtype([("there", "u1"), ("value", "<u8")])
_NAMES: dict[type[pl.DataType] | pl.DataType, str] = {
    pl.Float64: "number", pl.Int64: "integer", pl.String: "text", pl.Date: "date", pl.Boolean: "flag",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class TableMark:
    """What a table holds, as one short text.

    Attributes
    ----------
    columns : names, in alphabetical order.
    rows : number of rows.
    sha256 : the content hash, 64 hexadecimal digits.
    """

    columns: tuple[str, ...]
    rows: int
    sha256: str


def hash_table(frame: pl.DataFrame) -> str:
    """The content hash of a table.

    Parameters
    ----------
    frame : columns of numbers (Float64), whole numbers (Int64), text, dates, flags, and lists of text or of records of text.

    Returns
    -------
    str
        64 hexadecimal digits. Rows and columns may stand in any order. Numbers count by their bits (0.0 and -0.0 differ), an empty
        cell differs from an empty text, and names and types of the columns count.

    Raises
    ------
    RequestProblem : a column of another type, which no clean table has.
    """
    return mark_table([frame]).sha256


def mark_table(batches: Iterable[pl.DataFrame]) -> TableMark:
    """The content hash of a table that comes in batches; how it is cut makes no difference.

    Parameters
    ----------
    batches : frames of the same columns, as :func:`hash_table` takes them; at least one, if only for its columns.

    Raises
    ------
    RequestProblem : no batch, batches of different columns, or a column of a type that no clean table has.
    """
    columns: dict[str, str] | None = None
    rows, total = 0, 0
    for frame in batches:
        found = {name: _type_name(name, frame.schema[name]) for name in sorted(frame.columns)}
        if columns is not None and found != columns:
            raise RequestProblem(
                f"a batch has the columns {', '.join(found)}, the one before it {', '.join(columns)}; one table has the same columns "
                "and types in all its batches: hash the tables one by one"
            )
        columns = found
        rows += frame.height
        total += _sum_rows(frame.select(list(found)))
    if columns is None:
        raise RequestProblem("a table without a single batch has no columns to hash; give one empty frame with its columns")
    head = json.dumps([_FORM, list(columns.items()), rows, f"{total:x}"], ensure_ascii=True, separators=(",", ":"))
    return TableMark(tuple(columns), rows, hashlib.sha256(head.encode()).hexdigest())


def hash_tables(hashes: Mapping[str, str]) -> str:
    """One hash for several tables.

    Parameters
    ----------
    hashes : table -> content hash.
    """
    return hashlib.sha256("".join(f"{hashes[name]}  {name}\n" for name in sorted(hashes)).encode()).hexdigest()


def _type_name(column: str, dtype: pl.DataType) -> str:
    """A type by a name of this project's, since names of types change between versions of libraries."""
    if dtype in _NAMES:
        return _NAMES[dtype.base_type()]
    if isinstance(dtype, pl.List) and dtype.inner == pl.String:
        return "list of text"
    if (
        isinstance(dtype, pl.List)
        and isinstance(dtype.inner, pl.Struct)
        and {f.dtype for f in dtype.inner.fields} == {pl.String()}
    ):
        return "list of records of " + ", ".join(sorted(f.name for f in dtype.inner.fields))
    raise RequestProblem(
        f"the column {column} is of type {dtype}; only numbers (Float64), whole numbers (Int64), text, dates, flags and lists of text "
        "are hashed, as clean tables have them: cast it"
    )


# -- a row as bytes -----------------------------------------------------------------------------------------------------


def _sum_rows(frame: pl.DataFrame) -> int:
    """The sum of the hashes of all rows.

    A row is its cells of fixed width, column by column, and after them its texts, joined: their lengths stand in the cells, so that
    two different rows never give the same bytes.
    """
    if frame.is_empty():
        return 0
    # Lists become text first; then everything of all columns is asked for at once, since each question costs a fixed time.
    plain = frame.with_columns(_as_json(frame[name]) for name, dtype in frame.schema.items() if isinstance(dtype, pl.List))
    texts = [pl.col(name).fill_null("") for name, dtype in plain.schema.items() if dtype == pl.String]
    there = plain.select(pl.all().is_not_null().cast(pl.UInt8))
    values = plain.select(_value(name, dtype) for name, dtype in plain.schema.items())
    joined = plain.select(pl.concat_str([*texts, pl.repeat("", pl.len())]).cast(pl.Binary)).to_series()
    cells = np.zeros((frame.height, max(frame.width, 1)), dtype=_CELL)
    for place, name in enumerate(frame.columns):
        cells["there"][:, place] = there[name].to_numpy()
        cells["value"][:, place] = _bits(values[name])
    fixed, width = cells.tobytes(), cells.itemsize * cells.shape[1]
    digests = b"".join(
        hashlib.blake2b(fixed[at : at + width] + text, digest_size=_DIGEST_BYTES).digest()
        for at, text in zip(range(0, len(fixed), width), joined.to_list(), strict=True)
    )
    # Words of 32 bits, summed in 64: exact for 4 thousand million rows a batch.
    words = np.frombuffer(digests, dtype="<u4").reshape(frame.height, -1).sum(axis=0, dtype=np.uint64)
    return sum(int(word) << (32 * place) for place, word in enumerate(words))


def _value(name: str, dtype: pl.DataType) -> pl.Expr:
    """The value of a cell of fixed width, 0 where there is none; of a text its length in bytes."""
    here = pl.col(name)
    if dtype == pl.String:
        return here.str.len_bytes().cast(pl.Int64).fill_null(0)
    return here.fill_null(0.0) if dtype == pl.Float64 else here.cast(pl.Int64).fill_null(0)


def _bits(values: pl.Series) -> npt.NDArray[np.uint64]:
    """64 bits each, the lowest byte first on every machine."""
    return values.to_numpy().astype("<f8" if values.dtype == pl.Float64 else "<i8").view("<u8")


def _as_json(column: pl.Series) -> pl.Series:
    """Lists as JSON text, the keys of records in order."""
    texts = [
        None if cell is None else json.dumps(cell, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        for cell in column.to_list()
    ]
    return pl.Series(column.name, texts, dtype=pl.String)
