"""Two versions of a table: each row is added, removed, changed or the same, whatever its place."""

from __future__ import annotations

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.row_changes import compare_tables, say_changes

ROWS = st.lists(st.tuples(st.sampled_from("ABC"), st.sampled_from(["1", "2", None]), st.sampled_from(["x", "y"])), max_size=12)


def table(rows, columns=("build", "power", "note")):
    frame = pl.DataFrame(rows, schema=dict.fromkeys(columns, pl.String), orient="row")
    return frame.with_row_index("line", offset=2).cast({"line": pl.Int64})


def test_added_removed_and_changed_rows_are_told_apart_by_their_names():
    old = table([("Alder", "150", "a"), ("Birch", "240", "b"), ("Cedar", "90", "c")])
    new = table([("Cedar", "90", "c"), ("Alder", "155", "a"), ("Dogwood", "300", "d")])
    found = compare_tables(old, new)
    assert (found.added, found.removed, found.same) == ((4,), (3,), 1)
    assert [(c.line, c.cells) for c in found.changed] == [(3, (("power", "150", "155"),))]
    assert say_changes(found)[0] == "1 row added, 1 row removed, 1 row changed; 1 as before."
    assert "  line 3: power: 150 -> 155" in say_changes(found)


def test_a_moved_row_is_no_change_and_a_repeated_one_is_an_added_row():
    old = table([("A", "1", "x"), ("B", "2", "y")])
    assert compare_tables(old, table([("B", "2", "y"), ("A", "1", "x")])).is_empty
    assert compare_tables(old, table([("A", "1", "x"), ("B", "2", "y"), ("B", "2", "y")])).added == (4,)


def test_tables_without_a_common_column_have_no_row_in_common():
    found = compare_tables(table([("A", "1", "x")]), table([("1", "2", "3"), ("4", "5", "6")], ("p", "q", "r")))
    assert (len(found.added), len(found.removed), found.same) == (2, 1, 0)


def test_headers_that_are_patterns_are_only_names():
    columns = ("^.*$", "*", "build")
    found = compare_tables(table([("A", "1", "x")], columns), table([("A", "2", "x")], columns))
    assert found.changed[0].cells == (("*", "1", "2"),)


def test_new_and_lost_columns_are_named():
    old, new = table([("A", "1", "x")]), table([("A", "1", "6")], ("build", "power", "boost"))
    found = compare_tables(old, new)
    assert (found.columns_added, found.columns_removed) == (("boost",), ("note",))
    assert not found.is_empty and found.same == 1
    assert "No row differs." not in say_changes(found)


@settings(deadline=None, max_examples=60)
@given(ROWS, ROWS)
def test_every_row_ends_in_exactly_one_place(before, after):
    found = compare_tables(table(before), table(after))
    assert found.same + len(found.added) + len(found.changed) == len(after)
    assert found.same + len(found.removed) + len(found.changed) == len(before)
    assert found.is_empty == (sorted(map(str, before)) == sorted(map(str, after)))
