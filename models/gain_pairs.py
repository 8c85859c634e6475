"""Before/after pairs as rows: both sides on one basis, what is known of the engine, and the error of their ratio.

The error of ln(after / before) is that of two figures (repeatability over pulls: stated, else the study's own estimate for
such dynos, else assumed; never better than rounding), of two sessions (``pairing.SESSION_REL_SD``), of the correction that brings
both to one basis and, under boost, of two readings of boost. The gain at held boost also carries what bringing the after run
to the boost before the change adds: the engine's own slope against boost is known only within the spread of engines.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from models.interpolated_baseline import PULL_REL_SD
from models.pairing import SESSION_REL_SD
from models.results import StudyResults
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA
from models.sample import BOOST_SD_KPA, LEAST_POWER_REL_SD, LEVEL_GAP_KPA
from models.sample_rows import complete
from models.session_pulls import LEAST_FREEDOM, Scatter
from pipeline.correction import AirColumns, to_common_expression

#: Reference boost of the mean curve: 10 psi at sea level, as a ratio.
REFERENCE_RATIO = 10.0 * KPA_PER_PSI / SEA_LEVEL_KPA
CHANGE_COLUMNS: dict[str, Any] = {
    "change_key": pl.String, "source": pl.String, "publisher": pl.String, "before_run_key": pl.String, "after_run_key": pl.String,
    "parts": pl.List(pl.String), "retuned_each": pl.Boolean, "held": pl.String,
}  # fmt: skip
_RUN_FACTS = (
    "run_key", "build_key", "role", "is_repeat", "is_stated_rating", "outcome", "wide_open", "fuel", "octane_ron", "octane_aki",
    "ethanol_pct", "induction", "session", "dyno_id", "dyno_type", "measured_at", "rating_basis", "correction", "power_kw",
    "power_sd_kw", "power_step_kw", "pulls", "pull_order", "tested_on", "boost_kpa", "boost_step_kpa", "boost_control",
    "baseline_hardware", "same_tune_target", "ambient_used_kpa", "baseline_build_key",
)  # fmt: skip
_BUILD_FACTS = (
    "build_key", "build", "engine_id", "displacement_cc", "head_state", "intake_kind", "intake_duration_deg", "duration_at_mm",
    "compressor_rating_kw", "drive_ratio",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class MeanCurve:
    """Mean power against boost in the study: ``1 + s x + q x (x - x_r)``; ``slope`` None where the study gave none."""

    slope: float | None
    curvature: float
    between_sd: float


def curve_of(study: StudyResults) -> MeanCurve:
    """The mean curve of a study with the spread of its slope between builds."""
    return MeanCurve(study.rule_ratio.value, study.curvature.value or 0.0, study.between_builds_sd.value or 0.0)


def pair_rows(tables: Mapping[str, pl.DataFrame], curve: MeanCurve, scatter: Mapping[str, Scatter]) -> pl.DataFrame:
    """One row a change, in order of its key.

    Parameters
    ----------
    tables : clean tables ``run``, ``build`` and, where there are any, ``change``.
    curve : mean curve of the study.
    scatter : repeatability in the study by kind of dyno (``session_pulls.study_scatter``).

    Returns
    -------
    The columns of a change; facts of both runs and their builds under ``before_`` and ``after_`` (null where a run is not
    there); engine, same_session, basis, before_kw, after_kw (null without a common basis), ln_var, repeat_basis,
    freedom (null where the scatter is taken as known), pull_rel_sd, is_boosted, na_kw, power_ratio, power_ratio_measured,
    is_adjusted, held_ln (to be added to ln(after / before)), held_var, kw_per_litre.
    """
    changes = tables.get("change")
    changes = pl.DataFrame(schema=CHANGE_COLUMNS) if changes is None or changes.is_empty() else changes
    changes = changes.select(list(CHANGE_COLUMNS)).sort("change_key")
    runs = complete(tables["run"], "run")
    keys = pl.concat([changes["before_run_key"], changes["after_run_key"]]).unique()
    sides = _sides(runs.filter(pl.col("run_key").is_in(keys.implode())), complete(tables["build"], "build"), scatter)
    pairs = changes.join(sides.select(pl.all().name.prefix("before_")), on="before_run_key", how="left", maintain_order="left")
    pairs = pairs.join(sides.select(pl.all().name.prefix("after_")), on="after_run_key", how="left", maintain_order="left")
    return _with_boost(_with_basis(_with_unboosted(pairs, runs)), curve)


def _sides(runs: pl.DataFrame, builds: pl.DataFrame, scatter: Mapping[str, Scatter]) -> pl.DataFrame:
    """Facts of each run with its observed and corrected power and the repeatability of its figure."""
    observed = pl.coalesce(
        "observed_power_kw",
        pl.when(pl.col("correction") == "uncorrected").then(pl.col("power_kw")),
        pl.when(pl.col("correction_factor") > 0).then(pl.col("power_kw") / pl.col("correction_factor")),
    )
    pressure = pl.when(pl.col("ambient_basis") != "assumed").then(pl.col("ambient_used_kpa"))
    common = to_common_expression(air=AirColumns(pressure_kpa=pressure, air_c="air_c", humidity_pct="humidity_pct"))
    kind = pl.col("dyno_type").replace_strict(
        {"engine": "engine", "chassis_roller": "chassis", "chassis_hub": "chassis"}, default=None, return_dtype=pl.String
    )
    known = {k: s for k, s in scatter.items() if s.rel_sd is not None and s.freedom >= LEAST_FREEDOM}
    own = kind.replace_strict({k: s.rel_sd for k, s in known.items()}, default=None, return_dtype=pl.Float64)
    freedom = kind.replace_strict({k: s.freedom for k, s in known.items()}, default=None, return_dtype=pl.Int64)
    # a scatter larger than the figure itself is no scatter of its pulls
    stated = pl.when((pl.col("power_sd_kw") > 0) & (pl.col("power_sd_kw") < pl.col("power_kw"))).then(
        pl.col("power_sd_kw") / pl.col("power_kw")
    )
    pulls = pl.col("pulls").fill_null(1).clip(1).cast(pl.Float64).sqrt()
    rounding = (pl.col("power_step_kw") / 2 / 3**0.5 / pl.col("power_kw")).fill_null(0.0)
    repeat = (pl.coalesce(stated, own, pl.lit(PULL_REL_SD)) / pulls).clip(LEAST_POWER_REL_SD)
    basis = pl.when(stated.is_not_null()).then(pl.lit("stated")).when(own.is_not_null()).then(pl.lit("study"))
    facts = builds.select(_BUILD_FACTS).unique("build_key", keep="first", maintain_order=True)
    return (
        runs.with_columns(common.power.alias("j1349_kw"), common.relative_sd.alias("j1349_sd"))
        .select(
            *_RUN_FACTS, "j1349_kw", "j1349_sd", observed.alias("observed_kw"),
            pl.max_horizontal(repeat, rounding).clip(upper_bound=1.0).alias("rel_sd"), basis.otherwise(pl.lit("assumed")).alias("repeat_basis"),
            pl.when(stated.is_null()).then(freedom).alias("freedom"),
        )
        .join(facts, on="build_key", how="left")
    )  # fmt: skip


def _with_unboosted(pairs: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Power without boost of the engine before the change, from runs of its own under the same correction and at the same place."""
    alike = ("correction", "measured_at")
    good = runs.filter(
        (pl.col("role") == "baseline") & (pl.col("power_kw") > 0) & ~pl.col("is_stated_rating").fill_null(False)
        & ~pl.col("is_repeat").fill_null(False)
    )  # fmt: skip
    mean = good.group_by("build_key", *alike).agg(pl.col("power_kw").mean().alias("na_kw"))
    for key, name in (("before_build_key", "own_na_kw"), ("before_baseline_build_key", "named_na_kw")):
        pairs = pairs.join(
            mean.rename({"na_kw": name}), left_on=[key, *(f"before_{c}" for c in alike)], right_on=["build_key", *alike],
            how="left", nulls_equal=True, maintain_order="left",
        )  # fmt: skip
    return pairs.with_columns(pl.coalesce("own_na_kw", "named_na_kw").alias("na_kw"))


