"""Checks of typed rows, each row by itself: ranges, and figures that must fit one another.

A check is a code of ``pipeline.check_codes`` with an expression that is true where the row is bad; a
missing value is never bad. Ranges come from the dictionary of fields. Rows of one build are judged
together in ``pipeline.check_builds``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Literal

import polars as pl

from pipeline import air
from pipeline.check_codes import CODES, Code, Severity, sentence_of
from pipeline.fields import Field, fields_of

__all__ = ["CODES", "EMPTY_REASONS", "NM_RPM_PER_KW", "Code", "Rule", "Severity", "find_failures", "sentence_of"]

#: kW = N m * rpm / 9549.2966 (exact: 30000 / pi).
NM_RPM_PER_KW = 30_000 / math.pi
#: Printed peak figures are rounded each on its own; half a percent beyond their last digits is still agreement.
PEAK_SLACK = 0.005
#: Brake mean effective pressure at peak torque, kPa, outside which a record deserves a second look.
BMEP_UNBOOSTED_KPA = (600.0, 1600.0)
BMEP_BOOSTED_KPA = 3500.0
PISTON_SPEED_M_S = 27.0
SPECIFIC_OUTPUT_KW_L = 120.0
#: Printed bore, stroke and displacement agree within this share on real engines (rounded litres included).
DISPLACEMENT_SHARE = 0.03
#: Gauge boost and manifold less ambient, kPa, agree within this: two gauges and a barometer.
BOOST_GAP_KPA = 3.0
#: Degrees at 1.27 mm (0.050 inch) lift above which a printed duration is likely an advertised one.
ADVERTISED_DEG = 275.0
#: Two descriptions of one build agree within this share (rounding of units).
SAME_BUILD_SHARE = 0.005
#: Torque at the power peak over peak torque, below which the peaks do not look like those of one wide-open curve. Unboosted
#: engines keep 75 to 98 %, boosted ones that come on early 65 % and more (judgement of this project; a kilowatt figure
#: read as horsepower takes a quarter off).
PEAK_TORQUE_KEPT = {"unboosted": 0.70, "boosted": 0.60}
#: Reported over observed power agrees with the standard's factor within this share beyond the printed digits: the
#: instruments' own share of the factor.
FACTOR_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Rule:
    """A check of typed rows: `bad` is true where the row fails, `value` is the text shown.

    `needs` names columns without any value of which no row can fail; most files fill a fifth of all columns.
    """

    code: str
    column: str | None
    bad: pl.Expr
    value: pl.Expr
    needs: tuple[str, ...] = ()

    @property
    def severity(self) -> Severity:
        """Refuse or flag, from the registry."""
        return CODES[self.code].severity


def shown(expression: pl.Expr, digits: int = 4) -> pl.Expr:
    """A number as the text of a reason."""
    return expression.round_sig_figs(digits).cast(pl.String)


def range_code(field: Field, kind: Literal["usual", "possible"]) -> str:
    """The code of a field's range check."""
    if kind == "usual":
        return "octane_unusual" if field.name.startswith("octane") else "value_unusual"
    return "power_not_positive" if field.name in {"power_kw", "observed_power_kw"} else "value_impossible"


def range_rules(table: Literal["build", "run", "sweep_point"], frame: pl.DataFrame) -> list[Rule]:
    """Range checks of the dictionary for the columns of a frame in which they find something."""
    rules: list[Rule] = []
    for field in fields_of(table):
        if field.name not in frame.columns or field.kind not in ("number", "integer") or _is_inside(frame[field.name], field):
            continue
        here = pl.col(field.name)
        text = shown(here, 6)
        if field.possible is not None:
            impossible = ~here.is_between(*field.possible) | here.is_nan()
            if range_code(field, "possible") == "power_not_positive":
                rules.append(Rule("power_not_positive", field.name, here <= 0, text))
                impossible = (here > 0) & impossible
            rules.append(Rule("value_impossible", field.name, impossible, text))
        if field.usual is not None:
            inside = here.is_between(*field.possible) if field.possible is not None else pl.lit(True)
            rules.append(Rule(range_code(field, "usual"), field.name, inside & ~here.is_between(*field.usual), text))
    return rules


