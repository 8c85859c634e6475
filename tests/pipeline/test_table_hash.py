"""The content hash of a table: what changes it, what does not, and that it is the one written down."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import struct

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RequestProblem
from pipeline.table_hash import hash_table, hash_tables, mark_table

REASON = pl.List(pl.Struct({"code": pl.String, "column": pl.String}))
SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "key": pl.String, "note": pl.String, "power_kw": pl.Float64, "line": pl.Int64, "day": pl.Date, "open": pl.Boolean,
    "parts": pl.List(pl.String), "reasons": REASON,
}  # fmt: skip
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=6)
REASONS = st.lists(st.fixed_dictionaries({"code": st.none() | TEXT, "column": st.none() | TEXT}), max_size=2)
CELLS = {
    "key": TEXT, "note": TEXT, "power_kw": st.floats(allow_nan=False), "line": st.integers(-(2**63), 2**63 - 1), "day": st.dates(), "open": st.booleans(),
    "parts": st.lists(TEXT, max_size=3), "reasons": REASONS,
}  # fmt: skip
ROWS = st.lists(st.tuples(*(st.none() | cell for cell in CELLS.values())), max_size=6)
NAMES = list(SCHEMA)


def table(rows, schema=None) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=schema or SCHEMA, orient="row")


def same(one, other) -> bool:
    """Equal cells, numbers by their bits."""
    if isinstance(one, float) and isinstance(other, float):
        return struct.pack("<d", one) == struct.pack("<d", other)
    return type(one) is type(other) and one == other


@given(ROWS, st.randoms(use_true_random=False))
def test_order_of_rows_and_columns_and_cuts_make_no_difference(rows, random) -> None:
    mixed, names = random.sample(rows, len(rows)), random.sample(NAMES, len(NAMES))
    frame = table(mixed).select(names)
    cut = random.randint(0, len(rows))
    assert hash_table(frame) == hash_table(table(rows))
    assert mark_table([frame[:cut], frame[cut:]]) == mark_table([table(rows)])


@given(ROWS.filter(bool), st.data())
def test_any_changed_cell_changes_it(rows, data) -> None:
    at, name = data.draw(st.integers(0, len(rows) - 1)), data.draw(st.sampled_from(NAMES))
    place = NAMES.index(name)
    value = data.draw((st.none() | CELLS[name]).filter(lambda v: not same(v, rows[at][place])))
    changed = [(*row[:place], value, *row[place + 1 :]) if number == at else row for number, row in enumerate(rows)]
    assert hash_table(table(changed)) != hash_table(table(rows))


@given(ROWS.filter(bool), st.data())
def test_a_lost_and_a_doubled_row_change_it(rows, data) -> None:
    row = data.draw(st.sampled_from(rows))
    whole = hash_table(table(rows))
    assert hash_table(table([*rows, row])) != whole
    assert hash_table(table([*rows, row, row])) not in (whole, hash_table(table([*rows, row])))
    shorter = list(rows)
    shorter.remove(row)
    assert hash_table(table(shorter)) != whole


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"a": [None, "x"]}, {"a": ["", "x"]}),
        ({"a": [0.0]}, {"a": [-0.0]}),
        ({"a": [0.1 + 0.2]}, {"a": [0.3]}),
        ({"a": [float("nan"), 1.0]}, {"a": [None, 1.0]}),
        ({"a": [1]}, {"a": [1.0]}),
        ({"a": [1]}, {"a": [True]}),
        ({"a": ["1"]}, {"a": [1]}),
        ({"a": [0]}, {"a": [dt.date(1970, 1, 1)]}),
        ({"a": [None, 1.0]}, {"a": [0.0, 1.0]}),
        ({"a": ["x"]}, {"b": ["x"]}),
        ({"a": ["x"], "b": ["y"]}, {"a": ["y"], "b": ["x"]}),
        ({"a": ["xy"], "b": [""]}, {"a": ["x"], "b": ["y"]}),
        ({"a": ["x", ""], "b": [None, ""]}, {"a": [None, ""], "b": ["x", ""]}),
        ({"a": ["x"]}, {"a": ["x"], "b": ["x"]}),
        ({"a": [["x", "y"]]}, {"a": [["y", "x"]]}),
        ({"a": [["x,y"]]}, {"a": [["x", "y"]]}),
        ({"a": ['["x"]']}, {"a": [["x"]]}),
        ({"a": [["x"], []]}, {"a": [["x"], None]}),
        ({"a": ["é"]}, {"a": ["e\u0301"]}),
    ],
)
def test_what_looks_alike_is_told_apart(one, other) -> None:
    assert hash_table(pl.DataFrame(one)) != hash_table(pl.DataFrame(other))


def test_an_empty_table_is_known_by_its_columns() -> None:
    empty = [pl.DataFrame(schema={"a": pl.String}), pl.DataFrame(schema={"a": pl.Int64}), pl.DataFrame(schema={"b": pl.String})]
    assert len({hash_table(e) for e in empty}) == 3
    assert mark_table(empty[:1]).rows == 0 and mark_table(empty[:1]).columns == ("a",)


def test_the_form_is_the_one_described() -> None:
    """The bytes made by hand: a change of the form would make every hash ever exported a wrong one."""
    frame = pl.DataFrame({"power_kw": [150.5, None], "build": ["Alder", None], "line": [3, -1], "parts": [["a", "b"], None]})
    rows = []
    for text, line, parts, power in (("Alder", 3, '["a","b"]', 150.5), (None, -1, None, None)):
        cells = [
            struct.pack("<BQ", text is not None, len(text or "")), struct.pack("<Bq", 1, line),
            struct.pack("<BQ", parts is not None, len(parts or "")), struct.pack("<Bd", power is not None, power or 0.0),
        ]  # fmt: skip
        rows.append(b"".join(cells) + (text or "").encode() + (parts or "").encode())
    total = sum(int.from_bytes(hashlib.blake2b(row).digest(), "little") for row in rows)
    columns = [["build", "text"], ["line", "integer"], ["parts", "list of text"], ["power_kw", "number"]]
    head = json.dumps(["poundworth table 1", columns, 2, f"{total:x}"], separators=(",", ":"))
    assert hash_table(frame) == hashlib.sha256(head.encode()).hexdigest()
    # kept from the day that this was written
    assert hash_table(frame) == "d342bf82c86627b821299683c6ace05b4abc92dae89f1215a8f394eed3f88970"


def test_a_sum_beyond_any_one_word_is_exact() -> None:
    frame = pl.DataFrame({"a": ["x"] * 100_000})
    (digest,) = {hashlib.blake2b(struct.pack("<BQ", 1, 1) + b"x").digest()}
    total = 100_000 * int.from_bytes(digest, "little")
    head = json.dumps(["poundworth table 1", [["a", "text"]], 100_000, f"{total:x}"], separators=(",", ":"))
    assert hash_table(frame) == hashlib.sha256(head.encode()).hexdigest()


@given(ROWS)
def test_parquet_and_duckdb_carry_it(tmp_path_factory, rows) -> None:
    frame = table(rows)
    path = tmp_path_factory.mktemp("hash") / "t.parquet"
    pq.write_table(frame.to_arrow(), path)
    assert hash_table(pl.DataFrame(pl.from_arrow(pq.ParquetFile(path).read()))) == hash_table(frame)
    with duckdb.connect() as con:
        con.register("incoming", frame)
        con.execute("CREATE TABLE held AS SELECT * FROM incoming")
        assert hash_table(con.sql("SELECT * FROM held ORDER BY ALL DESC").pl()) == hash_table(frame)


def test_what_cannot_be_hashed_is_said() -> None:
    with pytest.raises(RequestProblem, match="column a is of type Datetime.*cast it"):
        hash_table(pl.DataFrame({"a": [dt.datetime(2026, 1, 1)]}))
    with pytest.raises(RequestProblem, match="same columns"):
        mark_table([pl.DataFrame({"a": [1]}), pl.DataFrame({"b": [1]})])
    with pytest.raises(RequestProblem, match="without a single batch"):
        mark_table([])


def test_one_hash_for_all_tables_depends_on_each_and_its_name() -> None:
    told = {"run": "a" * 64, "build": "b" * 64}
    assert hash_tables(told) == hash_tables(dict(reversed(told.items())))
    others = [{**told, "run": "c" * 64}, {"run": "b" * 64, "build": "a" * 64}, {"run": "a" * 64}, {**told, "flag": "c" * 64}]
    assert len({hash_tables(o) for o in [told, *others]}) == 5
