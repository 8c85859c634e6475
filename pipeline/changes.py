"""Before/after pairs: which runs are compared, which parts changed, and names that lead nowhere."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.checks import EMPTY_REASONS
from pipeline.codes import read_parts_column

CHANGE_SCHEMA = {
    "change_key": pl.String, "line": pl.Int64, "publisher": pl.String, "before_run_key": pl.String, "after_run_key": pl.String,
    "parts": pl.List(pl.String), "retuned_each": pl.Boolean, "held": pl.String,
}  # fmt: skip


#: Pulls of one engine repeat within this share; a smaller loss is noise.
REPEAT_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Changes:
    """Change rows (see ``CHANGE_SCHEMA``) and reasons for names that lead nowhere or parts not known."""

    changes: pl.DataFrame
    reasons: pl.DataFrame


def _parts(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`parts` text to lists of codes; unknown words become "other" with a reason."""
    read = read_parts_column(frame["parts"])
    named = frame.with_columns(
        codes=pl.when(read["value"].is_null()).then(pl.lit(["other"])).otherwise(read["value"]),
        lost=read["problem"].is_not_null() | read["value"].is_null(),
    )
    bad = named.filter("lost").select(
        "line", code=pl.lit("part_unknown"), column=pl.lit("parts"), value=pl.coalesce("parts", pl.lit(""))
    )
    return named.with_columns(parts="codes"), bad


def _in_one_row(frame: pl.DataFrame, source: str, file: str) -> Changes:
    before = frame.filter(pl.col("number") == 1).select("line", before_run_key="run_key", before_kw="power_kw")
    after = frame.filter(pl.col("number") == 2)
    joined, bad = _parts(after.join(before, on="line", how="inner", maintain_order="left"))
    told = pl.concat([EMPTY_REASONS, bad, _losses(joined)])
    return Changes(_as_changes(joined.rename({"run_key": "after_run_key"}), source, file), told)


def _losses(pairs: pl.DataFrame) -> pl.DataFrame:
    """Flags for pairs whose second run makes less beyond the noise of pulls: a true loss, or the two sides swapped."""
    lower = pl.col("power_kw") < (1 - REPEAT_SHARE) * pl.col("before_kw")
    value = pl.format("{} after {} kW", pl.col("power_kw").round_sig_figs(4), pl.col("before_kw").round_sig_figs(4))
    return pairs.filter(lower).select("line", code=pl.lit("after_below_before"), column=pl.lit("power_kw"), value=value)


def _as_changes(joined: pl.DataFrame, source: str, file: str) -> pl.DataFrame:
    key = pl.format("{}/{}#{}", pl.lit(source), pl.lit(file), "line")
    return joined.select(
        "line", "publisher", "before_run_key", "after_run_key", "parts", "retuned_each", "held", change_key=key
    ).select(CHANGE_SCHEMA.keys()).cast(CHANGE_SCHEMA)  # type: ignore[arg-type]  # fmt: skip


def _by_name(frame: pl.DataFrame, source: str, file: str) -> Changes:
    """Runs that name the run they are compared with: within one publisher, a name must lead to one run."""
    if frame["compared_with"].null_count() == frame.height:
        return Changes(pl.DataFrame(schema=CHANGE_SCHEMA), EMPTY_REASONS)  # type: ignore[arg-type]
    naming = frame.filter(pl.col("compared_with").is_not_null())
    names = frame.filter(pl.col("run").is_not_null()).group_by("publisher", "run", maintain_order=True).agg(
        before_run_key=pl.col("run_key").first(), before_kw=pl.col("power_kw").first(), times=pl.len()
    )  # fmt: skip
    joined = naming.join(
        names, left_on=["publisher", "compared_with"], right_on=["publisher", "run"], how="left", maintain_order="left"
    )
    lost = (pl.col("times") != 1) | pl.col("before_run_key").is_null() | (pl.col("before_run_key") == pl.col("run_key"))
    reasons = joined.filter(lost).select(
        "line", code=pl.lit("run_unknown"), column=pl.lit("compared_with"), value="compared_with"
    )
    good, bad = _parts(joined.filter(~lost))
    return Changes(
        _as_changes(good.rename({"run_key": "after_run_key"}), source, file),
        pl.concat([EMPTY_REASONS, reasons, bad, _losses(good)]),
    )


def _unknown_builds(frame: pl.DataFrame) -> pl.DataFrame:
    if frame["baseline_build_key"].null_count() == frame.height:
        return EMPTY_REASONS
    known = frame["build_key"].unique()
    lost = pl.col("baseline_build_key").is_not_null() & ~pl.col("baseline_build_key").is_in(known.implode())
    return frame.filter(lost).select(
        "line", code=pl.lit("build_unknown"), column=pl.lit("baseline_build"), value="baseline_build"
    )


def find_changes(frame: pl.DataFrame, kind: str, source: str, file: str) -> Changes:
    """The before/after pairs of a table of named, typed runs."""
    found = _in_one_row(frame, source, file) if kind == "changes" else _by_name(frame, source, file)
    return Changes(found.changes, pl.concat([found.reasons, _unknown_builds(frame)]))
