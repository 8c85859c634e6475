"""Which baseline serves which boosted runs.

Boosted runs of one build under one setup, measured at one place on one dyno, form a unit of
the fit. Every baseline of the build, and of the other build that it names, is a candidate; the
best kind of candidate serves, and of those not chosen each keeps the reason.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from models.exclusions import RANK
from models.sample_options import SampleOptions
from models.sample_rows import SETUP

#: Columns in which the boosted runs of one unit agree.
UNIT_KEY = ("home", *SETUP, "place", "dyno", "named", "basis", "stated")

#: Columns in which an empty cell takes the one value that the build's other boosted runs state:
#: a publisher says once that there is a cooler. Where they state several, empty stays a setup of its own.
_SAID_ONCE = (*SETUP, "dyno", "named", "basis")

#: Kinds of candidate, best first.
SAME_DYNO, OTHER_DYNO, FLAT_LOSS, SAME_SPEC, STATED = 1, 2, 3, 4, 5

#: Error shared by all baseline against all boosted runs of a unit, as a standard deviation of each
#: side's power: one session; another day on the same dyno; another dyno or another engine of the
#: same specification; a stated rating (which is then 7 % uncertain against the boosted side).
SESSION_REL_SD = {"same_session": 0.005, "same_engine": 0.015, "other": 0.04, "stated": 0.05}


@dataclass(frozen=True, slots=True)
class Pairing:
    """Units with their rows, and why other rows have none.

    Attributes
    ----------
    units : unit_no (dense from 0, in the order of unit_id), unit_id, the columns of `UNIT_KEY`, tier, baseline_quality,
        session_rel_sd.
    rows : unit_no, row of every row in a unit; a baseline that serves two units appears twice.
    reasons : row, reason of boosted and unboosted rows that found no partner.
    """

    units: pl.DataFrame
    rows: pl.DataFrame
    reasons: pl.DataFrame


def _unit_id() -> pl.Expr:
    """Text key of a unit: the build, its setup, where and how it was measured; what was not stated stays empty."""

    def part(column: str) -> pl.Expr:
        text = pl.col(column).cast(pl.String)
        return text.str.replace_all("\\", "\\\\", literal=True).str.replace_all("/", "\\/", literal=True).fill_null("")

    setup = pl.concat_str([part(c) for c in SETUP], separator="/")
    rig = pl.concat_str([part(c) for c in ("place", "dyno", "named", "basis")], separator="/")
    stated = pl.when(pl.col("stated")).then(pl.lit("/stated")).otherwise(pl.lit(""))
    return pl.concat_str([pl.col("home").cast(pl.String), setup, rig + stated], separator="|")


def boosted_units(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Usable boosted rows, and the units that they form.

    Parameters
    ----------
    rows : result of `ready_rows`, with ``row`` numbers.

    Returns
    -------
    boosted : row, unit_no, session, correction.
    units : unit_no, unit_id, the columns of `UNIT_KEY`, dyno_type and loss (drivetrain loss, %) of its boosted rows.
    """
    boosted = rows.filter((pl.col("role") == "boosted") & pl.col("own_reason").is_null()).select(
        "row", *UNIT_KEY, "session", "correction", "dyno_type", "drivetrain_loss_pct"
    )
    said = boosted.group_by("home").agg(_only(c).alias(f"{c}_said") for c in _SAID_ONCE)
    boosted = boosted.join(said, on="home", how="left", maintain_order="left")
    boosted = boosted.with_columns(pl.coalesce(c, f"{c}_said").alias(c) for c in _SAID_ONCE)
    units = boosted.group_by(UNIT_KEY).agg(_only("dyno_type"), pl.col("drivetrain_loss_pct").min().alias("loss"))
    units = units.with_columns(_unit_id().alias("unit_id")).sort("unit_id").with_row_index("unit_no")
    numbered = boosted.join(units.select("unit_no", *UNIT_KEY), on=UNIT_KEY, how="left", nulls_equal=True)
    return numbered.select("row", "unit_no", "session", "correction"), units


def _only(column: str) -> pl.Expr:
    """The value that all stated cells of a group share, else null."""
    return pl.when(pl.col(column).min() == pl.col(column).max()).then(pl.col(column).min()).alias(column)


def _failure(options: SampleOptions) -> pl.Expr:
    """Code of the first condition that a candidate pair misses, in the order of the table of reasons; null: a pair."""
    stated_in = "stated" in options.qualities
    base_out = pl.col("base_reason").is_not_null()
    named_out = base_out & pl.col("base_reason").is_in(["lowest_boost", "stated_rating"])
    mixed = pl.col("base_place") != pl.col("place")
    half_known = pl.col("base_place").is_null() != pl.col("place").is_null()
    spec = ~pl.col("own") & ~pl.lit("same_spec" in options.qualities) & ~(pl.col("base_stated") & stated_in)
    return (
        pl.when(named_out).then(pl.col("base_reason"))
        .when(base_out).then(pl.lit("baseline_left_out"))
        .when(half_known).then(pl.lit("place_unknown"))
        .when(mixed & ~_flat_pair(options)).then(pl.lit("wheel_against_crank"))
        .when(pl.col("base_basis") != pl.col("basis")).then(pl.lit("net_against_gross"))
        .when(spec).then(pl.lit("same_spec"))
        .when(_dynos_differ() & pl.col("own") & ~mixed.fill_null(False) & ~pl.lit(options.other_dyno))
        .then(pl.lit("other_dyno"))
    )  # fmt: skip


