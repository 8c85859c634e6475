"""Which drivers can stand together in one model of these builds, and which cannot be told apart there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from models.driver_columns import Driver
from models.driver_design import (
    BUILDS_PER_COEFFICIENT,
    Design,
    collinearity_of,
    condition_number,
    driver_why,
    make_design,
)
from models.driver_records import Collinearity

#: A number stands in the joint model only where this share of the builds states it: the others leave the model.
LEAST_STATED = 0.8


@dataclass(frozen=True, slots=True)
class JointDesign:
    """Covariates of the joint model and how they came to be.

    Attributes
    ----------
    design : what is fitted; None where no driver can be used.
    drivers : the drivers in it, in the order of the table.
    left_out : name of each main driver that is not in it, with the reason.
    untold : drivers whose own effect cannot be told in this model, in it or taken out of it, with the driver they follow.
    collinearity, condition_number : of all columns, before any was taken out for collinearity.
    """

    design: Design | None
    drivers: tuple[Driver, ...]
    left_out: dict[str, str]
    untold: dict[str, str]
    collinearity: tuple[Collinearity, ...]
    condition_number: float | None


def joint_design(drivers: Sequence[Driver], table: pl.DataFrame) -> JointDesign:
    """Choose the drivers of the joint model.

    Parameters
    ----------
    drivers : main drivers, the most important first.
    table : unit, publisher and a column per driver; one row per unit, sorted by unit.

    Notes
    -----
    In this order: drivers that cannot be answered by themselves, or that too few builds state, stay out; the last go until
    there are enough builds for every coefficient; of drivers that follow one another the last go until each can be told from
    the rest.
    """
    left_out = {d.name: why for d in drivers if (why := _unusable_why(d, table)) is not None}
    chosen = [d for d in drivers if d.name not in left_out]
    design = _drop_until_fed(chosen, table, left_out)
    if design is None:
        return JointDesign(None, (), left_out, {}, (), None)
    rows, condition = collinearity_of(design), condition_number(design.matrix)
    untold: dict[str, str] = {}
    found = rows
    while clashing := [row for row in found if row.goes_with is not None]:
        for row in clashing:
            untold.setdefault(row.name, str(row.goes_with))
        order = [d.name for d in chosen]
        last = max((row.name for row in clashing), key=order.index)
        left_out[last] = f"It goes together with {untold[last]} in these builds."
        chosen = [d for d in chosen if d.name != last]
        design = make_design(chosen, table)
        found = collinearity_of(design)
    return JointDesign(design, tuple(chosen), left_out, untold, rows, condition)


def _unusable_why(driver: Driver, table: pl.DataFrame) -> str | None:
    why = driver_why(driver, table)
    if why is not None or driver.kind == "code":
        return why
    stated = table.height - table[driver.column].null_count()
    if stated < LEAST_STATED * table.height:
        return f"Only {stated} of {table.height} builds state it; the joint model would lose the rest."
    return None


def _drop_until_fed(chosen: list[Driver], table: pl.DataFrame, left_out: dict[str, str]) -> Design | None:
    """The design of the chosen drivers, shortened in place from the end until there are builds enough for its coefficients."""
    while chosen:
        design = make_design(chosen, table)
        there = {column.driver for column in design.columns}
        lost = [d for d in chosen if d.name not in there]
        for driver in lost:
            chosen.remove(driver)
            left_out[driver.name] = "The builds that state all numbers of the joint model are alike in it."
        if lost:
            continue
        builds, coefficients = design.matrix.shape
        if builds >= BUILDS_PER_COEFFICIENT * coefficients:
            return design
        needs = BUILDS_PER_COEFFICIENT * coefficients
        left_out[chosen.pop().name] = f"With it the joint model would need {needs} builds and has {builds}."
    return None
