"""The headline under every other reasonable choice: one dot and interval each, its name above it."""

from __future__ import annotations

import altair as alt

from reports.charts.base import Chart, finish, nice_domain
from reports.charts.intervals import local
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look

#: Pixels of one line: name and dot below each other, so that a phone has room for both.
LINE = 40


def chart_sensitivity(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """The first line is the main analysis; its interval runs as a band through the others."""
    lines = rows["sensitivity"]
    values = [row[k] for row in lines for k in ("low", "ratio", "high") if row[k] is not None] + [1.0]
    axis = alt.Axis(format=".0%", title="Average share of the rule", orient="top", tickCount=6)
    x_scale = alt.Scale(domain=nice_domain(values), nice=False, zero=False)
    y = alt.Y("place:Q", axis=None, scale=alt.Scale(domain=[len(lines) - 0.35, -0.65], nice=False))
    data = alt.Chart(alt.NamedData("sensitivity"))
    tips = [
        alt.Tooltip(f"{local('name', system)}:N", title="Choice"),
        alt.Tooltip("shown:N", title="Share of the rule"),
        alt.Tooltip("builds:Q", title="Builds"),
    ]

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    main = data.transform_filter("datum.main && isValid(datum.low) && isValid(datum.high)")
    other = data.transform_filter("!datum.main")
    layers = [
        main.mark_rect(**look("new-band")).encode(x=x("low"), x2=alt.X2("high:Q"), y=alt.YValue(0), y2=alt.Y2Value({"expr": "height"})),
        alt.Chart(alt.InlineData(values=[{"at": 1}])).mark_rule(**look("rule-line")).encode(x=x("at")),
        data.mark_rule(**look("mean-line")).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        other.mark_point(**look("other-dot", size=80)).encode(x=x("ratio"), y=y, tooltip=tips),
        main.mark_point(**look("main-dot", size=130)).encode(x=x("ratio"), y=y, tooltip=tips),
        data.mark_text(**look("note", align="left", baseline="bottom", dy=-9, limit={"expr": "width"})).encode(
            x=alt.XValue(0), y=y, text=alt.Text(f"{local('name', system)}:N")
        ),
    ]  # fmt: skip
    return finish(layers, ("sensitivity",), max(1, len(lines)) * LINE, description)
