"""Where the evidence is thick and thin: boosted runs by output without boost, boost, induction and cooling.

Records are counted as they stand in the clean tables, each test once; which of them the study can use is the study's
own account.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import polars as pl

from pipeline.data_records import ClassLine, Evidence, EvidenceCell, EvidenceGrid
from pipeline.units import factor_and_offset, unit_named

#: Power and boost unit of each grid; its edges are round in them.
GRID_UNITS: Mapping[str, tuple[str, str]] = {"us": ("hp", "psi"), "si": ("kW", "kPa")}
#: A grid has at most this many cells along each side, so that each stays readable on a telephone.
MOST_CELLS = 14
#: Step sizes that people count in, times powers of ten.
ROUND_STEPS = (1.0, 2.0, 5.0)
UNSTATED, ALL = "unstated", "all"


def find_evidence(runs: pl.DataFrame, builds: pl.DataFrame) -> Evidence:
    """Count the boosted runs that have a run without boost to be compared with.

    Parameters
    ----------
    runs : build_key, publisher, role, power_kw, boost_kpa, induction, charge_cooling, baseline_build_key, is_repeat.
    builds : build_key, same_test_as.
    """
    counted = runs.filter(~pl.col("is_repeat")).join(builds.select("build_key", "same_test_as"), on="build_key", how="left")
    counted = counted.with_columns(home=pl.coalesce("same_test_as", "build_key"))
    base = counted.filter((pl.col("role") == "baseline") & (pl.col("power_kw") > 0))
    own = base.group_by("home").agg(own_kw=pl.col("power_kw").mean())
    boosted = counted.filter((pl.col("role") == "boosted") & (pl.col("boost_kpa") > 0))
    boosted = boosted.join(own, on="home", how="left")
    lent = base.group_by("build_key").agg(lent_kw=pl.col("power_kw").mean())
    boosted = boosted.join(lent, left_on="baseline_build_key", right_on="build_key", how="left")
    boosted = boosted.with_columns(
        na_power_kw=pl.coalesce("own_kw", "lent_kw"),
        induction=pl.col("induction").replace("none", None).fill_null(UNSTATED),
        charge_cooling=pl.col("charge_cooling").fill_null(UNSTATED),
    )
    paired = boosted.filter(pl.col("na_power_kw").is_not_null())
    return Evidence(
        grids={system: _grid(paired, *units) for system, units in GRID_UNITS.items()},
        classes=_classes(paired),
        power_kw=_five(paired["na_power_kw"]),
        boost_kpa=_five(paired["boost_kpa"]),
        runs=paired.height,
        builds=paired["home"].n_unique(),
        without_baseline=boosted.height - paired.height,
    )


def _five(values: pl.Series) -> tuple[float, ...]:
    """Lowest, quartiles and highest; empty where there are none."""
    if values.is_empty():
        return ()
    return tuple(float(values.quantile(q, "linear") or 0.0) for q in (0.0, 0.25, 0.5, 0.75, 1.0))


def _classes(paired: pl.DataFrame) -> tuple[ClassLine, ...]:
    rows = (
        paired.group_by("induction", "charge_cooling")
        .agg(
            builds=pl.col("home").n_unique(), runs=pl.len(), publishers=pl.col("publisher").n_unique(),
            p0=pl.col("na_power_kw").min(), p1=pl.col("na_power_kw").max(), b0=pl.col("boost_kpa").min(), b1=pl.col("boost_kpa").max(),
        )
        .sort("builds", "runs", "induction", "charge_cooling", descending=[True, True, False, False])
    )  # fmt: skip
    return tuple(
        ClassLine(
            r["induction"], r["charge_cooling"], r["builds"], r["runs"], r["publishers"], (r["p0"], r["p1"]), (r["b0"], r["b1"])
        )
        for r in rows.iter_rows(named=True)
    )


def round_step(highest: float) -> float:
    """The smallest round step (1, 2 or 5 times a power of ten) that reaches `highest` in at most `MOST_CELLS` steps."""
    if not (math.isfinite(highest) and highest > 0):
        return 1.0
    power = 10.0 ** math.floor(math.log10(highest / MOST_CELLS))
    # The edge of the last cell is its own: a highest value on it needs one cell more.
    return next(s * power for s in (*ROUND_STEPS, 10.0, 20.0) if math.floor(highest / (s * power) + 1e-9) < MOST_CELLS)


def _grid(paired: pl.DataFrame, power_unit: str, boost_unit: str) -> EvidenceGrid:
    """Cells with round edges in the given units, low edge included."""
    per_power, _ = factor_and_offset(unit_named(power_unit), unit_named("kW"))
    per_boost, _ = factor_and_offset(unit_named(boost_unit), unit_named("kPa"))
    tops = [float(paired[c].max() or 0.0) for c in ("na_power_kw", "boost_kpa")]  # type: ignore[arg-type]
    power_step, boost_step = round_step(tops[0] / per_power) * per_power, round_step(tops[1] / per_boost) * per_boost
    # A printed 300 hp comes back from kW as 299.999...: it belongs to the cell that begins there.
    place = [(pl.col(c) / s + 1e-9).floor().cast(pl.Int64) for c, s in (("na_power_kw", power_step), ("boost_kpa", boost_step))]
    placed = paired.select("induction", "charge_cooling", "home", place[0].alias("i"), place[1].alias("j"))

    def cells(frame: pl.DataFrame) -> tuple[EvidenceCell, ...]:
        key = ("induction", "charge_cooling", "i", "j")
        rows = frame.group_by(key).agg(runs=pl.len(), builds=pl.col("home").n_unique()).sort(key)
        return tuple(
            EvidenceCell(kind, cooling, i * power_step, (i + 1) * power_step, j * boost_step, (j + 1) * boost_step, runs, builds)
            for kind, cooling, i, j, runs, builds in rows.iter_rows()
        )

    together = placed.with_columns(induction=pl.lit(ALL), charge_cooling=pl.lit(ALL))
    return EvidenceGrid(power_step, boost_step, cells(placed), cells(together))
