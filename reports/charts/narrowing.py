"""How far further builds narrow the average: by builds of new publishers and by builds of the largest one."""

from __future__ import annotations

import altair as alt

from reports.charts.base import Chart, finish
from reports.charts.rows import Rows
from reports.theme import colour, look

#: Column -> its words at the line's end, its colour, its shape and its dash.
_LINES: tuple[tuple[str, str, str, str, list[int]], ...] = (
    ("by_new", "new publishers", "c0", "circle", [1, 0]),
    ("by_own", "largest publisher", "c1", "square", [6, 3]),
)


def chart_narrowing(rows: Rows, description: str) -> Chart:
    """Two lines from today's half-width down; the number of builds on a scale that gives the first ones room."""
    steps = rows["narrowing"]
    ends = [row["builds"] for row in steps] or [1]
    today = max((row["by_new"] for row in steps), default=0.1)
    x = alt.X(
        "builds:Q",
        title="Further builds",
        scale=alt.Scale(type="sqrt", domain=[0, max(ends)], nice=False),
        axis=alt.Axis(values=[n for n in ends if n not in (1, 3)], grid=False, format=".0f", labelOverlap=False),
    )
    y_axis = alt.Axis(title="Half-width of the average's interval, points of the rule", format=".1%", tickCount=5)
    y_scale = alt.Scale(domain=[0, today * 1.08], nice=False)
    data = alt.Chart(alt.NamedData("narrowing"))

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    layers: list[alt.Chart] = []
    for field, words, name, shape, dash in _LINES:
        tips = [
            alt.Tooltip("builds:Q", title="Further builds"),
            alt.Tooltip(f"{field}:Q", title=f"Half-width, {words}", format=".2%"),
        ]
        below = field == "by_new"
        layers += [
            data.mark_line(**look("mean-line", stroke=colour(name), strokeDash=dash)).encode(x=x, y=y(field)),
            data.mark_point(**look("main-dot", fill=colour(name), shape=shape, size=55)).encode(x=x, y=y(field), tooltip=tips),
            data.transform_filter(f"datum.builds === {max(ends)}")
            .mark_text(
                **look("note", align="right", baseline="top" if below else "bottom", dy=10 if below else -9, fontWeight="bold")
            )
            .encode(x=x, y=y(field), text=alt.TextValue(words)),
        ]
    return finish(layers, ("narrowing",), 260, description)
