"""What a change, or boost, is worth at each engine speed: a line with its band, never a sheet of power and torque."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import altair as alt

from models.curve_records import GainCurve, YieldCurve
from reports.charts.base import Chart, class_stroke, converted, finish, is_shown, nice_domain
from reports.charts.rows import Rows
from reports.labels import clean_text
from reports.numbers import UnitSystem
from reports.theme import look

#: Curves that one chart holds before its lines hide one another; the first in order of key are drawn and the page says how many are not.
MOST_CURVES = 24
#: Curves that are named at their ends, and that each have a band of their own; with more of them names and bands hide one another.
MOST_NAMED = 6
#: Room that a name takes, as a share of how far the ends of the curves lie apart.
NAME_ROOM = 0.08


def rows_of_gains(gains: Sequence[GainCurve], most: int = MOST_CURVES) -> Rows:
    """Record set ``gain_by_rpm``: one row a change and speed, in SI; ``curve`` numbers the change."""
    drawn = [curve for curve in gains[:most] if curve.points]
    named = _named([(c.points[-1].rpm, c.points[-1].gain_kw, _parts(c)) for c in drawn])
    return {
        "gain_by_rpm": [
            {
                "curve": number, "name": clean_text(curve.build),
                "parts": _parts(curve),
                "publisher": clean_text(curve.publisher), "end": number in named and p is curve.points[-1], "rpm": p.rpm,
                "gain_kw": p.gain_kw, "low_kw": p.low_kw, "high_kw": p.high_kw,
                "before_kw": p.before_kw, "after_kw": p.after_kw,
            }
            for number, curve in enumerate(drawn)
            for p in curve.points
        ]
    }  # fmt: skip


def rows_of_yields(yields: Sequence[YieldCurve], number_of: Mapping[str, int] | None = None, most: int = MOST_CURVES) -> Rows:
    """Record set ``yield_by_rpm``: one row a boosted curve and speed; ``curve`` numbers the curve, ``u`` its build on the page."""
    numbers = number_of or {}
    drawn = [curve for curve in yields[:most] if curve.points]
    named = _named([(c.points[0].rpm, c.points[0].rule_ratio, c.unit_id) for c in drawn])
    return {
        "yield_by_rpm": [
            {
                "u": numbers.get(curve.unit_id), "curve": number, "name": clean_text(curve.build),
                "publisher": clean_text(curve.publisher), "end": number in named and p is curve.points[0],
                "induction": curve.induction or "unstated", "rpm": p.rpm, "boost_kpa": p.boost_kpa, "ratio": p.rule_ratio, "low": p.low, "high": p.high,
                "yield_kw_per_kpa": p.yield_kw_per_kpa,
            }
            for number, curve in enumerate(drawn)
            for p in curve.points
        ]
    }  # fmt: skip


def _parts(curve: GainCurve) -> str:
    return " + ".join(part.replace("_", " ") for part in curve.parts) or "not stated"


def _named(ends: Sequence[tuple[float, float, str]]) -> frozenset[int]:
    """Curves that are named at one of their ends (speed, height, name): a name once, and none over another."""
    if not ends or len(ends) > MOST_NAMED:
        return frozenset()
    speeds, heights = [end[0] for end in ends], [end[1] for end in ends]
    wide, high = (max(v) - min(v) for v in (speeds, heights))
    kept: list[int] = []
    for i, (speed, height, name) in enumerate(ends):
        is_clear = all(
            name != ends[k][2] and (abs(height - ends[k][1]) > NAME_ROOM * high or abs(speed - ends[k][0]) > wide / 2 > 0)
            for k in kept
        )  # fmt: skip
        if is_clear:
            kept.append(i)
    return frozenset(kept)


def _speed_axis(rpm: Sequence[float]) -> alt.X:
    ends = [min(rpm), max(rpm)] if rpm else [2000.0, 7000.0]
    return alt.X(
        "rpm:Q", title="Engine speed, rpm", scale=alt.Scale(domain=ends, nice=False, zero=False), axis=alt.Axis(format=",.0f")
    )


def _band_opacity(rows: Sequence[Mapping[str, object]]) -> float:
    """Bands of many curves lie over one another: the more of them, the fainter each."""
    curves = len({row["curve"] for row in rows})
    return 0.5 if curves <= 1 else max(0.05, 0.6 / curves)


def _names(lines: alt.Chart, field: str, x: alt.X, y: alt.Y) -> alt.Chart:
    """The name of a curve above its named end; a name to the right of the end where that is the curve's lowest speed."""
    side = {"align": "right", "dx": -2} if field == "parts" else {"align": "left", "dx": 6}
    ends = lines.transform_filter("datum.end")
    return ends.mark_text(**look("note", baseline="bottom", dy=-7, limit=220, **side)).encode(
        x=x, y=y, text=alt.Text(f"{field}:N")
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
        lines.mark_area(**look("new-band", clip=True, fillOpacity=_band_opacity(data))).encode(
            x=x, y=y("low"), y2=alt.Y2("high:Q"), detail=alt.Detail("curve:N")
        ),
        nothing.mark_rule(**look("rule-line")).encode(y=y("at")),
        nothing.mark_text(**look("quiet-note", align="left", baseline="bottom", dx=4, dy=-4)).encode(
            y=y("at"), x=alt.XValue(0), text=alt.TextValue("no change")
        ),
        lines.mark_line(**look("mean-line", clip=True)).encode(
            x=x, y=y("gain"), detail=alt.Detail("curve:N"), order=alt.Order("rpm:Q")
        ),
        _names(lines, "parts", x, y("gain")),
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
        lines.mark_area(**look("new-band", clip=True, fillOpacity=_band_opacity(data))).encode(
            x=x, y=y("low"), y2=alt.Y2("high:Q"), detail=alt.Detail("curve:N")
        ),
        rule.mark_rule(**look("rule-line")).encode(y=y("at")),
        # curves are named at their lowest speeds, on the left
        rule.mark_text(**look("note", fontWeight="bold", align="right", baseline="top", dx=-4, dy=6)).encode(
            y=y("at"), x=alt.XValue("width"), text=alt.TextValue("the rule")
        ),
        lines.mark_line(strokeWidth=2, clip=True, aria=False).encode(
            x=x,
            y=y("ratio"),
            stroke=class_stroke(),
            detail=alt.Detail("curve:N"),
            order=alt.Order("rpm:Q"),
            opacity=is_shown(1.0),
        ),
        _names(lines, "name", x, y("ratio")),
        lines.mark_point(size=120, opacity=0, aria=False).encode(x=x, y=y("ratio"), tooltip=tips),
    ]
    return finish(layers, ("yield_by_rpm",), 320, description)
