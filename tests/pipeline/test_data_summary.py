"""The summary of the clean data: every count is that of the rows, and nothing personal enters it."""

import json
from dataclasses import asdict

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.data_evidence import MOST_CELLS, find_evidence, round_step
from pipeline.data_repeats import list_suspects, names_of
from pipeline.data_summary import summarise
from pipeline.errors import StoreProblem
from pipeline.store import read_table

HP, PSI = 0.7456998715822702, 6.894757293168361
BAD = """build,power_hp,boost_psi,induction,charge_cooling,note
Alder,150,,,,a
Alder,205,6,turbocharger,air_to_air,
Alder,see text,8,turbocharger,air_to_air,
Alder,,9,turbocharger,air_to_air,
Birch,240,,,,
Birch,330,6,centrifugal,none,
Birch,300,5,centrifugal,none,
Cedar,300,7,,,
"""
HEAD = 'title = "A <b>test</b>"\npublisher = "Test Sheet"\nlicence = "CC0-1.0"\nauthor = "A. Person"\ncontributor = "B. Person"\n'


@pytest.fixture(scope="module")
def store(make_raw, tmp_path_factory):
    """A store of one bad file, for tests that only read."""
    raw = make_raw(tmp_path_factory.mktemp("summary"))
    raw.add("one", {"f.csv": BAD}, head=HEAD)
    raw.build()
    return raw.store


@pytest.fixture(scope="module")
def summary(store):
    return summarise(store)


def test_counts_are_those_of_the_store(store, summary):
    counts = summary.counts
    assert counts["rows_read"] == 8 == counts["accepted"] + counts["refused"] + counts["repeated"]
    assert (counts["refused"], counts["builds"], counts["runs"], counts["sources"]) == (2, 3, 6, 1)
    (source,) = summary.sources
    assert (source.rows_read, source.accepted, source.refused, source.builds, source.runs) == (8, 6, 2, 3, 6)
    assert counts["flags"] == read_table(store, "flag").height == source.flags


def test_refused_rows_stand_under_each_reason_with_their_own_cells(summary):
    reasons = {line.code: line for line in summary.refused}
    unreadable = reasons["number_unreadable"]
    assert (unreadable.count, unreadable.sources, unreadable.examples[0].line) == (1, 1, 4)
    assert unreadable.examples[0].cells[0] == ("power_hp", "see text")
    assert "Correct the cell" in unreadable.help and "see text" in unreadable.examples[0].sentence
    assert reasons["power_missing"].count == 1


def test_examples_are_few_and_counts_are_whole(raw):
    rows = "".join(f"Alder,junk{n},{n + 2},turbocharger,,\n" for n in range(40))
    raw.add("one", {"f.csv": BAD + rows})
    raw.build()
    line = next(r for r in summarise(raw.store).refused if r.code == "number_unreadable")
    assert line.count == 41 and len(line.examples) == 5


def test_no_personal_field_enters_the_summary(summary):
    assert "Person" not in json.dumps(asdict(summary), default=str)


def test_missing_fields_are_counted_among_the_records_that_can_state_them(summary):
    fields = {f.name: (f.among, f.filled, f.of, f.sources) for f in summary.fields}
    assert fields["power_kw"] == ("all", 6, 6, 1)
    assert fields["induction"] == ("boosted", 3, 4, 1)
    assert fields["baseline_hardware"] == ("baseline", 0, 2, 0)
    assert fields["displacement_cc"] == ("all", 0, 3, 0)


def test_evidence_counts_boosted_runs_with_a_baseline(summary):
    evidence = summary.evidence
    assert (evidence.runs, evidence.builds, evidence.without_baseline) == (3, 2, 1)
    assert [(c.induction, c.charge_cooling, c.builds, c.runs) for c in evidence.classes] == [
        ("centrifugal", "none", 1, 2), ("turbocharger", "air_to_air", 1, 1),
    ]  # fmt: skip
    assert evidence.power_kw[0] == pytest.approx(150 * HP) and evidence.power_kw[-1] == pytest.approx(240 * HP)
    for grid in evidence.grids.values():
        assert sum(c.runs for c in grid.cells) == 3 == sum(c.runs for c in grid.all_cells)


