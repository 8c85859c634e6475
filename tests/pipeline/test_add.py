"""From a contributed file to a source: what would be written, what is asked, what an edited file changes."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import replace
from datetime import date

import pytest
import xlsxwriter

from pipeline.add import draft_source, held_repairs, stored_changes, write_contribution
from pipeline.add_answers import code_constant, take_answer
from pipeline.add_questions import open_questions, set_unknown_units_aside, suggestion_questions
from pipeline.build import build
from pipeline.contribution import Wishes, read_contribution, what_changed
from pipeline.errors import FileProblem, RequestProblem
from pipeline.sources import read_source
from pipeline.store import read_table
from pipeline.trial import say_trial, suspect_columns, try_reading

TODAY = date(2024, 6, 12)
TOLD = {"title": "Spring tests", "publisher": "Quillfen Bench", "licence": "CC0-1.0"}
TABLE = """Engine,Displacement,Power (hp),Boost psi,Fuel press
Alder,2.0,150,,4
Alder,2.0,205,6,4
Birch,3.0,240,,4
Birch,3.0,330,6,4
"""
SIZED = Wishes(described=TOLD, headers={"Displacement": "displacement_l"})


@pytest.fixture
def contributed(tmp_path):
    """Write a contributed file and read it with some wishes."""

    def made(text=TABLE, wishes=SIZED, name="mine.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_contribution(path, wishes, tmp_path / "raw")

    return made


def keys(draft):
    return [q.key for q in open_questions(draft)]


def trial_of(given, draft):
    return try_reading(draft.checked(given.path.parent), held_repairs(given), TODAY)


def workbook(path, sheets):
    with xlsxwriter.Workbook(path) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for i, row in enumerate(rows):
                sheet.write_row(i, 0, row)
    return path.read_bytes()


# -- the draft ----------------------------------------------------------------------------------------------------------


def test_a_whole_source_is_written_and_builds_without_another_word(contributed, tmp_path):
    given = contributed()
    draft = draft_source(given, SIZED, TODAY)
    folder = write_contribution(given, draft)
    assert folder.name == "quillfen_bench_spring_tests"
    said = tomllib.loads((folder / "source.toml").read_text())
    assert {k: said[k] for k in TOLD} == TOLD
    assert said["received_on"] == TODAY
    assert said["file"] == [
        {
            "name": "mine.csv", "kind": "runs", "sha256": hashlib.sha256(TABLE.encode()).hexdigest(),
            "headers": {"Displacement": "displacement_l"},
        }
    ]  # fmt: skip
    assert (folder / "mine.csv").read_text() == TABLE
    summary = build(tmp_path / "raw", tmp_path / "s.duckdb")
    assert (summary.count("accepted"), summary.builds) == (4, 2)
    assert not {"not_pinned", "kind_guessed"} & {f["code"] for f in summary.flags}


def test_the_trial_says_what_the_build_then_does(contributed, tmp_path):
    wrong = TABLE + "Cedar,2.5,,,\nDogwood,2.5,-3,,\n"
    given = contributed(wrong)
    draft = draft_source(given, SIZED, TODAY)
    trial = trial_of(given, draft)
    write_contribution(given, draft)
    summary = build(tmp_path / "raw", tmp_path / "s.duckdb")
    assert (trial.rows_read, trial.accepted, len(trial.refused)) == (6, 4, 2)
    assert [summary.count(n) for n in ("rows_read", "accepted", "refused")] == [6, 4, 2]
    stored = read_table(tmp_path / "s.duckdb", "refused")
    assert [r.line for r in trial.refused] == stored["line"].to_list() == [6, 7]
    assert [c for r in trial.refused for c, _, _ in r.reasons] == [r["code"] for rs in stored["reasons"] for r in rs]
    lines = say_trial(trial, is_in=True)
    assert lines[0].startswith("6 rows read: 4 are in, making 4 runs (2 unboosted, 2 boosted), 2 builds; 2 were refused because:")
    assert any("line 6" in text and "no power figure" in text for text in lines)


def test_nothing_is_asked_that_the_file_or_the_options_tell(contributed):
    given = contributed()
    assert keys(draft_source(given, SIZED, TODAY)) == ["correction", "measured_at"]
    assert keys(draft_source(given, Wishes(), TODAY)) == [
        "unit Displacement",
        "title",
        "publisher",
        "licence",
        "correction",
        "measured_at",
    ]
    told = "build,SAE J1349 whp,boost psi\nA,300,\nA,400,6\n"
    assert keys(draft_source(contributed(told), Wishes(described=TOLD), TODAY)) == []
    column = "build,power_hp,measured_at,correction\nA,300,crank,din\n"
    assert keys(draft_source(contributed(column), Wishes(described=TOLD), TODAY)) == []


def test_units_in_the_cells_are_stated_units(contributed):
    given = contributed("build,power,boost\nA,300 hp,\nA,400 hp,6 psi\n")
    assert not [k for k in keys(draft_source(given, Wishes(described=TOLD), TODAY)) if k.startswith("unit")]
    given = contributed("build,power,boost\nA,300 hp,\nA,400,6 psi\n")
    assert [k for k in keys(draft_source(given, Wishes(described=TOLD), TODAY)) if k.startswith("unit")] == ["unit power"]


@pytest.mark.parametrize(
    ("headers", "kind", "asked"),
    [
        ("build,NA,6 psi,8 psi", "levels", ["unit NA", "unit 6 psi", "unit 8 psi"]),
        ("build,NA hp,6 psi,8 psi", "levels", []),
        ("build,before power,after power,part", "changes", ["unit before power", "unit after power"]),
        ("build,baseline power,boosted power,boost psi", "pairs", ["unit baseline power", "unit boosted power"]),
    ],
)
def test_open_units_of_every_kind_can_be_answered(contributed, headers, kind, asked):
    wishes = Wishes(described=TOLD, reading={"kind": kind})
    given = contributed(headers + "\nA,200,280,6\nB,210,290,6\n", wishes)
    while units := [q for q in open_questions(draft_source(given, wishes, TODAY)) if q.sort == "unit"]:
        assert units[0].key in asked
        wishes = take_answer(wishes, units[0], "PS", draft_source(given, wishes, TODAY))
    draft = draft_source(given, wishes, TODAY)
    figures = [c for c in draft.readings[0].columns if c.field == "power_kw"]
    assert len(figures) > 1 and {c.unit for c in figures} <= ({"PS"} if asked else {"hp", None})


def test_a_unit_hint_shows_what_cannot_be(contributed):
    question = next(q for q in open_questions(draft_source(contributed(), Wishes(), TODAY)) if q.key == "unit Displacement")
    hints = dict(h.partition(":")[::2] for h in question.hints)
    assert "cannot be" in hints["cc"] and hints["l"].strip() == "2,000 to 3,000 cc"


def test_a_missing_build_column_is_asked_for_and_one_name_for_all_rows_is_an_answer(contributed):
    given = contributed("label,hp\nA,150\nB,160\n", Wishes(described=TOLD))
    draft = draft_source(given, Wishes(described=TOLD), TODAY)
    question = open_questions(draft)[0]
    assert question.key == "column build" and question.is_needed and question.hints[0] == "label: A, B"
    assert take_answer(Wishes(), question, "Label", draft).headers == {"label": "build"}
    assert take_answer(Wishes(), question, "= Bench engine", draft).constants == {"build": "Bench engine"}
    assert take_answer(Wishes(), question, "label + hp", draft).build_from == ("label", "hp")
    for nonsense in ("colour", "", "=", "label + colour"):
        with pytest.raises(RequestProblem):
            take_answer(Wishes(), question, nonsense, draft)


@pytest.mark.parametrize("answer", ["banana", "psi", "", "unknown"])
def test_an_answer_that_is_no_unit_is_refused(contributed, answer):
    draft = draft_source(contributed(), Wishes(), TODAY)
    question = next(q for q in open_questions(draft) if q.sort == "unit")
    with pytest.raises(RequestProblem):
        take_answer(Wishes(), question, answer, draft)


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("correction", "SAE J1349", {"correction": "sae_j1349"}),
        ("correction", "unknown", {"correction": "unstated"}),
        ("measured_at", "at the wheels", {"measured_at": "wheel"}),
        ("measured_at", "unknown", {}),
    ],
)
def test_codes_are_answered_in_usual_words(name, text, told):
    assert code_constant(name, text) == told


def test_a_code_that_is_none_is_refused_with_the_allowed_ones():
    with pytest.raises(RequestProblem, match="crank, hub, wheel"):
        code_constant("measured_at", "banana")


def test_columns_without_unit_are_set_aside_only_for_looking(contributed):
    given = contributed()
    draft = draft_source(given, Wishes(described=TOLD), TODAY)
    meanwhile, aside = set_unknown_units_aside(Wishes(described=TOLD), draft)
    assert aside == ("Displacement",)
    assert trial_of(given, draft).accepted == 0
    assert trial_of(given, draft_source(given, meanwhile, TODAY)).accepted == 4


def test_suggestions_are_those_that_the_cells_allow(contributed):
    text = "build,hp,Ambiant kpa,drivetrain,Price,dat\nA,150,99.1,rear,11950,x\n"
    columns = {c.header: c for c in draft_source(contributed(text, Wishes()), Wishes(), TODAY).readings[0].columns}
    assert columns["Ambiant kpa"].suggestions[0] == "ambient_kpa"
    assert columns["drivetrain"].suggestions == columns["Price"].suggestions == columns["dat"].suggestions == ()


@pytest.mark.parametrize(
    ("header", "answer", "target", "unit"),
    [
        ("Ambiant kpa", "yes", "ambient_kpa", "kPa"),
        ("Ambient presure (inHg)", "yes", "ambient_inhg", "inHg"),
        ("Ambiant", "yes", "ambient", None),
        ("Ambiant kpa", "manifold_kpa", "manifold_kpa", "kPa"),
        ("Ambiant kpa", "no", None, None),
    ],
)
def test_a_suggestion_is_taken_in_the_unit_that_the_header_states(contributed, header, answer, target, unit):
    given = contributed(f"build,hp,{header}\nA,150,99.1\n", Wishes())
    draft = draft_source(given, Wishes(), TODAY)
    (question,) = suggestion_questions(draft)
    wishes = take_answer(Wishes(), question, answer, draft)
    assert wishes.headers.get(header) == target
    column = draft_source(given, wishes, TODAY).readings[0].columns[2]
    assert (column.unit, column.needs_unit) == (unit, target == "ambient")


def test_a_suggestion_is_answered_by_yes_no_or_a_field(contributed):
    draft = draft_source(contributed("build,hp,Ambiant kpa\nA,150,99.1\n", Wishes()), Wishes(), TODAY)
    with pytest.raises(RequestProblem, match="neither yes or no"):
        take_answer(Wishes(), suggestion_questions(draft)[0], "perhaps", draft)


def test_a_column_that_refuses_most_rows_is_suspected(contributed):
    text = "build,hp,versus\nA,150,0\nB,160,1\nC,170,0\n"
    given = contributed(text, Wishes(described=TOLD))
    assert suspect_columns(trial_of(given, draft_source(given, Wishes(described=TOLD), TODAY))) == (("compared_with", 3),)
    aside = Wishes(described=TOLD, headers={"versus": ""})
    given = contributed(text, aside)
    assert trial_of(given, draft_source(given, aside, TODAY)).accepted == 3


# -- workbooks ----------------------------------------------------------------------------------------------------------


def test_each_sheet_with_results_becomes_a_file_entry(contributed, tmp_path):
    rows = [["build", "hp", "boost psi"], ["A", 150, None], ["A", 205, 6]]
    levels = [["build", "NA hp", "6 psi"], ["B", 240, 330]]
    data = workbook(
        tmp_path / "x.xlsx", {"Read me": [["Contact", "Remark"], ["Somebody", "hello"]], "Turbo": rows, "Kits": levels}
    )
    wishes = Wishes(described=TOLD)
    given = contributed(data, wishes, "book.xlsx")
    draft = draft_source(given, wishes, TODAY)
    assert [(r.entry.sheet, r.kind) for r in draft.readings] == [("Turbo", "runs"), ("Kits", "levels")]
    assert "'Read me'" in draft.left_out[0]
    write_contribution(given, draft)
    assert build(tmp_path / "raw", tmp_path / "s.duckdb").runs == 4
    only = draft_source(given, replace(wishes, sheets=("Kits",)), TODAY)
    assert [r.entry.sheet for r in only.readings] == ["Kits"]
    with pytest.raises(RequestProblem, match="'Turbo'"):
        contributed(data, Wishes(sheets=("Nowhere",)), "book.xlsx")


def test_a_workbook_with_one_sheet_needs_no_sheet_name(contributed, tmp_path):
    data = workbook(tmp_path / "x.xlsx", {"Turbo": [["build", "hp"], ["A", 150]]})
    draft = draft_source(contributed(data, Wishes(), "book.xlsx"), Wishes(), TODAY)
    assert "sheet" not in draft.described["file"][0]


def test_an_override_goes_to_the_sheets_that_have_its_header(contributed, tmp_path):
    data = workbook(
        tmp_path / "x.xlsx", {"One": [["build", "hp", "Grösse"], ["A", 150, 2]], "Two": [["build", "hp"], ["B", 160]]}
    )
    wishes = Wishes(described=TOLD, headers={"Grösse": "displacement_l"})
    draft = draft_source(contributed(data, wishes, "book.xlsx"), wishes, TODAY)
    assert [r.entry.headers for r in draft.readings] == [{"Grösse": "displacement_l"}, {}]


# -- again --------------------------------------------------------------------------------------------------------------


@pytest.fixture
def added(contributed):
    given = contributed()
    return write_contribution(given, draft_source(given, SIZED, TODAY))


def test_an_edited_file_is_known_by_its_rows_and_its_changes_are_told(contributed, added):
    (added / "source.toml").write_text("# by hand\n" + (added / "source.toml").read_text())
    edited = TABLE.replace("205", "207").replace("Birch,3.0,330,6,4\n", "") + "Cedar,2.5,200,,4\n"
    given = contributed(edited, Wishes())
    assert given.held is not None and given.held.source == added.name
    changes = what_changed(given)
    assert (len(changes.added), len(changes.removed), len(changes.changed), changes.same) == (1, 1, 1, 2)
    assert changes.changed[0].cells == (("Power (hp)", "205", "207"),)
    draft = draft_source(given, Wishes(), TODAY)
    assert keys(draft) == ["correction", "measured_at"]
    write_contribution(given, draft)
    text = (added / "source.toml").read_text()
    assert text.startswith("# by hand\n")
    assert tomllib.loads(text)["file"][0]["sha256"] == hashlib.sha256(edited.encode()).hexdigest()
    assert tomllib.loads(text)["file"][0]["headers"] == {"Displacement": "displacement_l"}
    assert (added / "mine.csv").read_text() == edited


@pytest.mark.slow
def test_a_file_edited_where_it_lies_is_compared_with_the_store(added, tmp_path):
    build(tmp_path / "raw", tmp_path / "s.duckdb")
    path = added / "mine.csv"
    path.write_text(TABLE.replace("205", "210") + "Cedar,2.5,200,,4\n")
    given = read_contribution(path, Wishes(), tmp_path / "raw")
    assert given.is_in_place and what_changed(given) is None
    draft = draft_source(given, Wishes(), TODAY)
    changes = stored_changes(given, trial_of(given, draft), tmp_path / "s.duckdb")
    assert (len(changes.added), len(changes.removed), changes.same) == (1, 0, 3)
    assert [c for c, _, _ in changes.changed[0].cells] == ["power_kw"]
    write_contribution(given, draft)
    assert build(tmp_path / "raw", tmp_path / "s.duckdb").runs == 5


def test_the_same_bytes_belong_to_their_source_and_to_no_second_one(contributed, added):
    assert contributed(TABLE, Wishes()).held.source == added.name
    other = Wishes(described={"title": "Other", "publisher": "Elsewhere"})
    with pytest.raises(RequestProblem, match="one file counts once"):
        contributed(TABLE, other, "renamed.csv")


def test_another_file_of_the_same_name_is_not_taken_for_a_new_version(contributed, added):
    with pytest.raises(RequestProblem, match="--source quillfen_bench_spring_tests"):
        contributed("build,hp\nX,100\nY,120\n", Wishes())
    other = Wishes(described=TOLD | {"title": "Autumn tests"})
    given = contributed("build,hp\nX,100\nY,120\n", other)
    folder = write_contribution(given, draft_source(given, other, TODAY))
    assert folder.name == "quillfen_bench_autumn_tests"


def test_a_second_file_joins_its_source(contributed, added, tmp_path):
    wishes = Wishes(source=added.name)
    given = contributed("build,hp\nElm,100\n", wishes, "more.csv")
    write_contribution(given, draft_source(given, wishes, TODAY))
    assert [f.name for f in read_source(added).entry.file] == ["mine.csv", "more.csv"]
    assert build(tmp_path / "raw", tmp_path / "s.duckdb").runs == 5


# -- what strangers may send --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["../out", "/etc/out", "a/b", "", ".hidden", "x" * 65, "a b", "a\x00b"])
def test_no_name_leaves_the_raw_folder(contributed, tmp_path, name):
    wishes = replace(SIZED, source=name)
    given = contributed(TABLE, wishes)
    draft = draft_source(given, wishes, TODAY)
    if not name:
        assert (tmp_path / "raw" / draft.source).parent == tmp_path / "raw"
        return
    before = sorted(p.name for p in tmp_path.rglob("*"))
    with pytest.raises(RequestProblem, match="cannot name a source"):
        write_contribution(given, draft)
    assert sorted(p.name for p in tmp_path.rglob("*")) == before


@pytest.mark.parametrize("text", ['"]]\n[[file]]\nname = "x"', "‮قوة", "'''", "\x1b[2J", "a\\b", "=HYPERLINK()"])
def test_hostile_words_are_only_words(contributed, text):
    quoted = text.replace('"', '""')
    table = f'build,hp,"{quoted}"\n' + "Alder two litres,150,1\n" * 20
    wishes = Wishes(described=TOLD | {"title": text}, headers={text: "note"}, constants={"session": text})
    given = contributed(table, wishes)
    folder = write_contribution(given, draft_source(given, wishes, TODAY))
    entry = read_source(folder).entry
    assert entry.title == text
    assert entry.file[0].headers == {given.sheets[0].tables[0].headers[2]: "note"}


def test_titles_without_latin_letters_still_make_a_folder(contributed):
    wishes = Wishes(described={"title": "春の試験", "publisher": "霧里試験室", "licence": "CC0-1.0"})
    given = contributed("build,hp\nA,150\n", wishes)
    assert draft_source(given, wishes, TODAY).source == f"source_{given.sha256[:8]}"


@pytest.mark.parametrize(
    ("wishes", "said"),
    [
        (Wishes(headers={"Displacements": "displacement_l"}), "'Displacement'"),
        (Wishes(headers={"Displacement": "banana"}), "names no field"),
        (Wishes(described=TOLD | {"url": "javascript:alert(1)"}), "http"),
        (Wishes(described=TOLD | {"medium": "pamphlet"}), "magazine"),
        (Wishes(reading={"decimal_mark": ";"}), "decimal_mark"),
    ],
)
def test_wishes_that_cannot_be_are_named(contributed, wishes, said):
    with pytest.raises((RequestProblem, FileProblem), match=said):
        draft = draft_source(contributed(TABLE, wishes), wishes, TODAY)
        draft.checked(contributed(TABLE, wishes).path.parent)


def test_a_file_that_changes_meanwhile_is_not_taken(contributed, tmp_path):
    given = contributed()
    draft = draft_source(given, SIZED, TODAY)
    given.path.write_text(TABLE + "Elm,1.0,90,,\n")
    with pytest.raises(RequestProblem, match="changed while"):
        write_contribution(given, draft)
    assert not (tmp_path / "raw").exists()


def test_missing_files_links_and_description_files_are_refused(tmp_path):
    (tmp_path / "real.csv").write_text(TABLE)
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")
    (tmp_path / "source.toml").write_text("")
    for name, error in (("none.csv", RequestProblem), ("link.csv", FileProblem), ("source.toml", RequestProblem)):
        with pytest.raises(error):
            read_contribution(tmp_path / name, Wishes(), tmp_path / "raw")
