"""The page about the data: every section from a real store, safe with hostile text, and usable in a real browser."""

import csv
import json
import re
import tomllib
from dataclasses import replace
from html import unescape

import altair as alt
import pytest
from playwright.sync_api import expect

from pipeline.build import build
from pipeline.data_summary import summarise
from reports.charts.evidence import SHADES, chart_evidence, rows_of_cells, shade_of
from reports.data_page import render_data_page, write_data_page
from reports.data_sentences import say_data_headline, say_share, say_suspect, say_thick
from reports.data_tables import field_words, table_of_fields, table_of_sources
from reports.numbers import SI, US
from reports.write import write_pages

HOSTILE = "</script><img src=x onerror=window.pwned=1>"
RUNS = """build,displacement_cc,power_hp,boost_psi,induction,charge_cooling
Alder 2.0,1998,150,,,
Alder 2.0,1998,205,6,turbocharger,air_to_air
Birch 3.0,2995,240,,,
Birch 3.0,2995,330,6,centrifugal,none
Birch 3.0,2995,372,9,centrifugal,none
Birch 3.0,2995,see text,11,centrifugal,none
"""
NEAR = "build,power_kw,boost_kpa\nBirch 3.0,179,\nBirch 3.0,246,41\nBirch 3.0,277,62\n"
BAD = f'build,power_hp,boost_psi,{"W" * 200}\n"{HOSTILE}",=cmd(),,x\n"\u202eEvil",<svg onload=window.pwned=1>,5,{"V" * 300}\n'
REPAIR = (
    '[[repair]]\nfile = "f.csv"\nwhere = { build = "Alder 2.0", boost_psi = "6" }\naction = "replace"\ncolumn = "power_hp"\n'
    'value = "206"\nreason = "erratum"\nexpect = { column = "power_hp", equals = "205" }\n'
)


