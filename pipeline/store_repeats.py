"""Tests published twice in the store: what a search needs, what it found, and what the next one may build on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import duckdb
import numpy as np
import polars as pl

from pipeline.code_mark import code_mark
from pipeline.figure_blocks import NUMBER_BITS, Places
from pipeline.repeat_answers import Answer, answers_frame
from pipeline.repeat_search import EQUAL_SCHEMA, KEPT_SCHEMA, Alike, Keys
from pipeline.repeats import FACT_COLUMNS, RUN_COLUMNS, Repeats, search_repeats
from pipeline.store import transaction
from pipeline.store_rows import insert

_NUMBER = f"(packed & {(1 << int(NUMBER_BITS)) - 1})"
_KINDS = range(3)


def _mark() -> str:
    """Keys are hashes, and hashes are those of one version of polars."""
    return f"{code_mark()} polars {pl.__version__}"


@contextmanager
def _known_as(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> Iterator[None]:
    con.register(name, frame)
    try:
        yield
    finally:
        con.unregister(name)


class StoredBuilds:
    """The builds of the store, as :class:`pipeline.repeat_search.Builds` has them."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def listed(self, keys: pl.Series | None = None) -> pl.DataFrame:
        """build_key, source, publisher, build, day of publication."""
        query = _LISTED + ("" if keys is None else " SEMI JOIN wanted USING (build_key)")
        with _known_as(self._con, "wanted", pl.DataFrame({"build_key": [] if keys is None else keys})):
            return self._con.sql(query).pl().unique("build_key")  # a build may stand in several files

    def fetch(self, named: pl.DataFrame, *, with_run_keys: bool = False) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Runs and facts of some builds."""
        (of,) = (name for name in named.columns if name != "build_key")
        columns = ", ".join(RUN_COLUMNS[not with_run_keys :])
        with _known_as(self._con, "wanted", named):
            runs = self._con.sql(f"SELECT {of}, {columns} FROM run JOIN wanted USING (build_key)").pl()
            facts = self._con.sql(f"SELECT {of}, file, {', '.join(FACT_COLUMNS)} FROM build JOIN wanted USING (build_key)").pl()
        if facts.height > named.height:
            facts = facts.sort("file").group_by(of).agg(pl.col(FACT_COLUMNS).drop_nulls().first())
        return runs, facts.select(of, *FACT_COLUMNS)


_LISTED = "SELECT build_key, build.source, build.publisher, build, published_on AS day FROM build LEFT JOIN source ON build.source = source.source"


class StoredMemory:
    """What earlier searches left in the store, as :class:`pipeline.repeat_again.Memory` has it."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con

    def changed(self) -> pl.DataFrame:
        """Builds of which nothing is known; a build whose day of publication moved is forgotten first."""
        unknown = (
            "NOT EXISTS (FROM repeat_build r WHERE r.build_key = build.build_key AND r.day IS NOT DISTINCT FROM published_on)"
        )
        changed = self._con.sql(f"{_LISTED} WHERE {unknown}").pl().unique("build_key")
        with _known_as(self._con, "changed", changed.select("build_key")):
            self._con.execute("DELETE FROM repeat_build WHERE build_key IN (SELECT build_key FROM changed)")
        return changed

    def numbers(self) -> tuple[Places, int]:
        """The numbers of known builds, and one higher than any that a key has."""
        numbers = self._con.execute("SELECT number FROM repeat_build").fetchnumpy()["number"].astype(np.int64)
        above = self._con.execute(f"SELECT coalesce(max({_NUMBER}), 0) + 1 FROM repeat_key").fetchall()[0][0]
        return numbers, max(int(above), int(numbers.max(initial=-1)) + 1)

    def named(self, numbers: Places) -> pl.DataFrame:
        """Known builds by their numbers."""
        with _known_as(self._con, "wanted", pl.DataFrame({"number": numbers}, schema={"number": pl.UInt32})):
            known = self._con.sql("SELECT build_key, number FROM repeat_build SEMI JOIN wanted USING (number)").pl()
        return StoredBuilds(self._con).listed(known["build_key"]).join(known, on="build_key")

    def keys(self, numbers: Places) -> Keys:
        """The keys of some numbers, in order."""
        with _known_as(self._con, "wanted", pl.DataFrame({"number": numbers}, schema={"number": pl.UInt64})):
            return _by_kind(
                self._con.sql(f"SELECT kind, packed FROM repeat_key WHERE {_NUMBER} IN (SELECT number FROM wanted)").pl()
            )

    def members(self, keys: Keys) -> Keys:
        """All packed keys, in order, that have some unpacked ones of each kind."""
        wanted = pl.concat(
            pl.DataFrame({"key": key}).select(pl.lit(kind, pl.UInt8).alias("kind"), "key")
            for kind, key in zip(_KINDS, keys, strict=True)
        )
        with _known_as(self._con, "wanted", wanted):
            return _by_kind(
                self._con.sql(
                    f"SELECT repeat_key.kind, packed FROM repeat_key JOIN wanted ON repeat_key.kind = wanted.kind AND packed >> {NUMBER_BITS} = key"
                ).pl()
            )

    def found(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        """What was found of pairs of known builds."""
        equal, judged = (self._con.sql(f"SELECT * FROM {table}").pl() for table in ("repeat_equal", "repeat_judged"))
        names = pl.concat([pairs[name] for pairs in (equal, judged) for name in ("build_key", "near_key")]).unique()
        with _known_as(self._con, "wanted", pl.DataFrame({"build_key": names})):
            numbers = self._con.sql("SELECT build_key, number FROM repeat_build SEMI JOIN wanted USING (build_key)").pl()
        others = numbers.select(near_key="build_key", number_2="number")
        return tuple(pairs.join(numbers, on="build_key").join(others, on="near_key") for pairs in (equal, judged))


def _by_kind(rows: pl.DataFrame) -> Keys:
    kinds = [np.sort(rows.filter(kind=kind)["packed"].to_numpy()) for kind in _KINDS]
    return kinds[0], kinds[1], kinds[2]


def search_store(con: duckdb.DuckDBPyConnection, answers: Sequence[Answer]) -> None:
    """Bring what the store knows of tests published twice up to date; nothing is known of a search by other code."""
    is_known = con.execute("SELECT value FROM meta WHERE key = 'repeat_mark'").fetchall() == [(_mark(),)]
    write_repeats(con, *search_repeats(StoredBuilds(con), answers, StoredMemory(con) if is_known else None))


def _write_known(con: duckdb.DuckDBPyConnection, alike: Alike) -> None:
    """Of keys and builds, which are many, only what changed is written."""
    for table in ("repeat_equal", "repeat_judged", *(("repeat_key", "repeat_build") if alike.is_whole else ())):
        con.execute(f"DELETE FROM {table}")
    if not alike.is_whole:
        with _known_as(con, "gone", pl.DataFrame({"number": alike.gone}, schema={"number": pl.UInt64})):
            con.execute(f"DELETE FROM repeat_key WHERE {_NUMBER} IN (SELECT number FROM gone)")
            con.execute("DELETE FROM repeat_build WHERE number IN (SELECT number FROM gone)")
    insert(con, "repeat_equal", [alike.equal.select(*EQUAL_SCHEMA)])
    insert(con, "repeat_judged", [alike.judged.select(*KEPT_SCHEMA)])
    insert(con, "repeat_build", [alike.fresh])
    for kind, packed in enumerate(alike.keys):
        insert(con, "repeat_key", [pl.DataFrame({"packed": packed}).select(kind=pl.lit(kind, pl.UInt8), packed="packed")])
    con.execute("INSERT OR REPLACE INTO meta VALUES ('repeat_mark', ?)", [_mark()])
    con.execute("DELETE FROM meta WHERE key = 'search_due'")


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
                 WITH hit AS MATERIALIZED (SELECT DISTINCT source, file, line FROM run SEMI JOIN repeated_run USING (run_key)),
                   met AS MATERIALIZED (SELECT source, file, line, run_key FROM run SEMI JOIN hit USING (source, file, line))
                 SELECT source, file, count(*) n FROM (
                   SELECT source, file, line FROM met LEFT JOIN repeated_run USING (run_key)
                   GROUP BY ALL HAVING bool_and(repeated_run.run_key IS NOT NULL)) GROUP BY ALL) c
               WHERE file_seen.source = c.source AND file_seen.file = c.file"""
        )
