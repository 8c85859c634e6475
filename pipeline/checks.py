"""The registry of checks: every code that a row or file can be refused or flagged with.

A check has a stable code, a severity and a sentence that a contributor can act on. Checks that
judge typed values carry an expression; codes raised while reading text stand here with their
sentence too, so that one table lists everything. Expressions are true where the row is bad; a
missing value is never bad. Ranges come from the dictionary of fields.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Literal

import polars as pl

from pipeline.fields import FIELDS, Field, fields_of

Severity = Literal["refuse", "flag"]

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
PEAK_MOVED_RPM = 500.0
#: Degrees at 1.27 mm (0.050 inch) lift above which a printed duration is likely an advertised one.
ADVERTISED_DEG = 275.0
#: Two descriptions of one build agree within this share (rounding of units).
SAME_BUILD_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Code:
    """A code with its severity and sentence; ``{value}`` and ``{column}`` are filled in when shown."""

    code: str
    severity: Severity
    sentence: str


CODES: dict[str, Code] = {
    c.code: c
    for c in (
        Code(
            "number_unreadable",
            "refuse",
            "{column} holds {value!r}, which is not a number; correct the cell, or leave it empty if unknown.",
        ),
        Code(
            "number_ambiguous",
            "refuse",
            "{column} holds {value!r}: the comma may be a decimal mark or a thousands mark; "
            'add decimal_mark = "," or "." to this file in source.toml.',
        ),
        Code("unit_unknown", "refuse", "{column}: the unit in {value!r} is not understood; write a known unit of that quantity."),
        Code(
            "unit_missing",
            "refuse",
            "{column} holds {value!r} without a unit; put the unit into the header, the cell, or the headers table of source.toml.",
        ),
        Code("power_missing", "refuse", "the row has no power figure; a run needs one."),
        Code("build_missing", "refuse", "the row does not say which build it belongs to; fill in the build column."),
        Code(
            "boost_missing",
            "refuse",
            "the row is a boosted run without its boost or manifold pressure ({value}); give the pressure.",
        ),
        Code("power_not_positive", "refuse", "{column} is {value}, but power must be above zero; check sign and column."),
        Code(
            "value_impossible", "refuse", "{column} is {value}, which no engine or air can have; check the unit and the column."
        ),
        Code("value_unusual", "flag", "{column} is {value}, outside the usual range; kept, but check it."),
        Code(
            "octane_unusual",
            "flag",
            "{column} is {value}, outside the usual range of fuels; kept, but check which octane scale is meant.",
        ),
        Code("code_unknown", "flag", "{column} holds {value!r}, which is none of the known words; kept without it."),
        Code("part_unknown", "flag", '{column} holds {value!r}, which names no known part; kept as "other".'),
        Code("date_unreadable", "flag", "{column} holds {value!r}, which is not a day; write 2024-05-31. Kept without it."),
        Code("date_future", "refuse", "{column} is {value}, which is still to come; correct the day."),
        Code(
            "build_unknown", "refuse", "{column} names {value!r}, but no row of this file describes that build; correct the name."
        ),
        Code(
            "run_unknown",
            "refuse",
            "{column} names {value!r}, but not exactly one other row of this file has that run name; correct the name.",
        ),
        Code(
            "torque_below_power_peak",
            "refuse",
            "power at its peak speed implies more torque than the stated peak torque ({value}); one of the three figures is wrong.",
        ),
        Code(
            "power_above_peak",
            "refuse",
            "peak torque at its speed implies more power than the stated peak power ({value}); one of the three figures is wrong.",
        ),
        Code(
            "power_not_torque_times_rpm",
            "refuse",
            "power is not torque times speed at this point ({value}); one of the columns is wrong.",
        ),
        Code("rpm_missing", "refuse", "the point has no engine speed; a point of a curve needs one."),
        Code(
            "curve_too_short",
            "refuse",
            "the curve has fewer than {value} points; give it as a run with its peak figures instead.",
        ),
        Code(
            "axle_torque",
            "flag",
            "torque stands in a constant ratio to power and speed ({value}): axle torque; power kept, torque set aside.",
        ),
        Code(
            "bmep_unusual",
            "flag",
            "mean effective pressure at peak torque is {value} kPa, outside the usual range; check torque and displacement.",
        ),
        Code("piston_speed_high", "flag", "mean piston speed is {value} m/s, above 27; check stroke and speed."),
        Code(
            "specific_output_high", "flag", "unboosted output is {value} kW per litre, above 120; check power and displacement."
        ),
        Code(
            "displacement_mismatch",
            "flag",
            "displacement differs from bore x stroke x cylinders ({value} cc); check the four figures.",
        ),
        Code(
            "boosted_below_baseline",
            "flag",
            "the boosted run makes less than its baseline ({value} kW); check which row is which.",
        ),
        Code("peak_rpm_moved", "flag", "the boosted power peak lies {value} rpm from the baseline's, more than 500."),
        Code(
            "boost_at_maximum",
            "flag",
            "boost is the maximum seen, not boost at peak power; the yield is understated if it fell off.",
        ),
        Code("boost_disagrees", "flag", "gauge boost and manifold less ambient differ by {value} kPa; the gauge figure is used."),
        Code("boost_without_compressor", "flag", "the row has boost, but induction says none; induction set aside."),
        Code("ambient_assumed", "flag", "neither ambient pressure nor altitude is given; 101.325 kPa is assumed."),
        Code("ambient_from_altitude", "flag", "ambient pressure is taken from the altitude ({value} kPa)."),
        Code(
            "ambient_sea_level",
            "flag",
            "ambient pressure {value} kPa looks reduced to sea level for the stated altitude; the station pressure is used instead.",
        ),
        Code(
            "correction_outside_validity",
            "flag",
            "the correction factor {value} lies outside the standard's validity; the figure is kept.",
        ),
        Code(
            "advertised_duration",
            "flag",
            "a duration of {value} degrees at 1.27 mm looks advertised; durations are never converted.",
        ),
        Code(
            "build_described_twice",
            "refuse",
            "{column} says {value}, unlike an earlier row of the same build; give the builds two names.",
        ),
        Code("curve_cut_short", "flag", "power peaks at the last speed of the curve ({value} rpm); the true peak may lie above."),
        Code("totals_row", "refuse", "the row is a total or an average, not a run."),
        Code("repair_dropped", "refuse", "dropped by a declared repair: {value}"),
        Code("not_pinned", "flag", 'source.toml states no sha256 for this file; add sha256 = "{value}" to pin it.'),
        Code("kind_guessed", "flag", "source.toml states no record kind for this file; read as {value}."),
        Code("column_unrecognised", "flag", "the column {column!r} was not recognised and is kept as text only. {value}"),
    )
}


def sentence_of(code: str, column: str | None, value: str | None) -> str:
    """The sentence of a code, filled in; ranges are added for range checks."""
    entry = CODES[code]
    text = entry.sentence.format(column=column or "the row", value=value if value is not None else "nothing")
    field = FIELDS.get(column or "")
    span = (
        None
        if field is None
        else {"value_unusual": field.usual, "octane_unusual": field.usual, "value_impossible": field.possible}.get(code)
    )
    if span is not None and field is not None:
        unit = f" {field.unit}" if field.unit else ""
        text = f"{text} Usual or possible: {span[0]:g} to {span[1]:g}{unit}."
    return text[:1].upper() + text[1:]


@dataclass(frozen=True, slots=True)
class Rule:
    """A check of typed rows: `bad` is true where the row fails, `value` is the text shown."""

    code: str
    column: str | None
    bad: pl.Expr
    value: pl.Expr

    @property
    def severity(self) -> Severity:
        """Refuse or flag, from the registry."""
        return CODES[self.code].severity


def _shown(expression: pl.Expr, digits: int = 4) -> pl.Expr:
    return expression.round_sig_figs(digits).cast(pl.String)


def range_code(field: Field, kind: Literal["usual", "possible"]) -> str:
    """The code of a field's range check."""
    if kind == "usual":
        return "octane_unusual" if field.name.startswith("octane") else "value_unusual"
    return "power_not_positive" if field.name in {"power_kw", "observed_power_kw"} else "value_impossible"


