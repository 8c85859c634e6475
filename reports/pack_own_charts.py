"""Charts that only packs have: how often the ranges of the estimate held, other ways to predict, rules of thumb in their tolerance."""

from __future__ import annotations

import altair as alt

from models.prediction_records import PredictionCheck
from models.results import StudyResults
from models.rule_table import RULES
from models.rules_of_thumb import judge_outside
from reports.captions import Caption, make_caption
from reports.charts.base import Chart, finish, nice_domain
from reports.charts.intervals import LINE, name_above, rows_axis, upright, values_of, zone
from reports.charts.rows import Row, Rows
from reports.engine_sentences import group_words, say_comparison, say_honest
from reports.labels import clean_text
from reports.numbers import InBothUnits, count_of, write_number
from reports.quantities_in_text import in_reader_units
from reports.tables import Column
from reports.theme import look

#: Nominal coverage of the two ranges.
NARROW, WIDE = 0.80, 0.95

COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "coverage": (
        "coverage",
        (
            Column("name", "Boosted runs"), Column("builds", "Builds", None, True), Column("runs", "Runs", None, True),
            Column("cover80", "80 % range held", "tenths", True), Column("cover95", "95 % range held", "tenths", True),
            Column("error", "Off by, average", "tenths", True), Column("bias", "Leans by", "tenths", True),
        ),
    ),
    "methods": (
        "methods",
        (
            Column("name", "Way to predict"), Column("error", "Off by, average", "tenths", True),
            Column("cover80", "80 % range held", "tenths", True), Column("cover95", "95 % range held", "tenths", True),
        ),
    ),
    "rules": (
        "rules",
        (
            Column("name", "Rule of thumb"), Column("verdict", "Verdict"), Column("value", "Measured", None, True),
            Column("value_low", "Lower end", None, True), Column("value_high", "Upper end", None, True), Column("unit", "Unit (1: pure ratio)"),
            Column("tolerance", "Test"), Column("builds", "Builds", None, True), Column("runs", "Runs", None, True),
        ),
    ),
}  # fmt: skip


def rows_of_check(check: PredictionCheck) -> Rows:
    """Record sets ``coverage`` and ``methods``; shares as shares."""
    lines: list[Row] = [
        {
            "place": place, "name": f"{group_words(one)} ({count_of(one.builds, 'build')})", "builds": one.builds, "runs": one.runs,
            "cover80": one.cover80, "cover95": one.cover95, "error": one.error_pct / 100, "bias": one.bias_pct / 100,
        }
        for place, one in enumerate(check.lines)
    ]  # fmt: skip
    ways: list[Row] = [
        {
            "place": place, "name": _capital(clean_text(one.words, 120)), "error": one.error_pct / 100, "cover80": one.cover80,
            "cover95": one.cover95, "own": one.name == "estimate", "zero": 0.0, "shown": f"{write_number(one.error_pct, 1)}\u202f%",
        }
        for place, one in enumerate(check.methods)
    ]  # fmt: skip
    return {"coverage": lines, "methods": ways}


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def chart_coverage(rows: Rows, description: str) -> Chart:
    """How often each range held, group by group; dashed where it should lie."""
    lines = rows["coverage"]
    scale = alt.Scale(domain=nice_domain([*values_of(lines, "cover80", "cover95"), NARROW, 1.0]), nice=False, zero=False)
    axis = alt.Axis(
        title="Share of builds inside the range, each predicted without its own engine", format=".0%", orient="top", tickCount=6
    )
    y, data = rows_axis(len(lines)), alt.Chart(alt.NamedData("coverage"))

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=scale, axis=axis)

    layers = [
        *upright(NARROW, scale, axis, "80 %"), *upright(WIDE, scale, axis, "95 %"),
        data.transform_filter("isValid(datum.cover80)").mark_point(**look("main-dot", size=120)).encode(x=x("cover80"), y=y),
        data.transform_filter("isValid(datum.cover95)").mark_point(**look("other-dot", size=70, shape="square")).encode(x=x("cover95"), y=y),
        *name_above(data, y, "name"),
    ]  # fmt: skip
    return finish(layers, ("coverage",), max(1, len(lines)) * LINE, description)


