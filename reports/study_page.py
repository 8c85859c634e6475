"""The study page: does the rule hold, by how much, on which builds, and how sure is that."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from models.estimate import Estimate
from models.next_records import NextAnswers
from models.results import StudyResults
from reports.build_links import BUILDS_PAGE
from reports.charts.base import Chart
from reports.charts.rows import Rows, Selection, number_units, select_units
from reports.deviator_cards import deviator_cards
from reports.glance import at_a_glance
from reports.labels import COOLING, INDUCTION, clean_text, safe_url
from reports.narrowing_words import NAME as NARROWING
from reports.narrowing_words import say_narrowing
from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, count_of, in_both, scales_json, show_estimate, show_level
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.quantities_in_text import in_reader_units
from reports.rule_rows import rule_rows
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
)
from reports.sentences_curves import say_gain_by_rpm, say_yield_by_rpm
from reports.sentences_doubt import (
    say_breakers,
    say_cancelling,
    say_deviators,
    say_funnel,
    say_kinds,
    say_publishers,
    say_rules,
    say_withheld,
)
from reports.sentences_effects import (
    say_budget,
    say_classes,
    say_compressor,
    say_confounding,
    say_drivers,
    say_elasticity,
    say_equivalence,
    say_explained,
    say_naive,
    say_physics,
    say_unanswered,
)
from reports.stored_results import STORED_PAGE
from reports.study_charts import chart_tables, columns_json, draw_in_both, study_captions, study_rows
from reports.tables import table_estimates, table_sources
from reports.tables_answers import table_class_means
from reports.unknowns import unknowns_of

#: Rows of a chart's table that are set in the page; the CSV file has all of them.
MOST_TABLE_ROWS = 1_000


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """One of the figures beside the answer: what it is, its range large, its best value small, its place among the stored results."""

    name: str
    large: InBothUnits
    small: InBothUnits
    stored: str


def render_study_page(
    results: StudyResults,
    summary: Mapping[str, int] | None = None,
    beside: Iterable[str] = (),
    answers: NextAnswers | None = None,
) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study; the page computes no statistic of its own.
    summary : counts of the ledger: files, rows_read, accepted, refused, repeated. Without it the count of rows is left out.
    beside : files of the pages written beside this one, to be linked.
    answers : what is not known yet; without it that section is left out.
    """
    beside = frozenset(beside)
    selection = select_units(results)
    rows = study_rows(results, selection, answers)
    words = study_captions(results, answers)
    charts = draw_in_both(results, rows, words)
    return render_page(
        "study.html",
        pages=page_links("study.html", beside),
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        subset=results.subset,
        headline=say_headline(results),
        next_engine=say_next_engine(results),
        basis=say_basis(results),
        glance=at_a_glance(results),
        drawn=frozenset(charts["us"]),
        said=_said(results),
        takeaways=_takeaways(results, summary, answers),
        figures=_key_figures(results),
        captions=words,
        sampled=_say_selection(selection),
        filters=_filters(rows),
        cards=deviator_cards(results, number_units(selection)),
        estimates=table_estimates(results, STORED_PAGE in beside),
        rules=rule_rows(results),
        class_means=table_class_means(results),
        unknowns=unknowns_of(results, answers),
        notes=_notes(results),
        sources=table_sources(results),
        data=script_json({**_page_data(results, rows, charts), "buildsPage": BUILDS_PAGE if BUILDS_PAGE in beside else None}),
    )


def write_study_page(
    results: StudyResults,
    out: Path,
    summary: Mapping[str, int] | None = None,
    beside: Iterable[str] = (),
    answers: NextAnswers | None = None,
) -> Path:
    """Write the study page; returns where it stands."""
    return write_page(render_study_page(results, summary, beside, answers), out)


def _takeaways(results: StudyResults, summary: Mapping[str, int] | None, answers: NextAnswers | None) -> dict[str, InBothUnits]:
    """The finding that stands above each chart, where the chart has one."""
    found = {
        "spread": say_spread(results),
        "within": say_equivalence(results),
        "yield": say_example(results),
        "size": say_elasticity(results),
        "naive": say_naive(results),
        "gain": say_curvature(results),
        "marginal": say_marginal(results),
        "yield_rpm": None if results.curves is None else say_yield_by_rpm(results.curves),
        "gain_rpm": None if results.curves is None else say_gain_by_rpm(results.curves),
        "drivers": say_drivers(results),
        "physics": say_physics(results),
        "budget": say_budget(results),
        "deviators": say_deviators(results),
        "breakers": say_breakers(results),
        "funnel": say_funnel(results),
        "withheld": say_withheld(results),
        "kinds": say_kinds(results),
        "sensitivity": say_sensitivity(results),
        "cancelling": say_cancelling(results),
        "publishers": say_publishers(results),
        "flow": None if summary is None else say_flow(results, summary),
        NARROWING: say_narrowing(answers),
    }
    return {name: text for name, text in found.items() if text is not None}


