"""Counts over the clean tables, taken where the data lie: a hundred million points are counted, never loaded."""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.fields import fields_of

_BY_SOURCE = """
SELECT source, coalesce(b.n, 0) AS builds, coalesce(b.publishers, 0) AS publishers, coalesce(r.n, 0) AS runs,
       coalesce(p.n, 0) AS sweep_points, coalesce(c.n, 0) AS changes, coalesce(f.n, 0) AS flags
FROM source
LEFT JOIN (SELECT source, count(DISTINCT build_key) n, count(DISTINCT publisher) publishers FROM build GROUP BY source) b USING (source)
LEFT JOIN (SELECT source, count(*) n FROM run GROUP BY source) r USING (source)
LEFT JOIN (SELECT run.source, count(*) n FROM sweep_point JOIN run USING (run_key) GROUP BY run.source) p USING (source)
LEFT JOIN (SELECT source, count(*) n FROM change GROUP BY source) c USING (source)
LEFT JOIN (SELECT source, count(*) n FROM flag GROUP BY source) f USING (source)
ORDER BY source
"""


def counts_by_source(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """source, builds, publishers, runs, sweep_points, changes, flags."""
    return con.sql(_BY_SOURCE).pl()


#: Fields that only one kind of run can state.
ONLY_BOOSTED = (
    "induction",
    "charge_cooling",
    "charge_injection",
    "boost_kpa",
    "boost_taken",
    "boost_where",
    "boost_control",
    "charge_c",
)
ONLY_BASELINE = ("baseline_hardware", "same_exhaust", "same_tune_target")


def _among(table: str, field: str) -> str:
    if table != "run":
        return "all"
    return "boosted" if field in ONLY_BOOSTED else "baseline" if field in ONLY_BASELINE else "all"


def filled_counts(con: duckdb.DuckDBPyConnection, table: str) -> list[tuple[str, str, int, int, int]]:
    """(field, among, records that state it, records, sources that state it) for each field of ``build``, ``run`` or ``change``.

    A build that several files describe counts once; it states what any of them states. `among` says which records count:
    ``all``, or the ``boosted`` or ``baseline`` runs where only those can state the field.
    """
    names = [f.name for f in fields_of(table) if f.name not in ("source", "publisher", "build")]  # type: ignore[arg-type]
    rows = f'"{table}"'
    if table == "build":
        merged = ", ".join(f'any_value("{n}") AS "{n}"' for n in names)
        rows = f"(SELECT build_key, any_value(source) AS source, {merged} FROM build GROUP BY build_key)"
    kinds = [_among(table, n) for n in names]
    which = ["true" if kind == "all" else f"role = '{kind}'" for kind in kinds]
    columns = ", ".join(
        f'count("{n}") FILTER ({w}), count(*) FILTER ({w}), count(DISTINCT source) FILTER ({w} AND "{n}" IS NOT NULL)'
        for n, w in zip(names, which, strict=True)
    )
    (found,) = con.execute(f"SELECT {columns} FROM {rows}").fetchall()
    return [
        (name, kind, int(found[3 * i]), int(found[3 * i + 1]), int(found[3 * i + 2]))
        for i, (name, kind) in enumerate(zip(names, kinds, strict=True))
    ]


def examples_of_refusals(con: duckdb.DuckDBPyConnection, most: int) -> pl.DataFrame:
    """code, rows, sources, and the first `most` rows of each code: source, file, line, column, value, row (JSON text)."""
    query = """
    WITH told AS (SELECT source, file, line, CAST(row AS VARCHAR) AS row, unnest(reasons, recursive := true) FROM refused),
         first AS (SELECT *, row_number() OVER (PARTITION BY code, source, file, line ORDER BY "column", value) AS nth FROM told)
    SELECT code, source, file, line, "column", value, row, count(*) OVER (PARTITION BY code) AS count, spread AS sources
    FROM (SELECT *, dense_rank() OVER (PARTITION BY code ORDER BY source) AS place FROM first WHERE nth = 1)
    JOIN (SELECT code, count(DISTINCT source) AS spread FROM told GROUP BY code) USING (code)
    QUALIFY row_number() OVER (PARTITION BY code ORDER BY source, file, line) <= ?
    ORDER BY count DESC, code, source, file, line
    """
    return con.sql(query, params=[most]).pl()


def examples_of_flags(con: duckdb.DuckDBPyConnection, most: int) -> pl.DataFrame:
    """code, count, sources, and the first `most` flags of each code: source, file, line, column, value."""
    query = """
    SELECT code, source, file, line, "column", value, count(*) OVER (PARTITION BY code) AS count, spread AS sources
    FROM flag JOIN (SELECT code, count(DISTINCT source) AS spread FROM flag GROUP BY code) USING (code)
    QUALIFY row_number() OVER (PARTITION BY code ORDER BY source, file, line, "column", value) <= ?
    ORDER BY count DESC, code, source, file, line, "column", value
    """
    return con.sql(query, params=[most]).pl()
