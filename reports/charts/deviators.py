"""Builds that depart: their own reading against what was to be expected, and against physics."""

from __future__ import annotations

import altair as alt

from reports.charts.base import Chart, finish, is_shown, nice_domain
from reports.charts.intervals import LINE, name_above, placed, rows_axis, share_axis, upright, values_of, zone
from reports.charts.rows import Rows
from reports.charts.rows_doubt import BAND
from reports.theme import look

#: Shares of the rule beyond these are cut at the frame: one wild reading must not flatten all others.
WIDEST = (0.0, 2.0)


def chart_deviators(rows: Rows, description: str) -> Chart:
    """Builds unlike their peers: the bar is the range in which a reading like this was to be expected, the tick what peers show."""
    return _chart("deviators", rows, description, expected=True)


def chart_breakers(rows: Rows, description: str) -> Chart:
    """Builds that break the rule: the band is the rule's, full dots are those of the strict count."""
    return _chart("breakers", rows, description, expected=False)


def _chart(name: str, rows: Rows, description: str, *, expected: bool) -> Chart:
    lines = placed(rows, name)
    ends = values_of(lines, "low", "ratio", "high", *(("expected_low", "expected_high") if expected else ()))
    domain = nice_domain([*ends, 0.85, 1.15])
    x_scale = alt.Scale(domain=[max(domain[0], WIDEST[0]), min(domain[1], WIDEST[1])], nice=False, zero=False, clamp=True)
    axis = share_axis("Share of the rule, to 10 psi (69 kPa)")
    y = rows_axis(len(lines))
    data = alt.Chart(alt.NamedData(name)).transform_filter("isValid(datum.place)")
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("shown:N", title="Share of the rule"), alt.Tooltip("expected_shown:N", title="Expected, %"),
        alt.Tooltip("physics_shown:N", title="Physics expects, %"), alt.Tooltip("summary:N", title="Its record"),
    ]  # fmt: skip

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    physics = data.mark_rule(**look("interval", strokeWidth=3, opacity=0.55, strokeCap="butt", yOffset=9))
    picked = data.transform_filter("datum.u === picked && datum.u >= 0")
    dot = {"x": x("ratio"), "y": y, "opacity": is_shown(1), "tooltip": tips}
    layers = [
        *([] if expected else [zone(*BAND, x_scale, axis)]),
        *upright(1.0, x_scale, axis),
        *(
            [
                data.mark_bar(**look("new-band", size=13, fillOpacity=1)).encode(x=x("expected_low"), x2=alt.X2("expected_high:Q"), y=y),
                data.mark_tick(**look("tick", orient="vertical", size=13, thickness=2)).encode(x=x("expected"), y=y),
            ]
            if expected
            else []
        ),
        physics.encode(x=x("physics_low"), x2=alt.X2("physics_high:Q"), y=y),
        data.mark_rule(**look("mean-line", strokeWidth=1.6)).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        *_dots(data, dot, expected),
        picked.mark_point(**look("picked", size=190)).encode(x=x("ratio"), y=y),
        *name_above(data, y, "words"),
        # An unseen bar across the frame makes the whole row a target.
        data.mark_bar(size=LINE * 0.8, opacity=0, aria=False, cursor="pointer").encode(
            x=alt.XValue(0), x2=alt.X2Value({"expr": "width"}), y=y, tooltip=tips
        ),
    ]  # fmt: skip
    return finish(layers, (name,), max(1, len(lines)) * LINE, description)


def _dots(data: alt.Chart, dot: dict[str, object], expected: bool) -> list[alt.Chart]:
    full = look("main-dot", size=105)
    if expected:
        return [data.mark_point(**full).encode(**dot)]
    wide = {"filled": False, "strokeWidth": 1.6, "stroke": full["fill"], "fill": "var(--raised)"}
    return [
        data.transform_filter("datum.strict").mark_point(**full).encode(**dot),
        data.transform_filter("!datum.strict").mark_point(**{**full, **wide}).encode(**dot),
    ]
