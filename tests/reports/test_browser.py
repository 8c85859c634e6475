"""The study page in a real browser, offline: what a reader can do with it."""

import csv
import re

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def in_view(page, selector):
    """Text of an element as the reader sees it."""
    return page.locator(selector).inner_text()


def test_opens_offline_with_one_request_and_no_message(page_file, open_page):
    opened = open_page(page_file)
    assert opened.requests == [page_file.resolve().as_uri()]
    assert opened.messages == []
    assert opened.page.locator(".plot svg.marks").count() == 8
    assert "118 builds" in opened.page.locator("#plot-spread").get_attribute("aria-label")


def test_policy_blocks_a_script_put_in_later(page_file, open_page):
    opened = open_page(page_file)
    opened.page.evaluate(
        "const s = document.createElement('script'); s.textContent = 'window.pwned = 1'; document.body.append(s);"
        "const i = document.createElement('img'); i.src = 'https://example.org/x.png'; document.body.append(i);"
    )
    opened.page.wait_for_timeout(100)
    assert opened.page.evaluate("window.pwned === undefined")
    said = " ".join(opened.messages)
    assert "Executing inline script violates" in said and '"img-src data:". The action has been blocked' in said


def test_unit_switch_changes_every_number(page_file, open_page):
    page = open_page(page_file).page
    page.locator("details.data[data-chart=yield] summary").click()
    before = page.locator("body").inner_text()
    first = float(page.locator("#chart-yield tbody tr td.n").first.inner_text().replace("\u202f", ""))
    assert re.search(r"\bhp\b", before) and "psi" in page.locator("#plot-yield").inner_text()
    page.locator("input[name=units][value=si]").check(force=True)
    page.wait_for_selector("html[data-drawn=si]")
    after = page.locator("main").inner_text()
    assert "psi" not in re.sub(r"\d+ psi \(\d+ kPa\)|14\.7 psi|to 10 psi|Each psi", "", after)
    assert "hp" not in re.findall(r"\w+", after)
    assert "kW per kPa" in page.locator("#plot-yield").inner_text() and "kPa" in in_view(page, "#headline") + after
    second = float(page.locator("#chart-yield tbody tr td.n").first.inner_text().replace("\u202f", ""))
    assert second == pytest.approx(first / 1.34102, abs=1.0) and second != first
    assert page.url.endswith("units=si")


def test_address_and_preference_and_switch_set_the_theme(page_file, open_page):
    page = open_page(page_file, "#sources&units=si&build=4", color_scheme="dark").page
    assert page.evaluate("document.documentElement.dataset.units") == "si"
    assert "kPa absolute" in in_view(page, "#card")
    back = "getComputedStyle(document.body).backgroundColor"
    # A chart's words follow without drawing again.
    word = "getComputedStyle(document.querySelector('#plot-sensitivity .mark-text text')).fill"
    dark = page.evaluate(back), page.evaluate(word)
    page.locator("#theme").click()
    light = page.evaluate(back), page.evaluate(word)
    assert dark[0] == "rgb(21, 23, 26)" and light[0] == "rgb(251, 250, 246)" and dark[1] != light[1]
    assert page.url.endswith("#sources&units=si&theme=light&build=4")
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(back) == "rgb(255, 255, 255)"
    assert not page.locator("#theme").is_visible()


def test_phone_has_no_sideways_scroll_whatever_the_names(hostile_file, open_page):
    opened = open_page(hostile_file, "#build=2", width=360)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 360
    for summary in opened.page.locator("details.data summary").all():
        summary.evaluate("element => element.click()")
    opened.page.wait_for_timeout(100)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= 360


def test_hostile_text_is_shown_as_text(hostile_file, open_page):
    opened = open_page(hostile_file, "#build=0")
    page = opened.page
    for name in ("spread", "yield", "builds"):
        page.locator(f"details.data[data-chart={name}] summary").click()
    page.locator("#plot-yield path[aria-hidden], #plot-yield .mark-symbol path").first.hover(force=True)
    page.wait_for_timeout(200)
    assert page.evaluate("window.pwned === undefined")
    assert page.locator("img, svg[onload], main script").count() == 0
    assert opened.messages == [] and len(opened.requests) == 1
    assert "<script>window.pwned=1</script>" in page.locator("#chart-builds").inner_text()


def test_click_isolates_a_build_everywhere_and_escape_frees_it(page_file, open_page):
    page = open_page(page_file).page
    point = page.locator("#plot-spread .mark-symbol path").nth(10)
    point.scroll_into_view_if_needed()
    point.click(force=True)
    assert page.locator("#card").is_visible()
    faded = (
        "[...document.querySelectorAll('#plot-gain .mark-line path')].filter(p => p.getAttribute('opacity') === '0.07').length"
    )
    page.wait_for_timeout(300)
    assert page.evaluate(faded) > 50
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    assert not page.locator("#card").is_visible() and page.evaluate(faded) == 0


def test_filters_search_and_keyboard(page_file, open_page, results):
    page = open_page(page_file).page
    page.select_option("#f-induction", "centrifugal")
    wanted = sum(unit.induction == "centrifugal" for unit in results.units)
    expect(page.locator("#status")).to_contain_text(f"{wanted} of 118 builds drawn")
    page.locator("#clear").click()
    page.fill("#f-search", "Halden 17")
    expect(page.locator("#status")).to_contain_text("1 of 118 builds drawn")
    page.locator("details.data[data-chart=builds] summary").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#chart-builds button.pick")
    page.locator("#chart-builds button.pick").first.focus()
    page.keyboard.press("Enter")
    assert in_view(page, "#card-name") == "Halden 17"
    assert page.evaluate("document.activeElement.id") == "card"


def test_csv_has_every_row_and_no_formula(hostile_file, hostile_results, open_page, tmp_path):
    page = open_page(hostile_file).page
    read = {}
    for name in ("yield", "builds"):
        with page.expect_download() as waiting:
            page.locator(f"button.csv[data-chart={name}]").click()
        waiting.value.save_as(tmp_path / f"{name}.csv")
        read[name] = list(csv.reader((tmp_path / f"{name}.csv").open(encoding="utf-8-sig")))
    assert read["yield"][0][2] == "Output without boost, hp" and read["yield"][-1] == ["Invented demo data"]
    assert len(read["yield"]) == len(hostile_results.runs) + 2
    cells = [cell for line in read["builds"] for cell in line]
    assert any(cell.startswith("'=HYPERLINK") for cell in cells)
    assert not any(re.match(r"[=+@]", cell) for cell in cells)
