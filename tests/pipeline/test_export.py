import csv
import hashlib
import io
import json
import shutil
from pathlib import Path

import polars as pl
import pytest
import yaml
from frictionless import validate

from pipeline.build import build
from pipeline.data_package import is_open_licence
from pipeline.errors import RequestProblem, StoreProblem
from pipeline.export import ExportSummary, write_export
from pipeline.export_tables import KEPT, TABLES, exported_columns
from pipeline.export_texts import yaml_text
from pipeline.fields import FIELDS, fields_of
from pipeline.spreadsheet_text import unguard_text
from pipeline.store import TABLES as STORE_TABLES
from pipeline.store import read_table

HOSTILE_BUILD = "=cmd|' /C calc'!A0"
RUNS = f"""build,run,compared_with,parts,displacement_cc,power_hp,boost_psi,ambient_kpa,note,Owner,Plenum colour
Alder 2.0,a,,,1998,150,,101.0,"first, ""quoted""
line",J. Doe,red
Alder 2.0,b,,,1998,205,6,101.0,+1 more,J. Doe,
Alder 2.0 cam,c,a,camshaft + headers,1998,158,,101.0,,J. Doe,blue
"{HOSTILE_BUILD}",d,,,1998,140,,101.0,@note,J. Doe,
Birch 3.0,e,,,2995,abc,,101.0,refused,J. Doe,green
"""
CURVE = "build,run,rpm,power_kw\n" + "".join(
    f"Elm,p1,{r},{kw}\n" for r, kw in ((3000, 60), (4000, 84), (5000, 105), (6000, 112), (6500, 108))
)
HOSTILE_TITLE = '=1+1 | <b>x</b> \\ "q": #\n- é\u2028end'
REAL = f"""title = {json.dumps(HOSTILE_TITLE)}
publisher = "Test Sheet"
author = "Ann Author"
contributor = "Con Tributor"
url = "https://a.example/x?y=1"
published_on = 2024-05-01
licence = "ask the publisher: (c) 2024"
medium = "magazine"
"""
INVENTED = 'title = "Curves"\npublisher = "Elm Room"\nlicence = "CC0-1.0"\ninvented = true\n'


class Filled:
    """A raw folder of a real and an invented source, and its store."""

    def __init__(self, root: Path) -> None:
        self.root, self.store = root / "raw", root / "study.duckdb"
        for source, name, kind, text, head in (
            ("real", "runs.csv", "runs", RUNS, REAL),
            ("curves", "curve.csv", "sweep", CURVE, INVENTED),
        ):
            (self.root / source).mkdir(parents=True)
            (self.root / source / name).write_text(text)
            (self.root / source / "source.toml").write_text(f'{head}[[file]]\nname = "{name}"\nkind = "{kind}"\n')
        summary = build(self.root, self.store, with_demo=True)
        assert not summary.problems and summary.count("refused") == 1


@pytest.fixture(scope="module")
def filled(tmp_path_factory) -> Filled:
    return Filled(tmp_path_factory.mktemp("filled"))


@pytest.fixture(scope="module")
def exported(filled: Filled, tmp_path_factory) -> Path:
    """An export of the filled store that no test changes."""
    folder = tmp_path_factory.mktemp("exported") / "out"
    write_export(filled.store, folder)
    return folder


#: Demo sources that hold every record kind between them, and a refused row.
SOME_DEMO = ("demo_ambervale", "demo_morrowgate", "demo_tidewell_curves", "demo_almedra")


