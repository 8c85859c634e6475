"""The list of planted mistakes (see ``tests.scramble.mistakes`` for what each word means)."""

from __future__ import annotations

from collections.abc import Mapping

from tests.scramble.mistakes import (
    BUILDS,
    CURVES,
    FITS,
    GAIN,
    LEVEL,
    RANGE,
    STANDARD,
    Change,
    Mistake,
    absolute,
    both,
    codes,
    high_places,
    middle_places,
    mislabelled,
    neighbour,
    of_standard,
    one_point,
    pasted_twice,
    powers_swapped,
    reduced,
    rename,
    rewrite,
    shifted,
    sorted_apart,
    swap,
    swap_boost_rows,
    swap_sides,
    thousands,
    times,
    totals_below,
    unit_mistakes,
    wheel_as_crank,
    without_baselines,
)  # fmt: skip
from tests.scramble.records import AIR, CURVE, ENGINE, PEAKS, POWER, Row, make_curves

ALTITUDE = (*POWER, "altitude_m")
AIR_ALTITUDE = tuple("altitude_m" if name == "ambient_kpa" else name for name in AIR)
BOTH_PRESSURES = ("build", "power_kw", "boost_kpa", "manifold_kpa", "ambient_kpa")
PLACE = (*POWER, "measured_at", "dyno_type")
CHANGED = ("power_kw", "boost_kpa", "ambient_kpa")
READING = codes("number_unreadable", "number_ambiguous", "unit_unknown", *RANGE)


def _curves() -> list[Row]:
    return make_curves(BUILDS, 20_264)


def _pressures() -> list[Mistake]:
    is_absolute = rewrite("boost_kpa", absolute)
    only_boosted = rewrite("boost_kpa", absolute, boosted_only=True)
    blank_base = rewrite("boost_kpa", lambda text, row: text if row["boost_kpa"] else "")
    gauge = rewrite("manifold_kpa", lambda text, row: f"{row['boost_kpa']:.1f}")
    no_boost = ("build", "power_kw", "manifold_kpa", "ambient_kpa")
    looks = codes("boost_looks_absolute", "gain_far_from_rule", *RANGE)
    return [
        Mistake(
            "boost: absolute for gauge, manifold pressure beside it", BOTH_PRESSURES,
            codes("boost_was_absolute", "boost_disagrees"), change=is_absolute,
        ),
        Mistake("boost: absolute for gauge, every row", POWER, looks, change=is_absolute),
        Mistake("boost: absolute for gauge, unboosted row left blank", POWER, looks, change=both(only_boosted, blank_base)),
        Mistake(
            "boost: absolute for gauge, only boosted rows sent", POWER, looks, change=without_baselines(is_absolute),
            reveals=False,
        ),
        Mistake("manifold: gauge under an absolute header", no_boost, codes("manifold_looks_gauge", *RANGE), change=gauge),
        Mistake(
            "manifold: gauge under an absolute header, boost beside it", BOTH_PRESSURES, codes("boost_disagrees", *RANGE),
            change=gauge,
        ),
        Mistake(
            "boost: psi labelled bar, only boosted rows sent", POWER, GAIN, {"boost_kpa": "psi"}, {"boost_kpa": "bar"},
            change=without_baselines(),
        ),
        Mistake(
            "boost: decimal mark lost (4.5 became 45)", POWER, GAIN, {"boost_kpa": "psi"},
            change=rewrite("boost_kpa", lambda text, row: text.replace(".", ""), True),
        ),
        Mistake(
            "boost: left blank on a boosted row", POWER, codes("boost_missing"),
            change=rewrite("boost_kpa", lambda text, row: "", True),
        ),
        Mistake(
            "boost: on the wrong row of its build", POWER, codes("boosted_below_baseline", "baselines_disagree"),
            change=swap_boost_rows,
        ),
        Mistake(
            "air pressure: reduced to sea level, altitude stated", ALTITUDE, LEVEL, truth=high_places,
            change=rewrite("ambient_kpa", reduced),
        ),
        Mistake(
            "air pressure: reduced to sea level, no altitude, observed power stated", (*AIR, "altitude_m"), STANDARD,
            truth=high_places, change=both(rewrite("ambient_kpa", reduced), rewrite("altitude_m", lambda text, row: "")),
        ),
        Mistake(
            "air pressure: reduced to sea level, nothing else stated", (*POWER, "altitude_m"), LEVEL, truth=high_places,
            change=both(rewrite("ambient_kpa", reduced), rewrite("altitude_m", lambda text, row: "")), reveals=False,
        ),
    ]  # fmt: skip


