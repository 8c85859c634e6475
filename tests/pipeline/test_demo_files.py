"""The committed demo sources are those that the stated truth and seed make, and hold what they must."""

import csv
import hashlib
import io
import json
from collections import Counter
from pathlib import Path

import polars as pl
import pytest

from models.demo.catalogue import BRINMOOR, TORVANE
from models.demo.engines import PSI_KPA
from models.demo.files import CONTRIBUTIONS, SEED, make_demo
from models.demo.forms import Column, Layout, Text, table_bytes, toml_lines
from models.demo.sweep import curve_rows
from models.sample import choose_sample
from models.simulate_truth import generator
from pipeline import store
from pipeline.build import build
from pipeline.cli.write_demo import write_demo
from pipeline.errors import RequestProblem
from pipeline.repairs import read_repairs
from pipeline.sources import read_source

ROOT = Path(__file__).parents[2]
EXPECTATIONS = ROOT / "tests" / "reference" / "demo_mistakes.csv"


@pytest.fixture(scope="module")
def demo():
    return make_demo()


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    counts = write_demo(folder / "raw", expectations=folder / "expected.csv")
    return folder, counts


def test_writing_again_gives_the_committed_bytes(written):
    folder, _ = written
    made = {p.relative_to(folder / "raw").as_posix(): p.read_bytes() for p in (folder / "raw").rglob("*") if p.is_file()}
    committed = {
        p.relative_to(ROOT / "data_raw").as_posix(): p.read_bytes() for p in (ROOT / "data_raw").glob("demo_*/*") if p.is_file()
    }
    assert set(made) == set(committed)
    differing = [name for name in sorted(made) if made[name] != committed[name]]
    assert differing == []
    assert (folder / "expected.csv").read_bytes() == EXPECTATIONS.read_bytes()


def test_another_seed_gives_other_files_of_the_same_names(demo):
    other = make_demo(seed=2)
    assert set(other.files) >= {name for name in demo.files if not name.endswith("repairs.toml")}
    assert all(
        other.files[name] != demo.files[name]
        for name in demo.files
        if name.endswith((".csv", ".xlsx", ".tsv", ".json", ".jsonl"))
    )


def test_it_is_as_large_and_as_varied_as_promised(demo, written):
    _, counts = written
    publishers = {habits.publisher for c in CONTRIBUTIONS for habits in c.habits}
    assert len(publishers) >= 14
    assert len(demo.builds) == counts["builds"] >= 120
    assert counts["runs"] - 2 * counts["changes"] >= 420
    assert counts["changes"] >= 60
    forms = {(c.layout.form, c.layout.delimiter, c.layout.decimal_mark, c.layout.encoding, c.kind) for c in CONTRIBUTIONS}
    assert len(forms) >= 10
    assert {"levels", "pairs", "runs"} <= {c.kind for c in CONTRIBUTIONS}
    corrections = {c.constants.get("correction") for c in CONTRIBUTIONS}
    assert {"sae_j1349", "sae_j607", "din_70020", "uncorrected"} <= corrections
    printed = {column.unit for c in CONTRIBUTIONS for column in c.layout.columns if column.unit}
    assert {"hp", "PS", "psi", "bar", "inHg", "kgf/cm2", "lbf ft", "kgf m", "cu in", "l", "F"} <= printed
    assert {"crank", "wheel"} <= {c.constants.get("measured_at") for c in CONTRIBUTIONS}


def test_engines_and_boosts_span_the_stated_ranges(demo):
    power_hp = [b.rows[0]["power_kw"] / 0.7457 for b in demo.builds.values()]
    assert 60 < min(power_hp) < 85
    assert 800 < max(power_hp) < 950
    boosts = [r["boost_kpa"] / PSI_KPA for b in demo.builds.values() for r in b.rows if r["role"] == "boosted"]
    assert 2.8 < min(boosts) < 4
    assert 20 < max(boosts) <= 25.6
    strong = [r for b in demo.builds.values() for r in b.rows if r.get("boost_kpa", 0) > 20.01 * PSI_KPA]
    assert strong
    assert all(r["fuel"] in ("race_petrol", "ethanol_blend") for r in strong)
    mild = [b for b in demo.builds.values() if b.rows[-1]["boost_kpa"] <= 12 * PSI_KPA]
    assert sum(b.rows[0]["fuel"] == "petrol" for b in mild) > 0.75 * len(mild)


def mean_ratio(demo, *, induction=None, cooling=None):
    chosen = [
        b.rule_ratio
        for b in demo.builds.values()
        if (induction is None or b.rows[-1]["induction"] == induction)
        and (cooling is None or b.rows[-1]["charge_cooling"] == cooling)
    ]
    return sum(chosen) / len(chosen)


