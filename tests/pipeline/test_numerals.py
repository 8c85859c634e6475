"""Numbers as printed: every habit reads back to the same value and step; everything else is named, never guessed."""

import math

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.errors import FileProblem
from pipeline.numerals import MISSING_MARKERS, infer_decimal_mark, parse_numerals


def parsed(text, mark=None):
    return parse_numerals(pl.Series([text], dtype=pl.String), mark).row(0, named=True)


@pytest.mark.parametrize(
    ("text", "value", "step", "unit"),
    [
        ("412", 412, 1, None), ("412.0", 412, 0.1, None), (" 6.5 ", 6.5, 0.1, None), ("12,5", 12.5, 0.1, None),
        (".5", 0.5, 0.1, None),
        (",5", 0.5, 0.1, None), ("412.", 412, 1, None), ("+45", 45, 1, None), ("-5", -5, 1, None), ("−5.0", -5, 0.1, None),
        ("–5", -5, 1, None), ("007", 7, 1, None), ("1,234.5", 1234.5, 0.1, None), ("1.234,5", 1234.5, 0.1, None),
        ("1 234", 1234, 1, None), ("1\u00a0234", 1234, 1, None), ("1\u202f234,50", 1234.5, 0.01, None), ("1'234", 1234, 1, None),
        ("1’234.5", 1234.5, 0.1, None), ("1,234,567", 1234567, 1, None), ("1.234.567", 1234567, 1, None),
        ("0,875", 0.875, 0.001, None),
        ("1234,567", 1234.567, 0.001, None), ("1.234", 1.234, 0.001, None), ("1e3", 1000, 1000, None), ("1.5E3", 1500, 100, None),
        ("2.5e-3", 0.0025, 0.0001, None), ("½", 0.5, None, None), ("1½", 1.5, None, None), ("1/2", 0.5, None, None),
        ("1 1/2", 1.5, None, None), ('4-1/8"', 4.125, None, '"'), ("2/3", 2 / 3, None, None), ("412 hp", 412, 1, "hp"),
        ("412hp", 412, 1, "hp"), ("0.55bar", 0.55, 0.01, "bar"), ("8psi", 8, 1, "psi"), ("8 psi (gauge)", 8, 1, "psi (gauge)"),
        ("1.2 kgf/cm2", 1.2, 0.1, "kgf/cm2"), ("1.2 kgf/cm²", 1.2, 0.1, "kgf/cm2"), ("6500 min-1", 6500, 1, "min-1"),
        ("6500 1/min", 6500, 1, "1/min"), ("6500 U/min", 6500, 1, "U/min"), ("300 lb-ft", 300, 1, "lb-ft"),
        ("30 in. Hg", 30, 1, "in. Hg"),
        ("85 %", 85, 1, "%"), ("37°C", 37, 1, "°C"), ('4.125"', 4.125, 0.001, '"'), ("psi 8", 8, 1, "psi"),
        ("PS: 400", 400, 1, "PS"),
        ("10.5:1", 10.5, 0.1, None), ("10,5 : 1", 10.5, 0.1, None), ("10.5 to 1", 10.5, 0.1, None), ("9.5-1", 9.5, 0.1, None),
        ("４１２", 412, 1, None), ("４１２．５馬力", 412.5, 0.1, "馬力"), ("@6500", 6500, 1, None), ("410*", 410, 1, None),
    ],
)  # fmt: skip
def test_a_printed_figure_is_read_with_its_step_and_unit(text, value, step, unit):
    row = parsed(text)
    assert row["problem"] is None
    assert (row["value"], row["step"], row["unit"]) == (pytest.approx(value, rel=1e-15), step, unit)
    assert row["low"] == row["high"] == row["value"]
    assert not row["approx"] and not row["missing"]


