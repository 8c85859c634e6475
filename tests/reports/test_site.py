"""The front page, the builds and the method: what they say, and every page of the site in a real browser, offline."""

import base64
import hashlib
import re
from dataclasses import replace

import pytest

from models.results import SourceNote
from pipeline.build_panels import RecordedBuild, RecordedBuilds, RecordedFlag, RecordedRun, read_builds
from reports import page as page_module
from reports.build_links import build_anchor, build_link, source_anchor
from reports.build_rows import write_value
from reports.builds_page import render_builds_page
from reports.index_page import PURPOSES, render_index_page, search_index
from reports.method_page import render_method_page
from reports.sentences import say_headline, say_next_engine
from reports.write import write_pages

pytestmark = pytest.mark.slow

HOSTILE = '<script>window.pwned=1</script>"\'><img src=x onerror="window.pwned=1">\u202e=1+1'
NEW_PAGES = ("index.html", "builds.html", "method.html")
PLAIN = re.compile(r"<[^>]+>")


def recorded(results, say=lambda text: text):
    """Records of the builds of a study, as the store would hold them."""
    runs = {}
    for run in results.runs:
        runs.setdefault(run.unit_id, []).append(run)
    builds = tuple(
        RecordedBuild(
            u.build_key,
            u.source,
            say(u.publisher),
            say(u.build),
            (("displacement_cc", 2334.0), ("engine_family", say("Pinder")), ("correction", "sae_j1349"), ("ambient_kpa", 98.0)),
            tuple(
                RecordedRun(r.run_key, say("a.csv"), k + 2, "boosted", r.boost_kpa, r.power_kw, False, (("note", say("dry")),))
                for k, r in enumerate(runs.get(u.unit_id, []))
            ),
            (RecordedFlag("a.csv", 2, say("Ambient pressure of 98.0 kPa looks odd.")),),
            None,
        )
        for u in results.units
    )
    return RecordedBuilds(builds, len(builds), 1)


def seen(html):
    """Text of a page without its scripts and marks."""
    return re.sub(r"[ \n]+", " ", PLAIN.sub(" ", re.sub(r"<(script|style).*?</\1>", " ", html, flags=re.S)))


@pytest.fixture(scope="module")
def folder(full_results, summary, tmp_path_factory):
    return write_pages(full_results, summary, tmp_path_factory.mktemp("site"), builds=recorded(full_results))[0].parent


@pytest.fixture(scope="module")
def hostile_site(full_results, summary, tmp_path_factory):
    units = tuple(replace(u, build=HOSTILE, publisher=HOSTILE) for u in full_results.units)
    names = {u.source for u in units}
    notes = tuple(SourceNote(s, HOSTILE, HOSTILE, "javascript:alert(1)", HOSTILE, HOSTILE, False) for s in sorted(names))
    results = replace(full_results, units=units, sources=notes, notes=(HOSTILE,))
    builds = recorded(results, lambda text: HOSTILE)
    return write_pages(results, summary, tmp_path_factory.mktemp("hostile_site"), builds=builds)[0].parent


def test_front_page_gives_question_answer_and_range(full_results, results):
    html = render_index_page(full_results, beside=page_module.PAGES)
    text = seen(html)
    assert "What is one more pound kilopascal of boost worth?" in text and "What we do not know" in text
    assert say_headline(full_results).us in text and say_next_engine(full_results).us in text
    assert re.findall(r'id="plot-(\w+)"', html) == ["spread", "yield", "gain"]
    for file in PURPOSES:
        assert f'class="page" href="{file}"' in html
    alone = render_index_page(results)
    assert 'href="parts.html"' not in alone and '"searchPage":null' in alone


def test_unknowns_are_the_rules_that_cannot_be_told(full_results):
    rules = tuple(replace(rule, verdict="holds") for rule in full_results.rules)
    assert "What would tell" not in render_index_page(replace(full_results, rules=rules))
    one = (replace(rules[0], verdict="cannot tell yet", statement="Ten is ten.", would_tell="A tenth test."), *rules[1:])
    assert "What would tell: A tenth test." in seen(render_index_page(replace(full_results, rules=one)))