def _is_inside(values: pl.Series, field: Field) -> bool:
    """Whether no value is outside the field's ranges; the ends of a column are seen a hundred times as fast as its rows."""
    low, high, total = values.min(), values.max(), values.sum()
    if low is None or high is None:
        return True
    if total != total:  # not a number among them, which the ends do not show
        return False
    if field.possible is not None and range_code(field, "possible") == "power_not_positive" and low <= 0:  # type: ignore[operator]
        return False
    return all(limits is None or (limits[0] <= low and high <= limits[1]) for limits in (field.possible, field.usual))  # type: ignore[operator]


def _last_digit(column: str) -> pl.Expr:
    """Half the last printed digit of a speed, rpm; figures in whole hundreds are read as rounded to 100."""
    return pl.when(pl.col(column) % 100 == 0).then(50.0).otherwise(5.0)


def _speed_slack(column: str) -> pl.Expr:
    """Half the last printed digit of a speed as a share of it."""
    return _last_digit(column) / pl.col(column)


def _digits_slack() -> pl.Expr:
    power = (pl.col("power_step_kw") / 2 / pl.col("power_kw")).fill_null(0.0)
    torque = (pl.col("torque_step_nm") / 2 / pl.col("torque_nm")).fill_null(0.0)
    return power + torque + PEAK_SLACK


@cache
def peak_rules() -> tuple[Rule, ...]:
    """Peak power and peak torque must fit one curve (power = torque x speed)."""
    implied = pl.col("power_kw") * NM_RPM_PER_KW / pl.col("power_rpm")
    at_torque = pl.col("torque_nm") * pl.col("torque_rpm") / NM_RPM_PER_KW
    same_basis = pl.col("power_kw") > 0
    return (
        Rule(
            "torque_below_power_peak", "torque_nm",
            same_basis & (implied * (1 - _digits_slack() - _speed_slack("power_rpm")) > pl.col("torque_nm")),
            pl.format("implied {} N m, stated {} N m", shown(implied), shown(pl.col("torque_nm"))), ("torque_nm", "power_rpm"),
        ),
        Rule(
            "power_above_peak", "power_kw",
            same_basis & (at_torque * (1 - _digits_slack() - _speed_slack("torque_rpm")) > pl.col("power_kw")),
            pl.format("implied {} kW, stated {} kW", shown(at_torque), shown(pl.col("power_kw"))), ("torque_nm", "torque_rpm"),
        ),
        Rule(
            "peak_speeds_crossed", "torque_rpm",
            # Power is torque x speed: past the power peak torque can only be lower than at it. Printed speeds may be rounded.
            pl.col("torque_rpm") > (pl.col("power_rpm") * (1 + _speed_slack("power_rpm")) + _last_digit("torque_rpm")),
            pl.format("torque at {}, power at {} rpm", shown(pl.col("torque_rpm")), shown(pl.col("power_rpm"))), ("torque_rpm", "power_rpm"),
        ),
        Rule(
            "peaks_far_apart", "power_kw",
            implied < pl.col("torque_nm") * pl.when(pl.col("role") == "boosted").then(PEAK_TORQUE_KEPT["boosted"])
            .otherwise(PEAK_TORQUE_KEPT["unboosted"]),
            shown(100 * implied / pl.col("torque_nm"), 3), ("torque_nm", "power_rpm"),
        ),
    )  # fmt: skip


