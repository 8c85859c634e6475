"""What each driver does to the share of the rule: adjusted for the others (solid) and looked at alone (open)."""

from __future__ import annotations

import altair as alt

from reports.charts.base import Chart, finish, nice_domain
from reports.charts.intervals import local, name_above, placed, rows_axis, upright, values_of
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import colour

#: Pixels of one contrast: its words, the adjusted interval, the lone one below.
LINE = 48
#: Pixels by which the lone interval stands below the adjusted one.
BELOW = 11


def chart_drivers(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Contrasts whose interval leaves out zero carry the accent; the others stay quiet."""
    lines = placed(rows, "drivers")
    domain = nice_domain([*values_of(lines, "low", "high", "ratio", "alone_low", "alone_high", "alone_ratio"), -0.1, 0.1])
    x_scale = alt.Scale(domain=domain, nice=False, zero=False)
    axis = alt.Axis(
        title="Difference in the share of the rule, points", orient="top", tickCount=7,
        labelExpr="(datum.value > 0 ? '+' : datum.value < 0 ? '\u2212' : '') + format(abs(datum.value) * 100, '.0f')",
    )  # fmt: skip
    y = rows_axis(len(lines), room=0.62)
    data = alt.Chart(alt.NamedData("drivers")).transform_filter("isValid(datum.place)")
    tips = [
        alt.Tooltip("driver:N", title="Driver"), alt.Tooltip(f"{local('what', system)}:N", title="Compared"),
        alt.Tooltip("shown:N", title="Adjusted, points"), alt.Tooltip("alone_shown:N", title="Alone, points"),
        alt.Tooltip("builds_at_level:Q", title="Builds"),
    ]  # fmt: skip
    accent, lone_accent = _accent("datum.clear"), _accent("datum.clear && !datum.adjusted")

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    layers = [
        *upright(0.0, x_scale, axis),
        data.mark_rule(aria=False, strokeWidth=1, opacity=0.75, yOffset=BELOW).encode(
            x=x("alone_low"), x2=alt.X2("alone_high:Q"), y=y, color=lone_accent
        ),
        data.mark_point(aria=False, size=44, strokeWidth=1.3, opacity=1, fill=colour("raised"), yOffset=BELOW).encode(
            x=x("alone_ratio"), y=y, color=lone_accent, tooltip=tips
        ),
        data.mark_rule(aria=False, strokeWidth=2.4).encode(x=x("low"), x2=alt.X2("high:Q"), y=y, color=accent),
        data.mark_point(aria=False, filled=True, opacity=1, size=95).encode(x=x("ratio"), y=y, color=accent, tooltip=tips),
        *name_above(data, y, local("words", system), local("short", system)),
    ]
    return finish(layers, ("drivers",), max(1, len(lines)) * LINE, description)


def _accent(test: str) -> alt.ColorValue:
    clear = alt.ConditionalPredicateValueDefGradientstringnullExprRef(test=test, value=colour("accent"))
    return alt.ColorValue(colour("quiet"), condition=clear)