def test_the_truth_says_something_worth_reading(demo):
    assert 0.90 <= mean_ratio(demo) <= 0.93
    assert mean_ratio(demo, cooling="none") < mean_ratio(demo, cooling="air_to_air") - 0.08
    assert mean_ratio(demo, induction="positive_displacement") < mean_ratio(demo, induction="turbocharger") - 0.08
    curvature = sum(b.curvature for b in demo.builds.values()) / len(demo.builds)
    assert (0.92 + curvature * 1.3605) / (0.92 - curvature * 0.6803) == pytest.approx(
        0.87, abs=0.02
    )  # last psi at 15 over the first


def test_peak_figures_of_every_drawn_run_fit_one_curve(demo):
    for one in demo.builds.values():
        for row in one.rows:
            assert row["torque_nm"] > row["power_kw"] * 9549.2966 / row["power_rpm"] * 1.04
            assert row["torque_nm"] * row["torque_rpm"] / 9549.2966 < row["power_kw"] * 0.97
            assert 600 < row["torque_nm"] * 4 * 3.14159265 / row["displacement_cc"] * 1000 < 3500
            assert row["stroke_mm"] * row["power_rpm"] / 30_000 < 27
            if row["role"] == "baseline":
                assert row["power_kw"] / row["displacement_cc"] * 1000 < 120


def test_planted_mistakes_are_of_many_kinds(demo):
    assert len(demo.expectations) >= 40
    refused = {e.kind for e in demo.expectations if e.expected == "refuse"}
    flagged = {e.kind for e in demo.expectations if e.expected == "flag"}
    assert len(refused) >= 14
    assert len(flagged) >= 14
    assert {
        "nitrous",
        "throttled",
        "wheel_against_crank",
        "stated_rating",
        "lowest_boost",
        "no_baseline",
        "same_spec",
    } == {e.kind for e in demo.expectations if e.expected == "excluded"}
    places = Counter((e.source, e.file, e.line) for e in demo.expectations if e.expected == "refuse")
    assert max(places.values()) == 1


def lines_of(demo, source, file, encoding):
    return demo.files[f"{source}/{file}"].decode(encoding).splitlines()


@pytest.mark.parametrize(
    ("source", "kind", "encoding", "text"),
    [
        ("demo_quarrel_lane", "number_unreadable", "utf-8", "see text"),
        ("demo_quarrel_lane", "date_future", "utf-8", "2062-05-14"),
        ("demo_quarrel_lane", "repair_dropped", "utf-8", "withdrawn"),
        ("demo_hinterquell", "unit_unknown", "cp1252", "312 zorks"),
        ("demo_hinterquell", "power_not_positive", "cp1252", ";-287;"),
        ("demo_pellwick", "number_ambiguous", "utf-8", '"1,234"'),
        ("demo_gleaner", "build_unknown", "utf-8", "loan engine"),
        ("demo_gleaner", "same_test", "utf-8", "the Quarrel Lane"),
        ("demo_kirisato", "number_unreadable", "utf-8", "測定不能"),
        ("demo_brinmoor", "stated_rating", "utf-8", '"is_stated_rating": "yes"'),
    ],
)
def test_expectations_point_at_the_physical_line(demo, source, kind, encoding, text):
    e = next(e for e in demo.expectations if (e.source, e.kind) == (source, kind))
    assert text in lines_of(demo, source, e.file, encoding)[e.line - 1]


def test_workbook_lines_are_sheet_rows(demo):
    e = next(e for e in demo.expectations if e.kind == "totals_row")
    sheet = pl.read_excel(
        io.BytesIO(demo.files["demo_torvane/under_pressure.xlsx"]), sheet_name="Results", has_header=False,
        infer_schema_length=0,
        drop_empty_rows=False,
    )  # fmt: skip
    assert sheet.row(e.line - 1)[0] == "Average"
    assert sheet.row(len(TORVANE.layout.titles))[0] == "Engine"


def test_sources_say_that_they_are_invented_and_pin_their_files(written):
    folder, counts = written
    sources = [read_source(path) for path in sorted((folder / "raw").iterdir())]
    assert len(sources) == counts["sources"]
    for source in sources:
        assert source.entry.invented is True
        assert source.entry.licence == "CC0-1.0"
        (entry,) = source.entry.file
        digest = hashlib.sha256((source.folder / entry.name).read_bytes()).hexdigest()
        assert entry.sha256 == (digest if source.source != BRINMOOR.folder else None)
    repairs = read_repairs(folder / "raw" / "demo_quarrel_lane")
    assert {r.action for r in repairs} == {"drop", "replace"}


