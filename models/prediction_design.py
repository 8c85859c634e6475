"""Which covariates the estimate for one engine uses, and the design of the study's builds in them.

A small fixed list in a fixed order. A covariate that too few builds share, or that follows the others so closely that it cannot
be told from them, is left out; the last goes first. What a build does not state stands at the average, so that no build leaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.build_sums import Floats
from models.driver_design import BUILDS_PER_COEFFICIENT, LEAST_BUILDS, LEAST_PUBLISHERS
from models.estimate_records import Covariate

#: Covariates with their level of reference and the level of who states nothing, the most important first.
CODES: tuple[tuple[str, str, str | None], ...] = (
    ("charge_cooling", "air_to_air", None),
    ("induction", "turbocharger", None),
    ("baseline_hardware", "compressor_removed", "compressor_removed"),
    ("fuel", "petrol", None),
    ("measured_at", "crank", None),
)
#: Numbers with the size of their step.
NUMBERS: tuple[tuple[str, float], ...] = (("specific_output", 10.0), ("compression_ratio", 1.0))

#: A number is used where this share of the builds states it.
LEAST_STATED = 0.5

#: Columns of unit length whose condition number is above this cannot be told apart (Belsley, Kuh & Welsch 1980, from memory).
HIGHEST_CONDITION = 30.0


@dataclass(frozen=True, slots=True)
class PredictionDesign:
    """Covariates, and the design of the builds in them.

    Attributes
    ----------
    covariates : those that are used.
    matrix : (n, p), ones first; 0 where a build does not state a covariate.
    stated : (n, p) whether it does.
    """

    covariates: tuple[Covariate, ...]
    matrix: Floats
    stated: NDArray[np.bool_]


def with_specific_output(units: pl.DataFrame) -> pl.DataFrame:
    """Units with a column ``specific_output`` [kW per litre]; absent columns of the covariates as nulls."""
    names = {
        **{name: pl.String for name, *_ in CODES},
        **{name: pl.Float64 for name, _ in NUMBERS},
        "displacement_cc": pl.Float64,
    }
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in names.items() if name not in units.columns]
    return units.with_columns(absent).with_columns(specific_output=pl.col("na_power_kw") / (pl.col("displacement_cc") / 1000.0))


def prediction_design(units: pl.DataFrame) -> PredictionDesign:
    """Choose the covariates for these builds.

    Parameters
    ----------
    units : of a sample, with :func:`with_specific_output`; one row per build.
    """
    found: list[Covariate] = []
    columns: list[Floats] = [np.ones(units.height)]
    stated: list[NDArray[np.bool_]] = [np.ones(units.height, dtype=bool)]
    for name, kind in (*((c[0], "code") for c in CODES), *((n[0], "number") for n in NUMBERS)):
        made = _code(units, name, len(columns)) if kind == "code" else _number(units, name, len(columns))
        if made is None:
            continue
        covariate, values, known = made
        trial = np.column_stack([*columns, *values.T])
        if units.height < BUILDS_PER_COEFFICIENT * trial.shape[1] or _condition(trial) > HIGHEST_CONDITION:
            continue
        found.append(covariate)
        columns.extend(values.T)
        stated.extend([known] * values.shape[1])
    return PredictionDesign(tuple(found), np.column_stack(columns), np.column_stack(stated))


def _condition(matrix: Floats) -> float:
    length = np.sqrt((matrix**2).sum(axis=0))
    return float(np.linalg.cond(matrix / length)) if length.all() else np.inf


def _code(units: pl.DataFrame, name: str, first: int) -> tuple[Covariate, Floats, NDArray[np.bool_]] | None:
    reference, default = next((r, d) for n, r, d in CODES if n == name)
    level = pl.col(name).fill_null(default) if default is not None else pl.col(name)
    table = units.select("publisher", level.replace("unstated", default).alias("level"))
    counted = table.drop_nulls("level").group_by("level").agg(pl.len().alias("builds"), pl.col("publisher").n_unique().alias("n"))
    enough = counted.filter((pl.col("builds") >= LEAST_BUILDS) & (pl.col("n") >= LEAST_PUBLISHERS))
    levels = [row[0] for row in enough.sort("builds", "level", descending=[True, False]).iter_rows()]
    if len(levels) < 2:
        return None
    levels = sorted(levels, key=lambda one: one != reference)
    texts = table["level"].fill_null("").to_numpy().astype(str)
    known = np.isin(texts, levels)
    means = tuple(float(np.mean(texts[known] == one)) for one in levels[1:])
    values = np.column_stack([np.where(known, (texts == one) - mean, 0.0) for one, mean in zip(levels[1:], means, strict=True)])
    places = tuple(range(first, first + len(means)))
    return Covariate(name, "code", places, tuple(levels), means, default=default if default in levels else None), values, known


def _number(units: pl.DataFrame, name: str, first: int) -> tuple[Covariate, Floats, NDArray[np.bool_]] | None:
    step = dict(NUMBERS)[name]
    plain = units[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
    known = np.isfinite(plain)
    if known.sum() < max(LEAST_STATED * units.height, 2 * LEAST_BUILDS) or np.ptp(plain[known]) == 0.0:
        return None
    mean = float(plain[known].mean())
    values = np.where(known, (plain - mean) / step, 0.0)[:, None]
    low, high = float(plain[known].min()), float(plain[known].max())
    return Covariate(name, "number", (first,), (), (mean,), step, low, high), values, known
