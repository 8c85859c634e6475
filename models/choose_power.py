"""Power of one engine with a part at a boost, and the boost that it needs for a power: best value, range and chance, from draws.

The power is ``NA (M + g M**lambda)`` with M, s, q, g and lambda as in :mod:`models.offset_boost`; a dyno figure of it has the
relative error ``figure_rel_sd`` besides (draw z5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.estimate import Estimate
from models.offset_boost import EngineCurve, extra_ratio, grown, power_multiple, quantile_of
from models.offset_records import Engine, Gain, Growth, OffsetModel, PowerCurve

#: Newton steps for the power ratio that a part and a target leave to boost: each doubles the digits, four are enough for any.
_STEPS = 8

NO_PART = Gain(0.0)
BEYOND = "More boost than was proposed may be needed; that was not tested, or was ruled out."


@dataclass(frozen=True, slots=True)
class Setting:
    """One engine of a kind, with a part or without, towards a target."""

    model: OffsetModel
    curve: PowerCurve
    one: EngineCurve
    engine: Engine
    gain: Gain
    growth: Growth

    @property
    def basis(self) -> tuple[int, int]:
        """Builds and runs that the curve rests on."""
        return self.curve.builds, self.curve.runs

    def share_at(self, x: float) -> float:
        """Best value of power over unboosted power at boost ratio x."""
        return _share(self.one.slope, self.one.curvature, self.gain.share, self.growth.value, x)


def _share(slope: float, curvature: float, gain: float, growth: float, x: float) -> float:
    multiple = power_multiple(slope, curvature, x)
    return multiple + (grown(gain, multiple, growth) if gain else 0.0)


def multiple_for(wanted: float, gain: float, growth: float) -> float:
    """Power ratio M with ``M + g M**lambda`` equal to ``wanted`` (above 0)."""
    if growth == 1.0 or gain == 0.0:
        return wanted / (1.0 + gain)
    m = max(wanted / (1.0 + gain), 1e-3)
    for _ in range(_STEPS):
        more = gain * m**growth
        m = max(m - (m + more - wanted) / (1.0 + growth * more / m), 1e-3)
    return m


def boost_for(at: Setting, wanted: float, x0: float) -> float:
    """Best value of the boost ratio at which power over unboosted power is ``wanted``; infinite where none is."""
    return _ratio_for(at.one.slope, at.one.curvature, at.gain.share, at.growth.value, wanted, x0)


def _ratio_for(slope: float, curvature: float, gain: float, growth: float, wanted: float, x0: float) -> float:
    missing = multiple_for(wanted, gain, growth) - power_multiple(slope, curvature, x0)
    return x0 + extra_ratio(missing, slope, curvature, x0)


def needed_boost(at: Setting, wanted: float, x0: float, proposed_kpa: float, highest_kpa: float) -> Estimate:
    """The proposed boost with the range that engines of this kind may need; no end beyond the highest boost allowed is given."""
    why, low, high = None, None, None
    if not at.model.draws:
        why = "All builds come from one publisher; without others there is no range."
    else:
        drawn = sorted(
            _ratio_for(
                *at.one.drawn(z[1], z[2]), at.gain.share + at.gain.sd * z[0], at.growth.value + at.growth.sd * z[3], wanted, x0
            )
            for z in at.model.draws
        )
        tail, ambient = (1.0 - at.model.level) / 2.0, at.engine.ambient_kpa
        ends = [max(quantile_of(drawn, p), 0.0) * ambient for p in (tail, 1.0 - tail)]
        low, high = (end if end <= highest_kpa * (1.0 + 1e-9) else None for end in ends)
        why = None if high is not None else BEYOND
    return Estimate(proposed_kpa, low, high, at.model.level, "kPa", *at.basis, why)


def power_at(at: Setting, x: float, target_kw: float) -> tuple[Estimate, float | None]:
    """Dyno figure at boost ratio x [kW], and the share of engines whose figure reaches the target; None without draws."""
    na, error = at.engine.na_kw, at.model.figure_rel_sd
    value = na * at.share_at(x)
    if not at.model.draws:
        why = "All builds come from one publisher; without others there is no range."
        return Estimate(value, None, None, at.model.level, "kW", *at.basis, why), None
    figures = sorted(
        na
        * _share(*at.one.drawn(z[1], z[2]), at.gain.share + at.gain.sd * z[0], at.growth.value + at.growth.sd * z[3], x)
        * (1.0 + error * z[4])
        for z in at.model.draws
    )
    tail = (1.0 - at.model.level) / 2.0
    low, high = quantile_of(figures, tail), quantile_of(figures, 1.0 - tail)
    reached = sum(figure >= target_kw for figure in figures) / len(figures)
    assert math.isfinite(low) and math.isfinite(high)
    return Estimate(value, low, high, at.model.level, "kW", *at.basis), reached
