"""Every page of the demo's report under axe-core, wide and light as on a phone and dark, offline and silent."""

from __future__ import annotations

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