@pytest.fixture(scope="module")
def demo_store(tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("demo")
    for source in SOME_DEMO:
        shutil.copytree(Path("data_raw") / source, root / "raw" / source)
    build(root / "raw", root / "study.duckdb", with_demo=True)
    return root / "study.duckdb"


@pytest.fixture(scope="module")
def demo_export(demo_store: Path, tmp_path_factory) -> ExportSummary:
    return write_export(demo_store, tmp_path_factory.mktemp("demo_export") / "out")


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def everything(folder: Path) -> str:
    parquet = [repr(pl.read_parquet(p).to_dicts()) for p in folder.rglob("*.parquet")]
    return "\n".join([*(b.decode() for n, b in contents(folder).items() if not n.endswith(".parquet")), *parquet])


def test_the_package_is_valid(exported: Path) -> None:
    report = validate(str(exported / "datapackage.json"))
    assert report.valid, report.flatten(["name", "type", "note"])
    assert len(report.tasks) == 2 * len(TABLES) - 1 + len(KEPT)


@pytest.mark.slow
def test_the_package_of_all_demo_data_is_valid(tmp_path: Path) -> None:
    build(Path("data_raw"), tmp_path / "study.duckdb", with_demo=True)
    summary = write_export(tmp_path / "study.duckdb", tmp_path / "out")
    report = validate(str(tmp_path / "out" / "datapackage.json"))
    assert report.valid, report.flatten(["name", "type", "note"])[:5]
    assert summary.rows()["run"] == read_table(tmp_path / "study.duckdb", "run").height > 900


@pytest.mark.slow
@pytest.mark.parametrize("path", ["data/run.csv", "data/run.parquet"])
def test_a_changed_file_is_found_by_its_hash(filled: Filled, tmp_path: Path, path: str) -> None:
    write_export(filled.store, tmp_path / "out")
    file = tmp_path / "out" / path
    file.write_bytes(file.read_bytes()[:-1] + b" ")
    assert not validate(str(tmp_path / "out" / "datapackage.json")).valid


@pytest.mark.slow
def test_a_wrong_value_is_found_by_its_schema(filled: Filled, tmp_path: Path) -> None:
    write_export(filled.store, tmp_path / "out")
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text())
    for resource in package["resources"]:
        resource.pop("hash"), resource.pop("bytes")
    (tmp_path / "out" / "datapackage.json").write_text(json.dumps(package))
    runs = tmp_path / "out" / "data" / "run.csv"
    runs.write_text(runs.read_text().replace(",baseline,", ",gearbox,", 1))
    report = validate(str(tmp_path / "out" / "datapackage.json"))
    assert {e[0] for e in report.flatten(["type"])} == {"constraint-error"}


@pytest.mark.slow
def test_the_same_store_gives_the_same_bytes_and_so_does_one_built_anew(filled: Filled, tmp_path: Path) -> None:
    write_export(filled.store, tmp_path / "a")
    write_export(filled.store, tmp_path / "a")
    write_export(filled.store, tmp_path / "b")
    build(filled.root, tmp_path / "again.duckdb", with_demo=True)
    write_export(tmp_path / "again.duckdb", tmp_path / "c")
    assert contents(tmp_path / "a") == contents(tmp_path / "b") == contents(tmp_path / "c")


def test_the_sums_cover_every_other_file(filled: Filled, tmp_path: Path) -> None:
    summary = write_export(filled.store, tmp_path / "out")
    found = contents(tmp_path / "out")
    lines = [line.split("  ") for line in found.pop("SHA256SUMS").decode().splitlines()]
    assert {path: digest for digest, path in lines} == {n: hashlib.sha256(b).hexdigest() for n, b in found.items()}
    assert {f.path for f in summary.files} == {*found, "SHA256SUMS"}


def test_parquet_holds_the_clean_tables_exactly(filled: Filled, exported: Path) -> None:
    for table in ("build", "sweep_point", "change", "repair"):
        held = pl.read_parquet(exported / "data" / f"{table}.parquet")
        assert held.equals(read_table(filled.store, table).select(held.columns)), table
    runs = pl.read_parquet(exported / "data" / "run.parquet")
    assert runs.drop("build", "extra").equals(read_table(filled.store, "run").select(runs.drop("build", "extra").columns))
    assert runs["build"].to_list() == [k.split("|")[-1] if "\\" not in k else HOSTILE_BUILD for k in runs["build_key"]]


