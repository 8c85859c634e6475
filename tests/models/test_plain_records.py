"""Records as plain dictionaries are what the standard library gives."""

from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from models.plain_records import to_plain


@dataclass(frozen=True, slots=True)
class Leaf:
    value: Any
    why: str | None = None


@dataclass
class Branch:
    leaves: tuple[Any, ...] = ()
    named: dict[str, Any] = field(default_factory=dict)


LEAVES = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text() | st.dates()
RECORDS = st.recursive(
    LEAVES | st.builds(Leaf, LEAVES, st.none() | st.text()),
    lambda inner: st.builds(Branch, st.lists(inner).map(tuple), st.dictionaries(st.text(), inner)) | st.lists(inner),
    max_leaves=20,
)


@given(RECORDS)
def test_they_are_those_of_asdict(made):
    assert to_plain(Leaf(made)) == asdict(Leaf(made))


def test_tuples_stay_tuples_and_records_alone_are_taken_apart():
    day = date(2026, 3, 14)
    assert to_plain((Leaf(1.0), [Leaf(day)], {"a": (Leaf("b"),)}, Leaf)) == (
        {"value": 1.0, "why": None}, [{"value": day, "why": None}], {"a": ({"value": "b", "why": None},)}, Leaf,
    )  # fmt: skip
