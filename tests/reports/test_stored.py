"""Every figure leads to its stored result, and from there to the rows: anchors, values, links over the whole site."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from html import unescape

import pytest

from models.estimate import Estimate
from reports.build_links import build_link
from reports.numbers import US, show_estimate
from reports.page import PAGES
from reports.sentences import say_headline
from reports.stored_page import render_stored_page
from reports.stored_results import CHART_RESULTS, LONGEST_LIST, _leaves, anchor_of, stored_groups
from reports.study_page import render_study_page
from reports.write import write_pages

TRACE = re.compile(r'<a class="trace page" href="(stored\.html)#([^"]+)"')


def rows_of(results, more=None):
    return {row.anchor: row for group in stored_groups(results, more) for row in group.rows}


def test_every_estimate_of_the_study_stands_with_its_last_digit(full_results):
    rows = rows_of(full_results)
    row = rows["r-rule_ratio-value"]
    of = full_results.rule_ratio
    assert (float(row.value), float(row.low), float(row.high)) == (of.value, of.low, of.high)
    assert (row.builds, row.runs, row.unit, float(row.level)) == (str(of.builds), str(of.runs), of.unit, of.level)
    for rule in full_results.rules:
        stored = rows[anchor_of(f"rules {rule.id} estimate")]
        assert stored.value == ("" if rule.estimate.value is None else repr(rule.estimate.value))
        assert rule.estimate.value is not None or stored.why
    assert len(rows) > 300


def test_anchors_are_each_one_place(full_results):
    groups = stored_groups(full_results)
    every = [group.anchor for group in groups] + [row.anchor for group in groups for row in group.rows]
    assert len(every) == len(set(every))
    assert all(re.fullmatch(r"r-[a-z0-9_-]+", anchor) for anchor in every)


def test_long_lists_are_counted_and_not_walked():
    (group,) = _leaves("many", list(range(LONGEST_LIST + 1)), "builds.html")
    assert group == ("many count", LONGEST_LIST + 1, "builds.html")


def test_a_result_of_one_build_leads_to_its_panel():
    @dataclass
    class One:
        source: str
        publisher: str
        build: str
        gain: Estimate

    one = One("src", "Pub | Co", "a", Estimate(1.0, 0.5, 1.5, 0.95, "1", 1, 2))
    ((_, _, at),) = _leaves("gains", [one], "builds.html")
    assert at == build_link("src|Pub \\| Co|a")


def test_hostile_names_are_cleaned_and_escaped(full_results):
    hostile = "<script>alert(1)</script>\u202e"
    lines = full_results.sensitivity
    html = render_stored_page(replace(full_results, sensitivity=(replace(lines[0], name=hostile), *lines[1:])))
    assert "<script>alert(1)" not in html and "&lt;script&gt;alert(1)" in html and "\u202e" not in html


@pytest.fixture(scope="module")
def site(full_results, summary, tmp_path_factory):
    folder = tmp_path_factory.mktemp("traced")
    write_pages(full_results, summary, folder)
    return {file.name: file.read_text(encoding="utf-8") for file in folder.glob("*.html")}


def test_every_chart_and_key_figure_leads_to_a_stored_result_that_is_there(site):
    ids = set(re.findall(r'id="(r-[^"]+)"', site["stored.html"]))
    for name, html in site.items():
        for page, anchor in TRACE.findall(html):
            assert page in site and anchor in ids, (name, anchor)
        for chart in re.findall(
            r'<figure class="chart" id="chart-(\w+)">(?:(?!</figure>).)*?<div class="under">(?:(?!</figure>).)*</figure>',
            html,
            re.S,
        ):
            assert chart in CHART_RESULTS
    study = site["study.html"]
    for figure in re.findall(r"<div><dt>[^<]*</dt>.*?</div>", study, re.S):
        assert TRACE.search(figure), figure
    for rule in re.findall(r"<li><div><p class=\"verdict.*?</li>", study, re.S):
        assert TRACE.search(rule)
    table = study[study.index('<section id="estimates"') : study.index('<section id="flow"')]
    body = table[table.index("<tbody>") : table.index("</tbody>")]
    assert body.count("<tr>") == body.count('href="stored.html#r-') > 8
    assert all(anchor in ids for anchor in re.findall(r'href="stored\.html#([^"]+)"', body))
    for page in ("index.html", "study.html", "method.html", "appendix.html"):
        assert TRACE.search(site[page])


def test_the_printed_headline_is_the_stored_figure_rounded(site, full_results):
    stored = re.search(r'<tr id="r-rule_ratio-value">.*?</tr>', site["stored.html"], re.S)[0]
    value, low, high = (float(text) for text in re.findall(r'<td class="n">([-0-9.e]+)</td>', stored)[:3])
    again = show_estimate(Estimate(value, low, high, 0.95, "1", 1, 1), US, share=True, reference=1.0)
    assert again.low in say_headline(full_results).us and again.high in say_headline(full_results).us
    assert again.range in unescape(site["study.html"])


def _stored(site, anchor):
    """Value, low and high of a stored estimate, every digit."""
    row = re.search(rf'<tr id="{re.escape(anchor)}(?:-value)?">.*?</tr>', site["stored.html"], re.S)[0]
    return [float(text) for text in re.findall(r'<td class="n">([-0-9.e]+)</td>', row)[:3]]


def _is_rounded(printed, share, stored):
    """Whether a printed number is a stored one, rounded at its last printed digit."""
    decimals = len(printed.partition(".")[2])
    return abs(float(printed) - stored * (100 if share else 1)) <= 0.5 * 10.0**-decimals * (1 + 1e-9)


def _numbers(html):
    return re.findall(r"\d+(?:\.\d+)?|-\d+(?:\.\d+)?", unescape(re.sub(r"<[^>]+>", " ", html)).replace("\u2212", "-"))


def test_every_figure_of_the_table_and_of_the_head_is_its_stored_result_rounded(site):
    study = site["study.html"]
    table = study[study.index('<section id="estimates"') : study.index('<section id="flow"')]
    rows = re.findall(r"<tr>.*?</tr>", table[table.index("<tbody>") : table.index("</tbody>")], re.S)
    assert len(rows) > 8
    for row in rows:
        stored = _stored(site, re.search(r'href="stored\.html#([^"]+)"', row)[1])
        value, ends = re.findall(r"<td.*?</td>", row, re.S)[:2]
        printed = [*_numbers(value), *_numbers(ends)]
        assert len(printed) == 3, row
        share = "%" in value
        assert all(_is_rounded(p, share, s) for p, s in zip(printed, stored, strict=True)), (row, stored)
    heads = re.findall(r"<div><dt>[^<]*</dt><dd class=\"large\">(.*?)</dd>.*?href=\"stored\.html#([^\"]+)\"", study, re.S)
    assert len(heads) >= 5
    for large, anchor in heads:
        value, low, high = _stored(site, anchor)
        printed, share = _numbers(large), "%" in large
        wanted = (value,) if len(printed) == 1 else (low, high)
        assert all(_is_rounded(p, share, s) for p, s in zip(printed, wanted, strict=True)), (large, anchor)


def test_alone_a_page_has_no_link_into_nothing(full_results):
    assert "stored.html" not in render_study_page(full_results)
    assert 'href="builds.html' not in render_stored_page(full_results)
    assert 'href="builds.html' in render_stored_page(full_results, beside=PAGES)
