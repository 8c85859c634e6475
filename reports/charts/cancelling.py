"""Two shortcuts that pull the average in opposite directions, as arrows from where it stands."""

from __future__ import annotations

import altair as alt

from models.estimate import Estimate
from reports.charts.base import Chart, finish, nice_domain
from reports.charts.intervals import LINE, local, name_above, rows_axis, share_axis, upright, values_of, zone
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look


def chart_cancelling(rows: Rows, mean: Estimate, system: UnitSystem, description: str) -> Chart:
    """Each arrow starts at the average of the main analysis; its interval runs as a band through the lines."""
    lines = rows["cancelling"]
    band = None if mean.low is None or mean.high is None else (mean.low, mean.high)
    x_scale = alt.Scale(domain=nice_domain([*values_of(lines, "from", "to"), *(band or ()), 1.0]), nice=False, zero=False)
    axis = share_axis("Average share of the rule")
    y = rows_axis(len(lines))
    data = alt.Chart(alt.NamedData("cancelling"))
    tips = [alt.Tooltip(f"{local('words', system)}:N", title="Shortcut")]

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    start = alt.Chart(alt.InlineData(values=[{"at": mean.value or 1.0}]))
    layers = [
        *([zone(*band, x_scale, axis)] if band else []),
        *upright(1.0, x_scale, axis),
        start.mark_rule(**look("mean-line", strokeWidth=1.2)).encode(x=alt.X("at:Q", scale=x_scale, axis=axis)),
        data.mark_rule(**look("mean-line", strokeWidth=2.4)).encode(x=x("from"), x2=alt.X2("to:Q"), y=y),
        *(
            data.transform_filter(test)
            .mark_point(**look(style, size=120, shape="triangle-right", angle=angle))
            .encode(x=x("to"), y=y, tooltip=tips)
            for both, style in (("datum.both", "main-dot"), ("!datum.both", "other-dot"))
            for test, angle in ((f"{both} && datum.shift >= 0", 0), (f"{both} && datum.shift < 0", 180))
        ),
        *name_above(data, y, local("words", system)),
    ]
    return finish(layers, ("cancelling",), max(1, len(lines)) * (LINE + 4), description)
