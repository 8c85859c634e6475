"""The study page: does the rule hold, by how much, on which builds, and how sure is that."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from models.estimate import Estimate
from models.results import RuleVerdict, StudyResults
from reports.captions import Caption, captions
from reports.charts.base import Chart
from reports.charts.builds import chart_builds
from reports.charts.flow import chart_flow
from reports.charts.gain_by_boost import chart_gain_by_boost
from reports.charts.marginal_yield import chart_marginal_yield
from reports.charts.ratio_spread import chart_ratio_spread
from reports.charts.rows import Rows, Selection, make_rows, select_units
from reports.charts.sensitivity import chart_sensitivity
from reports.charts.yield_by_output import chart_yield_by_output
from reports.labels import COOLING, INDUCTION, clean_text, safe_url
from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, count_of, in_both, scales_json, show_estimate, show_level
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.sentences import (
    say_basis,
    say_curvature,
    say_example,
    say_flow,
    say_headline,
    say_marginal,
    say_next_engine,
    say_sensitivity,
    say_spread,
    say_why,
)
from reports.tables import CHART_COLUMNS, VERDICT_LOOKS, estimate_cells, table_estimates, table_sources

#: Rows of a chart's table that are set in the page; the CSV file has all of them.
MOST_TABLE_ROWS = 1_000


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """One of the figures beside the answer: what it is, its range large, its best value small."""

    name: str
    large: InBothUnits
    small: InBothUnits


def draw_charts(results: StudyResults, rows: Rows, system: UnitSystem, words: Mapping[str, Caption]) -> dict[str, Chart]:
    """All charts of the page in one unit system."""

    def said(name: str) -> str:
        return words[name].description.in_system(system.code)

    return {
        "spread": chart_ratio_spread(rows, results, system, said("spread")),
        "yield": chart_yield_by_output(rows, system, said("yield")),
        "gain": chart_gain_by_boost(rows, system, said("gain")),
        "marginal": chart_marginal_yield(rows, system, said("marginal")),
        "builds": chart_builds(rows, results, system, said("builds")),
        "sensitivity": chart_sensitivity(rows, system, said("sensitivity")),
        "flow": chart_flow(rows, system, said("flow")),
    }


def render_study_page(results: StudyResults, summary: Mapping[str, int] | None = None, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study; the page computes no statistic of its own.
    summary : counts of the ledger: files, rows_read, accepted, refused, repeated. Without it the count of rows is left out.
    beside : files of the pages written beside this one, to be linked.
    """
    selection = select_units(results)
    rows = make_rows(results, selection)
    words = captions(results)
    charts = {code: draw_charts(results, rows, system, words) for code, system in SYSTEMS.items()}
    return render_page(
        "study.html",
        pages=page_links("study.html", beside),
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        headline=say_headline(results),
        next_engine=say_next_engine(results),
        basis=say_basis(results),
        example=say_example(results),
        spread=say_spread(results),
        takeaways=_takeaways(results, summary),
        figures=_key_figures(results),
        captions=words,
        sampled=_say_selection(selection),
        filters=_filters(rows),
        estimates=table_estimates(results),
        rules=[_rule_row(rule) for rule in results.rules],
        notes=[clean_text(note, 600) for note in results.notes],
        sources=table_sources(results),
        data=script_json(_page_data(results, rows, charts)),
    )


def write_study_page(
    results: StudyResults, out: Path, summary: Mapping[str, int] | None = None, beside: Iterable[str] = ()
) -> Path:
    """Write the study page; returns where it stands."""
    return write_page(render_study_page(results, summary, beside), out)


def _takeaways(results: StudyResults, summary: Mapping[str, int] | None) -> dict[str, InBothUnits]:
    """The finding that stands above each chart, where the chart has one."""
    found = {
        "spread": say_spread(results),
        "yield": say_example(results),
        "gain": say_curvature(results),
        "marginal": say_marginal(results),
        "sensitivity": say_sensitivity(results),
    }
    return found if summary is None else {**found, "flow": say_flow(results, summary)}


