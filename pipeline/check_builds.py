"""Checks that look at the rows of one build together: baseline against boosted, a row twice, two descriptions.

Checks of the gain flag and never refuse: a row must not leave by the very figure that the study estimates. The windows are wide of
anything that the record of published engines shows, so that they name mistakes of unit, sign and place and no results.
"""

from __future__ import annotations

from functools import cache

import polars as pl

from pipeline.checks import EMPTY_REASONS, SAME_BUILD_SHARE, Rule, find_failures, shown
from pipeline.fields import fields_of

#: Gain over boost ratio (1 is the rule) that engines show, with room on both sides: uncooled positive displacement reaches
#: down to 0.55, cooled turbochargers with the compressor left in the way of the baseline up to 1.2.
RULE_RATIO_USUAL = (0.55, 1.25)
#: Two pulls repeat within 1 to 2 %: a gain this close to the window is not told from it.
GAIN_NOISE = 0.03
#: Unboosted runs of one build agree within this share; more is another state of tune, or boost that is not boost.
BASELINE_SHARE = 1.10
PEAK_MOVED_RPM = 500.0
#: Air pressure of a place with its weather, kPa: an "unboosted" figure this close to it is an absolute one.
NEAR_AMBIENT_KPA = 8.0
#: With absolute figures, power over power follows pressure over pressure; with gauge figures of an atmosphere or more it
#: follows half of that. This lies between.
FOLLOWS_ABSOLUTE = 0.6
#: Mistaken units of boost: what the true boost is of the one read. Named only where it brings the gain near the rule.
UNIT_SLIPS = (
    ("psi read as bar", 6.894757 / 100), ("psi read as kPa", 6.894757), ("bar read as psi", 100 / 6.894757),
    ("kPa read as psi", 1 / 6.894757), ("bar read as kPa", 100.0), ("kPa read as bar", 0.01),
    ("inHg read as psi", 3.386389 / 6.894757), ("psi read as inHg", 6.894757 / 3.386389),
)  # fmt: skip
SLIP_FITS = (0.7, 1.15)


def add_build_figures(frame: pl.DataFrame, number: pl.Series | None = None) -> pl.DataFrame:
    """Columns that set a run beside the others of its build.

    Parameters
    ----------
    frame : typed, completed rows (`role`, `build_key`, `baseline_build_key`, `boost_kpa`, `ambient_used_kpa`).
    number : :func:`number_texts` of `build_key` where it is known.

    Returns
    -------
    The frame with `base_kw` and `base_rpm` (mean of the unboosted runs of the build whose baseline serves, measured at the
    same place), `base_low_kw` (the weakest of them), `low_boost_kpa`, `low_boost_kw` (the run of least boost of the build).
    """
    # Joins copy every column that they are given: only what is needed goes through them.
    needed = frame.select("measured_at", "role", "blank_boost", "power_kw", "power_rpm", "boost_kpa")
    keyed = needed.with_columns(**_numbers(frame, number))
    place = ["measured_at"] if keyed["measured_at"].null_count() < keyed.height else []
    # A blank boost counts as none only where no other run of the build states that it had none.
    stated = (~pl.col("blank_boost")).any().over("_build", *place)
    bases = (
        keyed.filter(pl.col("role") == "baseline")
        .filter(~pl.col("blank_boost") | ~stated)
        .group_by("_build", *place)
        .agg(base_kw=pl.col("power_kw").mean(), base_rpm=pl.col("power_rpm").mean(), base_low_kw=pl.col("power_kw").min())
        .rename({"_build": "_base"})
    )
    low = pl.when(pl.col("_build").is_not_null()).then(pl.col("boost_kpa").min().over("_build"))
    weakest = pl.when(pl.col("boost_kpa") == pl.col("low_boost_kpa")).then("power_kw").min().over("_build")
    made = (
        keyed.with_columns(low_boost_kpa=low)
        .select("_base", *place, "low_boost_kpa", low_boost_kw=weakest)
        .join(bases, on=["_base", *place], how="left", nulls_equal=True, maintain_order="left")
    )
    return frame.with_columns(made.drop("_base", *place))


def _numbers(frame: pl.DataFrame, number: pl.Series | None) -> dict[str, pl.Series]:
    """A number for each row's build and for the build whose baseline serves; numbers are compared faster than keys."""
    own, other = frame["build_key"], frame["baseline_build_key"]
    if other.null_count() == len(other):
        number = number_texts(own) if number is None else number
        return {"_build": number, "_base": number}
    number = number_texts(pl.concat([own, other.fill_null(own)]))
    return {"_build": number.head(len(own)), "_base": number.tail(len(own))}


