"""Gains of parts: by kind with the pairs behind them, against specific output, and under boost against without."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from itertools import groupby

import altair as alt

from models.gain_records import GainsResults, PairGain, PartGains
from reports.charts.base import Chart, converted, finish, nice_domain
from reports.charts.intervals import name_above, rows_axis, upright, values_of
from reports.charts.rows import Row, Rows
from reports.labels import clean_text
from reports.numbers import SYSTEMS, UnitSystem, count_of, show_estimate
from reports.part_words import part_words
from reports.theme import colour, look

#: Pixels of one kind of part: name, interval, and the pairs below it.
LINE = 64

#: Points of a line against specific output, and of the curves of growth.
POINTS = 30

#: Heights at which the pairs of one kind are scattered, so that equal gains do not hide one another (in lines).
_SCATTER = (0.20, 0.27, 0.34)

#: Least top of the axis of gains under boost over gains without. A ratio beyond the top stands at the edge: where the gain
#: without boost could not be told from nothing, the ratio is one of noise and sets no axis.
LEAST_TOP = 2.0


def kinds_drawn(gains: GainsResults) -> tuple[PartGains, ...]:
    """Kinds of part that have a value."""
    return tuple(one for one in gains.parts if one.gain_pct.value is not None)


def pairs_of(gains: GainsResults, kind: PartGains) -> tuple[PairGain, ...]:
    """Pairs that the figures of a kind rest on, in its condition."""
    boosted = kind.condition == "under boost"
    return tuple(pair for pair in gains.pairs if pair.kind == kind.part and "kind" in pair.feeds and pair.is_boosted == boosted)


def rows_of_parts(gains: GainsResults) -> Rows:
    """Record sets ``parts``, ``part_pairs``, ``part_lines``, ``both_ways`` and ``growth_lines``, gains in per cent, the rest in SI."""
    kinds = kinds_drawn(gains)
    return {
        "parts": [_part_row(place, one) for place, one in enumerate(kinds)],
        "part_pairs": [row for place, one in enumerate(kinds) for row in _pair_rows(place, pairs_of(gains, one))],
        "part_lines": [row for place, one in enumerate(kinds) for row in _line_rows(place, one)],
        "both_ways": _both_ways_rows(gains),
        "growth_lines": _growth_rows(gains),
    }


def _part_row(place: int, one: PartGains) -> Row:
    gain, new = one.gain_pct, one.new_engine_pct
    silent = one.not_measurable.value
    us = SYSTEMS["us"]
    return {
        "place": float(place), "name": part_words(one.part),
        "long": f"{part_words(one.part)}: {count_of(one.engines, 'engine')}, {count_of(one.publishers, 'publisher')}"
        + ("" if one.condition == "without boost" else ", under boost")
        + (f"; nothing measurable on {round(silent * one.engines)}" if silent else ""),
        "gain": gain.value, "low": gain.low, "high": gain.high, "new_low": new.low, "new_high": new.high,
        "shown": show_estimate(gain, us).full, "new_shown": show_estimate(new, us).range,
        "pairs": one.pairs, "engines": one.engines, "publishers": one.publishers,
        "silent": None if silent is None else round(silent * one.engines),
    }  # fmt: skip


def _pair_rows(place: int, pairs: Sequence[PairGain]) -> list[Row]:
    ordered = sorted(pairs, key=lambda pair: (pair.gain_pct.value or 0.0, pair.change_key))
    return [
        {
            "place": place + _SCATTER[k % len(_SCATTER)], "k": place, "part": part_words(pair.kind),
            "name": clean_text(pair.build), "publisher": clean_text(pair.publisher),
            "gain": pair.gain_pct.value, "low": pair.gain_pct.low, "high": pair.gain_pct.high,
            "before_kw": pair.before_kw, "gain_kw": pair.gain_kw.value, "smallest": pair.smallest_pct,
            **{f"{end}_share": _share(getattr(pair.gain_pct, end)) for end in ("low", "high")},
            "gain_share": _share(pair.gain_pct.value), "kw_per_litre": pair.kw_per_litre, "verdict": pair.verdict, "is_told": pair.verdict == "gain",
        }
        for k, pair in enumerate(ordered)
        if pair.gain_pct.value is not None
    ]  # fmt: skip


def _share(pct: float | None) -> float | None:
    return None if pct is None else pct / 100.0


def _line_rows(place: int, one: PartGains) -> list[Row]:
    """The line in log specific output that was fitted, drawn between the engines it rests on."""
    low, high, middle = one.lowest_kw_per_litre, one.highest_kw_per_litre, one.median_kw_per_litre
    if None in (low, high, middle, one.gain_at_median_pct, one.slope_pct) or not low < high:  # type: ignore[operator]
        return []
    steps = [low * (high / low) ** (k / (POINTS - 1)) for k in range(POINTS)]  # type: ignore[operator]
    return [
        {"k": place, "kw_per_litre": at, "gain": one.gain_at_median_pct + one.slope_pct * math.log2(at / middle)}  # type: ignore[operator]
        for at in steps
    ]


def _both_ways_rows(gains: GainsResults) -> list[Row]:
    """Engines tested both ways; ``is_told`` says whether the gain without boost could be told from nothing."""
    told = {
        (engine, kind): any(pair.verdict == "gain" for pair in pairs)
        for (engine, kind), pairs in groupby(
            sorted((p for p in gains.pairs if not p.is_boosted), key=lambda p: (p.engine, p.kind)),
            key=lambda p: (p.engine, p.kind),
        )
    }
    drawn = [
        (one, one.boosted_gain_kw / one.gain_kw, told.get((one.engine, one.kind), False))
        for one in gains.growth.both_ways
        if one.gain_kw > 0.0
    ]
    top = max([LEAST_TOP, *(one.power_ratio for one, _, _ in drawn), *(ratio for _, ratio, is_told in drawn if is_told)])
    rows = []
    for one, ratio, is_told in drawn:
        rows.append({
            "name": clean_text(one.engine), "publisher": clean_text(one.publisher), "part": part_words(one.kind),
            "boost_kpa": one.boost_kpa, "power_ratio": one.power_ratio, "gain_kw": one.gain_kw,
            "boosted_gain_kw": one.boosted_gain_kw, "predicted_kw": one.predicted_kw, "ratio": ratio,
            "drawn_at": min(max(ratio, 0.0), top), "is_told": is_told,
        })  # fmt: skip
    return rows


def _growth_rows(gains: GainsResults) -> list[Row]:
    """``M**lambda`` for the measured growth and its ends, over the power ratios of engines tested both ways."""
    growth = gains.growth.growth
    ratios = [one.power_ratio for one in gains.growth.both_ways]
    top = max([1.5, *ratios]) * 1.02
    steps = [1.0 + (top - 1.0) * k / (POINTS - 1) for k in range(POINTS)]
    return [
        {
            "power_ratio": at, "full": at, "same": 1.0, "best": None if growth.value is None else at**growth.value,
            "low": None if growth.low is None else at**growth.low, "high": None if growth.high is None else at**growth.high,
        }
        for at in steps
    ]  # fmt: skip


_SIGNED = "(datum.value > 0 ? '+' : datum.value < 0 ? '\u2212' : '') + format(abs(datum.value), '~r') + '\u202f%'"


#: Stands for the kind in the one frame that the others are copied from.
_ANY_KIND = "datum.k === -1"


def chart_part_gains(rows: Rows, description: str) -> Chart:
    """Gains by kind of part: the range of one engine more, the mean with its interval, and every pair as a point."""
    lines = rows["parts"]
    ends = [*values_of(lines, "gain", "low", "high", "new_low", "new_high"), *values_of(rows["part_pairs"], "gain"), 0.0]
    x_scale = alt.Scale(domain=nice_domain(ends), nice=False, zero=False)
    axis = alt.Axis(title="Gain, as a share of the power before", orient="top", tickCount=5, labelExpr=_SIGNED)
    y = rows_axis(len(lines), room=0.55)
    data = alt.Chart(alt.NamedData("parts"))
    tips = [
        alt.Tooltip("name:N", title="Part"), alt.Tooltip("new_shown:N", title="One engine more"),
        alt.Tooltip("shown:N", title="Mean engine"), alt.Tooltip("silent:Q", title="Nothing measurable on"),
        alt.Tooltip("engines:Q", title="of engines"), alt.Tooltip("publishers:Q", title="Publishers"),
    ]  # fmt: skip
    pairs = alt.Chart(alt.NamedData("part_pairs"))
    pair_tips = [
        alt.Tooltip("name:N", title="Engine"), alt.Tooltip("publisher:N", title="Publisher"), alt.Tooltip("part:N", title="Part"),
        alt.Tooltip("gain:Q", title="Gain, %", format="+.1f"), alt.Tooltip("low:Q", title="from, %", format="+.1f"),
        alt.Tooltip("high:Q", title="to, %", format="+.1f"), alt.Tooltip("smallest:Q", title="Smallest it could show, %", format=".1f"),
    ]  # fmt: skip

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", scale=x_scale, axis=axis)

    layers = [
        data.mark_bar(**look("new-band", height=14)).encode(x=x("new_low"), x2=alt.X2("new_high:Q"), y=y, tooltip=tips),
        *upright(0.0, x_scale, axis),
        pairs.transform_filter("datum.is_told").mark_point(filled=True, size=34, opacity=0.8, fill=colour("c0"), aria=False).encode(
            x=x("gain"), y=y, tooltip=pair_tips
        ),
        pairs.transform_filter("!datum.is_told").mark_point(size=34, opacity=1, stroke=colour("c0"), strokeWidth=1.2, aria=False).encode(
            x=x("gain"), y=y, tooltip=pair_tips
        ),
        data.mark_rule(**look("mean-line", strokeWidth=2.6)).encode(x=x("low"), x2=alt.X2("high:Q"), y=y),
        data.mark_point(**look("main-dot", size=110)).encode(x=x("gain"), y=y, tooltip=tips),
        *name_above(data, y, "long", "name", fontWeight="bold", dy=-11),
    ]  # fmt: skip
    return finish(layers, ("parts", "part_pairs"), max(1, len(lines)) * LINE, description)


def charts_gain_by_size(rows: Rows, frames: Sequence[tuple[int, str]], system: UnitSystem) -> list[Chart]:
    """A frame for each kind of part (place, description): gains against what the engine made per litre before, on shared axes."""
    # One frame is drawn and the others differ from it in the kind that they filter: building each anew takes most of a second.
    text = json.dumps(_gain_by_size(rows, system).spec)
    specs = [json.loads(text.replace(_ANY_KIND, f"datum.k === {place}")) for place, _ in frames]
    uses = ("part_pairs", "part_lines")
    return [Chart({**spec, "description": words}, uses) for spec, (_, words) in zip(specs, frames, strict=True)]


def _gain_by_size(rows: Rows, system: UnitSystem) -> Chart:
    """The frame of no kind yet."""
    per = f"{system.scales['power'].unit}/L"
    pairs = [row for row in rows["part_pairs"] if row["kw_per_litre"] is not None]
    factor = system.scales["power"].factor
    x = alt.X(
        "output:Q", title=f"Before the change, {per}", axis=alt.Axis(grid=False, tickCount=4, format=".0f"),
        scale=alt.Scale(domain=nice_domain([row["kw_per_litre"] * factor for row in pairs]), nice=False, zero=False),
    )  # fmt: skip
    y_scale = alt.Scale(domain=nice_domain([*values_of(pairs, "gain"), 0.0]), nice=False, zero=False)
    y_axis = alt.Axis(title=None, tickCount=5, labelExpr=_SIGNED)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    def of_kind(name: str) -> alt.Chart:
        chart = alt.Chart(alt.NamedData(name)).transform_filter(f"{_ANY_KIND} && isValid(datum.kw_per_litre)")
        return chart.transform_calculate(output=converted("kw_per_litre", system, "power"))

    tips = [
        alt.Tooltip("name:N", title="Engine"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("output:Q", title=per, format=".0f"), alt.Tooltip("gain:Q", title="Gain, %", format="+.1f"),
    ]  # fmt: skip
    points = of_kind("part_pairs")
    nothing = alt.Chart(alt.InlineData(values=[{"at": 0}]))
    layers = [
        nothing.mark_rule(**look("rule-line", strokeWidth=1)).encode(y=y("at")),
        of_kind("part_lines").mark_line(**look("mean-line", clip=True)).encode(x=x, y=y("gain"), order=alt.Order("output:Q")),
        points.mark_rule(**look("interval", clip=True)).encode(x=x, y=y("low"), y2=alt.Y2("high:Q")),
        points.mark_point(filled=True, size=52, opacity=0.9, fill=colour("c0"), aria=False).encode(x=x, y=y("gain"), tooltip=tips),
    ]  # fmt: skip
    return finish(layers, ("part_pairs", "part_lines"), 190, "")


def chart_both_ways(rows: Rows, system: UnitSystem, description: str) -> Chart:
    """Gain under boost over the gain without, against the power ratio: full multiplication, the same power, and what was measured."""
    lines = rows["growth_lines"]
    x = alt.X(
        "power_ratio:Q", title="Power under boost over power without, before the change", axis=alt.Axis(grid=False, format=".1f"),
        scale=alt.Scale(domain=[1.0, max(row["power_ratio"] for row in lines)], nice=False, zero=False),
    )  # fmt: skip
    tops = [*values_of(rows["both_ways"], "drawn_at"), *values_of(lines, "full")]
    y_scale = alt.Scale(domain=[0.0, max([LEAST_TOP, *tops]) * 1.04], nice=False)
    y_axis = alt.Axis(
        title="Gain under boost, over the gain without", tickCount=5, labelExpr="format(datum.value, '~r') + '\u00d7'"
    )

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=y_axis, scale=y_scale)

    power, boost = system.scales["power"], system.scales["boost"]
    curves = alt.Chart(alt.NamedData("growth_lines"))
    points = alt.Chart(alt.NamedData("both_ways")).transform_calculate(
        gain=converted("gain_kw", system, "power"), boosted=converted("boosted_gain_kw", system, "power"),
        boost=converted("boost_kpa", system, "boost"),
    )  # fmt: skip
    tips = [
        alt.Tooltip("part:N", title="Part"), alt.Tooltip("name:N", title="Engine"), alt.Tooltip("publisher:N", title="Publisher"),
        alt.Tooltip("boost:Q", title=f"Boost, {boost.unit}", format=f".{boost.digits}f"),
        alt.Tooltip("gain:Q", title=f"Without boost, {power.unit}", format="+.1f"),
        alt.Tooltip("boosted:Q", title=f"Under boost, {power.unit}", format="+.1f"),
    ]  # fmt: skip
    last = curves.transform_window(order="row_number()").transform_filter(f"datum.order === {len(lines)}")
    names = [("full", "full multiplication", -9), ("same", f"the same {power.unit}", 14), ("best", "measured", 13)]
    layers = [
        curves.mark_area(**look("new-band", clip=True)).encode(x=x, y=y("low"), y2=alt.Y2("high:Q")),
        curves.mark_line(**look("rule-line", clip=True)).encode(x=x, y=y("full")),
        curves.mark_line(**look("rule-line", clip=True, strokeWidth=1, strokeDash=[2, 3])).encode(x=x, y=y("same")),
        curves.mark_line(**look("mean-line", clip=True)).encode(x=x, y=y("best")),
        points.transform_filter("datum.is_told").mark_point(filled=True, size=62, opacity=0.85, fill=colour("c0"), aria=False).encode(
            x=x, y=y("drawn_at"), tooltip=tips
        ),
        points.transform_filter("!datum.is_told").mark_point(size=62, opacity=1, stroke=colour("c0"), strokeWidth=1.2, aria=False).encode(
            x=x, y=y("drawn_at"), tooltip=tips
        ),
        *(
            last.mark_text(**look(style, align="right", dx=-4, dy=dy, fontWeight="bold")).encode(x=x, y=y(field), text=alt.TextValue(words))
            for field, words, dy in names
            for style in ("halo", "note")
        ),
    ]  # fmt: skip
    return finish(layers, ("growth_lines", "both_ways"), 340, description)