def test_every_build_has_one_panel_and_search_leads_to_it(full_results):
    builds = recorded(full_results)
    html = render_builds_page(full_results, builds)
    anchors = re.findall(r'<details class="panel" id="(b-[0-9a-f]{12})"', html)
    assert sorted(anchors) == sorted(build_anchor(one.build_key) for one in builds.builds) and len(set(anchors)) == len(anchors)
    found = search_index(full_results, builds)
    assert {at for at, kind in zip(found["at"], found["kind"], strict=True) if kind == "build"} == set(anchors)
    assert f'id="{source_anchor(builds.builds[0].source)}"' in html


def test_a_sample_is_stated(full_results):
    builds = recorded(full_results)
    some = RecordedBuilds(builds.builds[::2], len(builds.builds), 2)
    assert (
        f"one build in every 2 in order of publisher and name, {len(some.builds)} builds of {len(builds.builds)} builds"
        in seen(render_builds_page(full_results, some))
    )
    assert "Shown here" not in render_builds_page(full_results, builds)


def test_recorded_values_in_both_units_and_codes_in_words():
    assert write_value("ambient_kpa", 98.0).us == "14.2\u202fpsi" and write_value("ambient_kpa", 98.0).si == "98\u202fkPa"
    assert write_value("correction", "sae_j1349") == "SAE J1349" and write_value("correction", "uncorrected") == "uncorrected"
    assert write_value("compression_ratio", 8.9) == "8.9" and write_value("air_c", 28.0) == "28\u202f\u00b0C"
    assert write_value("same_exhaust", True) == "yes"


def test_records_are_read_from_a_store_with_flags_and_no_personal_field(tmp_path):
    from pipeline.build import build

    raw = tmp_path / "raw" / "alder"
    raw.mkdir(parents=True)
    (raw / "source.toml").write_text(
        'title = "Alder tests"\npublisher = "Alder"\nlicence = "CC0-1.0"\nmedium = "own_test"\n\n[[file]]\nname = "runs.csv"\n'
        'kind = "runs"\n',
        encoding="utf-8",
    )
    (raw / "runs.csv").write_text(
        "build,power_hp,boost_psi,fuel,operator\nAlder 3.0,200,0,petrol,Jo\nAlder 3.0,260,5,petrol,Jo\nBirch,300,7,petrol,Jo\n",
        encoding="utf-8",
    )
    store = tmp_path / "s.duckdb"
    build(tmp_path / "raw", store, with_demo=False)
    found = read_builds(store)
    assert [one.build for one in found.builds] == ["Alder 3.0", "Birch"] and (found.of_builds, found.step) == (2, 1)
    alder = found.builds[0]
    assert dict(alder.fields)["fuel"] == "petrol" and [run.role for run in alder.runs] == ["baseline", "boosted"]
    assert any("101.325" in flag.sentence for flag in alder.flags)


def test_method_gives_measured_coverage_only_where_it_was_measured(full_results, summary):
    text = seen(render_method_page(full_results, summary, None))
    assert "Not measured on these records" in text and "80\u202f% range held" not in text
    assert full_results.fingerprint in text and "MIT" in text


def test_links_between_pages_lead_somewhere(folder):
    ids = {file.name: set(re.findall(r'\bid="([^"]+)"', file.read_text(encoding="utf-8"))) for file in folder.glob("*.html")}
    asked = 0
    for file in folder.glob("*.html"):
        body = re.sub(r"<script.*?</script>", "", file.read_text(encoding="utf-8"), flags=re.S)
        for target, anchor in re.findall(r'href="([\w-]*\.html)?(?:#([\w-]+))?"', body):
            if not target and not anchor:
                continue
            assert (target or file.name) in ids, (file.name, target)
            assert not anchor or anchor in ids[target or file.name], (file.name, target, anchor)
            asked += 1
    assert asked > 40


