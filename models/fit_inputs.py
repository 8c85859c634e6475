"""The frames of a fit, checked: usable figures, units that have both kinds of run, a design that fits them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_sums import Floats
from pipeline.errors import RequestProblem

RUN_COLUMNS = ("boost_kpa", "ambient_kpa", "power", "power_rel_sd", "boost_sd_kpa")
UNIT_COLUMNS = ("session_rel_sd", "gauge_sd_kpa")
DYNO_CLASSES = ("engine", "chassis")

#: What each number may be, as a polars comparison with zero and in words.
_ALLOWED = {
    "boost_kpa": (pl.Expr.ge, "zero for an unboosted run, above zero for a boosted one"),
    "ambient_kpa": (pl.Expr.gt, "above zero"),
    "power": (pl.Expr.gt, "above zero"),
    "power_rel_sd": (pl.Expr.gt, "above zero"),
    "boost_sd_kpa": (pl.Expr.ge, "zero or above"),
    "session_rel_sd": (pl.Expr.ge, "zero or above"),
    "gauge_sd_kpa": (pl.Expr.ge, "zero or above"),
}


@dataclass(frozen=True, slots=True)
class FitInput:
    """Units with at least one baseline and one boosted run, numbered anew from 0 in ``runs``.

    Attributes
    ----------
    runs : as given, ``unit`` pointing at rows of ``units``.
    units : as given, in the order of ``unit``; their own numbers are kept.
    design : (n, p) covariates of the slope.
    dropped : unit, reason: units left out here.
    """

    runs: pl.DataFrame
    units: pl.DataFrame
    design: Floats
    dropped: pl.DataFrame

    def without(self, leave_out: np.ndarray, reason: str) -> FitInput:
        """The same input less the units marked in the boolean (n,) ``leave_out``."""
        if not leave_out.any():
            return self
        gone = self.units.filter(pl.Series(leave_out)).select("unit").with_columns(reason=pl.lit(reason))
        kept = pl.Series(~leave_out)
        number = pl.DataFrame({"unit": np.flatnonzero(~leave_out)}).with_row_index("new").cast({"unit": self.runs.schema["unit"]})
        runs = self.runs.join(number, on="unit", how="inner").with_columns(unit=pl.col("new")).drop("new")
        return FitInput(runs, self.units.filter(kept), self.design[~leave_out], pl.concat([self.dropped, gone]))


def to_fit_input(runs: pl.DataFrame, units: pl.DataFrame, design: Floats | None) -> FitInput:
    """Check the frames and keep the units that can be fitted.

    Raises
    ------
    RequestProblem : a column is missing, a figure is missing or outside what is allowed, a run names no unit, unit numbers are
        not 0..n-1, a dyno class is unknown, or the design has another shape or missing values.
    """
    _check_columns(runs, ("unit", *RUN_COLUMNS), "runs")
    _check_columns(units, ("unit", "publisher", "dyno_class", *UNIT_COLUMNS), "units")
    units = units.sort("unit")
    n = units.height
    if not units["unit"].cast(pl.Int64).equals(pl.Series("unit", range(n), dtype=pl.Int64)):
        raise RequestProblem(f"The units of a fit are numbered 0 to {n - 1} without a gap; these are not. Number them in order.")
    if not runs["unit"].cast(pl.Int64).is_between(0, n - 1).fill_null(False).all():
        raise RequestProblem(f"A run names a unit outside 0 to {n - 1}, or none. Give every run a unit of the units frame.")
    _check_numbers(runs, RUN_COLUMNS, "runs")
    _check_numbers(units, UNIT_COLUMNS, "units")
    _check_texts(units)
    given = FitInput(runs, units, _checked_design(design, n), units.clear().select("unit").with_columns(reason=pl.lit("")))
    unit = runs["unit"].to_numpy()
    is_base = (runs["boost_kpa"] == 0.0).to_numpy()
    baselines, boosted = np.bincount(unit[is_base], minlength=n), np.bincount(unit[~is_base], minlength=n)
    given = given.without(baselines == 0, "no unboosted run")
    return given.without(boosted[baselines > 0] == 0, "no boosted run")


def _check_columns(frame: pl.DataFrame, needed: tuple[str, ...], name: str) -> None:
    missing = [column for column in needed if column not in frame.columns]
    if missing:
        raise RequestProblem(
            f"The {name} of a fit have no column {', '.join(missing)}; there are {', '.join(frame.columns)}. Add what is missing."
        )


def _check_numbers(frame: pl.DataFrame, columns: tuple[str, ...], name: str) -> None:
    """Every figure is there, finite and of the allowed sign."""
    fine = frame.select(_is_allowed(column).all() for column in columns).row(0)
    for column in (column for column, is_fine in zip(columns, fine, strict=True) if not is_fine):
        bad = frame.filter(~_is_allowed(column))
        raise RequestProblem(
            f"{column} is {bad[column][0]} in the {name} of a fit ({bad.height} such rows, first in unit {bad['unit'][0]}); "
            f"it must be a number {_ALLOWED[column][1]}. Leave such rows out before the fit."
        )


def _is_allowed(column: str) -> pl.Expr:
    values = pl.col(column).cast(pl.Float64)
    return (values.is_finite() & _ALLOWED[column][0](values, 0.0)).fill_null(False)


def _check_texts(units: pl.DataFrame) -> None:
    unknown = units.filter(~pl.col("dyno_class").is_in(DYNO_CLASSES).fill_null(False))
    if unknown.height:
        raise RequestProblem(
            f"dyno_class is {unknown['dyno_class'][0]!r} for unit {unknown['unit'][0]} of a fit; "
            f"it must be {' or '.join(DYNO_CLASSES)}. Use engine for power at the crank, else chassis."
        )
    if units["publisher"].null_count():
        raise RequestProblem("A unit of a fit has no publisher; each needs one, because publishers are the clusters. Name it.")


def _checked_design(design: Floats | None, n: int) -> Floats:
    """(n, p) covariates as floats; a column of ones where none are given."""
    if design is None:
        return np.ones((n, 1))
    matrix = np.asarray(design, dtype=np.float64)
    if matrix.ndim != 2 or matrix.shape[0] != n or matrix.shape[1] == 0:
        raise RequestProblem(
            f"The design of a fit has shape {matrix.shape}; it needs one row for each of the {n} units and at least one column. "
            "Build it from the units frame in the order of unit."
        )
    if not np.isfinite(matrix).all():
        raise RequestProblem("The design of a fit holds missing or infinite values; all must be numbers. Leave those units out.")
    return matrix
