"""What each driver does to the rule ratio: contrasts with intervals, each driver by itself and the main ones together.

A contrast compares builds that others chose to build and to publish; it is no effect of changing one thing on one engine.
Intervals are those of the headline: t with one degree of freedom less than publishers, the larger of the model's and the
publisher jackknife's variance (DEVELOPERS.md, Estimators).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from models.driver_columns import DRIVERS, Driver, beside, driver_columns, own_driver
from models.driver_design import OTHER, Design, collinearity_of, driver_why, levels_of, make_design, too_few_why
from models.driver_diagnostics import diagnose
from models.driver_model import JointDesign, joint_design
from models.driver_records import DriverAnswers, DriverContrast, DriverLevel, DriverSummary
from models.estimate import Estimate
from models.fit_answers import contrast_estimate, curve_row, missing
from models.joint_fit import JointFit, fit_joint
from models.sample import Sample

CAUTION = (
    "Builds with one thing usually differ in others too, and nobody drew lots. A difference says what builds of one kind show "
    "against builds of another, not what changing that thing would do to one engine."
)

_NO_BUILDS = "No build is analysed."

#: A level that no build of a model stands at.
NO_BUILD = DriverLevel("", 0, 0, is_compared=False)


def answer_drivers(
    sample: Sample,
    *,
    tables: Mapping[str, pl.DataFrame] | None = None,
    own_columns: Sequence[str] = (),
    level: float = 0.95,
) -> DriverAnswers:
    """Contrasts of every driver.

    Parameters
    ----------
    sample : who is in.
    tables : clean tables ``source`` (kind of publication), ``run`` and ``build`` (own columns); any may be absent.
    own_columns : further columns to look at, each by itself.
    level : coverage of the intervals.

    Returns
    -------
    DriverAnswers
        What cannot be told has no value and says why.

    Raises
    ------
    RequestProblem
        When an own column is not there, is empty, or has too many different texts.
    """
    tables = tables or {}
    table = driver_columns(sample, tables.get("source"))
    drivers = list(DRIVERS)
    for name in own_columns:
        if all(driver.name != name for driver in drivers):
            driver, values = own_driver(name, sample, tables)
            drivers.append(driver)
            table = table.with_columns(values.alias(driver.column))
    joint = joint_design([d for d in drivers if d.is_main], table)
    fit = None if joint.design is None else _fit(sample, joint.design)
    plain = None if joint.design is None else _fit(sample, joint.design, without_drivers=True)
    return DriverAnswers(
        together=_together(joint, fit, table, level),
        alone=tuple(c for driver in drivers for c in _alone(driver, sample, table, level)),
        summaries=tuple(_summary(driver, table, joint) for driver in drivers),
        mean_at_average=_mean(fit, joint, level),
        spread_without=_spread(plain),
        spread_with=_spread(fit),
        builds_left_out=0 if joint.design is None else int((~joint.design.keep).sum()),
        caution=CAUTION,
        notes=_notes(joint, fit),
        diagnostics=None if joint.design is None or fit is None else diagnose(joint, fit),
    )


# --- fits ---------------------------------------------------------------------------------------------------------------


def _fit(sample: Sample, design: Design, *, without_drivers: bool = False) -> JointFit:
    """Fit the builds that the design keeps, with its covariates or with the mean alone."""
    units = sample.units.sort("unit").filter(pl.Series(design.keep, dtype=pl.Boolean))
    number = units.select("unit").with_row_index("new").with_columns(pl.col("new").cast(sample.runs.schema["unit"]))
    runs = sample.runs.join(number, on="unit", how="inner", maintain_order="left")
    runs = runs.with_columns(pl.col("new").alias("unit")).drop("new")
    units = units.with_columns(number["new"].alias("unit"))
    return fit_joint(runs, units, None if without_drivers else design.matrix)


def _spread(fit: JointFit | None) -> float | None:
    return fit.effects.tau if fit is not None and fit.effects is not None else None


def _mean(fit: JointFit | None, joint: JointDesign, level: float) -> Estimate:
    if fit is None:
        why = "No driver can be fitted: " + "; ".join(f"{name}: {why}" for name, why in joint.left_out.items())
        return Estimate(None, None, None, level, "1", 0, 0, why)
    return missing(fit, level) if fit.effects is None else contrast_estimate(fit, curve_row(fit, 1.0, 0.0), level)


def _coefficient(fit: JointFit, place: int, level: float) -> Estimate:
    """Coefficient of one covariate; the fit's reason where there is none."""
    if fit.effects is None:
        return missing(fit, level)
    row = np.zeros(fit.effects.theta.size)
    row[place] = 1.0
    return contrast_estimate(fit, row, level)


# --- contrasts ----------------------------------------------------------------------------------------------------------


def _together(joint: JointDesign, fit: JointFit | None, table: pl.DataFrame, level: float) -> tuple[DriverContrast, ...]:
    """Contrasts of the joint model, each adjusted for the other drivers in it."""
    if joint.design is None or fit is None:
        return ()
    kept = table.filter(pl.Series(joint.design.keep))
    contrasts = []
    for driver in joint.drivers:
        others = tuple(d.name for d in joint.drivers if d.name != driver.name)
        untold = joint.untold.get(driver.name)
        why = None if untold is None else _untold_why(untold)
        contrasts.extend(_contrasts(driver, joint.design, fit, kept, table, level, others, why))
    for driver in DRIVERS:
        if driver.name in joint.untold and driver.name in joint.left_out:
            contrasts.extend(_unanswered(driver, table, level, _untold_why(joint.untold[driver.name])))
    return tuple(contrasts)


