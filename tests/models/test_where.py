"""The small language of `study --where`: what it says, what it refuses, and that it runs nothing."""

from __future__ import annotations

import contextlib

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.subset import where_fields
from models.where import LONGEST, parse_where
from pipeline.errors import RequestProblem

FIELDS = where_fields()
ROWS = pl.DataFrame(
    {
        "induction": ["turbocharger", "centrifugal", "turbocharger", None],
        "fuel": ["petrol", "diesel", "race_petrol", "petrol"],
        "power_kw": [100.0, 150.0, 200.0, 250.0],
        "boost_kpa": [34.4738, 68.9476, 103.4214, 50.0],
        "air_c": [20.0, 30.0, None, 10.0],
        "is_stated_rating": [False, True, False, None],
        "build": ["Alder 2.0", "Birch 3.0", "it's one", 'say "two"'],
        "cylinders": [4, 6, 8, 4],
    }
).with_columns(tested_on=pl.Series(["2020-01-01", "2021-06-01", "2024-05-01", None]).str.to_date())


def rows(text: str) -> list[int]:
    return ROWS.with_row_index("at").filter(parse_where(text, FIELDS).fill_null(False))["at"].to_list()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("induction = turbocharger", [0, 2]),
        ("induction == 'turbocharger'", [0, 2]),
        ("induction != turbocharger", [1]),  # who does not state it is not in
        ("not induction = turbocharger", [1]),
        ("induction is missing", [3]),
        ("induction is not missing", [0, 1, 2]),
        ("induction is stated", [0, 1, 2]),
        ("fuel in (petrol, diesel)", [0, 1, 3]),
        ("not (fuel in (petrol, diesel))", [2]),
        ("power_kw > 150", [2, 3]),
        ("power_kw >= 150 and power_kw < 250", [1, 2]),
        ("power_kw>=201.15hp", [1, 2, 3]),
        ("boost_kpa < 10psi", [0, 3]),
        ("boost_kpa <= 0.5 bar", [0, 3]),
        ("air_c > 68F", [1]),
        ("air_c > 5 or power_kw > 150", [0, 1, 2, 3]),
        ("is_stated_rating = yes", [1]),
        ("is_stated_rating = false", [0, 2]),
        ("tested_on > 2020-12-31", [1, 2]),
        ("tested_on = '2020-01-01'", [0]),
        ("build contains '2.0'", [0]),
        ("build CONTAINS BIRCH", [1]),
        ('build = "it\'s one"', [2]),
        ("build = 'say \"two\"'", [3]),
        ("cylinders = 4", [0, 3]),
        ("cylinders in (4,6)", [0, 1, 3]),
        # and binds more than or
        ("fuel = diesel or fuel = petrol and power_kw > 200", [1, 3]),
        ("(fuel = diesel or fuel = petrol) and power_kw > 200", [3]),
        ("FUEL = diesel".lower().replace("diesel", "DIESEL"), [1]),
    ],
)
def test_condition_selects(text, wanted):
    assert rows(text) == wanted


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "ends at character 1"),
        ("induction", "ends at character 10"),
        ("induction = ", "a value must stand"),
        ("inducton = turbocharger", "nearest are induction"),
        ("power = 3", "nearest are power_kw"),
        ("zzz = 1", "poundworth dictionary"),
        ("induction = turbo", "allowed is none, turbocharger"),
        ("induction < turbocharger", "induction is a code"),
        ("power_kw > 5psi", "in kW or with its unit"),
        ("power_kw > fast", "in kW or with its unit"),
        ("cylinders > 4kW", "a number without a unit"),
        ("tested_on > yesterday", "a day as 2024-05-01"),
        ("is_stated_rating = perhaps", "true or false"),
        ("power_kw > 1 (power_kw < 2)", "and, or, or the end"),
        ("power_kw > 1 power_kw < 2", "in kW or with its unit"),
        ("(power_kw > 1", "a closing bracket"),
        ("fuel in petrol", "an opening bracket"),
        ("fuel in ()", "a value must stand"),
        ("power_kw is large", "missing or stated"),
        ("power_kw; drop table run", "cannot be read at character 9"),
        ("power_kw contains 1", "after power_kw"),
        ("not " * 60 + "power_kw > 1", "more than 50"),
        ("(" * 60 + "power_kw > 1" + ")" * 60, "more than 50"),
        ("x" * (LONGEST + 1), "Shorten it"),
    ],
)
def test_nonsense_is_a_sentence(text, says):
    with pytest.raises(RequestProblem, match="^The condition") as told:
        parse_where(text, FIELDS)
    assert says in str(told.value)


@given(st.text(max_size=60))
def test_any_text_is_a_condition_or_a_sentence(text):
    try:
        made = parse_where(text, FIELDS)
    except RequestProblem as problem:
        assert str(problem).startswith("The condition")
    else:
        assert isinstance(made, pl.Expr)


@given(
    st.lists(
        st.sampled_from(
            ["power_kw", "fuel", "=", "<", "in", "(", ")", ",", "150hp", "petrol", "and", "or", "not", "is", "missing", "'a"]
        ),
        max_size=12,
    )
)
def test_any_row_of_words_is_a_condition_or_a_sentence(words):
    try:
        parse_where(" ".join(words), FIELDS)
    except RequestProblem as problem:
        assert len(str(problem)) < 2_000


def test_text_is_never_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for text in ("build = __import__('os')", 'build = \'__import__("pathlib").Path("x").touch()\'', "build = `touch x`"):
        with contextlib.suppress(RequestProblem):
            rows(text)
    assert not list(tmp_path.iterdir())
