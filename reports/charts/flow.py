"""From what was read to what was analysed: a bar per count, with the reason why others left."""

from __future__ import annotations

import altair as alt

from reports.charts.base import Chart, finish
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look

#: Pixels of one bar with its words above.
LINE = 46


def chart_flow(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Dark bars are what went on, light bars what stayed behind."""
    steps = rows["flow"]
    x_scale = alt.Scale(domain=[0, max([1, *(row["count"] for row in steps)])], nice=False)
    y = alt.Y("place:Q", axis=None, scale=alt.Scale(domain=[len(steps) - 0.45, -0.7], nice=False))
    data = alt.Chart(alt.NamedData("flow"))
    tips = [alt.Tooltip("step:N", title="Step"), alt.Tooltip("count:Q", title="Count"), alt.Tooltip("reason:N", title="Reason")]
    x = alt.X("count:Q", scale=x_scale, axis=None)
    base = {"x": x, "y": y, "tooltip": tips}
    layers = [
        data.transform_filter("!datum.out").mark_bar(**look("bar-in", size=12)).encode(x2=alt.datum(0), **base),
        data.transform_filter("datum.out").mark_bar(**look("bar-out", size=12)).encode(x2=alt.datum(0), **base),
        data.mark_text(**look("note", align="left", baseline="bottom", dy=-9, dx=0, limit={"expr": "width - 56"})).encode(
            x=alt.XValue(0), y=y, text=alt.Text("words:N")
        ),
        data.mark_text(**look("note", fontWeight="bold", align="right", baseline="bottom", dy=-9)).encode(
            x=alt.XValue({"expr": "width"}), y=y, text=alt.Text("count:Q", format=",")
        ),
    ]  # fmt: skip
    return finish(layers, ("flow",), max(1, len(steps)) * LINE, description)