def range_rules(table: Literal["build", "run", "sweep_point"], columns: set[str]) -> list[Rule]:
    """Range checks of the dictionary for the columns that are there."""
    rules: list[Rule] = []
    for field in fields_of(table):
        if field.name not in columns or field.kind not in ("number", "integer"):
            continue
        here = pl.col(field.name)
        shown = _shown(here, 6)
        if field.possible is not None:
            impossible = ~here.is_between(*field.possible) | here.is_nan()
            if range_code(field, "possible") == "power_not_positive":
                rules.append(Rule("power_not_positive", field.name, here <= 0, shown))
                impossible = (here > 0) & impossible
            rules.append(Rule("value_impossible", field.name, impossible, shown))
        if field.usual is not None:
            inside = here.is_between(*field.possible) if field.possible is not None else pl.lit(True)
            rules.append(Rule(range_code(field, "usual"), field.name, inside & ~here.is_between(*field.usual), shown))
    return rules


def _speed_slack(column: str) -> pl.Expr:
    """Half the last printed digit of a speed as a share; figures in whole hundreds are read as rounded to 100."""
    return pl.when(pl.col(column) % 100 == 0).then(50.0).otherwise(5.0) / pl.col(column)


def _digits_slack() -> pl.Expr:
    power = (pl.col("power_step_kw") / 2 / pl.col("power_kw")).fill_null(0.0)
    torque = (pl.col("torque_step_nm") / 2 / pl.col("torque_nm")).fill_null(0.0)
    return power + torque + PEAK_SLACK


