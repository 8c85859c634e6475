"""Codes, flags, dates and lists of parts: words in six languages, what stays undecided, and arbitrary text."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.code_words import COLUMNS, TABLE_NAME, is_missing
from pipeline.codes import (
    code_fields,
    read_codes,
    read_dates,
    read_flags,
    read_parts,
    read_parts_column,
    recognise_code,
    say_code_problem,
)
from pipeline.fields import FIELDS, PARTS
from pipeline.words import fold_words, read_word_table

ROWS = read_word_table(TABLE_NAME, COLUMNS)

KNOWN = [
    (
        "measured_at",
        "crank",
        "flywheel | engine | Crank | Kurbelwelle | cigüeñal | vilebrequin | virabrequim | クランク | at the crank",
    ),
    (
        "measured_at",
        "wheel",
        "wheel | rear wheel | at the wheels | chassis | Rad | rueda | aux roues | na roda | 後輪 | Chassis dyno",
    ),
    ("measured_at", "hub", "hub | hubs | Radnabe | moyeu | buje | cubo | ハブ"),
    ("correction", "sae_j1349", "SAE | SAE J1349 | J1349 | SAE J1349 (2004) | SAE J1349 rev 2004-08 | J1349 AUG2004 | SAE net"),
    ("correction", "sae_j607", "STD | STP | SAE J607 | J607 | STD corrected"),
    ("correction", "din_70020", "DIN | DIN 70020 | DIN 70020-6 | nach DIN 70020 | norme DIN"),
    ("correction", "eec_80_1269", "80/1269/EEC | EWG 80/1269 | 80/1269/EWG | CEE 80/1269"),
    ("correction", "ece_r85", "ECE R85 | ECE | UN R85 | R85"),
    ("correction", "iso_1585", "ISO 1585 | ISO 1585:2020 | ISO"),
    ("correction", "jis_d1001", "JIS | JIS D 1001 | JIS補正"),
    ("correction", "sae_j1995", "SAE gross | SAE J1995"),
    (
        "correction",
        "uncorrected",
        "uncorrected | none | observed | raw | unkorrigiert | sin corregir | non corrigée | sem correção | 無補正 | None",
    ),
    ("correction", "unstated", "not stated | nicht angegeben | unstated"),
    (
        "induction",
        "none",
        "NA | naturally aspirated | none | Sauger | atmosférico | sans turbo | aspirado natural | 自然吸気",
    ),
    (
        "induction",
        "turbocharger",
        "turbo | Twin Turbo | single turbo | Turbolader | Turbo (single) | double turbo | ターボ | bi-turbo",
    ),
    ("induction", "centrifugal", "centrifugal | centrifugal supercharger | Radiallader | compresseur centrifuge | 遠心式"),
    (
        "induction",
        "positive_displacement",
        "roots | Twin screw | Roots blower | Schraubenlader | compresseur à vis | ルーツ式 | positive displacement",
    ),
    ("charge_cooling", "none", "none | uncooled | no | ohne | sans | sem | なし | No intercooler | non-intercooled"),
    (
        "charge_cooling",
        "air_to_air",
        "air-to-air | FMIC | front mount | air/air | Luft/Luft | aire-aire | 空冷 | A2A | intercooled air",
    ),
    (
        "charge_cooling",
        "air_to_water",
        "air-to-water | A2W | water | Luft-Wasser | wassergekühlt | air/eau | 水冷 | water-to-air intercooler",
    ),
    ("charge_injection", "nitrous", "N2O | nitrous | Lachgas | protoxyde d'azote | 亜酸化窒素"),
    ("charge_injection", "water_methanol", "water/meth | 50/50 | Wasser-Methanol | meth injection"),
    (
        "fuel",
        "petrol",
        "pump gas | 93 octane pump | 98 RON | gasoline | Super Plus 98 ROZ | gasolina",
    ),
    ("fuel", "race_petrol", "race gas | 110 race gas | Rennbenzin | 116 octane race fuel | avgas"),
    ("fuel", "ethanol_blend", "E85 | E-85 | ethanol | flex fuel | álcool"),
    ("fuel", "methanol", "methanol | M1 | メタノール"),
    ("fuel", "diesel", "diesel | 軽油 | gazole"),
    ("fuel", "gas", "LPG | CNG | Erdgas | GPL"),
    ("boost_taken", "maximum", "max | peak | maximum | Höchstwert | 最大"),
    ("boost_taken", "at_peak_power", "at peak power | bei Höchstleistung | 最高出力時 | at_peak_power"),
    ("boost_where", "before_cooler", "before the cooler | pre-intercooler | vor Ladeluftkühler"),
    ("baseline_hardware", "compressor_removed", "removed | ausgebaut | no compressor"),
    ("outcome", "stopped_knock", "knock | detonation | Klopfen | cliquetis | ノッキング"),
    ("outcome", "failed", "blew up | Motorschaden | 破損"),
    ("dyno_type", "engine", "engine dyno | Motorprüfstand | エンジンベンチ"),
    ("head_state", "ported", "CNC ported | ported | bearbeitet | ポート加工"),
    ("intake_kind", "individual_throttle", "ITB | Einzeldrosselklappen | individual throttle bodies"),
    ("accessories", "none", "none | No accessories | ohne | sans"),
    ("medium", "own_test", "own test | own_test | eigener Test"),
]
KNOWN_CELLS = [
    (field, code, text.strip())
    for field, code, texts in KNOWN
    for text in texts.replace("N/A? no: ", "").split(" | ")
    if text.strip()
]
UNDECIDED = [
    ("induction", "supercharger"),
    ("induction", "Kompressor"),
    ("induction", "twincharged"),
    ("induction", "yes"),
    ("charge_cooling", "intercooled"),
    ("charge_cooling", "yes"),
    ("charge_cooling", "Ladeluftkühler"),
    ("charge_cooling", "あり"),
    ("correction", "corrected"),
    ("correction", "yes"),
    ("fuel", "alcohol"),
    ("fuel", "118"),
    ("fuel", "110 octane"),
    ("fuel", "91"),
    ("dyno_type", "chassis"),
    ("charge_injection", "yes"),
    ("measured_at", "gearbox"),
    ("fuel", "zorks"),
]


@pytest.mark.parametrize(("field", "code", "text"), KNOWN_CELLS, ids=lambda value: str(value))
def test_words_of_contributors_mean_their_code(field: str, code: str, text: str) -> None:
    assert recognise_code(field, text) == code


@pytest.mark.parametrize(("field", "text"), UNDECIDED)
def test_words_that_do_not_decide_are_a_problem_and_not_a_guess(field: str, text: str) -> None:
    read = read_codes(FIELDS[field], pl.Series([text]))
    assert read.row(0) == (None, "code_unknown")


@pytest.mark.parametrize("text", ["", " ", "-", "n/a", "?", "unknown", "k.A.", "不明", "…"])
@pytest.mark.parametrize("name", ["induction", "charge_cooling", "fuel", "correction", "measured_at"])
def test_missing_marks_are_null_without_a_problem(name: str, text: str) -> None:
    assert read_codes(FIELDS[name], pl.Series([text])).row(0) == (None, None)
    assert is_missing(text)


def test_none_is_a_code_where_the_field_has_it_and_missing_elsewhere() -> None:
    assert recognise_code("charge_cooling", "none") == "none"
    assert read_codes(FIELDS["outcome"], pl.Series(["none"])).row(0) == (None, None)


def test_every_code_of_every_field_reads_as_itself() -> None:
    for field in code_fields():
        for code in field.codes:
            assert recognise_code(field.name, code) == code
            assert recognise_code(field.name, code.upper().replace("_", " ")) == code


def test_every_row_of_the_table_is_folded_unique_and_means_a_code_of_its_field() -> None:
    fields = {field.name: set(field.codes) for field in code_fields()}
    fields |= {"parts": set(PARTS), "flag": {"true", "false"}, "month": {str(number) for number in range(1, 13)}}
    seen = set()
    for row in ROWS:
        assert row["field"] in fields, row
        assert row["alias"], row
        assert fold_words(row["alias"]) == row["alias"], row
        assert set(row["code"].split("+")) <= fields[row["field"]] | {"", "*"}, row
        assert row["code"] != "" or row["note"], row
        key = (row["field"], row["alias"], row["code"] == "*")
        assert key not in seen, row
        seen.add(key)


def test_every_decided_word_of_the_table_reads_as_its_code() -> None:
    names = {field.name for field in code_fields()}
    for row in ROWS:
        if row["field"] in names and row["code"] not in ("", "*"):
            assert recognise_code(row["field"], row["alias"]) == row["code"], row


def test_column_keeps_its_order_and_its_nulls() -> None:
    text = pl.Series("cooling", ["FMIC", None, "yes", "FMIC", "-", "water"])
    read = read_codes(FIELDS["charge_cooling"], text)
    assert read["value"].to_list() == ["air_to_air", None, None, "air_to_air", None, "air_to_water"]
    assert read["problem"].to_list() == [None, None, "code_unknown", None, None, None]
    assert read.schema == {"value": pl.String, "problem": pl.String}


@pytest.mark.parametrize(
    "text", [pl.Series([], dtype=pl.String), pl.Series([None, None], dtype=pl.String), pl.Series([None, None])]
)
def test_empty_columns_keep_their_types(text: pl.Series) -> None:
    assert read_codes(FIELDS["fuel"], text).schema == {"value": pl.String, "problem": pl.String}
    assert read_flags(text).schema == {"value": pl.Boolean, "problem": pl.String}
    assert read_dates(text).schema == {"value": pl.Date, "problem": pl.String, "precision": pl.String}
    assert read_parts_column(text).schema == {"value": pl.List(pl.String), "problem": pl.String}
    assert read_dates(text).height == len(text)


def test_message_says_what_was_given_what_is_open_and_what_is_allowed() -> None:
    sentence = say_code_problem(FIELDS["charge_cooling"], "intercooled")
    assert "'intercooled'" in sentence
    assert "air-to-air or air-to-water" in sentence
    assert "none, air_to_air, air_to_water" in sentence
    assert "none of its words" in say_code_problem(FIELDS["fuel"], "zorks")


def test_flags_in_six_languages() -> None:
    yes = ["yes", "TRUE", "1", "ja", "oui", "sí", "sim", "はい", "x", "✓"]
    no = ["no", "false", "0", "Nein", "non", "não", "いいえ", "N", "×"]
    read = read_flags(pl.Series([*yes, *no, "-", None, "maybe"]))
    assert read["value"].to_list() == [True] * len(yes) + [False] * len(no) + [None, None, None]
    assert read["problem"].to_list() == [None] * (len(yes) + len(no) + 2) + ["code_unknown"]


DATES = [
    ("2024-06-12", date(2024, 6, 12), "day"),
    ("2024-05", date(2024, 5, 1), "month"),
    ("2024", date(2024, 1, 1), "year"),
    ("2024/06/12", date(2024, 6, 12), "day"),
    ("20240612", date(2024, 6, 12), "day"),
    ("12.06.2024", date(2024, 6, 12), "day"),
    ("2.3.2024", date(2024, 3, 2), "day"),
    ("12 June 2024", date(2024, 6, 12), "day"),
    ("June 12, 2024", date(2024, 6, 12), "day"),
    ("12th of June 2024", date(2024, 6, 12), "day"),
    ("Wed, 12 Jun 2024", date(2024, 6, 12), "day"),
    ("12-Jun-2024", date(2024, 6, 12), "day"),
    ("June 2024", date(2024, 6, 1), "month"),
    ("12. Juni 2024", date(2024, 6, 12), "day"),
    ("12 de junio de 2024", date(2024, 6, 12), "day"),
    ("1er juin 2024", date(2024, 6, 1), "day"),
    ("12 de março de 2024", date(2024, 3, 12), "day"),
    ("2024年6月12日", date(2024, 6, 12), "day"),
    ("２０２４年６月", date(2024, 6, 1), "month"),
    ("令和6年6月12日", date(2024, 6, 12), "day"),
    ("平成元年1月8日", date(1989, 1, 8), "day"),
    ("13/06/2024", date(2024, 6, 13), "day"),
    ("06/13/2024", date(2024, 6, 13), "day"),
    ("06/06/2024", date(2024, 6, 6), "day"),
    ("2024-06-12T10:30:00", date(2024, 6, 12), "day"),
    ("2024-06-12 00:00:00", date(2024, 6, 12), "day"),
    ("03/2024", date(2024, 3, 1), "month"),
    ("2024-02-29", date(2024, 2, 29), "day"),
]


@pytest.mark.parametrize(("text", "day", "precision"), DATES, ids=lambda value: str(value))
def test_dates_are_read(text: str, day: date, precision: str) -> None:
    assert read_dates(pl.Series([text])).row(0) == (day, None, precision)


@pytest.mark.parametrize("text", ["06/12/2024", "1/2/2024", "06-12-2024", "1-2-2024"])
def test_dates_that_do_not_say_which_number_is_the_month_are_ambiguous(text: str) -> None:
    assert read_dates(pl.Series([text])).row(0) == (None, "ambiguous_date", None)


@pytest.mark.parametrize(
    "text",
    [
        "2024-13-01",
        "31.02.2024",
        "2023-02-29",
        "spring 2024",
        "12.06.24",
        "45455",
        "0000",
        "June",
        "12 June",
        "9999-01-01",
        "410 hp",
    ],
)
def test_other_dates_are_unreadable(text: str) -> None:
    assert read_dates(pl.Series([text])).row(0) == (None, "date_unreadable", None)


@settings(deadline=None)
@given(st.dates(date(1900, 1, 1), date(2099, 12, 31)))
def test_dates_written_in_unambiguous_habits_come_back(day: date) -> None:
    habits = ["%Y-%m-%d", "%d.%m.%Y", "%d %B %Y", "%B %d, %Y", "%Y%m%d", "%Y/%m/%d", "%d-%b-%Y"]
    read = read_dates(pl.Series([day.strftime(habit) for habit in habits]))
    assert read["value"].to_list() == [day] * len(habits)


PART_CELLS = [
    ("heads + cam", ["camshaft", "cylinder_head"]),
    ("cam, springs & intake", ["camshaft", "intake_manifold", "valve_springs"]),
    ("CNC ported heads", ["cylinder_head"]),
    ("224/230 hydraulic roller cam", ["camshaft"]),
    ("Heads/cam/intake", ["camshaft", "cylinder_head", "intake_manifold"]),
    ("HCI", ["camshaft", "cylinder_head", "intake_manifold"]),
    ("throttle body", ["throttle_body"]),
    ("headers and exhaust", ["exhaust", "headers"]),
    ("stroker kit", ["displacement"]),
    ("smaller pulley", ["drive_ratio"]),
    ("bigger intercooler", ["charge_cooler"]),
    ("tune", ["tune_only"]),
    ("cam + tune", ["camshaft"]),
    ("injectors; fuel pump", ["fuel_system"]),
    ("camshaft; valve_springs", ["camshaft", "valve_springs"]),
    ("Nockenwelle und Ventilfedern", ["camshaft", "valve_springs"]),
    ("árbol de levas deportivo", ["camshaft"]),
    ("culata y escape", ["cylinder_head", "exhaust"]),
    ("arbre à cames et collecteur d'admission", ["camshaft", "intake_manifold"]),
    ("comando + coletor de escape", ["camshaft", "headers"]),
    ("カムとヘッド", ["camshaft", "cylinder_head"]),
    ("heads (CNC)", ["cylinder_head"]),
    ("larger turbo", ["compressor"]),
    ("air filter", ["other"]),
]


@pytest.mark.parametrize(("text", "parts"), PART_CELLS, ids=lambda value: str(value))
def test_parts_are_read(text: str, parts: list[str]) -> None:
    read = read_parts(text)
    assert list(read.parts) == parts
    assert read.unknown == ()


@pytest.mark.parametrize(
    ("text", "parts", "unknown"),
    [
        ("zorks", ("other",), ("zorks",)),
        ("cam + zorks", ("camshaft", "other"), ("zorks",)),
        ("cam cover", ("other",), ("cam cover",)),
        ("no cam", ("other",), ("no cam",)),
    ],
)
def test_unknown_parts_are_other_and_kept_as_a_flag(text: str, parts: tuple[str, ...], unknown: tuple[str, ...]) -> None:
    assert (read_parts(text).parts, read_parts(text).unknown) == (parts, unknown)
    assert read_parts_column(pl.Series([text])).row(0) == (list(parts), "part_unknown")


def test_column_of_parts() -> None:
    read = read_parts_column(pl.Series(["cam", "-", None, "heads + cam"]))
    assert read["value"].to_list() == [["camshaft"], None, None, ["camshaft", "cylinder_head"]]
    assert read["problem"].to_list() == [None] * 4


@settings(deadline=None)
@given(st.text(max_size=80))
def test_arbitrary_text_never_raises_and_yields_only_codes(text: str) -> None:
    column = pl.Series([text], dtype=pl.String)
    for name in ("fuel", "correction", "induction", "outcome"):
        value, problem = read_codes(FIELDS[name], column).row(0)
        assert value is None or value in FIELDS[name].codes
        assert value is None or problem is None
    assert set(read_parts(text).parts) <= set(PARTS)
    assert read_flags(column).height == read_dates(column).height == 1
    say_code_problem(FIELDS["fuel"], text)
