"""Tests published twice in the store: what a search needs, what it found, and what the next one may build on."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl

from pipeline.code_mark import code_mark
from pipeline.figure_blocks import NUMBER_BITS
from pipeline.key_pairs import distinct
from pipeline.repeat_answers import answers_frame
from pipeline.repeat_search import NOTHING, Alike, Known
from pipeline.repeats import FACT_COLUMNS, RUN_COLUMNS, Repeats
from pipeline.store import insert, transaction

_KINDS = ("exact", "near", "tokens")
_NUMBER = (1 << int(NUMBER_BITS)) - 1


def _mark() -> str:
    """Keys are hashes, and hashes are those of one version of polars."""
    return f"{code_mark()} polars {pl.__version__}"


def read_listed(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """All builds: build_key, source, publisher, build, day of publication."""
    return con.sql(
        "SELECT build_key, any_value(build.source) AS source, any_value(build.publisher) AS publisher, any_value(build) AS build, "
        "any_value(published_on) AS day FROM build LEFT JOIN source ON build.source = source.source GROUP BY build_key ORDER BY build_key"
    ).pl()


def fetch_builds(con: duckdb.DuckDBPyConnection, keys: pl.Series | None) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Runs (`RUN_COLUMNS`) and facts (`FACT_COLUMNS`) of some builds, or of all."""
    facts = ", ".join(f'first("{c}" ORDER BY file) FILTER ("{c}" IS NOT NULL) AS "{c}"' for c in FACT_COLUMNS[3:])
    some = "" if keys is None else " WHERE build_key IN (SELECT build_key FROM wanted)"
    if keys is not None:
        con.register("wanted", pl.DataFrame({"build_key": keys}))
    runs = con.sql(f"SELECT {', '.join(RUN_COLUMNS)} FROM run{some} ORDER BY run_key").pl()
    builds = con.sql(
        f"SELECT build_key, any_value(publisher) AS publisher, any_value(build) AS build, {facts} FROM build{some} "
        "GROUP BY build_key ORDER BY build_key"
    ).pl()
    if keys is not None:
        con.unregister("wanted")
    return runs, builds


def read_known(con: duckdb.DuckDBPyConnection) -> Known:
    """What the search before left; nothing where it was made by other code."""
    if con.execute("SELECT value FROM meta WHERE key = 'repeat_mark'").fetchall() != [(_mark(),)]:
        return NOTHING
    keys = [
        distinct(
            np.asarray(con.execute("SELECT packed FROM repeat_key WHERE kind = ?", [kind]).fetchnumpy()["packed"], np.uint64)
        )
        for kind in range(len(_KINDS))
    ]
    builds, equal, judged = (con.sql(f"SELECT * FROM {t}").pl() for t in ("repeat_build", "repeat_equal", "repeat_judged"))
    return Known(builds, keys[0], keys[1], keys[2], equal, judged)


def _write_known(con: duckdb.DuckDBPyConnection, alike: Alike) -> None:
    """Of keys and builds, which are many, only what changed is written."""
    for table in ("repeat_equal", "repeat_judged"):
        con.execute(f"DELETE FROM {table}")
    insert(con, "repeat_equal", [alike.known.equal])
    insert(con, "repeat_judged", [alike.known.judged])
    builds = alike.known.builds
    if alike.kept is None:
        con.execute("DELETE FROM repeat_key")
        con.execute("DELETE FROM repeat_build")
    else:
        con.register("gone", pl.DataFrame({"number": alike.gone}))
        con.execute(f"DELETE FROM repeat_key WHERE (packed & {_NUMBER}) IN (SELECT number FROM gone)")
        con.unregister("gone")
        con.register("kept", pl.DataFrame({"number": alike.kept}))
        con.execute("DELETE FROM repeat_build WHERE number NOT IN (SELECT number FROM kept)")
        con.unregister("kept")
        builds = builds.filter(~pl.col("number").is_in(alike.kept.implode()))
    insert(con, "repeat_build", [builds])
    for kind, packed in enumerate(alike.fresh):
        insert(
            con, "repeat_key", [pl.DataFrame({"packed": distinct(packed)}).select(kind=pl.lit(kind, pl.UInt8), packed="packed")]
        )
    con.execute("INSERT OR REPLACE INTO meta VALUES ('repeat_mark', ?)", [_mark()])


def write_repeats(con: duckdb.DuckDBPyConnection, repeats: Repeats, alike: Alike) -> None:
    """Replace what is known of tests published twice, and each file's count of repeated rows.

    Parameters
    ----------
    repeats, alike : as :func:`pipeline.repeats.search_repeats` gives them.
    """
    with transaction(con):
        _write_known(con, alike)
        for table in ("same_test", "near_test", "repeat_answer", "repeated_run"):
            con.execute(f'DELETE FROM "{table}"')
        insert(con, "same_test", [repeats.same_test])
        insert(con, "near_test", [repeats.near])
        insert(con, "repeat_answer", [answers_frame(repeats.answers)])
        insert(con, "repeated_run", [repeats.runs])
        con.execute("UPDATE file_seen SET repeated = 0 WHERE repeated > 0")
        con.execute(
            """UPDATE file_seen SET repeated = c.n FROM (
                 WITH hit AS (SELECT DISTINCT source, file, line FROM run JOIN repeated_run USING (run_key))
                 SELECT source, file, count(*) n FROM (
                   SELECT source, file, line FROM hit JOIN run USING (source, file, line) LEFT JOIN repeated_run USING (run_key)
                   GROUP BY ALL HAVING bool_and(repeated_run.run_key IS NOT NULL)) GROUP BY ALL) c
               WHERE file_seen.source = c.source AND file_seen.file = c.file"""
        )