def source(root, name, text, head):
    folder = root / "raw" / name
    folder.mkdir(parents=True)
    (folder / "f.csv").write_text(text, encoding="utf-8")
    (folder / "source.toml").write_text(f'{head}licence = "CC0-1.0"\n[[file]]\nname = "f.csv"\nkind = "runs"\n', encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A store with a bit of everything: refusals, flags, a repair, a suspected repeat, a broken and a withdrawn source, hostile text."""
    root = tmp_path_factory.mktemp("data")
    first = source(
        root,
        "first",
        RUNS,
        'title = "First"\npublisher = "Test Sheet"\nurl = "https://example.org/a"\npublished_on = 2020-01-01\n',
    )
    (first / "repairs.toml").write_text(REPAIR)
    source(
        root, "second", NEAR, 'title = "Second"\npublisher = "Second Sheet"\nauthor = "A. Person"\npublished_on = 2021-01-01\n'
    )
    source(root, "evil", BAD, f'title = {json.dumps(HOSTILE)}\npublisher = "{"W" * 300}"\n')
    source(root, "gone", RUNS.replace("Birch", "Cedar"), 'title = "Gone"\npublisher = "Gone Sheet"\n')
    (root / "raw" / "broken").mkdir()
    (root / "raw" / "broken" / "source.toml").write_text("title = [")
    build(root / "raw", root / "s.duckdb")
    (root / "raw" / "withdrawn.toml").write_text('[[withdrawn]]\nsource = "gone"\nwhy = "Asked for by its author."\n')
    build(root / "raw", root / "s.duckdb")
    return root / "s.duckdb"


@pytest.fixture(scope="module")
def data(store):
    return summarise(store)


@pytest.fixture(scope="module")
def file(data, tmp_path_factory):
    return write_data_page(data, tmp_path_factory.mktemp("page") / "data.html", "0.1.0", beside=["study.html"])


@pytest.fixture(scope="module")
def html(file):
    return re.sub(r"(?s)<script.*?</script>", "", file.read_text(encoding="utf-8"))


def section(html, name):
    return html.split(f'<section id="{name}"')[1].split("</section>")[0]


def test_every_section_and_the_cautions(html):
    for name in ("answer", "classes", "sources", "refused", "flags", "missing", "repeats", "repairs", "dictionary", "cautions"):
        assert f'<section id="{name}"' in html
    assert "no tune" in html and "qualified calibrator" in html


def test_headline_counts_rows(html, data):
    assert say_data_headline(data) in html
    assert (
        say_data_headline(data)
        == f"{data.counts['accepted']} of {data.counts['rows_read']} rows are in: 3 builds from 3 sources."
    )


def test_sources_show_licence_and_counts_and_only_safe_links(html, data):
    text = section(html, "sources")
    assert 'href="https://example.org/a"' in text and text.count("<a ") == 1 and "CC0-1.0" in text
    table = table_of_sources(data)
    assert all(len(row) == len(table.heads) for row in table.rows) and len(table.rows) == 3
    assert "Asked for by its author." in text and "broken/source.toml" in text
    assert "Person" not in html


def test_refused_rows_stand_with_help_and_excerpt(html):
    text = section(html, "refused")
    assert "Number unreadable" in text and "Correct the cell" in text and "see text" in text
    assert "first/f.csv, line 7" in text


def test_repeats_ask_with_lines_that_are_toml(html, data):
    text = section(html, "repeats")
    lines = [unescape(re.sub("<[^>]+>", "", code)) for code in re.findall(r"(?s)<code>(.*?)</code>", text)]
    assert [tomllib.loads(line) for line in lines] == [
        {"same_as": {"Birch 3.0": "first|Test Sheet|Birch 3.0"}}, {"not_same": {"Birch 3.0": "first|Test Sheet|Birch 3.0"}},
    ]  # fmt: skip
    assert "one seems a conversion of the other" in text and "second</bdi>/source.toml" in text


def test_repairs_and_missing_fields_and_dictionary(html):
    assert "erratum" in section(html, "repairs")
    assert "Nobody states:" in section(html, "missing") and "Displacement" in section(html, "missing")
    assert "intake_duration_deg" in section(html, "dictionary") and "left out of exports" in section(html, "dictionary")


def test_hostile_text_is_escaped(html):
    assert "<img src=x" not in html and "<svg onload" not in html and "\u202e" not in html
    assert "&lt;svg onload=window.pwned=1&gt;" in html


def test_page_is_the_same_twice(data, file, tmp_path):
    again = write_data_page(data, tmp_path / "data.html", "0.1.0", beside=["study.html"])
    assert again.read_bytes() == file.read_bytes()


def test_banner_follows_the_data(data, html):
    assert "Invented demo data" not in html
    assert render_data_page(replace(data, invented=True), "0.1.0").count("Invented demo data") >= 2


@pytest.mark.slow
def test_pages_link_each_other_only_where_both_are_written(results, summary, data, tmp_path):
    both = write_pages(results, summary, tmp_path / "both", data)
    assert [p.name for p in both] == ["study.html", "data.html", "method.html", "index.html", "appendix.html", "stored.html"]
    assert 'href="data.html"' in both[0].read_text(encoding="utf-8") and 'href="study.html"' in both[1].read_text(
        encoding="utf-8"
    )
    alone = write_pages(results, summary, tmp_path / "alone")[0]
    assert 'href="data.html"' not in alone.read_text(encoding="utf-8")


def test_empty_records_make_a_page(data):
    empty = replace(
        data, counts=dict.fromkeys(data.counts, 0), sources=(), troubles=(), refused=(), flags=(), fields=(), repeats=(), suspects=(),
        suspects_of=0, answers=(), repairs=(),
        evidence=replace(
            data.evidence, classes=(), power_kw=(), boost_kpa=(), runs=0, builds=0, without_baseline=0,
            grids={code: replace(grid, cells=(), all_cells=()) for code, grid in data.evidence.grids.items()},
        ),
    )  # fmt: skip
    text = render_data_page(empty, "0.1.0")
    for words in (
        "No row has been read yet",
        "No row was refused",
        "No pair waits",
        "No repair is declared",
        "No record carries a flag",
    ):
        assert words in text


@pytest.mark.parametrize("system", [US, SI], ids=["us", "si"])
def test_the_maps_are_valid_charts_with_every_cell_once(data, system):
    grid = data.evidence.grids[system.code]
    keys = [(c.induction, c.charge_cooling) for c in data.evidence.classes]
    rows = rows_of_cells(grid, keys, system)
    together = [(r["power_low_kw"], r["boost_low_kpa"]) for r in rows if r["k"] < 0]
    assert len(set(together)) == len(together)
    assert sum(r["runs"] for r in rows if r["k"] < 0) == data.evidence.runs == sum(r["runs"] for r in rows if r["k"] >= 0)
    for k in (-1, 0):
        chart = chart_evidence(grid, system, "words", k)
        named = {"datasets": {name: [] for name in chart.uses}}
        alt.LayerChart.from_dict({**chart.spec, **named})
        assert chart.spec["description"] == "words"


def test_shades_grow_with_builds():
    shares = [shade_of(n) for n in range(30)]
    assert shares == sorted(shares) and shares[0] == 0.0 and set(shares[1:]) == {share for _, share, _ in SHADES}


def test_shares_never_round_to_all_or_nothing():
    assert [say_share(*pair) for pair in ((0, 300), (1, 300), (150, 300), (299, 300), (300, 300), (0, 0))] == [
        "0\u202f%", "under 1\u202f%", "50\u202f%", "over 99\u202f%", "100\u202f%", "\u2013",
    ]  # fmt: skip


def test_fields_have_words_of_their_own(data):
    from pipeline.fields import fields_of

    for table in ("build", "run", "sweep_point", "change"):
        words = [field_words(f) for f in fields_of(table)]
        assert len(set(words)) == len(words)
        assert len(table_of_fields(data, table).rows) == len(words)


@pytest.mark.parametrize(
    "reason",
    [
        "rounded",
        "misprint",
        "figure_differs",
        "baseline_missing",
        "other_standard",
        "hp_or_ps",
        "engine_differs",
        "few_figures",
        "same_publisher",
    ],
)
def test_every_reason_has_a_sentence_in_both_units(data, reason):
    (pair,) = data.suspects
    odd = replace(pair.rows[0], alike=False, power_kw=200.0)
    said = say_suspect(replace(pair, reason=reason, ratio=0.96, corrections=("sae_j1349", "sae_j607"), rows=(odd,)))
    assert said.us.endswith(".") and "{" not in said.us
    if reason in ("misprint", "figure_differs"):
        assert "hp against" in said.us.replace("\u202f", " ") and "kW against" in said.si.replace("\u202f", " ")
    if reason == "other_standard":
        assert "SAE J1349" in said.us and "0.960" in said.us


def test_finding_names_ends_in_both_units(data):
    said = say_thick(data.evidence)
    assert "hp" in said.us and "psi" in said.us and "kW" in said.si and "kPa" in said.si


@pytest.mark.browser
def test_opens_offline_without_a_message(file, data, open_page):
    opened = open_page(file)
    opened.page.wait_for_selector("html[data-drawn=us]")
    assert opened.requests == [file.resolve().as_uri()] and opened.messages == []
    assert opened.page.locator(".plot svg.marks").count() == 1 + len(data.evidence.classes)
    assert opened.page.evaluate("window.pwned === undefined")
    assert opened.page.locator("img, svg[onload], main script").count() == 0


@pytest.mark.browser
def test_unit_switch_changes_maps_text_and_links(file, open_page):
    page = open_page(file).page
    assert "psi" in page.locator("#plot-evidence").inner_text()
    page.locator("details.data summary").click()
    before = page.locator("#chart-evidence tbody tr").first.inner_text()
    page.locator("input[name=units][value=si]").check(force=True)
    page.wait_for_selector("html[data-drawn=si]")
    assert "kPa" in page.locator("#plot-evidence").inner_text() and "kW" in page.locator("#chart-evidence .finding").inner_text()
    assert page.locator("#chart-evidence tbody tr").first.inner_text() != before
    words = set(re.findall(r"\w+", page.locator("#answer").inner_text() + page.locator("#repeats").inner_text()))
    assert not words & {"hp", "psi"}
    assert page.locator("nav.pages a", has_text="Study").get_attribute("href") == "study.html#units=si"


@pytest.mark.browser
def test_phone_has_no_sideways_scroll_with_everything_open(file, open_page):
    page = open_page(file, width=360).page
    for details in page.locator("details").all():
        details.evaluate("element => element.open = true")
    page.wait_for_timeout(150)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.browser
def test_dark_and_print(file, open_page):
    page = open_page(file, "#repeats&theme=dark").page
    back = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(back) == "rgb(21, 23, 26)"
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(back) == "rgb(255, 255, 255)" and not page.locator("nav.pages").is_visible()


@pytest.mark.browser
def test_keyboard_opens_the_rows_of_a_reason(file, open_page):
    page = open_page(file).page
    page.locator("#refused summary").first.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#refused .rows .where").first).to_be_visible()


@pytest.mark.browser
def test_csv_of_the_map_lists_every_cell(file, data, open_page, tmp_path):
    page = open_page(file).page
    with page.expect_download() as waiting:
        page.locator("button.csv[data-chart=evidence]").click()
    waiting.value.save_as(tmp_path / "map.csv")
    read = list(csv.reader((tmp_path / "map.csv").open(encoding="utf-8-sig")))
    assert read[0][0] == "Output without boost, from, hp" and len(read) == len(data.evidence.grids["us"].all_cells) + 1
    assert sum(int(row[-1]) for row in read[1:]) == data.evidence.runs
