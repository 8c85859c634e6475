"""Finding tables in grids: headers, units, totals, notes, several tables; every row ends in exactly one place."""

import re

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import FileProblem
from pipeline.grid import EXAMPLE_MARK, find_tables
from pipeline.text_grid import Grid

KNOWN = {"build", "power", "power_hp", "boost", "rpm", "torque", "ladedruck", "leistung", "fuel"}


def knows(text):
    return re.split(r"[ (\[\n]", text.strip().lower())[0] in KNOWN


def grid_of(*rows, first_line_is_header=False, lines=None):
    width = max(len(row) for row in rows)
    filled = [tuple(cell or None for cell in row) + (None,) * (width - len(row)) for row in rows]
    cells = pl.DataFrame(filled, schema={f"c{i}": pl.String for i in range(width)}, orient="row")
    line = pl.Series("line", lines or range(1, len(rows) + 1), dtype=pl.Int64)
    return Grid(cells.insert_column(0, line), "S", "workbook", {"sheet": "S"}, first_line_is_header)


def one(*rows, **more):
    (table,) = find_tables(grid_of(*rows), knows, **more)
    return table


def test_a_plain_table():
    table = one(("Build", "Power (hp)"), ("A", "400"), ("B", "410"))
    assert (table.headers, table.units, table.header_line) == (("Build", "Power (hp)"), (None, None), 1)
    assert table.cells.rows() == [(2, "A", "400"), (3, "B", "410")]
    assert (table.sheet, table.form, table.blank_lines, table.title_lines, table.unit_line) == ("S", "workbook", 0, (), None)


def test_titles_blank_rows_units_and_an_unnamed_column():
    table = one(
        ("", "Power and boost of twelve engines"),
        (),
        ("", "spring, room 2"),
        ("", "Build", "", "Power", "Boost"),
        ("", "", "", "(hp)", "[psi]"),
        ("", "A", "first", "400", "0"),
        (),
        ("", "A", "", "500", "6"),
    )
    assert table.headers == ("Build", "", "Power", "Boost")
    assert table.units == (None, None, "hp", "psi")
    assert (table.header_line, table.unit_line, table.title_lines, table.blank_lines) == (4, 5, (1, 3), 2)
    assert table.cells.rows() == [(6, "A", "first", "400", "0"), (8, "A", None, "500", "6")]
    assert table.notes == {"sheet": "S", "title": "Power and boost of twelve engines\nspring, room 2"}


@pytest.mark.parametrize(
    ("row", "units"),
    [
        (("-", "hp", "psi"), (None, "hp", "psi")), (("text", "kW", "bar"), (None, "kW", "bar")),
        (("", "[PS]", "(bar)"), (None, "PS", "bar")),
        (("A", "hp", "psi"), None), (("A", "400", "6"), None),
        (("", "", "6"), None), (("-", "-", "-"), None), (("A", "none", "petrol"), None),
    ],
)  # fmt: skip
def test_a_row_of_units_is_told_from_data(row, units):
    table = one(("Build", "Power", "Boost"), row, ("B", "410", "8"))
    assert table.units == (units or (None, None, None))
    assert table.cells.height == (1 if units else 2)


@pytest.mark.parametrize(
    "label",
    ["Total", "TOTALS:", "Average", "Average of 6", "Avg.", "Mean (n=6)", "Std. Dev.", "Mittelwert", "Summe", "Moyenne",
     "Écart-type", "合計", "平均", "Итого", "Max", "min"],
)  # fmt: skip
def test_totals_are_set_apart(label):
    table = one(("Build", "Power"), ("A", "400"), ("B", "410"), (label, "810"))
    assert table.cells["c0"].to_list() == ["A", "B"]
    assert table.totals.rows() == [(4, label, "810")]


@pytest.mark.parametrize(
    "name", ["Total Seal build", "Meanwhile", "Maximum Attack", "Summer car", "Averagely tuned", "Min Max", "Max"]
)
def test_a_name_that_looks_like_a_total_is_a_row(name):
    table = one(("Build", "Power"), ("A", "400"), (name, "405"), ("B", "410"))
    assert table.cells["c0"].to_list() == ["A", name, "B"]
    assert table.totals.height == 0


def test_subtotals_inside_a_table_are_totals():
    table = one(("Build", "Power"), ("A", "400"), ("Average", "400"), ("B", "410"))
    assert table.totals["line"].to_list() == [3]


def test_comments_examples_and_repeated_headers_are_no_rows():
    table = one(
        ("# exported 2024",),
        ("Build", "Power", "Boost"),
        ("A", "400", "0"),
        ("# a remark", "with a comma"),
        ("#lone",),
        ("#3 mule", "410", "6"),
        (" build", "POWER ", "Boost"),
        (EXAMPLE_MARK, "1", "2"),
        ("X", "1", EXAMPLE_MARK.upper()),
        ("#12", "420", "8"),
    )
    assert table.cells["c0"].to_list() == ["A", "#3 mule", "#12"]
    assert (table.title_lines, table.comment_lines, table.repeated_header_lines, table.example_lines) == (
        (1,),
        (4, 5),
        (7,),
        (8, 9),
    )


