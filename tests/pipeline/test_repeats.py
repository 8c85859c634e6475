"""Tests published twice: found by equal figures, suspected by near ones, decided by a human's answer."""

import tomllib
from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.misprint import is_misprint
from pipeline.repeat_answers import answer_line, answers_of, match_answers, toml_text
from pipeline.repeats import find_repeats
from pipeline.store import read_table

HP, PS, PSI = 0.7456998715822702, 0.73549875, 6.894757293168361
#: A test as printed: (psi, hp); None is the run without boost.
TEST = [(None, 312), (6.0, 431), (9.5, 487), (12.0, 522)]


def table(rows, unit=HP, step=None, boost_unit=PSI, boost_step=0.1):
    """Rows of one printing: power rounded to whole units of `unit`, boost to `boost_step` units."""
    made = []
    for boost, power in rows:
        printed = None if boost is None else round(boost * PSI / boost_unit / boost_step) * boost_step * boost_unit
        made.append(
            (
                printed,
                round(power * HP / unit) * unit,
                unit if step is None else step,
                None if boost is None else boost_step * boost_unit,
            )
        )
    return made


class Printings:
    """Builds of several sources as the search reads them."""

    def __init__(self):
        self.runs, self.builds, self.days = [], [], {}

    def add(self, source, rows, publisher=None, build="Alder 3.0", day=None, **facts):
        publisher = publisher or f"Press {source}"
        key = f"{source}|{publisher}|{build}"
        self.builds.append({"build_key": key, "source": source, "publisher": publisher, "build": build, **facts})
        self.days.setdefault(source, day or date(2020, 1, len(self.days) + 1))
        for boost, power, step, boost_step in rows:
            self.runs.append(
                {
                    "run_key": f"{source}#{len(self.runs)}", "build_key": key, "source": source, "publisher": publisher,
                    "role": "baseline" if boost is None else "boosted", "power_kw": float(power), "power_step_kw": step,
                    "boost_kpa": boost or 0.0, "boost_step_kpa": boost_step, "power_rpm": None,
                }
            )  # fmt: skip
        return key

    def find(self, answers=()):
        number, text = pl.Float64, pl.String
        runs = pl.DataFrame(
            self.runs,
            schema={
                "run_key": text, "build_key": text, "source": text, "publisher": text, "role": text, "power_kw": number,
                "power_step_kw": number, "boost_kpa": number, "boost_step_kpa": number, "power_rpm": number,
            },
        )  # fmt: skip
        facts = ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "cylinders")
        builds = pl.DataFrame(
            self.builds,
            schema={
                "build_key": text,
                "source": text,
                "publisher": text,
                "build": text,
                "engine_id": text,
                **dict.fromkeys(facts, number),
            },
        )
        return find_repeats(
            runs, builds, pl.DataFrame({"source": list(self.days), "published_on": list(self.days.values())}), answers
        )


@pytest.fixture
def prints():
    return Printings()


def said(source, **tables):
    return answers_of(source, tables.get("same_as", {}), tables.get("not_same", {}))


def test_equal_figures_under_two_publishers_are_counted_once(prints):
    first = prints.add("a", table(TEST))
    second = prints.add("b", table(TEST), build="Number seven")
    found = prints.find()
    assert found.same_test.rows() == [(second, first, 7, "figures")]
    assert found.runs["run_key"].to_list() == ["b#4", "b#5", "b#6", "b#7"]
    assert found.near.is_empty()


def test_the_earlier_publication_is_counted_whatever_its_name(prints):
    late = prints.add("a", table(TEST), day=date(2021, 1, 1))
    early = prints.add("z", table(TEST), day=date(2019, 1, 1))
    assert prints.find().same_test["build_key"].to_list() == [late]
    assert prints.find().same_test["same_as"].to_list() == [early]


def test_a_chain_ends_at_its_first_publication(prints):
    first = prints.add("a", table(TEST[:3]))
    prints.add("b", table(TEST))
    prints.add("c", table(TEST[:1] + TEST[3:]))
    found = prints.find()
    assert set(found.same_test["same_as"]) == {first}
    assert found.runs["run_key"].to_list() == ["b#3", "b#4", "b#5", "c#7", "c#8"]


def test_engine_data_that_disagree_keep_builds_apart_and_are_asked_about(prints):
    prints.add("a", table(TEST), displacement_cc=2995.0)
    prints.add("b", table(TEST), displacement_cc=2495.0)
    found = prints.find()
    assert found.same_test.is_empty() and found.runs.is_empty()
    assert found.near["reason"].to_list() == ["engine_differs"]


