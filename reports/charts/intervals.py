"""Averages with their intervals, one line each, the name above its dot: margin, kinds of source, publishers left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt

from reports.charts.base import Chart, finish, nice_domain
from reports.charts.rows import Row, Rows
from reports.numbers import UnitSystem
from reports.theme import look

#: Pixels of one line: name and dot below each other, so that a phone has room for both.
LINE = 40

#: Frames narrower than this get the short words [pixels].
NARROW = 520


def share_axis(title: str) -> alt.Axis:
    """Axis of shares of the rule above the frame, so that a long chart shows it where reading begins."""
    return alt.Axis(title=title, format=".0%", orient="top", tickCount=6)


def placed(rows: Rows, name: str) -> list[Row]:
    """Rows of a set that the chart draws: those with a place."""
    return [row for row in rows[name] if row["place"] is not None]


def local(field: str, system: UnitSystem) -> str:
    """Field of a text that exists in both unit systems."""
    return f"{field}_si" if system.code == "si" else field


def values_of(rows: Sequence[Row], *fields: str) -> list[float]:
    """All numbers of these fields."""
    return [row[field] for row in rows for field in fields if row.get(field) is not None]


def rows_scale(count: int, room: float = 0.65) -> alt.Scale:
    """Lines from the top down."""
    return alt.Scale(domain=[max(count, 1) - 0.35, -room], nice=False)


def rows_axis(count: int, *, room: float = 0.65) -> alt.Y:
    """Lines by their place; lines without one are not drawn."""
    return alt.Y("place:Q", axis=None, scale=rows_scale(count, room))


def name_above(data: alt.Chart, y: alt.Y, field: str, narrow: str | None = None, **more: Any) -> list[alt.Chart]:
    """The name of a line, from the left edge, cut at the width of the frame; lines that it crosses stay behind it.

    ``narrow`` names the field with shorter words for a narrow frame.
    """
    put = {"align": "left", "baseline": "bottom", "dy": -9, "limit": {"expr": "width"}, **more}
    if narrow is None:
        return [
            data.mark_text(**look(style, **put)).encode(x=alt.XValue(0), y=y, text=alt.Text(f"{field}:N"))
            for style in ("halo", "note")
        ]
    put["text"] = {"expr": f"width < {NARROW} ? datum.{narrow} : datum.{field}"}
    return [data.mark_text(**look(style, **put)).encode(x=alt.XValue(0), y=y) for style in ("halo", "note")]


def upright(at: float, x_scale: alt.Scale, axis: alt.Axis, words: str = "") -> list[alt.Chart]:
    """The dashed line of the rule, or of no difference."""
    point = alt.Chart(alt.InlineData(values=[{"at": at}]))
    x = alt.X("at:Q", scale=x_scale, axis=axis)
    line = point.mark_rule(**look("rule-line")).encode(x=x)
    if not words:
        return [line]
    put = {"align": "left", "dx": 5, "baseline": "bottom", "dy": -2, "fontWeight": "bold"}
    return [line, point.mark_text(**look("note", **put)).encode(x=x, y=alt.YValue({"expr": "height"}), text=alt.TextValue(words))]


def zone(low: float, high: float, x_scale: alt.Scale, axis: alt.Axis) -> alt.Chart:
    """A light band across the frame."""
    row = alt.Chart(alt.InlineData(values=[{"low": low, "high": high}]))
    x = alt.X("low:Q", scale=x_scale, axis=axis)
    return row.mark_rect(**look("new-band")).encode(x=x, x2=alt.X2("high:Q"), y=alt.YValue(0), y2=alt.Y2Value({"expr": "height"}))


def _chart(
    name: str,
    rows: Rows,
    description: str,
    tips: list[alt.Tooltip],
    title: str,
    *,
    main: str,
    band: tuple[float, float] | None = None,
    domain_with: Sequence[float] = (1.0,),
) -> Chart:
    """Dots with intervals; ``main`` is a Vega expression that says which dots carry the accent."""
    lines = placed(rows, name)
    x_scale = alt.Scale(domain=nice_domain([*values_of(lines, "low", "ratio", "high"), *domain_with]), nice=False, zero=False)
    axis = share_axis(title)
    y = rows_axis(len(lines))
    data = alt.Chart(alt.NamedData(name)).transform_filter("isValid(datum.place)")

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    layers = [
        *([zone(*band, x_scale, axis)] if band else []),
        *upright(1.0, x_scale, axis),
        data.mark_rule(**look("mean-line")).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        data.transform_filter(f"!({main})").mark_point(**look("other-dot", size=80)).encode(x=x("ratio"), y=y, tooltip=tips),
        data.transform_filter(main).mark_point(**look("main-dot", size=130)).encode(x=x("ratio"), y=y, tooltip=tips),
        *name_above(data, y, "name"),
    ]
    return finish(layers, (name,), max(1, len(lines)) * LINE, description)


def _tips(name: str) -> list[alt.Tooltip]:
    return [
        alt.Tooltip("name:N", title=name), alt.Tooltip("shown:N", title="Share of the rule"),
        alt.Tooltip("builds:Q", title="Builds"),
    ]  # fmt: skip


def chart_band(rows: Rows, margin: float, description: str) -> Chart:
    """The average and a new build against the band in which the rule counts as holding."""
    return _chart(
        "band", rows, description, _tips("What"), "Share of the rule", main="datum.place === 0",
        band=(1 - margin, 1 + margin), domain_with=(1 - 1.3 * margin, 1 + 1.3 * margin),
    )  # fmt: skip


def chart_kinds(rows: Rows, description: str) -> Chart:
    """The average of each kind of source."""
    tips = [*_tips("Kind"), alt.Tooltip("difference:N", title="Against all others, points")]
    return _chart("kinds", rows, description, tips, "Average share of the rule", main="false")


def chart_publishers(rows: Rows, description: str) -> Chart:
    """The average without each publisher; the interval with all of them runs as a band through the lines."""
    first = rows["publishers"][0] if rows["publishers"] else {}
    low, high = first.get("low"), first.get("high")
    band = None if low is None or high is None else (low, high)
    tips = [*_tips("Choice"), alt.Tooltip("out:Q", title="Builds left out")]
    return _chart("publishers", rows, description, tips, "Average share of the rule", main="datum.main", band=band)
