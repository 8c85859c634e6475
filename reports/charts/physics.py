"""What physics expects of each class beside what its builds gave, and how the expectation comes about step by step."""

from __future__ import annotations

import altair as alt

from reports.charts.base import (
    Chart,
    class_fill,
    class_shape,
    class_stroke,
    finish,
    is_shown,
    nice_domain,
    open_when_uncooled,
)
from reports.charts.intervals import name_above, placed, rows_axis, rows_scale, share_axis, upright, values_of
from reports.charts.rows import Rows
from reports.theme import colour, look

#: Pixels of one class: its name, the bar of the expectation, the builds on it.
CLASS_LINE = 62
#: Pixels of one step of a budget.
STEP_LINE = 38
#: Half the distance of the two bars of a step [pixels].
APART = 4


def chart_physics(rows: Rows, description: str) -> Chart:
    """The bar is the range that physics expects of the class at sea level, a mark one build's own share of the rule."""
    lines = rows["physics"]
    domain = nice_domain([*values_of(lines, "low", "high"), *values_of(rows["physics_builds"], "ratio"), 1.05])
    x_scale = alt.Scale(domain=[max(domain[0], 0.0), min(domain[1], 2.0)], nice=False, zero=False, clamp=True)
    axis = share_axis("Share of the rule")
    y = rows_axis(len(lines), room=0.55)
    classes, builds = alt.Chart(alt.NamedData("physics")), alt.Chart(alt.NamedData("physics_builds"))
    # Neighbours in number stand at four heights, so that equal builds do not hide one another.
    spread = builds.transform_calculate(at="datum.place + ((datum.u % 4) - 1.5) * 0.075")
    y_at = alt.Y("at:Q", axis=None, scale=rows_scale(len(lines), 0.55))
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("shown:N", title="Share of the rule"), alt.Tooltip("expected:N", title="Physics expects, %"),
    ]  # fmt: skip

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    symbol = {"shape": class_shape(), "stroke": class_stroke(), "fill": class_fill(), "fillOpacity": open_when_uncooled()}
    layers = [
        classes.mark_bar(**look("new-band", size=30, fillOpacity=0.85)).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        *upright(1.0, x_scale, axis),
        spread.mark_point(size=30, strokeWidth=1, aria=False, cursor="pointer").encode(
            x=x("ratio"), y=y_at, opacity=is_shown(0.8), tooltip=tips, **symbol
        ),
        spread.transform_filter("datum.u === picked")
        .mark_point(**look("picked", size=110, cursor="pointer"))
        .encode(x=x("ratio"), y=y_at, shape=class_shape(), fill=class_fill(), tooltip=tips),
        *name_above(classes, y, "words", "short", dy=-19),
    ]
    return finish(layers, ("physics", "physics_builds"), max(1, len(lines)) * CLASS_LINE, description)


def chart_budget(rows: Rows, description: str) -> Chart:
    """Each step moves the expectation from where the last one left it: once with kind assumptions, once with unkind ones."""
    lines = placed(rows, "budget")
    ends = values_of(lines, "kind_from", "kind_to", "unkind_from", "unkind_to")
    x_scale = alt.Scale(domain=nice_domain([*ends, 0.9, 1.1]), nice=False, zero=False)
    axis = share_axis("Share of the rule")
    last = max((row["place"] for row in lines), default=0.0)
    y = alt.Y("place:Q", axis=None, scale=alt.Scale(domain=[last + 0.6, -0.7], nice=False))
    data = alt.Chart(alt.NamedData("budget")).transform_filter("isValid(datum.place)")

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    layers: list[alt.Chart] = [*upright(1.0, x_scale, axis)]
    for name, fill, offset in (("kind", colour("ink"), -APART), ("unkind", colour("accent"), APART)):
        tips = [alt.Tooltip("words:N", title="Step"), alt.Tooltip(f"{name}_change:Q", title="Change", format="+.1%")]
        effects = data.transform_filter("datum.part === 'effect'")
        layers += [
            effects.mark_bar(aria=False, size=6, fill=fill, yOffset=offset).encode(
                x=x(f"{name}_from"), x2=alt.X2(f"{name}_to:Q"), y=y, tooltip=tips
            ),
            effects.mark_tick(aria=False, orient="vertical", size=13, thickness=2, color=fill, yOffset=offset).encode(
                x=x(f"{name}_to"), y=y
            ),
            data.transform_filter("datum.part === 'expected'")
            .mark_point(aria=False, filled=True, opacity=1, size=110, fill=fill)
            .encode(x=x(f"{name}_to"), y=y),
        ]
    between = data.transform_filter("datum.part === 'expected'").mark_rule(**look("interval", strokeWidth=2))
    layers.insert(1, between.encode(x=x("unkind_to"), x2=alt.X2("kind_to:Q"), y=y))
    plain = data.transform_filter("datum.part !== 'rule'")
    layers += [
        *name_above(plain, y, "words", "short", dy=-9),
        *name_above(data.transform_filter("datum.part === 'rule'"), y, "words", fontWeight="bold", fontSize=13, dy=2),
    ]
    return finish(layers, ("budget",), round((last + 1.3) * STEP_LINE), description)
