"""Share of the rule against size, and what plain correlations with size are worth."""

from __future__ import annotations

import altair as alt

from models.estimate import Estimate
from reports.charts.base import (
    Chart,
    class_fill,
    class_shape,
    class_stroke,
    converted,
    finish,
    is_shown,
    nice_domain,
    open_when_uncooled,
)
from reports.charts.intervals import LINE, name_above, rows_axis, values_of
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look


def chart_size(rows: Rows, mean: Estimate, system: UnitSystem, description: str) -> Chart:
    """Builds by their own share of the rule over output without boost; a level cloud means an exponent of 1."""
    power = system.scales["power"]
    outputs = [row["na_power_kw"] * power.factor for row in rows["units"]] or [100.0]
    x = alt.X(
        "output:Q", title=f"Output without boost, {power.unit}",
        scale=alt.Scale(type="log", base=2, domain=[min(outputs) * 0.92, max(outputs) * 1.08], nice=False),
        axis=alt.Axis(values=_doublings(min(outputs), max(outputs)), grid=False, format=".0f"),
    )  # fmt: skip
    ratios = nice_domain([*values_of(rows["units"], "ratio"), 0.7, 1.1])
    scale = alt.Scale(domain=[max(ratios[0], 0.0), min(ratios[1], 2.0)], nice=False, zero=False, clamp=True)
    axis = alt.Axis(title="Share of the rule, to 10 psi (69 kPa)", format=".0%", tickCount=6)
    y = alt.Y("ratio:Q", scale=scale, axis=axis)
    points = alt.Chart(alt.NamedData("units")).transform_calculate(output=converted("na_power_kw", system, "power"))
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("output:Q", title=f"Without boost, {power.unit}", format=f".{power.digits}f"),
        alt.Tooltip("shown:N", title="Share of the rule"),
    ]  # fmt: skip
    symbol = {"shape": class_shape(), "stroke": class_stroke(), "fill": class_fill(), "fillOpacity": open_when_uncooled()}
    rule = alt.Chart(alt.InlineData(values=[{"at": 1}]))
    at = alt.Y("at:Q", scale=scale, axis=axis)
    layers = [
        *_mean_band(mean, scale, axis),
        rule.mark_rule(**look("rule-line")).encode(y=at),
        points.mark_point(size=40, strokeWidth=1.2, aria=False, cursor="pointer").encode(
            x=x, y=y, opacity=is_shown(0.75), tooltip=tips, **symbol
        ),
        points.transform_filter("datum.u === picked")
        .mark_point(**look("picked", size=110, cursor="pointer"))
        .encode(x=x, y=y, shape=class_shape(), fill=class_fill(), tooltip=tips),
        *(
            rule.mark_text(**look(name, fontWeight="bold", align="right", baseline="bottom", dy=-5)).encode(
                x=alt.XValue({"expr": "width"}), y=at, text=alt.TextValue("the rule")
            )
            for name in ("halo", "note")
        ),
    ]
    return finish(layers, ("units",), 340, description)


def _doublings(low: float, high: float) -> list[float]:
    """Round marks that double from one to the next, the smallest at 50."""
    marks = [50.0 * 2**k for k in range(-4, 9)]
    return [mark for mark in marks if low * 0.92 <= mark <= high * 1.08]


def _mean_band(mean: Estimate, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    if mean.low is None or mean.high is None:
        return []
    row = alt.Chart(alt.InlineData(values=[{"low": mean.low, "high": mean.high}]))
    return [
        row.mark_rect(**look("mean-band", fillOpacity=0.4)).encode(
            x=alt.XValue(0), x2=alt.X2Value({"expr": "width"}), y=alt.Y("low:Q", scale=scale, axis=axis), y2=alt.Y2("high:Q")
        )
    ]


def chart_naive(rows: Rows, description: str) -> Chart:
    """What a correlation would be with nothing to find (band and tick), and what it is (dot)."""
    lines = rows["naive"]
    domain = nice_domain([*values_of(lines, "low", "high", "observed", "null_mean"), 0.0, 1.0])
    scale = alt.Scale(domain=[max(domain[0], -1.0), 1.0], nice=False)
    axis = alt.Axis(title="Correlation (1 is a straight line, 0 none)", orient="top", tickCount=6, format=".1f")
    y = rows_axis(len(lines), room=0.75)
    data = alt.Chart(alt.NamedData("naive"))
    tips = [
        alt.Tooltip("name:N", title="Correlation of"), alt.Tooltip("observed:Q", title="In these records", format=".2f"),
        alt.Tooltip("null_mean:Q", title="With nothing to find", format=".2f"),
    ]  # fmt: skip

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=scale, axis=axis)

    layers = [
        data.mark_bar(**look("new-band", size=16, fillOpacity=1)).encode(x=x("low"), x2=alt.X2("high:Q"), y=y, tooltip=tips),
        data.mark_tick(**look("tick", orient="vertical", size=16, thickness=2)).encode(x=x("null_mean"), y=y),
        data.mark_point(**look("main-dot", size=120)).encode(x=x("observed"), y=y, tooltip=tips),
        *name_above(data, y, "name", dy=-12),
    ]
    return finish(layers, ("naive",), max(1, len(lines)) * (LINE + 12), description)
