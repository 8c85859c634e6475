"""What passes the gate in one look is what pandera finds nothing in."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import schemas
from pipeline.fields import fields_of

KEYS = {
    "run": {
        "run_key": ["a", "b", "c"],
        "build_key": ["x", "x", "y"],
        "role": ["baseline", "boosted", "throttled"],
        "line": [1, 2, 3],
    },
    "build": {"build_key": ["x", "y", "z"]},
    "sweep_point": {"run_key": ["a", "a", "b"], "line": [1, 2, 3]},
}


def inside(field):
    """A value that every rule of a field allows."""
    if field.kind in ("number", "integer"):
        low, high = field.possible or (1.0, 3.0)
        value = low + (high - low) / 2
        return int(value) if field.kind == "integer" else value
    return {"text": "words", "code": field.codes[0] if field.codes else "a", "flag": True, "date": None}[field.kind]


def sound(table):
    columns = {
        f.name: pl.Series([inside(f)] * 3, dtype=schemas._DTYPE[f.kind])
        for f in fields_of(table)
        if not (table == "build" and f.name == "publisher")
    }
    return pl.DataFrame({**columns, **{n: pl.Series(v, dtype=schemas._KEY_COLUMNS[table][n]) for n, v in KEYS[table].items()}})


NUMBERS = st.one_of(st.sampled_from([0.0, -1.0, float("nan"), float("inf"), -1e9, 1e9]), st.floats(-1e4, 1e4))


def odd_values(field, draw):
    if field is None or field.kind in ("text", "code"):
        return draw(st.sampled_from([None, "a", "x", "baseline", "no such code"]))
    if field.kind == "number":
        low, high = field.possible or (0.0, 1.0)
        return draw(st.one_of(st.none(), NUMBERS, st.sampled_from([low, high, low - 1e-9, high + 1e-9])))
    return draw(st.one_of(st.none(), st.integers(-5, 5_000))) if field.kind == "integer" else None


@pytest.mark.slow
@pytest.mark.parametrize("table", ["run", "build", "sweep_point"])
@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_one_look_agrees_with_pandera(table, data):
    frame = sound(table)
    fields = {f.name: f for f in fields_of(table)}
    for name in data.draw(st.lists(st.sampled_from(frame.columns), max_size=2)):
        what = data.draw(st.sampled_from(["value", "value", "value", "type", "gone"]))
        if what == "gone" or name not in frame.columns:
            frame = frame.drop(name, strict=False)
        elif what == "type":
            frame = frame.with_columns(pl.lit(data.draw(st.sampled_from([1.5, "1.5", None, 7]))).alias(name))
        else:
            place = data.draw(st.integers(0, 2))
            values = frame[name].to_list()
            values[place] = odd_values(None if name in KEYS[table] and name != "line" else fields.get(name), data.draw)
            frame = frame.with_columns(pl.Series(name, values, dtype=frame[name].dtype, strict=False))
    assert schemas.is_sound(frame, table) == schemas.failing_codes(frame, table).is_empty()


@pytest.mark.parametrize("table", ["run", "build", "sweep_point"])
def test_a_sound_frame_is_sound_and_a_repeated_key_is_not(table):
    frame = sound(table)
    assert schemas.is_sound(frame, table)
    first = frame.columns[-len(KEYS[table])]
    again = frame.with_columns(pl.lit(frame[first][0]).alias(first))
    assert schemas.is_sound(again, table) == schemas.failing_codes(again, table).is_empty() == (table == "sweep_point")