def _key_figures(results: StudyResults) -> list[KeyFigure]:
    def figure(name: str, estimate: Estimate, small: str, *, whole: bool = False) -> KeyFigure:
        def large(system: UnitSystem) -> str:
            shown = show_estimate(estimate, system, share=True, reference=1.0)
            return shown.best if estimate.low is None or estimate.high is None or whole else shown.range

        def below(system: UnitSystem) -> str:
            shown = show_estimate(estimate, system, share=True, reference=1.0)
            if estimate.low is None or estimate.high is None:
                return estimate.why or "no range"
            known = f"{shown.range}, {show_level(estimate)} interval" if whole else f"best single figure {shown.best}"
            return f"{small}; {known}"

        return KeyFigure(name, in_both(large), in_both(below))

    return [
        figure("The average build", results.rule_ratio, "of what the rule says, to 10 psi (69 kPa)"),
        figure(
            "The next engine",
            results.new_build_rule_ratio,
            f"{show_level(results.new_build_rule_ratio)} range for a build not yet tested",
        ),
        figure("Build to build", results.between_builds_sd, "one standard deviation between builds", whole=True),
        figure("Later against first", results.last_over_first, "worth of the next step at 15 psi (103 kPa) over the first"),
    ]


def _say_selection(selection: Selection) -> str | None:
    if selection.step == 1:
        return None
    return (
        f"Drawn here: every {selection.step}th build in order of output without boost, "
        f"{count_of(len(selection.units), 'build')} of "
        f"{count_of(selection.of_units, 'build')} with all their runs. Every estimate rests on all of them."
    )


def _filters(rows: Rows) -> dict[str, list[tuple[str, str]]]:
    """Choices of the filter bar that occur in the records."""
    units = rows["units"]
    induction, cooling = ({row[name] for row in units} for name in ("induction", "cooling"))
    return {
        "induction": [(code, word) for code, word in INDUCTION.items() if code in induction],
        "cooling": [(code, word[:1].upper() + word[1:]) for code, word in COOLING.items() if code in cooling],
        "publisher": [(name, name) for name in sorted({row["publisher"] for row in units})],
    }


def _rule_row(rule: RuleVerdict) -> dict[str, Any]:
    share = rule.estimate.unit == "1"
    known = rule.estimate.low is not None and rule.estimate.high is not None
    best, interval, level = estimate_cells(rule.estimate, share=share)
    return {
        "statement": rule.statement,
        "verdict": rule.verdict,
        "missing": None if known else say_why(rule.estimate),
        "look": VERDICT_LOOKS.get(rule.verdict, "open"),
        "best": best,
        "interval": interval,
        "level": level,
        "tolerance": rule.tolerance,
        "would_tell": rule.would_tell,
    }


def _page_data(results: StudyResults, rows: Rows, charts: Mapping[str, Mapping[str, Chart]]) -> dict[str, Any]:
    """What the page's script reads: records in SI, chart descriptions in both unit systems, factors, columns and sources."""
    return {
        "rows": {name: columns_of(items) for name, items in rows.items()},
        "charts": {code: {name: chart.spec for name, chart in drawn.items()} for code, drawn in charts.items()},
        "uses": {name: list(chart.uses) for name, chart in charts["us"].items()},
        "scales": scales_json(),
        "columns": {
            name: {
                "rows": dataset,
                "columns": [
                    {"field": c.field, "label": c.label, "quantity": c.quantity, "number": c.is_number, "onlyCsv": c.only_csv}
                    for c in columns
                ],
            }
            for name, (dataset, columns) in CHART_COLUMNS.items()
        },
        "sources": {
            note.source: {"title": clean_text(note.title), "licence": clean_text(note.licence), "url": safe_url(note.url)}
            for note in results.sources
        },
        "mostRows": MOST_TABLE_ROWS,
        "invented": results.invented,
    }
