"""Header recognition: a table of headers in six languages, the rules one by one, and properties on arbitrary text."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import FileProblem
from pipeline.fields import FIELDS
from pipeline.header_words import ROLES, SIDE_ROLES, header_table, read_header_words
from pipeline.headers import Column, fold_header, guess_kind, knows_header, recognise_headers, unused_overrides
from pipeline.units import UNITS
from pipeline.words import fold_words

CASES_FILE = Path(__file__).parent.parent / "reference" / "header_cases.csv"
with CASES_FILE.open(encoding="utf-8", newline="") as opened:
    CASES = list(csv.DictReader(opened))
NUMERIC_FIELDS = sorted(name for name, field in FIELDS.items() if field.quantity is not None)


def fields_of_headers(headers: list[str], **options: object) -> list[str | None]:
    return [column.field for column in recognise_headers(headers, **options)]  # type: ignore[arg-type]


def described(column: Column) -> tuple[str, str, str, str]:
    role = f"level@{column.level_boost:g} {column.level_unit}" if column.role == "level" else column.role
    implied = ";".join(f"{name}={code}" for name, code in sorted(column.implied.items()))
    return column.field or "", column.unit or "", role, implied


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['language']}:{case['header']}:{case['kind']}")
def test_header_of_the_table_reads_as_stated(case: dict[str, str]) -> None:
    (column,) = recognise_headers([case["header"]], kind=case["kind"] or None)
    assert described(column) == (case["field"], case["unit"], case["role"], case["implied"])


def test_table_of_cases_is_large_and_covers_six_languages() -> None:
    assert len(CASES) >= 150
    assert {case["language"] for case in CASES} == {"en", "de", "es", "fr", "pt", "ja"}
    assert sum(case["field"] == "" for case in CASES) >= 25


def test_every_row_of_the_alias_table_names_a_field_and_a_role() -> None:
    for word in read_header_words():
        assert word.role in ROLES, word
        assert (word.field in FIELDS) == (word.role == ""), word
        assert word.otherwise is None or word.otherwise in FIELDS, word
        assert all(name in FIELDS for name in word.candidates), word
        assert bool(word.candidates) == (word.role == "ambiguous"), word
        assert word.role != "ambiguous" or word.note, word
        assert word.language in {"any", "en", "de", "es", "fr", "pt", "ja"}, word


def test_every_code_that_a_word_implies_is_a_code_of_its_field() -> None:
    for word in read_header_words():
        for name, code in word.implied.items():
            assert code in FIELDS[name].codes, word


def test_aliases_are_folded_and_unique_and_shadow_no_field_name() -> None:
    words = read_header_words()
    plain = [word.alias for word in words if word.role in ("", "ambiguous")]
    describing = [word.alias for word in words if word.role not in ("", "ambiguous", "level_word", "connector")]
    assert all(fold_words(word.alias) == word.alias for word in words)
    assert len(plain) == len(set(plain))
    assert len(describing) == len(set(describing))
    assert not set(plain) & {fold_words(name) for name in FIELDS}


def test_every_alias_reads_as_its_field() -> None:
    for word in read_header_words():
        if word.role == "":
            (column,) = recognise_headers([word.alias])
            expected = {word.field} | ({"power_kw"} if word.field == "observed_power_kw" else set())
            assert column.field in expected, word


def test_every_important_field_has_a_word_in_each_language() -> None:
    important = {
        "power_kw", "torque_nm", "boost_kpa", "rpm", "displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "cylinders",
        "ambient_kpa", "air_c", "humidity_pct", "altitude_m", "correction", "measured_at", "fuel", "induction", "charge_cooling",
        "session", "tested_on", "build", "dyno_id", "parts", "manifold_kpa",
    }  # fmt: skip
    spoken = {(word.field, word.language) for word in read_header_words()}
    own_name_serves = {("bore_mm", "en"), ("altitude_m", "fr"), ("altitude_m", "pt")}
    missing = {(name, language) for name in important for language in ("de", "es", "fr", "pt", "ja")} - spoken - own_name_serves
    assert missing == set()


@pytest.mark.parametrize("name", sorted(FIELDS))
def test_exact_field_name_is_always_recognised(name: str) -> None:
    (column,) = recognise_headers([name])
    assert (column.field, column.unit, column.role) == (name, FIELDS[name].unit, "")


@pytest.mark.parametrize("name", NUMERIC_FIELDS)
def test_stem_with_any_unit_of_its_quantity_is_recognised(name: str) -> None:
    field = FIELDS[name]
    for unit in UNITS.values():
        if unit.quantity != field.quantity or unit.pressure_kind is not None:
            continue
        for header in (f"{field.stem}_{unit.name}", f"{field.label} ({unit.name})"):
            (column,) = recognise_headers([header])
            assert (column.field, column.unit) == (name, unit.name), header


@pytest.mark.parametrize("name", NUMERIC_FIELDS)
def test_stem_with_a_unit_of_another_quantity_is_never_recognised(name: str) -> None:
    field = FIELDS[name]
    sharing = {each.quantity for each in FIELDS.values() if each.stem == field.stem}
    for unit in UNITS.values():
        if unit.quantity in sharing:
            continue
        for header in (f"{field.stem}_{unit.name}", f"{field.label}, {unit.name}"):
            if fold_words(header) not in header_table().aliases:  # "rpm hp" is a trade word for the rpm of peak power
                (column,) = recognise_headers([header])
                assert column.field is None, header


@settings(deadline=None)
@given(st.text(max_size=200))
def test_arbitrary_text_never_raises(text: str) -> None:
    (column,) = recognise_headers([text])
    assert column.header == text
    assert column.field is None or column.field in FIELDS
    knows_header(text)


word_soup = st.lists(
    st.sampled_from(
        [*header_table().modifiers, *list(header_table().aliases)[::7], "6", "psi", "(", ")", "[hp]", "@", ",", "_", "bar"]
    ),
    max_size=8,
).map(" ".join)


@settings(deadline=None, max_examples=80)
@given(st.lists(word_soup, max_size=6), st.sampled_from([None, "runs", "levels", "changes", "pairs", "sweep"]))
def test_mixed_trade_words_never_raise_and_each_field_is_claimed_once(headers: list[str], kind: str | None) -> None:
    columns = recognise_headers(headers, kind=kind)
    claims = [(column.field, column.role, column.level_boost, column.level_unit) for column in columns if column.field]
    assert [column.position for column in columns] == list(range(len(headers)))
    assert len(claims) == len(set(claims))
    assert all((column.level_boost is not None) == (column.role == "level") for column in columns)


@settings(deadline=None)
@given(st.text(max_size=60))
def test_folding_ignores_case_punctuation_and_width(text: str) -> None:
    folded = fold_header(text)
    assert folded == folded.strip()
    assert fold_header(f" ({text}) ") == fold_header(text)


def test_folding_keeps_japanese_voicing_and_drops_accents() -> None:
    assert fold_header("Höchst-LEISTUNG") == "hochst leistung"
    assert fold_header("ブースト圧（ｋＰａ）") == "ブースト圧 kpa"


def test_unit_of_another_quantity_leaves_a_doubt_that_names_both() -> None:
    (column,) = recognise_headers(["ambient_k"])
    assert column.field is None
    assert column.doubt is not None
    assert "temperature" in column.doubt
    assert "pressure" in column.doubt
    assert "ambient_kpa" in column.suggestions


def test_missing_unit_is_a_doubt_and_not_a_guess() -> None:
    (column,) = recognise_headers(["Peak power"])
    assert (column.field, column.unit) == ("power_kw", None)
    assert column.doubt is not None
    assert column.doubt.startswith("unit not stated")


def test_second_row_of_units_gives_the_units() -> None:
    headers = ["Motor", "Leistung", "Ladedruck", "Ladedruck", "Power", "Torque"]
    columns = recognise_headers(headers[:3], unit_row=[None, "(PS)", "[bar abs]"])
    assert [(c.field, c.unit) for c in columns] == [("build", None), ("power_kw", "PS"), ("manifold_kpa", "bara")]
    (wheel,) = recognise_headers(["Power"], unit_row=["whp"])
    assert (wheel.unit, wheel.implied) == ("hp", {"measured_at": "wheel"})
    (wrong,) = recognise_headers(["Torque"], unit_row=["psi"])
    assert wrong.field is None
    (both,) = recognise_headers(["Power (hp)"], unit_row=["kW"])
    assert (both.unit, both.doubt is not None) == ("hp", True)


def test_unit_row_shorter_than_the_headers_is_no_error() -> None:
    assert fields_of_headers(["Power (hp)", "boost_psi"], unit_row=["hp"]) == ["power_kw", "boost_kpa"]


def test_override_wins_with_its_own_unit() -> None:
    overrides = {"Motor": "build", "Ladedruck psi": "boost_bar", "Spalte 7": "before_power_hp"}
    columns = recognise_headers(["motor", "Ladedruck psi", "Spalte 7"], overrides=overrides, kind=None)
    assert [(c.field, c.unit, c.role) for c in columns] == [
        ("build", None, ""),
        ("boost_kpa", "bar", ""),
        ("power_kw", "hp", "before"),
    ]


def test_override_without_a_unit_takes_the_headers_unit() -> None:
    (column,) = recognise_headers(["Druck 2 (mbar)"], overrides={"Druck 2 (mbar)": "boost"})
    assert (column.field, column.unit) == ("boost_kpa", "mbar")


def test_override_beats_an_exact_name_and_an_empty_one_sets_aside() -> None:
    assert fields_of_headers(["power_kw", "P2"], overrides={"P2": "power_hp"}) == [None, "power_kw"]
    assert fields_of_headers(["power_kw", "P2"], overrides={"power_kw": "", "P2": "power_hp"}) == [None, "power_kw"]


@pytest.mark.parametrize("target", ["bost_bar", "power_psi", "Ladedruck", "zorks"])
def test_override_to_no_field_is_refused_with_the_nearest_names(target: str) -> None:
    with pytest.raises(FileProblem) as caught:
        recognise_headers(["X"], overrides={"X": target})
    message = str(caught.value)
    assert repr(target) in message
    assert "source.toml" in message


def test_override_message_names_the_field_meant() -> None:
    with pytest.raises(FileProblem, match="boost_kpa"):
        recognise_headers(["X"], overrides={"X": "bost"})


def test_unused_overrides_are_named() -> None:
    assert unused_overrides(["Motor", "Kraft"], {"motor": "build", "Leistung": "power_kw"}) == ("Leistung",)


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(FileProblem, match="runs, levels, changes, pairs, sweep"):
        recognise_headers(["power_kw"], kind="rows")


def test_exact_name_beats_an_alias_and_the_loser_names_it() -> None:
    columns = recognise_headers(["HP", "power_kw"])
    assert [c.field for c in columns] == [None, "power_kw"]
    assert columns[0].doubt is not None
    assert "'power_kw'" in columns[0].doubt


def test_first_of_equal_names_is_kept_and_the_second_told() -> None:
    columns = recognise_headers(["bhp", "PS", "kW"])
    assert [c.field for c in columns] == ["power_kw", None, None]
    assert all(c.doubt is not None and "'bhp'" in c.doubt for c in columns[1:])


def test_boost_at_peak_power_is_taken_before_its_maximum() -> None:
    columns = recognise_headers(["Max boost (psi)", "Boost at peak power (psi)"])
    assert [c.field for c in columns] == [None, "boost_kpa"]


def test_engine_is_the_family_where_the_build_has_its_own_column() -> None:
    assert fields_of_headers(["Engine", "Build"]) == ["engine_family", "build"]
    assert fields_of_headers(["Engine"]) == ["build"]


def test_observed_power_alone_is_reported_power_without_correction() -> None:
    (alone,) = recognise_headers(["Observed hp"])
    assert (alone.field, alone.unit, alone.implied) == ("power_kw", "hp", {"correction": "uncorrected"})
    assert fields_of_headers(["Observed hp", "Corrected hp"]) == ["observed_power_kw", "power_kw"]
    assert fields_of_headers(["observed_power_kw"]) == ["observed_power_kw"]


def test_second_rpm_after_torque_is_the_torque_peaks() -> None:
    headers = ["HP", "rpm", "lb-ft", "rpm"]
    assert fields_of_headers(headers, kind="runs") == ["power_kw", "power_rpm", "torque_nm", "torque_rpm"]
    assert fields_of_headers(["HP", "lb-ft", "rpm"], kind="runs") == ["power_kw", "torque_nm", "power_rpm"]


def test_sides_that_the_kind_does_not_have_are_told() -> None:
    (column,) = recognise_headers(["before hp"], kind="runs")
    assert column.field is None
    assert column.doubt is not None
    assert "changes" in column.doubt


def test_levels_table_with_bare_boost_headers() -> None:
    columns = recognise_headers(["Engine", "NA", "6 psi", "0,5 bar"], unit_row=[None, "hp", "hp", "hp"])
    assert [(c.field, c.role, c.level_boost, c.unit) for c in columns[1:]] == [
        ("power_kw", "level", 0.0, "hp"),
        ("power_kw", "level", 6.0, "hp"),
        ("power_kw", "level", 0.5, "hp"),
    ]
    assert guess_kind(columns)[0] == "levels"


def test_bare_levels_take_the_unit_that_the_other_levels_agree_on() -> None:
    agreed = recognise_headers(["Build", "NA whp", "6 psi", "8 psi"], kind="levels")
    assert [c.unit for c in agreed[1:]] == ["hp", "hp", "hp"]
    assert all(c.implied == {"measured_at": "wheel"} and c.doubt is None for c in agreed[1:])
    mixed = recognise_headers(["Build", "NA hp", "kW @ 4 psi", "8 psi"], kind="levels")
    assert [c.unit for c in mixed[1:]] == ["hp", "kW", None]
    assert mixed[3].doubt is not None


def test_same_boost_in_two_units_is_one_level() -> None:
    columns = recognise_headers(["hp @ 100 kPa", "hp @ 1 bar"])
    assert [c.field for c in columns] == ["power_kw", None]


@pytest.mark.parametrize(
    ("headers", "kind"),
    [
        (["Build", "NA hp", "6 psi", "8 psi"], "levels"),
        (["Build", "NA hp", "boosted hp", "boost psi"], "pairs"),
        (["Build", "stock hp", "boosted hp"], "pairs"),
        (["Build", "stock hp", "modified hp"], "changes"),
        (["before", "after", "parts"], "changes"),
        (["Build", "baseline hp", "modified hp"], "changes"),
        (["Build", "Power (hp)", "Boost (psi)"], "runs"),
        (["Build", "rpm", "Power (hp)"], "runs"),
        (["rpm", "curve_power_kw"], "sweep"),
        (["Build", "Notes"], None),
    ],
)
def test_kind_is_guessed_from_the_columns(headers: list[str], kind: str | None) -> None:
    guessed, reason = guess_kind(recognise_headers(headers))
    assert guessed == kind
    assert reason


def test_many_rows_of_one_run_make_a_sweep() -> None:
    columns = recognise_headers(["Build", "rpm", "Power (hp)"])
    assert guess_kind(columns, lambda grouping: 40)[0] == "sweep"
    assert guess_kind(columns, lambda grouping: 2)[0] == "runs"


def test_certificate_pairs_and_engine_map_headers_need_no_mapping_but_the_build() -> None:
    pairs = ["unboosted_model", "unboosted_hp", "rpm", "boosted_model", "boosted_hp", "manifold_inhg_abs"]
    columns = recognise_headers(pairs, kind="pairs")
    assert [(c.field, c.role) for c in columns] == [
        ("build", "baseline"), ("power_kw", "baseline"), ("power_rpm", ""),
        ("build", "boosted"), ("power_kw", "boosted"), ("manifold_kpa", ""),
    ]  # fmt: skip
    maps = ["test", "engine", "rpm", "manifold_kpa_abs", "torque_nm", "power_kw", "charge_k", "ambient_k", "air_g_s", "lambda"]
    named = fields_of_headers(maps, overrides={"test": "build"}, kind="runs")
    assert named == [
        "build", "engine_family", "power_rpm", "manifold_kpa", "torque_nm", "power_kw", "charge_c", None, None, "lambda",
    ]  # fmt: skip


def test_suggestions_never_decide() -> None:
    columns = recognise_headers(["Leistnug (PS)", "compresion rato", "Ladedrukc"])
    assert [c.field for c in columns] == [None, None, None]
    assert columns[0].suggestions[0] == "power_kw"
    assert columns[1].suggestions[0] == "compression_ratio"
    assert columns[2].suggestions[0] == "boost_kpa"


@pytest.mark.parametrize("text", ["Power (bhp)", "boost_psi", "Ladedruck bar", "Octane", "圧縮比"])
def test_headers_are_known(text: str) -> None:
    assert knows_header(text)


@pytest.mark.parametrize(
    "text", ["412", "412 hp", "NA", "6 psi", "turbo", "petrol", "yes", "", "2024-05-01", "stock", "Builder's special", "12.5"]
)
def test_cells_are_not_taken_for_headers(text: str) -> None:
    assert not knows_header(text)


def test_sides_are_words_of_the_table_in_every_language() -> None:
    spoken = {(word.role, word.language) for word in read_header_words() if word.role in SIDE_ROLES}
    assert spoken == {(role, language) for role in SIDE_ROLES for language in ("en", "de", "es", "fr", "pt", "ja")}


def test_hostile_headers_are_kept_as_text() -> None:
    long_one = "power " * 50_000
    hostile = [
        "<script>alert(1)</script>",
        "=cmd|' /C calc'!A0",
        "\u202egnp.hp",
        long_one,
        "((((((" * 500,
        "\x00",
        "{0.__class__}",
    ]
    columns = recognise_headers(hostile)
    assert [c.header for c in columns] == hostile
    assert all(c.field is None for c in columns)
