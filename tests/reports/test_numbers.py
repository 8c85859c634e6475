"""Numbers as text: rounded by their uncertainty, in both unit systems, with true signs."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.estimate import Estimate
from pipeline.units import factor_and_offset, unit_named
from reports.numbers import (
    MINUS,
    SI,
    THIN,
    US,
    count_of,
    decimals_by_uncertainty,
    in_both,
    scales_json,
    show_estimate,
    show_nominal,
    show_reported,
    write_number,
)


@pytest.mark.parametrize(
    ("value", "low", "high", "decimals"),
    [
        (0.9053, 0.8812, 0.9294, 3),
        (0.9053, 0.7043, 1.1063, 2),
        (27.2, 26.0, 28.4, 1),
        (412.3, 388.0, 436.0, 0),
        (41234.0, 38800.0, 43600.0, -2),
        (0.5, 0.4004, 0.5996, 2),  # a half-width of 0.0996 is 0.10 to two digits
        (1234.5, None, None, -1),
        (0.01234, None, None, 4),
        (0.9, 0.9, 0.9, 3),
    ],
)
def test_decimals_follow_the_half_width(value, low, high, decimals):
    assert decimals_by_uncertainty(value, low, high) == decimals


def test_decimals_grow_until_an_end_does_not_look_equal_to_the_reference():
    estimate = Estimate(0.95, 0.9004, 0.99996, 0.95, "1", 9, 20)
    assert show_estimate(estimate, US).high == "1.000"
    assert show_estimate(estimate, US, reference=1.0).high == "0.99996"


@settings(deadline=None)
@given(st.floats(-1e6, 1e6), st.floats(1e-4, 1e4))
def test_printed_ends_stay_within_a_twentieth_of_the_half_width(middle, half):
    shown = show_estimate(Estimate(middle, middle - half, middle + half, 0.95, "1", 3, 9), US)
    for text, end in ((shown.low, middle - half), (shown.high, middle + half)):
        printed = float(text.replace(MINUS, "-").replace(THIN, ""))
        # Two digits of a half-width of 1.0 are a step of 0.1; half a step is a twentieth.
        assert abs(printed - end) <= 0.0501 * half * 1.01 + 1e-9 * abs(end) + 1e-6


@settings(deadline=None)
@given(st.floats(allow_nan=True, allow_infinity=True), st.integers(-3, 6))
def test_any_number_is_written_without_hyphen_or_negative_zero(value, decimals):
    text = write_number(value, decimals)
    assert "-" not in text and "nan" not in text and "inf" not in text
    digits = text.lstrip(MINUS).replace(THIN, "")
    if math.isfinite(value) and float(digits) == 0:
        assert not text.startswith(MINUS)


def test_thousands_have_thin_spaces_from_ten_thousand():
    assert write_number(9876, 0) == "9876"
    assert write_number(-1234567.8, 1) == f"{MINUS}1{THIN}234{THIN}567.8"


def test_reported_figures_in_both_systems():
    assert show_reported(298.28, "power", US) == f"400{THIN}hp"
    assert show_reported(298.28, "power", SI) == f"298{THIN}kW"
    assert show_reported(68.948, "boost", US) == f"10.0{THIN}psi"
    assert show_reported(None, "boost", US) == "\u2013"
    assert show_nominal(103.421, "boost", US) == f"15{THIN}psi"


@pytest.mark.parametrize(
    ("quantity", "from_", "to"), [("power", "kW", "hp"), ("boost", "kPa", "psi"), ("torque", "N m", "lbf ft")]
)
def test_factors_are_those_of_the_unit_module(quantity, from_, to):
    factor = factor_and_offset(unit_named(from_), unit_named(to))[0]
    assert scales_json()["us"][quantity]["factor"] == factor
    assert scales_json()["si"][quantity]["factor"] == 1.0


def test_yield_of_a_rule_follower():
    # 400 hp over one standard atmosphere of 14.695949 psi
    kw = 400 / US.scales["power"].factor
    assert US.convert(kw / 101.325, "yield") == pytest.approx(400 / 14.695949, rel=1e-6)


def test_estimates_in_units_and_shares():
    power = Estimate(300.0, 290.0, 310.0, 0.95, "kW", 3, 5)
    assert show_estimate(power, SI).full == f"300 (290 to 310){THIN}kW"
    assert show_estimate(power, US).full == f"402 (389 to 416){THIN}hp"
    ratio = Estimate(0.9053, 0.8812, 0.9294, 0.95, "1", 3, 5)
    assert show_estimate(ratio, US).full == "0.905 (0.881 to 0.929)"
    assert show_estimate(ratio, US, share=True).range == f"88.1 to 92.9{THIN}%"
    assert show_estimate(Estimate(600.0, 300.0, 900.0, 0.95, "rpm", 3, 5), US).unit == "rpm"


def test_missing_parts_are_said():
    assert show_estimate(Estimate(None, None, None, 0.95, "1", 0, 0, "none"), US).full == "not known"
    assert show_estimate(Estimate(0.9, None, None, 0.95, "1", 1, 1, "one"), US).full == "0.900 (no range)"
    assert show_estimate(Estimate(float("nan"), None, None, 0.95, "1", 1, 1, "one"), US).best == "not known"


def test_counts_and_both_systems():
    assert [count_of(n, "build") for n in (0, 1, 2)] == ["0 builds", "1 build", "2 builds"]
    both = in_both(lambda system: system.code)
    assert (both.us, both.si, both.in_system("si"), both.in_system("us")) == ("us", "si", "si", "us")