def _equal(column: str, *, unknown: str = "unstated") -> pl.Expr:
    """Whether both sides state the same; null where a side does not state it."""
    before, after = (pl.col(f"{side}_{column}") for side in ("before", "after"))
    return pl.when((before != unknown) & (after != unknown)).then(before == after)


def _with_basis(pairs: pl.DataFrame) -> pl.DataFrame:
    """Powers to compare, the name of their basis, and the error of the logarithm of their ratio."""
    same_session = _equal("session", unknown="").fill_null(False) & (pl.col("before_session").str.strip_chars() != "")
    before, after = (pl.col(f"{side}_correction").fill_null("unstated") for side in ("before", "after"))
    have = {
        n: pl.col(f"before_{n}").is_not_null() & pl.col(f"after_{n}").is_not_null()
        for n in ("observed_kw", "j1349_kw", "power_kw")
    }
    basis = (
        pl.when((before == after) & have["power_kw"]).then(pl.lit("as reported"))
        .when(pl.col("same_session") & have["observed_kw"]).then(pl.lit("observed"))
        .when(have["j1349_kw"]).then(pl.lit("sae_j1349"))
    )  # fmt: skip
    figures = {"as reported": "power_kw", "observed": "observed_kw", "sae_j1349": "j1349_kw"}

    def power(side: str) -> pl.Expr:
        return pl.coalesce(pl.when(pl.col("basis") == b).then(pl.col(f"{side}_{c}")) for b, c in figures.items())

    corrected = pl.when(pl.col("basis") == "sae_j1349")
    added = corrected.then(pl.col("before_j1349_sd") ** 2 + pl.col("after_j1349_sd") ** 2).otherwise(0.0)
    session = pl.when(pl.col("same_session")).then(SESSION_REL_SD["same_session"]).otherwise(SESSION_REL_SD["same_engine"])
    figure = pl.col("before_rel_sd") ** 2 + pl.col("after_rel_sd") ** 2
    worse = [pl.col(f"{side}_repeat_basis") for side in ("before", "after")]
    either = {name: (worse[0] == name) | (worse[1] == name) for name in ("assumed", "study")}
    litres = pl.col("before_displacement_cc") / 1000.0
    named = pl.coalesce(pl.col("before_engine_id"), pl.col("before_build_key"))
    return (
        pairs.with_columns(same_session.alias("same_session"))
        .with_columns(basis.alias("basis"))
        .with_columns(power("before").alias("before_kw"), power("after").alias("after_kw"), named.alias("engine"))
        .with_columns(
            (figure + 2 * session**2 + added).alias("ln_var"), (figure / 2).sqrt().alias("pull_rel_sd"),
            pl.when(either["assumed"]).then(pl.lit("assumed")).when(either["study"]).then(pl.lit("study"))
            .otherwise(pl.lit("stated")).alias("repeat_basis"),
            pl.min_horizontal("before_freedom", "after_freedom").alias("freedom"),
            ((pl.col("before_role") == "boosted") & (pl.col("after_role") == "boosted")).fill_null(False).alias("is_boosted"),
            pl.when(litres > 0).then(litres).alias("litres"),
        )
    )  # fmt: skip


