"""Small drawings inside text, as plain coordinates: no script draws them, so that they print and follow the theme.

Two kinds: the runs of one build against rule, peers and physics; and one rule of thumb, its tolerance and what was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.driver_records import PhysicsBand
from models.estimate import Estimate
from models.results import RunResult
from models.rule import SEA_LEVEL_KPA
from reports.numbers import SYSTEMS, UnitSystem, write_number

#: Size of the drawing of a build's runs, and of its frame within (left, top, right, bottom) [units of the drawing].
RUNS_SIZE = (260, 168)
_FRAME = (34.0, 8.0, 252.0, 140.0)
#: Size of the strip of a rule.
STRIP_SIZE = (220, 22)
#: Round distances of marks.
_STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0)


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark of an axis: where it stands, and its words."""

    at: float
    words: str


@dataclass(frozen=True, slots=True)
class RunsPlot:
    """Gain over boost of one build, as coordinates.

    ``boost_marks`` holds the marks in US units and in SI; polygons are lists of points as SVG writes them, empty where there is
    nothing to draw.
    """

    rule: str
    peers: str
    physics: str
    runs: tuple[tuple[float, float], ...]
    line: str
    boost_marks: dict[str, tuple[Mark, ...]]
    gain_marks: tuple[Mark, ...]
    floor: float


def plot_runs(
    runs: Sequence[RunResult], expected_low: float, expected_high: float, physics: Sequence[PhysicsBand] = ()
) -> RunsPlot | None:
    """The runs of one build over boost as at sea level; None without runs.

    Parameters
    ----------
    runs : its boosted runs.
    expected_low, expected_high : shares of the rule that were to be expected of it; drawn as a wedge.
    physics : what physics expects at the boost of its runs; drawn from no boost on.
    """
    if not runs:
        return None
    points = sorted((run.boost_ratio, run.gain_ratio) for run in runs)
    top_x = points[-1][0] * 1.08
    gains = [gain for _, gain in points] + [top_x, expected_high * top_x, 0.0]
    low_y, top_y = min(gains), max(gains) * 1.04
    left, top, right, bottom = _FRAME

    def at(x: float, y: float) -> tuple[float, float]:
        down = (y - low_y) / (top_y - low_y)
        return round(left + x / top_x * (right - left), 1), round(bottom - down * (bottom - top), 1)

    def path(places: Sequence[tuple[float, float]]) -> str:
        return " ".join(f"{x:g},{y:g}" for x, y in (at(*place) for place in places))

    bands = sorted((band.boost_kpa / band.ambient_kpa, band.gain_ratio_low, band.gain_ratio_high) for band in physics)
    outline = [(0.0, 0.0), *((x, low) for x, low, _ in bands), *((x, high) for x, _, high in reversed(bands))]
    return RunsPlot(
        rule=path([(0.0, 0.0), (top_x, top_x)]),
        peers=path([(0.0, 0.0), (top_x, expected_low * top_x), (top_x, expected_high * top_x)]),
        physics=path(outline) if bands else "",
        runs=tuple(at(x, gain) for x, gain in points),
        line=path([(0.0, 0.0), *points]),
        boost_marks={code: _boost_marks(top_x, system) for code, system in SYSTEMS.items()},
        gain_marks=tuple(Mark(at(0.0, y)[1], f"{write_number(100 * y, 0)}\u202f%") for y in _round_marks(low_y, top_y, 3)),
        floor=at(0.0, 0.0)[1],
    )


def _boost_marks(top_x: float, system: UnitSystem) -> tuple[Mark, ...]:
    """Round boosts of a unit system, placed by their boost ratio at sea level; the last carries the unit."""
    factor = system.scales["boost"].factor * SEA_LEVEL_KPA
    boosts = _round_marks(0.0, top_x * factor, 4)
    left, _, right, _ = _FRAME
    places = [left + boost / factor / top_x * (right - left) for boost in boosts]
    unit = system.scales["boost"].unit
    return tuple(
        Mark(round(place, 1), write_number(boost, 0) + (f"\u202f{unit}" if boost == boosts[-1] else ""))
        for place, boost in zip(places, boosts, strict=True)
    )


def _round_marks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from low to high, about so many."""
    step = next((step for step in _STEPS if (high - low) / step <= about + 0.5), _STEPS[-1])
    first = int(low / step) if low >= 0 else -int(-low / step)
    return [round(k * step, 6) for k in range(first, int(high / step) + 1)]


# --- rules of thumb -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RuleStrip:
    """One rule on its own scale, as places from the left edge [units of the drawing].

    ``zones`` are where the rule would hold; ``low``, ``best`` and ``high`` what was measured; ``predicts`` what the rule says
    exactly, None where it only names a side.
    """

    zones: tuple[tuple[float, float], ...]
    low: float
    best: float
    high: float
    predicts: float | None


def plot_rule(
    estimate: Estimate, low: float | None, high: float | None, predicts: float | None, *, outside: bool = False
) -> RuleStrip | None:
    """A rule's tolerance and its estimate; None without an interval.

    Parameters
    ----------
    estimate : what was measured.
    low, high : tolerance; None where that side is open.
    predicts : the rule's exact figure.
    outside : the rule holds outside the tolerance.
    """
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return None
    ends = [x for x in (low, high, predicts, estimate.low, estimate.high) if x is not None]
    room = 0.12 * ((max(ends) - min(ends)) or 1.0)
    first, last = min(ends) - room, max(ends) + room
    width = STRIP_SIZE[0]

    def at(x: float) -> float:
        return round((x - first) / (last - first) * width, 1)

    left, right = at(first if low is None else low), at(last if high is None else high)
    zones = ((0.0, left), (right, float(width))) if outside else ((left, right),)
    return RuleStrip(zones, at(estimate.low), at(estimate.value), at(estimate.high), None if predicts is None else at(predicts))
