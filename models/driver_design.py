"""From drivers and their values to the covariates of a fit: levels that can be compared, complete cases, centred columns.

Missing values are never filled in. A code that is not stated is a level of its own; a build without a number that the model
needs leaves that model and is counted.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.build_sums import Floats
from models.driver_columns import NOT_STATED, Driver
from models.driver_records import Collinearity, DriverLevel

#: Builds and publishers that a level needs: fewer say more about themselves than about the level.
LEAST_BUILDS = 5
LEAST_PUBLISHERS = 2

#: Builds per coefficient that a joint model needs.
BUILDS_PER_COEFFICIENT = 8

#: Above this variance inflation factor a column follows the others so closely that its own effect cannot be told (the usual limit).
HIGHEST_VIF = 10.0
#: A factor so large is rounding: the column is a sum of others.
_NO_VIF = 1e8

#: Levels with too few builds, together.
OTHER = "other levels, each with too few builds"


@dataclass(frozen=True, slots=True)
class DesignColumn:
    """One covariate: a level of a code against its reference, or a step of a number."""

    driver: str
    level: str
    against: str


@dataclass(frozen=True, slots=True)
class Design:
    """Covariates of a fit for the builds that it keeps.

    Attributes
    ----------
    keep : (n,) boolean over all units of the sample.
    matrix : (kept, 1 + columns): a column of ones, then the centred covariates.
    columns : what the covariates are.
    """

    keep: NDArray[np.bool_]
    matrix: Floats
    columns: tuple[DesignColumn, ...]


def levels_of(driver: Driver, table: pl.DataFrame) -> tuple[DriverLevel, ...]:
    """Levels of a code with their counts: the reference first, then by builds; what is not stated last.

    Parameters
    ----------
    driver : of kind code.
    table : publisher and a column of the driver's name; one row per unit.
    """
    counted = (
        table.select("publisher", pl.col(driver.column).fill_null(NOT_STATED).alias("level"))
        .group_by("level")
        .agg(pl.len().alias("builds"), pl.col("publisher").n_unique().alias("publishers"))
        .sort(pl.col("level") == NOT_STATED, "builds", "level", descending=[False, True, False])
    )
    levels = [
        DriverLevel(name, builds, publishers, _is_enough(builds, publishers)) for name, builds, publishers in counted.iter_rows()
    ]
    reference = _reference(driver, levels)
    return tuple(sorted(levels, key=lambda one: one.level != reference))


def _is_enough(builds: int, publishers: int) -> bool:
    return builds >= LEAST_BUILDS and publishers >= LEAST_PUBLISHERS


def _reference(driver: Driver, levels: Sequence[DriverLevel]) -> str | None:
    """The declared reference where enough builds stand there, else the commonest stated level that has enough."""
    usable = [one.level for one in levels if one.is_compared and one.level != NOT_STATED]
    if driver.reference in usable:
        return driver.reference
    return usable[0] if usable else None


def too_few_why(level: DriverLevel) -> str:
    """Why a level is not compared."""
    if level.builds == 0:
        return "None of its builds is in this model."
    return (
        f"{_count(level.builds, 'build')} of {_count(level.publishers, 'publisher')}: "
        f"a level needs {LEAST_BUILDS} builds of {LEAST_PUBLISHERS} publishers."
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def driver_why(driver: Driver, table: pl.DataFrame) -> str | None:
    """Why the driver cannot be answered from these units at all, or None."""
    return _code_why(driver, table) if driver.kind == "code" else _number_why(driver, table)


def _code_why(driver: Driver, table: pl.DataFrame) -> str | None:
    levels = levels_of(driver, table)
    if all(one.level == NOT_STATED for one in levels):
        return "No build states it."
    usable = [one for one in levels if one.is_compared]
    if len(usable) > 1 and _reference(driver, levels) is not None:
        return None
    if len(levels) == 1:
        return f"All builds are alike: {levels[0].level}."
    return f"Fewer than two levels have {LEAST_BUILDS} builds of {LEAST_PUBLISHERS} publishers."


def _number_why(driver: Driver, table: pl.DataFrame) -> str | None:
    stated = table.filter(pl.col(driver.column).is_not_null())
    if stated.is_empty():
        return "No build states it."
    if not _is_enough(stated.height, stated["publisher"].n_unique()):
        return too_few_why(DriverLevel("", stated.height, stated["publisher"].n_unique(), False))
    spread = float(np.std(in_steps(driver, stated[driver.column])))
    if spread == 0.0 or spread < driver.least_sd:
        return "These engines are too alike in it to tell what it does."
    return None


def in_steps(driver: Driver, values: pl.Series) -> Floats:
    """A number as steps: doublings, or multiples of the step; NaN where it is not stated."""
    plain = values.cast(pl.Float64).to_numpy()
    if not driver.by_doubling:
        return plain / driver.step
    return np.log2(np.where(plain > 0, plain, np.nan))


def make_design(drivers: Sequence[Driver], table: pl.DataFrame) -> Design:
    """Covariates of these drivers; builds that lack a number, or stand at a level nobody shares, are left out.

    Parameters
    ----------
    drivers : each answerable by itself (:func:`driver_why`).
    table : unit, publisher, and a column per driver; one row per unit, sorted by unit.

    Notes
    -----
    Levels with too few builds are taken together as a level that is not reported; where even together they are too few, their
    builds leave. Leaving can make further levels small, so this is repeated until it settles.
    """
    keep = np.ones(table.height, dtype=bool)
    for driver in drivers:
        if driver.kind == "number":
            keep &= np.isfinite(in_steps(driver, table[driver.column]))
    while True:
        kept = table.filter(pl.Series(keep))
        pooled = {d.name: _pooled_levels(d, kept) for d in drivers if d.kind == "code"}
        alone = np.zeros(kept.height, dtype=bool)
        for level in pooled.values():
            alone |= level == ""
        if not alone.any():
            return _columns(drivers, kept, pooled, keep)
        keep[np.flatnonzero(keep)[alone]] = False


def _pooled_levels(driver: Driver, table: pl.DataFrame) -> NDArray[np.str_]:
    """Level per unit, thin levels under one name; "" where those are too few even together."""
    usable = [one.level for one in levels_of(driver, table) if one.is_compared]
    level = table[driver.column].fill_null(NOT_STATED)
    rest = table.filter(~level.is_in(usable))
    name = OTHER if _is_enough(rest.height, rest["publisher"].n_unique()) else ""
    return np.where(level.is_in(usable).to_numpy(), level.to_numpy().astype(str), name)


def _columns(
    drivers: Sequence[Driver], kept: pl.DataFrame, pooled: dict[str, NDArray[np.str_]], keep: NDArray[np.bool_]
) -> Design:
    columns: list[DesignColumn] = []
    values: list[Floats] = []
    for driver in drivers:
        if driver.kind == "number":
            columns.append(DesignColumn(driver.name, driver.step_words, "no step"))
            values.append(in_steps(driver, kept[driver.column]))
            continue
        level = pooled[driver.name]
        usable = [one.level for one in levels_of(driver, kept) if one.is_compared]
        if not usable:
            continue
        others = [*usable[1:], *([OTHER] if (level == OTHER).any() else [])]
        columns.extend(DesignColumn(driver.name, one, usable[0]) for one in others)
        values.extend((level == one).astype(np.float64) for one in others)
    body = np.column_stack(values) if values else np.empty((kept.height, 0))
    centred = body - body.mean(axis=0) if kept.height else body
    return Design(keep, np.column_stack([np.ones(kept.height), centred]), tuple(columns))


# --- collinearity -------------------------------------------------------------------------------------------------------


def collinearity_of(design: Design) -> tuple[Collinearity, ...]:
    """How far each covariate can be told from the others (variance inflation: Marquardt 1970, from memory; statsmodels)."""
    names = dict.fromkeys(column.driver for column in design.columns)
    worst = {name: _driver_vif(design, name, [other for other in names if other != name]) for name in names}
    follows = {name: _goes_with(design, name, list(names)) for name, vif in worst.items() if vif is None or vif > HIGHEST_VIF}
    return tuple(
        Collinearity(column.driver, column.level, vif, worst[column.driver], follows.get(column.driver))
        for column, vif in zip(design.columns, _vifs(design.matrix), strict=True)
    )


def _vifs(matrix: Floats) -> list[float | None]:
    """Factor per covariate; None where a column is constant or a sum of the others."""
    from statsmodels.stats.outliers_influence import variance_inflation_factor  # a second to import, and needed here alone

    factors: list[float | None] = []
    with np.errstate(divide="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a singular design is what is looked for; it is answered with None
        for i in range(1, matrix.shape[1]):
            factor = float(variance_inflation_factor(matrix, i)) if np.any(matrix[:, i]) else np.inf
            factors.append(factor if 0 < factor < _NO_VIF else None)
    return factors


def _driver_vif(design: Design, name: str, others: Sequence[str]) -> float | None:
    """``1 / (1 - r^2)``, r the largest correlation of any combination of the driver's columns with any of the others'.

    The first canonical correlation (Hotelling 1936, from memory): the same whichever level is the reference.
    """
    own, rest = _basis(_block(design, [name])), _basis(_block(design, others))
    if own.shape[1] < sum(column.driver == name for column in design.columns):
        return None
    if not rest.shape[1]:
        return 1.0
    largest = float(np.linalg.svd(own.T @ rest, compute_uv=False)[0])
    apart = 1.0 - min(largest, 1.0) ** 2
    return 1.0 / apart if apart > 1.0 / _NO_VIF else None


def _block(design: Design, names: Sequence[str]) -> Floats:
    """The covariates of these drivers."""
    return design.matrix[:, [1 + i for i, column in enumerate(design.columns) if column.driver in names]]


def _basis(block: Floats) -> Floats:
    """Orthonormal columns of the same span; fewer where columns are sums of others."""
    if not block.shape[1]:
        return block
    left, size, _ = np.linalg.svd(block, full_matrices=False)
    return left[:, size > 1e-9 * max(float(size[0]), 1e-300)]


def _goes_with(design: Design, name: str, names: Sequence[str]) -> str | None:
    """The other driver that comes nearest to this one; None where there is no other."""

    def strength(other: str) -> float:
        vif = _driver_vif(design, name, [other])
        return np.inf if vif is None else vif

    return max((other for other in names if other != name), key=strength, default=None)


def condition_number(matrix: Floats) -> float | None:
    """Condition number of the columns scaled to unit length (Belsley, Kuh & Welsch 1980, from memory); None when infinite."""
    length = np.sqrt((matrix**2).sum(axis=0))
    if not length.all():
        return None
    number = float(np.linalg.cond(matrix / length))
    return number if number < _NO_VIF else None
