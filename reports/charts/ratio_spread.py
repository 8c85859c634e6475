"""Every build's rule ratio as a dot on one scale, with the mean's interval and the range for a new build below."""

from __future__ import annotations

from typing import Any

import altair as alt

from models.results import StudyResults
from reports.charts.base import Chart, class_fill, class_stroke, finish, is_shown, nice_domain, open_when_uncooled
from reports.charts.rows import DOT_STEP, Rows
from reports.numbers import UnitSystem
from reports.theme import colour, look

#: How far the scale reaches beyond the range for a new build: one wild reading must not crowd all others.
BEYOND = 0.35


def ratio_domain(rows: Rows, results: StudyResults) -> list[float]:
    """Ends of the scale of rule ratios: builds, the rule and both ranges; what lies far outside is put at the edge."""
    ends = [results.new_build_rule_ratio.low, results.new_build_rule_ratio.high, results.rule_ratio.value, 0.7, 1.1]
    values = [row["ratio"] for row in rows["units"]] + ends
    domain = nice_domain(value for value in values if value is not None)
    new = results.new_build_rule_ratio
    low, high = (-0.5 if new.low is None else new.low - BEYOND, 3.0 if new.high is None else new.high + BEYOND)
    return [max(domain[0], min(low, 0.65), -0.5), min(domain[1], max(high, 1.15), 3.0)]


def chart_ratio_spread(rows: Rows, results: StudyResults, system: UnitSystem, description: str) -> Chart:
    """Dots stack where builds agree; the scale reads as a percentage of the rule."""
    domain = ratio_domain(rows, results)
    top = max([4, *(row["height"] for row in rows["units"])])
    x_scale = alt.Scale(domain=domain, nice=False, zero=False, clamp=True)
    axis = alt.Axis(
        format=".0%",
        title="Gain per unit of boost, as a share of the rule, to 10 psi (69 kPa)",
        tickCount=7,
        grid=False,
        offset=70,
    )
    y = alt.Y("height:Q", axis=None, scale=alt.Scale(domain=[0.4, top + 1.2], nice=False))
    x = alt.X("dot:Q", axis=axis, scale=x_scale)
    # A dot fills its column at any width of the page, up to what the height allows.
    across = f"width * {DOT_STEP} / {domain[1] - domain[0]!r}"
    size = {"expr": f"pow(min({across}, height / {top + 1}) * 0.86, 2)"}
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("class:N", title="Class"), alt.Tooltip("shown:N", title="Share of the rule"),
    ]  # fmt: skip
    units = alt.Chart(alt.NamedData("units"))
    dots = units.mark_point(size=size, shape="circle", strokeWidth=1.3, aria=False, cursor="pointer").encode(
        x=x, y=y, stroke=class_stroke(), fill=class_fill(), fillOpacity=open_when_uncooled(), opacity=is_shown(0.9), tooltip=tips
    )
    ring = (
        units.transform_filter("datum.u === picked")
        .mark_point(**look("picked", size=size, shape="circle"))
        .encode(x=x, y=y, fill=class_fill())
    )
    return finish([*_ranges(results, x_scale, axis), *_rule(x_scale, axis), dots, ring], ("units",), 300, description)


def _point(**values: Any) -> alt.Chart:
    return alt.Chart(alt.InlineData(values=[values]))


def _rule(x_scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    at = alt.X("at:Q", scale=x_scale, axis=axis)
    return [
        _point(at=1).mark_rule(**look("rule-line")).encode(x=at, y=alt.YValue(0), y2=alt.Y2Value({"expr": "height + 62"})),
        _point(at=1).mark_text(**look("note", fontWeight="bold", align="left", dx=6, baseline="top")).encode(
            x=at, y=alt.YValue(0), text=alt.TextValue("the rule")
        ),
    ]  # fmt: skip


def _ranges(results: StudyResults, x_scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    """Two bars below the dots; a range that cannot be given is left out."""
    layers: list[alt.Chart] = []
    wide = {"align": "left", "dx": 7, "fill": colour("ink")}
    bars = (
        (results.new_build_rule_ratio, "new-band", "low", "range for the next engine", 20, 20, wide),
        (results.rule_ratio, "mean-band", "low", "the average", 48, 12, {"align": "right", "dx": -7}),
    )
    for estimate, style, end, words, drop, thick, put in bars:
        if estimate.low is None or estimate.high is None:
            continue
        row = _point(low=estimate.low, high=estimate.high)
        x, x2 = alt.X("low:Q", scale=x_scale, axis=axis), alt.X2("high:Q")
        top, bottom = drop - thick / 2, drop + thick / 2
        y, y2 = alt.YValue({"expr": f"height + {top}"}), alt.Y2Value({"expr": f"height + {bottom}"})
        layers.append(row.mark_rect(**look(style, fillOpacity=1)).encode(x=x, x2=x2, y=y, y2=y2))
        at = alt.X(f"{end}:Q", scale=x_scale, axis=axis)
        words_mark = row.mark_text(**look("quiet-note", baseline="middle", **put))
        layers.append(words_mark.encode(x=at, y=alt.YValue({"expr": f"height + {drop}"}), text=alt.TextValue(words)))
    return layers
