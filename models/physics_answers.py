"""What physics expects of the classes and the builds of a study, and how friction, heat, belt and exhaust add up to it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from typing import Any

import polars as pl

from models.charge_physics import SEA_LEVEL_KPA, ChargeSetup, Readings, brake_mean_pressure_kpa, expected_charge
from models.driver_records import BuildPhysics, PhysicsAnswers, PhysicsBand, PhysicsBudget, PhysicsCurve, PhysicsEffect
from models.physics_bands import (
    ASSUMPTIONS,
    COMPRESSOR_EFFICIENCY,
    COOLER_EFFECTIVENESS,
    CORNERS,
    EXHAUST_OVER_BOOST,
    TEMPERATURE_EXPONENT,
    Corners,
    corners_of,
    gain_ends,
    physics_band,
    physics_rule_ratio,
)
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO
from models.sample import Sample

#: A brake mean pressure worked out from a record is believed within this range; outside it, displacement or rpm is a misprint.
BELIEVED_BMEP_KPA = (500.0, 1600.0)

#: Curves are stated every two psi and end at the highest boost that the class was tested at, or here.
CURVE_STEP_PSI = 2
CURVE_END_PSI = 30


def answer_physics(sample: Sample, runs: pl.DataFrame | None = None) -> PhysicsAnswers:
    """Bands for every class and every build of the sample, and the budgets that explain them.

    Parameters
    ----------
    sample : who is in.
    runs : clean table ``run``; what it states of temperatures, exhaust pressure and speed takes the place of assumptions.
    """
    classes = _classes(sample.units)
    return PhysicsAnswers(
        curves=tuple(_curve(row) for row in classes),
        builds=_build_bands(sample, runs),
        budgets=tuple(b for row in classes for b in _budgets(row["induction"], row["charge_cooling"])),
        assumptions=ASSUMPTIONS,
    )


# --- classes ------------------------------------------------------------------------------------------------------------


def _classes(units: pl.DataFrame) -> list[dict[str, Any]]:
    """Each known class of the sample with its number of builds and its highest boost ratio, in the order of the tables."""
    known = units.filter(
        pl.col("induction").is_in(list(COMPRESSOR_EFFICIENCY)) & pl.col("charge_cooling").is_in(list(COOLER_EFFECTIVENESS))
    )
    counted = known.group_by("induction", "charge_cooling").agg(
        pl.len().alias("builds"), (pl.col("highest_boost_kpa") / pl.col("ambient_kpa")).max().alias("highest")
    )
    rows = {(row["induction"], row["charge_cooling"]): row for row in counted.iter_rows(named=True)}
    return [rows[key] for key in CORNERS if key in rows]


def _curve(row: Mapping[str, Any]) -> PhysicsCurve:
    induction, cooling = row["induction"], row["charge_cooling"]
    end = min(CURVE_END_PSI, row["highest"] * SEA_LEVEL_KPA / KPA_PER_PSI)
    boosts = [psi * KPA_PER_PSI for psi in range(0, int(end) + 1, CURVE_STEP_PSI)]
    low, high = physics_rule_ratio(induction, cooling)
    points = tuple(physics_band(boost, SEA_LEVEL_KPA, induction, cooling) for boost in boosts)
    return PhysicsCurve(induction, cooling, row["builds"], low, high, points)


# --- budgets ------------------------------------------------------------------------------------------------------------


def _budgets(induction: str, cooling: str) -> Iterable[PhysicsBudget]:
    """How one class comes to its rule ratio: both exponents, and for a turbine exhaust pressure once and twice the boost."""
    middle = _middle(induction, cooling)
    exhausts = EXHAUST_OVER_BOOST[::-1] if middle.exhaust_over_boost is not None else (None,)
    for exponent in TEMPERATURE_EXPONENT[::-1]:
        for exhaust in exhausts:
            yield _budget(induction, cooling, replace(middle, temperature_exponent=exponent, exhaust_over_boost=exhaust))


def _middle(induction: str, cooling: str) -> ChargeSetup:
    """Every unknown in the middle of its range."""
    pair = CORNERS[induction, cooling]
    return replace(
        pair.most,
        compressor_efficiency=(pair.least.compressor_efficiency + pair.most.compressor_efficiency) / 2,
        cooler_effectiveness=(pair.least.cooler_effectiveness + pair.most.cooler_effectiveness) / 2,
        na_bmep_kpa=(pair.least.na_bmep_kpa + pair.most.na_bmep_kpa) / 2,
    )


def _budget(induction: str, cooling: str, setup: ChargeSetup) -> PhysicsBudget:
    """The steps from the rule to the expectation, each as a change of the rule ratio at the reference boost."""
    x, boost_kpa = REFERENCE_BOOST_RATIO, REFERENCE_BOOST_RATIO * SEA_LEVEL_KPA
    state = expected_charge(boost_kpa, SEA_LEVEL_KPA, setup)
    uncooled = expected_charge(boost_kpa, SEA_LEVEL_KPA, replace(setup, cooler_effectiveness=0.0))
    efficiency = setup.mechanical_efficiency
    effects = [
        PhysicsEffect("friction", "Friction is paid once, boosted or not.", 1 / efficiency - 1),
        PhysicsEffect(
            "charge heat", "Compressing heats the charge, which thins it.", (uncooled.indicated_ratio - (1 + x)) / efficiency / x
        ),
    ]
    if setup.cooler_effectiveness > 0:
        back = (state.indicated_ratio - uncooled.indicated_ratio) / efficiency / x
        effects.append(PhysicsEffect("charge cooler", "The cooler takes part of that heat away.", back))
    if setup.is_belt_driven:
        effects.append(
            PhysicsEffect("drive power", "The belt takes the compressor's power from the crank.", -state.drive_share / x)
        )
    if setup.exhaust_over_boost is not None:
        sentence = f"Exhaust pressure before the turbine at {setup.exhaust_over_boost:g} times the boost."
        effects.append(PhysicsEffect("back pressure", sentence, -state.exhaust_share / x))
    return PhysicsBudget(
        induction, cooling, boost_kpa, setup.temperature_exponent, setup.exhaust_over_boost, state.gain_ratio / x, tuple(effects)
    )


# --- builds -------------------------------------------------------------------------------------------------------------

_READ = ("air_c", "charge_c", "exhaust_back_kpa", "power_rpm")


def _build_bands(sample: Sample, runs: pl.DataFrame | None) -> tuple[BuildPhysics, ...]:
    """Each unit with its boosted runs, in the order of the units."""
    stated = _stated(sample, runs)
    units = sample.units.join(_na_bmep(sample.units, stated), on="unit", how="left").sort("unit")
    boosted = stated.filter(pl.col("boost_kpa") > 0).sort("unit", maintain_order=True)
    of_unit = {unit: list(rows) for unit, rows in groupby(boosted.iter_rows(named=True), key=itemgetter("unit"))}
    return tuple(_build_band(row, of_unit[row["unit"]]) for row in units.iter_rows(named=True))


def _stated(sample: Sample, runs: pl.DataFrame | None) -> pl.DataFrame:
    """Runs of the sample with what their records state; null where they do not."""
    keys = sample.runs.select("unit", "run_key", "boost_kpa", "ambient_kpa")
    nothing = [pl.lit(None, dtype=pl.Float64).alias(name) for name in _READ]
    if runs is None:
        return keys.with_columns(nothing)
    there = [pl.col(name).cast(pl.Float64) for name in _READ if name in runs.columns]
    rows = keys.join(runs.select("run_key", *there), on="run_key", how="left", maintain_order="left")
    return rows.with_columns(e for name, e in zip(_READ, nothing, strict=True) if name not in runs.columns)


def _na_bmep(units: pl.DataFrame, stated: pl.DataFrame) -> pl.DataFrame:
    """The engine's own brake mean pressure at sea level [kPa], where measured at the crank and believable; else null.

    Power as observed is of the site's thin air and is scaled to sea level; corrected power is there already.
    """
    rpm = stated.filter(pl.col("boost_kpa") == 0).group_by("unit").agg(pl.col("power_rpm").mean())
    known = units.join(rpm, on="unit", how="left").filter(pl.col("measured_at") == "crank")
    to_sea_level = (
        pl.when((pl.col("basis_of_power") == "observed") | (pl.col("correction") == "uncorrected").fill_null(False))
        .then(SEA_LEVEL_KPA / pl.col("ambient_kpa"))
        .otherwise(1.0)
    )
    bmep = brake_mean_pressure_kpa(pl.col("na_power_kw"), pl.col("displacement_cc"), pl.col("power_rpm")) * to_sea_level
    return known.select("unit", bmep.alias("na_bmep_kpa")).filter(pl.col("na_bmep_kpa").is_between(*BELIEVED_BMEP_KPA))


def _build_band(unit: Mapping[str, Any], rows: list[dict[str, Any]]) -> BuildPhysics:
    corners = corners_of(unit["induction"], unit["charge_cooling"])
    own = Readings(na_bmep_kpa=unit["na_bmep_kpa"])
    at_reference = gain_ends(REFERENCE_BOOST_RATIO * unit["ambient_kpa"], unit["ambient_kpa"], corners, own)
    low, high = (gain / REFERENCE_BOOST_RATIO for gain in at_reference)
    return BuildPhysics(unit["unit_id"], low, high, tuple(_run_band(row, corners, own) for row in rows), _assumed(unit, rows))


def _run_band(row: Mapping[str, Any], corners: tuple[Corners, ...], own: Readings) -> tuple[str, PhysicsBand]:
    boost_kpa, ambient_kpa = row["boost_kpa"], row["ambient_kpa"]
    read = replace(own, inlet_c=row["air_c"], charge_c=row["charge_c"], exhaust_kpa=_before_turbine(row))
    low, high = gain_ends(boost_kpa, ambient_kpa, corners, read)
    return row["run_key"], PhysicsBand(boost_kpa, ambient_kpa, low, high, boost_kpa / ambient_kpa)


def _before_turbine(row: Mapping[str, Any]) -> float | None:
    """Recorded exhaust pressure; one below boost was most likely read behind the turbine and says nothing here."""
    exhaust = row["exhaust_back_kpa"]
    return exhaust if exhaust is not None and exhaust >= row["boost_kpa"] else None


def _assumed(unit: Mapping[str, Any], rows: list[dict[str, Any]]) -> tuple[str, ...]:
    """What the record does not state and the band therefore spans."""
    gaps = (
        ("induction", unit["induction"] not in COMPRESSOR_EFFICIENCY),
        ("charge cooling", unit["charge_cooling"] not in COOLER_EFFECTIVENESS),
        ("air pressure", unit["ambient_basis"] == "assumed"),
        ("air temperature", any(row["air_c"] is None for row in rows)),
        ("charge temperature", any(row["charge_c"] is None for row in rows)),
        ("exhaust pressure", unit["induction"] == "turbocharger" and any(_before_turbine(row) is None for row in rows)),
        ("brake mean pressure without boost", unit["na_bmep_kpa"] is None),
    )
    return tuple(name for name, is_gap in gaps if is_gap)
