"""Every page of the demo's report under axe-core, wide and light as on a phone and dark, offline and silent."""

from __future__ import annotations

import re
from pathlib import Path

import axe_playwright_python
import pytest
from click.testing import CliRunner

from pipeline.cli import cli

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
ROOT = Path(__file__).parents[2]

#: A claim of each kind, and a row that is none.
CLAIMS = """name,na,boost,made,part,gain,hp_per_psi,rule
Coastal six,420hp,8psi,760hp,,,,
Quiet four,150hp,7psi,190hp,,,,
Heads,300hp,,,heads,60hp,,
Per psi,400hp,10psi,,,,24,
Rule,,,,,,,na_power_over_14_7
Broken,420hp,,,,,,
"""

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """All pages, written by the command that a reader runs."""
    place = tmp_path_factory.mktemp("site")
    words = [
        "run",
        "--raw",
        str(ROOT / "data_raw"),
        "--store",
        str(place / "s.duckdb"),
        "--out",
        str(place / "out"),
        "--with-demo",
    ]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output[-2000:]
    claims = place / "claims.csv"
    claims.write_text(CLAIMS, encoding="utf-8")
    page = ["--page", str(place / "out" / "claims.html")]
    done = CliRunner().invoke(cli, ["claim", "--store", str(place / "s.duckdb"), "--file", str(claims), *page])
    assert done.exit_code == 0, done.output[-2000:]
    return sorted((place / "out").glob("*.html"))


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (360, "dark")])
def test_no_page_breaks_a_rule_of_axe_core(site, open_page, width, scheme):
    assert {page.name for page in site} >= {"study.html", "parts.html", "data.html", "appendix.html", "claims.html"}
    broken = {}
    for file in site:
        opened = open_page(file, width=width, color_scheme=scheme)
        opened.page.evaluate(AXE)
        found = opened.page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
        if found:
            broken[file.name] = [(one["id"], one["nodes"][0]["target"]) for one in found]
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width, (
            f"{file.name} scrolls sideways at {width} px"
        )
        assert not opened.messages and len(opened.requests) == 1, (file.name, opened.messages, opened.requests)
        opened.page.close()
    assert not broken


IMPERIAL, METRIC = re.compile(r"\d[\s\u202f](hp|psi|lbf ft)\b(?! \()"), re.compile(r"\d[\s\u202f](kW|kPa|N m)\b(?!\))")
#: Pages whose every quantity follows the switch; the others quote rows as contributed, or stored figures in their own unit.
SWITCHED = ("index.html", "study.html", "parts.html", "method.html", "claims.html")


def _shown(page):
    """What a reader sees, without what was contributed as it is and without what states both units."""
    return page.evaluate(
        """() => { const main = document.querySelector('#main').cloneNode(true);
        main.querySelectorAll('code, svg.runs, .given, .reading, .glossary, #method, dl.terms, .scroll').forEach((one) => one.remove());
        document.body.append(main); const text = main.innerText; main.remove(); return text; }"""
    )


def test_the_units_switch_changes_every_number_and_sentence_at_once(site, open_page):
    left = {}
    for file in (one for one in site if one.name in SWITCHED):
        page = open_page(file).page
        us = _shown(page)
        page.click("text=kW, kPa")
        page.wait_for_selector("html[data-drawn='si']", timeout=60_000)
        si = _shown(page)
        assert us != si, file.name
        left[file.name] = [si[max(0, m.start() - 40) : m.end() + 10] for m in IMPERIAL.finditer(si)][:3]
        left[file.name] += [us[max(0, m.start() - 40) : m.end() + 10] for m in METRIC.finditer(us)][:3]
        page.close()
    assert not {name: found for name, found in left.items() if found}


#: What A4 holds between margins of 16 mm, and what of a page would be cut off there; closed details and their tables included.
PAPER_PX = 673
WIDER_THAN = """(most) => { document.querySelectorAll('details').forEach((one) => { one.open = true; });
    return [...document.querySelectorAll('main table, main svg, main figure, main pre, main p, main li')]
    .filter((one) => one.getBoundingClientRect().right > most + 1).map((one) => one.outerHTML.slice(0, 120)).slice(0, 3); }"""


def test_every_page_is_used_by_keyboard_and_prints(site, open_page):
    for file in site:
        page = open_page(file).page
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip", file.name
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "answer" or page.evaluate("location.hash") == "#answer", file.name
        reached = set()
        for _ in range(40):
            page.keyboard.press("Tab")
            reached.add(page.evaluate("document.activeElement.tagName"))
        assert reached & {"A", "BUTTON", "INPUT", "SUMMARY", "SELECT"}, (file.name, reached)
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none", (file.name, page.evaluate("document.activeElement.outerHTML.slice(0, 200)"))
        page.emulate_media(media="print")
        page.set_viewport_size({"width": PAPER_PX, "height": 1_000})
        page.wait_for_timeout(300)
        assert page.evaluate(WIDER_THAN, PAPER_PX) == [], file.name
        assert page.evaluate("getComputedStyle(document.querySelector('.switches')).display") == "none"
        assert len(page.pdf()) > 20_000, file.name
        page.close()
