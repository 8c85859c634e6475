"""What besides equal figures ties two builds, or parts them: names, test engines, sizes, and engine data that disagree."""

from __future__ import annotations

import numpy as np
import polars as pl
from rapidfuzz import fuzz, process

from pipeline.memory import processors

#: Engine data that both builds state must agree within this share.
ENGINE_SHARE = 0.01
ENGINE_FIELDS = ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "cylinders")
#: Names this alike (0 to 100, words in any order) count as like.
NAME_ALIKE = 90.0
#: What a like name or one test engine counts.
MOST_LINK = 2


def clash() -> pl.Expr:
    """Whether engine data that both builds state disagree (second build's columns end in ``_2``)."""
    return pl.any_horizontal(((pl.col(f) / pl.col(f"{f}_2") - 1).abs() > ENGINE_SHARE).fill_null(False) for f in ENGINE_FIELDS)


def tied(pairs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """Pairs with what besides equal figures ties the two builds.

    Parameters
    ----------
    pairs : rank, rank_2, speeds (whether all peak speeds agree), and columns that stay.
    builds : rank, build, publisher, engine_id and the engine fields.

    Returns
    -------
    The pairs with the facts of both builds (the second's end in ``_2``), `clash`, `alike` (name, engine, speeds, displacement
    or null) and `link` (2 for a like name or one test engine, 1 for equal peak speeds or displacement, else 0).
    """
    both = with_both(pairs, builds).with_columns(clash=clash())
    names = like_names(both).select("rank", "rank_2", alike_name=pl.lit(True))
    both = both.join(names, on=["rank", "rank_2"], how="left", maintain_order="left").with_columns(
        pl.col("alike_name").fill_null(False)
    )
    return both.with_columns(
        alike=pl.when("alike_name").then(pl.lit("name")).when(_one_engine()).then(pl.lit("engine"))
        .when("speeds").then(pl.lit("speeds")).when(_one_size()).then(pl.lit("displacement")),
        link=pl.when("alike_name").then(MOST_LINK).otherwise(link_beside_names()),
    )  # fmt: skip


def with_both(pairs: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """Pairs (rank, rank_2) with the facts of both builds; the second's end in ``_2``."""
    return pairs.join(builds, on="rank").join(builds.rename({c: f"{c}_2" for c in builds.columns}), on="rank_2")


def like_names(pairs: pl.DataFrame) -> pl.DataFrame:
    """Those of the pairs (build, build_2) whose names are alike."""
    if pairs.is_empty():
        return pairs
    plain = pairs.select(pl.col("build", "build_2").str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}.]+", " "))
    names = plain["build"].to_list(), plain["build_2"].to_list()
    alike = process.cpdist(*names, scorer=fuzz.token_set_ratio, score_cutoff=NAME_ALIKE, dtype=np.float32, workers=processors())
    return pairs.filter(pl.Series(alike >= NAME_ALIKE))


def link_beside_names() -> pl.Expr:
    """2 for one test engine, 1 for equal peak speeds or displacement, else 0."""
    return pl.when(_one_engine()).then(MOST_LINK).when(pl.col("speeds") | _one_size()).then(1).otherwise(0)


def _one_engine() -> pl.Expr:
    return (pl.col("engine_id") == pl.col("engine_id_2")).fill_null(False)


def _one_size() -> pl.Expr:
    return ((pl.col("displacement_cc") / pl.col("displacement_cc_2") - 1).abs() < ENGINE_SHARE / 2).fill_null(False)


def tokens_of(builds: pl.DataFrame) -> pl.DataFrame:
    """What builds say about their engines, as numbers that equal engines share: name, engine, displacement to 10 cc.

    Parameters
    ----------
    builds : number, build, engine_id, displacement_cc.

    Returns
    -------
    number, token, is_name.
    """
    plain = pl.col("build").str.to_lowercase().str.replace(r"^the ", "").str.replace_all(r"[^\p{L}\p{N}]", "")
    engine = pl.col("engine_id").str.to_lowercase().str.replace_all(r"[^\p{L}\p{N}]", "")
    made = [
        builds.select("number", token=pl.lit("n") + plain, is_name=pl.lit(True)),
        builds.select("number", token=pl.lit("e") + engine, is_name=pl.lit(True)),
        builds.select(
            "number",
            token=pl.lit("d") + (pl.col("displacement_cc") / 10).round().cast(pl.Int64).cast(pl.String),
            is_name=pl.lit(False),
        ),
    ]
    said = pl.concat(made).drop_nulls().filter(pl.col("token").str.len_chars() > 1)
    return said.with_columns(pl.col("token").hash())  # numbers are faster to join than words
