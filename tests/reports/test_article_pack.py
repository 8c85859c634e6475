"""Article packs: the same bytes, honest grades, terms kept, contributed text shown as text in every format."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import struct
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt

from models.estimate import Estimate
from models.gain_records import GainsResults
from models.offset_records import OffsetModel
from models.prediction_records import CoverageLine, MethodLine, PredictionCheck, PredictionResults
from models.results import StudyResults
from pipeline.cli import cli
from pipeline.errors import RequestProblem
from reports.article_pack import pack_files, pack_json, write_pack
from reports.numbers import US
from reports.pack_charts import study_figures
from reports.pack_figures import draw_figure, lighten
from reports.pack_findings import study_findings
from reports.pack_font import FONT_FILES, FONTS, _character_map, _tables, part_of_font
from reports.pack_make import make_claims_pack, make_engine_pack, make_parts_pack, make_study_pack
from reports.pack_records import Grade, Pack, Terms, terms_of
from reports.pack_sources import write_bibtex, write_csl
from reports.pack_text import csv_text, markdown, words_in

pytestmark = pytest.mark.slow

DRAWN = 2


def few(pack: Pack) -> Pack:
    """The pack with its first figures only: drawing is what takes long."""
    return replace(pack, figures=pack.figures[:DRAWN])


def texts_of(pack: Pack) -> dict[str, str]:
    """Text files of a pack by path."""
    return {path: content.decode() for path, content in pack_files(pack) if not path.endswith((".png", ".ttf"))}


def with_licences(results: StudyResults, **licences: str) -> StudyResults:
    """The study with other terms for some of its sources."""
    sources = tuple(replace(note, licence=licences.get(note.source, note.licence)) for note in results.sources)
    return replace(results, sources=sources)


@pytest.fixture(scope="module")
def study(results: StudyResults) -> Pack:
    return few(make_study_pack(results, [{"source": "demo_01", "medium": "magazine", "citation": "Cite me so"}]))


@pytest.fixture(scope="module")
def texts(study: Pack) -> dict[str, str]:
    return texts_of(study)


# --- the folder ---------------------------------------------------------------------------------------------------------


def test_same_results_give_the_same_bytes_and_every_sum_is_right(study, tmp_path):
    files = write_pack(study, tmp_path / "one")
    write_pack(study, tmp_path / "two")
    before = {path: path.read_bytes() for path in files}
    write_pack(study, tmp_path / "one")
    for path in files:
        assert path.read_bytes() == before[path] == (tmp_path / "two" / path.relative_to(tmp_path / "one")).read_bytes()
    sums = dict(reversed(line.split("  ", 1)) for line in (tmp_path / "one" / "checksums.txt").read_text().splitlines())
    there = {str(p.relative_to(tmp_path / "one")) for p in (tmp_path / "one").rglob("*") if p.is_file()}
    assert there == {*sums, "checksums.txt"}
    for path, digest in sums.items():
        assert hashlib.sha256((tmp_path / "one" / path).read_bytes()).hexdigest() == digest


def test_a_smaller_pack_takes_the_files_of_the_larger_one_away(study, tmp_path):
    write_pack(study, tmp_path)
    write_pack(replace(study, figures=study.figures[:1]), tmp_path)
    assert sorted(p.name for p in (tmp_path / "figures").iterdir()) == ["01-spread.png", "01-spread.svg"]


def test_other_files_and_edited_ones_are_never_written_over(study, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.md").write_text("my notes")
    with pytest.raises(RequestProblem, match="no earlier pack.*give a new or an empty one"):
        write_pack(study, tmp_path / "mine")
    write_pack(study, tmp_path / "pack")
    (tmp_path / "pack" / "findings.md").write_text("my draft")
    with pytest.raises(RequestProblem, match=r"findings\.md.*was edited.*--force"):
        write_pack(study, tmp_path / "pack")
    assert (tmp_path / "pack" / "findings.md").read_text() == "my draft"
    write_pack(study, tmp_path / "pack", force=True)
    assert (tmp_path / "pack" / "findings.md").read_text().startswith("# What a pound")


def test_a_list_of_sums_cannot_lead_out_of_the_folder(study, tmp_path):
    outside = tmp_path / "outside.txt"
    outside.write_text("mine")
    folder = tmp_path / "pack"
    write_pack(study, folder)
    with (folder / "checksums.txt").open("a") as sums:
        sums.write(f"{hashlib.sha256(b'mine').hexdigest()}  ../outside.txt\n")
    write_pack(study, folder)
    assert outside.read_text() == "mine"


# --- findings -----------------------------------------------------------------------------------------------------------


def test_every_finding_has_one_footnote_and_every_footnote_a_stored_result(study, texts):
    used = re.findall(r"\[\^(S\d\d)\]$", texts["findings.md"], re.MULTILINE)
    notes = re.findall(r"^\[\^(S\d\d)\]: Stored result `(study\.[a-z_.]+)", texts["findings.md"], re.MULTILINE)
    assert used == [one.key for one in study.findings] == [key for key, _ in notes]
    for _, stored in notes:
        assert hasattr(StudyResults, stored.split(".")[1])


@pytest.mark.parametrize(
    ("low", "high", "level", "grade"),
    [(0.85, 0.95, 0.95, Grade.SHOWN), (0.85, 0.95, 0.85, Grade.SUGGESTED), (0.85, 1.01, 0.95, Grade.LEANS), (0.95, 1.03, 0.95, Grade.OPEN)],
)  # fmt: skip
def test_the_grade_of_the_answer_follows_its_interval(results, low, high, level, grade):
    mean = Estimate((low + high) / 2, low, high, level, "1", 118, 312)
    found = study_findings(replace(results, rule_ratio=mean), results)
    assert next(one for one in found if one.stored == "study.rule_ratio").grade is grade


def test_no_finding_is_shown_where_its_interval_holds_the_reference(full_results):
    references = {
        "study.rule_ratio": 1.0,
        "study.last_over_first": 1.0,
        "study.elasticity.elasticity": 1.0,
        "study.drivers.together": 0.0,
    }
    seen = 0
    for one in study_findings(full_results, full_results):
        if one.grade is Grade.SHOWN and one.stored in references:
            seen += 1
            for _, estimate in one.figures:
                assert not estimate.low <= references[one.stored] <= estimate.high
    assert seen


def test_missing_figures_are_said_to_be_missing(results, estimate):
    found = study_findings(replace(results, last_over_first=estimate(None, None)), results)
    one = next(one for one in found if one.stored == "study.last_over_first")
    assert one.grade is Grade.MISSING
    assert "cannot be told" in one.text.us


def test_invented_data_are_said_to_be_at_the_top_of_each_text_and_in_each_row(results, study, texts):
    for path, text in texts.items():
        if path.endswith(".md"):
            assert "invented" in "".join(text.splitlines()[:4]).lower(), path
        if path.endswith(".csv"):
            rows = list(csv.reader(text.splitlines()))
            assert all(row[-1] == "invented demo data" for row in rows[1:]), path
        if path.endswith(".svg"):
            assert text.count("Invented demo data") >= 3  # title, description, and in the picture itself
    real = texts_of(
        few(
            make_study_pack(
                replace(results, invented=False, sources=tuple(replace(s, invented=False) for s in results.sources)), []
            )
        )
    )
    named = [path for path, text in real.items() if "nvented demo" in text]
    assert named == []


def test_method_boxes_keep_to_their_length(results, study):
    for pack in (study, make_claims_pack(results, [])):
        short, long = pack.method
        assert 60 < words_in(short) <= 150
        assert 300 < words_in(long) <= 600


def test_numbers_of_the_records_are_those_of_the_results(results, study, texts):
    rows = list(csv.DictReader(texts["data/records.csv"].splitlines()))
    assert len(rows) == len(results.runs) == len(study.records)
    one = next(run for run in results.runs if run.run_key == rows[0]["record"])
    assert float(rows[0]["power [hp]"]) == pytest.approx(one.power_kw / 0.74569987, rel=1e-6)
    assert float(rows[0]["gain"]) == pytest.approx(one.gain_ratio, rel=1e-9)


def test_figure_data_carry_numbers_beside_their_text_and_no_heading_twice(texts):
    for path, text in texts.items():
        if path.endswith(".csv"):
            heads = next(csv.reader(text.splitlines()))
            assert len(set(heads)) == len(heads), path
    rows = list(csv.DictReader(texts["data/01-spread.csv"].splitlines()))
    assert all(float(row["Lower end [%]"]) < float(row["Upper end [%]"]) for row in rows)


# --- terms --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("licence", "terms"),
    [
        ("CC-BY-4.0", Terms.OPEN), ("CC0-1.0", Terms.OPEN), ("All rights reserved", Terms.ASK), ("with permission", Terms.ASK),
        ("not published", Terms.PRIVATE), ("Private, for this study only", Terms.PRIVATE), ("please do not share", Terms.PRIVATE),
    ],
)  # fmt: skip
def test_terms_are_read_from_the_licence(licence, terms):
    assert terms_of(licence) is terms


def test_a_private_source_is_in_no_file_and_a_closed_one_lists_no_record(results):
    closed = with_licences(results, demo_03="not published", demo_05="All rights reserved")
    pack = make_study_pack(closed, [])
    everything = texts_of(few(pack))
    assert pack.private == 1
    for path, text in everything.items():
        assert "demo_03" not in text, path
        assert "Invented Review 3," not in text and "Invented Review 3\n" not in text, path
        if path.endswith((".csv", ".json")) and path.startswith("data/"):
            assert "demo_05" not in text, path
    assert "Invented Review 5" in everything["sources.bib"]
    assert "ask the publisher first" in everything["licences.md"]
    assert "1 source must not be passed on" in everything["licences.md"]
    units = [unit for unit in closed.units if unit.source in ("demo_03", "demo_05")]
    assert units
    assert not {record.build for record in pack.records} & {unit.build for unit in units}
    assert pack.builds == closed.rule_ratio.builds


def test_builds_of_closed_sources_are_drawn_without_names_and_private_ones_not_at_all(results):
    closed = with_licences(results, demo_03="not published", demo_05="All rights reserved")
    terms = {note.source: terms_of(note.licence) for note in closed.sources}
    spread = study_figures(closed, terms, US)[0]
    assert {row["source"] for row in spread.rows["units"]} == {u.source for u in closed.units} - {"demo_03"}
    assert {row["source"] for row in spread.data} == {u.source for u in closed.units} - {"demo_03", "demo_05"}
    assert spread.left_out == sum(unit.source == "demo_05" for unit in closed.units)


def test_persons_are_never_read(results):
    described = [
        {"source": "demo_01", "medium": "magazine", "citation": "", "author": "Wendeline Sample", "contributor": "Ottokar Sample"}
    ]
    everything = "".join(texts_of(few(make_study_pack(results, described))).values())
    assert "Wendeline" not in everything and "Ottokar" not in everything


# --- hostile text -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hostile(hostile_results: StudyResults) -> dict[str, str]:
    pack = make_study_pack(hostile_results, [{"source": "demo_01", "medium": "x", "citation": "](javascript:1) <b>"}])
    # Names stand in the records and in these figures; open terms, so that they get there.
    opened = make_study_pack(with_licences(hostile_results, **{n.source: "CC0-1.0" for n in hostile_results.sources}), [])
    return {**{f"asked/{k}": v for k, v in texts_of(few(pack)).items()}, **texts_of(few(opened))}


def test_markdown_shows_contributed_text_as_text(hostile):
    reader = MarkdownIt("commonmark", {"html": True, "linkify": False}).enable("table")
    for path, text in hostile.items():
        if not path.endswith(".md"):
            continue
        html = reader.render(text)
        assert not re.search(r"<(script|img|svg|a|b|form|iframe)\b", html), path
        assert "javascript:" not in re.sub(r">[^<]*<", "><", html), path
    assert "&lt;script&gt;window.pwned=1&lt;/script&gt;" in reader.render(hostile["licences.md"])


@pytest.mark.parametrize(
    "text", ["1. [x](y) <b> `c` *d* _e_ | f # ~~g~~", "https://example.org www.example.org a@example.org", "$x^2$ ![i](u)"]
)
def test_markdown_escapes_come_back_as_the_same_text(text):
    html = MarkdownIt("commonmark", {"html": True}).render("- " + markdown(text))
    shown = re.sub(r"</?(ul|li|ol)>\n?", "", html).strip()
    for mark, entity in (("<", "&lt;"), (">", "&gt;"), ('"', "&quot;")):
        shown = shown.replace(entity, mark)
    assert shown.replace("&amp;", "&") == text


def test_bibtex_braces_balance_and_entries_are_no_more_than_the_sources(hostile, hostile_results):
    text = hostile["sources.bib"]
    entries = re.findall(r"^@(\w+)\{([A-Za-z0-9-]+),$", text, re.MULTILINE)
    assert len(entries) == len({key for _, key in entries}) == len({unit.source for unit in hostile_results.units})
    depth = 0
    for mark in text:
        depth += {"{": 1, "}": -1}.get(mark, 0)
        assert depth >= 0
    assert depth == 0
    for value in re.findall(r"^  \w+ = \{(.*)\},$", text, re.MULTILINE):
        assert not re.search(r"(?<!\\)[#$%&_]", value)
        assert re.sub(r"\{\\text\w+\}", "", value).count("\\") == len(re.findall(r"\\[#$%&_]", value))
    assert "javascript:" not in "".join(re.findall(r"^  url.*$", text, re.MULTILINE))


def test_csl_is_json_with_the_fields_that_a_reader_needs(hostile):
    for item in json.loads(hostile["sources.json"]):
        assert {"id", "type", "title", "author"} <= item.keys()
        assert "URL" not in item


def test_no_cell_of_any_csv_file_is_a_formula(hostile):
    cells = [
        cell for path, text in hostile.items() if path.endswith(".csv") for row in csv.reader(text.splitlines()) for cell in row
    ]  # fmt: skip
    assert any("HYPERLINK" in cell for cell in cells)
    for cell in cells:
        assert not re.match(r"\s*[=+\-@]", cell) or re.fullmatch(r"[+-]?[\d.]+(e[+-]?\d+)?", cell), cell


def test_csv_numbers_stay_numbers_and_missing_ones_empty():
    assert csv_text(["a", "b", "c"], [(1.5, None, "=1+1")], invented=False) == "a,b,c\n1.5,,'=1+1\n"


def test_svg_holds_no_script_no_link_and_its_words_as_words(hostile):
    for path, text in hostile.items():
        if not path.endswith(".svg"):
            continue
        tree = ET.fromstring(text)
        names = {node.tag.rpartition("}")[2] for node in tree.iter()}
        assert not names & {"script", "a", "image", "foreignObject", "use"}, path
        for node in tree.iter():
            for name, value in node.attrib.items():
                assert not name.lower().startswith("on") and "href" not in name.lower()
                assert "://" not in value or name.rpartition("}")[2] == "version"


# --- pictures -----------------------------------------------------------------------------------------------------------


def test_picture_carries_its_font_its_legend_and_words_for_screen_readers(study):
    svg, png = draw_figure(study.figures[0], US, True)
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width = int(re.search(r'width="(\d+)', svg)[1])
    assert struct.unpack(">I", png[16:20])[0] == 2 * width
    tree = ET.fromstring(svg)
    children = [node.tag.rpartition("}")[2] for node in tree]
    assert children[:3] == ["title", "desc", "style"]
    assert "font-family:&quot;" not in svg and 'font-family:"Liberation Sans"' in svg
    for words in ("Turbocharger", "Centrifugal supercharger", "Positive-displacement supercharger"):
        assert f">{words}<" in svg


def test_lighter_picture_keeps_every_mark_that_can_be_seen():
    svg = (
        '<svg><defs><clipPath id="c1"><rect x="0" y="0" width="100" height="50"/></clipPath></defs>'
        '<g class="mark-line x" clip-path="url(#c1)" a="b"><path d="M0,0L50,25" stroke="#000" opacity="0.3"/></g>'
        '<g class="mark-line x" clip-path="url(#c1)" a="b"><path d="M0,0L150,25" stroke="#000"/></g>'
        '<path d="M0,0" stroke-width="9" opacity="0"/><path d="M1,1" fill="#111" fill-opacity="0.5" opacity="0.5"/></svg>'
    )
    made = lighten(svg)
    assert made.count("<path") == 3
    assert made.count("clip-path=") == 1 and "L150,25" in made.split("clip-path=")[1]
    assert 'stroke-opacity="0.3"' in made and 'fill-opacity="0.25"' in made


@pytest.mark.reference
def test_widths_of_the_part_of_the_font_are_those_of_helvetica():
    """Widths in thousandths of the size from Adobe's metrics of the 14 core fonts, Helvetica (from memory)."""
    expected = {" ": 278, "A": 667, "a": 556, "i": 222, "m": 833, "W": 944, "0": 556, "%": 889}
    part = part_of_font((FONTS / FONT_FILES[400]).read_bytes(), [*expected, "é"])
    tables = _tables(part)
    known = _character_map(tables["cmap"])
    per_em = struct.unpack(">H", tables["head"][18:20])[0]
    for character, width in expected.items():
        at = 4 * known[ord(character)]
        assert struct.unpack(">H", tables["hmtx"][at : at + 2])[0] * 1000 / per_em == pytest.approx(width, abs=0.6)
    # OpenType: all 32-bit words of the file add up to this figure.
    words = struct.unpack(f">{len(part) // 4}I", part)
    assert sum(words) & 0xFFFFFFFF == 0xB1B0AFBA
    assert len(part) < 20_000


