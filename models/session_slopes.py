"""A build's own rule ratio as the study would work it out, without fitting it into the study.

The build's runs are weighed at the study's common curve and its curvature is taken as the study's (DEVELOPERS.md,
Estimators); only its own slope is free. So one build alone has a figure that can stand beside those of the study.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_grams import sweep_errors, sweep_level
from models.build_sums import Floats, sum_builds, to_run_columns
from models.fit_inputs import to_fit_input
from models.fixed_point import FIXED_POINT_TOLERANCE, MOST_PASSES, OWN_SLOPE_RANGE
from models.joint_fit import LEAST_INFORMATION
from models.sample import Sample


@dataclass(frozen=True, slots=True)
class OwnSlopes:
    """Slopes of units with their variances, in the order of ``units``; NaN where the runs say nothing.

    ``units`` are those that could be fitted, ``dropped`` the others: unit, reason.
    """

    units: pl.DataFrame
    slope: Floats
    variance: Floats
    dropped: pl.DataFrame


def own_slopes(sample: Sample, mean_slope: float, curvature: float) -> OwnSlopes:
    """Rule ratio of each unit from no boost to the reference boost, at a curve that others fitted.

    Parameters
    ----------
    sample : units and their runs.
    mean_slope, curvature : s and q of the study, where design and weights stand. The scale of the errors is as stated: one
        session is too little to estimate it.
    """
    ready = to_fit_input(sample.runs, sample.units, None)
    n = ready.units.height
    if n == 0:
        return OwnSlopes(ready.units, np.zeros(0), np.zeros(0), ready.dropped)
    columns = to_run_columns(ready.runs, ready.units)
    own, phi = np.full(n, mean_slope), np.ones(n)
    for _ in range(MOST_PASSES):
        grams = sweep_level(sweep_errors(sum_builds(columns, mean_slope, curvature, own, phi), columns.session_var))
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = (grams.czy - curvature * grams.czk) / grams.czz
        silent = ~(grams.czz > LEAST_INFORMATION)
        moved = np.clip(np.where(silent, mean_slope, slope), *OWN_SLOPE_RANGE)
        step, own = float(np.abs(moved - own).max()), moved
        if step < FIXED_POINT_TOLERANCE:
            break
    slope = np.where(silent, np.nan, slope)
    return OwnSlopes(ready.units, slope, np.where(silent, np.nan, 1.0 / np.where(silent, 1.0, grams.czz)), ready.dropped)
