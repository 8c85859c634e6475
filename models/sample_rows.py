"""Clean rows made ready for pairing: one build per test, and what each row is on its own.

Nothing is dropped here. A row that cannot be used carries the code of its reason in
``own_reason`` (null: usable); a code or text that was left empty stays null.
"""

from __future__ import annotations

import polars as pl

from models.sample_options import SampleOptions
from pipeline.errors import RequestProblem
from pipeline.fields import Table, fields_of

#: Above this gauge pressure a run is no baseline: an open throttle shows at most a few kPa of error either way.
HIGHEST_BASELINE_KPA = 3.0

_TYPES: dict[str, pl.DataType] = {
    "number": pl.Float64(), "integer": pl.Int64(), "text": pl.String(), "code": pl.String(), "date": pl.Date(),
    "flag": pl.Boolean(),
}  # fmt: skip

_KEYS: dict[str, dict[str, pl.DataType]] = {
    "build": {"build_key": pl.String(), "source": pl.String(), "publisher": pl.String(), "same_test_as": pl.String()},
    "run": {
        "run_key": pl.String(), "build_key": pl.String(), "source": pl.String(), "publisher": pl.String(),
        "file": pl.String(), "line": pl.Int64(), "role": pl.String(), "ambient_used_kpa": pl.Float64(),
        "ambient_basis": pl.String(), "power_step_kw": pl.Float64(), "boost_step_kpa": pl.Float64(),
        "correction_factor": pl.Float64(), "baseline_build_key": pl.String(), "is_repeat": pl.Boolean(),
    },
}  # fmt: skip

#: Columns that no row can do without, by table.
_NEEDED: dict[str, tuple[str, ...]] = {
    "build": ("build_key", "source", "publisher", "build"),
    "run": ("run_key", "build_key", "role", "power_kw", "boost_kpa", "ambient_used_kpa"),
}

#: What makes one setup of a build: taken from its boosted runs, ignored on baselines.
SETUP = ("induction", "charge_cooling", "charge_injection", "fuel")

#: Columns of the run table that the sample reads.
_CARRIED = (
    "run_key", "build_key", "baseline_build_key", "role", "is_repeat", "is_stated_rating", "outcome", *SETUP, "session",
    "dyno_id", "dyno_type", "measured_at", "rating_basis", "correction", "correction_factor", "power_kw",
    "observed_power_kw", "power_sd_kw", "power_step_kw", "pulls", "boost_kpa", "boost_step_kpa", "boost_taken",
    "boost_where", "boost_control", "ambient_used_kpa", "ambient_basis", "air_c", "humidity_pct", "drivetrain_loss_pct",
    "octane_ron", "octane_mon", "octane_aki", "ethanol_pct", "baseline_hardware", "same_exhaust", "same_tune_target",
)  # fmt: skip