def test_csv_and_parquet_hold_the_same(exported: Path) -> None:
    for table in TABLES:
        if not table.in_parquet:
            continue
        parquet = pl.read_parquet(exported / "data" / f"{table.name}.parquet")
        text = pl.read_csv(exported / "data" / f"{table.name}.csv", infer_schema_length=0)
        assert text.columns == parquet.columns
        for name, dtype in parquet.schema.items():
            if dtype == pl.String:
                assert text.select(unguard_text(pl.col(name)))[name].to_list() == parquet[name].to_list(), (table.name, name)
            elif dtype == pl.Float64:
                assert text[name].cast(pl.Float64).to_list() == parquet[name].to_list(), (table.name, name)


def test_no_text_cell_of_a_csv_is_a_formula(exported: Path) -> None:
    cells = []
    for path in (exported / "data").glob("*.csv"):
        cells += [c for row in csv.reader(io.StringIO(path.read_text())) for c in row]
    assert "'" + HOSTILE_BUILD in cells and "'+1 more" in cells and "'@note" in cells
    assert not [c for c in cells if c.lstrip().startswith(("=", "+", "@"))]
    assert not [c for c in cells if c.startswith("-") and not c[1:].replace(".", "").replace("e-", "").isdigit()]


@pytest.mark.slow
def test_names_of_persons_are_left_out_unless_asked_for(filled: Filled, tmp_path: Path) -> None:
    write_export(filled.store, tmp_path / "out")
    text = everything(tmp_path / "out")
    assert not [name for name in ("Ann Author", "Con Tributor", "J. Doe") if name in text]
    assert "Plenum colour" in text
    personal = {f.name for f in FIELDS.values() if f.personal}
    assert personal and not personal & set(pl.read_parquet(tmp_path / "out" / "data" / "source.parquet").columns)
    summary = write_export(filled.store, tmp_path / "with", with_personal=True)
    text = everything(tmp_path / "with")
    assert all(name in text for name in ("Ann Author", "Con Tributor", "J. Doe"))
    assert any("consent" in note for note in summary.notes)
    assert validate(str(tmp_path / "with" / "datapackage.json")).valid


def test_invented_data_are_told_at_the_top(exported: Path, demo_export: ExportSummary) -> None:
    assert "**1 of 2 sources are invented demo data;" in (exported / "README.md").read_text()
    assert demo_export.notes[0].startswith("Invented demo data")
    for name in ("README.md", "LICENCES.md", "CITATION.cff", "datapackage.json"):
        head = "\n".join((demo_export.folder / name).read_text().splitlines()[:6])
        assert "nvented demo data" in head, name


def test_real_data_are_not_called_invented(raw, tmp_path: Path) -> None:
    raw.add("real", {"runs.csv": RUNS}, head=REAL)
    raw.build()
    summary = write_export(raw.store, tmp_path / "out")
    assert "nvented demo" not in (tmp_path / "out" / "README.md").read_text()
    assert summary.notes == (
        "1 of 1 sources have terms that are not known here as open: read LICENCES.md before you pass the folder on.",
    )


def test_citation_is_whole_and_hostile_titles_survive(exported: Path) -> None:
    cited = yaml.safe_load((exported / "CITATION.cff").read_text())
    assert (
        cited["cff-version"] == "1.2.0"
        and cited["type"] == "dataset"
        and cited["authors"]
        and cited["title"]
        and cited["message"]
    )
    by_title = {r["title"]: r for r in cited["references"]}
    real = by_title[HOSTILE_TITLE]
    assert (real["type"], real["url"], real["publisher"]["name"]) == ("magazine-article", "https://a.example/x?y=1", "Test Sheet")
    assert "ask the publisher" in real["notes"] and by_title["Curves"]["notes"].startswith("Invented demo data")