@pytest.mark.parametrize(
    ("text", "low", "high", "unit"),
    [
        ("400-410", 400, 410, None), ("400–410 hp", 400, 410, "hp"), ("400 to 410", 400, 410, None),
        ("400hp-410hp", 400, 410, "hp"),
        ("5psi-8psi", 5, 8, "psi"), ("15-10 psi", 10, 15, "psi"), ("400～410馬力", 400, 410, "馬力"), ("-5 - -3", -5, -3, None),
        ("1,5 bis 2,5 bar", 1.5, 2.5, "bar"), ("410 ± 5 hp", 405, 415, "hp"), ("410 +/- 5", 405, 415, None),
        ("400..410", 400, 410, None),
    ],
)  # fmt: skip
def test_a_range_keeps_its_ends(text, low, high, unit):
    row = parsed(text)
    assert (row["low"], row["high"], row["unit"], row["problem"]) == (low, high, unit, None)
    assert row["value"] == pytest.approx((low + high) / 2)


@pytest.mark.parametrize("text", ["~410", "≈ 410 hp", "ca. 410", "About 410 hp", "c. 410", "約410", "410 (est.)", "410 approx."])
def test_about_is_kept(text):
    row = parsed(text)
    assert (row["value"], row["approx"]) == (410, True)


@pytest.mark.parametrize(
    "text",
    ["1;2", "inf", "-inf", "Infinity", "1e999", "9" * 400, "400+", ">400", "< 400", "412 hp @ 6500", "412 hp 380", "E85",
    "12,34,567", "0x10",
     "1_000", "2024-05-01", "12.5.2024", "1:10", "410¹", "10²", "5,", "6/8", "10/12", "1 2345", "#DIV/0!", "hp", "١٢", "(5)",
     "12:30:00", "=2+3", "400hp-410kW"],
)  # fmt: skip
def test_what_is_no_single_figure_is_not_a_number(text):
    row = parsed(text)
    assert (row["value"], row["problem"], row["missing"]) == (None, "not_a_number", False)


@pytest.mark.parametrize(
    "text", ["1,234", "5,500 rpm", "~1,234", "1,500-2,500", "400-10", "10-8 psi", "2024-11", "2024-05", "10-05"]
)
def test_what_reads_two_ways_is_ambiguous(text):
    row = parsed(text)
    assert (row["value"], row["problem"]) == (None, "ambiguous_number")


@pytest.mark.parametrize(
    ("text", "with_point", "with_comma"),
    [("1,234", 1234, 1.234), ("1.234", 1.234, 1234), ("12,5", 12.5, 12.5), ("6.5", 6.5, 6.5)],
)
def test_the_mark_decides_only_what_reads_two_ways(text, with_point, with_comma):
    assert parsed(text, ".")["value"] == with_point
    assert parsed(text, ",")["value"] == with_comma


@pytest.mark.parametrize("text", [None, "", "  ", "-", "—", "N/A", "k.A.", "?", "tbd", "NULL", "none", "NaN", "不明", " n.a. "])
def test_missing_markers_are_missing_and_kept(text):
    row = parsed(text)
    assert (row["value"], row["missing"], row["marker"], row["problem"]) == (None, True, text, None)


def test_no_missing_marker_is_also_a_figure():
    assert parse_numerals(pl.Series(["0", "0.0", "00"]), None)["missing"].to_list() == [False] * 3
    assert all(marker == marker.lower() for marker in MISSING_MARKERS)


def test_rows_keep_their_order_when_texts_repeat():
    texts = ["6.5", None, "412 hp", "6.5", "x", None, "1,234", "412 hp"]
    assert parse_numerals(pl.Series(texts), None)["value"].to_list() == [6.5, None, 412, 6.5, None, None, None, 412]


def test_no_rows_give_no_rows():
    empty = parse_numerals(pl.Series([], dtype=pl.String), None)
    full = parse_numerals(pl.Series(["1", "x hp"]), None)
    assert empty.height == 0 and empty.schema == full.schema


def test_an_unknown_decimal_mark_is_refused():
    with pytest.raises(FileProblem, match="';'.*'.' or ','.*decimal_mark"):
        parse_numerals(pl.Series(["1"]), ";")