# --- other packs --------------------------------------------------------------------------------------------------------

CHECK = PredictionCheck(
    10, 100, 250, (CoverageLine("all", "all boosted runs", None, None, 100, 250, 3.0, 0.1, 0.8, 0.95),),
    (MethodLine("estimate", "the estimate", 3.0, 0.8, 0.95, 9.0, 15.0), MethodLine("rule", "the rule", 3.9, 0.8, 0.95, 11.0, 19.0)),
    "It held.", ("Dealt by engine.",),
)  # fmt: skip


def test_claims_pack_has_every_rule_with_its_verdict(results):
    pack = make_claims_pack(results, [])
    assert len(pack.findings) == len(results.rules)
    verdicts = {rule.verdict: Grade.SHOWN for rule in results.rules} | {"cannot tell yet": Grade.MISSING}
    for one in pack.findings:
        verdict = next(v for v in verdicts if v in one.text.us)
        assert one.grade is verdicts[verdict]
    assert "Ten belt-driven builds" in texts_of(pack)["findings.md"]


def test_engine_pack_prints_where_ranges_held_too_seldom(results):
    short = CoverageLine("induction", "centrifugal", None, None, 40, 90, 4.0, 0.0, 0.6, 0.9)
    check = replace(CHECK, lines=(*CHECK.lines, short))
    pack = make_engine_pack(results, PredictionResults(None, check, None), [], [], "si")
    said = texts_of(pack)["findings.md"]
    assert "The 80 % range held less often than it should with centrifugal supercharger (60 % of 40 builds)" in said
    assert [figure.name for figure in pack.figures] == ["coverage", "methods"]
    without = make_engine_pack(results, PredictionResults(None, None, "Too few builds."), [], [])
    assert without.findings[0].grade is Grade.MISSING and not without.figures


