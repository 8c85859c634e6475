"""One row per build, in classes: its own estimate with its interval, and where pooling draws it."""

from __future__ import annotations

import altair as alt

from models.results import StudyResults
from reports.charts.base import Chart, class_fill, class_shape, class_stroke, finish, is_shown, open_when_uncooled
from reports.charts.ratio_spread import ratio_domain
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look

#: Height of a row in pixels: roomy for few builds, thin for many.
ROOMIEST, THINNEST = 15.0, 4.0
#: Height that the rows aim at together.
USUAL_HEIGHT = 1200.0


def chart_builds(rows: Rows, results: StudyResults, system: UnitSystem, description: str) -> Chart:
    """Rows are sorted within their class; intervals that leave the frame are cut there."""
    places = max([4, *(row["place"] + 1 for row in rows["units"])])
    step = min(ROOMIEST, max(THINNEST, USUAL_HEIGHT / places))
    domain = ratio_domain(rows, results)
    x_scale = alt.Scale(domain=domain, nice=False, zero=False, clamp=True)
    axis = alt.Axis(format=".0%", title="Share of the rule", orient="top", tickCount=7)
    y = alt.Y("place:Q", axis=None, scale=alt.Scale(domain=[places, 0.5], nice=False))
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("class:N", title="Class"),
        alt.Tooltip("shown:N", title="Its own estimate"), alt.Tooltip("shrunk_shown:N", title="Drawn to its peers"),
    ]  # fmt: skip
    units = alt.Chart(alt.NamedData("units"))

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    size = min(44.0, 3.4 * step)
    shape = {"shape": class_shape(), "fill": class_fill(), "fillOpacity": open_when_uncooled()}
    layers = [
        *_reference(results, x_scale, axis),
        units.mark_rule(strokeWidth=min(2.2, step / 3.2), aria=False, cursor="pointer").encode(
            x=x("low"), x2=alt.X2("high:Q"), y=y, stroke=class_stroke(), opacity=is_shown(0.4), tooltip=tips
        ),
        units.mark_point(size=size, strokeWidth=1.1, aria=False, cursor="pointer").encode(
            x=x("ratio"), y=y, stroke=class_stroke(), opacity=is_shown(1), tooltip=tips, **shape
        ),
        units.mark_tick(**look("tick", orient="vertical", size=step, thickness=1.4)).encode(
            x=x("shrunk"), y=y, opacity=is_shown(0.75)
        ),
        units.transform_filter("datum.u === picked").mark_rule(**look("picked")).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        units.transform_filter("datum.u === picked")
        .mark_point(**look("picked", size=110))
        .encode(x=x("ratio"), y=y, shape=class_shape(), fill=class_fill()),
        # An unseen bar across the frame makes the whole row a target.
        units.mark_bar(size=step, opacity=0, aria=False, cursor="pointer").encode(
            x=alt.XValue(0), x2=alt.X2Value({"expr": "width"}), y=y, tooltip=tips
        ),
        *_headings(y),
    ]  # fmt: skip
    return finish(layers, ("units", "groups"), round(step * places), description)


def _headings(y: alt.Y) -> list[alt.Chart]:
    groups = alt.Chart(alt.NamedData("groups")).transform_calculate(words="datum.label + '  (' + datum.builds + ')'")
    place = {"x": alt.XValue(0), "y": y, "text": alt.Text("words:N")}
    put = {"align": "left", "baseline": "middle", "fontWeight": "bold", "limit": {"expr": "width"}}
    return [groups.mark_text(**look(name, **put)).encode(**place) for name in ("halo", "note")]


def _reference(results: StudyResults, x_scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    mean, new = results.rule_ratio, results.new_build_rule_ratio
    layers: list[alt.Chart] = []
    for estimate, style in ((new, "new-band"), (mean, "mean-band")):
        if estimate.low is not None and estimate.high is not None:
            row = alt.Chart(alt.InlineData(values=[{"low": estimate.low, "high": estimate.high}]))
            layers.append(
                row.mark_rect(**look(style, fillOpacity=0.4)).encode(
                    x=alt.X("low:Q", scale=x_scale, axis=axis),
                    x2=alt.X2("high:Q"),
                    y=alt.YValue(0),
                    y2=alt.Y2Value({"expr": "height"}),
                )
            )
    rule = alt.Chart(alt.InlineData(values=[{"at": 1}]))
    return [*layers, rule.mark_rule(**look("rule-line")).encode(x=alt.X("at:Q", scale=x_scale, axis=axis))]