def number_texts(texts: pl.Series) -> pl.Series:
    """A number for each distinct text; equal ones often follow one another."""
    stretch = texts.rle_id()
    return texts.filter(stretch != stretch.shift(1, fill_value=len(texts))).rank("dense").gather(stretch)


def _within(gain: pl.Expr, ratio: pl.Expr) -> pl.Expr:
    """Whether a gain lies in the usual window for a boost ratio."""
    low, high = RULE_RATIO_USUAL
    return gain.is_between(low * ratio - GAIN_NOISE, high * ratio + GAIN_NOISE)


def _slip(rule_ratio: pl.Expr) -> pl.Expr:
    """Words for the mistaken unit that would bring a rule ratio near one; empty where none does."""
    words = pl.lit("")
    for name, factor in reversed(UNIT_SLIPS):
        words = pl.when((rule_ratio / factor).is_between(*SLIP_FITS)).then(pl.lit(f" (as {name})")).otherwise(words)
    return words


def _looks_absolute(gain: pl.Expr, boosted: pl.Expr) -> pl.Expr:
    """Boost that fits the power only as absolute pressure.

    Beside a baseline: the gain is out of the window as gauge and inside it as absolute. Without one: the weakest run stands at
    air pressure, and power follows the ratio of the pressures themselves; or all are above it and power grows faster than
    gauge figures allow.
    """
    power, boost, air = pl.col("power_kw"), pl.col("boost_kpa"), pl.col("ambient_used_kpa")
    high = RULE_RATIO_USUAL[1]
    beside_baseline = (boost > air) & ~_within(gain, boost / air) & _within(gain, boost / air - 1)
    growth = (power / pl.col("low_boost_kw") - 1) / (boost / pl.col("low_boost_kpa") - 1)
    alone = (
        pl.col("base_kw").is_null()
        & ((pl.col("low_boost_kpa") - air).abs() <= NEAR_AMBIENT_KPA)
        & (boost > pl.col("low_boost_kpa"))
        & (growth > FOLLOWS_ABSOLUTE)
    )
    # Between two boosted runs gauge figures allow this growth at most.
    most = (1 + high * boost / air) / (1 + high * pl.col("low_boost_kpa") / air)
    too_steep = (
        pl.col("base_kw").is_null() & (power / pl.col("low_boost_kw") > most * (1 + GAIN_NOISE)) & (pl.col("low_boost_kpa") > air)
    )
    return boosted & (beside_baseline.fill_null(False) | alone.fill_null(False) | too_steep.fill_null(False))


@cache
def build_rules() -> tuple[Rule, ...]:
    """Rules over the columns of :func:`add_build_figures`."""
    boosted, baseline = pl.col("role") == "boosted", pl.col("role") == "baseline"
    power, base, boost = pl.col("power_kw"), pl.col("base_kw"), pl.col("boost_kpa")
    gain, ratio = power / base - 1, boost / pl.col("ambient_used_kpa")
    absolute = _looks_absolute(gain, boosted)
    moved = (pl.col("power_rpm") - pl.col("base_rpm")).abs()
    # A run "throttled" to more power than the open throttle gives, or a build that never ran with it open.
    no_throttle = (power > (1 + GAIN_NOISE) * base).fill_null(False) | (base.is_null() & (pl.col("low_boost_kw") < power))
    above = power / pl.col("base_low_kw")
    return (
        Rule("boosted_below_baseline", "power_kw", boosted & (power < base), shown(base)),
        Rule("peak_rpm_moved", "power_rpm", boosted & (moved > PEAK_MOVED_RPM), shown(moved), ("power_rpm",)),
        Rule(
            "gain_far_from_rule", "boost_kpa", boosted & (gain > 0) & ~_within(gain, ratio) & ~absolute,
            pl.format("{}{}", shown(gain / ratio, 3), _slip(gain / ratio)), ("base_kw",),
        ),
        Rule("boost_looks_absolute", "boost_kpa", absolute, shown(boost)),
        Rule(
            "manifold_looks_gauge", "manifold_kpa",
            (pl.col("role") == "throttled") & pl.col("manifold_kpa").is_not_null() & no_throttle, shown(pl.col("manifold_kpa")),
            ("manifold_kpa",),
        ),
        Rule("baselines_disagree", "power_kw", baseline & (above > BASELINE_SHARE), shown(100 * (above - 1), 3), ("base_low_kw",)),
    )  # fmt: skip


