"""The charts of the study page: which there are, what they read, and their tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from models.next_records import NextAnswers
from models.results import StudyResults
from reports.build_links import build_anchor
from reports.captions import Caption, captions
from reports.captions_answers import answer_captions
from reports.captions_curves import CURVE_COLUMNS, curve_captions
from reports.charts.base import Chart
from reports.charts.builds import chart_builds
from reports.charts.cancelling import chart_cancelling
from reports.charts.curves import chart_gain_by_rpm, chart_yield_by_rpm, rows_of_gains, rows_of_yields
from reports.charts.deviators import chart_breakers, chart_deviators
from reports.charts.drivers import chart_drivers
from reports.charts.flow import chart_flow
from reports.charts.gain_by_boost import chart_gain_by_boost
from reports.charts.intervals import chart_band, chart_kinds, chart_publishers
from reports.charts.marginal_yield import chart_marginal_yield
from reports.charts.narrowing import chart_narrowing
from reports.charts.physics import chart_budget, chart_physics
from reports.charts.ratio_spread import chart_ratio_spread
from reports.charts.rows import Rows, Selection, make_rows, number_units
from reports.charts.rows_doubt import doubt_rows
from reports.charts.rows_effects import effect_rows
from reports.charts.selection import chart_funnel, chart_withheld
from reports.charts.sensitivity import chart_sensitivity
from reports.charts.size import chart_naive, chart_size
from reports.charts.within import chart_within
from reports.charts.yield_by_output import chart_yield_by_output
from reports.narrowing_words import COLUMNS as NARROWING_COLUMNS
from reports.narrowing_words import NAME as NARROWING
from reports.narrowing_words import narrowing_caption, narrowing_rows
from reports.numbers import SI, US, UnitSystem
from reports.tables import CHART_COLUMNS, Column
from reports.tables_answers import ANSWER_COLUMNS, share_rows

#: Charts of questions that may not have been asked -> record set without which there is nothing to draw.
NEEDS: dict[str, str] = {
    "within": "within_squares", "band": "band", "size": "units", "naive": "naive", "drivers": "drivers", "physics": "physics",
    "budget": "budget", "deviators": "deviators", "breakers": "breakers", "funnel": "funnel", "withheld": "withheld",
    "kinds": "kinds", "publishers": "publishers", "cancelling": "cancelling",
    "yield_rpm": "yield_by_rpm", "gain_rpm": "gain_by_rpm",
    NARROWING: NARROWING,
}  # fmt: skip
#: Charts that show shares and counts alone: the same in every unit system.
UNIT_FREE = frozenset({
    "spread", "within", "band", "naive", "physics", "budget", "builds", "deviators", "breakers", "withheld", "kinds", "publishers",
    "flow", NARROWING,
})  # fmt: skip


def study_rows(results: StudyResults, selection: Selection, answers: NextAnswers | None = None) -> Rows:
    """Every record set of the study page, by name.

    Parameters
    ----------
    results : the stored study.
    selection : builds that are drawn.
    answers : what is not known yet; without it nothing of that is drawn.
    """
    number_of = number_units(selection)
    rows = {
        **make_rows(results, selection),
        **effect_rows(results, selection, number_of),
        **doubt_rows(results, number_of),
        "shares": share_rows(results),
        **rows_of_yields(() if results.curves is None else results.curves.yields, number_of),
        **rows_of_gains(() if results.curves is None else results.curves.gains),
        **narrowing_rows(answers),
    }
    expected = {row["u"]: row["expected"] for row in rows["physics_builds"]}
    anchors = {number_of[unit.unit_id]: build_anchor(unit.build_key) for unit in selection.units}
    for row in rows["units"]:
        row["at"] = anchors[row["u"]]
        row["physics"] = f"{expected[row['u']]}\u202f% of the rule" if row["u"] in expected else ""
    return rows


def study_captions(results: StudyResults, answers: NextAnswers | None = None) -> dict[str, Caption]:
    """Captions of every chart that the page may have."""
    return {**captions(results), **answer_captions(results), **curve_captions(results), **narrowing_caption(answers)}


def draw_in_both(results: StudyResults, rows: Rows, words: Mapping[str, Caption]) -> dict[str, dict[str, Chart]]:
    """All charts of the page in both unit systems; one without a quantity is drawn once and only described anew."""
    us = draw_charts(results, rows, US, words)
    si = draw_charts(results, rows, SI, words, leave_out=UNIT_FREE)
    described = {name: Chart({**us[name].spec, "description": words[name].description.si}, us[name].uses) for name in us}
    return {"us": us, "si": {name: si.get(name, described[name]) for name in us}}


def draw_charts(
    results: StudyResults,
    rows: Rows,
    system: UnitSystem,
    words: Mapping[str, Caption],
    leave_out: frozenset[str] = frozenset(),
) -> dict[str, Chart]:
    """Charts of the page in one unit system, in the order of the page; what has nothing to draw is left out."""
    mean = results.rule_ratio
    margin = 0.1 if results.equivalence is None else results.equivalence.margin
    makers: dict[str, Callable[[str], Chart]] = {
        "spread": lambda said: chart_ratio_spread(rows, results, system, said),
        "within": lambda said: chart_within(rows, said),
        "band": lambda said: chart_band(rows, margin, said),
        "yield": lambda said: chart_yield_by_output(rows, system, said),
        "size": lambda said: chart_size(rows, mean, system, said),
        "naive": lambda said: chart_naive(rows, said),
        "gain": lambda said: chart_gain_by_boost(rows, system, said),
        "marginal": lambda said: chart_marginal_yield(rows, system, said),
        "yield_rpm": lambda said: chart_yield_by_rpm(rows, system, said),
        "gain_rpm": lambda said: chart_gain_by_rpm(rows, system, said),
        "drivers": lambda said: chart_drivers(rows, system, said),
        "physics": lambda said: chart_physics(rows, said),
        "budget": lambda said: chart_budget(rows, said),
        "builds": lambda said: chart_builds(rows, results, system, said),
        "deviators": lambda said: chart_deviators(rows, said),
        "breakers": lambda said: chart_breakers(rows, said),
        "funnel": lambda said: chart_funnel(rows, mean, system, said),
        "withheld": lambda said: chart_withheld(rows, mean, said),
        "kinds": lambda said: chart_kinds(rows, said),
        "sensitivity": lambda said: chart_sensitivity(rows, system, said),
        "cancelling": lambda said: chart_cancelling(rows, mean, system, said),
        "publishers": lambda said: chart_publishers(rows, said),
        "flow": lambda said: chart_flow(rows, system, said),
        NARROWING: lambda said: chart_narrowing(rows, said),
    }
    return {
        name: make(words[name].description.in_system(system.code))
        for name, make in makers.items()
        if name not in leave_out and (name not in NEEDS or rows.get(NEEDS[name]))
    }


def chart_tables(charts: Mapping[str, Chart]) -> dict[str, tuple[str, tuple[Column, ...]]]:
    """Record set and columns of the table of each chart that is there."""
    known = {**CHART_COLUMNS, **ANSWER_COLUMNS, **CURVE_COLUMNS, NARROWING: NARROWING_COLUMNS}
    return {name: columns for name, columns in known.items() if name in charts}


def columns_json(tables: Mapping[str, tuple[str, tuple[Column, ...]]]) -> dict[str, Any]:
    """Columns as the page's script reads them."""
    return {
        name: {
            "rows": dataset,
            "columns": [
                {"field": c.field, "label": c.label, "quantity": c.quantity, "number": c.is_number, "onlyCsv": c.only_csv}
                for c in columns
            ],
        }
        for name, (dataset, columns) in tables.items()
    }
