"""Every code that a row or file can be refused or flagged with, its severity and its sentence.

Codes are stable: they stand in stores, exports and contributors' mail. A sentence says what was found and what to do.
What decides whether a code applies stands in ``pipeline.checks`` and ``pipeline.check_builds`` for typed values, and in
the module that reads the text for the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.fields import FIELDS

Severity = Literal["refuse", "flag"]


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
            "peak_speeds_crossed",
            "refuse",
            "peak torque stands at a higher speed than peak power ({value}), which no engine can do; the two speeds may be swapped.",
        ),
        Code(
            "peaks_far_apart",
            "flag",
            "at the power peak only {value} % of the peak torque is left; check whether power and torque stand in the stated units.",
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
            "curves_mixed",
            "refuse",
            "readings at the same speed differ by more than a tenth: several curves under one name; give each its own run name.",
        ),
        Code("curve_pulls", "flag", "the speeds run through {value} times: {value} pulls stand under one another here."),
        Code(
            "curve_spike",
            "flag",
            "points that stand out from their neighbours ({value}) were not taken for a peak; kept as reported.",
        ),
        Code("curve_peak_disagrees", "flag", "{column} does not agree with the curve ({value}); the peak of the curve is used."),
        Code("curves_side_by_side", "flag", "curves were found side by side and read as one run each: {value}."),
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
        Code(
            "boost_was_absolute",
            "flag",
            "boost repeats the absolute manifold pressure ({value} kPa); manifold less ambient is used as boost.",
        ),
        Code(
            "boost_looks_absolute",
            "flag",
            "boost of {value} kPa fits the power only as absolute pressure; if it is, name the column manifold_ with its unit.",
        ),
        Code(
            "manifold_looks_gauge",
            "flag",
            "manifold pressure of {value} kPa lies far below the air's, yet the run is not throttled by its power; if it is a gauge "
            "figure, name the column boost_ with its unit.",
        ),
        Code(
            "gain_far_from_rule",
            "flag",
            "the gain is {value} of what boost over air pressure gives; kept, but check the unit of boost, gauge or absolute, and the rows.",
        ),
        Code(
            "baselines_disagree",
            "flag",
            "unboosted runs of one build differ by {value} %; check their boost, or give engines in two states two build names.",
        ),
        Code(
            "after_below_before",
            "flag",
            "the run after the change makes less than the one before ({value}); check which is which.",
        ),
        Code("row_twice", "flag", "the row equals row {value} in every figure; if it was pasted twice, remove one."),
        Code(
            "measured_at_doubtful",
            "flag",
            "power is stated as {value} and no drivetrain loss is stated; check where it was measured.",
        ),
        Code("share_not_percent", "flag", "{column} is {value}, less than one percent; check whether a share of one was meant."),
        Code(
            "ambient_altitude_disagree",
            "flag",
            "ambient pressure lies {value} kPa from what the stated altitude allows; the pressure is used. Check the units of both.",
        ),
        Code(
            "correction_disagrees",
            "flag",
            "reported over observed power does not give the standard's factor ({value}); check the standard, the air and both figures.",
        ),
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
            "{column} says {value} of the same build; correct the odd one, or give the builds two names.",
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
    # A column keeps its own spelling at the head of a sentence.
    return text if entry.sentence.startswith("{column}") else text[:1].upper() + text[1:]