def _alone(driver: Driver, sample: Sample, table: pl.DataFrame, level: float) -> tuple[DriverContrast, ...]:
    """Contrasts of one driver by itself (beside the numbers that it cannot do without)."""
    why = driver_why(driver, table)
    if why is None and (unlike := next((d for d in beside(driver) if driver_why(d, table)), None)) is not None:
        why = f"{unlike.label}: {driver_why(unlike, table)}"
    if why is not None:
        return _unanswered(driver, table, level, why)
    design = make_design((driver, *beside(driver)), table)
    follows = next((row for row in collinearity_of(design) if row.name == driver.name and row.goes_with is not None), None)
    why = None if follows is None else _untold_why(str(follows.goes_with))
    kept = table.filter(pl.Series(design.keep))
    if why is not None:
        return _unanswered(driver, table, level, why)
    return tuple(_contrasts(driver, design, _fit(sample, design), kept, table, level, driver.beside, None))


def _untold_why(other: str) -> str:
    return f"It goes together with {other.replace('_', ' ')} in these builds; their effects cannot be told apart."


def _contrasts(
    driver: Driver,
    design: Design,
    fit: JointFit,
    kept: pl.DataFrame,
    table: pl.DataFrame,
    level: float,
    others: tuple[str, ...],
    why: str | None,
) -> list[DriverContrast]:
    """One contrast per covariate of the driver, and one without a value per level with too few builds.

    ``kept`` are the rows of ``table`` in the fit; ``why`` refuses all of the driver's contrasts.
    """
    counts = {} if driver.kind == "number" else {one.level: one for one in levels_of(driver, kept)}
    absent, step, unit = table[driver.column].null_count(), *_step_of(driver)
    every = DriverLevel("", kept.height, 0, is_compared=True)

    def contrast(one: str, against: str, answer: Estimate) -> DriverContrast:
        here, there = (counts.get(name, every if driver.kind == "number" else NO_BUILD) for name in (one, against))
        return DriverContrast(driver.name, one, against, answer, here.builds, there.builds, absent, step, unit, others)

    made = [
        contrast(column.level, column.against, _coefficient(fit, place, level) if why is None else missing(fit, level, why))
        for place, column in enumerate(design.columns, start=1)
        if column.driver == driver.name and column.level != OTHER
    ]
    if driver.kind == "number" or not counts:
        return made
    against = next(iter(counts))
    told = {against, *(one.level for one in made)}
    for one in levels_of(driver, table):
        if one.level not in told:
            left = counts.get(one.level, NO_BUILD) if one.is_compared else one
            made.append(contrast(one.level, against, missing(fit, level, too_few_why(left))))
    return made


def _step_of(driver: Driver) -> tuple[float | None, str | None]:
    """Size and unit of a number's step; a doubling has no unit."""
    if driver.kind == "code":
        return None, None
    return driver.step, "1" if driver.by_doubling else driver.unit


def _unanswered(driver: Driver, table: pl.DataFrame, level: float, why: str) -> tuple[DriverContrast, ...]:
    """Contrasts without a value: one per level of a code that stands against the first, one for a number."""
    absent = table[driver.column].null_count()

    def none(builds: int) -> Estimate:
        return Estimate(None, None, None, level, "1", builds, 0, why if table.height else _NO_BUILDS)

    if driver.kind == "number":
        stated = table.height - absent
        return (
            DriverContrast(
                driver.name, driver.step_words, "no step", none(stated), stated, stated, absent, *_step_of(driver), driver.beside,
            ),
        )  # fmt: skip
    levels = levels_of(driver, table)
    return tuple(
        DriverContrast(
            driver.name, one.level, levels[0].level, none(one.builds), one.builds, levels[0].builds, absent, None, None, ()
        )
        for one in levels[1:]
    )


# --- account ------------------------------------------------------------------------------------------------------------


def _summary(driver: Driver, table: pl.DataFrame, joint: JointDesign) -> DriverSummary:
    """Counts, levels or range of one driver, and why it is not answered or not in the joint model."""
    cells = table[driver.column]
    absent = cells.null_count()
    is_in = any(d.name == driver.name for d in joint.drivers)
    why = driver_why(driver, table) or joint.left_out.get(driver.name)
    ends = (None, None, None) if driver.kind == "code" else tuple(cells.quantile(q, "linear") for q in (0.05, 0.5, 0.95))
    return DriverSummary(
        name=driver.name,
        label=driver.label,
        kind=driver.kind,
        stated=cells.len() - absent,
        missing=absent,
        levels=levels_of(driver, table) if driver.kind == "code" else (),
        low=ends[0],
        middle=ends[1],
        high=ends[2],
        unit=None if driver.kind == "code" else driver.unit,
        is_in_joint_model=is_in,
        why=why,
    )


def _notes(joint: JointDesign, fit: JointFit | None) -> tuple[str, ...]:
    """Sentences to print beside the joint model."""
    notes = []
    if joint.design is not None and not joint.design.keep.all():
        out = int((~joint.design.keep).sum())
        notes.append(
            f"The joint model leaves out {out} of {joint.design.keep.size} builds: a number in it is not stated for them, "
            "or they stand at a level with too few builds."
        )
    told = [name for name, other in joint.untold.items() if name not in joint.left_out]
    for name in told:
        notes.append(
            f"In the joint model {name.replace('_', ' ')} goes together with {joint.untold[name].replace('_', ' ')}: "
            "neither is given there."
        )
    if fit is not None and fit.effects is not None and fit.effects.covariance_jackknife is None:
        notes.append(
            f"The joint model has no publisher jackknife ({fit.effects.jackknife_why}): its intervals are the model's alone."
        )
    return tuple(notes)
