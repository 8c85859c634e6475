"""Gain against boost, one line per build: does the last pound give as much as the first?"""

from __future__ import annotations

import altair as alt

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
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look


def chart_gain_by_boost(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Boost is divided by the day's air pressure and shown as boost at sea level, so that altitude drops out."""
    scale = system.scales["boost"]
    tops = [row["sea_level_boost_kpa"] for row in rows["gain_lines"]] + [10.0]
    x_domain = [0.0, max(tops) * scale.factor * 1.04]
    gains = [row["gain"] for row in rows["gain_lines"]] + [0.1]
    y_domain = nice_domain(gains)
    y_domain[0] = min(0.0, min(gains))
    x = alt.X("boost:Q", title=f"Boost, {scale.unit} (as at sea level)", scale=alt.Scale(domain=x_domain, nice=False))
    y_axis = alt.Axis(title="Power gained over the unboosted run", format="+.0%")
    y_scale = alt.Scale(domain=y_domain, nice=False)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    to_boost = converted("sea_level_boost_kpa", system, "boost")
    band = alt.Chart(alt.NamedData("gain_band")).transform_calculate(boost=to_boost)
    lines = alt.Chart(alt.NamedData("gain_lines")).transform_calculate(boost=to_boost)
    points = lines.transform_filter("!datum.start")
    picked = lines.transform_filter("datum.u === picked")
    rule = alt.Chart(
        alt.InlineData(values=[{"boost": 0, "rule": 0}, {"boost": x_domain[1], "rule": x_domain[1] / scale.factor / 101.325}])
    )
    tips = [
        alt.Tooltip("name:N", title="Build"),
        alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("boost:Q", title=f"{scale.unit} at sea level", format=f".{scale.digits}f"),
        alt.Tooltip("gain:Q", title="Gain", format="+.0%"),
        alt.Tooltip("share:Q", title="Of the rule", format=".0%"),
    ]
    curve = {"x": x, "detail": alt.Detail("u:N"), "order": alt.Order("boost:Q")}
    layers = [
        band.mark_area(**look("new-band", clip=True)).encode(x=x, y=y("new_low"), y2=alt.Y2("new_high:Q")),
        lines.mark_line(strokeWidth=1, clip=True, aria=False).encode(
            y=y("gain"), stroke=class_stroke(), opacity=is_shown(0.32), **curve
        ),
        points.mark_point(size=22, strokeWidth=1, clip=True, aria=False, cursor="pointer").encode(
            x=x, y=y("gain"), shape=class_shape(), stroke=class_stroke(), fill=class_fill(), fillOpacity=open_when_uncooled(),
            opacity=is_shown(0.7), tooltip=tips,
        ),
        band.mark_area(**look("mean-band", clip=True)).encode(x=x, y=y("mean_low"), y2=alt.Y2("mean_high:Q")),
        band.mark_line(**look("mean-line", clip=True)).encode(x=x, y=y("mean")),
        rule.mark_line(**look("rule-line", clip=True)).encode(x=x, y=y("rule")),
        # A wide, unseen line makes a thin one easy to hit.
        lines.mark_line(strokeWidth=9, opacity=0, clip=True, aria=False, cursor="pointer").encode(y=y("gain"), **curve),
        picked.mark_line(strokeWidth=3, clip=True, aria=False).encode(y=y("gain"), stroke=class_stroke(), **curve),
        picked.transform_filter("!datum.start")
        .mark_point(**look("picked", size=100, cursor="pointer"))
        .encode(x=x, y=y("gain"), shape=class_shape(), fill=class_fill(), tooltip=tips),
        *_rule_label(x, y_domain, x_domain[1] / scale.factor / 101.325, y_axis, y_scale, x_domain[1]),
    ]  # fmt: skip
    return finish(layers, ("gain_band", "gain_lines"), 420, description)


def _rule_label(
    x: alt.X, y_domain: list[float], rule_top: float, axis: alt.Axis, scale: alt.Scale, top: float
) -> list[alt.Chart]:
    """The words ``the rule`` where its line leaves the frame."""
    share = min(0.97, y_domain[1] * 0.97 / rule_top)
    at = alt.Chart(alt.InlineData(values=[{"boost": top * share, "rule": rule_top * share}]))
    place = {"x": x, "y": alt.Y("rule:Q", axis=axis, scale=scale), "text": alt.TextValue("the rule")}
    put = {"align": "right", "baseline": "bottom", "dx": -8, "fontWeight": "bold"}
    return [at.mark_text(**look(name, **put)).encode(**place) for name in ("halo", "note")]
