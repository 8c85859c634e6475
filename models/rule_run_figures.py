"""Figures of single runs that rules of thumb speak of: peak rpm, torque, charge heat, exhaust pressure, wheel and crank.

Each is a mean, a share or a slope over builds with publishers as clusters (:mod:`models.clustered`). Powers and torques are
compared as printed, within one build, so that corrections which both carry cancel.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.clustered import Sums, ratio_estimate, share_estimate
from models.joint_fit import JointFit
from models.results import RuleEvidence
from models.rule import KPA_PER_PSI, yield_at_sea_level
from models.rule_contrasts import unit_contrast
from models.rules_of_thumb import EQUIVALENCE_LEVEL
from models.sample import LEVEL_GAP_KPA, Sample

#: The boosted power peak counts as staying when it lies within this much of the unboosted one.
PEAK_STAYS_RPM = 300.0

#: Charge temperatures of one build that differ by less say nothing of heat [K].
LEAST_CHARGE_SPREAD_K = 3.0

#: The rule is stated for 6 K.
STATED_K = 6.0

_KW_PER_HP = 0.45359237 * 9.80665 * 550 * 0.3048 / 1000
#: "A 70 to 80 hp engine", in kW.
SMALL_ENGINE_KW = (70 * _KW_PER_HP, 80 * _KW_PER_HP)

_FACTS = ("power_rpm", "torque_nm", "power_kw", "charge_c", "exhaust_back_kpa")


def run_figures(sample: Sample, runs: pl.DataFrame, fit: JointFit, level: float) -> tuple[RuleEvidence, ...]:
    """All figures of this module.

    Parameters
    ----------
    sample : what the headline was fitted to.
    runs : clean table ``run``.
    fit : the headline fit.
    level : coverage of the wider interval.
    """
    facts = [pl.col(c).cast(pl.Float64) if c in runs.columns else pl.lit(None, pl.Float64).alias(c) for c in _FACTS]
    table = sample.runs.select("unit", "run_key", "boost_kpa").join(runs.select("run_key", *facts), on="run_key", how="left")
    table = table.join(
        sample.units.select("unit", "unit_id", "build_key", "publisher", "induction", "na_power_kw", "ambient_kpa"),
        on="unit",
        how="left",
    ).sort("unit", "boost_kpa", "run_key")
    return (
        _peak_stays(table, level),
        _torque_like_power(table, level),
        _charge_heat(table, level),
        _exhaust_beyond_twice(table, fit, level),
        _wheel_over_crank(runs, level),
        _small_engines(table, sample, level),
    )


def _both(name: str, meaning: str, sums: Sums, level: float, unit: str = "1") -> RuleEvidence:
    return RuleEvidence(name, meaning, *(ratio_estimate(sums, at, unit) for at in (level, EQUIVALENCE_LEVEL)))


def _mean_of(values: pl.DataFrame, column: str, what: str, runs: int) -> Sums:
    """A plain mean over rows with one build each."""
    top = values[column].to_numpy().astype(np.float64)
    return Sums(top, np.ones(top.size), values["publisher"].to_numpy(), runs, what)


def _peak_stays(table: pl.DataFrame, level: float) -> RuleEvidence:
    turbo = table.filter((pl.col("induction") == "turbocharger") & pl.col("power_rpm").is_not_null())
    boosted = pl.col("boost_kpa") > 0
    peaks = turbo.group_by("unit", "publisher").agg(
        pl.col("power_rpm").filter(boosted).mean().alias("boosted"), pl.col("power_rpm").filter(~boosted).mean().alias("base"), pl.len()
    ).drop_nulls().sort("unit")  # fmt: skip
    hits = ((peaks["boosted"] - peaks["base"]).abs() <= PEAK_STAYS_RPM).to_numpy()
    what = "turbocharged builds with the rpm of peak power with and without boost"
    sums = Sums(hits.astype(float), np.ones(hits.size), peaks["publisher"].to_numpy(), int(peaks["len"].sum()), what)
    meaning = "share of turbocharged builds whose boosted power peak stays within 300 rpm of the unboosted one"
    return RuleEvidence("peak_rpm_within_300", meaning, *(share_estimate(hits, sums, at) for at in (level, EQUIVALENCE_LEVEL)))


def _torque_like_power(table: pl.DataFrame, level: float) -> RuleEvidence:
    known = table.filter((pl.col("torque_nm") > 0) & (pl.col("power_kw") > 0))
    boosted = pl.col("boost_kpa") > 0
    torque, power = pl.col("torque_nm").log(), pl.col("power_kw").log()
    ratios = known.group_by("unit", "publisher").agg(
        (torque - power).filter(boosted).mean().alias("boosted"), (torque - power).filter(~boosted).mean().alias("base"), pl.len()
    ).drop_nulls().sort("unit").with_columns((pl.col("boosted") - pl.col("base")).exp().alias("ratio"))  # fmt: skip
    sums = _mean_of(ratios, "ratio", "builds with peak torque and peak power with and without boost", int(ratios["len"].sum()))
    return _both("torque_over_power", "ratio of the gain in peak torque to that in peak power, mean over builds", sums, level)


def _charge_heat(table: pl.DataFrame, level: float) -> RuleEvidence:
    """Slope of log power on charge temperature among runs of one build at one boost."""
    boosted = table.filter((pl.col("boost_kpa") > 0) & pl.col("charge_c").is_not_null() & (pl.col("power_kw") > 0))
    boosted = boosted.unique("run_key", maintain_order=True).sort("build_key", "boost_kpa", "run_key")
    gap = (pl.col("boost_kpa").diff().over("build_key").fill_null(0.0) >= LEVEL_GAP_KPA).cum_sum().over("build_key")
    grouped = boosted.with_columns(gap.alias("at"))
    cell = ["build_key", "at"]
    heat, power = pl.col("charge_c"), pl.col("power_kw").log()
    apart = grouped.with_columns(
        (heat - heat.mean()).over(cell).alias("heat"), (power - power.mean()).over(cell).alias("log_power"),
        (heat.max() - heat.min()).over(cell).alias("spread"),
    ).filter(pl.col("spread") >= LEAST_CHARGE_SPREAD_K)  # fmt: skip
    slopes = apart.group_by("build_key", "publisher").agg(
        (STATED_K * (pl.col("heat") * pl.col("log_power")).sum()).alias("top"), (pl.col("heat") ** 2).sum().alias("bottom"), pl.len()
    ).sort("build_key")  # fmt: skip
    sums = Sums(
        slopes["top"].to_numpy(), slopes["bottom"].to_numpy(), slopes["publisher"].to_numpy(), int(slopes["len"].sum()),
        "builds with runs at one boost and different recorded charge temperatures",
    )  # fmt: skip
    return _both("power_per_6_k", "relative change of power with a charge 6 K hotter at equal boost", sums, level)


def _exhaust_beyond_twice(table: pl.DataFrame, fit: JointFit, level: float) -> RuleEvidence:
    turbo = table.filter(
        (pl.col("induction") == "turbocharger") & (pl.col("boost_kpa") > 0) & pl.col("exhaust_back_kpa").is_not_null()
    )
    over = turbo.group_by("unit").agg((pl.col("exhaust_back_kpa") / pl.col("boost_kpa")).mean().gt(2.0).alias("over"))
    flags = fit.units.select("unit").join(over, on="unit", how="left", maintain_order="left")["over"]
    return unit_contrast(
        fit, "exhaust_beyond_twice",
        "rule ratio of turbocharged builds with exhaust pressure above twice the boost less that of the others", flags,
        ("turbocharged builds with exhaust pressure above twice the boost", "turbocharged builds with less exhaust pressure recorded"),
        level,
    )  # fmt: skip


def _wheel_over_crank(runs: pl.DataFrame, level: float) -> RuleEvidence:
    """Power of one build in one state at the wheel over that at the crank, both measured."""
    computed = pl.col("drivetrain_loss_pct").fill_null(0.0) > 0 if "drivetrain_loss_pct" in runs.columns else pl.lit(False)
    stated = pl.col("is_stated_rating").fill_null(False) if "is_stated_rating" in runs.columns else pl.lit(False)
    repeat = pl.col("is_repeat").fill_null(False) if "is_repeat" in runs.columns else pl.lit(False)
    known = runs.filter(
        ~computed & ~stated & ~repeat & pl.col("measured_at").is_in(["wheel", "crank"]) & (pl.col("power_kw") > 0)
    )
    known = known.with_columns((pl.col("boost_kpa").fill_null(0.0).clip(0.0) / LEVEL_GAP_KPA).round().alias("at"))
    wheel = pl.col("measured_at") == "wheel"
    power = pl.col("power_kw").log()
    pairs = known.group_by("build_key", "publisher", "at").agg(
        power.filter(wheel).mean().alias("wheel"), power.filter(~wheel).mean().alias("crank"), pl.len()
    ).drop_nulls()  # fmt: skip
    loss = pairs.group_by("build_key", "publisher").agg(
        (pl.col("wheel") - pl.col("crank")).mean().exp().alias("ratio"), pl.col("len").sum()
    ).sort("build_key")  # fmt: skip
    sums = _mean_of(loss, "ratio", "builds measured both at the wheel and at the crank", int(loss["len"].sum()))
    return _both("wheel_over_crank", "power at the wheel over power at the crank of the same build", sums, level)


def _small_engines(table: pl.DataFrame, sample: Sample, level: float) -> RuleEvidence:
    """Mean yield of builds of 70 to 80 hp, hp per psi referred to sea level."""
    of_runs = sample.runs.filter(pl.col("boost_kpa") > 0).join(
        sample.units.select("unit", "publisher", "na_power_kw"), on="unit", how="left"
    ).filter(pl.col("na_power_kw").is_between(*SMALL_ENGINE_KW))  # fmt: skip
    gained = yield_at_sea_level(pl.col("power"), pl.col("na_power_kw"), pl.col("boost_kpa"), pl.col("ambient_kpa"))
    per_build = of_runs.group_by("unit", "publisher").agg(
        (gained.mean() * KPA_PER_PSI / _KW_PER_HP).alias("hp_per_psi"), pl.len()
    )
    per_build = per_build.sort("unit")
    sums = _mean_of(per_build, "hp_per_psi", "builds of 70 to 80 hp unboosted", int(per_build["len"].sum()))
    return _both("yield_70_to_80_hp", "mean yield of builds of 70 to 80 hp, referred to sea level", sums, level, "hp/psi")