def _air() -> list[Mistake]:
    air = codes(*STANDARD, *RANGE)
    return [
        mislabelled("altitude: ft labelled m, barometer beside it", "altitude_m", "ft", "m", ALTITUDE, LEVEL, middle_places),
        mislabelled("altitude: m labelled ft, barometer beside it", "altitude_m", "m", "ft", ALTITUDE, LEVEL, middle_places),
        mislabelled(
            "altitude: ft labelled m, observed power beside it", "altitude_m", "ft", "m", AIR_ALTITUDE,
            codes(*STANDARD, *RANGE), middle_places,
        ),
        mislabelled(
            "altitude: m labelled ft, nothing beside it", "altitude_m", "m", "ft",
            ("build", "power_kw", "boost_kpa", "altitude_m"), LEVEL, middle_places, reveals=False,
        ),
        mislabelled("air temperature: C labelled F, observed power beside it", "air_c", "c", "f", AIR, air),
        mislabelled("air temperature: F labelled C, observed power beside it", "air_c", "f", "c", AIR, air),
        mislabelled("air temperature: K labelled C", "air_c", "k", "c", AIR, air),
        mislabelled("coolant: F labelled C", "coolant_c", "f", "c", (*POWER, "coolant_c"), RANGE),
        mislabelled("coolant: C labelled F", "coolant_c", "c", "f", (*POWER, "coolant_c"), RANGE),
        Mistake(
            "humidity: share of one for percent", AIR, codes("share_not_percent"),
            change=rewrite("humidity_pct", times(0.01, 2)),
        ),
        Mistake(
            "ethanol: share of one for percent", (*POWER, "ethanol_pct"), codes("share_not_percent"),
            change=rewrite("ethanol_pct", times(0.01, 2)),
        ),
    ]  # fmt: skip


def _standards() -> list[Mistake]:
    def said(code: str) -> Change:
        return rewrite("correction", lambda text, row: code)

    twice = rewrite("power_kw", lambda text, row: f"{float(text) * float(row['power_kw']) / float(row['observed_power_kw']):.1f}")
    no_observed = tuple(name for name in AIR if name != "observed_power_kw")
    old = of_standard("sae_j607")
    return [
        Mistake(
            "correction: SAE J607 figure said to be J1349", AIR, STANDARD, truth=of_standard("sae_j607", "sae_j1349"),
            change=said("sae_j1349"),
        ),
        Mistake(
            "correction: SAE J1349 figure said to be J607", AIR, STANDARD, truth=of_standard("sae_j1349", "sae_j607"),
            change=said("sae_j607"),
        ),
        Mistake(
            "correction: DIN 70020 figure said to be J1349", AIR, STANDARD, truth=of_standard("din_70020", "sae_j1349"),
            change=said("sae_j1349"),
        ),
        Mistake("correction: corrected figure said to be uncorrected", AIR, STANDARD, truth=old, change=said("uncorrected")),
        Mistake("correction: applied twice", AIR, STANDARD, truth=old, change=twice),
        Mistake(
            "correction: observed and reported power swapped", AIR, STANDARD, truth=old,
            change=swap("power_kw", "observed_power_kw"),
        ),
        mislabelled("observed power: hp labelled kW", "observed_power_kw", "hp", "kw", AIR, STANDARD),
        Mistake(
            "correction: wrong standard, no observed power", no_observed, STANDARD, truth=old, change=said("sae_j1349"),
            reveals=False,
        ),
    ]  # fmt: skip


def _columns() -> list[Mistake]:
    us = {"power_kw": "hp", "torque_nm": "lbf ft"}
    crossed = swap("power_kw", "torque_nm")
    return [
        Mistake("columns: power and torque swapped, kW and N m", PEAKS, FITS, change=crossed),
        Mistake(
            "columns: power and torque swapped, hp and lbf ft, observed power beside them",
            (*AIR, "power_rpm", "torque_nm", "torque_rpm"), FITS | STANDARD, {**us, "observed_power_kw": "hp"}, change=crossed,
        ),
        Mistake("columns: power and torque swapped, hp and lbf ft, peaks only", PEAKS, FITS, us, change=crossed, reveals=False),
        Mistake("columns: speeds of the two peaks swapped", PEAKS, FITS, change=swap("power_rpm", "torque_rpm")),
        Mistake("columns: bore and stroke swapped", ENGINE, codes("displacement_mismatch"), change=swap("bore_mm", "stroke_mm")),
        Mistake(
            "columns: a cell lost, the row moved left", PEAKS, codes(*READING, *FITS, "power_missing", *GAIN), change=shifted,
        ),
        Mistake(
            "columns: power sorted apart from the rest", PEAKS, codes(*FITS, *GAIN, "boosted_below_baseline"),
            change=sorted_apart,
        ),
        Mistake(
            "sides: before and after swapped", CHANGED, codes("after_below_before"), kind="changes",
            change=swap_sides("before", "after"),
        ),
        Mistake(
            "sides: baseline and boosted power swapped", ("power_kw", "boost_kpa", "ambient_kpa"),
            codes("boosted_below_baseline"), kind="pairs", change=powers_swapped,
        ),
        Mistake(
            "place: wheel figures said to be crank, dyno stated", PLACE, codes("measured_at_doubtful"), change=wheel_as_crank,
        ),
        Mistake(
            "place: wheel figures said to be crank, dyno not stated", (*POWER, "measured_at"), codes("measured_at_doubtful"),
            change=wheel_as_crank, reveals=False,
        ),
        Mistake(
            "rows: last row under the next build's name, engine described", ENGINE, codes("build_described_twice"),
            change=neighbour,
        ),
        Mistake("rows: pasted twice", PEAKS, codes("row_twice"), change=pasted_twice),
        Mistake("rows: an average below the table", PEAKS, codes("totals_row"), change=totals_below),
    ]  # fmt: skip


