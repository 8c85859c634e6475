"""The checks of single rows against an independent restatement of each, and the gate naming the same rows."""

from __future__ import annotations

import math
import string
from collections.abc import Callable
from datetime import date

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import check_builds, checks, complete, schemas
from pipeline.check_codes import CODES, sentence_of
from pipeline.fields import FIELDS, fields_of
from pipeline.values import typed_schema

TODAY = date(2026, 1, 1)
Row = dict[str, float]


def empty_runs(rows: int) -> pl.DataFrame:
    """Typed rows with everything missing but what every run has."""
    schema = typed_schema()
    frame = pl.DataFrame({"line": range(2, rows + 2)}).with_columns(pl.lit(None, d).alias(n) for n, d in schema.items())
    return frame.with_columns(
        role=pl.lit("baseline"), build_key=pl.lit("s|p|b"), power_kw=pl.lit(100.0), build=pl.lit("b"),
        number=pl.lit(1, pl.Int32), side=pl.lit(""),
    )  # fmt: skip


def completed(frame: pl.DataFrame) -> pl.DataFrame:
    return complete.complete(frame.drop("role"))


def found(frame: pl.DataFrame, rules: list[checks.Rule]) -> set[str]:
    return set(checks.find_failures(frame, rules)["code"])


def all_rules(frame: pl.DataFrame) -> list[checks.Rule]:
    return [
        *checks.required_rules(), *checks.range_rules("run", frame), *checks.range_rules("build", frame), *checks.peak_rules(),
        *checks.engine_rules(), *checks.boost_rules(), *checks.condition_rules(), *checks.correction_rules(), *checks.date_rules(TODAY),
    ]  # fmt: skip


# -- the registry -------------------------------------------------------------------------------------------------------


def test_every_sentence_can_be_filled_in():
    for code in CODES:
        text = sentence_of(code, "power_kw", "12 {braces} %s")
        assert "{column}" not in text and "{value}" not in text and text.rstrip()[-1] in ".s"
        assert text[0].isupper() or text.startswith("power_kw"), (
            "a column keeps its own spelling, all else begins as sentences do"
        )


def test_every_code_is_lower_case_words():
    for code in CODES:
        assert set(code) <= set(string.ascii_lowercase + "_")


def test_range_sentences_name_the_range():
    assert "3 to 25" in sentence_of("value_impossible", "compression_ratio", "85")
    assert "0.1 to 50000 N m" in sentence_of("value_impossible", "torque_nm", "-1")


# -- planted errors against a restatement in plain arithmetic -----------------------------------------------------------


def implied_nm(row: Row) -> float:
    return row["power_kw"] * 30_000 / math.pi / row["power_rpm"]


def half_digit(rpm: float) -> float:
    return 50.0 if rpm % 100 == 0 else 5.0


def bmep_kpa(row: Row) -> float:
    return row["torque_nm"] * 4 * math.pi / (row["displacement_cc"] / 1000)