@pytest.mark.parametrize("tie", [{}, {"displacement_cc": 2995.0}])
def test_three_equal_figures_are_a_repeat_only_where_something_else_ties_them(prints, tie):
    first = prints.add("a", table([(None, 300), (6, 400)]), **tie)
    second = prints.add("b", table([(None, 300), (6, 400)]), build="Another", **tie)
    found = prints.find()
    assert found.same_test.rows() == ([(second, first, 3, "figures")] if tie else [])
    assert found.near.select("build_key", "reason").rows() == ([] if tie else [(second, "few_figures")])


def test_two_equal_figures_are_no_repeat(prints):
    prints.add("a", table([(None, 300), (6, 400)]))
    prints.add("b", table([(None, 300), (6, 401)]), build="Another")
    prints.add("c", table([(None, 300), (7, 400)]), build="A third")
    found = prints.find()
    assert found.same_test.is_empty() and found.near.is_empty()


@pytest.mark.parametrize(
    ("reason", "other"),
    [
        ("rounded", table(TEST, unit=1.0, boost_unit=1.0, boost_step=1.0)),
        ("rounded", table(TEST, unit=PS, boost_unit=100.0, boost_step=0.01)),
        ("misprint", table([(None, 372), *TEST[1:]])),
        ("baseline_missing", table(TEST[1:])),
        ("other_standard", table([(b, p * 1.042) for b, p in TEST])),
        ("hp_or_ps", table([(b, p * HP / PS) for b, p in TEST])),
        ("figure_differs", table([(None, 299), *TEST[1:]])),
    ],
    ids=["kw-for-hp", "metric-hp-for-hp", "one-digit", "no-baseline", "standard", "wrong-name-of-hp", "another-figure"],
)
def test_near_match_is_listed_with_its_reason_and_not_counted(prints, reason, other):
    first = prints.add("a", table(TEST))
    second = prints.add("b", other)
    # Builds of the same shape that have nothing to do with the two.
    for number in range(12):
        prints.add("c", table([(None, 200 + 23 * number), (6.0, 297 + 31 * number)]), build=f"Birch {number}")
    found = prints.find()
    assert found.same_test.is_empty() and found.runs.is_empty()
    assert found.near.select("build_key", "near_key", "reason").rows() == [(second, first, reason)]


def test_a_misprinted_boost_is_seen_with_both_figures(prints):
    prints.add("a", table(TEST[:2]))
    prints.add("b", table([(None, 312), (9.0, 431)]))
    (row,) = prints.find().near.to_dicts()
    assert row["reason"] == "misprint" and row["figures"] == 2
    assert (row["near_boost_kpa"], row["boost_kpa"]) == pytest.approx((6 * PSI, 9 * PSI))


def test_a_counted_repeat_with_one_misprinted_row_is_asked_about(prints):
    first = prints.add("a", table(TEST))
    second = prints.add("b", table([*TEST[:3], (12.0, 552)]))
    found = prints.find()
    assert found.runs.height == 3
    (row,) = found.near.to_dicts()
    assert (row["build_key"], row["near_key"], row["reason"], row["figures"], row["compared"]) == (
        second,
        first,
        "misprint",
        6,
        7,
    )
    yes = prints.find(said("b", same_as={"Alder 3.0": first}))
    assert yes.runs.height == 4 and yes.near.is_empty()


def test_one_publisher_in_two_sources_is_asked_about(prints):
    prints.add("a", table(TEST), publisher="One Press")
    prints.add("b", table(TEST), publisher="One Press")
    found = prints.find()
    assert found.same_test.is_empty()
    assert found.near["reason"].to_list() == ["same_publisher"]


def test_rows_without_a_counterpart_are_told(prints):
    prints.add("a", table(TEST))
    prints.add("b", table([*TEST[:2], (8.0, 460), TEST[3]], unit=1.0))
    (row,) = prints.find().near.to_dicts()
    assert (row["reason"], row["only_here"], row["only_there"]) == ("rounded", 1, 1)


def test_yes_counts_once_and_keeps_levels_that_only_one_has(prints):
    first = prints.add("a", table(TEST[:3]))
    second = prints.add("b", table(TEST, unit=1.0))
    found = prints.find(said("b", same_as={"Alder 3.0": first}))
    assert found.same_test.rows() == [(second, first, None, "answer")]
    assert found.runs["run_key"].to_list() == ["b#3", "b#4", "b#5"]
    assert found.near.is_empty() and found.answers[0].problem is None


def test_yes_chooses_which_publication_is_counted(prints):
    first = prints.add("a", table(TEST))
    second = prints.add("b", table(TEST))
    assert prints.find(said("a", same_as={"Alder 3.0": second})).same_test.rows() == [(first, second, 7, "answer")]


