"""Colours and type, once, for the page's style sheet and for the charts.

Class colours are Okabe and Ito's (from memory: "Color universal design", 2008), told apart with
the common colour-vision deficiencies; every colour goes with a shape, and cooled builds are
filled where uncooled ones are open. In a page the charts name style-sheet variables, so that
dark mode and print change them without drawing again; exported pictures get the light values.
"""

from __future__ import annotations

import json
from typing import Any

#: Classes in the order of colours and shapes.
CLASSES: tuple[str, ...] = ("turbocharger", "centrifugal", "positive_displacement", "unstated")
SHAPES: tuple[str, ...] = ("circle", "square", "triangle-up", "diamond")

LIGHT: dict[str, str] = {
    "paper": "#fbfaf6", "raised": "#ffffff", "sunk": "#f1efe8", "ink": "#1c1b19", "quiet": "#5b5851",
    "line": "#dcd8cd", "grid": "#e8e5dc", "accent": "#8a2b13", "focus": "#0b5cad",
    "band": "#d9d3c3", "band-mean": "#8f8873", "warn": "#f6e3b4", "warn-ink": "#4a3500",
    "c0": "#0072b2", "c1": "#d55e00", "c2": "#009e73", "c3": "#7a766c",
}  # fmt: skip
DARK: dict[str, str] = {
    "paper": "#15171a", "raised": "#1d2024", "sunk": "#22262b", "ink": "#eceae4", "quiet": "#aaa79f",
    "line": "#3a3e44", "grid": "#2b2f34", "accent": "#f0a184", "focus": "#7cc0ff",
    "band": "#3a3d40", "band-mean": "#7d7b74", "warn": "#453811", "warn-ink": "#f7e6b3",
    "c0": "#56b4e9", "c1": "#f0893e", "c2": "#2cc295", "c3": "#a5a198",
}  # fmt: skip

FONT = "Liberation Sans, Arial, Helvetica, sans-serif"


def colour(name: str) -> str:
    """The style-sheet variable of a colour, for charts inside a page."""
    return f"var(--{name})"


def css_variables(colours: dict[str, str]) -> str:
    """The colours as style-sheet declarations."""
    return "".join(f"--{name}:{value};" for name, value in colours.items())


def chart_config() -> dict[str, Any]:
    """Vega-Lite configuration with style-sheet variables for colours."""
    text = {"labelColor": colour("quiet"), "titleColor": colour("quiet")}
    return {
        "background": "transparent",
        "font": FONT,
        "padding": {"left": 2, "right": 8, "top": 4, "bottom": 2},
        "view": {"stroke": None},
        "range": {"category": [colour(f"c{i}") for i in range(len(CLASSES))], "symbol": list(SHAPES)},
        "axis": {
            **text, "labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal", "labelPadding": 6, "titlePadding": 10,
            "domain": False, "ticks": False, "gridColor": colour("grid"), "gridWidth": 1,
            "tickCount": 6, "labelOverlap": "greedy",
        },
        "axisY": {"titleAngle": 0, "titleAlign": "left", "titleAnchor": "end",
                  "titleX": 0, "titleY": -12, "titleBaseline": "bottom"},
        "text": {"font": FONT, "fontSize": 12},
    }  # fmt: skip


def look(name: str, **more: Any) -> dict[str, Any]:
    """Properties of a mark by its role; ``more`` adds to them or replaces them."""
    looks: dict[str, dict[str, Any]] = {
        "rule-line": {"stroke": colour("ink"), "strokeWidth": 1.5, "strokeDash": [5, 4]},
        "mean-line": {"stroke": colour("ink"), "strokeWidth": 2},
        "new-band": {"fill": colour("band"), "fillOpacity": 0.5, "stroke": None},
        "mean-band": {"fill": colour("band-mean"), "fillOpacity": 0.55, "stroke": None},
        "note": {"fill": colour("ink"), "fontSize": 12},
        "quiet-note": {"fill": colour("quiet"), "fontSize": 12},
        "halo": {"stroke": colour("raised"), "fill": colour("raised"), "strokeWidth": 4, "strokeJoin": "round", "fontSize": 12},
        "picked": {"stroke": colour("ink"), "strokeWidth": 1.8},
        "interval": {"stroke": colour("quiet"), "strokeWidth": 1.2},
        "main-dot": {"fill": colour("accent"), "filled": True, "opacity": 1},
        "other-dot": {"fill": colour("ink"), "filled": True, "opacity": 1},
        "tick": {"fill": colour("ink")},
        "bar-in": {"fill": colour("ink")},
        "bar-out": {"fill": colour("band-mean")},
    }
    return {**looks[name], "aria": False, **more}


def with_plain_colours(spec: dict[str, Any], colours: dict[str, str] | None = None) -> dict[str, Any]:
    """A copy of a chart description with each style-sheet variable replaced by its value, for pictures outside a page."""
    text = json.dumps(spec)
    for name, value in (colours or LIGHT).items():
        text = text.replace(colour(name), value)
    plain: dict[str, Any] = json.loads(text)
    return plain