def _said(results: StudyResults) -> dict[str, Any]:
    """Sentences that stand beside charts and lists; None where there is nothing to say."""
    drivers, deviators = results.drivers, results.deviators
    return {
        "within": say_equivalence(results),
        "elasticity": say_elasticity(results),
        "drivers": say_drivers(results),
        "explained": say_explained(results),
        "classes": say_classes(results),
        "compressor": say_compressor(results),
        "unanswered": say_unanswered(results),
        "caution": None if drivers is None else drivers.caution,
        "confounding": say_confounding(results),
        "physics": say_physics(results),
        "deviators": say_deviators(results),
        "deviator_notes": () if deviators is None else deviators.notes,
        "selection": say_withheld(results),
        "rules": say_rules(results),
    }


def _notes(results: StudyResults) -> list[InBothUnits]:
    """What came with the results to be printed beside the estimates."""
    drivers = () if results.drivers is None else results.drivers.notes
    elasticity = () if results.elasticity is None else results.elasticity.notes
    selection = () if results.selection is None else results.selection.notes
    return [in_reader_units(clean_text(note, 600)) for note in (*results.notes, *elasticity, *drivers, *selection)]


def _key_figures(results: StudyResults) -> list[KeyFigure]:
    def figure(name: str, estimate: Estimate, small: str, stored: str, *, whole: bool = False) -> KeyFigure:
        def large(system: UnitSystem) -> str:
            shown = show_estimate(estimate, system, share=True, reference=1.0)
            return shown.best if estimate.low is None or estimate.high is None or whole else shown.range

        def below(system: UnitSystem) -> str:
            shown = show_estimate(estimate, system, share=True, reference=1.0)
            if estimate.low is None or estimate.high is None:
                return estimate.why or "no range"
            known = f"{shown.range}, {show_level(estimate)} interval" if whole else f"best single figure {shown.best}"
            return f"{small}; {known}"

        return KeyFigure(name, in_both(large), in_both(below), f"r-{stored}")

    return [
        figure("The average build", results.rule_ratio, "of what the rule says, to 10 psi (69 kPa)", "rule_ratio"),
        figure(
            "The next engine",
            results.new_build_rule_ratio,
            f"{show_level(results.new_build_rule_ratio)} range for a build not yet tested",
            "new_build_rule_ratio",
        ),
        figure(
            "Build to build", results.between_builds_sd, "one standard deviation between builds", "between_builds_sd", whole=True
        ),
        *_within_figure(results),
        figure(
            "Later against first",
            results.last_over_first,
            "worth of the next step at 15 psi (103 kPa) over the first",
            "last_over_first",
        ),
    ]


def _within_figure(results: StudyResults) -> list[KeyFigure]:
    """Builds in a hundred that follow the rule within the margin."""
    share = None if results.equivalence is None else results.equivalence.share_of_builds
    if share is None or share.low is None or share.high is None:
        return []
    shown, level = show_estimate(share, SYSTEMS["us"], share=True), show_level(share)
    small = f"of builds follow it within 10\u202f%; {level} interval"
    ends = InBothUnits(shown.range, shown.range)
    return [KeyFigure("Close to the rule", ends, InBothUnits(small, small), "r-equivalence-share_of_builds")]


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


def _page_data(results: StudyResults, rows: Rows, charts: Mapping[str, Mapping[str, Chart]]) -> dict[str, Any]:
    """What the page's script reads: records in SI, chart descriptions in both unit systems, factors, columns and sources."""
    return {
        "rows": {name: columns_of(items) for name, items in rows.items()},
        "charts": {code: {name: chart.spec for name, chart in drawn.items()} for code, drawn in charts.items()},
        "uses": {name: list(chart.uses) for name, chart in charts["us"].items()},
        "scales": scales_json(),
        "columns": columns_json(chart_tables(charts["us"])),
        "sources": {
            note.source: {"title": clean_text(note.title), "licence": clean_text(note.licence), "url": safe_url(note.url)}
            for note in results.sources
        },
        "mostRows": MOST_TABLE_ROWS,
        "invented": results.invented,
    }
