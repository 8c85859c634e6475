"""Yield per unit of boost against naturally aspirated output: the rule as a line, what was measured as points."""

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


def chart_yield_by_output(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Points are boosted runs referred to sea level; the band is the mean, the wide band the range for a new build."""
    power, per_boost = system.scales["power"], system.scales["yield"]
    top_x = max([1.0, *(row["na_power_kw"] for row in rows["runs"])]) * power.factor * 1.04
    y_domain = nice_domain((row["yield_kw_per_kpa"] * per_boost.factor for row in rows["runs"]), floor=0.0)
    y_domain[1] = max(y_domain[1], top_x / power.factor / 101.325 * per_boost.factor * 1.02)
    x = alt.X("output:Q", title=f"Output without boost, {power.unit}", scale=alt.Scale(domain=[0, top_x], nice=False, zero=True))
    y_axis = alt.Axis(title=f"Gain, {system.scales['power'].unit} per {system.scales['boost'].unit}")
    y_scale = alt.Scale(domain=y_domain, nice=False)

    band = alt.Chart(alt.NamedData("yield_band")).transform_calculate(
        output=converted("na_power_kw", system, "power"),
        **{
            f"{name}_shown": converted(name, system, "yield")
            for name in ("rule", "mean", "mean_low", "mean_high", "new_low", "new_high")
        },
    )

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    points = alt.Chart(alt.NamedData("runs")).transform_calculate(
        output=converted("na_power_kw", system, "power"), gain=converted("yield_kw_per_kpa", system, "yield")
    )
    symbol = {"shape": class_shape(), "stroke": class_stroke(), "fill": class_fill(), "fillOpacity": open_when_uncooled()}
    tips = [
        alt.Tooltip("name:N", title="Build"),
        alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("output:Q", title=f"Without boost, {power.unit}", format=f".{power.digits}f"),
        alt.Tooltip("gain:Q", title=per_boost.unit, format=f".{per_boost.digits}f"),
        alt.Tooltip("share:Q", title="Of the rule", format=".0%"),
    ]
    last = band.transform_window(order="row_number()").transform_filter(f"datum.order === {len(rows['yield_band'])}")
    put = {"align": "right", "baseline": "bottom", "dx": -6, "dy": -10, "fontWeight": "bold"}
    layers = [
        band.mark_area(**look("new-band")).encode(x=x, y=y("new_low_shown"), y2=alt.Y2("new_high_shown:Q")),
        band.mark_area(**look("mean-band")).encode(x=x, y=y("mean_low_shown"), y2=alt.Y2("mean_high_shown:Q")),
        band.mark_line(**look("mean-line")).encode(x=x, y=y("mean_shown")),
        band.mark_line(**look("rule-line")).encode(x=x, y=y("rule_shown")),
        points.mark_point(size=42, strokeWidth=1.2, aria=False, cursor="pointer").encode(
            x=x, y=y("gain"), opacity=is_shown(0.75), tooltip=tips, **symbol
        ),
        points.transform_filter("datum.u === picked")
        .mark_point(**look("picked", size=110, cursor="pointer"))
        .encode(x=x, y=y("gain"), shape=class_shape(), fill=class_fill(), tooltip=tips),
        *(
            last.mark_text(**look(name, **put)).encode(x=x, y=y("rule_shown"), text=alt.TextValue("the rule"))
            for name in ("halo", "note")
        ),
    ]
    return finish(layers, ("yield_band", "runs"), 420, description)
