import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.spreadsheet_text import guard_text, unguard_text


def guarded(text: str) -> str:
    return pl.DataFrame({"t": [text]}).select(guard_text(pl.col("t"))).item()


@pytest.mark.parametrize(
    "text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", " =1", "＝1+1", "\r=1", "-(1)", "'=1", "\u200b=1", "\tx"]
)
def test_a_formula_gets_an_apostrophe(text: str) -> None:
    assert guarded(text) == "'" + text


@pytest.mark.parametrize("text", ["", "Alder 2.0", "-5", "+5.5", "-1,250.0", "5-6", "a=b", "'quoted'", "it's", "#3 mule"])
def test_other_text_stays(text: str) -> None:
    assert guarded(text) == text


@settings(max_examples=40, deadline=None)
@given(st.lists(st.one_of(st.none(), st.text(alphabet="'=+-@ \t\r\n1a＝\u200b", max_size=8), st.text(max_size=12)), min_size=1))
def test_the_guard_can_be_undone_and_leaves_no_formula(texts: list[str | None]) -> None:
    frame = pl.DataFrame({"t": pl.Series(texts, dtype=pl.String)})
    safe = frame.select(guard_text(pl.col("t")))
    assert safe.select(unguard_text(pl.col("t")))["t"].to_list() == texts
    for text in safe["t"].drop_nulls():
        bare = text.lstrip()
        assert not bare.startswith(("=", "@", "＝", "＠")) and not text.startswith(("\t", "\r", "\n"))
        assert not bare.startswith(("+", "-", "＋", "－")) or bare[1:].replace(",", "").replace(".", "").isdigit()