def _with_boost(pairs: pl.DataFrame, curve: MeanCurve) -> pl.DataFrame:
    """Power ratio, what brings the after run to the boost before the change, and the error of both."""
    boosted, s, q = pl.col("is_boosted"), curve.slope, curve.curvature
    x = {side: pl.col(f"{side}_boost_kpa") / pl.col(f"{side}_ambient_used_kpa") for side in ("before", "after")}
    measured = boosted & (pl.col("na_kw") > 0).fill_null(False) & (pl.col("before_power_kw") > pl.col("na_kw")).fill_null(False)
    gap = (pl.col("after_boost_kpa") - pl.col("before_boost_kpa")).abs()
    moved = boosted & ((pl.col("held") == "setting") | (gap >= LEVEL_GAP_KPA)).fill_null(False)
    pairs = pairs.with_columns(measured.alias("power_ratio_measured"), moved.alias("is_adjusted"))
    own = pl.col("before_power_kw") / pl.col("na_kw")
    if s is None:
        by_curve, held, slopes = pl.lit(None, pl.Float64), pl.lit(None, pl.Float64), pl.lit(0.0)
        reading = pl.lit(0.0)
    else:
        multiple = {side: (1 + s * v + q * v * (v - REFERENCE_RATIO)).clip(1.0) for side, v in x.items()}
        by_curve, held = multiple["before"], multiple["before"].log() - multiple["after"].log()
        slopes = (x["before"] / multiple["before"] - x["after"] / multiple["after"]) ** 2 * curve.between_sd**2
        reading = sum((_reading_var(side, x[side], multiple[side], s, q) for side in ("before", "after")), start=pl.lit(0.0))
    ratio = pl.when(~boosted).then(1.0).when(pl.col("power_ratio_measured")).then(own).otherwise(by_curve)
    held_ln = pl.when(pl.col("is_adjusted")).then(held).otherwise(0.0)
    held_var = pl.when(boosted).then(reading + pl.when(pl.col("is_adjusted")).then(slopes).otherwise(0.0)).otherwise(0.0)
    unboosted = pl.when(boosted).then(pl.col("before_power_kw") / ratio).otherwise(pl.col("before_power_kw"))
    return pairs.with_columns(
        ratio.alias("power_ratio"), held_ln.alias("held_ln"), (pl.col("ln_var") + held_var).alias("held_var"),
        (unboosted / pl.col("litres")).alias("kw_per_litre"),
    )  # fmt: skip


def _reading_var(side: str, x: pl.Expr, multiple: pl.Expr, slope: float, curvature: float) -> pl.Expr:
    """Variance of ln power that a misread boost amounts to, by the slope of the mean curve."""
    step = pl.max_horizontal(pl.lit(BOOST_SD_KPA), (pl.col(f"{side}_boost_step_kpa") / 2 / 3**0.5).fill_null(0.0))
    rate = (slope + curvature * (2 * x - REFERENCE_RATIO)) / (multiple * pl.col(f"{side}_ambient_used_kpa"))
    return (rate * step) ** 2
