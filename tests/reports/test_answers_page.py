"""The study page with every answer, and its appendix: as files and in a real browser."""

import csv
import re

import pytest
from playwright.sync_api import expect

from reports.appendix_page import render_appendix_page

CHARTS = 21


@pytest.fixture(scope="module")
def html(full_folder):
    return (full_folder / "study.html").read_text(encoding="utf-8")


def without_scripts(html):
    return re.sub(r"(?s)<script.*?</script>", "", html)


def test_sections_and_weight(html, full_folder):
    for name in (
        "within",
        "size",
        "curve",
        "drivers",
        "physics",
        "each",
        "deviators",
        "selection",
        "sensitivity",
        "rules",
        "flow",
    ):
        assert f'<section id="{name}"' in html and f'href="#{name}"' in html or name == "each"
    for page in ("study.html", "appendix.html"):
        assert (full_folder / page).stat().st_size < 4_000_000
    assert 'href="appendix.html"' in html and "No corrected average is given" in html


def test_every_chart_has_words_a_table_and_a_file(html):
    figures = re.findall(r'(?s)<figure class="chart" id="chart-([\w-]+)">(.*?)</figure>', html)
    assert len(figures) == CHARTS
    for name, figure in figures:
        assert f'data-chart="{name}"' in figure and 'class="csv"' in figure and "<figcaption>" in figure
        assert len(re.sub(r"<[^>]+>", "", re.search(r"(?s)<figcaption>(.*?)</figcaption>", figure)[1])) > 30


def test_causes_are_printed_without_a_script(html, full_results):
    markup = without_scripts(html)
    first = full_results.deviators.unlike_peers[0]
    assert markup.count('<article class="deviant"') >= len(full_results.deviators.unlike_peers)
    assert first.causes and "Tested and set aside" in markup and '<svg class="runs"' in markup
    assert "nobody drew lots" in markup and "What would tell:" in markup


def test_hostile_answers_are_escaped(hostile_folder):
    escaped = {
        "study.html": "&lt;script&gt;window.pwned=1&lt;/script&gt;",
        "appendix.html": "&gt;&lt;svg onload=window.pwned=1&gt;",
    }
    for page, text in escaped.items():
        markup = re.sub(r"(?s)<script>.*?</script>", "", (hostile_folder / page).read_text(encoding="utf-8"))
        assert "<script>window.pwned" not in markup and "<img src=x" not in markup and "<svg onload" not in markup
        assert "\u202e" not in markup and text in markup


def test_a_study_without_answers_has_an_appendix_that_says_so(results):
    html = render_appendix_page(results)
    assert "There is no joint model of drivers" in html and "<figure" not in html and "No test could be made" in html


@pytest.mark.browser
def test_everything_is_drawn_offline_without_a_message(full_folder, open_page):
    opened = open_page(full_folder / "study.html")
    assert opened.messages == [] and len(opened.requests) == 1
    assert opened.page.locator(".plot svg.marks").count() == CHARTS
    # Vega puts the description on the place of the chart.
    said = opened.page.evaluate(
        "Object.fromEntries([...document.querySelectorAll('.plot')].map(p => [p.id, p.getAttribute('aria-label')]))"
    )
    assert min(map(len, said.values())) > 20 and "Of a hundred builds" in said["plot-within"]
    assert opened.page.evaluate("[...document.querySelectorAll('.plot')].every(p => p.style.minHeight === '')")


@pytest.mark.slow
@pytest.mark.browser
def test_units_switch_reaches_every_sentence(full_folder, open_page):
    page = open_page(full_folder / "study.html").page
    for more in page.locator("details:not(.data) > summary").all():
        more.evaluate("element => element.parentElement.open = true")
    page.locator("input[name=units][value=si]").check(force=True)
    page.wait_for_selector("html[data-drawn=si]")
    after = page.locator("main").inner_text()
    left = re.sub(r"\d+ psi \(\d+ kPa\)|to 10 psi\b", "", after)
    assert re.findall(r".{30}\bpsi\b.{20}", left) == [] and re.findall(r".{30}\bhp\b.{20}", left) == []
    page.locator("input[name=units][value=us]").check(force=True)
    page.wait_for_selector("html[data-drawn=us]")
    back = re.sub(r"\d+ psi \(\d+ kPa\)", "", page.locator("main").inner_text())
    assert re.findall(r".{30}\bkPa\b.{20}", back) == [] and re.findall(r".{30}\bkW\b.{20}", back) == []


@pytest.mark.browser
def test_a_deviator_opens_its_record_with_its_causes(full_folder, open_page):
    page = open_page(full_folder / "study.html").page
    card = page.locator(".deviant[data-u]").first
    name = card.locator("h4").inner_text()
    card.locator("button.pick").click()
    expect(page.locator("#card")).to_be_visible()
    assert page.locator("#card-name").inner_text() == name
    assert page.locator("#card .why svg.runs").count() == 1 and "where" in page.locator("#card .why").inner_text()
    assert card.locator("button.pick").get_attribute("aria-pressed") == "true"
    page.keyboard.press("Escape")
    expect(page.locator("#card")).to_be_hidden()


@pytest.mark.browser
def test_filters_reach_charts_that_are_drawn_later(full_folder, open_page, full_results):
    page = open_page(full_folder / "study.html").page
    wanted = sum(unit.induction == "centrifugal" for unit in full_results.units)
    page.select_option("#f-induction", "centrifugal")
    expect(page.locator("#status")).to_contain_text(f"{wanted} of 90 builds drawn")
    counted = "document.querySelectorAll('#plot-funnel .mark-symbol.role-mark path').length"
    page.wait_for_function(f"{counted} === {wanted}")


@pytest.mark.browser
def test_files_of_answers_hold_every_row(full_folder, open_page, full_results, tmp_path):
    page = open_page(full_folder / "study.html", "#units=si").page
    lines = {}
    for name in ("drivers", "breakers", "publishers", "withheld"):
        with page.expect_download() as waiting:
            page.locator(f"button.csv[data-chart={name}]").click()
        waiting.value.save_as(tmp_path / f"{name}.csv")
        lines[name] = list(csv.reader((tmp_path / f"{name}.csv").open(encoding="utf-8-sig")))
    assert len(lines["breakers"]) == len(full_results.deviators.breaks_rule) + 2
    assert len(lines["publishers"]) == len(full_results.one_publisher_out.lines) + 3
    heads = lines["drivers"][0]
    first = full_results.drivers.together[0]
    assert first.difference.value is not None and len(set(heads)) == len(heads)
    assert float(lines["drivers"][1][heads.index("Adjusted difference, points")]) == pytest.approx(100 * first.difference.value)
    assert any("kW/L" in line[1] for line in lines["drivers"])


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("page_name", ["study.html", "appendix.html"])
def test_hostile_answers_do_nothing_on_a_phone(hostile_folder, open_page, page_name):
    opened = open_page(hostile_folder / page_name, width=360)
    page = opened.page
    for summary in page.locator("details > summary").all():
        summary.evaluate("element => element.parentElement.open = true")
    page.wait_for_timeout(200)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate("window.pwned === undefined") and page.locator("main img, main script").count() == 0
    assert opened.messages == [] and len(opened.requests) == 1