def test_yes_both_ways_counts_the_earlier(prints):
    first = prints.add("a", table(TEST))
    second = prints.add("b", table(TEST))
    both = said("a", same_as={"Alder 3.0": second}) + said("b", same_as={"Alder 3.0": first})
    found = prints.find(both)
    assert found.same_test["build_key"].to_list() == [second]
    assert found.runs["run_key"].to_list() == ["b#4", "b#5", "b#6", "b#7"]


@pytest.mark.parametrize("source", ["a", "b"])
def test_no_overrides_equal_figures_and_is_never_asked_again(prints, source):
    keys = {"a": prints.add("a", table(TEST)), "b": prints.add("b", table(TEST))}
    other = keys["b" if source == "a" else "a"]
    found = prints.find(said(source, not_same={"Alder 3.0": [other]}))
    assert found.same_test.is_empty() and found.runs.is_empty() and found.near.is_empty()


def test_no_settles_a_near_match(prints):
    first = prints.add("a", table(TEST))
    prints.add("b", table(TEST, unit=1.0))
    assert prints.find().near.height == 1
    assert prints.find(said("b", not_same={"Alder 3.0": first})).near.is_empty()


def test_no_against_the_end_of_a_chain_is_followed_and_named(prints):
    first = prints.add("a", table(TEST[:3]))
    second = prints.add("b", table(TEST))
    third = prints.add("c", table(TEST[:1] + TEST[3:]))
    found = prints.find(said("c", not_same={"Alder 3.0": first}))
    assert found.same_test.select("build_key", "same_as").rows() == [(second, first)]
    assert third not in found.same_test["build_key"] and "repeat a third build" in found.answers[0].problem


@pytest.mark.parametrize(
    ("build", "other", "words"),
    [
        ("Alder 3.1", "a|Press a|Alder 3.0", "which this source does not have; did you mean 'Alder 3.0'"),
        ("Alder 3.0", "a|Press a|Alder", "no build of the store"),
        ("Alder 3.0", "b|Press b|Alder 3.0", "with itself"),
        ("Twin", "a|Press a|Alder 3.0", "2 publishers of this source"),
    ],
    ids=["my-build", "other-build", "itself", "two-publishers"],
)
def test_an_answer_that_names_no_build_says_what_to_mend(prints, build, other, words):
    prints.add("a", table(TEST))
    for publisher, name in ((None, "Alder 3.0"), ("P", "Twin"), ("Q", "Twin")):
        prints.add("b", table([(None, 100), (5, 120 + len(prints.runs))]), publisher=publisher, build=name)
    (answer,) = prints.find(said("b", same_as={build: other})).answers
    assert words in answer.problem and answer.problem.startswith("b/source.toml: same_as")


def test_publisher_and_build_name_the_build_where_the_name_alone_does_not():
    builds = pl.DataFrame(
        {"build_key": ["s|P|Twin", "s|Q|Twin", "t|R|One"], "source": ["s", "s", "t"], "build": ["Twin", "Twin", "One"]}
    )
    (answer,) = match_answers(said("s", same_as={"Q|Twin": "t|R|One"}), builds)
    assert (answer.build_key, answer.problem) == ("s|Q|Twin", None)


@pytest.mark.parametrize(
    ("value", "other", "expected"),
    [(312, 372, True), (312, 321, True), (312, 3112, True), (99, 100, False), (312, 312, False), (312, 471, False)],
)
def test_misprints_are_single_slips_of_the_same_print(value, other, expected):
    assert is_misprint(value * HP, HP, other * HP, HP) is expected
    assert is_misprint(value * HP, HP, other * HP, 1.0) is False


@settings(deadline=None, max_examples=60)
@given(
    st.text(st.characters(exclude_categories=["Cs"])),
    st.lists(st.text(st.characters(exclude_categories=["Cs"])), min_size=1, max_size=3),
)
def test_answer_lines_read_back_equal_and_hide_nothing(build, others):
    line = answer_line("not_same", build, others)
    assert line.isprintable() and "\n" not in line
    assert tomllib.loads(line) == {"not_same": {build: others[0] if len(others) == 1 else others}}
    assert tomllib.loads(f"a = {toml_text(build)}")["a"] == build


