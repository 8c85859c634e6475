"""What a change, or boost, is worth at each engine speed: a line with its band, never a sheet of power and torque."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from models.curve_records import GainCurve, YieldCurve
from reports.charts.base import Chart, class_stroke, converted, finish, nice_domain
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look

#: Curves that one chart holds before its lines hide one another; the first in order of key are drawn and the page says how many are not.
MOST_CURVES = 24


def rows_of_gains(gains: Sequence[GainCurve], most: int = MOST_CURVES) -> Rows:
    """Record set ``gain_by_rpm``: one row a change and speed, in SI; ``u`` numbers the change."""
    return {
        "gain_by_rpm": [
            {
                "u": number, "name": curve.build, "parts": " + ".join(p.replace("_", " ") for p in curve.parts) or "not stated",
                "publisher": curve.publisher, "rpm": p.rpm, "gain_kw": p.gain_kw, "low_kw": p.low_kw, "high_kw": p.high_kw,
                "before_kw": p.before_kw, "after_kw": p.after_kw,
            }
            for number, curve in enumerate(gains[:most])
            for p in curve.points
        ]
    }  # fmt: skip


def rows_of_yields(yields: Sequence[YieldCurve], most: int = MOST_CURVES) -> Rows:
    """Record set ``yield_by_rpm``: one row a boosted curve and speed; ``u`` numbers the curve."""
    return {
        "yield_by_rpm": [
            {
                "u": number, "name": curve.build, "publisher": curve.publisher, "induction": curve.induction or "unstated",
                "rpm": p.rpm, "boost_kpa": p.boost_kpa, "ratio": p.rule_ratio, "low": p.low, "high": p.high,
                "yield_kw_per_kpa": p.yield_kw_per_kpa,
            }
            for number, curve in enumerate(yields[:most])
            for p in curve.points
        ]
    }  # fmt: skip


def _speed_axis(rpm: Sequence[float]) -> alt.X:
    ends = [min(rpm), max(rpm)] if rpm else [2000.0, 7000.0]
    return alt.X(
        "rpm:Q", title="Engine speed, rpm", scale=alt.Scale(domain=ends, nice=False, zero=False), axis=alt.Axis(format=",.0f")
    )


def chart_gain_by_rpm(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Power won by changes against engine speed; the band holds for each speed alone."""
    data, scale = rows["gain_by_rpm"], system.scales["power"]
    ends = [row[k] * scale.factor for row in data for k in ("low_kw", "high_kw")]
    y_axis = alt.Axis(title=f"Power won, {scale.unit}", format="+~r", tickCount=6)
    y_scale = alt.Scale(domain=nice_domain([*ends, 0.0]), nice=False, zero=False)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    x = _speed_axis([row["rpm"] for row in data])
    lines = alt.Chart(alt.NamedData("gain_by_rpm")).transform_calculate(
        gain=converted("gain_kw", system, "power"), low=converted("low_kw", system, "power"), high=converted("high_kw", system, "power"),
        before=converted("before_kw", system, "power"), after=converted("after_kw", system, "power"),
    )  # fmt: skip
    number = f".{scale.digits}f"
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("parts:N", title="Changed"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("rpm:Q", title="rpm", format=",.0f"), alt.Tooltip("gain:Q", title=f"Won, {scale.unit}", format=f"+{number}"),
        alt.Tooltip("before:Q", title=f"Before, {scale.unit}", format=number),
        alt.Tooltip("after:Q", title=f"After, {scale.unit}", format=number),
    ]  # fmt: skip
    nothing = alt.Chart(alt.InlineData(values=[{"at": 0}]))
    layers = [
        lines.mark_area(**look("new-band", clip=True)).encode(x=x, y=y("low"), y2="high:Q", detail="u:N"),
        nothing.mark_rule(**look("rule-line")).encode(y=y("at")),
        nothing.mark_text(**look("quiet-note", align="left", baseline="bottom", dx=4, dy=-4)).encode(
            y=y("at"), x=alt.value(0), text=alt.value("no change")
        ),
        lines.mark_line(**look("mean-line", clip=True)).encode(x=x, y=y("gain"), detail="u:N", order="rpm:Q"),
        # A wide, unseen mark makes a thin line easy to hit.
        lines.mark_point(size=120, opacity=0, aria=False).encode(x=x, y=y("gain"), tooltip=tips),
    ]
    return finish(layers, ("gain_by_rpm",), 320, description)


def chart_yield_by_rpm(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """What boost was worth against engine speed, as a share of the rule, one line a boosted curve."""
    data = rows["yield_by_rpm"]
    y_axis = alt.Axis(title=f"Worth of a {system.boost_word}, as a share of the rule", format=".0%", tickCount=6)
    y_scale = alt.Scale(domain=nice_domain([*(row[k] for row in data for k in ("low", "high")), 1.0]), nice=False, zero=False)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    x = _speed_axis([row["rpm"] for row in data])
    boost, per = system.scales["boost"], system.scales["yield"]
    lines = alt.Chart(alt.NamedData("yield_by_rpm")).transform_calculate(
        boost=converted("boost_kpa", system, "boost"), worth=converted("yield_kw_per_kpa", system, "yield")
    )
    tips = [
        alt.Tooltip("name:N", title="Build"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("rpm:Q", title="rpm", format=",.0f"), alt.Tooltip("boost:Q", title=f"Boost, {boost.unit}", format=f".{boost.digits}f"),
        alt.Tooltip("ratio:Q", title="Of the rule", format=".0%"),
        alt.Tooltip("worth:Q", title=f"{per.unit} at sea level", format=f".{per.digits}f"),
    ]  # fmt: skip
    rule = alt.Chart(alt.InlineData(values=[{"at": 1}]))
    layers = [
        lines.mark_area(**look("new-band", clip=True, fillOpacity=0.25)).encode(x=x, y=y("low"), y2="high:Q", detail="u:N"),
        rule.mark_rule(**look("rule-line")).encode(y=y("at")),
        rule.mark_text(**look("note", fontWeight="bold", align="left", baseline="bottom", dx=4, dy=-5)).encode(
            y=y("at"), x=alt.value(0), text=alt.value("the rule")
        ),
        lines.mark_line(strokeWidth=2, clip=True, aria=False).encode(
            x=x, y=y("ratio"), stroke=class_stroke(), detail="u:N", order="rpm:Q"
        ),
        lines.mark_point(size=120, opacity=0, aria=False).encode(x=x, y=y("ratio"), tooltip=tips),
    ]
    return finish(layers, ("yield_by_rpm",), 320, description)