def find_twice(frame: pl.DataFrame) -> pl.DataFrame:
    """Reasons for rows that equal an earlier row of their build in everything that was given.

    A row that holds a pull's number, name or remark of its own is another pull, even at the same figures.
    """
    own = {"line", "number", "side", "run_key", "build_key", "baseline_build_key"}
    given = [c for c, n in zip(frame.columns, frame.null_count().row(0), strict=True) if c not in own and n < frame.height]
    if not given or frame["number"].n_unique() > 1:
        return find_failures(frame, [])
    # Nearly every row is told apart by its figures alone.
    figures = [c for c in ("build", "power_kw", "boost_kpa") if c in given]
    frame = frame.filter(frame.select(figures).is_duplicated()) if figures else frame
    first = frame.group_by(given, maintain_order=True).agg(_first=pl.col("line").min(), _times=pl.len())
    twice = first.filter(pl.col("_times") > 1)
    found = frame.join(twice, on=given, how="inner", nulls_equal=True, maintain_order="left").filter(
        pl.col("line") > pl.col("_first")
    )
    return find_failures(found, [Rule("row_twice", None, pl.lit(True), pl.col("_first").cast(pl.String))])


def _descriptions(stated: pl.DataFrame, name: str, is_number: bool) -> pl.DataFrame:
    """Each row's value of one field with `_kind`: values of one build that differ by rounding are one description."""
    if not is_number:
        return stated.with_columns(pl.col(name).str.to_lowercase()).with_columns(_kind=name)
    here = pl.col(name)
    apart = (here / here.shift(1).over("build_key") - 1 > SAME_BUILD_SHARE).fill_null(False)
    kinds = (
        stated.select("build_key", name).unique().sort("build_key", name).with_columns(_kind=apart.cum_sum().over("build_key"))
    )
    return stated.join(kinds, on=["build_key", name], how="left", maintain_order="left")


def find_described_twice(frame: pl.DataFrame, number: pl.Series | None = None) -> pl.DataFrame:
    """Reasons for rows that describe their build unlike its other rows.

    What most rows of the build say stands and the odd rows are refused; where no description has the majority, every row that
    gives one is, since nothing tells which is right.
    """
    found = [EMPTY_REASONS]
    number = number_texts(frame["build_key"]) if number is None else number
    fields = [f for f in fields_of("build") if f.name not in ("build", "publisher") and frame[f.name].null_count() < frame.height]
    names = [f.name for f in fields]
    builds = frame.select(*names, _build=number).group_by("_build").agg(pl.col(names).min() != pl.col(names).max())
    for field in fields:
        several = builds.filter(field.name)["_build"]
        if several.is_empty():  # nearly every file: the rest is for the few builds that are told of in two ways
            continue
        stated = frame.filter(number.is_in(several.implode())).select("line", "build_key", field.name).drop_nulls(field.name)
        told = _descriptions(stated, field.name, field.kind in ("number", "integer")).with_columns(
            _share=pl.len().over("build_key", "_kind") / pl.len().over("build_key"),
            _first=pl.col("_kind").first().over("build_key"),
        )
        told = told.filter(pl.col("_share") < 1)
        stands = pl.col("_share") > 0.5
        # The other description that the sentence names: the one that stands, or any other.
        other = pl.when(stands.any().over("build_key")).then(pl.col(field.name).filter(stands).first().over("build_key")).otherwise(
            pl.when(pl.col("_kind") == pl.col("_first"))
            .then(pl.col(field.name).filter(pl.col("_kind") != pl.col("_first")).first().over("build_key"))
            .otherwise(pl.col(field.name).first().over("build_key"))
        )  # fmt: skip
        bad = told.with_columns(_other=other).filter(~stands)
        here, other_here = (_as_shown(name, told.schema[field.name]) for name in (field.name, "_other"))
        value = pl.format("{} where another row says {}", here, other_here)
        found.append(bad.select("line", code=pl.lit("build_described_twice"), column=pl.lit(field.name), value=value))
    return pl.concat(found)


def _as_shown(name: str, kind: pl.DataType) -> pl.Expr:
    """Numbers after conversion carry digits that nobody printed: six figures tell any two descriptions apart."""
    return pl.col(name).round_sig_figs(6) if kind.is_float() else pl.col(name)


def find_build_failures(frame: pl.DataFrame) -> pl.DataFrame:
    """Every (row, code) pair of this module's checks: line, code, column, value."""
    number = number_texts(frame["build_key"])
    judged = find_failures(add_build_figures(frame, number), build_rules())
    return pl.concat([judged, find_twice(frame), find_described_twice(frame, number)])
