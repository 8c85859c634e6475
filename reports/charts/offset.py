"""Offset boost: against output without boost, and against present boost, where the simple figure falls short."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt

from models.offset_records import OffsetAnswer
from reports.charts.base import Chart, converted, finish, nice_domain
from reports.charts.rows import Rows
from reports.numbers import UnitSystem
from reports.theme import look

_ENDS = ("offset_kpa", "low_kpa", "high_kpa", "rule_kpa")


def rows_of_offsets(answers: Sequence[OffsetAnswer]) -> Rows:
    """Record set ``offset_by_output``: a row for each gain and output, in SI; ``line`` numbers the gain, ``first`` marks its first row."""
    gains = sorted({round(one.gain_kw, 6) for one in answers})
    seen: set[float] = set()
    rows = []
    for one in sorted(answers, key=lambda answer: (round(answer.gain_kw, 6), answer.engine.na_kw)):
        gain = round(one.gain_kw, 6)
        rows.append({
            "line": gains.index(gain), "gain_kw": one.gain_kw, "na_power_kw": one.engine.na_kw, "rule_kpa": one.rule_kpa,
            "offset_kpa": one.at_no_boost.value, "low_kpa": one.at_no_boost.low, "high_kpa": one.at_no_boost.high,
            "builds": one.at_no_boost.builds, "first": gain not in seen,
        })  # fmt: skip
        seen.add(gain)
    return {"offset_by_output": rows}


def rows_of_offsets_at_boost(answers: Sequence[OffsetAnswer]) -> Rows:
    """Record set ``offset_by_boost``: a row for each present boost, in SI, with the simple figure, which knows no boost."""
    rows = [
        {
            "boost_kpa": one.engine.boost_kpa, "gain_kw": one.gain_kw, "na_power_kw": one.engine.na_kw, "rule_kpa": one.rule_kpa,
            "rule_at_boost_kpa": one.rule_at_boost_kpa, "offset_kpa": one.at_boost.value, "low_kpa": one.at_boost.low,
            "high_kpa": one.at_boost.high, "builds": one.at_boost.builds,
        }
        for one in answers
        if one.at_boost is not None and one.engine.boost_kpa is not None
    ]  # fmt: skip
    return {"offset_by_boost": sorted(rows, key=lambda row: row["boost_kpa"])}


def _boost_axis(rows: list[dict[str, float | None]], system: UnitSystem, title: str) -> tuple[alt.Axis, alt.Scale]:
    """Axis and scale of offset boost from 0 up to the highest end that is drawn."""
    factor = system.scales["boost"].factor
    ends = [value * factor for row in rows for name in _ENDS if (value := row[name]) is not None]
    return alt.Axis(title=f"{title}, {system.scales['boost'].unit}", tickCount=6), alt.Scale(
        domain=nice_domain([0.0, *ends], floor=0.0), nice=False
    )


def _shown(name: str, system: UnitSystem) -> alt.Chart:
    return alt.Chart(alt.NamedData(name)).transform_calculate(
        offset=converted("offset_kpa", system, "boost"), low=converted("low_kpa", system, "boost"),
        high=converted("high_kpa", system, "boost"), rule=converted("rule_kpa", system, "boost"),
        output=converted("na_power_kw", system, "power"), gain=converted("gain_kw", system, "power"),
    )  # fmt: skip


def _tips(system: UnitSystem, *more: alt.Tooltip) -> list[alt.Tooltip]:
    unit, digits = system.scales["boost"].unit, ".2f" if system.code == "us" else ".1f"
    ends = (("offset:Q", "The same power takes"), ("low:Q", "Range from"), ("high:Q", "to"), ("rule:Q", "Simple figure"))
    return [
        *more,
        *(alt.Tooltip(field, title=f"{title}, {unit}", format=digits) for field, title in ends),
        alt.Tooltip("builds:Q", title="Builds"),
    ]


def chart_offset_by_output(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Boost that a gain is worth against output without boost: a line with its range for each gain, the rule dashed."""
    data, power = rows["offset_by_output"], system.scales["power"]
    y_axis, y_scale = _boost_axis(data, system, "Boost for the same power")
    outputs = [row["na_power_kw"] * power.factor for row in data]
    x = alt.X(
        "output:Q", title=f"Output without boost, {power.unit}", axis=alt.Axis(grid=False, format=",.0f"),
        scale=alt.Scale(domain=nice_domain(outputs), nice=False, zero=False),
    )  # fmt: skip

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    lines = _shown("offset_by_output", system)
    number = f",.{power.digits}f"
    tips = _tips(
        system,
        alt.Tooltip("output:Q", title=f"Without boost, {power.unit}", format=number),
        alt.Tooltip("gain:Q", title=f"Gain, {power.unit}", format=number),
    )
    names = lines.transform_filter("datum.first").transform_calculate(words=f"format(datum.gain, '{number}') + ' {power.unit}'")
    put = {"align": "left", "baseline": "bottom", "dx": 5, "dy": -3, "fontWeight": "bold"}
    layers = [
        lines.mark_area(**look("new-band", clip=True, fillOpacity=0.4)).encode(
            x=x, y=y("low"), y2=alt.Y2("high:Q"), detail=alt.Detail("line:N")
        ),
        lines.mark_line(**look("rule-line", clip=True, strokeWidth=1)).encode(
            x=x, y=y("rule"), detail=alt.Detail("line:N"), order=alt.Order("output:Q")
        ),
        lines.mark_line(**look("mean-line", clip=True)).encode(
            x=x, y=y("offset"), detail=alt.Detail("line:N"), order=alt.Order("output:Q")
        ),
        # A wide, unseen mark makes a thin line easy to hit.
        lines.mark_point(size=140, opacity=0, aria=False).encode(x=x, y=y("offset"), tooltip=tips),
        *(names.mark_text(**look(name, **put)).encode(x=x, y=y("offset"), text=alt.Text("words:N")) for name in ("halo", "note")),
    ]
    return finish(layers, ("offset_by_output",), 340, description)