@cache
def engine_rules() -> tuple[Rule, ...]:
    """Engine figures that deserve a second look (needs run and build columns together, and `role`)."""
    boosted = pl.col("role") == "boosted"
    bmep = pl.col("torque_nm") * 4_000 * math.pi / pl.col("displacement_cc")
    bad_bmep = (
        pl.when(boosted)
        .then(bmep > BMEP_BOOSTED_KPA)
        .otherwise((pl.col("role") == "baseline") & ~bmep.is_between(*BMEP_UNBOOSTED_KPA))
    )
    piston = pl.col("stroke_mm") * pl.col("power_rpm") / 30_000
    specific = pl.col("power_kw") / (pl.col("displacement_cc") / 1000)
    swept = pl.col("bore_mm") ** 2 * (math.pi / 4) * pl.col("stroke_mm") * pl.col("cylinders") / 1000
    duration = pl.max_horizontal("intake_duration_deg", "exhaust_duration_deg")
    return (
        Rule("bmep_unusual", "torque_nm", bad_bmep, shown(bmep), ("torque_nm", "displacement_cc")),
        Rule("piston_speed_high", "power_rpm", piston > PISTON_SPEED_M_S, shown(piston), ("stroke_mm", "power_rpm")),
        Rule(
            "specific_output_high", "power_kw", (pl.col("role") == "baseline") & (specific > SPECIFIC_OUTPUT_KW_L), shown(specific),
            ("displacement_cc",),
        ),
        Rule(
            "displacement_mismatch", "displacement_cc",
            (swept / pl.col("displacement_cc") - 1).abs() > DISPLACEMENT_SHARE, shown(swept),
            ("bore_mm", "stroke_mm", "cylinders", "displacement_cc"),
        ),
        Rule(
            "advertised_duration", "intake_duration_deg",
            (duration > ADVERTISED_DEG) & ((pl.col("duration_at_mm") - 1.27).abs() < 0.05), shown(duration),
            ("duration_at_mm",),
        ),
    )  # fmt: skip


@cache
def boost_rules() -> tuple[Rule, ...]:
    """Boost and ambient of a row by itself (needs `role`, `ambient_basis`, `gauge_gap_kpa`, `sea_level_reading`)."""
    boosted = pl.col("role") == "boosted"
    gap = pl.col("gauge_gap_kpa")
    # ``complete.add_boost`` has taken the manifold pressure where boost only repeated it.
    from_manifold = (pl.col("boost_kpa") - (pl.col("manifold_kpa") - pl.col("ambient_used_kpa"))).abs() < 1e-9
    off_standard = pl.col("ambient_kpa") - air.standard_pressure_kpa(pl.col("altitude_m"))
    return (
        Rule("boost_at_maximum", "boost_taken", boosted & (pl.col("boost_taken") == "maximum"), pl.col("boost_taken"), ("boost_taken",)),
        Rule("boost_disagrees", "boost_kpa", (gap.abs() > BOOST_GAP_KPA) & ~from_manifold, shown(gap), ("gauge_gap_kpa",)),
        Rule(
            "boost_was_absolute", "boost_kpa", (gap.abs() > BOOST_GAP_KPA) & from_manifold, shown(pl.col("manifold_kpa")),
            ("gauge_gap_kpa",),
        ),
        Rule("boost_without_compressor", "induction", boosted & (pl.col("induction") == "none"), pl.col("induction"), ("induction",)),
        Rule("ambient_assumed", "ambient_kpa", boosted & (pl.col("ambient_basis") == "assumed"), pl.lit(None, pl.String)),
        Rule(
            "ambient_from_altitude", "ambient_kpa",
            boosted & (pl.col("ambient_basis") == "altitude") & pl.col("ambient_kpa").is_null(), shown(pl.col("ambient_used_kpa")),
            ("altitude_m",),
        ),
        Rule("ambient_sea_level", "ambient_kpa", pl.col("sea_level_reading"), shown(pl.col("ambient_kpa"))),
        Rule(
            "ambient_altitude_disagree", "ambient_kpa",
            (off_standard.abs() > air.WEATHER_KPA) & ~pl.col("sea_level_reading"), shown(off_standard, 3), ("ambient_kpa", "altitude_m"),
        ),
    )  # fmt: skip


