"""What the stored model says of the study beside its fit: how far it reaches, its builds as neighbours, physics, standard air."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import polars as pl

from models.build_sums import Floats, Ints
from models.estimate_records import (
    CODES,
    ClassEvidence,
    Dimension,
    Evidence,
    KnownBuild,
    PhysicsSetup,
    Span,
    StandardAir,
)
from models.joint_fit import JointFit
from models.physics_bands import CORNERS
from pipeline.air import vapour_kpa
from pipeline.correction_standards import ASSUMED_HUMIDITY_PCT, standard_of

#: Builds that are kept as possible neighbours.
MOST_KNOWN = 1_500

#: A level that few share must not make them strangers to all others: one step of likeness is at least this share.
LEAST_SCALE = 0.4

_SPANS = (
    "na_power_kw", "specific_output", "displacement_cc", "compression_ratio", "octane_ron", "octane_aki", "ambient_kpa",
)  # fmt: skip
_LIKENESS_NUMBERS = ("specific_output", "compression_ratio")


def standard_air() -> StandardAir:
    """SAE J1349 at its reference temperature and the humidity taken where none is recorded (:mod:`pipeline.correction_standards`)."""
    standard = standard_of("sae_j1349")
    vapour = float(vapour_kpa(standard.reference_k - 273.15, ASSUMED_HUMIDITY_PCT))
    return StandardAir(standard.title, standard.multiplier, standard.reference_kpa, vapour)


def physics_setups() -> tuple[PhysicsSetup, ...]:
    """Least and most for each class (:mod:`models.physics_bands`)."""
    return tuple(
        PhysicsSetup(induction, cooling, **asdict(setup))
        for (induction, cooling), pair in CORNERS.items()
        for setup in (pair.least, pair.most)
    )


def evidence_of(units: pl.DataFrame, boost_ratios: Floats) -> Evidence:
    """How far the builds reach.

    Parameters
    ----------
    units : builds fitted, with specific_output.
    boost_ratios : of all boosted runs.
    """
    spans = [span for name in _SPANS if name in units.columns and (span := _span(name, units[name])) is not None]
    spans.append(Span("boost_ratio", float(boost_ratios.min()), float(boost_ratios.max()), units.height))
    if (boost := _span("boost_kpa", units["highest_boost_kpa"])) is not None:
        spans.append(boost)
    ratio = pl.col("highest_boost_kpa") / pl.col("ambient_kpa")
    classes = (
        units.drop_nulls(["induction", "charge_cooling"])
        .group_by("induction", "charge_cooling")
        .agg(
            pl.len().alias("builds"), pl.col("publisher").n_unique().alias("publishers"),
            pl.col("highest_boost_kpa").max().alias("boost"), ratio.max().alias("ratio"),
        )
        .sort("builds", "induction", "charge_cooling", descending=[True, False, False])
    )  # fmt: skip
    levels = {name: _levels(units, name) for name in CODES if name in units.columns}
    return Evidence(tuple(spans), tuple(ClassEvidence(*row) for row in classes.iter_rows()), levels)


def _span(name: str, values: pl.Series) -> Span | None:
    stated = values.cast(pl.Float64).drop_nulls()
    return None if stated.is_empty() else Span(name, float(stated.min()), float(stated.max()), stated.len())  # type: ignore[arg-type]


def _levels(units: pl.DataFrame, name: str) -> dict[str, int]:
    counted = units.drop_nulls(name).group_by(name).len().sort("len", name, descending=[True, False])
    return {str(level): int(builds) for level, builds in counted.iter_rows() if level != "unstated"}


# --- neighbours ---------------------------------------------------------------------------------------------------------


def likeness_axes(units: pl.DataFrame) -> tuple[tuple[Dimension, ...], Floats]:
    """Axes of likeness and where each build stands on them (builds, axes); 0, the average, where it does not say."""
    axes: list[Dimension] = []
    columns: list[Floats] = []

    def add(name: str, kind: str, level: str | None, values: Floats) -> None:
        known = np.isfinite(values)
        if not known.any() or float(np.ptp(values[known])) == 0.0:
            return
        mean, scale = float(values[known].mean()), float(values[known].std())
        scale = max(scale, LEAST_SCALE) if kind == "code" else scale
        axes.append(Dimension(name, kind, level, mean, scale))  # type: ignore[arg-type]
        columns.append(np.where(known, (values - mean) / scale, 0.0))

    add("na_power", "log", None, np.log(units["na_power_kw"].to_numpy()))
    for name in _LIKENESS_NUMBERS:
        add(name, "number", None, units[name].cast(pl.Float64).fill_null(np.nan).to_numpy())
    for name in CODES:
        for level in _levels(units, name) if name in units.columns else ():
            is_level = (units[name] == level).cast(pl.Float64).fill_null(np.nan)
            add(name, "code", level, is_level.to_numpy())
    return tuple(axes), np.column_stack(columns) if columns else np.zeros((units.height, 0))


def known_builds(
    units: pl.DataFrame, fit: JointFit, of_run: Ints, boost_ratios: Floats, gains: Floats, coordinates: Floats
) -> tuple[tuple[KnownBuild, ...], int]:
    """Builds as neighbours, and how many were left out of a very large study (those kept are spread evenly over output).

    Parameters
    ----------
    units, fit : builds fitted. coordinates : (builds, axes).
    of_run, boost_ratios, gains : (m,) row of the build, boost ratio and gain ratio of each boosted run, by build and boost.
    """
    chosen = np.arange(units.height)
    if units.height > MOST_KNOWN:
        by_output = np.argsort(units["na_power_kw"].to_numpy(), kind="stable")
        chosen = np.sort(by_output[np.linspace(0, units.height - 1, MOST_KNOWN).astype(np.int64)])
    starts = np.searchsorted(of_run, np.arange(units.height + 1))
    rows = units[chosen].to_dicts()
    return tuple(
        _known(
            row,
            float(fit.own_slope[i]),
            boost_ratios[starts[i] : starts[i + 1]],
            gains[starts[i] : starts[i + 1]],
            coordinates[i],
        )
        for i, row in zip(chosen, rows, strict=True)
    ), units.height - len(rows)


_TEXTS = ("unit_id", "source", "publisher", "build")
_FACTS = (*CODES, "displacement_cc", "compression_ratio", "octane_ron", "octane_aki")


def _known(row: dict[str, object], rule_ratio: float, x: Floats, gains: Floats, coordinates: Floats) -> KnownBuild:
    ambient = float(row["ambient_kpa"])  # type: ignore[arg-type]
    facts: dict[str, Any] = {name: str(row.get(name) or "") for name in _TEXTS} | {name: row.get(name) for name in _FACTS}
    return KnownBuild(
        **facts,
        na_power_kw=float(row["na_power_kw"]),  # type: ignore[arg-type]
        ambient_kpa=ambient,
        rule_ratio=rule_ratio,
        boosts_kpa=tuple(float(value * ambient) for value in x),
        gain_ratios=tuple(float(value) for value in gains),
        coordinates=tuple(float(value) for value in coordinates),
    )
