"""Charts as still pictures, for the README and for print."""

from __future__ import annotations

import copy
from typing import Any

import altair as alt
import vl_convert

from reports.charts.rows import Rows
from reports.theme import LIGHT, with_plain_colours


def vega_lite_version() -> str:
    """Version of Vega-Lite that the descriptions are written for, as vl-convert names it: ``6.4``."""
    return ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])


def still_spec(spec: dict[str, Any], data: Rows, width: int) -> dict[str, Any]:
    """A description with its data inside, a fixed width and plain light colours on the paper colour."""
    still = with_plain_colours(copy.deepcopy(spec))
    still["width"] = width
    still["datasets"] = {**still.get("datasets", {}), **data}
    still["config"]["background"] = LIGHT["raised"]
    still["config"]["padding"] = 16
    return still


def chart_to_png(spec: dict[str, Any], data: Rows, *, width: int = 760, scale: float = 2.0) -> bytes:
    """A PNG of a chart; the same input gives the same bytes.

    Parameters
    ----------
    spec : Vega-Lite description of a chart (``Chart.spec``).
    data : the record sets that it reads, by name.
    width : width of the plot [pixels].
    scale : pixels of the picture per pixel of the plot.
    """
    picture: bytes = vl_convert.vegalite_to_png(still_spec(spec, data, width), vl_version=vega_lite_version(), scale=scale)
    return picture
