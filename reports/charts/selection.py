"""Does the sample look picked: the funnel with its confounder, and the average if builds had gone unpublished."""

from __future__ import annotations

import altair as alt

from models.estimate import Estimate
from reports.charts.base import Chart, class_fill, class_shape, class_stroke, finish, is_shown, nice_domain, open_when_uncooled
from reports.charts.intervals import values_of
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look

#: Height of the chart of assumptions [pixels].
HEIGHT = 320


def chart_funnel(rows: Rows, mean: Estimate, system: UnitSystem, description: str) -> Chart:
    """Builds by their reading and how well it is known; larger marks were tested at more boost, which is what sets the error."""
    boost = system.scales["boost"]
    points_ = rows["funnel"]
    domain = nice_domain([*values_of(points_, "ratio"), 0.7, 1.1])
    x_scale = alt.Scale(domain=[max(domain[0], -0.5), min(domain[1], 3.0)], nice=False, zero=False, clamp=True)
    axis = alt.Axis(title="Share of the rule", format=".0%", tickCount=7, orient="bottom")
    x = alt.X("ratio:Q", scale=x_scale, axis=axis)
    top = max([0.05, *values_of(points_, "error")]) * 1.05
    y = alt.Y(
        "error:Q", scale=alt.Scale(domain=[top, 0.0], nice=False),
        axis=alt.Axis(title="Standard error of a build's own share (surest at the top)", format=".0%", tickCount=5),
    )  # fmt: skip
    data = alt.Chart(alt.NamedData("funnel")).transform_calculate(boost=f"datum.boost_kpa * {boost.factor!r}")
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("ratio:Q", title="Share of the rule", format=".0%"),
        alt.Tooltip("error:Q", title="Standard error", format=".1%"),
        alt.Tooltip("boost:Q", title=f"Highest boost, {boost.unit}", format=f".{boost.digits}f"),
    ]  # fmt: skip
    size = alt.Size(
        "boost_kpa:Q", scale=alt.Scale(domain=[0, max([70.0, *values_of(points_, "boost_kpa")])], range=[8, 130]), legend=None
    )
    symbol = {"shape": class_shape(), "stroke": class_stroke(), "fill": class_fill(), "fillOpacity": open_when_uncooled()}
    layers: list[alt.Chart] = []
    if mean.value is not None:
        at = alt.Chart(alt.InlineData(values=[{"at": mean.value}]))
        mean_x = alt.X("at:Q", scale=x_scale, axis=axis)
        layers.append(at.mark_rule(**look("mean-line")).encode(x=mean_x))
        put = {"align": "right", "baseline": "bottom", "dx": -5, "dy": -3}
        layers.append(
            at.mark_text(**look("note", **put)).encode(
                x=mean_x, y=alt.YValue({"expr": "height"}), text=alt.TextValue("the average")
            )
        )
    rule = alt.Chart(alt.InlineData(values=[{"at": 1}]))
    layers += [
        rule.mark_rule(**look("rule-line")).encode(x=alt.X("at:Q", scale=x_scale, axis=axis)),
        data.mark_point(strokeWidth=1.1, aria=False, cursor="pointer").encode(
            x=x, y=y, size=size, opacity=is_shown(0.72), tooltip=tips, **symbol
        ),
        data.transform_filter("datum.u === picked")
        .mark_point(**look("picked", size=150, cursor="pointer"))
        .encode(x=x, y=y, shape=class_shape(), fill=class_fill(), tooltip=tips),
    ]
    return finish(layers, ("funnel",), 360, description)


def chart_withheld(rows: Rows, mean: Estimate, description: str) -> Chart:
    """One line per cut: the more of the builds below it went unpublished, the lower the average over all builds."""
    lines = rows["withheld"]
    top = max([0.9, *values_of(lines, "share_withheld")])
    x = alt.X(
        "share_withheld:Q", scale=alt.Scale(domain=[0, top * 1.02], nice=False),
        axis=alt.Axis(title="Share of the builds below the cut left unpublished", format=".0%", grid=False,
                      values=sorted({row["share_withheld"] for row in lines})),
    )  # fmt: skip
    domain = nice_domain([*values_of(lines, "ratio"), 1.02])
    scale = alt.Scale(domain=domain, nice=False, zero=False)
    axis = alt.Axis(title="Average share of the rule over all builds", format=".0%", tickCount=5)
    y = alt.Y("ratio:Q", scale=scale, axis=axis)
    data = alt.Chart(alt.NamedData("withheld"))
    tips = [
        alt.Tooltip("words:N", title="Cut"), alt.Tooltip("share_withheld:Q", title="Withheld", format=".0%"),
        alt.Tooltip("ratio:Q", title="Average", format=".1%"), alt.Tooltip("unpublished:Q", title="Builds nobody published", format=".0f"),
    ]  # fmt: skip
    rule = alt.Chart(alt.InlineData(values=[{"at": 1}]))
    at = alt.Y("at:Q", scale=scale, axis=axis)
    layers: list[alt.Chart] = []
    if mean.low is not None and mean.high is not None:
        row = alt.Chart(alt.InlineData(values=[{"low": mean.low, "high": mean.high}]))
        layers.append(
            row.mark_rect(**look("new-band")).encode(
                x=alt.XValue(0), x2=alt.X2Value({"expr": "width"}), y=alt.Y("low:Q", scale=scale, axis=axis), y2=alt.Y2("high:Q")
            )
        )
    layers += [
        rule.mark_rule(**look("rule-line")).encode(y=at),
        rule.mark_text(**look("note", fontWeight="bold", align="left", baseline="bottom", dx=4, dy=-4)).encode(
            y=at, x=alt.XValue(0), text=alt.TextValue("the rule")
        ),
        data.transform_filter("isValid(datum.ratio)")
        .mark_line(**look("mean-line", strokeWidth=1.5))
        .encode(x=x, y=y, detail=alt.Detail("cut:N")),
        data.transform_filter("!datum.start").mark_point(**look("other-dot", size=55)).encode(x=x, y=y, tooltip=tips),
        *_line_names(rows, x, scale, axis, domain),
    ]
    return finish(layers, ("withheld",), HEIGHT, description)


def _line_names(rows: Rows, x: alt.X, scale: alt.Scale, axis: alt.Axis, domain: list[float]) -> list[alt.Chart]:
    """The cut of each line at its end, from the top down, none closer to the next than a line of text."""
    gap = 17 * (domain[1] - domain[0]) / HEIGHT
    ends = sorted((row for row in rows["withheld"] if row["last"]), key=lambda row: -row["ratio"])
    placed: list[dict[str, float | str]] = []
    lowest = domain[1]
    for row in ends:
        lowest = min(row["ratio"] + 0.6 * gap, lowest - gap)
        placed.append({"share_withheld": row["share_withheld"], "at": lowest, "words": row["words"]})
    if not placed:
        return []
    at = alt.Y("at:Q", scale=scale, axis=axis)
    names = alt.Chart(alt.InlineData(values=placed))
    put = {"align": "right", "baseline": "middle", "dx": -9}
    return [names.mark_text(**look(name, **put)).encode(x=x, y=at, text=alt.Text("words:N")) for name in ("halo", "note")]