def test_parts_pack_without_a_pair_says_so(results, no_gains, tmp_path):
    pack = make_parts_pack(results, no_gains, EMPTY_MODEL, [])
    assert "No before/after pair" in texts_of(pack)["findings.md"]
    assert pack.findings[0].grade is Grade.MISSING
    assert pack_json(pack, [])["records"] == 0


EMPTY_MODEL = OffsetModel("3f9a1c", "0.1.0", "2026-03-14", True, (), (), 0.02, 1.0, why="No builds.")


def simulated_gains(results: StudyResults, engines: int, changes: int | None = None) -> GainsResults:
    """Answers on simulated pairs of several sources."""
    import polars as pl

    from models.gain_answers import answer_gains
    from models.simulate_changes import ChangeTruth, simulate_changes

    made = simulate_changes(ChangeTruth(engines=engines, growth=0.7, both_share=0.4), 9)
    source = pl.DataFrame({"source": made.changes["source"].unique(), "invented": True})
    kept = made.changes if changes is None else made.changes.head(changes)
    return answer_gains({"run": made.runs, "build": made.builds, "source": source, "change": kept}, results)


@pytest.fixture
def no_gains(results: StudyResults) -> GainsResults:
    return simulated_gains(results, 5, 0)


def test_parts_pack_draws_lists_and_names_no_pair_of_a_private_source(results):
    gains = simulated_gains(results, 60)
    sources = sorted({pair.source for pair in gains.pairs})
    hidden = sources[0]
    note = results.sources[0]
    notes = tuple(
        replace(note, source=one, publisher=f"House {one}", licence="private" if one == hidden else "CC0-1.0") for one in sources
    )
    pack = make_parts_pack(replace(results, sources=notes), gains, EMPTY_MODEL, [])
    theirs = {pair.engine for pair in gains.pairs if pair.source == hidden}
    others = {pair.engine for pair in gains.pairs if pair.source != hidden}
    assert theirs and others and len(pack.figures) == 2
    assert {record.source for record in pack.records} == set(sources) - {hidden}
    both_ways = next(figure for figure in pack.figures if figure.name == "both-ways")
    drawn = {row["name"] for row in both_ways.rows["both_ways"]}
    assert drawn and drawn <= others
    assert pack.runs > len(pack.records)
    for path, text in texts_of(pack).items():
        assert f"{hidden}/" not in text and f"House {hidden}" not in text, path


# --- the command --------------------------------------------------------------------------------------------------------


def test_missing_store_is_one_sentence(tmp_path):
    said = CliRunner().invoke(cli, ["pack", str(tmp_path / "p"), "--store", str(tmp_path / "none.duckdb")])
    assert said.exit_code == 1
    assert not (tmp_path / "p").exists()


@pytest.mark.slow
@pytest.mark.parametrize("units", ["us", "si"])
def test_whole_pack_of_a_fitted_study(full_results, tmp_path, units):
    pack = make_study_pack(full_results, [], units)
    files = write_pack(pack, tmp_path)
    assert len(pack.figures) >= 12
    for path in files:
        if path.suffix == ".svg":
            ET.fromstring(path.read_text())
    assert "psi" not in (tmp_path / "data" / "records.csv").read_text().splitlines()[0] or units == "us"
    assert write_bibtex(pack).count("\n@") == len(json.loads(write_csl(pack)))
    assert Path(tmp_path / "figures").is_dir()