#: code -> ranges from which rows are drawn, and whether a row is bad. Peaks are drawn around one engine, so that both
#: answers are common.
JUDGED: dict[str, tuple[dict[str, tuple[float, float]], Callable[[Row], bool]]] = {
    "torque_below_power_peak": (
        {"power_kw": (80, 120), "power_rpm": (5000, 6000), "torque_nm": (150, 210)},
        lambda r: implied_nm(r) * (1 - 0.005 - half_digit(r["power_rpm"]) / r["power_rpm"]) > r["torque_nm"],
    ),
    "power_above_peak": (
        {"power_kw": (80, 120), "torque_nm": (180, 220), "torque_rpm": (4000, 5500)},
        lambda r: (
            r["torque_nm"] * r["torque_rpm"] * math.pi / 30_000 * (1 - 0.005 - half_digit(r["torque_rpm"]) / r["torque_rpm"])
            > r["power_kw"]
        ),
    ),
    "peak_speeds_crossed": (
        {"power_rpm": (4000, 6000), "torque_rpm": (4000, 6000)},
        lambda r: r["torque_rpm"] > r["power_rpm"] + half_digit(r["power_rpm"]) + half_digit(r["torque_rpm"]),
    ),
    "peaks_far_apart": (
        {"power_kw": (60, 120), "power_rpm": (5000, 6000), "torque_nm": (180, 260)},
        lambda r: implied_nm(r) / r["torque_nm"] < 0.70,
    ),
    "bmep_unusual": (
        {"torque_nm": (50, 400), "displacement_cc": (1500, 2500)},
        lambda r: not 600 <= bmep_kpa(r) <= 1600,
    ),
    "piston_speed_high": (
        {"stroke_mm": (70, 100), "power_rpm": (6000, 10_000)},
        lambda r: 2 * r["stroke_mm"] / 1000 * r["power_rpm"] / 60 > 27,
    ),
    "specific_output_high": ({"power_kw": (100, 300), "displacement_cc": (1000, 2500)}, lambda r: r["power_kw"] / r["displacement_cc"] > 0.12),
    "displacement_mismatch": (
        {"bore_mm": (85, 87), "stroke_mm": (85, 87), "cylinders": (4, 4), "displacement_cc": (1900, 2100)},
        lambda r: abs(r["bore_mm"] ** 2 * math.pi / 4 * r["stroke_mm"] * r["cylinders"] / 1000 / r["displacement_cc"] - 1) > 0.03,
    ),
    "advertised_duration": (
        {"intake_duration_deg": (240, 300), "exhaust_duration_deg": (240, 300), "duration_at_mm": (1.27, 1.27)},
        lambda r: max(r["intake_duration_deg"], r["exhaust_duration_deg"]) > 275,
    ),
    "ambient_altitude_disagree": (
        {"ambient_kpa": (80, 92), "altitude_m": (500, 2000)},
        lambda r: abs(r["ambient_kpa"] - 101.325 * (1 - 0.0065 * r["altitude_m"] / 288.15) ** 5.25588) > 4,
    ),
    "ambient_sea_level": (
        {"ambient_kpa": (96, 106), "altitude_m": (0, 2000)},
        lambda r: (
            r["ambient_kpa"] - 101.325 * (1 - 0.0065 * r["altitude_m"] / 288.15) ** 5.25588 > 4 and abs(r["ambient_kpa"] - 101.325) <= 5
        ),
    ),
    "share_not_percent": ({"humidity_pct": (0.01, 2)}, lambda r: r["humidity_pct"] < 1),
    "octane_unusual": ({"octane_ron": (80, 120)}, lambda r: not 87 <= r["octane_ron"] <= 115),
    "value_unusual": ({"compression_ratio": (5, 17)}, lambda r: not 7 <= r["compression_ratio"] <= 14),
    "value_impossible": ({"compression_ratio": (1, 30)}, lambda r: not 3 <= r["compression_ratio"] <= 25),
    "power_not_positive": ({"power_kw": (-50, 50)}, lambda r: r["power_kw"] <= 0),
}  # fmt: skip
ROWS = 120


@pytest.mark.parametrize("code", JUDGED)
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=2, deadline=None)
def test_a_check_finds_exactly_the_planted_rows(code, seed):
    ranges, is_bad = JUDGED[code]
    draw = np.random.default_rng(seed)
    drawn = {name: np.round(draw.uniform(*span, ROWS), 2 if span[1] < 1000 else 0) for name, span in ranges.items()}
    schema = typed_schema()
    planted = empty_runs(ROWS).with_columns(pl.Series(n, v).cast(schema[n]) for n, v in drawn.items())
    frame = completed(planted)
    rows = [{name: float(values[i]) for name, values in drawn.items()} for i in range(ROWS)]
    wanted = {i + 2 for i, row in enumerate(rows) if is_bad(row)}
    rules = [rule for rule in all_rules(frame) if rule.code == code]
    failures = checks.find_failures(frame, rules)
    assert set(failures["line"]) == wanted
    assert 0 < len(wanted) < ROWS
    # A value that is missing is never bad (of the two durations one is enough).
    for name in set(drawn) - {"power_kw", "intake_duration_deg", "exhaust_duration_deg"}:
        blank = completed(planted.with_columns(pl.lit(None, schema[name]).alias(name)))
        assert code not in found(blank, rules)


@given(
    power=st.floats(20, 1000),
    rpm=st.integers(2000, 9000),
    share=st.floats(0.5, 1.5),
    step=st.sampled_from([None, 0.1, 1.0, 10.0]),
)
@settings(max_examples=25, deadline=None)
def test_printed_digits_widen_the_tolerance(power, rpm, share, step):
    implied = power * checks.NM_RPM_PER_KW / rpm
    frame = empty_runs(1).with_columns(
        power_kw=pl.lit(power),
        power_rpm=pl.lit(float(rpm)),
        torque_nm=pl.lit(implied * share),
        power_step_kw=pl.lit(step, pl.Float64),
    )
    slack = checks.PEAK_SLACK + (50 if rpm % 100 == 0 else 5) / rpm + (step or 0) / 2 / power
    codes = found(frame, checks.peak_rules())
    if share < 1 - slack - 1e-6:
        assert "torque_below_power_peak" in codes
    elif share > 1 - slack + 1e-6:
        assert "torque_below_power_peak" not in codes


