"""The page as a file: policy, escaping, nothing from outside, whole or not at all."""

import base64
import hashlib
import json
import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports import page
from reports.page import columns_of, content_policy, script_json, write_page
from reports.tables import CHART_COLUMNS, table_estimates, table_sources
from reports.write import write_pages


@pytest.fixture(scope="module")
def html(page_file):
    return page_file.read_text(encoding="utf-8")


@settings(deadline=None)
@given(st.text())
def test_script_json_holds_nothing_that_ends_a_script(text):
    made = str(script_json({"a": text}))
    assert not re.search("[<>&\u2028\u2029]", made)
    assert json.loads(made) == {"a": text}


def test_script_json_makes_numbers_that_are_not_finite_null():
    assert str(script_json([float("nan"), float("inf"), 1.5, {"a": (float("-inf"),)}])) == '[null,null,1.5,{"a":[null]}]'


def test_columns_of_rows_with_unlike_fields():
    assert columns_of([{"a": 1}, {"a": 2, "b": 3}]) == {"a": [1, 2], "b": [None, 3]}


def test_nothing_comes_from_outside(html):
    tags = re.findall(
        r"<(?:script|link|img|iframe|object|embed|source|video|audio)\b[^>]*>",
        re.sub(r"(?s)(<script[^>]*>).*?</script>", r"\1", html),
    )
    for tag in tags:
        for address in re.findall(r"(?:src|href)\s*=\s*[\"']?([^\"'\s>]+)", tag):
            assert address.startswith("data:"), tag
    style = re.search(r"(?s)<style>(.*?)</style>", html).group(1)
    assert "url(" not in style and "@import" not in style and "@font-face" not in style


def test_policy_names_exactly_the_scripts_of_the_page(html):
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html).group(1).replace("&#39;", "'")
    assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0] and "unsafe-eval" not in policy
    assert policy.startswith("default-src 'none'")
    bodies = re.findall(r"(?s)<script>(.*?)</script>", html)
    hashes = {base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() for body in bodies}
    assert len(bodies) == 2 and hashes == set(re.findall(r"'sha256-([^']+)'", policy))
    assert content_policy(["a"]) != content_policy(["b"])


def test_no_inline_handlers_of_our_own(html):
    markup = re.sub(r"(?s)<script.*?</script>", "", html)
    assert not re.search(r"<[^>]+\son\w+=", markup)


def test_weight(page_file):
    assert page_file.stat().st_size < 4_000_000


def test_banner_follows_the_data(html, study_maker, summary, tmp_path):
    assert html.count("Invented demo data") >= 2
    real = write_pages(replace(study_maker(3), invented=False), summary, tmp_path)[0].read_text(encoding="utf-8")
    assert "Invented demo data" not in re.sub(r"(?s)<script.*?</script>", "", real)


def test_sections_and_cautions(html):
    for name in (
        "answer",
        "glance",
        "reading",
        "charts",
        "within",
        "size",
        "curve",
        "drivers",
        "deviators",
        "sensitivity",
        "estimates",
        "rules",
        "flow",
        "sources",
        "method",
        "cautions",
    ):
        assert f'<section id="{name}"' in html
    assert "no tune" in html and "qualified calibrator" in html and "boost-control line" in html


def test_hostile_text_is_escaped(hostile_file):
    markup = re.sub(r"(?s)<script>.*?</script>", "", hostile_file.read_text(encoding="utf-8"))
    assert "<script>window.pwned" not in markup and "<img src=x" not in markup and "<svg onload" not in markup
    assert "&lt;script&gt;window.pwned=1&lt;/script&gt;" in markup
    assert (
        'href="javascript:' not in markup and "\u202e" not in markup and "49" not in re.findall(r"\{\{ 7\*7 \}\}|49 \{%", markup)
    )
    assert "{{ 7*7 }}" in markup


def test_page_is_the_same_twice(study_maker, summary, page_file, tmp_path):
    again = write_pages(study_maker(), summary, tmp_path / "new" / "folder")
    assert [path.name for path in again] == ["study.html", "method.html", "index.html", "appendix.html", "stored.html"]
    assert again[0].read_bytes() == page_file.read_bytes()


def test_a_failed_write_leaves_the_old_page(tmp_path):
    out = tmp_path / "study.html"
    write_page("old", out)
    with pytest.raises(UnicodeEncodeError):
        write_page("new \ud800", out)
    assert out.read_text() == "old" and list(tmp_path.iterdir()) == [out]


def test_tables(results, hostile_results):
    table = table_estimates(results)
    assert all(len(row) == len(table.heads) for row in table.rows)
    assert len(table.rows) == 6 + len(results.marginal_yield)
    assert table.rows[3][0].us == "Next psi at 15\u202fpsi over the first" and "kPa" in table.rows[3][0].si
    sources = table_sources(results)
    assert sources.links[0] == "https://example.org/a" and sources.links[1] is None
    assert sum(int(row[4]) for row in sources.rows) == len(results.units)
    assert set(table_sources(hostile_results).links) == {None}


def test_columns_of_chart_tables_exist(results):
    from reports.charts.rows import make_rows, select_units

    rows = make_rows(results, select_units(results))
    for dataset, columns in CHART_COLUMNS.values():
        assert {column.field for column in columns} <= set(rows[dataset][0])


def test_prepared_templates_are_not_compiled_again(monkeypatch):
    page.prepare_pages(["index.html"])
    monkeypatch.setattr(page._environment(), "compile", None)
    for file in ("index.html", "base.html", "macros.html"):
        assert page._environment().get_template(file).name == file
