"""What the next unit of boost adds, at several boosts, against the rule's constant."""

from __future__ import annotations

import altair as alt

from reports.charts.base import Chart, converted, finish, nice_domain
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look


def chart_marginal_yield(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Dots with intervals, the rule as a level line."""
    scale = system.scales["boost"]
    values = [row[k] for row in rows["marginal"] for k in ("low", "ratio", "high") if row[k] is not None] + [1.03]
    boosts = [row["boost_kpa"] * scale.factor for row in rows["marginal"]] or [0.0]
    x = alt.X(
        "boost:Q",
        title=f"Boost already running, {scale.unit}",
        scale=alt.Scale(domain=[0, max(boosts) * 1.12 or 1.0], nice=False),
        axis=alt.Axis(values=[round(boost, 1) for boost in boosts], grid=False, format=".0f"),
    )
    y_axis = alt.Axis(title=f"Worth of the next {scale.unit}, as a share of the rule", format=".0%", tickCount=5)
    y_scale = alt.Scale(domain=nice_domain(values), nice=False, zero=False)
    data = alt.Chart(alt.NamedData("marginal")).transform_calculate(boost=converted("boost_kpa", system, "boost"))
    tips = [
        alt.Tooltip("boost:Q", title=scale.unit, format=f".{scale.digits}f"),
        alt.Tooltip("shown:N", title="Share of the rule"),
        alt.Tooltip("builds:Q", title="Builds"),
    ]

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    rule = alt.Chart(alt.InlineData(values=[{"at": 1}]))
    layers = [
        rule.mark_rule(**look("rule-line")).encode(y=y("at")),
        rule.mark_text(**look("note", fontWeight="bold", align="left", baseline="bottom", dx=4, dy=-5)).encode(
            y=y("at"), x=alt.XValue(0), text=alt.TextValue("the rule")
        ),
        data.mark_line(**look("interval", strokeDash=[1, 3])).encode(x=x, y=y("ratio")),
        data.mark_rule(**look("mean-line")).encode(x=x, y=y("low"), y2=alt.Y2("high:Q")),
        data.mark_point(**look("main-dot", size=110)).encode(x=x, y=y("ratio"), tooltip=tips),
        data.transform_calculate(words="format(datum.ratio, '.0%')")
        .transform_filter("isValid(datum.ratio)")
        .mark_text(**look("note", align="left", dx=11, dy=-9))
        .encode(x=x, y=y("ratio"), text=alt.Text("words:N")),
    ]
    return finish(layers, ("marginal",), 300, description)
