"""Who is in the study, and why everybody else is not.

From the clean tables to the two frames that the fit reads. Every run of the store is either in
``Sample.runs`` or in ``Sample.excluded`` with one reason, so that the flow of records always
adds up.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from models.comparable import to_common_basis
from models.exclusions import RANK, REASONS
from models.interpolated_baseline import PULL_REL_SD, with_interpolated_baselines
from models.pairing import Pairing, pair_rows
from models.results import FlowStep
from models.sample_options import SampleOptions
from models.sample_rows import complete, ready_rows

#: Random error of one reading of boost (0.173 psi) and the error shared by all readings of one gauge (0.1 psi).
BOOST_SD_KPA = 1.19279
GAUGE_SD_KPA = 0.689476

#: No stated repeatability is taken as better than this, or one proud figure would outweigh all others.
LEAST_POWER_REL_SD = 0.002

#: Boosts closer than half a psi are one level with some drift.
LEVEL_GAP_KPA = 3.447

#: Better known to worse known.
_AMBIENT_BASES = ("recorded", "altitude", "assumed")

#: What the fit needs of a row, before it is numbered by unit.
_OF_A_FIT = (
    "unit_no", "row", "run_key", "role", "made", "boost_kpa", "boost_step_kpa", "ambient_used_kpa", "power", "power_kw",
    "added_rel_sd", "pulls", "power_sd_kw", "power_step_kw",
)  # fmt: skip

#: Facts of a unit's boosted runs that are kept where they all agree.
_SHARED = (
    "measured_at", "dyno_type", "boost_taken", "boost_where", "boost_control", "octane_ron", "octane_mon", "octane_aki",
    "ethanol_pct", "same_exhaust", "same_tune_target", "correction",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sample:
    """Rows for the fit, and the account of all others.

    Attributes
    ----------
    runs : one row per run and unit, sorted by unit, boost and run_key: unit (UInt32, dense from 0), run_key, boost_kpa
        (0 for a baseline), ambient_kpa, power (kW on the unit's common basis), power_rel_sd, boost_sd_kpa; and
        unit_id, boost_ratio, gain_ratio (null for a baseline). A baseline that serves two units has two rows.
    units : one row per unit, sorted by unit: unit, unit_id, publisher, dyno_class, session_rel_sd,
        gauge_sd_kpa; and what is known of the build, its setup, its baseline and its boost.
    flow : runs in the store, each reason with its count, runs and builds analysed.
    excluded : run_key, reason (code), sentence; sorted by run_key.
    """

    runs: pl.DataFrame
    units: pl.DataFrame
    flow: tuple[FlowStep, ...]
    excluded: pl.DataFrame


def choose_sample(runs: pl.DataFrame, builds: pl.DataFrame, options: SampleOptions | None = None) -> Sample:
    """Choose the runs and form the units that a fit reads.

    Parameters
    ----------
    runs, builds : clean tables ``run`` and ``build``; optional columns may be absent.
    options : departures from the main analysis.

    Raises
    ------
    RequestProblem
        When a table lacks a column that no row can do without.
    """
    options = options or SampleOptions()
    runs, builds = complete(runs, "run"), complete(builds, "build")
    rows = ready_rows(runs, builds, options)
    rows = with_interpolated_baselines(rows) if options.interpolated_baseline else rows.with_columns(pl.lit(False).alias("made"))
    rows = rows.with_row_index("row")
    pairing = pair_rows(rows, options)
    based, unconverted = to_common_basis(_rows_of_units(pairing.rows, rows), pairing.units)
    based, orphans = _without_orphans(based, unconverted)
    units = _units(pairing, based, builds)
    kept = units.filter(asked_for(options)).sort("unit_no").with_row_index("unit").with_columns(pl.col("unit").cast(pl.UInt32))
    outside = based.join(kept, on="unit_no", how="anti").select("row", pl.lit("outside_subset").alias("reason"))
    analysed = based.select(_OF_A_FIT).join(kept.select("unit_no", "unit", "na_power_kw"), on="unit_no", how="inner")
    used = analysed.select("row", "made").unique("row")
    excluded = _excluded(rows, used, pl.concat([pairing.reasons, unconverted, orphans, outside]))
    flow = _flow(runs.height, excluded, used.filter(~pl.col("made")).height, kept.height)
    return Sample(_fit_runs(analysed, kept), kept.drop("unit_no"), flow, excluded)


def _rows_of_units(numbers: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows by their number, which is their place, beside the unit that they serve."""
    return pl.concat([numbers.select("unit_no"), rows[numbers["row"]]], how="horizontal")


def _without_orphans(based: pl.DataFrame, unconverted: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of units that still have both sides; the rest left because their partner could not be converted."""
    if unconverted.is_empty():
        return based, unconverted
    baseline = pl.col("role") == "baseline"
    whole = based.with_columns((baseline.any() & (~baseline).any()).over("unit_no").alias("whole"))
    orphans = whole.filter(~pl.col("whole")).select("row", pl.lit("correction").alias("reason"))
    return whole.filter(pl.col("whole")).drop("whole"), orphans


def _power_rel_sd() -> pl.Expr:
    """Relative standard deviation of a row's power: repeatability over pulls, rounding, and the conversion."""
    pulls = pl.col("pulls").fill_null(1).clip(1).cast(pl.Float64).sqrt()
    stated = pl.when(pl.col("power_sd_kw") > 0).then(pl.col("power_sd_kw") / pl.col("power_kw"))
    repeat = (stated.fill_null(PULL_REL_SD) / pulls).clip(LEAST_POWER_REL_SD)
    rounding = (pl.col("power_step_kw") / 2 / 3**0.5 / pl.col("power_kw")).fill_null(0.0)
    return (pl.max_horizontal(repeat, rounding) ** 2 + pl.col("added_rel_sd") ** 2).sqrt()


def _boost_sd_kpa() -> pl.Expr:
    """Random error of a row's boost, at least that of the last printed digit."""
    return pl.max_horizontal(pl.lit(BOOST_SD_KPA), (pl.col("boost_step_kpa") / 2 / 3**0.5).fill_null(0.0))


def _fit_runs(analysed: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    boosted = pl.col("role") == "boosted"
    rows = analysed.with_columns(pl.when(boosted).then(pl.col("boost_kpa")).otherwise(0.0).alias("boost_kpa"))
    rows = rows.sort("unit", "boost_kpa", "row").select(
        "unit", "run_key", "boost_kpa", pl.col("ambient_used_kpa").alias("ambient_kpa"), "power",
        _power_rel_sd().alias("power_rel_sd"), _boost_sd_kpa().alias("boost_sd_kpa"),
        (pl.col("boost_kpa") / pl.col("ambient_used_kpa")).alias("boost_ratio"),
        pl.when(boosted).then(pl.col("power") / pl.col("na_power_kw") - 1).alias("gain_ratio"),
    )  # fmt: skip
    return rows.join(units.select("unit", "unit_id"), on="unit", how="left", maintain_order="left")


def _agreed(column: str) -> pl.Expr:
    """The value that all stated cells of a column share, else null."""
    cells = pl.col(column)
    return pl.when(cells.min() == cells.max()).then(cells.min()).alias(column)


def _boosted_facts(based: pl.DataFrame) -> pl.DataFrame:
    read = ("unit_no", "row", "boost_kpa", "ambient_used_kpa", "ambient_basis", "basis_of_power", *_SHARED)
    boosted = based.filter(pl.col("role") == "boosted").select(read).sort("unit_no", "boost_kpa", "row")
    # sorted by unit, so that a plain difference serves: the first row of each unit begins its first level
    first = pl.col("unit_no").diff().fill_null(1) != 0
    gap = first | (pl.col("boost_kpa").diff() >= LEVEL_GAP_KPA)
    basis = pl.col("ambient_basis").replace_strict({b: i for i, b in enumerate(_AMBIENT_BASES)}, default=2, return_dtype=pl.Int8)
    # extremes by group are quick for numbers and categories, slow for texts and flags, and needless where nobody stated anything
    texts = [c for c in _SHARED if boosted.schema[c] == pl.String]
    flags = [c for c in _SHARED if boosted.schema[c] == pl.Boolean]
    unstated = [c for c in _SHARED if boosted[c].null_count() == boosted.height]
    nothing = [pl.lit(None, dtype=based.schema[c]).alias(c) for c in unstated]
    boosted = boosted.with_columns(
        gap.alias("new_level"), basis.alias("basis_no"), pl.col(texts).cast(pl.Categorical), pl.col(flags).cast(pl.Int8)
    )
    facts = boosted.group_by("unit_no").agg(
        pl.col("ambient_used_kpa").mean().alias("ambient_kpa"),
        pl.col("basis_no").max(),
        pl.col("boost_kpa").max().alias("highest_boost_kpa"),
        pl.len().cast(pl.Int64).alias("boosted_runs"),
        pl.col("new_level").sum().cast(pl.Int64).alias("boost_levels"),
        *(_agreed(c) for c in _SHARED if c not in unstated),
        pl.col("basis_of_power").first(),
    )  # fmt: skip
    ambient_basis = pl.col("basis_no").replace_strict(dict(enumerate(_AMBIENT_BASES)), return_dtype=pl.String)
    facts = facts.with_columns(
        *nothing, ambient_basis.alias("ambient_basis"), pl.col([c for c in flags if c not in unstated]).cast(pl.Boolean)
    )
    return facts.select(
        "unit_no", "ambient_kpa", "highest_boost_kpa", "boosted_runs", "boost_levels", *_SHARED, "basis_of_power", "ambient_basis"
    )


def _baseline_facts(based: pl.DataFrame) -> pl.DataFrame:
    base = based.filter(pl.col("role") == "baseline").sort("unit_no", "row").with_columns(
        (1 / _power_rel_sd() ** 2).alias("weight"), pl.col("baseline_hardware").cast(pl.Categorical)
    )  # fmt: skip
    mean = (pl.col("power") * pl.col("weight")).sum() / pl.col("weight").sum()
    return base.group_by("unit_no").agg(
        mean.alias("na_power_kw"), pl.len().cast(pl.Int64).alias("baseline_runs"), _agreed("baseline_hardware")
    )


def _dyno_class() -> pl.Expr:
    """Engine dyno for measured crank power; chassis for hubs, wheels, and crank figures made from a wheel figure."""
    at_engine = (pl.col("place") == "crank") | (pl.col("place").is_null() & (pl.col("dyno_type") == "engine"))
    return pl.when(at_engine.fill_null(False)).then(pl.lit("engine")).otherwise(pl.lit("chassis"))


def _units(pairing: Pairing, based: pl.DataFrame, builds: pl.DataFrame) -> pl.DataFrame:
    """One row per unit with everything known of it."""
    setup = pairing.units.drop("loss", "dyno_type", "tier", "stated", "named")
    units = setup.join(_boosted_facts(based), on="unit_no", how="inner").join(_baseline_facts(based), on="unit_no", how="inner")
    units = units.with_columns(pl.col(pl.Categorical).cast(pl.String))
    units = units.join(builds.drop("same_test_as"), left_on="home", right_on="build_key", how="left")
    units = units.with_columns(pl.lit(GAUGE_SD_KPA).alias("gauge_sd_kpa"), _dyno_class().alias("dyno_class"))
    return units.with_columns(pl.col("source", "publisher", "build").fill_null("")).rename({"home": "build_key"})


def asked_for(options: SampleOptions) -> pl.Expr:
    """Condition on units for the part of the data that was asked for."""
    keep = pl.col("boost_levels") >= options.least_boost_levels
    for column, names in (
        ("publisher", options.drop_publishers),
        ("source", options.drop_sources),
        ("unit_id", options.drop_units),
    ):
        keep &= ~pl.col(column).is_in(list(names))
    if options.only_recorded_ambient:
        keep &= pl.col("ambient_basis") == "recorded"
    if options.only_cooled:
        keep &= pl.col("charge_cooling").is_in(["air_to_air", "air_to_water"])
    if options.only_measured_at:
        keep &= pl.col("measured_at").is_in(list(options.only_measured_at))
    if options.only_baseline_hardware:
        keep &= pl.col("baseline_hardware").is_in(list(options.only_baseline_hardware))
    return keep.fill_null(False)


def _excluded(rows: pl.DataFrame, used: pl.DataFrame, reasons: pl.DataFrame) -> pl.DataFrame:
    """Every run that is in no unit, with one reason: its own before its partner's, the nearest to a pair of several."""
    out = rows.filter(~pl.col("made")).join(used, on="row", how="anti").select("row", "run_key", "own_reason")
    ranked = reasons.join(out, on="row", how="semi").with_columns(
        pl.col("reason").replace_strict(RANK, return_dtype=pl.Int32).alias("rank")
    )
    one = ranked.group_by("row").agg(pl.col("reason").sort_by("rank").last())
    out = out.join(one, on="row", how="left").sort("run_key")
    out = out.select("run_key", pl.coalesce("own_reason", "reason").alias("reason"))
    return out.with_columns(pl.col("reason").replace_strict(REASONS, return_dtype=pl.String).alias("sentence"))


def _flow(runs: int, excluded: pl.DataFrame, analysed: int, units: int) -> tuple[FlowStep, ...]:
    counts = dict(excluded.group_by("reason").len().iter_rows())
    left = [FlowStep("left out", counts[code], sentence) for code, sentence in REASONS.items() if code in counts]
    return (FlowStep("runs", runs, ""), *left, FlowStep("runs analysed", analysed, ""), FlowStep("builds analysed", units, ""))