def test_a_header_behind_a_comment_mark_is_a_header():
    table = one(("# rpm", "power", "torque"), ("2000", "100", "300"))
    assert table.headers == ("rpm", "power", "torque")


def test_footnotes_are_kept_as_text():
    table = one(
        ("Build", "Power", "Boost"),
        ("A", "400", "0"),
        (),
        ("B",),
        ("C", "410", "6"),
        (),
        ("* corrected",),
        ("", "by the book"),
    )
    assert table.notes["footnote"] == "* corrected\nby the book"
    assert table.footnote_lines == (7, 8)
    assert table.cells["c0"].to_list() == ["A", "B", "C"]


def test_a_lone_number_is_a_row():
    table = one(("Build", "Power", "Boost"), ("A", "400", "0"), (), ("", "410"))
    assert table.cells["line"].to_list() == [2, 4]


def test_a_row_of_one_cell_right_below_the_data_stays_a_row():
    assert one(("Build", "Power", "Boost"), ("A", "400", "0"), ("B",)).cells["c0"].to_list() == ["A", "B"]


def test_tables_under_each_other_are_told_apart():
    tables = find_tables(
        grid_of(
            ("Engine A",),
            ("rpm", "power"),
            ("2000", "100"),
            (),
            (),
            ("Engine B",),
            ("rpm", "torque", "boost"),
            ("", "N m", "kPa"),
            ("2000", "300", "40"),
            (),
            ("rpm", "power"),
            ("3000", "150"),
        ),
        knows,
    )
    assert [table.headers for table in tables] == [("rpm", "power"), ("rpm", "torque", "boost"), ("rpm", "power")]
    assert [table.notes.get("title") for table in tables] == ["Engine A", "Engine B", None]
    assert [table.header_line for table in tables] == [2, 7, 11]
    assert [table.cells["line"].to_list() for table in tables] == [[3], [9], [12]]
    assert tables[1].units == (None, "N m", "kPa")


def test_data_below_a_blank_row_is_no_new_table():
    table = one(("Build", "Power", "fuel"), ("A", "400", "petrol"), (), ("power", "410", "boost"), ("fuel", "420", "x"))
    assert table.cells["line"].to_list() == [2, 4, 5]


def test_the_best_row_is_taken_where_few_headers_are_known():
    assert one(("Messung Mai",), ("Motor", "Leistung PS", "Druck"), ("A", "400", "0,4")).header_line == 2
    assert one(("Motor", "PS", "Druck"), ("A", "400", "0,4"), ("B", "410", "0,5")).header_line == 1
    assert one(("power_hp",), ("400",)).header_line == 1


def test_levels_as_bare_numbers_may_stand_in_the_header():
    assert one(("Build", "Power", "6", "8", "10"), ("A", "400", "500", "540", "580")).header_line == 1


def test_a_sheet_without_a_header_has_no_table():
    assert find_tables(grid_of(("1", "2"), ("3", "4")), knows) == []
    assert find_tables(grid_of(("Read me first",), ("thank you",)), knows) == []
    assert find_tables(grid_of(("",), ("",)), knows) == []


def test_a_stated_header_line_wins():
    assert one(("Build", "Power"), ("Motor", "PS"), ("A", "400"), header_line=2).headers == ("Motor", "PS")


@pytest.mark.parametrize("line", [2, 9, 0])
def test_a_stated_header_line_that_is_blank_is_named(line):
    with pytest.raises(FileProblem, match=f"header line {line} is stated, sheet 'S' has lines 1 to 3.*header_line"):
        one(("Build", "Power"), (), ("A", "400"), header_line=line)


def test_named_columns_need_no_search():
    grid = grid_of(("x", "y"), ("build", "power"), ("hp", "psi"), ("A", "1"), first_line_is_header=True, lines=[0, 1, 2, 3])
    (table,) = find_tables(grid, knows)
    assert (table.headers, table.header_line, table.cells.height) == (("x", "y"), 0, 3)


def test_a_header_is_asked_about_once():
    asked = []
    find_tables(grid_of(("Build", "Power"), *[("A", "400"), ()] * 40), lambda text: asked.append(text) or knows(text))
    assert len(asked) <= 8


any_cell = st.sampled_from(
    ["", "", "Build", "Power", "Boost", "A", "B", "400", "6.5", "hp", "psi", "Total", "Max", "# note", EXAMPLE_MARK, "*x"]
)


@given(st.lists(st.lists(any_cell, min_size=1, max_size=4), min_size=1, max_size=14))
@settings(max_examples=25, deadline=None)
def test_every_row_ends_in_exactly_one_place(rows):
    tables = find_tables(grid_of(*rows), knows)
    if not tables:
        return
    placed, blank = [], 0
    for table in tables:
        placed += [*table.cells["line"], *table.totals["line"], *table.title_lines, *table.comment_lines, *table.example_lines]
        placed += [*table.repeated_header_lines, *table.footnote_lines, table.header_line]
        placed += [] if table.unit_line is None else [table.unit_line]
        blank += table.blank_lines
        assert len(table.headers) == len(table.units) == table.cells.width - 1 == table.totals.width - 1
    assert sorted(placed) == [line for line, row in enumerate(rows, start=1) if any(row)]
    assert blank == sum(not any(row) for row in rows)
