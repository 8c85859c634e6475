"""Claims against their ranges: one line each, on the scale of what is to be expected, a shape for each verdict."""

from __future__ import annotations

from typing import Any

import altair as alt

from models.claim_records import VERDICTS
from reports.charts.base import Chart, finish, nice_domain
from reports.charts.intervals import LINE, local, name_above, rows_axis, share_axis, values_of
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import colour, look

#: Verdict -> shape and colour of its mark.
MARKS: dict[str, tuple[str, str]] = {
    "in line": ("circle", "c2"), "high but seen": ("triangle-up", "c1"), "beyond the evidence": ("diamond", "accent"),
    "low": ("triangle-down", "c0"), "cannot judge": ("square", "c3"),
}  # fmt: skip

#: Shares of the expected figure beyond these are cut at the frame: one wild claim must not flatten all others. By chart.
WIDEST: dict[str, tuple[float, float]] = {"claims": (0.4, 1.7), "part_claims": (-0.75, 3.25)}


def chart_claims(rows: Rows, name: str, system: UnitSystem, description: str) -> Chart:
    """Claims of record set ``name``: bars are the 80 % and the 95 % range, the dashed mark is what the rule leads to.

    Parameters
    ----------
    rows : record sets, of which ``name`` (``claims``, ``part_claims``) is read; figures are shares of the expected one.
    system : units of the names and of what a mark tells.
    description : words in place of the picture.
    """
    lines = rows[name]
    widest = WIDEST[name]
    domain = nice_domain([*values_of(lines, "low95", "high95", "low80", "high80", "share", "rule"), 0.9, 1.1])
    x_scale = alt.Scale(domain=[max(domain[0], widest[0]), min(domain[1], widest[1])], nice=False, zero=False, clamp=True)
    axis = share_axis("Share of what is to be expected of such an engine")
    y = rows_axis(len(lines))
    data = alt.Chart(alt.NamedData(name))
    tips = [
        alt.Tooltip("name:N", title="Claim"), alt.Tooltip(f"{local('claimed_shown', system)}:N", title="Claimed"),
        alt.Tooltip(f"{local('range80', system)}:N", title="80 % range"), alt.Tooltip(f"{local('range95', system)}:N", title="95 % range"),
        alt.Tooltip("verdict:N", title="Verdict"), alt.Tooltip("place_said:N", title="Among such engines"),
    ]  # fmt: skip

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    layers = [
        _bar(data, "new-band", 9, 1.0, "95", x("low95"), y),
        _bar(data, "mean-band", 9, 0.8, "80", x("low80"), y),
        _expected(x_scale, axis),
        data.transform_filter("isValid(datum.rule)")
        .mark_point(**look("rule-line", shape="stroke", angle=90, size=420, filled=False, strokeDash=[4, 3]))
        .encode(x=x("rule"), y=y),
        *_marks(data, x("share"), y, tips),
        *name_above(data, y, local("words", system), "name"),
        # An unseen bar across the frame makes the whole row a target.
        data.mark_bar(size=LINE * 0.8, opacity=0, aria=False).encode(
            x=alt.XValue(0), x2=alt.X2Value({"expr": "width"}), y=y, tooltip=tips
        ),
    ]  # fmt: skip
    return finish(layers, (name,), max(1, len(lines)) * LINE, description)


def _bar(data: alt.Chart, style: str, size: int, opacity: float, level: str, x: alt.X, y: alt.Y) -> alt.Chart:
    """A range, where both its ends are known."""
    known = data.transform_filter(f"isValid(datum.low{level}) && isValid(datum.high{level})")
    return known.mark_bar(**look(style, size=size, fillOpacity=opacity)).encode(x=x, x2=alt.X2(f"high{level}:Q"), y=y)


def _expected(x_scale: alt.Scale, axis: alt.Axis) -> alt.Chart:
    """What is to be expected, through all lines; solid, since what is dashed is the rule's."""
    point = alt.Chart(alt.InlineData(values=[{"at": 1.0}]))
    return point.mark_rule(**look("mean-line", strokeWidth=1.2)).encode(x=alt.X("at:Q", scale=x_scale, axis=axis))


def _marks(data: alt.Chart, x: alt.X, y: alt.Y, tips: list[alt.Tooltip]) -> list[alt.Chart]:
    """The claim itself; what cannot be judged stays open."""
    domain = list(VERDICTS)
    shape = alt.Shape("verdict_code:N", scale=alt.Scale(domain=domain, range=[MARKS[one][0] for one in domain]), legend=None)
    colours = alt.Scale(domain=domain, range=[colour(MARKS[one][1]) for one in domain])
    judged = data.transform_filter("datum.verdict_code !== 'cannot judge'")
    other = data.transform_filter("datum.verdict_code === 'cannot judge'")
    outline: dict[str, Any] = {"stroke": colour("raised"), "strokeWidth": 1.2, "opacity": 1, "aria": False}
    return [
        judged.mark_point(filled=True, size=190, **outline).encode(
            x=x, y=y, shape=shape, fill=alt.Fill("verdict_code:N", scale=colours, legend=None), tooltip=tips
        ),
        other.mark_point(filled=False, size=130, opacity=1, aria=False, strokeWidth=1.8, fill=colour("raised")).encode(
            x=x, y=y, shape=shape, stroke=alt.Stroke("verdict_code:N", scale=colours, legend=None), tooltip=tips
        ),
    ]