def _speeds_and_digits() -> list[Mistake]:
    misprint = codes(*FITS, *GAIN, *RANGE, "specific_output_high", "boosted_below_baseline")
    return [
        Mistake("speed: a tenth", PEAKS, FITS | RANGE, change=rewrite("power_rpm", times(0.1, 1))),
        Mistake("speed: ten times", PEAKS, FITS | RANGE, change=rewrite("power_rpm", times(10))),
        Mistake("speed: in thousands without saying so", PEAKS, FITS | RANGE, change=rewrite("power_rpm", times(0.001, 3))),
        Mistake(
            "speed: in thousands, header says so", PEAKS, RANGE, {"power_rpm": "krpm"},
            change=rename("power_rpm", "power_rpm (x1000)"),
        ),
        Mistake("figures: decimal comma, not declared", PEAKS, READING, comma=True, change=lambda sheet, rows: sheet),
        Mistake(
            "figures: a thousands comma that may be a decimal comma", ENGINE, codes("number_ambiguous", *RANGE), comma=True,
            change=thousands,
        ),
        Mistake(
            "figures: unit in the cell, another in the header", PEAKS, READING,
            change=rewrite("power_kw", lambda text, row: f"{float(text) / 0.7456998715822702:.2f} hp"),
        ),
        Mistake(
            "figures: unit of another quantity in the cell", PEAKS, codes("unit_unknown"),
            change=rewrite("power_kw", lambda text, row: f"{text} Nm"),
        ),
        Mistake("figures: about, range, remark mark", PEAKS, READING, change=rewrite("power_kw", lambda text, row: f"~{text}*")),
        Mistake(
            "figures: letter O for nought", POWER, codes("number_unreadable", "unit_unknown"),
            change=rewrite("power_kw", lambda text, row: f"1O{text}"),
        ),
        Mistake(
            "figures: turned into a day by a spreadsheet", POWER, codes("number_unreadable"),
            change=rewrite("boost_kpa", lambda text, row: "2024-08-06", True),
        ),
        Mistake(
            "figures: sign slip", POWER, codes("power_not_positive"), change=rewrite("power_kw", lambda text, row: f"-{text}"),
        ),
        Mistake(
            "figures: a digit too many in boosted power", PEAKS, misprint,
            change=rewrite("power_kw", lambda text, row: f"{text.split('.')[0]}0", True),
        ),
        Mistake("figures: a digit lost from boosted power", PEAKS, misprint, change=rewrite("power_kw", times(0.1, 1), True)),
        Mistake(
            "figures: compression ratio without its point", ENGINE, RANGE,
            change=rewrite("compression_ratio", lambda text, row: text.replace(".", "")),
        ),
        Mistake("figures: half the cylinders", ENGINE, codes("displacement_mismatch"), change=rewrite("cylinders", times(0.5))),
        Mistake(
            "figures: day in the future", (*POWER, "tested_on"), codes("date_future"),
            change=rewrite("tested_on", lambda text, row: text.replace("2021", "2031")),
        ),
        Mistake(
            "figures: octane of another scale's range", (*POWER, "octane_ron"), codes("octane_unusual"),
            change=rewrite("octane_ron", times(1.25)),
        ),
    ]  # fmt: skip


def _on_curves() -> list[Mistake]:
    def on(
        name: str,
        named: frozenset[str] = CURVES,
        figures: Mapping[str, str] | None = None,
        labels: Mapping[str, str] | None = None,
        change: Change | None = None,
    ) -> Mistake:
        return Mistake(f"curve: {name}", CURVE, named, figures or {}, labels or {}, change, _curves, "sweep")

    return [
        on("hp labelled kW", figures={"curve_power_kw": "hp"}, labels={"curve_power_kw": "kW"}),
        on("kW labelled hp", labels={"curve_power_kw": "hp"}),
        on("PS labelled hp", figures={"curve_power_kw": "PS"}, labels={"curve_power_kw": "hp"}),
        on("lbf ft labelled N m", figures={"curve_torque_nm": "lbf ft"}, labels={"curve_torque_nm": "N m"}),
        on("kgf m labelled N m", figures={"curve_torque_nm": "kgf m"}, labels={"curve_torque_nm": "N m"}),
        on("power and torque swapped", change=swap("curve_power_kw", "curve_torque_nm")),
        on("speed a tenth", change=rewrite("rpm", times(0.1, 1))),
        on("one misprinted power", change=one_point("curve_power_kw", 1.1)),
        on("one misprinted torque", change=one_point("curve_torque_nm", 0.9)),
        on("axle torque for engine torque", codes("axle_torque"), change=rewrite("curve_torque_nm", times(4.1, 1))),
    ]  # fmt: skip


def all_mistakes() -> list[Mistake]:
    """Every kind, in the order of the report."""
    return [
        *unit_mistakes(), *_pressures(), *_air(), *_standards(), *_columns(), *_speeds_and_digits(), *_on_curves(),
    ]  # fmt: skip
