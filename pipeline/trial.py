"""Read a contribution as a build would, store nothing, and say in words what became of its rows."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipeline.checks import sentence_of
from pipeline.clean_file import check_results, clean_file
from pipeline.errors import PoundworthError
from pipeline.file_result import FileResult
from pipeline.file_tables import Context
from pipeline.repairs import Repair
from pipeline.sources import Source, entry_key

#: Flags that speak about the file's description and not about a row; `add` itself shows them.
OF_THE_FILE = frozenset({"column_unrecognised", "kind_guessed", "not_pinned"})
#: Share of the rows refused for one column from which the column itself is suspected.
SUSPECT_SHARE = 0.5
#: Reasons and lines shown before the rest is only counted.
MOST_REASONS = 12
MOST_LINES = 8


@dataclass(frozen=True, slots=True)
class RefusedLine:
    """One refused row: where it stands, its own cells and every reason as (code, column, sentence)."""

    file: str
    line: int
    row: dict[str, Any]
    reasons: tuple[tuple[str, str | None, str], ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """What a build would make of a contribution.

    Attributes
    ----------
    rows_read, accepted : rows; `rows_read = accepted + len(refused)` for the files that could be read.
    runs, builds, points, changes : what the accepted rows make.
    roles : role -> number of runs.
    refused : every refused row.
    flags : (code, sentence of its first row, number of rows) of accepted rows.
    problems : sentences about files that cannot be used as a whole.
    results : clean rows a file, by its key.
    """

    rows_read: int
    accepted: int
    runs: int
    builds: int
    points: int
    changes: int
    roles: dict[str, int]
    refused: tuple[RefusedLine, ...]
    flags: tuple[tuple[str, str, int], ...]
    problems: tuple[str, ...]
    results: dict[str, FileResult]


def try_reading(source: Source, repairs: tuple[Repair, ...], today: date) -> Trial:
    """Clean every file that `source` names, as `poundworth build` would, without a store.

    Parameters
    ----------
    source : its `folder` is where the files lie now.
    repairs : declared repairs of the source.
    today : tests after this day are refused.
    """
    results: dict[str, FileResult] = {}
    problems: list[str] = []
    for entry in source.entry.file:
        try:
            context = Context(source, entry, repairs, today)
            result = clean_file(context, entry.sha256 or "", "", 0, 0, today.isoformat())
            check_results([result])
            results[entry_key(entry)] = result
        except PoundworthError as error:
            problems.append(str(error))
    return _trial(results, tuple(problems))


def _trial(results: dict[str, FileResult], problems: tuple[str, ...]) -> Trial:
    ledgers = [r.ledger for r in results.values()]
    frames = [r.runs for r in results.values() if not r.runs.is_empty()]
    roles = pl.concat([f.select("role") for f in frames])["role"].value_counts(sort=True) if frames else pl.DataFrame()
    builds = {key for r in results.values() for key in r.builds["build_key"]}
    return Trial(
        rows_read=sum(row.rows_read for row in ledgers), accepted=sum(row.accepted for row in ledgers),
        runs=sum(row.runs for row in ledgers), builds=len(builds), points=sum(row.sweep_points for row in ledgers),
        changes=sum(row.changes for row in ledgers), roles=dict(roles.iter_rows()) if frames else {},
        refused=tuple(_refused_lines(results)), flags=_flags(results), problems=problems, results=results,
    )  # fmt: skip


def _refused_lines(results: dict[str, FileResult]) -> Iterable[RefusedLine]:
    for file, result in results.items():
        for row in result.refused.iter_rows(named=True):
            told = [(r["code"], r["column"], sentence_of(r["code"], r["column"], r["value"])) for r in row["reasons"]]
            yield RefusedLine(file, row["line"], json.loads(row["row"]), tuple(told))


def _flags(results: dict[str, FileResult]) -> tuple[tuple[str, str, int], ...]:
    found: dict[str, tuple[str, set[tuple[str, int]]]] = {}
    for file, result in results.items():
        for row in result.flags.filter(~pl.col("code").is_in(OF_THE_FILE)).iter_rows(named=True):
            text = sentence_of(row["code"], row["column"], row["value"])
            found.setdefault(row["code"], (text, set()))[1].add((file, row["line"]))
    return tuple((code, text, len(lines)) for code, (text, lines) in found.items())


def suspect_columns(trial: Trial) -> tuple[tuple[str, int], ...]:
    """Columns named in the reasons of at least half of the rows: (header or field, rows); likely not what they are read as."""
    rows: dict[str, int] = {}
    for refused in trial.refused:
        for column in {column for _, column, _ in refused.reasons if column}:
            rows[column] = rows.get(column, 0) + 1
    return tuple((column, n) for column, n in rows.items() if n >= max(2, SUSPECT_SHARE * trial.rows_read))


def say_trial(trial: Trial, is_in: bool) -> list[str]:
    """The outcome as lines: what is in, what was refused and why, what deserves a look.

    Parameters
    ----------
    is_in : True where the contribution has been written; False says "would be".
    """
    lines = [f"Cannot be used: {problem}" for problem in trial.problems]
    if not trial.rows_read:
        return lines
    lines.append(_opening(trial, is_in))
    lines += _reason_lines(trial)
    if trial.accepted and set(trial.roles) == {"baseline"} and not trial.changes:
        lines.append(
            "All of them are unboosted runs. They tell what boost is worth only beside boosted runs of the same builds: if a "
            "column gives boost, name it (--set HEADER=boost_psi)."
        )
    if trial.flags:
        lines.append("In, but worth a look:")
        lines += [f"  {_count(n, 'row')}: {text}" for _, text, n in trial.flags]
    return lines


def _opening(trial: Trial, is_in: bool) -> str:
    verb = "is" if trial.accepted == 1 else "are"
    verb = verb if is_in else "would be"
    detail = [_count(trial.runs, "run"), _count(trial.builds, "build")]
    if set(trial.roles) - {"baseline"}:
        detail[0] += " (" + ", ".join(f"{n:,} {_role(role)}" for role, n in trial.roles.items()) + ")"
    if trial.points:
        detail.append(_count(trial.points, "curve point"))
    if trial.changes:
        detail.append(_count(trial.changes, "before/after change"))
    read = _count(trial.rows_read, "row")
    if not trial.accepted:
        return f"{read} read: none {'is' if is_in else 'would be'} in; all {'were' if is_in else 'would be'} refused because:"
    opening = f"{read} read: {trial.accepted:,} {verb} in, making {', '.join(detail)}"
    if not trial.refused:
        return opening + "; none refused."
    was = ("was" if len(trial.refused) == 1 else "were") if is_in else "would be"
    return f"{opening}; {len(trial.refused):,} {was} refused because:"


def _role(role: str) -> str:
    return "unboosted" if role == "baseline" else role


def _count(n: int, one: str) -> str:
    return f"{n:,} {one}{'' if n == 1 else 's'}"


def _reason_lines(trial: Trial) -> list[str]:
    """Each kind of reason once, with the lines that it refused; figures that differ from row to row are not all shown."""
    groups: dict[tuple[str, str | None], tuple[list[str], dict[str, None]]] = {}
    several = len(trial.results) > 1
    for refused in trial.refused:
        for code, column, sentence in refused.reasons:
            at, sentences = groups.setdefault((code, column), ([], {}))
            place = f"{refused.file} {refused.line}" if several else str(refused.line)
            if at[-1:] != [place]:
                at.append(place)
            sentences[sentence] = None
    ordered = sorted(groups.values(), key=lambda group: -len(group[0]))
    lines = []
    for at, sentences in ordered[:MOST_REASONS]:
        more = f" and {len(at) - MOST_LINES:,} more" if len(at) > MOST_LINES else ""
        like = f" (and {_count(len(sentences) - 1, 'other value')})" if len(sentences) > 1 else ""
        lines.append(f"  line{'' if len(at) == 1 else 's'} {', '.join(at[:MOST_LINES])}{more}: {next(iter(sentences))}{like}")
    if len(ordered) > MOST_REASONS:
        lines.append(
            f"  and {_count(len(ordered) - MOST_REASONS, 'further reason')}; `poundworth refused` lists all after a build."
        )
    return lines