@cache
def condition_rules() -> tuple[Rule, ...]:
    """Conditions of a row that contradict their own column or one another."""
    chassis = pl.col("dyno_type").is_in(["chassis_roller", "chassis_hub"])
    misplaced = (chassis & (pl.col("measured_at") == "crank") & pl.col("drivetrain_loss_pct").is_null()) | (
        (pl.col("dyno_type") == "engine") & pl.col("measured_at").is_in(["wheel", "hub"])
    )
    where = pl.format("{} on a {} dyno", "measured_at", "dyno_type")
    shares = [
        Rule("share_not_percent", name, (pl.col(name) > 0) & (pl.col(name) < 1), shown(pl.col(name)), (name,))
        for name in ("humidity_pct", "ethanol_pct")
    ]
    return (Rule("measured_at_doubtful", "measured_at", misplaced, where, ("measured_at", "dyno_type")), *shares)


@cache
def correction_rules() -> tuple[Rule, ...]:
    """A factor outside its standard's validity, and one that reported and observed power belie (needs both columns)."""
    printed = pl.col("power_kw") / pl.col("observed_power_kw")
    off = (printed / pl.col("correction_factor") - 1).abs()
    digits = (pl.col("power_step_kw") / pl.col("power_kw")).fill_null(0.0)  # half a digit of each of the two figures
    # Air pressure taken from the altitude does not know the weather; factors go with pressure to the power 1.2 at most.
    weather = (
        pl.when(pl.col("ambient_basis") == "altitude").then(1.2 * air.WEATHER_KPA / pl.col("ambient_used_kpa")).otherwise(0.0)
    )
    slack = FACTOR_SHARE + digits + weather
    return (
        Rule("correction_outside_validity", "correction", pl.col("outside_validity"), shown(pl.col("correction_factor"))),
        Rule(
            "correction_disagrees", "correction", off > slack,
            pl.format("{} printed, {} by the standard", shown(printed), shown(pl.col("correction_factor"))),
            ("observed_power_kw", "correction_factor"),
        ),
    )  # fmt: skip


def date_rules(today: date) -> list[Rule]:
    """A test cannot lie in the future."""
    return [Rule("date_future", "tested_on", pl.col("tested_on") > today, pl.col("tested_on").cast(pl.String), ("tested_on",))]


@cache
def required_rules() -> tuple[Rule, ...]:
    """A run needs a build and a power figure."""
    nothing = pl.lit(None, pl.String)
    return (
        Rule("power_missing", "power_kw", pl.col("power_kw").is_null(), nothing),
        Rule("build_missing", "build", pl.col("build").is_null(), nothing),
    )


def find_failures(frame: pl.DataFrame, rules: Sequence[Rule]) -> pl.DataFrame:
    """Every (row, code) pair that fails, long form.

    Parameters
    ----------
    frame : typed rows with `line`; rules look at one row each (a window over rows belongs into a column first).

    Returns
    -------
    Frame with columns line, code, column, value, by rule and within a rule in row order. One look a rule is some fifty times
    faster than one list-valued expression over all rows.
    """
    empty = {name for name, nulls in zip(frame.columns, frame.null_count().row(0), strict=True) if nulls == frame.height}
    rules = [rule for rule in rules if empty.isdisjoint(rule.needs)]
    if not rules:
        return EMPTY_REASONS
    bad = frame.select(rule.bad.fill_null(False).alias(str(i)) for i, rule in enumerate(rules))
    parts = [
        frame.select({"line", *rule.value.meta.root_names()})  # every column more would be filtered too
        .filter(is_bad)
        .select("line", code=pl.lit(rule.code), column=pl.lit(rule.column, pl.String), value=rule.value.cast(pl.String))
        for rule, is_bad in zip(rules, bad, strict=True)
        if is_bad.any()
    ]
    return pl.concat(parts) if parts else EMPTY_REASONS


EMPTY_REASONS = pl.DataFrame(schema={"line": pl.Int64, "code": pl.String, "column": pl.String, "value": pl.String})