def peak_rules() -> list[Rule]:
    """Peak power and peak torque must fit one curve (power = torque x speed)."""
    implied = pl.col("power_kw") * NM_RPM_PER_KW / pl.col("power_rpm")
    at_torque = pl.col("torque_nm") * pl.col("torque_rpm") / NM_RPM_PER_KW
    same_basis = pl.col("power_kw") > 0
    return [
        Rule(
            "torque_below_power_peak", "torque_nm",
            same_basis & (implied * (1 - _digits_slack() - _speed_slack("power_rpm")) > pl.col("torque_nm")),
            pl.format("implied {} N m, stated {} N m", _shown(implied), _shown(pl.col("torque_nm"))),
        ),
        Rule(
            "power_above_peak", "power_kw",
            same_basis & (at_torque * (1 - _digits_slack() - _speed_slack("torque_rpm")) > pl.col("power_kw")),
            pl.format("implied {} kW, stated {} kW", _shown(at_torque), _shown(pl.col("power_kw"))),
        ),
    ]  # fmt: skip


def engine_rules() -> list[Rule]:
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
    return [
        Rule("bmep_unusual", "torque_nm", bad_bmep, _shown(bmep)),
        Rule("piston_speed_high", "power_rpm", piston > PISTON_SPEED_M_S, _shown(piston)),
        Rule("specific_output_high", "power_kw", (pl.col("role") == "baseline") & (specific > SPECIFIC_OUTPUT_KW_L), _shown(specific)),
        Rule(
            "displacement_mismatch", "displacement_cc",
            (swept / pl.col("displacement_cc") - 1).abs() > DISPLACEMENT_SHARE, _shown(swept),
        ),
        Rule(
            "advertised_duration", "intake_duration_deg",
            (duration > ADVERTISED_DEG) & ((pl.col("duration_at_mm") - 1.27).abs() < 0.05), _shown(duration),
        ),
    ]  # fmt: skip


