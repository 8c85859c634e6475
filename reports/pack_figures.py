"""Figures of an article pack as pictures: SVG with its own part of the font inside, and PNG at twice the size."""

from __future__ import annotations

import base64
import re
from functools import cache
from typing import Any

import vl_convert

from reports.charts.export import still_spec, vega_lite_version
from reports.labels import INDUCTION
from reports.numbers import UnitSystem
from reports.pack_font import FONT_FILES, FONTS, part_of_font
from reports.pack_records import Figure
from reports.pack_text import xml
from reports.theme import CLASSES, LIGHT

#: Width of the plot, and pixels of the PNG for each of it.
WIDTH, SCALE = 760, 2.0
INVENTED = "Invented demo data: this describes no real engine."
_COOLED = "Filled marks are cooled builds, open ones uncooled."

_WORDS_EXPRESSION = "".join(f"datum.label === '{code}' ? '{words}' : " for code, words in INDUCTION.items()) + "datum.label"
_LEGEND = {
    "title": None, "orient": "bottom", "direction": "horizontal", "columns": 4, "labelExpr": _WORDS_EXPRESSION, "labelLimit": 300,
    "labelFontSize": 12, "symbolSize": 80, "symbolOpacity": 1,
}  # fmt: skip


@cache
def _font(weight: int) -> bytes:
    return (FONTS / FONT_FILES[weight]).read_bytes()


@cache
def _register() -> None:
    """The pictures' text is measured and drawn with the bundled font, whatever fonts the machine has."""
    vl_convert.register_font_directory(str(FONTS))


def picture_spec(figure: Figure, system: UnitSystem, invented: bool) -> dict[str, Any]:
    """The description of a figure with its data, its question as heading, a legend of classes, and the stamp of invented data."""
    spec = still_spec(figure.chart.spec, {name: figure.rows[name] for name in figure.chart.uses}, WIDTH)
    classes = _legend(spec, figure)
    below = [*([INVENTED] if invented else []), *([_COOLED] if classes else [])]
    spec["title"] = {
        "text": figure.caption.question.in_system(system.code), "anchor": "start", "frame": "bounds", "fontSize": 16, "color": LIGHT["ink"],
        "fontWeight": "bold", "font": spec["config"]["font"], "offset": 26, "limit": WIDTH,
        **({"subtitle": below, "subtitleColor": LIGHT["quiet"], "subtitleFontSize": 12, "subtitleFont": spec["config"]["font"]} if below else {}),
    }  # fmt: skip
    return spec


def _legend(spec: dict[str, Any], figure: Figure) -> bool:
    """Give every channel that tells classes apart the same legend; the page has its own, a picture must carry it."""
    seen = {row.get("induction") for name in figure.chart.uses for row in figure.rows[name]}
    values = [name for name in CLASSES if name in seen]
    channels = [
        channel
        for layer in spec.get("layer", [])
        for name, channel in layer.get("encoding", {}).items()
        if name in ("stroke", "fill", "shape") and isinstance(channel, dict) and channel.get("field") == "induction"
    ]
    for channel in channels:
        channel["legend"] = {**_LEGEND, "values": values}
    return bool(channels and values)


def draw_figure(figure: Figure, system: UnitSystem, invented: bool) -> tuple[str, bytes]:
    """The figure as SVG and as PNG, two pixels for each of the SVG; the same input gives the same bytes.

    In the SVG text stays text, in a font that travels inside; title and description are for screen readers.
    """
    _register()
    drawn = lighten(vl_convert.vegalite_to_svg(picture_spec(figure, system, invented), vl_version=vega_lite_version()))
    png: bytes = vl_convert.svg_to_png(drawn, scale=SCALE)
    head, rest = _opened(drawn)
    letters = sorted({c for text in re.findall(r">([^<]+)<", drawn) for c in _characters(text)})
    weights = [weight for weight in FONT_FILES if weight == min(FONT_FILES) or 'font-weight="bold"' in drawn]
    faces = "".join(_face(weight, letters) for weight in weights)
    title, description = (xml(text.in_system(system.code)) for text in (figure.caption.question, figure.caption.description))
    stamp = xml(INVENTED) + " " if invented else ""
    inside = f"<title>{stamp}{title}</title><desc>{stamp}{description}</desc><style>{faces}</style>"
    return f'{head[:-1]} role="img">{inside}{rest}\n', png


_UNSEEN = re.compile(r'<path [^>]*?(?<![\w-])opacity="0"[^>]*?/>')
_FADED = re.compile(r'<path [^>]*?(?<![\w-])opacity="[^>]*?/>')
_CLIPPED = re.compile(r'(<g class="mark-line [^>]*?) clip-path="url\(#(\w+)\)"([^>]*><path d="([^"]*)")')
_FRAME = re.compile(r'<clipPath id="(\w+)"><rect x="0" y="0" width="([\d.]+)" height="([\d.]+)"/>')


def lighten(svg: str) -> str:
    """The same picture in fewer layers, which a program that draws it has to lay over one another.

    A page's unseen marks that make a thin line easy to hit go; a mark's opacity is given to its stroke and its fill; a line that
    lies inside the frame is not cut at the frame. A figure of 200 lines is drawn in one second instead of twenty.
    """
    frames = {found[1]: (float(found[2]), float(found[3])) for found in _FRAME.finditer(svg)}
    return _CLIPPED.sub(lambda found: _unclipped(found, frames), _FADED.sub(_faded, _UNSEEN.sub("", svg)))


def _faded(found: re.Match[str]) -> str:
    path = found[0]
    by = re.search(r'(?<![\w-])opacity="([\d.]+)"', path)
    if by is None or "stroke-opacity" in path:
        return path
    path = path.replace(f" {by[0]}", "")
    own = re.search(r'fill-opacity="([\d.]+)"', path)
    added = f' stroke-opacity="{by[1]}"'
    if own is not None:
        path = path.replace(own[0], f'fill-opacity="{float(own[1]) * float(by[1]):.4g}"')
    else:
        added += f' fill-opacity="{by[1]}"'
    return path.replace("/>", added + "/>")


def _unclipped(found: re.Match[str], frames: dict[str, tuple[float, float]]) -> str:
    width, height = frames.get(found[2], (0.0, 0.0))
    numbers = [float(text) for text in re.findall(r"-?\d+(?:\.\d+)?", found[4])]
    plain = re.fullmatch(r"[ML\d.,\s-]*", found[4]) is not None and len(numbers) % 2 == 0
    inside = plain and all(0 <= x <= width and 0 <= y <= height for x, y in zip(numbers[::2], numbers[1::2], strict=True))
    return f"{found[1]}{found[3]}" if inside else found[0]


def _opened(svg: str) -> tuple[str, str]:
    """The opening tag of the picture, and what follows it."""
    found = re.match(r"<svg[^>]*>", svg)
    assert found is not None, "vl-convert gave no SVG"
    return found[0], svg[found.end() :]


def _characters(text: str) -> str:
    marks = {"amp": "&", "lt": "<", "gt": ">", "quot": '"', "apos": "'"}
    named = re.sub(r"&(amp|lt|gt|quot|apos);", lambda found: marks[found[1]], text)
    return re.sub(r"&#(x?)([0-9a-fA-F]+);", lambda found: chr(int(found[2], 16 if found[1] else 10)), named)


def _face(weight: int, letters: list[str]) -> str:
    part = base64.b64encode(part_of_font(_font(weight), letters)).decode()
    return f'@font-face{{font-family:"Liberation Sans";font-weight:{weight};src:url(data:font/ttf;base64,{part})}}'