def test_a_repaired_figure_is_the_one_that_was_drawn(written):
    folder, _ = written
    repair = next(r for r in read_repairs(folder / "raw" / "demo_quarrel_lane") if r.action == "replace")
    rows = csv.DictReader((folder / "raw" / "demo_quarrel_lane" / "engine_notes.csv").read_text().splitlines())
    (row,) = [r for r in rows if all(r[k] == str(v) for k, v in repair.where.items())]
    assert float(row["power_hp"]) > repair.expect.above
    assert float(row["power_hp"]) / float(repair.value) == pytest.approx(10, rel=0.01)


def test_it_will_not_write_over_a_source_that_is_not_invented(tmp_path):
    place = tmp_path / "demo_quarrel_lane"
    place.mkdir()
    (place / "source.toml").write_text('title = "Mine"\n')
    with pytest.raises(RequestProblem, match="demo_quarrel_lane"):
        write_demo(tmp_path)
    assert (place / "source.toml").read_text() == 'title = "Mine"\n'
    assert sorted(p.name for p in tmp_path.iterdir()) == ["demo_quarrel_lane"]


def test_curves_follow_what_is_true_of_their_engines():
    curves = pl.DataFrame(curve_rows(generator(SEED, 103)), infer_schema_length=None)
    plain = curves.filter((pl.col("role") == "baseline") & pl.col("parts").is_null())
    for (_, _), points in plain.group_by("build", "run"):
        top = points.sort("curve_power_kw").row(-1, named=True)
        assert abs(top["rpm"] - top["power_rpm"]) <= 500
        assert top["curve_power_kw"] == pytest.approx(top["power_kw"], rel=0.03)
        assert points["curve_torque_nm"].max() == pytest.approx(top["torque_nm"], rel=0.03)
    boosted = curves.filter(pl.col("role") == "boosted")
    assert boosted["curve_boost_kpa"].is_not_null().all() and boosted.height > 50
    base = plain.unique(["build", "rpm"]).select("build", "rpm", plain_nm="curve_torque_nm")
    ratio = boosted.join(base, on=["build", "rpm"]).select(
        gain=(pl.col("curve_torque_nm") / pl.col("plain_nm") - 1) / (pl.col("curve_boost_kpa") / pl.col("ambient_kpa"))
    )
    assert 0.75 < ratio["gain"].median() < 1.15
    cam = curves.filter(pl.col("parts") == "camshaft")
    before = curves.filter(pl.col("run") == cam["compared_with"][0]).select("rpm", before="curve_torque_nm")
    change = cam.join(before, on="rpm").sort("rpm")["curve_torque_nm"] / cam.join(before, on="rpm").sort("rpm")["before"] - 1
    assert change[0] < -0.03 and change[-1] > 0.05


# Reading: what the project makes of the committed files.


@pytest.fixture(scope="module")
def reading(tmp_path_factory):
    path = tmp_path_factory.mktemp("store") / "study.duckdb"
    summary = build(ROOT / "data_raw", path, with_demo=True)
    return summary, path


def found_in(store_path, table):
    """(source, file, line) -> codes of a table of the store, demo sources only."""
    codes = {}
    for row in store.read_table(store_path, table).filter(pl.col("source").str.starts_with("demo_")).iter_rows(named=True):
        key = (row["source"], row["file"].split("[")[0], row["line"])
        given = [r["code"] for r in row["reasons"]] if table == "refused" else [row["code"]]
        codes.setdefault(key, set()).update(given)
    return codes


def planted(expected):
    """((source, file, line), code) of every planted row that must have that fate."""
    with EXPECTATIONS.open(encoding="utf-8", newline="") as handle:
        rows = [r for r in csv.DictReader(handle) if r["expected"] == expected]
    return [((r["source"], r["file"], int(r["line"])), r["kind"]) for r in rows]


@pytest.mark.slow
def test_every_demo_file_is_read(reading):
    summary, _ = reading
    files = [row for row in summary.by_file if row.source.startswith("demo_")]
    assert len(files) == len(CONTRIBUTIONS) + 3
    assert [row.file for row in files if row.problem] == []
    assert all(row.rows_read == row.accepted + row.refused + row.repeated for row in files)


@pytest.mark.slow
def test_every_planted_mistake_is_refused_or_flagged_by_name_and_nothing_else_is_refused(reading):
    _, path = reading
    refused, flagged = found_in(path, "refused"), found_in(path, "flag")
    assert [(key, kind) for key, kind in planted("refuse") if kind not in refused.get(key, set())] == []
    assert set(refused) == {key for key, _ in planted("refuse")}
    assert [(key, kind) for key, kind in planted("flag") if kind not in flagged.get(key, set())] == []