@pytest.mark.parametrize("text", ['a"b\\c', "x: y # z", "\u2028\x00\x07\x85\ufeff", "😀 é", "- *a &b", "'"])
def test_yaml_text_reads_back(text: str) -> None:
    assert yaml.safe_load(yaml_text(text)) == text


def test_licences_name_each_source_and_markup_is_taken_literally(exported: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((exported / "data" / "licence.csv").read_text())))
    told = {r["source"]: (r["licence"], r["known_to_be_open"], r["runs"]) for r in rows}
    assert told == {"real": ("ask the publisher: (c) 2024", "false", "4"), "curves": ("CC0-1.0", "true", "1")}
    text = (exported / "LICENCES.md").read_text()
    assert "<b>" not in text and "\\<b\\>" in text
    assert next(line for line in text.splitlines() if line.startswith("| real")).count(" | ") == 5


@pytest.mark.parametrize(
    ("licence", "is_open"),
    [("CC0-1.0", True), ("CC BY 4.0", True), ("cc-by-sa-4.0", True), ("ODbL-1.0", True), ("CC-BY-NC-4.0", False), ("CC-BY-ND-4.0", False),
     ("CC BY-NC-SA 4.0", False), ("all rights reserved", False), ("mit Erlaubnis", False), ("MIT", True), ("Public Domain", True), ("", False)],
)  # fmt: skip
def test_open_licences(licence: str, is_open: bool) -> None:
    assert is_open_licence(licence) is is_open


def test_the_dictionary_describes_every_column(exported: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((exported / "data" / "dictionary.csv").read_text())))
    told = {(r["table"], r["column"]): r for r in rows}
    for table in TABLES:
        names = next(csv.reader((exported / "data" / f"{table.name}.csv").open()))
        assert {n for t, n in told if t == table.name} == set(names)
    boost, field = told["run", "boost_kpa"], FIELDS["boost_kpa"]
    assert field.usual is not None
    assert (boost["unit"], boost["meaning"], float(boost["usual_to"])) == ("kPa", field.meaning, field.usual[1])
    assert field.meaning in (exported / "DICTIONARY.md").read_text()


def test_tables_follow_the_store_and_the_dictionary(filled: Filled) -> None:
    for table in TABLES:
        if table.name in STORE_TABLES and table.name != "refused":
            added = {"run": {"build"}, "flag": {"sentence"}}.get(table.name, set())
            assert {c.name for c in table.columns} == set(read_table(filled.store, table.name).columns) | added, table.name
    names = {c.name for c in exported_columns(TABLES[3], with_personal=True)}
    assert {f.name for t in ("build", "run", "change") for f in fields_of(t)} <= names  # type: ignore[arg-type]


def compare_runs(before: Path, after: Path) -> None:
    """The runs of two stores are the same but for keys, contributor's names and printed digits."""
    own = {"run", "compared_with", "parts", "run_key", "source"}
    names = [f.name for f in fields_of("run") if f.name not in own] + [
        "role",
        "publisher",
        "ambient_used_kpa",
        "ambient_basis",
        "is_repeat",
    ]
    first = read_table(before, "run").sort("run_key")
    second = read_table(after, "run").sort("run")
    assert second["run"].to_list() == first["run_key"].to_list()
    for name in names:
        if first[name].dtype == pl.Float64:
            close = (first[name] - second[name]).abs().fill_null(0) <= 1e-9 * first[name].abs().fill_null(1)
            assert close.all() and first[name].is_null().equals(second[name].is_null()), name
        else:
            assert first[name].to_list() == second[name].to_list(), name