def test_evidence_counts_a_test_once_and_borrows_a_named_baseline(raw, runs_text):
    raw.add("alder", {"runs.csv": runs_text}, head='title = "t"\npublisher = "First"\nlicence = "x"\npublished_on = 2020-01-01\n')
    raw.add(
        "zeder", {"runs.csv": runs_text}, head='title = "t"\npublisher = "Second"\nlicence = "x"\npublished_on = 2021-01-01\n'
    )
    pairs = "baseline_build,baseline_hp,boosted_build,boosted_hp,boost_psi\nCedar,210,Cedar turbo,310,6\n"
    raw.add("pairs", {"f.csv": pairs}, kind="pairs")
    raw.build()
    summary = summarise(raw.store)
    assert (summary.evidence.runs, summary.evidence.without_baseline) == (4, 0)
    assert {r.build.publisher for r in summary.repeats} == {"Second"} and sum(r.runs for r in summary.repeats) == 5
    assert {r.counted_as.publisher for r in summary.repeats} == {"First"}


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.floats(5, 3000), st.floats(0.5, 80)), min_size=1, max_size=40))
def test_every_run_falls_into_exactly_one_cell_of_round_edges(points):
    runs = pl.DataFrame(
        [
            row
            for n, (power, boost) in enumerate(points)
            for row in (
                (f"b{n}", "P", "baseline", power * HP, 0.0, None, None, None, False),
                (f"b{n}", "P", "boosted", power * HP * 1.4, boost * PSI, "turbocharger", None, None, False),
            )
        ],
        schema=["build_key", "publisher", "role", "power_kw", "boost_kpa", "induction", "charge_cooling", "baseline_build_key", "is_repeat"],
        orient="row",
    ).with_columns(pl.col("charge_cooling", "baseline_build_key").cast(pl.String))  # fmt: skip
    builds = pl.DataFrame({"build_key": [f"b{n}" for n in range(len(points))]}).with_columns(same_test_as=pl.lit(None, pl.String))
    evidence = find_evidence(runs, builds)
    for code, (power_unit, boost_unit) in {"us": (HP, PSI), "si": (1.0, 1.0)}.items():
        grid = evidence.grids[code]
        assert sum(c.runs for c in grid.all_cells) == len(points) == sum(c.builds for c in grid.all_cells)
        assert all(c.power_low_kw >= 0 and c.boost_low_kpa >= 0 for c in grid.all_cells)
        # The last cell may be one more, for a highest value on its edge.
        assert max(c.power_high_kw for c in grid.all_cells) / grid.power_step_kw <= MOST_CELLS + 1e-6
        for step in (grid.power_step_kw / power_unit, grid.boost_step_kpa / boost_unit):
            assert f"{step:.6e}"[0] in "125" and float(f"{step:.0e}") == pytest.approx(step)


@pytest.mark.parametrize(
    ("highest", "step"), [(904, 100), (25, 2), (1399, 100), (1400, 200), (0.9, 0.1), (0, 1), (float("nan"), 1)]
)
def test_round_steps(highest, step):
    assert round_step(highest) == pytest.approx(step)


def test_an_empty_store_has_a_summary(raw):
    raw.add("one", {"f.csv": "build,power_hp,boost_psi\nA,x,6\n"})
    raw.build()
    summary = summarise(raw.store)
    assert summary.evidence.runs == 0 and summary.evidence.power_kw == () and summary.counts["refused"] == 1
    assert all(grid.cells == () for grid in summary.evidence.grids.values())


def test_files_that_cannot_be_used_and_withdrawn_ones_are_named(raw, runs_text):
    raw.add("one", {"f.csv": BAD})
    raw.add("gone", {"runs.csv": runs_text})
    raw.add("broken", {}, toml="title = [")
    raw.build()
    (raw.root / "withdrawn.toml").write_text('[[withdrawn]]\nsource = "gone"\nwhy = "asked for"\n')
    raw.build()
    summary = summarise(raw.store)
    assert {(t.source, t.is_withdrawn) for t in summary.troubles} == {("broken", False), ("gone", True)}
    assert next(t.why for t in summary.troubles if t.is_withdrawn) == "asked for"
    assert summary.counts["rows_read"] == 8 and [s.source for s in summary.sources] == ["one"]


def test_suspects_lie_row_beside_row_with_the_lines_that_answer(raw, runs_text):
    raw.add("one", {"runs.csv": runs_text})
    near = "build,power_kw,boost_kpa\nBirch 3.0,179,\nBirch 3.0,246,41\nBirch 3.0,290,70\n"
    raw.add("two", {"near.csv": near}, head='title = "t"\npublisher = "Second"\nlicence = "x"\n')
    raw.build()
    summary = summarise(raw.store)
    (pair,) = summary.suspects
    assert pair.reason == "rounded" and [(r.power_kw is None, r.near_power_kw is None, r.alike) for r in pair.rows] == [
        (False, False, True), (False, False, True), (True, False, False), (False, True, False),
    ]  # fmt: skip
    key = {"one": "one|Test Sheet|Birch 3.0", "two": "two|Second|Birch 3.0"}[pair.near.source]
    assert pair.yes_line == f'same_as."Birch 3.0" = "{key}"' and pair.no_line == f'not_same."Birch 3.0" = "{key}"'


def test_a_second_answer_for_one_build_joins_the_first_in_one_line():
    from pipeline.data_records import AnswerLine

    builds = pl.DataFrame(
        {
            "build_key": ["s|P|B", "t|Q|B", "s|O|B"],
            "source": ["s", "t", "s"],
            "publisher": ["P", "Q", "O"],
            "build": ["B", "B", "B"],
        }
    )
    near = pl.DataFrame({"build_key": ["s|P|B"], "near_key": ["t|Q|B"], "reason": ["rounded"], "figures": [3], "compared": [3]})
    near = near.with_columns(alike=pl.lit(None, pl.String), ratio=pl.lit(None, pl.Float64))
    number = dict.fromkeys(("power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa"), pl.Float64)
    runs = pl.DataFrame(schema={"build_key": pl.String, "role": pl.String, "correction": pl.String, **number})
    same = pl.DataFrame(schema={"build_key": pl.String, "same_as": pl.String})
    held = (AnswerLine("s", "P|B", "u|R|B", "not_same", None),)
    (pair,) = list_suspects(near, runs, same, held, names_of(builds))
    assert pair.no_line == 'not_same."P|B" = ["u|R|B", "t|Q|B"]' and pair.yes_line == 'same_as."P|B" = "t|Q|B"'


def test_no_store(tmp_path):
    with pytest.raises(StoreProblem, match="no store"):
        summarise(tmp_path / "none.duckdb")
