"""Split rows into accepted and refused-with-reasons; the only place where rows leave.

A row leaves whole: when one figure of a before/after pair or of a level table cannot be used,
the row is refused with every reason, so that its contributor can mend and resend one line.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import polars as pl

from pipeline.checks import CODES
from pipeline.grid import RawTable

REFUSED_SCHEMA = {
    "line": pl.Int64,
    "row": pl.String,
    "reasons": pl.List(pl.Struct({"code": pl.String, "column": pl.String, "value": pl.String})),
}


@dataclass(frozen=True, slots=True)
class Split:
    """Accepted typed rows, refused raw rows with reasons, flags of accepted rows."""

    accepted: pl.DataFrame
    refused: pl.DataFrame
    flags: pl.DataFrame


def _severities() -> dict[str, str]:
    return {code: entry.severity for code, entry in CODES.items()}


def unique_names(headers: tuple[str, ...]) -> list[str]:
    """Header texts made unique, so that a refused row keeps every cell."""
    seen: dict[str, int] = {}
    names = []
    for position, header in enumerate(headers, start=1):
        name = header.strip() or f"(column {position})"
        seen[name] = seen.get(name, 0) + 1
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return names


def raw_rows(table: RawTable, lines: pl.Series) -> pl.DataFrame:
    """`line` and the raw row as JSON text for the given lines."""
    rows = table.cells.filter(pl.col("line").is_in(lines.implode()))
    names = unique_names(table.headers)
    texts = [
        json.dumps({n: v for n, v in zip(names, values[1:], strict=False) if v is not None}, ensure_ascii=False)
        for values in rows.iter_rows()
    ]
    return pl.DataFrame({"line": rows["line"], "row": pl.Series(texts, dtype=pl.String)})


def split_rows(typed: pl.DataFrame, reasons: pl.DataFrame, table: RawTable) -> Split:
    """Take out every line that has a refusing reason.

    Parameters
    ----------
    typed : typed rows with `line` (several rows a line for pairs and levels).
    reasons : line, code, column, value; several a line.
    table : the raw table, for the refused rows' own text.
    """
    if reasons.is_empty():
        return Split(typed, pl.DataFrame(schema=REFUSED_SCHEMA), reasons)  # type: ignore[arg-type]
    ranked = reasons.with_columns(severity=pl.col("code").replace_strict(_severities(), return_dtype=pl.String)).unique(
        maintain_order=True
    )
    refusing = ranked.filter(pl.col("severity") == "refuse")
    lines = refusing["line"].unique().sort()
    told = (
        refusing.sort("line", maintain_order=True)
        .group_by("line", maintain_order=True)
        .agg(reasons=pl.struct("code", "column", "value"))
    )
    refused = raw_rows(table, lines).join(told, on="line", how="left").sort("line").cast(REFUSED_SCHEMA)  # type: ignore[arg-type]
    keep = ~pl.col("line").is_in(lines.implode())
    flags = ranked.filter(keep & (pl.col("severity") == "flag")).drop("severity")
    return Split(typed.filter(keep), refused, flags)
