"""The appendix: what a statistician asks before believing the contrasts, and every figure that a rule is judged by."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from models.results import StudyResults
from reports.captions_answers import diagnostic_captions
from reports.charts.base import Chart
from reports.charts.diagnostics import chart_influence, chart_quantiles, chart_residuals, diagnostic_rows
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, count_of, scales_json, write_number
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.quantities_in_text import in_reader_units
from reports.rule_rows import PLAIN_FIGURES
from reports.sentences_effects import same, say_explained
from reports.study_charts import columns_json
from reports.tables_answers import (
    DIAGNOSTIC_COLUMNS,
    table_assumptions,
    table_collinearity,
    table_evidence,
    table_levels,
    table_tests,
)

MOST_TABLE_ROWS = 1_000
#: Condition number of scaled columns above which they are hard to tell apart (the usual screen).
HARD_TO_TELL = 30.0
#: A p-value below this is called a sign.
SIGN_BELOW = 0.05


def render_appendix_page(results: StudyResults, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study; the page computes no statistic of its own.
    beside : files of the pages written beside this one, to be linked.
    """
    drivers = results.drivers
    names = {unit.unit_id: unit.build for unit in results.units}
    rows = diagnostic_rows(None if drivers is None else drivers.diagnostics, names)
    words = diagnostic_captions(results)
    charts: dict[str, Chart] = {}
    if rows["diagnostics"]:
        makers = {"residuals": chart_residuals, "quantiles": chart_quantiles, "influence": chart_influence}
        charts = {name: make(rows, words[name].description.us) for name, make in makers.items()}
    return render_page(
        "appendix.html",
        pages=page_links("appendix.html", beside),
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        drawn=frozenset(charts),
        captions=words,
        takeaways=_takeaways(results),
        fit=_say_fit(results),
        condition=_say_condition(results),
        explained=say_explained(results),
        notes=_notes(results),
        collinearity=None if drivers is None else table_collinearity(drivers),
        levels=None if drivers is None else table_levels(drivers),
        tests=table_tests(results),
        evidence=table_evidence(results, PLAIN_FIGURES),
        assumptions=table_assumptions(results),
        data=script_json({
            "rows": {name: columns_of(items) for name, items in rows.items()},
            "charts": {code: {name: chart.spec for name, chart in charts.items()} for code in SYSTEMS},
            "uses": {name: list(chart.uses) for name, chart in charts.items()},
            "scales": scales_json(),
            "columns": columns_json({name: columns for name, columns in DIAGNOSTIC_COLUMNS.items() if name in charts}),
            "sources": {},
            "mostRows": MOST_TABLE_ROWS,
            "invented": results.invented,
        }),
    )  # fmt: skip


def write_appendix_page(results: StudyResults, out: Path, beside: Iterable[str] = ()) -> Path:
    """Write the appendix; returns where it stands."""
    return write_page(render_appendix_page(results, beside), out)


def _say_fit(results: StudyResults) -> InBothUnits:
    """What the diagnostics look at."""
    drivers = results.drivers
    if drivers is None or drivers.diagnostics is None:
        return same("There is no joint model of drivers to look into.")
    of = drivers.diagnostics
    listed = (
        ""
        if of.shown == of.builds
        else f" The {count_of(of.shown, 'build')} listed are the most influential and an even choice of the others."
    )
    out = f" {count_of(drivers.builds_left_out, 'build')} could not be in it." if drivers.builds_left_out else ""
    return same(f"The joint model of drivers rests on {count_of(of.builds, 'build')}.{out}{listed}")


def _say_condition(results: StudyResults) -> InBothUnits | None:
    diagnostics = None if results.drivers is None else results.drivers.diagnostics
    if diagnostics is None:
        return None
    if diagnostics.condition_number is None:
        return same("Some columns of the model are sums of others: their contrasts are not given.")
    number = write_number(diagnostics.condition_number, 1)
    verdict = "they are hard to tell apart" if diagnostics.condition_number > HARD_TO_TELL else "they are easy to tell apart"
    return same(f"The condition number of the scaled columns is {number}: {verdict}.")


def _takeaways(results: StudyResults) -> dict[str, InBothUnits]:
    diagnostics = None if results.drivers is None else results.drivers.diagnostics
    if diagnostics is None:
        return {}
    found: dict[str, InBothUnits] = {}
    p = diagnostics.uneven_spread_p
    if p is not None:
        even = "No sign" if p >= SIGN_BELOW else "A sign"
        found["residuals"] = same(f"{even} of uneven spread (Breusch and Pagan, p = {write_number(p, 3)}).")
    many = sum(one.is_influential for one in diagnostics.units)
    limit = write_number(diagnostics.cooks_limit, 3)
    found["influence"] = same(
        f"{count_of(many, 'build')} {'moves' if many == 1 else 'move'} the coefficients by more than the usual screen (Cook's distance above "
        f"{limit})."
    )
    return found


def _notes(results: StudyResults) -> list[InBothUnits]:
    diagnostics = None if results.drivers is None else results.drivers.diagnostics
    notes = (*(() if diagnostics is None else diagnostics.notes), *(() if results.drivers is None else results.drivers.notes))
    return [in_reader_units(clean_text(note, 600)) for note in notes]
