"""Pulls of one dyno in one session, in order, and how well they repeat.

A *state* is a build as it was set up at one boost. A *block* is a stretch of pulls of one state with no other between
them. The scatter within blocks is repeatability; a state that comes back in a later block shows drift. So drift over the
session does not pass for scatter, nor scatter for drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.compare_records import PullError
from models.interpolated_baseline import PULL_REL_SD
from models.sample import LEAST_POWER_REL_SD, LEVEL_GAP_KPA
from models.sample_rows import SETUP, complete

#: What names a session, and what one state is made of besides its boost.
SESSION = ("source", "file", "session_name", "dyno_id")
STATE = ("build_key", "parts", "compared_with", *SETUP, "measured_at", "correction", "role")

#: A pooled scatter of the study with fewer degrees of freedom than this is no better than the assumed one.
LEAST_FREEDOM = 10


@dataclass(frozen=True, slots=True)
class Scatter:
    """Scatter of single pulls: sum of squares of ln power, its degrees of freedom, rows it rests on."""

    squares: float
    freedom: int
    rows: int

    @property
    def rel_sd(self) -> float | None:
        """Standard deviation of one pull; None without a degree of freedom."""
        return (self.squares / self.freedom) ** 0.5 if self.freedom else None


def session_pulls(runs: pl.DataFrame, slope: float) -> pl.DataFrame:
    """The pulls of every session in the order in which they were made.

    Parameters
    ----------
    runs : clean table ``run``; optional columns may be absent.
    slope : rule ratio by which power is referred to the mean boost of its state: pulls of one state differ a little in it.

    Returns
    -------
    pl.DataFrame
        run_key, build_key, role, dyno_type, the columns of ``SESSION``, ``state`` and ``block`` (numbers), ``ln_power`` at the
        state's mean boost, ``pulls`` (mean of so many), ``stated_var`` (relative, of one pull; null where not stated),
        ``is_ordered`` (the order is stated; else it is that of the file).
    """
    rows = complete(runs, "run").filter(
        (pl.col("power_kw") > 0)
        & (pl.col("ambient_used_kpa") > 0)
        & ~pl.col("is_repeat").fill_null(False)
        & ~pl.col("is_stated_rating").fill_null(False)
        & pl.col("outcome").fill_null("completed").is_in(["completed", "unstated"])
    )
    day = pl.col("tested_on").cast(pl.String)
    rows = rows.with_columns(
        pl.coalesce(_named("session"), day).alias("session_name"),
        pl.col("pulls").fill_null(1).clip(1).alias("pulls"),
        pl.col("boost_kpa").fill_null(0.0),
        # a baseline has no compressor setup; whatever is written there does not make it another state
        *(pl.when(pl.col("role") != "baseline").then(pl.col(name)).alias(name) for name in SETUP if name != "fuel"),
    )
    ordered = pl.col("pull_order").is_not_null().all().over(SESSION)
    rows = rows.with_columns(ordered.alias("is_ordered"), pl.when(ordered).then(pl.col("pull_order")).otherwise(0).alias("order"))
    rows = rows.sort(*SESSION, "order", "line", "run_key", nulls_last=True)
    rows = _with_states(rows)
    x, mean = (pl.col(name) / pl.col("ambient_used_kpa") for name in ("boost_kpa", "state_kpa"))
    level = ((1 + slope * mean) / (1 + slope * x)).clip(0.5, 2.0).log()
    several = (pl.col("pulls") > 1) & (pl.col("power_sd_kw") > 0)
    return rows.with_columns(
        (pl.col("power_kw").log() + level).alias("ln_power"),
        pl.when(several).then((pl.col("power_sd_kw") / pl.col("power_kw")) ** 2).alias("stated_var"),
    ).select(
        "run_key", "build_key", "role", "dyno_type", *SESSION, "state", "block", "ln_power", "pulls", "stated_var", "is_ordered"
    )


def _named(column: str) -> pl.Expr:
    return pl.when(pl.col(column).str.strip_chars() != "").then(pl.col(column))


def _with_states(rows: pl.DataFrame) -> pl.DataFrame:
    """State and block of each row, rows in their order; boosts less than half a psi from the next are one boost."""
    rows = rows.with_row_index("at")
    apart = rows.sort(*SESSION, *STATE, "boost_kpa", "at", nulls_last=True).with_columns(
        pl.struct(*SESSION, *STATE).rle_id().alias("kind")
    )
    fresh = (pl.col("kind").diff().fill_null(1) != 0) | (pl.col("boost_kpa").diff() >= LEVEL_GAP_KPA)
    apart = apart.with_columns(fresh.cum_sum().alias("state"))
    apart = apart.with_columns(pl.col("boost_kpa").mean().over("state").alias("state_kpa"))
    return apart.sort("at").with_columns(pl.col("state").rle_id().alias("block")).drop("at", "kind")


def scatter_of(pulls: pl.DataFrame) -> Scatter:
    """Scatter within the blocks of some pulls; a row that is a mean of n pulls weighs n, and adds its stated scatter."""
    weight = pl.col("pulls").cast(pl.Float64)
    mean = (weight * pl.col("ln_power")).sum() / weight.sum()
    blocks = pulls.group_by("block").agg(
        (weight * (pl.col("ln_power") - mean) ** 2).sum().alias("squares"), (pl.len() - 1).cast(pl.Int64).alias("freedom")
    )
    repeated = blocks.filter(pl.col("freedom") > 0).sort("block")
    stated = pulls.filter(pl.col("stated_var").is_not_null()).select(
        ((pl.col("pulls") - 1) * pl.col("stated_var")).alias("squares"), (pl.col("pulls") - 1).alias("freedom")
    )
    rows = int(repeated["freedom"].sum()) + repeated.height + stated.height
    squares = float(np.sum(repeated["squares"].to_numpy())) + float(np.sum(stated["squares"].to_numpy()))
    return Scatter(squares, int(repeated["freedom"].sum()) + int(stated["freedom"].sum()), rows)


def pull_error(own: Scatter, study: dict[str, Scatter], dyno_type: str | None) -> PullError:
    """How well one pull repeats: by the session's own repeats, else by those of the study on such dynos, else as assumed."""
    if own.rel_sd is not None:
        return PullError(max(own.rel_sd, LEAST_POWER_REL_SD), own.freedom, "the repeated pulls of this session", "pulls")
    kind = "engine" if dyno_type == "engine" else "chassis"
    theirs = study.get(kind)
    if (
        dyno_type not in (None, "unstated")
        and theirs is not None
        and theirs.rel_sd is not None
        and theirs.freedom >= LEAST_FREEDOM
    ):
        said = f"repeated pulls on {kind} dynos in the study"
        return PullError(max(theirs.rel_sd, LEAST_POWER_REL_SD), theirs.freedom, said, "study")
    return PullError(PULL_REL_SD, None, "an assumption, because nothing repeats", "assumed")


def study_scatter(runs: pl.DataFrame, slope: float) -> dict[str, Scatter]:
    """Repeatability in the study by kind of dyno, ``engine`` and ``chassis``, from its repeated pulls.

    Rows of a published table that stand next to each other may be copies and not pulls: equal figures are left out.
    """
    pulls = session_pulls(runs, slope)
    pulls = pulls.unique(["block", "ln_power"], keep="first", maintain_order=True)
    kinds = {"engine": ["engine"], "chassis": ["chassis_roller", "chassis_hub"]}
    return {kind: scatter_of(pulls.filter(pl.col("dyno_type").is_in(types))) for kind, types in kinds.items()}
