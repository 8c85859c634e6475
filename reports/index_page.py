"""The front page: the question, its answer with the range, three charts that carry it, what is not known, and the ways on."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from models.results import StudyResults
from pipeline.build_panels import RecordedBuilds
from reports.build_links import build_anchor, source_anchor
from reports.charts.base import Chart
from reports.charts.rows import Rows, make_rows, select_units
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, scales_json
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.rule_rows import RuleRow, rule_rows
from reports.sentences import say_basis, say_curvature, say_example, say_headline, say_next_engine, say_spread
from reports.study_charts import NEEDS, UNIT_FREE, chart_tables, columns_json, draw_charts, study_captions

#: Charts that carry the answer, in their order on the page.
FRONT_CHARTS = ("spread", "yield", "gain")
#: Most open questions that the front page names; the study lists all.
MOST_OPEN = 5
MOST_TABLE_ROWS = 1_000

#: What each page is for, in a line.
PURPOSES: dict[str, str] = {
    "study.html": "Every question with its chart, its estimate and its range; the builds that depart and why.",
    "parts.html": "What heads, cams and the rest are worth, and how much boost would give the same power.",
    "engine.html": "Your own engine and boost: what to expect, from which builds, and how far to trust it.",
    "claims.html": "What was said of engines, parts and rules, held against the records.",
    "builds.html": "Every build: its record, its runs against the rule, its source and its flags.",
    "data.html": "Who sent what, what was refused and why, and where the evidence is thin.",
    "method.html": "How the study is made, in plain words; glossary, limits and how to cite it.",
    "appendix.html": "Residuals, influence, collinearity and tests, for whoever wants to look beneath.",
    "stored.html": "Every stored figure to its last digit, and the way to the rows behind it.",
}


def render_index_page(results: StudyResults, builds: RecordedBuilds | None = None, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study; the page computes no statistic of its own.
    builds : every build of the store, to be found by the search; without them the search finds sources alone.
    beside : files of the pages written beside this one, to be linked.
    """
    selection = select_units(results)
    rows = make_rows(results, selection)
    words = study_captions(results)
    charts = _draw(results, rows, words)
    open_rules = [rule for rule in rule_rows(results) if rule.look == "open"]
    pages = page_links("index.html", beside)
    return render_page(
        "index.html",
        pages=pages,
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        subset=results.subset,
        headline=say_headline(results),
        next_engine=say_next_engine(results),
        basis=say_basis(results),
        drawn=[name for name in FRONT_CHARTS if name in charts["us"]],
        captions=words,
        takeaways=_takeaways(results),
        unknowns=[_unknown(rule) for rule in open_rules[:MOST_OPEN]],
        more_unknowns=max(len(open_rules) - MOST_OPEN, 0),
        ways=[
            {"file": page["file"], "name": page["name"], "purpose": PURPOSES[page["file"]]} for page in pages if not page["here"]
        ],
        builds_found=0 if builds is None else len(builds.builds),
        data=script_json(_page_data(results, rows, charts, builds)),
    )


def write_index_page(results: StudyResults, out: Path, builds: RecordedBuilds | None = None, beside: Iterable[str] = ()) -> Path:
    """Write the front page; returns where it stands."""
    return write_page(render_index_page(results, builds, beside), out)


def _draw(results: StudyResults, rows: Rows, words: Any) -> dict[str, dict[str, Chart]]:
    """The three charts in both unit systems."""
    others = (frozenset(words) | frozenset(NEEDS)) - set(FRONT_CHARTS)
    us = draw_charts(results, rows, SYSTEMS["us"], words, leave_out=others)
    si = draw_charts(results, rows, SYSTEMS["si"], words, leave_out=others | UNIT_FREE)
    # A chart without a quantity is drawn once and only described anew.
    alike = {n: Chart({**us[n].spec, "description": words[n].description.si}, us[n].uses) for n in us if n in UNIT_FREE}
    return {"us": us, "si": {name: si.get(name) or alike[name] for name in us}}


def _takeaways(results: StudyResults) -> dict[str, InBothUnits]:
    found = {"spread": say_spread(results), "yield": say_example(results), "gain": say_curvature(results)}
    return {name: text for name, text in found.items() if text is not None}


def _unknown(rule: RuleRow) -> dict[str, Any]:
    return {
        "statement": rule.statement,
        "missing": rule.missing,
        "would_tell": rule.would_tell,
        "best": rule.best,
        "interval": rule.interval,
        "stored": rule.stored,
    }


def search_index(results: StudyResults, builds: RecordedBuilds | None) -> dict[str, list[Any]]:
    """What the search looks through: kind, name, what stands below it, address.

    Sources come from the study, builds from the store; each leads to its place on the page of builds.
    """
    titles = {note.source: clean_text(note.title) for note in results.sources}
    found: list[dict[str, Any]] = [
        {"kind": "source", "name": titles[note.source], "below": clean_text(note.publisher), "at": source_anchor(note.source)}
        for note in results.sources
    ]
    for one in builds.builds if builds is not None else ():
        below = f"{clean_text(one.publisher)}, {titles.get(one.source, clean_text(one.source))}"
        found.append({"kind": "build", "name": clean_text(one.build), "below": below, "at": build_anchor(one.build_key)})
    return columns_of(found)


def _page_data(
    results: StudyResults, rows: Rows, charts: dict[str, dict[str, Chart]], builds: RecordedBuilds | None
) -> dict[str, Any]:
    used = {name for chart in charts["us"].values() for name in chart.uses}
    tables = chart_tables(charts["us"])
    used |= {table for table, _ in tables.values()}
    return {
        "rows": {name: columns_of(rows[name]) for name in sorted(used)},
        "charts": {code: {name: chart.spec for name, chart in drawn.items()} for code, drawn in charts.items()},
        "uses": {name: list(chart.uses) for name, chart in charts["us"].items()},
        "scales": scales_json(),
        "columns": columns_json(tables),
        "sources": {},
        "mostRows": MOST_TABLE_ROWS,
        "invented": results.invented,
        "search": search_index(results, builds),
        "searchPage": None if builds is None else "builds.html",
    }