def chart_offset_by_boost(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Extra boost for the same power against present boost; the simple figure stays level and falls ever further short."""
    data, scale = rows["offset_by_boost"], system.scales["boost"]
    y_axis, y_scale = _boost_axis(data, system, "Extra boost for the same power")
    top = max([1.0, *(row["boost_kpa"] * scale.factor for row in data)])
    x = alt.X(
        "boost:Q", title=f"Boost already running, {scale.unit}", scale=alt.Scale(domain=[0, top * 1.02], nice=False),
        axis=alt.Axis(grid=False, format=".0f"),
    )  # fmt: skip

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    lines = _shown("offset_by_boost", system).transform_calculate(boost=converted("boost_kpa", system, "boost"))
    tips = _tips(system, alt.Tooltip("boost:Q", title=f"Running, {scale.unit}", format=f".{scale.digits}f"))
    last = lines.transform_window(order="row_number()").transform_filter(f"datum.order === {len(data)}")
    put = {"align": "right", "baseline": "top", "dx": -6, "dy": 6, "fontWeight": "bold"}
    layers = [
        lines.mark_area(**look("new-band", clip=True)).encode(x=x, y=y("low"), y2=alt.Y2("high:Q")),
        lines.mark_line(**look("rule-line")).encode(x=x, y=y("rule")),
        lines.mark_line(**look("mean-line")).encode(x=x, y=y("offset")),
        lines.mark_point(size=140, opacity=0, aria=False).encode(x=x, y=y("offset"), tooltip=tips),
        *(
            last.mark_text(**look(name, **put)).encode(x=x, y=y("rule"), text=alt.TextValue("the simple figure"))
            for name in ("halo", "note")
        ),
    ]
    return finish(layers, ("offset_by_boost",), 320, description)
