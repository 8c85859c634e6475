"""Where the evidence is thick and thin: a map of output without boost against boost, darker where more builds stand."""

from __future__ import annotations

from typing import Any

import altair as alt

from pipeline.data_records import EvidenceCell, EvidenceGrid
from reports.charts.base import Chart, converted, finish
from reports.charts.rows import Row
from reports.numbers import UnitSystem, count_of, write_number
from reports.theme import colour, look

#: Shades of a cell: builds from which on it applies, share of the full colour, words for the key.
SHADES: tuple[tuple[int, float, str], ...] = (
    (1, 0.14, "1 build"), (2, 0.32, "2 to 4"), (5, 0.55, "5 to 9"), (10, 0.78, "10 to 19"), (20, 1.0, "20 and more"),
)  # fmt: skip
#: From this share on a figure on the cell is set in the colour of the paper.
DARK_FROM = 0.7
LARGE_HEIGHT, SMALL_HEIGHT = 400, 170


def shade_of(builds: int) -> float:
    """Share of the full colour for a number of builds; 0 without any."""
    return max((share for least, share, _ in SHADES if builds >= least), default=0.0)


def rows_of_cells(grid: EvidenceGrid, classes: list[tuple[str, str]], system: UnitSystem) -> list[Row]:
    """A row for each cell: ``k`` is the number of its class, -1 for all together; empty cells stand there once, with no builds."""
    number = {key: k for k, key in enumerate(classes)}
    held = [_row(cell, -1, system) for cell in grid.all_cells]
    taken = {(row["power_low_kw"], row["boost_low_kpa"]) for row in held}
    wide, high = (max((getattr(c, end) for c in grid.all_cells), default=0.0) for end in ("power_high_kw", "boost_high_kpa"))
    across, up = round(wide / grid.power_step_kw), round(high / grid.boost_step_kpa)
    for i in range(across):
        for j in range(up):
            low = (i * grid.power_step_kw, j * grid.boost_step_kpa)
            if low not in taken:
                none = EvidenceCell("", "", *(low[0], low[0] + grid.power_step_kw, low[1], low[1] + grid.boost_step_kpa), 0, 0)
                held.append(_row(none, -1, system))
    return held + [_row(cell, number[cell.induction, cell.charge_cooling], system) for cell in grid.cells]


def _row(cell: EvidenceCell, k: int, system: UnitSystem) -> Row:
    power, boost = (
        f"{write_number(system.convert(low, q), 0)} to {write_number(system.convert(high, q), digits)} {system.scales[q].unit}"
        for q, low, high, digits in (
            ("power", cell.power_low_kw, cell.power_high_kw, 0),
            ("boost", cell.boost_low_kpa, cell.boost_high_kpa, 0),
        )
    )
    return {
        "k": k, "power_low_kw": cell.power_low_kw, "power_high_kw": cell.power_high_kw, "boost_low_kpa": cell.boost_low_kpa,
        "boost_high_kpa": cell.boost_high_kpa, "builds": cell.builds, "runs": cell.runs, "shade": shade_of(cell.builds),
        "where": f"{power}, {boost}", "said": f"{count_of(cell.builds, 'build')}, {count_of(cell.runs, 'boosted run')}",
    }  # fmt: skip


def chart_evidence(grid: EvidenceGrid, system: UnitSystem, description: str, k: int = -1) -> Chart:
    """The map of one class (``k``), or of all together with the number of builds on each cell (-1)."""
    name, small = f"cells_{system.code}", k >= 0
    data = alt.Chart(alt.NamedData(name)).transform_calculate(
        **{f: converted(s, system, q) for f, s, q in (
            ("x0", "power_low_kw", "power"), ("x1", "power_high_kw", "power"), ("y0", "boost_low_kpa", "boost"), ("y1", "boost_high_kpa", "boost"),
        )},
        xm="(datum.x0 + datum.x1) / 2", ym="(datum.y0 + datum.y1) / 2",
    )  # fmt: skip
    x, y = _axes(grid, system, small)
    place: dict[str, Any] = {"x": x("x0"), "x2": alt.X2("x1:Q"), "y": y("y0"), "y2": alt.Y2("y1:Q")}
    tips = [alt.Tooltip("where:N", title="Here"), alt.Tooltip("said:N", title="Evidence")]
    gap: dict[str, Any] = {"stroke": colour("raised"), "strokeWidth": 2 if not small else 1}
    layers: list[alt.Chart] = [
        # Empty ground first, so that what is missing is seen as well.
        data.transform_filter("datum.k < 0").mark_rect(fill=colour("sunk"), aria=False, **gap).encode(tooltip=tips, **place),
        data.transform_filter(f"datum.k === {k} && datum.builds > 0")
        .mark_rect(fill=colour("accent"), aria=False, **gap)
        .encode(fillOpacity=alt.FillOpacity("shade:Q", scale=None, legend=None), tooltip=tips, **place),
    ]
    if not small:
        for test, ink in ((f"datum.shade < {DARK_FROM}", "ink"), (f"datum.shade >= {DARK_FROM}", "raised")):
            words = data.transform_filter(f"datum.k < 0 && datum.builds > 0 && {test}")
            layers.append(
                words.mark_text(**look("note", fill=colour(ink))).encode(
                    x=x("xm"), y=y("ym"), text=alt.Text("builds:Q"), tooltip=tips
                )
            )
    return finish(layers, ("cells_us", "cells_si"), SMALL_HEIGHT if small else LARGE_HEIGHT, description)


def _axes(grid: EvidenceGrid, system: UnitSystem, small: bool) -> tuple[Any, Any]:
    power, boost = system.scales["power"], system.scales["boost"]
    sides = (
        (power, grid.power_step_kw, max((c.power_high_kw for c in grid.all_cells), default=grid.power_step_kw)),
        (boost, grid.boost_step_kpa, max((c.boost_high_kpa for c in grid.all_cells), default=grid.boost_step_kpa)),
    )
    edges = [[round(i * step * s.factor, 6) for i in range(round(top / step) + 1)] for s, step, top in sides]
    titles = (f"Output without boost, {power.unit}", f"Boost, {boost.unit}") if not small else (power.unit, boost.unit)
    every = 1 if not small else 2
    # Without a count of its own the usual one would thin the edges out.
    axes = [
        alt.Axis(values=e[::every], tickCount=len(e), title=t, grid=False, labelOverlap="greedy", labelSeparation=6, format="~r")
        for e, t in zip(edges, titles, strict=True)
    ]
    scales = [alt.Scale(domain=[0, e[-1]], nice=False) for e in edges]

    def x(field: str) -> alt.X:
        return alt.X(f"{field}:Q", axis=axes[0], scale=scales[0])

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", axis=axes[1], scale=scales[1])

    return x, y
