"""A pair compared over the whole curve: gain in a band of speeds, area, and where it loses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from models.curve_records import GainCurve, GainPoint
from models.curves_at_rpm import GRID_RPM
from models.estimate import Estimate
from models.gain_records import CurveGain, Span
from pipeline.errors import RequestProblem

#: Share of the speeds that both curves cover, from the top, that is averaged unless another band is asked for.
TOP_SHARE = 1 / 3


def over_band(curve: GainCurve, band: Span | None = None) -> CurveGain:
    """A gain curve summed up.

    Parameters
    ----------
    curve : of :func:`models.curves_at_rpm.gains_of_changes`.
    band : speeds to average over; None for the top third of what both curves cover.

    Raises
    ------
    RequestProblem : the curves do not cover the whole band.

    Notes
    -----
    Most of the error is that of whole pulls, and moves all speeds alike: the ends of the average are the mean of the ends, not
    narrowed by the number of speeds.
    """
    rpm = np.array([p.rpm for p in curve.points])
    low, high = float(rpm[0]), float(rpm[-1])
    band = band or Span(high - (high - low) * TOP_SHARE, high)
    inside = (rpm >= band.low_rpm - 1e-9) & (rpm <= band.high_rpm + 1e-9)
    if not inside.any() or band.low_rpm < low - GRID_RPM or band.high_rpm > high + GRID_RPM:
        raise RequestProblem(
            f"A band of {band.low_rpm:.0f} to {band.high_rpm:.0f} rpm was asked for; the two curves of {curve.change_key} both cover "
            f"{low:.0f} to {high:.0f} rpm. Ask for a band within that."
        )
    value, bottom, top = (float(_column(curve, name)[inside].mean()) for name in ("gain_kw", "low_kw", "high_kw"))
    share = 100 / float(_column(curve, "before_kw")[inside].mean())
    average_kw = Estimate(value, bottom, top, curve.level, "kW", 1, 2)
    average_pct = Estimate(share * value, share * bottom, share * top, curve.level, "%", 1, 2)
    all_gain = _column(curve, "gain_kw")
    gains = _spans(curve, lambda p: p.low_kw > 0)
    loses = _spans(curve, lambda p: p.high_kw < 0)
    return CurveGain(
        curve, band, average_kw, average_pct, float(np.trapezoid(all_gain, rpm)), gains, loses,
        _say(average_kw, average_pct, band, gains, loses),
    )  # fmt: skip


def _column(curve: GainCurve, name: str) -> np.ndarray:
    return np.array([getattr(p, name) for p in curve.points])


def _spans(curve: GainCurve, holds: Callable[[GainPoint], bool]) -> tuple[Span, ...]:
    """Stretches of neighbouring speeds at which something holds; a gap in the speeds ends one."""
    spans: list[Span] = []
    last: float | None = None
    for point in curve.points:
        if not holds(point):
            continue
        if last is not None and spans and point.rpm - last <= GRID_RPM * 1.5:
            spans[-1] = Span(spans[-1].low_rpm, point.rpm)
        else:
            spans.append(Span(point.rpm, point.rpm))
        last = point.rpm
    return tuple(spans)


def _say(kw: Estimate, pct: Estimate, band: Span, gains: tuple[Span, ...], loses: tuple[Span, ...]) -> str:
    assert kw.value is not None and kw.low is not None and kw.high is not None and pct.value is not None
    text = (
        f"{kw.value:+.1f} kW ({kw.low:+.1f} to {kw.high:+.1f} kW; {pct.value:+.1f} %) on average from {band.low_rpm:.0f} to "
        f"{band.high_rpm:.0f} rpm."
    )
    if loses:
        text += f" It loses at {_list(loses)}."
    elif not gains:
        text += " At no speed does it gain or lose beyond the error of the test."
    else:
        text += " It loses nowhere beyond the error of the test."
    return text


def _list(spans: tuple[Span, ...]) -> str:
    return " and ".join(
        f"{s.low_rpm:.0f} rpm" if s.low_rpm == s.high_rpm else f"{s.low_rpm:.0f} to {s.high_rpm:.0f} rpm" for s in spans
    )