@pytest.mark.slow
@settings(deadline=None, max_examples=25)
@given(
    st.lists(
        st.tuples(st.integers(80, 600), st.lists(st.integers(20, 300), min_size=1, max_size=3, unique=True)),
        min_size=2,
        max_size=6,
    ),
    st.data(),
)
def test_each_republished_test_is_found_and_no_row_counts_twice(tests, data):
    prints = Printings()
    again = data.draw(st.lists(st.booleans(), min_size=len(tests), max_size=len(tests)))
    for number, (base, gains) in enumerate(tests):
        rows = table([(None, base), *((2.0 + 3 * i, base + g) for i, g in enumerate(sorted(gains)))])
        prints.add("a", rows, build=f"A{number}")
        if again[number]:
            prints.add("b", rows, build=f"B{number}")
    found = prints.find()
    # One boost and two powers are equal by chance now and then, so three figures alone are only asked about.
    copies = {f"b|Press b|B{n}" for n, yes in enumerate(again) if yes and len(tests[n][1]) > 1}
    asked = {f"b|Press b|B{n}" for n, yes in enumerate(again) if yes} - copies
    assert set(found.same_test["build_key"]) >= copies
    assert asked <= set(found.near["build_key"]) | set(found.same_test["build_key"])
    owners = {r["run_key"]: r["build_key"] for r in prints.runs}
    assert {owners[k] for k in found.runs["run_key"]} == set(found.same_test["build_key"])
    assert not set(found.same_test["same_as"]) & set(found.same_test["build_key"])


def head(publisher, year, more=""):
    return f'title = "t"\npublisher = "{publisher}"\nlicence = "x"\npublished_on = {year}-01-01\n{more}'


NEAR = "build,power_kw,boost_kpa,session\nThe Birch 3.0,179,0,a\nThe Birch 3.0,246,41,a\nThe Birch 3.0,277,62,a\n"


@pytest.mark.slow
def test_answers_in_source_toml_change_the_counts_without_reading_a_file_anew(raw, runs_text):
    raw.add("one", {"runs.csv": runs_text}, head=head("First", 2020))
    raw.add("two", {"near.csv": NEAR}, head=head("Second", 2021))
    summary = raw.build()
    assert summary.count("repeated") == 0 and "same_as or not_same" in " ".join(summary.notes)
    (near,) = read_table(raw.store, "near_test").to_dicts()
    assert (near["build_key"], near["near_key"], near["reason"]) == ("two|Second|The Birch 3.0", "one|First|Birch 3.0", "rounded")
    for verb, repeated in (("same", 3), ("not_same", 0), ("same", 3)):
        line = answer_line(verb, "The Birch 3.0", ["one|First|Birch 3.0"])
        raw.add("two", {"near.csv": NEAR}, head=head("Second", 2021, line + "\n"))
        summary = raw.build()
        assert summary.count("repeated") == repeated and summary.notes == ()
        assert summary.count("rows_read") == summary.count("accepted") + summary.count("refused") + repeated
        assert read_table(raw.store, "near_test").is_empty()
    build = read_table(raw.store, "build").filter(pl.col("source") == "two")
    assert build["same_test_as"].to_list() == ["one|First|Birch 3.0"]


def test_an_answer_about_a_missing_build_is_named_until_it_is_mended(raw, runs_text):
    raw.add("one", {"runs.csv": runs_text}, head=head("First", 2020, 'same_as."Birch" = "nowhere|x|y"\n'))
    assert "'Birch', which this source does not have" in " ".join(raw.build().notes)
    assert read_table(raw.store, "repeat_answer").height == 1
    raw.add("one", {"runs.csv": runs_text}, head=head("First", 2020))
    assert raw.build().notes == ()


def test_answers_of_a_source_that_cannot_be_read_now_stay(raw, runs_text):
    raw.add("one", {"runs.csv": runs_text}, head=head("First", 2020))
    raw.add("two", {"near.csv": NEAR}, head=head("Second", 2021, 'same_as."The Birch 3.0" = "one|First|Birch 3.0"\n'))
    assert raw.build().count("repeated") == 3
    (raw.root / "two" / "source.toml").write_text("nonsense [")
    (raw.root / "one" / "runs.csv").write_text(runs_text + "Cedar,100,0,101,c,\nCedar,140,6,101,c,\n")
    assert raw.build().count("repeated") == 3


def test_each_pair_keeps_its_own_reason_among_many(prints):
    firsts = [prints.add("a", table([(b, p + 31 * n) for b, p in TEST]), build=f"Engine {n}") for n in range(6)]
    wrong = {0: "misprint", 3: "misprint"}
    for n in range(6):
        rows = [(b, p + 31 * n) for b, p in TEST]
        if n in wrong:
            base = str(rows[0][1])
            rows[0] = (None, int(base[0] + ("9" if base[1] != "9" else "1") + base[2:]))
        prints.add("b", table(rows, unit=HP if n in wrong else 1.0), build=f"Engine {n}")
    near = prints.find().near
    assert dict(zip(near["near_key"], near["reason"], strict=True)) == {
        key: wrong.get(n, "rounded") for n, key in enumerate(firsts)
    }
