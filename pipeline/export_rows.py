"""Rows of the clean tables as an export shows them: joined with what a reader wants beside them, without what names a person."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa

from pipeline import store
from pipeline.checks import sentence_of
from pipeline.export_tables import ExportTable, exported_columns
from pipeline.personal import without_personal

#: Rows read and written at a time.
BATCH_ROWS = 200_000
#: Exported table -> table of the store that it is made from, where the names differ.
_MADE_FROM = {"run_flat": "run", "file": "file_seen"}

Prepare = Callable[[pl.DataFrame], pl.DataFrame]
#: A refused row's reasons as exported.
_SAID = ("code", "column", "value", "sentence")
REASON = pl.List(pl.Struct(dict.fromkeys(_SAID, pl.String)))


def _told_reasons(reasons: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{**r, "sentence": sentence_of(r["code"], r["column"], r["value"])} for r in reasons]


def _refused(frame: pl.DataFrame) -> pl.DataFrame:
    # Through Arrow: polars makes a frame of its own for each list of records, which takes ten times as long.
    told = pa.array(
        [_told_reasons(r) for r in frame["reasons"].to_list()], type=pa.large_list(pa.struct(dict.fromkeys(_SAID, pa.string())))
    )
    return frame.with_columns(pl.Series("reasons", told).cast(REASON))


def _flags(frame: pl.DataFrame) -> pl.DataFrame:
    told = [sentence_of(code, column, value) for code, column, value in frame.select("code", "column", "value").iter_rows()]
    return frame.with_columns(pl.Series("sentence", told, dtype=pl.String))


def without_withdrawn(frame: pl.DataFrame) -> pl.DataFrame:
    """The ledger without withdrawn files: they have left every export."""
    kept = frame.filter(pl.col("withdrawn").is_null())
    return kept.with_columns(accepted=pl.col("rows_read") - pl.col("refused") - pl.col("repeated"))


def _with_builds(builds: pl.DataFrame) -> Prepare:
    names = builds.select("build_key", "build")
    return lambda frame: frame.join(names, on="build_key", how="left", maintain_order="left")


def _flat(builds: pl.DataFrame, changes: pl.DataFrame) -> Prepare:
    described = builds.drop("source", "publisher", "same_test_as")
    led = changes.unique("after_run_key", keep="first", maintain_order=True).select(
        run_key="after_run_key", compared_with="before_run_key", parts=pl.col("parts").list.join("+"), retuned_each="retuned_each", held="held"
    )  # fmt: skip

    def prepare(frame: pl.DataFrame) -> pl.DataFrame:
        bare = frame.drop("compared_with", "parts", "run").with_columns(run="run_key")
        joined = bare.join(described, on="build_key", how="left", maintain_order="left")
        return joined.join(led, on="run_key", how="left", maintain_order="left")

    return prepare


def preparations(con: duckdb.DuckDBPyConnection) -> dict[str, Prepare]:
    """Exported table -> what its rows are joined with; tables that go out as they are stand not in it."""
    builds = store.query_table(con, "build")
    changes = store.query_table(con, "change")
    return {
        "run": _with_builds(builds), "run_flat": _flat(builds, changes), "refused": _refused, "flag": _flags, "file": without_withdrawn,
    }  # fmt: skip


def leave_persons_out(frame: pl.DataFrame) -> pl.DataFrame:
    """Cells of personal headers taken out of raw rows and unrecognised columns."""
    names = [n for n in ("row", "extra") if n in frame.columns and frame[n].null_count() < frame.height]
    kept = [pl.Series(n, [without_personal(t) for t in frame[n].to_list()], dtype=pl.String) for n in names]
    filled = [k.fill_null("{}") if k.name == "row" else k for k in kept]
    return frame.with_columns(filled)


def batches_of(
    con: duckdb.DuckDBPyConnection, table: ExportTable, prepare: Prepare | None, with_personal: bool
) -> Iterator[pl.DataFrame]:
    """Rows of one exported table in batches; the first one is always there, if only for its columns.

    Parameters
    ----------
    prepare : from :func:`preparations`, or None.
    with_personal : keep what names a person.
    """
    columns = [c.name for c in exported_columns(table, with_personal)]
    for batch in store.read_batches(con, _MADE_FROM.get(table.name, table.name), BATCH_ROWS):
        frame = prepare(batch) if prepare is not None else batch
        yield (frame if with_personal else leave_persons_out(frame)).select(columns)
