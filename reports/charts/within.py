"""How many builds in a hundred follow the rule within the margin: one square each."""

from __future__ import annotations

from typing import Any

import altair as alt

from reports.charts.base import Chart, finish
from reports.charts.rows import Rows
from reports.charts.rows_effects import SQUARES, SQUARES_HIGH
from reports.theme import colour, look

#: Kind of square -> its fill; the middle kind is drawn lighter by opacity, so that it reads in print and for every eye.
_LOOKS: dict[str, dict[str, Any]] = {
    "at least": {"fill": colour("ink"), "fillOpacity": 1.0},
    "perhaps": {"fill": colour("ink"), "fillOpacity": 0.38},
    "outside": {"fill": colour("sunk"), "stroke": colour("line"), "strokeWidth": 1},
}


#: Height of the frame, and the width from which squares stand in few rows instead of a block [pixels].
HEIGHT, WIDE_FROM = 200, 520
_ROWS = f"(width < {WIDE_FROM} ? {SQUARES_HIGH[0]} : {SQUARES_HIGH[1]})"
_CELL = f"min(width * {_ROWS} / {SQUARES}, {HEIGHT} / {_ROWS})"


def chart_within(rows: Rows, description: str) -> Chart:
    """Squares run column by column: surely within, perhaps, outside; the two counts stand above and below."""
    size = {"expr": f"pow({_CELL} * 0.84, 2)"}
    x = alt.XValue({"expr": f"(floor(datum.number / {_ROWS}) + 0.5) * {_CELL}"})
    y = alt.YValue({"expr": f"(datum.number % {_ROWS} + 0.5) * {_CELL}"})
    squares = alt.Chart(alt.NamedData("within_squares"))
    layers: list[alt.Chart] = [
        squares.transform_filter(f"datum.kind === '{kind}'")
        .mark_point(shape="square", filled=True, opacity=1, aria=False, size=size, strokeOpacity=1, **style)
        .encode(x=x, y=y)
        for kind, style in _LOOKS.items()
    ]
    layers += _counts(rows)
    return finish(layers, ("within_squares",), HEIGHT, description)


def _counts(rows: Rows) -> list[alt.Chart]:
    """The lower count above the squares that it names, the higher one below the last of its own."""
    kinds = [row["kind"] for row in rows["within_squares"]]
    if not kinds:
        return []
    sure, possible = kinds.count("at least"), SQUARES - kinds.count("outside")
    is_wide = possible > SQUARES // 3
    across = f"ceil({possible if is_wide else 0} / {_ROWS})"
    words = (
        (f"at least {sure} in 100", "left", "0", "-8", "bottom"),
        (f"at most {possible} in 100", "right" if is_wide else "left", across, f"{_ROWS} * {_CELL} + 8", "top"),
    )
    return [
        alt.Chart(alt.InlineData(values=[{"words": text}]))
        .mark_text(**look("note", align=align, baseline=baseline, fontWeight="bold"))
        .encode(x=alt.XValue({"expr": f"{columns} * {_CELL}"}), y=alt.YValue({"expr": y}), text=alt.Text("words:N"))
        for text, align, columns, y, baseline in words
    ]