@pytest.mark.browser
@pytest.mark.parametrize("name", [*NEW_PAGES, "study.html", "appendix.html"])
def test_every_page_offline(folder, open_page, name):
    file = folder / name
    opened = open_page(file, width=360, color_scheme="dark")
    page = opened.page
    assert opened.requests == [file.resolve().as_uri()] and opened.messages == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(21, 23, 26)"
    assert page.locator("nav.pages a[aria-current=page]").count() == 1 and page.locator("h1").count() == 1
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    order = []
    for _ in range(4):
        page.keyboard.press("Tab")
        order.append(page.evaluate("document.activeElement.closest('nav.pages') ? 'nav' : document.activeElement.tagName"))
    assert order == ["nav"] * 4
    page.locator("input[name=units][value=si]").check(force=True)
    page.wait_for_selector("html[data-drawn=si]")
    assert page.evaluate("document.documentElement.dataset.units") == "si" and page.url.endswith("units=si")
    assert all(
        link.endswith("#units=si") for link in page.evaluate("[...document.querySelectorAll('nav.pages a')].map(a => a.href)")
    )
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not page.locator("nav.pages").is_visible() and page.locator("h1").is_visible()
    assert opened.messages == []
    page.evaluate("const s = document.createElement('script'); s.textContent = 'window.pwned = 1'; document.body.append(s)")
    assert page.evaluate("window.pwned === undefined")


@pytest.mark.browser
def test_search_finds_a_build_and_its_panel_opens(folder, open_page, full_results):
    opened = open_page(folder / "index.html", "#units=si")
    page, unit = opened.page, full_results.units[3]
    page.locator("#find").fill(unit.build.upper())
    link = page.locator("#found a").first
    assert unit.build in page.locator("#found").inner_text()
    assert link.get_attribute("href").startswith("builds.html#b-") and link.get_attribute("href").endswith("&units=si")
    page.locator("#find").fill("no such engine anywhere")
    assert page.locator("#found a").count() == 0 and "Nothing by that name" in page.locator("#found-status").inner_text()
    there = open_page(folder / "builds.html", "#" + build_link(unit.build_key).split("#")[1] + "&units=si").page
    panel = there.locator("details.panel[open]")
    assert panel.count() == 1 and unit.build in panel.inner_text()
    assert panel.locator("svg.runs circle").count() == sum(run.unit_id == unit.unit_id for run in full_results.runs)
    assert "98\u202fkPa" in panel.inner_text() and "kPa" in panel.locator("svg.runs").text_content()
    there.locator("fieldset.units span", has_text="hp, psi").click()
    there.wait_for_selector("html[data-drawn=us]")
    assert "14.2\u202fpsi" in panel.inner_text() and "kPa" not in panel.inner_text()


@pytest.mark.browser
@pytest.mark.parametrize("name", NEW_PAGES)
def test_hostile_text_is_text(hostile_site, open_page, name):
    opened = open_page(hostile_site / name, width=360)
    page = opened.page
    if name == "index.html":
        page.locator("#find").fill("pwned")
        assert page.locator("#found li").count() > 5 and "<script>" in page.locator("#found").inner_text()
    if name == "builds.html":
        page.evaluate("document.querySelectorAll('details.panel').forEach(d => { d.open = true })")
        page.wait_for_timeout(200)
        assert "<script>window.pwned=1</script>" in page.locator("details.panel .body").first.inner_text()
        assert page.locator("main a[href^='javascript']").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate("window.pwned === undefined") and page.locator("main script, main img").count() == 0
    assert opened.messages == [] and len(opened.requests) == 1


def test_every_page_allows_its_own_scripts_and_nothing_from_outside(folder):
    pages = sorted(folder.glob("*.html"))
    assert len(pages) >= 5
    for path in pages:
        html = path.read_text(encoding="utf-8")
        (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]+)"', html)
        policy = policy.replace("&#39;", "'")
        assert policy.startswith("default-src 'none'") and "unsafe-eval" not in policy, path.name
        bodies = re.findall(r"(?s)<script>(.*?)</script>", html)
        hashes = {base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() for body in bodies}
        assert hashes and hashes <= set(re.findall(r"'sha256-([^']+)'", policy)), path.name
        assert not re.search(
            r"(?:src|href)\s*=\s*[\"']?(?:https?:)?//", re.sub(r"(?s)<script.*?</script>|<a [^>]*>", "", html)
        ), path.name
