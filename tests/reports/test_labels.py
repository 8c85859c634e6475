"""Contributed text and addresses before they reach a page."""

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.labels import COOLING, LONGEST_NAME, clean_text, safe_url, word_for


@settings(deadline=None)
@given(st.text())
def test_clean_text_is_one_short_line_without_hidden_characters(text):
    clean = clean_text(text)
    assert len(clean) <= LONGEST_NAME
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for c in clean)


def test_clean_text_keeps_words_of_other_scripts():
    assert clean_text("\u202eHalden\u202c  V8\n\u99ac\u529b") == "Halden V8 \u99ac\u529b"


@pytest.mark.parametrize("url", ["https://example.org/a?b=1", "http://example.org"])
def test_plain_addresses_pass(url):
    assert safe_url(url) == url


@pytest.mark.parametrize(
    "url",
    ["", None, "javascript:alert(1)", " https://x.org", "JaVaScRiPt:1", "data:text/html,x", "https://", "http://[",
     "//x.org", "https://x.org/\">", "file:///etc"],
)  # fmt: skip
def test_other_addresses_do_not(url):
    assert safe_url(url) is None


def test_unknown_codes_are_still_words():
    assert word_for("air_to_oil", COOLING) == "air to oil"
    assert word_for(None, COOLING) == "cooling not stated"