@pytest.mark.slow
def test_the_republished_test_is_counted_once(reading):
    summary, path = reading
    (((source, file, line), _),) = planted("repeat")
    builds = store.read_table(path, "build").filter(pl.col("same_test_as").is_not_null())
    again, misprinted = sorted(builds["build_key"].to_list(), key=lambda key: "Saltfen" not in key)
    assert again.startswith(f"{source}|Saltfen Speed Quarterly|the Quarrel Lane")
    # The reprint with a misprint repeats in its other rows; the odd one is counted and asked about.
    odd = store.read_table(path, "run").filter(pl.col("build_key") == misprinted)
    assert misprinted.startswith(f"{source}|The Vexley Bench Book") and odd["is_repeat"].sum() == odd.height - 1
    assert store.read_table(path, "near_test")["reason"].to_list() == ["misprint"]
    runs = store.read_table(path, "run").filter(pl.col("build_key") == again)
    assert runs["is_repeat"].all()
    assert runs["line"].min() == line
    assert sum(row.repeated for row in summary.by_file if row.file == file) == runs.height + odd.height - 1


@pytest.mark.slow
def test_what_must_stay_out_of_the_study_stays_out(reading):
    _, path = reading
    runs, builds = (store.read_table(path, name) for name in ("run", "build"))
    reasons = dict(choose_sample(runs, builds).excluded.select("run_key", "reason").iter_rows())
    # Boost at the lowest setting of the valve makes the pull a boosted one, so its build has no baseline left.
    also = {"lowest_boost": "no_baseline"}
    for (source, file, line), kind in planted("excluded"):
        here = runs.filter(pl.col("source") == source, pl.col("file").str.starts_with(file), pl.col("line") == line)
        assert here.height > 0
        assert {reasons.get(key) for key in here["run_key"]} <= {kind, also.get(kind, kind)}


# Forms.

COLUMNS = (Column("Engine", "build"), Column("Power (hp)", "power_kw", "hp", 1), Column("Boost (bar)", "boost_kpa", "bar", 2))
ROWS = [{"build": 'Twin "A"; 2.0', "power_kw": 74.56998715822702}, {"build": "B", "power_kw": Text("n/a"), "boost_kpa": 55.0}]


def test_delimited_text_quotes_and_uses_the_decimal_mark():
    layout = Layout("delimited", COLUMNS, delimiter=";", decimal_mark=",", newline="\r\n", titles=("A title",), blank_after=(1,))
    text = table_bytes(layout, ROWS).decode()
    assert text.split("\r\n") == [
        "A title", "Engine;Power (hp);Boost (bar)", '"Twin ""A""; 2.0";100,0;', "", "B;n/a;0,55", "",
    ]  # fmt: skip
    assert [layout.line_of(i) for i in (0, 1)] == [3, 5]


def test_utf_16_text_carries_its_mark():
    content = table_bytes(Layout("delimited", COLUMNS, delimiter="\t", encoding="utf-16"), ROWS)
    assert content.startswith(b"\xff\xfe")
    assert content.decode("utf-16").startswith("Engine\tPower")


def test_records_keep_numbers_and_leave_out_what_is_unknown():
    first, second = (json.loads(line) for line in table_bytes(Layout("json_lines", COLUMNS), ROWS).decode().splitlines())
    assert first == {"Engine": 'Twin "A"; 2.0', "Power (hp)": 100.0}
    assert second == {"Engine": "B", "Power (hp)": "n/a", "Boost (bar)": 0.55}
    assert json.loads(table_bytes(Layout("json_records", COLUMNS), ROWS))["records"] == [first, second]


def test_a_workbook_is_the_same_bytes_each_time_and_reads_back():
    layout = Layout("workbook", COLUMNS, units=("", "hp", "bar"), sheet="Runs")
    content = table_bytes(layout, ROWS)
    assert content == table_bytes(layout, ROWS)
    sheet = pl.read_excel(io.BytesIO(content), sheet_name="Runs", has_header=False, infer_schema_length=0)
    assert sheet.row(1) == (None, "hp", "bar")
    assert sheet.row(layout.line_of(1) - 1) == ("B", "n/a", "0.55")


def test_toml_lines_survive_quotes_and_umlauts():
    import tomllib

    values = {"title": 'Zwölf "Motoren"\n', "invented": True, "headers": {"Kühler (K)": "charge_cooling"}, "n": 3}
    assert tomllib.loads(toml_lines(values)) == values
