"""The registry of checks against planted errors, and the gate naming the same rows."""

from __future__ import annotations

import string
from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import checks, schemas
from pipeline.fields import FIELDS, fields_of
from pipeline.values import typed_schema


def empty_runs(rows: int) -> pl.DataFrame:
    """Typed rows with everything missing but what every run has."""
    schema = typed_schema()
    frame = pl.DataFrame({"line": range(2, rows + 2)}).with_columns(pl.lit(None, d).alias(n) for n, d in schema.items())
    return frame.with_columns(role=pl.lit("baseline"), build_key=pl.lit("s|p|b"), power_kw=pl.lit(100.0), build=pl.lit("b"))


def found(frame: pl.DataFrame, rules: list[checks.Rule]) -> set[str]:
    return set(checks.find_failures(frame, rules)["code"])


def test_every_sentence_can_be_filled_in():
    for code in checks.CODES:
        text = checks.sentence_of(code, "power_kw", "12 {braces} %s")
        assert "{column}" not in text and "{value}" not in text and text[0].isupper()


def test_every_code_is_lower_case_words():
    for code in checks.CODES:
        assert set(code) <= set(string.ascii_lowercase + "_")


@given(power=st.floats(20, 1000), rpm=st.integers(2000, 9000), share=st.floats(0.5, 1.5))
@settings(max_examples=80, deadline=None)
def test_peak_torque_below_what_peak_power_implies_is_found(power, rpm, share):
    implied = power * checks.NM_RPM_PER_KW / rpm
    frame = empty_runs(1).with_columns(power_kw=pl.lit(power), power_rpm=pl.lit(float(rpm)), torque_nm=pl.lit(implied * share))
    slack = checks.PEAK_SLACK + (50 if rpm % 100 == 0 else 5) / rpm
    codes = found(frame, checks.peak_rules())
    if share < 1 - slack - 1e-6:
        assert "torque_below_power_peak" in codes
    elif share > 1 + 1e-6:
        assert "torque_below_power_peak" not in codes


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"torque_nm": 450.0, "displacement_cc": 2000.0}, "bmep_unusual"),
        ({"stroke_mm": 100.0, "power_rpm": 8500.0}, "piston_speed_high"),
        ({"power_kw": 300.0, "displacement_cc": 2000.0}, "specific_output_high"),
        ({"bore_mm": 86.0, "stroke_mm": 86.0, "cylinders": 4, "displacement_cc": 2200.0}, "displacement_mismatch"),
        ({"intake_duration_deg": 290.0, "duration_at_mm": 1.27}, "advertised_duration"),
        ({"tested_on": date(2999, 1, 1)}, "date_future"),
        ({"octane_ron": 150.0}, "octane_unusual"),
        ({"compression_ratio": 2.0}, "value_impossible"),
        ({"compression_ratio": 16.0}, "value_unusual"),
        ({"power_kw": -5.0}, "power_not_positive"),
        ({"power_kw": None}, "power_missing"),
        ({"torque_nm": 500.0, "torque_rpm": 4000.0}, "power_above_peak"),
    ],
)
def test_each_planted_error_is_found(changes, code):
    frame = empty_runs(1).with_columns(**{k: pl.lit(v, typed_schema()[k]) for k, v in changes.items()})
    columns = set(frame.columns)
    rules = [*checks.required_rules(), *checks.range_rules("run", columns), *checks.range_rules("build", columns), *checks.peak_rules(),
             *checks.engine_rules(), *checks.date_rules(date(2026, 1, 1))]  # fmt: skip
    assert code in found(frame, rules)
    assert code not in found(empty_runs(1), rules)


def test_boosted_below_its_own_baseline_is_found():
    frame = empty_runs(2).with_columns(
        role=pl.Series(["baseline", "boosted"]), power_kw=pl.Series([100.0, 90.0]), gauge_gap_kpa=pl.lit(None, pl.Float64),
        ambient_basis=pl.lit("recorded"), ambient_used_kpa=pl.lit(101.0), sea_level_reading=pl.lit(False),
        power_rpm=pl.Series([6000.0, 6700.0]), boost_taken=pl.Series([None, "maximum"]),
    )  # fmt: skip
    codes = found(frame, checks.boost_rules())
    assert codes == {"boosted_below_baseline", "peak_rpm_moved", "boost_at_maximum"}


NUMERIC = [f for f in fields_of("run") if f.kind == "number" and f.possible is not None]


@given(data=st.data())
@settings(max_examples=40, deadline=None)
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
    bad = [r for r in checks.range_rules("run", set(frame.columns)) if r.severity == "refuse"]
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
