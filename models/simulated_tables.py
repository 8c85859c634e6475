"""Simulated values as clean tables: every column of the dictionary, typed, null where nothing was drawn."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.fields import Field, fields_of


def typed_columns(fields: tuple[Field, ...], given: dict[str, Any], height: int) -> dict[str, pl.Series]:
    """All `fields` as typed columns of `height` rows; those not in `given` are null."""
    types = {"number": pl.Float64, "integer": pl.Int64, "date": pl.Date, "flag": pl.Boolean}
    columns = {}
    for one in fields:
        dtype = types.get(one.kind, pl.String)
        value = given.get(one.name)
        if value is None or isinstance(value, str | int | float | bool):
            columns[one.name] = pl.repeat(value, height, dtype=dtype, eager=True).alias(one.name)
        else:
            columns[one.name] = pl.Series(one.name, value, dtype=dtype)
    return columns


def build_table(keys: pl.DataFrame, given: dict[str, Any]) -> pl.DataFrame:
    """The clean `build` table.

    Parameters
    ----------
    keys : build_key, source, publisher, build; one row a build.
    given : further fields of the dictionary, each a column or one value for all.
    """
    of_keys = {"build": keys["build"], "publisher": keys["publisher"]}
    columns = typed_columns(fields_of("build"), of_keys | given, keys.height)
    return keys.select("build_key", "source").with_columns(*columns.values(), pl.lit(None, pl.String).alias("same_test_as"))


def run_table(keys: pl.DataFrame, is_boosted: pl.Series, given: dict[str, Any], file: str = "runs.csv") -> pl.DataFrame:
    """The clean `run` table; lines are numbered within a source, after one header line.

    Parameters
    ----------
    keys : build_key, source, publisher; one row a run.
    is_boosted : Boolean, one a run; the others are baselines.
    given : further fields of the dictionary; ``ambient_kpa`` counts as recorded.
    file : name of the file that the runs are said to stand in.
    """
    columns = typed_columns(fields_of("run"), given, keys.height)
    nothing = {"power_step_kw": pl.Float64, "boost_step_kpa": pl.Float64, "correction_factor": pl.Float64,
               "baseline_build_key": pl.String, "extra": pl.String}  # fmt: skip
    role = pl.when(is_boosted).then(pl.lit("boosted")).otherwise(pl.lit("baseline")).alias("role")
    line = (pl.int_range(pl.len()).over("source") + 2).alias("line")
    run_key = pl.format("{}/{}#{}", "source", "file", "line").alias("run_key")
    return (
        keys.with_columns(line, pl.lit(file).alias("file"), role)
        .select(run_key, "build_key", "source", "publisher", "file", "line", "role")
        .with_columns(*columns.values())
        .with_columns(
            pl.col("ambient_kpa").alias("ambient_used_kpa"),
            pl.lit("recorded").alias("ambient_basis"),
            *(pl.lit(None, dtype).alias(name) for name, dtype in nothing.items()),
            pl.lit(False).alias("is_repeat"),
        )
    )