def test_an_exported_table_can_be_read_back(demo_store: Path, demo_export: ExportSummary, raw) -> None:
    raw.add("back", {"run_flat.csv": (demo_export.folder / "data" / "run_flat.csv").read_bytes()}, head=INVENTED)
    summary = raw.build(with_demo=True)
    assert not summary.problems and summary.count("refused") == 0
    assert not [f for f in summary.flags if f["code"] == "column_unrecognised" and f["column"] != "source"]
    compare_runs(demo_store, raw.store)
    first, second = read_table(demo_store, "build"), read_table(raw.store, "build")
    fields = [f.name for f in fields_of("build")]
    assert first.select(fields).sort("publisher", "build").equals(second.select(fields).sort("publisher", "build"))
    changes = [read_table(s, "change").select("publisher", "parts", "retuned_each", "held") for s in (demo_store, raw.store)]
    assert changes[0].height > 10
    assert sorted(map(repr, changes[0].rows())) == sorted(map(repr, changes[1].rows()))


def test_plain_runs_can_be_read_back_too(filled: Filled, exported: Path, raw) -> None:
    raw.add("back", {"run.csv": (exported / "data" / "run.csv").read_bytes()}, head=INVENTED)
    summary = raw.build(with_demo=True)
    runs, back = read_table(filled.store, "run"), read_table(raw.store, "run")
    assert (summary.count("refused"), back.height) == (0, runs.height)
    for name in ("power_kw", "boost_kpa", "power_rpm", "role", "note"):
        told = back.select(unguard_text(pl.col(name)))[name] if name == "note" else back[name]
        assert sorted(map(repr, told)) == sorted(map(repr, runs[name])), name


@pytest.mark.slow
def test_a_withdrawn_source_is_in_no_file(tmp_path: Path) -> None:
    own = Filled(tmp_path)
    (own.root / "withdrawn.toml").write_text('[[withdrawn]]\nsource = "real"\nwhy = "asked"\n')
    build(own.root, own.store, with_demo=True)
    write_export(own.store, tmp_path / "out")
    assert "Alder" not in everything(tmp_path / "out")
    assert pl.read_parquet(tmp_path / "out" / "data" / "file.parquet")["source"].to_list() == ["curves"]


@pytest.mark.slow
def test_an_empty_store_gives_empty_tables(raw, tmp_path: Path) -> None:
    raw.build()
    summary = write_export(raw.store, tmp_path / "out")
    assert set(summary.rows().values()) == {0}
    assert validate(str(tmp_path / "out" / "datapackage.json")).valid


def test_a_folder_with_other_files_is_left_alone(filled: Filled, tmp_path: Path) -> None:
    (tmp_path / "README.md").write_text("mine")
    with pytest.raises(RequestProblem, match="no earlier export"):
        write_export(filled.store, tmp_path)
    assert (tmp_path / "README.md").read_text() == "mine"
    with pytest.raises(RequestProblem, match="is a file"):
        write_export(filled.store, tmp_path / "README.md")
    with pytest.raises(StoreProblem, match="no store"):
        write_export(tmp_path / "none.duckdb", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_nothing_is_left_of_a_failed_export(filled: Filled, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_export(filled.store, tmp_path / "out")
    before = contents(tmp_path / "out")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.export._describe", full)
    with pytest.raises(RequestProblem, match="No space left on device"):
        write_export(filled.store, tmp_path / "out")
    assert contents(tmp_path / "out") == before
    assert not list((tmp_path / "out").glob(".export-*"))


@pytest.mark.slow
def test_batches_make_no_difference(filled: Filled, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_export(filled.store, tmp_path / "a")
    monkeypatch.setattr("pipeline.export_rows.BATCH_ROWS", 2)
    monkeypatch.setattr("pipeline.export_store.BATCH_ROWS", 2)
    write_export(filled.store, tmp_path / "b")
    for name, content in contents(tmp_path / "a").items():
        if name.endswith(".csv"):
            assert content == (tmp_path / "b" / name).read_bytes(), name
        if name.endswith(".parquet"):
            assert pl.read_parquet(tmp_path / "a" / name).equals(pl.read_parquet(tmp_path / "b" / name)), name
