"""What all charts share: the picked build, class colours and shapes, and the finish of a description.

A chart is a Vega-Lite description that names its data (``alt.NamedData``): the page hands every
chart the same records, in SI; the description converts them to the reader's units itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt

from reports.numbers import UnitSystem
from reports.theme import CLASSES, chart_config

#: Opacity of what is not picked while one build is isolated.
FADED = 0.07


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart ready for the page.

    Attributes
    ----------
    spec : Vega-Lite description without data.
    uses : names of the record sets that it reads.
    """

    spec: dict[str, Any]
    uses: tuple[str, ...]


#: Every chart's parameter `picked`: number of the isolated build, -1 for none; the page sets it in all of them at once.
PICKED = {"name": "picked", "value": -1}


def _when(test: str, value: float) -> alt.ConditionalPredicateValueDefnumberExprRef:
    # An object, not a dictionary: Altair would search its whole schema for the dictionary's class, which takes seconds.
    return alt.ConditionalPredicateValueDefnumberExprRef(test=test, value=value)


def is_shown(opacity: float) -> alt.OpacityValue:
    """Opacity of a mark: its own while nothing or its own build is picked, faded otherwise."""
    return alt.OpacityValue(FADED, condition=_when("picked < 0 || datum.u === picked", opacity))


def class_stroke() -> alt.Stroke:
    """Class as stroke colour (the domain is fixed, so that filters do not move colours)."""
    return alt.Stroke("induction:N", scale=alt.Scale(domain=list(CLASSES)), legend=None)


def class_fill() -> alt.Fill:
    """Class as fill colour."""
    return alt.Fill("induction:N", scale=alt.Scale(domain=list(CLASSES)), legend=None)


def class_shape() -> alt.Shape:
    """Class as shape, with the same domain as the colour."""
    return alt.Shape("induction:N", scale=alt.Scale(domain=list(CLASSES)), legend=None)


def open_when_uncooled() -> alt.FillOpacityValue:
    """Fill of a point: full when cooled, nearly none when uncooled or unstated."""
    return alt.FillOpacityValue(0.05, condition=_when("datum.cooled", 0.85))


def converted(field: str, system: UnitSystem, quantity: str) -> str:
    """Vega expression of an SI field in the reader's unit."""
    return f"datum.{field} * {system.scales[quantity].factor!r}"


def nice_domain(values: Iterable[float], floor: float | None = None) -> list[float]:
    """Ends of an axis that hold all finite values with a little room; ``floor`` fixes the lower end."""
    known = sorted(v for v in values if v == v and abs(v) != float("inf"))
    if not known:
        return [0.0, 1.0]
    low, high = known[0], known[-1]
    room = 0.04 * (high - low or abs(high) or 1.0)
    return [low - room if floor is None else floor, high + room]


def finish(layers: Sequence[alt.Chart | alt.LayerChart], uses: tuple[str, ...], height: int, description: str) -> Chart:
    """Layer the parts, add the picked build, size and words for screen readers, and write the description out."""
    # Layers are written out one by one and put together here: altair copies every part of a layered chart several times
    # over, which was most of the time a page took. The tests check every description against the schema.
    parts = [_written(layer) for layer in layers]
    datasets: dict[str, Any] = {}
    for part in parts:
        datasets |= part.pop("datasets", {})
    shared = parts[0].get("data")
    if shared is not None and all(part.get("data") == shared for part in parts):
        for part in parts:
            del part["data"]
    else:
        shared = None
    spec: dict[str, Any] = {
        "$schema": alt.SCHEMA_URL,
        "config": chart_config(),
        "autosize": {"type": "fit-x", "contains": "padding"},
        "width": "container",
        "height": height,
        "description": description,
        "params": [dict(PICKED)],
        "layer": parts,
        **({"data": shared} if shared is not None else {}),
        **({"datasets": datasets} if datasets else {}),
    }
    return Chart(spec, uses)


def _written(layer: alt.Chart | alt.LayerChart) -> dict[str, Any]:
    """A layer written out without what stands once for the whole chart."""
    named = layer.data
    if not isinstance(named, alt.NamedData):
        part: dict[str, Any] = layer.to_dict(validate=False)
        del part["$schema"], part["config"]
        return part
    # a name is kept from altair, which would hold it against every kind of data frame that it knows
    bare = layer.copy(deep=False)
    bare.data = alt.Undefined
    inner: dict[str, Any] = bare.to_dict(validate=False, context={"top_level": False, "data": None})
    return {"data": named.to_dict(validate=False), **inner}
