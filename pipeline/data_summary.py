"""One summary of the clean data for the page about them: sources, refusals, evidence, missing fields, repeats, repairs."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import store
from pipeline.checks import CODES, sentence_of
from pipeline.data_evidence import find_evidence
from pipeline.data_records import (
    AnswerLine,
    DataSummary,
    Excerpt,
    FieldFill,
    FileTrouble,
    ReasonLine,
    RepairLine,
    SourceLine,
)
from pipeline.data_repeats import list_repeats, list_suspects, names_of
from pipeline.file_result import LedgerRow
from pipeline.refused_rows import general_sentence
from pipeline.store_counts import counts_by_source, examples_of_flags, examples_of_refusals, filled_counts

#: Rows shown for each reason of refusal, and for each kind of flag.
MOST_EXAMPLES, MOST_FLAG_EXAMPLES = 5, 3
#: Suspected pairs laid side by side; the strongest come first, and more than this nobody judges in one sitting.
MOST_SUSPECTS = 60
#: Cells of a refused row that are shown, and characters of each.
MOST_CELLS, LONGEST_CELL = 16, 60
_RUN_COLUMNS = (
    "build_key", "source", "publisher", "role", "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "induction",
    "charge_cooling", "correction", "baseline_build_key", "is_repeat",
)  # fmt: skip


def summarise(path: str | Path) -> DataSummary:
    """Summarise a store.

    Raises
    ------
    StoreProblem : no store there, locked, damaged or of another version.
    """
    with store.reading(Path(path)) as con:
        return summarise_open(con)


def summarise_open(con: duckdb.DuckDBPyConnection) -> DataSummary:
    """Summarise a store through an open connection."""
    ledger = store.read_ledger(con)
    by_source = counts_by_source(con)
    runs = store.query_columns(con, "run", _RUN_COLUMNS)
    builds = store.query_columns(con, "build", ("build_key", "source", "publisher", "build", "same_test_as"))
    same_test, near = store.query_table(con, "same_test"), store.query_table(con, "near_test")
    answers = tuple(
        AnswerLine(r["source"], r["build"], r["other"], r["answer"], r["problem"])
        for r in store.query_table(con, "repeat_answer").iter_rows(named=True)
    )
    names = names_of(builds)
    sources = _sources(store.query_table(con, "source"), by_source, list(ledger.values()))
    live = [r for r in ledger.values() if not r.withdrawn]
    counts = {n: sum(getattr(r, n) for r in live) for n in ("rows_read", "accepted", "refused", "repeated")}
    counts |= {n: int(by_source[n].sum()) for n in ("runs", "sweep_points", "changes", "flags")}
    return DataSummary(
        fingerprint=store.fingerprint(con),
        seen_on=max((r.seen_on[:10] for r in ledger.values()), default=""),
        invented=any(s.invented for s in sources),
        counts={"files": len(live), "sources": len(sources), "builds": builds.height, **counts},
        sources=sources,
        troubles=_troubles(list(ledger.values())),
        refused=_reasons(examples_of_refusals(con, MOST_EXAMPLES)),
        flags=_reasons(examples_of_flags(con, MOST_FLAG_EXAMPLES)),
        evidence=find_evidence(runs, builds),
        fields=tuple(
            FieldFill(name, t, among, filled, of, spread)
            for t in ("build", "run", "change")
            for name, among, filled, of, spread in filled_counts(con, t)
        ),
        repeats=list_repeats(same_test, runs, names),
        suspects=list_suspects(near.head(MOST_SUSPECTS), runs, same_test, answers, names),
        suspects_of=near.height,
        answers=answers,
        repairs=tuple(RepairLine(*row) for row in store.query_table(con, "repair").iter_rows()),
    )


def _sources(table: pl.DataFrame, by_source: pl.DataFrame, ledger: list[LedgerRow]) -> tuple[SourceLine, ...]:
    joined = table.join(by_source, on="source", how="left")
    return tuple(_source(row, [r for r in ledger if r.source == row["source"]]) for row in joined.iter_rows(named=True))


def _source(row: dict[str, Any], files: list[LedgerRow]) -> SourceLine:
    def rows(name: str) -> int:
        return sum(getattr(f, name) for f in files)

    return SourceLine(
        row["source"], row["title"] or "", row["publisher"] or "", row["publishers"], row["licence"] or "", row["medium"] or "",
        row["published_on"], row["url"] or "", bool(row["invented"]), len(files), rows("rows_read"), rows("accepted"), rows("refused"),
        rows("repeated"), row["builds"], row["runs"], row["sweep_points"], row["changes"], row["flags"],
    )  # fmt: skip


def _troubles(ledger: list[LedgerRow]) -> tuple[FileTrouble, ...]:
    """Files that could not be used, then withdrawn ones."""
    broken = [FileTrouble(r.source, r.file, r.problem, False) for r in ledger if r.problem]
    return (*broken, *(FileTrouble(r.source, r.file, r.withdrawn, True) for r in ledger if r.withdrawn))


def _reasons(table: pl.DataFrame) -> tuple[ReasonLine, ...]:
    lines: dict[str, list[dict[str, Any]]] = {}
    for row in table.iter_rows(named=True):
        lines.setdefault(row["code"], []).append(row)
    return tuple(
        ReasonLine(code, _help(code, rows[0]), rows[0]["count"], rows[0]["sources"], tuple(_excerpt(row) for row in rows))
        for code, rows in lines.items()
    )


def _help(code: str, first: dict[str, Any]) -> str:
    """What helps in general; where the sentence is all about one row's figures, that of the first row."""
    if code not in CODES:
        return code.replace("_", " ")
    clauses = re.split(r"(?<=[;.])\s+", CODES[code].sentence)
    if len(clauses) == 1 and "{" in clauses[0]:
        return sentence_of(code, first["column"], first["value"])
    return general_sentence(code).rstrip(";. ") + "."


def _excerpt(row: dict[str, Any]) -> Excerpt:
    sentence = sentence_of(row["code"], row["column"], row["value"]) if row["code"] in CODES else row["code"]
    return Excerpt(row["source"], row["file"], row["line"], sentence, _cells(row.get("row"), row["column"]))


def _cells(text: str | None, bad: str | None) -> tuple[tuple[str, str], ...]:
    """Header and text of the filled cells of a raw row, the bad one first, cut to what an excerpt needs."""
    if not text:
        return ()
    filled = [
        (str(k), v if isinstance(v, str) else json.dumps(v, ensure_ascii=False))
        for k, v in json.loads(text).items()
        if v is not None
    ]
    filled.sort(key=lambda cell: cell[0] != bad)
    return tuple((k[:LONGEST_CELL], v[:LONGEST_CELL]) for k, v in filled if v.strip())[:MOST_CELLS]