BOOSTED = {"power_kw": 150.0, "boost_kpa": 50.0}
AIR = {"ambient_kpa": 95.0, "air_c": 35.0, "humidity_pct": 40.0, "correction": "sae_j607"}


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"tested_on": date(2026, 1, 2)}, "date_future"),
        ({"power_kw": None}, "power_missing"),
        ({"build": None}, "build_missing"),
        ({**BOOSTED, "boost_taken": "maximum"}, "boost_at_maximum"),
        ({**BOOSTED, "induction": "none"}, "boost_without_compressor"),
        (BOOSTED, "ambient_assumed"),
        ({**BOOSTED, "altitude_m": 1200.0}, "ambient_from_altitude"),
        ({**BOOSTED, "manifold_kpa": 160.0, "ambient_kpa": 101.0}, "boost_disagrees"),
        ({"dyno_type": "chassis_roller", "measured_at": "crank"}, "measured_at_doubtful"),
        ({"dyno_type": "engine", "measured_at": "wheel"}, "measured_at_doubtful"),
        ({"ethanol_pct": 0.85}, "share_not_percent"),
        ({**AIR, "correction": "iso_1585", "ambient_kpa": 80.0}, "correction_outside_validity"),
        ({**AIR, "observed_power_kw": 100.0}, "correction_disagrees"),
        ({**AIR, "correction": "uncorrected", "observed_power_kw": 98.0}, "correction_disagrees"),
        ({"torque_nm": 900.0, "displacement_cc": 2000.0, **BOOSTED}, "bmep_unusual"),
    ],
)
def test_each_planted_error_is_found(changes, code):
    schema = typed_schema()
    frame = completed(empty_runs(1).with_columns(**{k: pl.lit(v, schema[k]) for k, v in changes.items()}))
    assert code in found(frame, all_rules(frame))
    clean = completed(empty_runs(1))
    assert code not in found(clean, all_rules(clean))


@pytest.mark.parametrize(
    "changes",
    [
        {"dyno_type": "chassis_roller", "measured_at": "crank", "drivetrain_loss_pct": 15.0},
        {"dyno_type": "chassis_hub", "measured_at": "hub"},
        {**BOOSTED, "manifold_kpa": 151.0, "ambient_kpa": 101.0},
        {"tested_on": date(2026, 1, 1)},
        {"humidity_pct": 0.0, "ethanol_pct": 0.0},
        {"power_rpm": 6000.0, "torque_rpm": 6100.0},
    ],
)
def test_what_agrees_is_not_flagged(changes):
    schema = typed_schema()
    frame = completed(empty_runs(1).with_columns(**{k: pl.lit(v, schema[k]) for k, v in changes.items()}))
    assert found(frame, all_rules(frame)) <= {"ambient_assumed"}


@given(wrong=st.floats(0.9, 1.1), observed=st.floats(60, 400), basis=st.sampled_from(["recorded", "altitude"]))
@settings(max_examples=25, deadline=None)
def test_reported_over_observed_power_must_be_the_factor(wrong, observed, basis):
    given_air = {"ambient_kpa": 94.9} if basis == "recorded" else {"altitude_m": 550.0}
    given_air |= {"air_c": 30.0, "humidity_pct": 50.0}
    frame = empty_runs(1).with_columns(**{k: pl.lit(v) for k, v in given_air.items()}, correction=pl.lit("sae_j1349"))
    factor = completed(frame)["correction_factor"][0]
    frame = completed(frame.with_columns(observed_power_kw=pl.lit(observed), power_kw=pl.lit(observed * factor * wrong)))
    slack = 0.01 if basis == "recorded" else 0.01 + 1.2 * 4.0 / frame["ambient_used_kpa"][0]
    if abs(abs(wrong - 1) - slack) > 1e-6:
        assert ("correction_disagrees" in found(frame, checks.correction_rules())) is (abs(wrong - 1) > slack)


# -- the gate -----------------------------------------------------------------------------------------------------------