def boost_rules() -> list[Rule]:
    """Boost, ambient and baseline checks (needs `role`, `ambient_basis`, `gauge_gap_kpa`, `sea_level_reading`)."""
    boosted = pl.col("role") == "boosted"
    base_power = pl.col("power_kw").filter(pl.col("role") == "baseline").max().over("build_key")
    base_rpm = pl.col("power_rpm").filter(pl.col("role") == "baseline").mean().over("build_key")
    moved = (pl.col("power_rpm") - base_rpm).abs()
    return [
        Rule("boosted_below_baseline", "power_kw", boosted & (pl.col("power_kw") < base_power), _shown(base_power)),
        Rule("peak_rpm_moved", "power_rpm", boosted & (moved > PEAK_MOVED_RPM), _shown(moved)),
        Rule("boost_at_maximum", "boost_taken", boosted & (pl.col("boost_taken") == "maximum"), pl.col("boost_taken")),
        Rule("boost_disagrees", "boost_kpa", pl.col("gauge_gap_kpa").abs() > 3.0, _shown(pl.col("gauge_gap_kpa"))),
        Rule("boost_without_compressor", "induction", boosted & (pl.col("induction") == "none"), pl.col("induction")),
        Rule("ambient_assumed", "ambient_kpa", boosted & (pl.col("ambient_basis") == "assumed"), pl.lit(None, pl.String)),
        Rule(
            "ambient_from_altitude", "ambient_kpa",
            boosted & (pl.col("ambient_basis") == "altitude") & pl.col("ambient_kpa").is_null(), _shown(pl.col("ambient_used_kpa")),
        ),
        Rule("ambient_sea_level", "ambient_kpa", pl.col("sea_level_reading"), _shown(pl.col("ambient_kpa"))),
    ]  # fmt: skip


def correction_rules() -> list[Rule]:
    """A factor outside its standard's validity is kept and flagged (needs `outside_validity`)."""
    return [Rule("correction_outside_validity", "correction", pl.col("outside_validity"), _shown(pl.col("correction_factor")))]


def date_rules(today: date) -> list[Rule]:
    """A test cannot lie in the future."""
    return [Rule("date_future", "tested_on", pl.col("tested_on") > today, pl.col("tested_on").cast(pl.String))]


def required_rules() -> list[Rule]:
    """A run needs a build and a power figure."""
    nothing = pl.lit(None, pl.String)
    return [
        Rule("power_missing", "power_kw", pl.col("power_kw").is_null(), nothing),
        Rule("build_missing", "build", pl.col("build").is_null(), nothing),
    ]


def find_failures(frame: pl.DataFrame, rules: list[Rule]) -> pl.DataFrame:
    """Every (row, code) pair that fails, long form.

    Parameters
    ----------
    frame : typed rows with `line`; collected, since checks look at whole columns.

    Returns
    -------
    Frame with columns line, code, column, value in row order. One filter a rule is some fifty times
    faster than one list-valued expression over all rows.
    """
    lazy = frame.lazy()
    parts = [
        lazy.filter(rule.bad.fill_null(False)).select(
            "line", code=pl.lit(rule.code), column=pl.lit(rule.column, pl.String), value=rule.value.cast(pl.String)
        )
        if not _looks_across(rule)
        else lazy.with_columns(_bad=rule.bad.fill_null(False), _value=rule.value.cast(pl.String))
        .filter("_bad")
        .select("line", code=pl.lit(rule.code), column=pl.lit(rule.column, pl.String), value="_value")
        for rule in rules
    ]
    return pl.concat(parts).collect() if parts else EMPTY_REASONS


def _looks_across(rule: Rule) -> bool:
    """Whether a rule's shown value looks at other rows (window), so that filtering first would change it."""
    return rule.code in {"boosted_below_baseline", "peak_rpm_moved"}


EMPTY_REASONS = pl.DataFrame(schema={"line": pl.Int64, "code": pl.String, "column": pl.String, "value": pl.String})
