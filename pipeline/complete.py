"""What follows from a record itself: ambient used, gauge boost, role, correction factor, names.

Nothing is estimated here. Reported figures stay as they are; what is worked out stands in columns
of its own (`ambient_used_kpa`, `correction_factor`).
"""

from __future__ import annotations

from functools import cache

import polars as pl

from pipeline import air
from pipeline.checks import EMPTY_REASONS
from pipeline.correction_factors import factor_expression, outside_validity_expression

#: Gauge pressure, kPa, within which a run counts as unboosted; healthy engines pull 3 to 8 kPa at full throttle.
UNBOOSTED_KPA = 3.0
WIDE_OPEN_LOW_KPA = -10.0
STANDARD_KPA = 101.325
#: A manifold this close to the air's pressure, kPa, belongs to an open throttle without boost.
NEAR_AMBIENT_KPA = 8.0
#: A run without boost that beats the stated zero-boost run of its build by more than this has lost its boost figure.
BLANK_BOOST_SHARE = 1.10


def escape_key(text: pl.Expr) -> pl.Expr:
    """Text made safe as part of a key whose parts are joined by a bar."""
    return text.str.replace_all("\\", "\\\\", literal=True).str.replace_all("|", "\\|", literal=True)


def add_names(frame: pl.DataFrame, source: str, publisher: str, file: str, kind: str) -> pl.DataFrame:
    """Publisher, build key and run key of each row."""
    build = pl.col("build")
    if kind == "changes":
        # One engine before and after: two builds, unless the contributor names them.
        other = pl.col("build").filter(pl.col("number") == 1).first().over("line")
        named = pl.format("{} [{}]", build, pl.col("parts").fill_null("changed"))
        frame = frame.with_columns(
            engine_id=pl.coalesce("engine_id", other),
            build=pl.when((pl.col("number") == 2) & (build == other)).then(named).otherwise(build),
        )
    if kind == "pairs":
        first = pl.col("build").filter(pl.col("number") == 1).first().over("line")
        frame = frame.with_columns(
            build=pl.coalesce("build", first),
            baseline_build=pl.when((pl.col("number") == 2) & (pl.coalesce("build", first) != first))
            .then(first)
            .otherwise("baseline_build"),
        )
        second = pl.col("build").filter(pl.col("number") == 2).first().over("line")
        frame = frame.with_columns(build=pl.coalesce("build", second))
    by = pl.coalesce("publisher", pl.lit(publisher))
    tail = [] if kind in ("runs", "sweep") else [pl.lit("/"), pl.col("number")]
    own_publisher = frame["publisher"].null_count() < frame.height
    owner = escape_key(by if own_publisher else pl.lit(publisher))

    def key(name: str) -> pl.Expr:
        if frame[name].null_count() == frame.height:
            return pl.lit(None, pl.String)
        to_be_escaped = frame[name].str.contains(r"[|\\]").any()  # hardly ever, and a look is cheaper than the replacing
        own = escape_key(pl.col(name)) if to_be_escaped else pl.col(name)
        return pl.concat_str([escape_key(pl.lit(source)), owner, own], separator="|")

    return frame.with_columns(
        publisher=by,
        build_key=key("build"),
        baseline_build_key=key("baseline_build"),
        run_key=pl.concat_str([pl.lit(f"{source}/{file}#"), pl.col("line"), *tail]),
    )


def add_ambient(frame: pl.DataFrame) -> pl.DataFrame:
    """`ambient_used_kpa`, `ambient_basis` and `sea_level_reading`.

    Recorded station pressure first; a reading reduced to sea level is turned into station pressure
    by the stated altitude; else the standard atmosphere at the altitude; else 101.325 kPa.
    """
    reading, used = _ambient()
    return frame.with_columns(reading).with_columns(used)


@cache
def _ambient() -> tuple[pl.Expr, tuple[pl.Expr, pl.Expr]]:
    reduced = air.looks_reduced_to_sea_level(pl.col("ambient_kpa"), pl.col("altitude_m")).fill_null(False)
    from_reduced = air.station_pressure_kpa(pl.col("ambient_kpa"), pl.col("altitude_m"))
    from_altitude = air.standard_pressure_kpa(pl.col("altitude_m"))
    recorded = pl.col("ambient_kpa").is_not_null()
    return reduced.alias("sea_level_reading"), (
        pl.when(recorded & pl.col("sea_level_reading")).then(from_reduced)
        .when(recorded).then(pl.col("ambient_kpa"))
        .when(pl.col("altitude_m").is_not_null()).then(from_altitude)
        .otherwise(STANDARD_KPA).alias("ambient_used_kpa"),
        pl.when(recorded & ~pl.col("sea_level_reading")).then(pl.lit("recorded"))
        .when(pl.col("altitude_m").is_not_null()).then(pl.lit("altitude"))
        .otherwise(pl.lit("assumed")).alias("ambient_basis"),
    )  # fmt: skip