NUMERIC = [f for f in fields_of("run") if f.kind == "number" and f.possible is not None]


@given(data=st.data())
@settings(max_examples=15, deadline=None)
def test_gate_and_quarantine_name_the_same_rows(data):
    rows = 6
    frame = empty_runs(rows).with_columns(run_key=pl.Series([f"s/f#{i}" for i in range(rows)]))
    chosen = data.draw(st.lists(st.sampled_from(NUMERIC), min_size=1, max_size=4, unique_by=lambda f: f.name))
    for field in chosen:
        low, high = field.possible
        width = high - low
        values = data.draw(st.lists(st.one_of(st.none(), st.floats(low - width, high + width)), min_size=rows, max_size=rows))
        if field.name == "power_kw":
            values = [100.0 if v is None else v for v in values]
        frame = frame.with_columns(pl.Series(field.name, values, dtype=pl.Float64))
    bad = [r for r in checks.range_rules("run", frame) if r.severity == "refuse"]
    ours = {(line - 2, column, code) for line, code, column, _ in checks.find_failures(frame, bad).iter_rows()}
    gate = {tuple(row) for row in schemas.failing_codes(frame, "run").iter_rows()}
    # Power that is not positive is told once by the quarantine; the gate's range check names it a second time.
    echoes = {(i, c, "value_impossible") for i, c, k in gate if k == "power_not_positive"}
    assert gate - echoes == ours


def test_gate_refuses_nothing_that_is_missing():
    frame = empty_runs(3).with_columns(run_key=pl.Series(["a", "b", "c"]))
    assert schemas.failing_codes(frame, "run").is_empty()


def test_ranges_nest():
    for field in FIELDS.values():
        if field.usual and field.possible:
            assert field.possible[0] <= field.usual[0] < field.usual[1] <= field.possible[1], field.name


# -- what is not asked --------------------------------------------------------------------------------------------------


def scattered(rows: int) -> pl.DataFrame:
    """Completed rows of which every field holds something, in and out of its usual range."""
    rng = np.random.default_rng(5)
    frame = empty_runs(rows)
    filled: dict[str, pl.Series] = {}
    for name, field in FIELDS.items():
        if name not in frame.columns:
            continue
        if field.kind in ("number", "integer"):
            low, high = field.usual or field.possible or (0.0, 100.0)
            values = rng.uniform(low - (high - low) / 2, high + (high - low) / 2, rows)
            filled[name] = pl.Series(values).cast(frame.schema[name])
        elif field.kind == "code":
            filled[name] = pl.Series(rng.choice(list(field.codes), rows))
        elif field.kind == "date":
            filled[name] = pl.Series([date(2025 + int(i), 6, 1) for i in rng.integers(0, 3, rows)])
    frame = frame.with_columns(**filled).with_columns(
        baseline_build_key=pl.lit(None, pl.String),
        build_key=pl.concat_str(pl.lit("s|p|"), pl.Series(rng.integers(0, rows // 4, rows)).cast(pl.String)),
    )
    return completed(frame)


def test_a_rule_is_silent_without_the_columns_that_it_needs():
    frame = check_builds.add_build_figures(scattered(400))
    rules = [r for r in [*all_rules(frame), *check_builds.build_rules()] if r.needs]
    assert len(rules) > 20
    loud = 0
    for rule in rules:
        loud += frame.select(rule.bad.fill_null(False).any()).item()
        for name in rule.needs:
            emptied = frame.with_columns(pl.lit(None, frame.schema[name]).alias(name))
            assert not emptied.select(rule.bad.fill_null(False).any()).item(), (rule.code, name)
            assert checks.find_failures(emptied, [rule]).is_empty()
    assert loud > 15  # or their silence would say nothing


def test_ranges_are_asked_of_the_columns_that_break_them_alone():
    frame = scattered(200)
    every = [r.column for table in ("run", "build") for r in checks.range_rules(table, frame)]
    assert len(set(every)) > 20
    calm = frame.with_columns(bore_mm=pl.lit(90.0), air_c=pl.lit(None, pl.Float64), ambient_kpa=pl.lit(float("nan")))
    asked = {r.column for table in ("run", "build") for r in checks.range_rules(table, calm)}
    assert "bore_mm" not in asked and "air_c" not in asked and "ambient_kpa" in asked
    told = checks.find_failures(calm, [r for r in checks.range_rules("run", calm) if r.column == "ambient_kpa"])
    assert told.height == 200