@pytest.mark.parametrize(
    ("columns", "mark"),
    [
        ([["12,5", "1,234"]], ","), ([["12.5"], ["1,234"]], "."), ([["1.234,5"]], ","), ([["1,234.5"]], "."),
        ([["1.234.567"]], ","),
        ([["0,875"]], ","), ([["400-410", "6,5-7,5 psi"]], ","), ([["1 234,5"]], ","), ([["1,234", "412", None, "1.234"]], None),
        ([["12.5"], ["12,5"]], None), ([["n/a", "x", "12.05.2024", "1;5"]], None), ([[]], None), ([["10,5:1"]], ","),
        ([["~6.25 hp"]], "."),
    ],
)  # fmt: skip
def test_the_decimal_mark_is_found_only_where_it_is_proved(columns, mark):
    assert infer_decimal_mark([pl.Series(column, dtype=pl.String) for column in columns]) == mark


def grouped(digits, separator):
    return f"{int(digits):,}".replace(",", separator)


@st.composite
def printed(draw):
    """A number, the text of one habit of printing it, and the decimal mark that a reader would know."""
    whole, decimals = draw(st.integers(0, 9_999_999)), draw(st.integers(0, 4))
    part = str(draw(st.integers(0, 10**decimals - 1))).zfill(decimals) if decimals else ""
    mark = draw(st.sampled_from([".", ","]))
    separators = ["", " ", "\u00a0", "\u2009", "'", "." if mark == "," else ","]
    text = grouped(whole, draw(st.sampled_from(separators))) + (mark + part if decimals else "")
    negative = draw(st.booleans())
    sign = draw(st.sampled_from(["-", "\u2212"])) if negative else draw(st.sampled_from(["", "+"]))
    unit = draw(st.sampled_from(["", "hp", " kW", "\u00a0PS", " lb-ft", '"', " %", " kgf/cm²"]))
    about = draw(st.sampled_from(["", "~", "ca. ", "≈ "]))
    value = float(f"{'-' if negative else ''}{whole}.{part or '0'}")
    if draw(st.booleans()):
        text = text.translate(str.maketrans("0123456789", "０１２３４５６７８９"))
    return about + sign + text + unit, mark, value, float(f"1e-{decimals}"), unit.strip().replace("²", "2") or None, bool(about)


@given(st.lists(printed(), min_size=10, max_size=40), st.sampled_from([".", ","]))
@settings(max_examples=12, deadline=None)
def test_every_habit_reads_back_the_same_number(cases, mark):
    cases = [case for case in cases if case[1] == mark]
    rows = parse_numerals(pl.Series([case[0] for case in cases], dtype=pl.String), mark)
    for (_, _, *expected), row in zip(cases, rows.iter_rows(named=True), strict=True):
        assert [row["value"], row["step"], row["unit"], row["approx"]] == expected
        assert row["problem"] is None


@given(st.lists(st.one_of(st.none(), st.text(max_size=25), st.text("0123456789.,-+/ '½eE:~±hp", max_size=14)), max_size=25))
@example(["\x00", "9e999", "1/0", "1 0/2", "-", "１/２", "1e-400", "e5"])
@settings(max_examples=25, deadline=None)
def test_no_text_raises_and_each_row_has_one_outcome(texts):
    rows = parse_numerals(pl.Series(texts, dtype=pl.String), None)
    assert rows.height == len(texts)
    for row in rows.iter_rows(named=True):
        outcomes = (row["value"] is not None) + row["missing"] + (row["problem"] is not None)
        assert outcomes == 1
        if row["value"] is not None:
            assert math.isfinite(row["value"]) and row["low"] <= row["value"] <= row["high"]


@given(st.lists(st.from_regex(r"[+-]?[0-9]{1,5}[.,][0-9]{1,5}", fullmatch=True), min_size=1, max_size=6))
def test_a_bare_figure_proves_the_mark_that_it_proves_with_a_unit(figures):
    bare, with_unit = (pl.Series([figure + unit for figure in figures]) for unit in ("", " hp"))
    assert infer_decimal_mark([bare]) == infer_decimal_mark([with_unit])


@given(st.lists(st.sampled_from([*sorted(MISSING_MARKERS), "N/A ", "412", "12,5 hp", "?!", "１.5", "400-410"]), max_size=8))
def test_cells_are_read_alone_as_they_are_together(cells):
    together = parse_numerals(pl.Series(cells, dtype=pl.String), None)
    assert together.rows() == [parse_numerals(pl.Series([cell], dtype=pl.String), None).row(0) for cell in cells]