def add_curve_boost(points: pl.DataFrame) -> pl.DataFrame:
    """Boost of each point from absolute manifold pressure, where that is what was logged."""
    known = add_ambient(points)
    gauge = pl.coalesce("curve_boost_kpa", pl.col("manifold_kpa") - pl.col("ambient_used_kpa"))
    return points.with_columns(curve_boost_kpa=known.select(gauge).to_series(), manifold_kpa=pl.lit(None, pl.Float64))


def _repeats_manifold() -> pl.Expr:
    """Whether boost only repeats the absolute manifold pressure (needs `ambient_used_kpa`).

    The same figure stands in both columns, and the build has a run at air pressure beside stronger ones, which shows that the
    manifold column does hold absolute pressure.
    """
    manifold = pl.col("manifold_kpa")
    low, high = manifold.min().over("build_key"), manifold.max().over("build_key")
    is_absolute = ((low - pl.col("ambient_used_kpa")).abs() <= NEAR_AMBIENT_KPA) & (high > low + UNBOOSTED_KPA)
    return (((pl.col("boost_kpa") - manifold).abs() <= UNBOOSTED_KPA) & is_absolute).fill_null(False)


def add_boost(frame: pl.DataFrame) -> pl.DataFrame:
    """Gauge boost, its printed step, the gap between two statements of it, and the run's role."""
    first, boost, role = _boost(frame["manifold_kpa"].null_count() < frame.height)
    return frame.with_columns(first).with_columns(boost).with_columns(role)


@cache
def _boost(has_manifold: bool) -> tuple[tuple[pl.Expr, ...], pl.Expr, pl.Expr]:
    from_manifold = pl.col("manifold_kpa") - pl.col("ambient_used_kpa")
    gap = pl.when(pl.col("manifold_kpa").is_not_null() & pl.col("boost_kpa").is_not_null()).then(
        pl.col("boost_kpa") - from_manifold
    )
    gauge = pl.when(~_repeats_manifold()).then("boost_kpa") if has_manifold else pl.col("boost_kpa")
    step = pl.when(gauge.is_not_null()).then("boost_step_kpa").otherwise("manifold_step_kpa")
    low = pl.when(pl.col("wide_open").fill_null(False)).then(WIDE_OPEN_LOW_KPA).otherwise(-UNBOOSTED_KPA)
    is_blank = pl.col("boost_kpa").is_null() & pl.col("manifold_kpa").is_null()
    first = (gap.alias("gauge_gap_kpa"), step.alias("boost_step_kpa"), gauge.alias("boost_kpa"), is_blank.alias("blank_boost"))
    role = (
        pl.when(pl.col("boost_kpa") > UNBOOSTED_KPA).then(pl.lit("boosted"))
        .when(pl.col("boost_kpa") < low).then(pl.lit("throttled"))
        .otherwise(pl.lit("baseline")).alias("role")
    )  # fmt: skip
    return first, pl.coalesce("boost_kpa", from_manifold, pl.lit(0.0)).alias("boost_kpa"), role


def add_correction(frame: pl.DataFrame) -> pl.DataFrame:
    """`correction_factor` (reported = observed x factor; null where air or standard is unknown) and `outside_validity`."""
    has_no_air = frame["air_c"].null_count() == frame.height  # then there is but the factor of an uncorrected figure
    factor, outside = _uncorrected() if has_no_air else _correction()
    return frame.with_columns(correction_factor=factor).with_columns(outside_validity=outside)


@cache
def _correction() -> tuple[pl.Expr, pl.Expr]:
    known_kpa = pl.when(pl.col("ambient_basis") != "assumed").then("ambient_used_kpa")
    return factor_expression("correction", known_kpa, "air_c", "humidity_pct"), outside_validity_expression()


@cache
def _uncorrected() -> tuple[pl.Expr, pl.Expr]:
    factor = pl.when(pl.col("correction") == "uncorrected").then(1.0)
    return factor, pl.when(pl.col("correction_factor").is_not_null()).then(False)


def find_blank_boost(frame: pl.DataFrame) -> pl.DataFrame:
    """Reasons for rows whose boost is blank though they must have been boosted.

    A blank boost is an unboosted run, except on the boosted side of a pair, and except where the
    same build has a run stated at zero boost that makes a tenth less.
    """
    if not frame["blank_boost"].any():
        return EMPTY_REASONS
    stated_zero = pl.col("power_kw").filter((pl.col("role") == "baseline") & ~pl.col("blank_boost")).max().over("build_key")
    too_strong = pl.col("power_kw") > BLANK_BOOST_SHARE * stated_zero
    lost = pl.col("blank_boost") & ((pl.col("side") == "boosted") | too_strong.fill_null(False))
    found = frame.with_columns(_lost=lost).filter("_lost")
    return found.select(
        "line",
        code=pl.lit("boost_missing"),
        column=pl.lit("boost_kpa"),
        value=pl.format("power {} kW", pl.col("power_kw").round_sig_figs(4)),
    ).cast(EMPTY_REASONS.schema)


def complete(frame: pl.DataFrame) -> pl.DataFrame:
    """All of the above in order, for typed rows that carry their names."""
    return add_correction(add_boost(add_ambient(frame)))