def chart_methods(rows: Rows, description: str) -> Chart:
    """Average error of the estimate and of every other way to predict."""
    lines = rows["methods"]
    scale = alt.Scale(domain=nice_domain(values_of(lines, "error"), floor=0.0), nice=False)
    axis = alt.Axis(title="Off by, on average, on engines not seen", format=".0%", orient="top", tickCount=5)
    y, data = rows_axis(len(lines)), alt.Chart(alt.NamedData("methods"))
    x = alt.X("error:Q", scale=scale, axis=axis)
    layers = [
        data.mark_rule(**look("interval")).encode(x=alt.X("zero:Q", scale=scale, axis=axis), x2=alt.X2("error:Q"), y=y),
        data.transform_filter("!datum.own").mark_point(**look("other-dot", size=80)).encode(x=x, y=y),
        data.transform_filter("datum.own").mark_point(**look("main-dot", size=130)).encode(x=x, y=y),
        data.mark_text(**look("note", align="left", dx=9, baseline="middle")).encode(x=x, y=y, text=alt.Text("shown:N")),
        *name_above(data, y, "name"),
    ]  # fmt: skip
    return finish(layers, ("methods",), max(1, len(lines)) * LINE, description)


def rows_of_rules(results: StudyResults, system_code: str) -> Rows:
    """Record set ``rules``: those with an interval and a tolerance of two ends are drawn on one scale, -1 to 1 its ends."""
    declared = {rule.id: rule for rule in RULES}
    rows: list[Row] = []
    place = 0
    for rule in sorted(results.rules, key=lambda one: one.verdict):
        e, own = rule.estimate, declared.get(rule.id)
        row: Row = {
            "place": None, "name": in_reader_units(clean_text(rule.statement, 400)).in_system(system_code), "verdict": rule.verdict,
            "value": e.value, "value_low": e.low, "value_high": e.high, "unit": e.unit, "builds": e.builds, "runs": e.runs,
            "tolerance": in_reader_units(clean_text(rule.tolerance, 300)).in_system(system_code),
        }  # fmt: skip
        two_ended = own is not None and own.low is not None and own.high is not None and own.judge is not judge_outside
        if two_ended and own is not None and None not in (e.value, e.low, e.high):
            middle, half = (own.low + own.high) / 2, (own.high - own.low) / 2  # type: ignore[operator]
            row |= {"place": place, **{k: (v - middle) / half for k, v in (("at", e.value), ("low", e.low), ("high", e.high))}}  # type: ignore[operator]
            place += 1
        rows.append(row)
    return {"rules": rows}


def chart_rules(rows: Rows, description: str) -> Chart:
    """Where each measured figure lies in the tolerance of its rule; what reaches beyond the frame is cut at its edge."""
    lines = [row for row in rows["rules"] if row["place"] is not None]
    edge = 4.0
    scale = alt.Scale(domain=[-edge, edge], nice=False, clamp=True)
    axis = alt.Axis(
        title="Measured, on the scale of the rule\u2019s own tolerance", orient="top", values=[-1, 0, 1],
        labelExpr="datum.value === 0 ? 'middle' : datum.value > 0 ? 'upper end' : 'lower end'",
    )  # fmt: skip
    y = rows_axis(len(lines))
    data = alt.Chart(alt.NamedData("rules")).transform_filter("isValid(datum.place)")

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=scale, axis=axis)

    layers = [
        zone(-1.0, 1.0, scale, axis),
        data.mark_rule(**look("mean-line", clip=True)).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        data.mark_point(**look("main-dot", size=110, clip=True)).encode(x=x("at"), y=y),
        *name_above(data, y, "name"),
    ]
    return finish(layers, ("rules",), max(1, len(lines)) * (LINE + 6), description)


def check_captions(check: PredictionCheck) -> dict[str, Caption]:
    """Captions of both charts of the check."""
    return {
        "coverage": make_caption(
            "Do the ranges hold on engines that they have not seen?",
            "One line is one group of builds, each predicted by a fit without its own engine. Round: share of builds inside the 80 % range; "
            "square: inside the 95 % range. The dashed lines are where they should lie; left of them a range is too narrow.",
            lambda s: say_honest(check),
        ),
        "methods": make_caption(
            "Does a simpler way predict as well?",
            "Average distance between what was expected and what was measured, for the estimate (coloured) and every other way that was tried.",
            lambda s: say_comparison(check),
        ),
    }  # fmt: skip


def rules_caption(results: StudyResults, finding: InBothUnits) -> Caption:
    """Caption of the chart of rules of thumb."""
    return make_caption(
        "Where do rules of thumb lie in their own tolerance?",
        "One line is one rule that names a band. The band is what the trade would still call right, each rule on its own scale; the dot is "
        "what was measured, with its interval. A rule holds where the whole 90\u202f% interval lies inside. Lines are cut at the edge of the frame.",
        lambda s: finding.in_system(s.code),
    )