def _crank_like(place: str, loss: str) -> pl.Expr:
    """Whether a figure is at the crank, or a wheel figure that a stated flat loss brings there."""
    at_crank = (pl.col(place) == "crank") | pl.col(place).cast(pl.String).str.starts_with("wheel plus")
    return at_crank | (pl.col(place).is_in(["wheel", "hub"]) & (pl.col(loss) > 0))


def _flat_pair(options: SampleOptions) -> pl.Expr:
    if not options.flat_loss:
        return pl.lit(False)
    return (_crank_like("place", "loss") & _crank_like("base_place", "base_loss")).fill_null(False)


def _dynos_differ() -> pl.Expr:
    """Both dynos stated and unlike; an unstated dyno is taken as the same."""
    return ((pl.col("base_dyno") != pl.col("dyno")) | (pl.col("base_dyno_type") != pl.col("dyno_type"))).fill_null(False)


def _tier() -> pl.Expr:
    return (
        pl.when(pl.col("base_stated") | pl.col("stated")).then(STATED)
        .when(~pl.col("own")).then(SAME_SPEC)
        .when(pl.col("base_place") != pl.col("place")).then(FLAT_LOSS)
        .when(_dynos_differ()).then(OTHER_DYNO)
        .otherwise(SAME_DYNO)
        .cast(pl.Int8)
    )  # fmt: skip


def _candidates(rows: pl.DataFrame, units: pl.DataFrame, options: SampleOptions) -> pl.DataFrame:
    """Every unit beside every baseline of its build and of the build it names: failure code and tier."""
    taken = {
        "row": "base_row", "home": "base_home", "own_reason": "base_reason", "place": "base_place",
        "drivetrain_loss_pct": "base_loss", "basis": "base_basis", "dyno": "base_dyno",
        "dyno_type": "base_dyno_type", "stated": "base_stated", "session": "base_session", "correction": "base_correction",
    }  # fmt: skip
    base = rows.filter((pl.col("role") == "baseline") & (pl.col("own_reason").fill_null("") != "repeat"))
    base = base.select(pl.col(old).alias(new) for old, new in taken.items())
    own = units.join(base, left_on="home", right_on="base_home", how="inner").with_columns(pl.lit(True).alias("own"))
    named = units.join(base, left_on="named", right_on="base_home", how="inner").with_columns(pl.lit(False).alias("own"))
    pairs = pl.concat([own, named.select(own.columns)])
    return pairs.with_columns(_failure(options).alias("failure"), _tier().alias("tier"))


def _with_sessions(pairs: pl.DataFrame, boosted: pl.DataFrame) -> pl.DataFrame:
    """Good pairs of the best tier of each unit, narrowed to its own sessions where those serve every boosted run."""
    good = pairs.filter(pl.col("failure").is_null())
    good = good.filter(pl.col("tier") == pl.col("tier").min().over("unit_no"))
    base_sessions = good.filter(pl.col("tier") == SAME_DYNO).select("unit_no", session="base_session").drop_nulls().unique()
    served = boosted.select("unit_no", "session").join(
        base_sessions.with_columns(pl.lit(True).alias("served")), on=["unit_no", "session"], how="left"
    )
    one_session = served.group_by("unit_no").agg(pl.col("served").fill_null(False).all().alias("one_session"))
    good = good.join(one_session, on="unit_no", how="left").with_columns(pl.col("one_session").fill_null(False))
    used = (
        served.filter(pl.col("served"))
        .select("unit_no", base_session="session")
        .unique()
        .with_columns(pl.lit(True).alias("in_session"))
    )
    good = good.join(used, on=["unit_no", "base_session"], how="left")
    return good.filter(~pl.col("one_session") | pl.col("in_session").fill_null(False))


def _with_corrections(good: pl.DataFrame, boosted: pl.DataFrame) -> pl.DataFrame:
    """Where the boosted runs share one correction and some baselines carry it too, only those serve."""
    one = boosted.group_by("unit_no").agg(
        (pl.col("correction").n_unique() == 1).alias("one_correction"), pl.col("correction").first().alias("its_correction")
    )
    good = good.join(one, on="unit_no", how="left")
    alike = pl.col("one_correction") & pl.col("base_correction").eq_missing(pl.col("its_correction"))
    good = good.with_columns(alike.alias("alike"))
    return good.filter(pl.col("alike") | ~pl.col("alike").any().over("unit_no"))