def complete(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The table with every column that it may have, in its type; absent optional columns are null.

    Raises
    ------
    RequestProblem
        When a column is missing that no row can do without, or one has a type that cannot be read.
    """
    missing = [name for name in _NEEDED[table] if name not in frame.columns]
    if missing:
        raise RequestProblem(
            f"The table of {table}s has no column {', '.join(missing)}; it needs {', '.join(_NEEDED[table])}. "
            "It was handed to the study; read it from a store that this version has built."
        )
    wanted = {field.name: _TYPES[field.kind] for field in fields_of(table)} | _KEYS[table]
    try:
        return frame.select(
            (pl.col(name).cast(kind) if name in frame.columns else pl.lit(None, dtype=kind)).alias(name)
            for name, kind in wanted.items()
        )
    except pl.exceptions.PolarsError as error:
        raise RequestProblem(
            f"The table of {table}s holds a column of another type than the dictionary of fields gives it "
            f"({str(error).splitlines()[0]}); build the store again with this version."
        ) from error


def test_of_each_build(builds: pl.DataFrame) -> dict[str, str]:
    """Build key -> key of the build under which its test is counted, for republished tests only.

    A chain of republications is followed to its end; builds that name one another in a circle
    are all counted under the first of them in order of key.
    """
    points = dict(
        builds.filter(pl.col("same_test_as").is_not_null()).select("build_key", "same_test_as").sort("build_key").iter_rows()
    )
    ends: dict[str, str] = {}
    for start in points:
        path = [start]
        while path[-1] in points and points[path[-1]] not in path:
            path.append(points[path[-1]])
        circle = points.get(path[-1])
        end = path[-1] if circle is None else min(path[path.index(circle) :])
        if end != start:
            ends[start] = end
    return ends


def _own_reason(options: SampleOptions) -> pl.Expr:
    """The first reason for which a row leaves on its own account, or null."""
    stated = pl.col("stated") if "stated" not in options.qualities else pl.lit(False)
    baseline = pl.col("role") == "baseline"
    usable = (
        (pl.col("power_kw") > 0)
        & pl.col("power_kw").is_finite()
        & (pl.col("ambient_used_kpa") > 0)
        & pl.col("boost_kpa").is_finite()
    )
    return (
        pl.when(pl.col("is_repeat").fill_null(False)).then(pl.lit("repeat"))
        .when(pl.col("charge_injection") == "nitrous").then(pl.lit("nitrous"))
        .when(~pl.col("role").is_in(["baseline", "boosted"])).then(pl.lit("throttled"))
        .when(pl.col("outcome").is_in(["stopped_knock", "stopped_heat", "failed"])).then(pl.lit("not_completed"))
        .when(~usable.fill_null(False) | (~baseline & (pl.col("boost_kpa") <= 0))).then(pl.lit("not_usable"))
        .when(stated).then(pl.lit("stated_rating"))
        .when(baseline & (pl.col("boost_kpa") > HIGHEST_BASELINE_KPA)).then(pl.lit("lowest_boost"))
    )  # fmt: skip


def _place() -> pl.Expr:
    """Where power was measured; a crank figure made from a wheel figure by a flat loss is a place of its own."""
    made = (pl.col("measured_at") == "crank") & (pl.col("drivetrain_loss_pct") > 0)
    return pl.when(made).then(pl.format("wheel plus {} %", "drivetrain_loss_pct")).otherwise(pl.col("measured_at"))


def _basis() -> pl.Expr:
    """Net or gross, from the row itself or from a standard that is defined as one of them; else null."""
    return (
        pl.when(pl.col("rating_basis").is_in(["net", "gross"])).then(pl.col("rating_basis"))
        .when(pl.col("correction") == "sae_j1995").then(pl.lit("gross"))
        .when(pl.col("correction").is_in(["ece_r85", "eec_80_1269"])).then(pl.lit("net"))
    )  # fmt: skip


def ready_rows(runs: pl.DataFrame, builds: pl.DataFrame, options: SampleOptions) -> pl.DataFrame:
    """Runs sorted by key, with what pairing asks of them.

    Parameters
    ----------
    runs, builds : complete clean tables (`complete`).
    options : which reasons apply.

    Returns
    -------
    pl.DataFrame
        The runs and: ``home`` (key of the build under which the test is counted), ``named`` (the
        other build whose baseline it names, or null), ``place``, ``basis``, ``dyno``, ``stated``,
        ``air_kpa`` (air pressure where it is known), ``own_reason``; ``session`` is null where it was empty.
    """
    merged = test_of_each_build(builds)
    rows = (
        runs.select(_CARRIED)
        .sort("run_key")
        .with_columns(
            pl.col(column).replace(merged).cast(pl.Categorical).alias(made)
            for column, made in (("build_key", "home"), ("baseline_build_key", "named"))
        )
    )
    rows = rows.with_columns(
        pl.when(pl.col("named") != pl.col("home")).then(pl.col("named")).alias("named"),
        pl.when(pl.col("session").str.strip_chars() != "").then(pl.col("session")).alias("session"),
        pl.when(pl.col("dyno_id").str.strip_chars() != "").then(pl.col("dyno_id")).alias("dyno"),
        pl.col("is_stated_rating").fill_null(False).alias("stated"),
        pl.col("correction").replace("unstated", None),
        *(pl.col(name).replace("unstated", None) for name in ("dyno_type", "boost_control", "baseline_hardware")),
        pl.when(pl.col("ambient_basis") != "assumed").then(pl.col("ambient_used_kpa")).alias("air_kpa"),
        _place().alias("place"),
        _basis().alias("basis"),
    )
    if options.standard_ambient:
        rows = rows.with_columns(pl.lit(STANDARD_AMBIENT_KPA).alias("ambient_used_kpa"))
    rows = rows.with_columns(_own_reason(options).alias("own_reason"))
    # texts that rows are grouped and joined by: as categories, a million of them cost tenths of a second and not seconds
    return rows.with_columns(pl.col(*SETUP, "place", "basis", "dyno", "dyno_type", "session", "correction").cast(pl.Categorical))


#: 14.7 psi in kPa: the trade's atmosphere, for the line that uses it at every site.
STANDARD_AMBIENT_KPA = 14.7 * 0.45359237 * 9.80665 / 0.0254**2 / 1000
