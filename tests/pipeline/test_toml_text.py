"""TOML that is written reads back equal, whatever strangers put into it; a single key is changed without touching the rest."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import RequestProblem
from pipeline.toml_text import edit_source_text, key_literal, source_text, text_literal, value_literal

TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
VALUES = st.one_of(
    TEXTS, st.booleans(), st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False, allow_infinity=False), st.dates()
)
HOSTILE = [
    '"',
    "\\",
    '"""',
    "'''",
    "a\nb",
    "a\r\nb",
    "\x00\x01\x7f\x85\u2028",
    "]]\n[[file]]",
    "# no comment",
    "= {",
    "\ufeff",
    "𝟘",
    "\u202e",
]

BY_HAND = """# how this source came to us
title     = "Twelve engines"   # as printed
publisher = "Example Motor Review"
licence   = "CC-BY-4.0"

# the first file
[[file]]
name   = "engines.csv"
kind   = "runs"
sha256 = "aa"
# the second one came later
[[file]]
name = "more.csv"
headers = { "Motor" = "build" }
"""


@settings(deadline=None, max_examples=60)
@given(TEXTS)
def test_any_text_reads_back_equal_as_value_and_as_key(text):
    assert tomllib.loads(f"a = {text_literal(text)}") == {"a": text}
    assert tomllib.loads(f"{key_literal(text)} = 1") == {text: 1}


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_reads_back_equal(text):
    described = {"title": text, "file": [{"name": text, "headers": {text: text}, "constants": {text: text}}]}
    assert tomllib.loads(source_text(described)) == described


@settings(deadline=None, max_examples=60)
@given(
    st.dictionaries(TEXTS.filter(lambda k: k != "file"), VALUES, max_size=4),
    st.lists(st.dictionaries(TEXTS, VALUES, max_size=3), max_size=3),
)
def test_any_description_reads_back_equal(head, files):
    described = head | {"file": files}
    found = tomllib.loads(source_text(described))
    assert found == (described if files else head)


def test_half_a_character_is_refused_with_a_sentence():
    with pytest.raises(RequestProblem, match="broken character"):
        text_literal("a\ud800b")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None, object()])
def test_what_toml_cannot_hold_is_refused(value):
    with pytest.raises(RequestProblem, match="cannot stand"):
        value_literal(value)


def test_one_key_changes_and_comments_stay():
    new = tomllib.loads(BY_HAND)
    new["file"][0]["sha256"] = "bb"
    new["file"][1]["sha256"] = "cc"
    new["published_on"] = date(2024, 5, 1)
    text, kept = edit_source_text(BY_HAND, new)
    assert kept and tomllib.loads(text) == new
    for comment in ("# how this source", "# as printed", "# the first file", "# the second one came later"):
        assert comment in text
    changed = set(text.splitlines()) - set(BY_HAND.splitlines())
    assert len(changed) == 3


def test_a_file_is_added_at_the_end_and_an_unchanged_text_stays_as_it_is():
    assert edit_source_text(BY_HAND, tomllib.loads(BY_HAND)) == (BY_HAND, True)
    new = tomllib.loads(BY_HAND)
    new["file"].append({"name": "third.csv", "headers": {'a"b': "build"}})
    text, kept = edit_source_text(BY_HAND, new)
    assert kept and tomllib.loads(text) == new and text.startswith(BY_HAND.rstrip())


@pytest.mark.parametrize(
    "by_hand",
    [
        'title = """\n[[file]]\nsha256 = "x"\n"""\n[[file]]\nname = "a"\nsha256 = "x"\n',
        'title = "t"\nfile = [ { name = "a", sha256 = "x" } ]\n',
        'title = "t"\n[[file]]\nname = "a"\nsha256 = "x"\n[file.headers]\na = "build"\n',
    ],
)
def test_unusual_layouts_never_change_what_is_said(by_hand):
    new = tomllib.loads(by_hand)
    new["file"][0]["sha256"] = "y"
    new["file"][0]["headers"] = {"b": "boost_psi"}
    text, _ = edit_source_text(by_hand, new)
    assert tomllib.loads(text) == new