def _quality() -> pl.Expr:
    return (
        pl.when(pl.col("tier") == STATED).then(pl.lit("stated"))
        .when(pl.col("tier") == SAME_SPEC).then(pl.lit("same_spec"))
        .when(pl.col("one_session")).then(pl.lit("same_session"))
        .otherwise(pl.lit("same_engine"))
    )  # fmt: skip


def _session_rel_sd() -> pl.Expr:
    return (
        pl.when(pl.col("tier") == STATED).then(SESSION_REL_SD["stated"])
        .when(pl.col("tier") != SAME_DYNO).then(SESSION_REL_SD["other"])
        .when(pl.col("one_session")).then(SESSION_REL_SD["same_session"])
        .otherwise(SESSION_REL_SD["same_engine"])
    )  # fmt: skip


def _furthest(pairs: pl.DataFrame, by: str) -> pl.DataFrame:
    """For each key the failure that came nearest to a usable pair."""
    ranked = pairs.filter(pl.col("failure").is_not_null()).with_columns(
        pl.col("failure").replace_strict(RANK, return_dtype=pl.Int32).alias("rank")
    )
    return ranked.group_by(by).agg(pl.col("failure").sort_by("rank").last().alias("reason"))


def pair_rows(rows: pl.DataFrame, options: SampleOptions) -> Pairing:
    """Form the units and choose their baselines.

    Parameters
    ----------
    rows : result of `ready_rows`, with ``row`` numbers.
    options : which kinds of baseline may serve.
    """
    boosted, units = boosted_units(rows)
    pairs = _candidates(rows, units, options)
    chosen = _with_corrections(_with_sessions(pairs, boosted), boosted)
    kinds = chosen.group_by("unit_no").agg(pl.col("tier").first(), pl.col("one_session").first())
    kinds = kinds.with_columns(_quality().alias("baseline_quality"), _session_rel_sd().alias("session_rel_sd"))
    asked = pl.col("baseline_quality").is_in(list(options.qualities))
    refused = kinds.filter(~asked).select("unit_no", pl.lit("not_same_session").alias("refused"))
    units = units.join(kinds.filter(asked).drop("one_session"), on="unit_no", how="inner").sort("unit_no")
    chosen = chosen.join(units.select("unit_no"), on="unit_no", how="semi")
    rows_in = pl.concat([
        boosted.join(units.select("unit_no"), on="unit_no", how="semi").select("unit_no", "row"),
        chosen.select("unit_no", row="base_row"),
    ]).sort("unit_no", "row")  # fmt: skip
    reasons = pl.concat([_boosted_reasons(boosted, units, pairs, refused), _baseline_reasons(rows, rows_in, pairs, boosted)])
    return Pairing(units, rows_in, reasons.sort("row"))


def _boosted_reasons(boosted: pl.DataFrame, units: pl.DataFrame, pairs: pl.DataFrame, refused: pl.DataFrame) -> pl.DataFrame:
    """Why boosted rows outside every unit found no baseline."""
    out = boosted.join(units.select("unit_no"), on="unit_no", how="anti").select("row", "unit_no")
    out = out.join(refused, on="unit_no", how="left").join(_furthest(pairs, "unit_no"), on="unit_no", how="left")
    return out.select("row", pl.coalesce("refused", "reason", pl.lit("no_baseline")).alias("reason"))


def _baseline_reasons(rows: pl.DataFrame, rows_in: pl.DataFrame, pairs: pl.DataFrame, boosted: pl.DataFrame) -> pl.DataFrame:
    """Why usable baselines serve no unit."""
    out = rows.filter((pl.col("role") == "baseline") & pl.col("own_reason").is_null())
    out = out.join(rows_in.select("row").unique(), on="row", how="anti").select("row", "home")
    if out.is_empty():
        return out.select("row", pl.lit("", dtype=pl.String).alias("reason"))
    tried = pairs.group_by(pl.col("base_row").alias("row")).agg(pl.col("failure").is_null().any().alias("could"))
    any_boosted = rows.filter(pl.col("role") == "boosted")
    homes = pl.concat([any_boosted.select("home"), any_boosted.select(home="named")]).drop_nulls().unique()
    out = out.join(tried, on="row", how="left")
    out = out.join(_furthest(pairs, "base_row"), left_on="row", right_on="base_row", how="left")
    out = out.join(homes.with_columns(pl.lit(True).alias("has_boosted")), on="home", how="left")
    reason = (
        pl.when(pl.col("could")).then(pl.lit("better_baseline"))
        .when(pl.col("reason").is_not_null()).then(pl.col("reason"))
        .when(pl.col("has_boosted")).then(pl.lit("boosted_runs_out"))
        .otherwise(pl.lit("no_boosted_run"))
    )  # fmt: skip
    return out.select("row", reason.alias("reason"))
