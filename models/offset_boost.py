"""Offset boost: the extra boost that gives the same power as a part, with its range.

The formula, in numbers that a small script can follow step by step (only + - * / and square root; a power is taken only
where lambda is not exactly 1 or has an error). With ``x = boost / ambient``, ``x0`` the present one, ``x_r = 10 / 14.7`` and
``g`` the gain as a share of the unboosted output::

    M0   = 1 + s x0 + q x0 (x0 - x_r)                power at the present boost over unboosted power
    T    = g                        without boost     T = g M0  (lambda = 1)  or  g M0**lambda  at the present boost
    a    = s + q (2 x0 - x_r)                        slope there
    D    = a a + 4 q T                               D < 0: no boost offsets it
    dx   = 2 T / (a + sqrt(D))                       a + sqrt(D) <= 0: no boost offsets it;  db = dx ambient

``dx`` is the smallest positive root of ``a dx + q dx^2 = T`` (the root that goes to 0 with T, where a draw of T is below 0).

One engine of a kind: mean ``(s, q)`` of the kind's curve and covariance ``C = [[var_slope + engine_var, covariance], [covariance,
var_curvature + engine_var_curvature]]``. Where the power at the present boost was measured, ``y = made / NA - 1`` with
``h = (x0, x0 (x0 - x_r))``, error variance ``R = ((1 + y) figure_rel_sd)^2 + (a boost_sd / ambient)^2`` (a at the kind's mean)::

    u = C h;  w = h . u + R;  mean += u (y - h . mean) / w;  C -= u u' / w

Draw k of the model's ``draws`` (z1 gain, z2 slope, z3 curvature, z4 growth, z5 dyno figure)::

    l11 = sqrt(C11);  l21 = C12 / l11 (0 where l11 is 0);  l22 = sqrt(max(C22 - l21 l21, 0))
    s = mean s + l11 z2;  q = mean q + l21 z2 + l22 z3;  g = share + sd z1;  lambda = value + sd z4

M0 of a draw is held at 0.2 or above. The range runs between quantiles (1 - level) / 2 and 1 - (1 - level) / 2 of the sorted
``dx``: for probability p over n draws, ``h = p n - 0.5`` held to [0, n - 1], ``k = floor(h)``,
``v[k] + (h - k) (v[k + 1] - v[k])`` (``v[k]`` where h = k), times ambient. An end that meets a draw which no boost offsets is
not given. The best value is the formula at the means, not the median of the draws.

Without curvature, and with lambda held at 1, the range is Fieller's (:mod:`models.ratio_interval`): the ratio of
``N = g (ambient + s b0)`` to ``s``, ``var N = (ambient + s b0)^2 sd_g^2 + (g b0)^2 C11``, ``cov(N, s) = g b0 C11``, t as kept in the model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.build_sums import Floats
from models.estimate import Estimate
from models.offset_cautions import BELT_DRIVEN, BOOST_CAUTIONS, FIXED_DRIVE_NOTE
from models.offset_draws import Draw
from models.offset_evidence import check_engine, outside_evidence
from models.offset_records import Engine, Gain, Growth, OffsetAnswer, OffsetModel, PowerCurve
from models.ratio_interval import fieller_interval
from models.rule import REFERENCE_BOOST_RATIO, TRADE_ATMOSPHERE_KPA
from pipeline.errors import RequestProblem

#: Boosted over unboosted power of a draw is held at this or above.
LEAST_MULTIPLE = 0.2

NOT_BOUNDED = "Not bounded by these data: engines that no boost would take this far cannot be ruled out."
NO_BOOST = "On the curve of this kind of engine no boost gives the same power: it bends over before."


@dataclass(frozen=True, slots=True)
class EngineCurve:
    """Slope and curvature of one engine as a bivariate distribution: means, and the factor of its covariance."""

    slope: float
    curvature: float
    l11: float
    l21: float
    l22: float

    @property
    def var_slope(self) -> float:
        """Variance of the slope."""
        return self.l11 * self.l11

    def drawn(self, z_slope: float, z_curvature: float) -> tuple[float, float]:
        """Slope and curvature of one draw."""
        return self.slope + self.l11 * z_slope, self.curvature + self.l21 * z_slope + self.l22 * z_curvature


def power_multiple(slope: float, curvature: float, x: float) -> float:
    """Boosted over unboosted power at boost ratio x, held at :data:`LEAST_MULTIPLE` or above."""
    return max(1.0 + slope * x + curvature * x * (x - REFERENCE_BOOST_RATIO), LEAST_MULTIPLE)


def extra_ratio(share: float, slope: float, curvature: float, x: float) -> float:
    """Extra boost ratio from ``x`` on that adds ``share`` of the unboosted power; infinite where none does."""
    a = slope + curvature * (2.0 * x - REFERENCE_BOOST_RATIO)
    inside = a * a + 4.0 * curvature * share
    if inside < 0.0:
        return math.inf
    below = a + math.sqrt(inside)
    return 2.0 * share / below if below > 0.0 else math.inf


def grown(share: float, multiple: float, growth: float) -> float:
    """What a part adds under boost, as a share of the unboosted power: ``g M**lambda``."""
    return share * multiple if growth == 1.0 else share * multiple**growth


def quantile_of(ordered: Sequence[float], probability: float) -> float:
    """Quantile of sorted values, as the module's head defines it."""
    n = len(ordered)
    place = min(max(probability * n - 0.5, 0.0), n - 1.0)
    k = int(place)
    if place == k:
        return ordered[k]
    return ordered[k] + (place - k) * (ordered[k + 1] - ordered[k]) if ordered[k + 1] < math.inf else math.inf


def curve_for(model: OffsetModel, induction: str | None, charge_cooling: str | None) -> PowerCurve:
    """The curve of the asked kind; else that of its induction alone, of its cooling alone, of all engines.

    Raises
    ------
    RequestProblem : the study has no curve at all.
    """
    if not model.curves:
        raise RequestProblem(
            f"Offset boost needs the study's curve of power against boost, and this store gives none: {model.why or 'no fit.'} "
            "Builds with an unboosted and a boosted run are needed; add such results and build again."
        )
    by_kind = {(curve.induction, curve.charge_cooling): curve for curve in model.curves}
    for kind in ((induction, charge_cooling), (induction, None), (None, charge_cooling)):
        if kind in by_kind:
            return by_kind[kind]
    return by_kind[None, None]


def engine_curve(model: OffsetModel, curve: PowerCurve, engine: Engine) -> EngineCurve:
    """One engine of this kind; with its own measured power under boost, drawn towards that by what is known of the spread."""
    s, q = curve.slope, curve.curvature
    c11, c12 = curve.var_slope + curve.engine_var, curve.covariance
    c22 = curve.var_curvature + curve.engine_var_curvature
    if engine.made_kw is not None and engine.boost_kpa:
        x = engine.boost_kpa / engine.ambient_kpa
        y, h = engine.made_kw / engine.na_kw - 1.0, x * (x - REFERENCE_BOOST_RATIO)
        figure = (1.0 + y) * model.figure_rel_sd
        reading = (s + q * (2.0 * x - REFERENCE_BOOST_RATIO)) * model.boost_sd_kpa / engine.ambient_kpa
        u1, u2 = c11 * x + c12 * h, c12 * x + c22 * h
        w = x * u1 + h * u2 + figure * figure + reading * reading
        off = (y - x * s - h * q) / w
        s, q = s + u1 * off, q + u2 * off
        c11, c12, c22 = c11 - u1 * u1 / w, c12 - u1 * u2 / w, c22 - u2 * u2 / w
    l11 = math.sqrt(max(c11, 0.0))
    l21 = c12 / l11 if l11 > 0.0 else 0.0
    return EngineCurve(s, q, l11, l21, math.sqrt(max(c22 - l21 * l21, 0.0)))


def answer_offset(model: OffsetModel, engine: Engine, gain: Gain, growth: Growth | None = None) -> OffsetAnswer:
    """Offset boost from no boost and, where the engine runs boost, at that boost.

    Parameters
    ----------
    model : curves and draws of the study.
    engine : who is asked about.
    gain : what the part adds without boost.
    growth : how the gain grows under boost; multiplied in full where it is None.

    Raises
    ------
    RequestProblem : an impossible engine, a gain of zero or below, or a study without a curve.
    """
    growth = growth or Growth()
    check_engine(engine)
    _check_gain(gain)
    curve = curve_for(model, engine.induction, engine.charge_cooling)
    one = engine_curve(model, curve, engine)
    at_no_boost = _offset(model, curve, one, engine, gain, growth, 0.0)
    at_boost = None if engine.boost_kpa is None else _offset(model, curve, one, engine, gain, growth, engine.boost_kpa)
    asked = [e for e in (at_no_boost, at_boost) if e is not None]
    most = max((engine.boost_kpa or 0.0) + e.value for e in asked if e.value is not None) if any(e.value for e in asked) else None
    return OffsetAnswer(
        engine=engine,
        gain=gain,
        growth=growth,
        gain_kw=gain.share * engine.na_kw,
        rule_kpa=gain.share * TRADE_ATMOSPHERE_KPA,
        rule_at_boost_kpa=None if engine.boost_kpa is None else gain.share * (TRADE_ATMOSPHERE_KPA + engine.boost_kpa),
        at_no_boost=at_no_boost,
        at_boost=at_boost,
        bounded=all(e.low is not None and e.high is not None for e in asked),
        curve=curve,
        notes=_notes(curve, engine, gain, growth),
        outside_evidence=outside_evidence(model, engine, most),
        cautions=BOOST_CAUTIONS,
    )


def _check_gain(gain: Gain) -> None:
    if not (math.isfinite(gain.share) and gain.share > 0.0):
        raise RequestProblem(
            f"The gain is {gain.share * 100:.3g} % of the output without boost; it must be above zero. "
            "A part that gains nothing leaves nothing to offset: give what it gained, such as 40hp or 10%."
        )
    if not (math.isfinite(gain.sd) and gain.sd >= 0.0):
        raise RequestProblem(
            f"The error of the gain is {gain.sd:g}; it must be zero or above. Give it as a share, or leave it out."
        )


def _offset(
    model: OffsetModel, curve: PowerCurve, one: EngineCurve, engine: Engine, gain: Gain, growth: Growth, boost_kpa: float
) -> Estimate:
    """Extra boost from ``boost_kpa`` on [kPa], with the range of one engine."""
    x, ambient = boost_kpa / engine.ambient_kpa, engine.ambient_kpa
    best = _offset_of(gain.share, growth.value, one.slope, one.curvature, x)
    value = best * ambient if best < math.inf else None
    basis = (model.level, "kPa", curve.builds, curve.runs)
    if model.t_quantile is None or curve.degrees_of_freedom == 0:
        why = "All builds come from one publisher; without others there is no range."
        return Estimate(value, None, None, *basis, why)
    if not curve.is_curved and growth.value == 1.0 and growth.sd == 0.0:
        low, high = _fieller(one, gain, ambient, boost_kpa, model.t_quantile)
    else:
        drawn = _drawn_offsets(model, one, gain, growth, x)
        tail = (1.0 - model.level) / 2.0
        low, high = (
            end * ambient if end < math.inf else None for end in (quantile_of(drawn, tail), quantile_of(drawn, 1.0 - tail))
        )
    bounded = low is not None and high is not None
    return Estimate(value, low, high, *basis, NO_BOOST if value is None else None if bounded else NOT_BOUNDED)


def _offset_of(share: float, growth: float, slope: float, curvature: float, x: float) -> float:
    """Extra boost ratio of one draw."""
    wanted = grown(share, power_multiple(slope, curvature, x), growth) if x else share
    return extra_ratio(wanted, slope, curvature, x)


def _drawn_offsets(model: OffsetModel, one: EngineCurve, gain: Gain, growth: Growth, x: float) -> list[float]:
    """Extra boost ratio of every draw, sorted: :func:`_offset_of` for all at once, number for number."""
    z = _columns(model.draws)
    s, q = one.slope + one.l11 * z[1], one.curvature + one.l21 * z[1] + one.l22 * z[2]
    wanted = gain.share + gain.sd * z[0]
    if x:
        multiple = np.maximum(1.0 + s * x + q * x * (x - REFERENCE_BOOST_RATIO), LEAST_MULTIPLE)
        full = growth.value == 1.0 and growth.sd == 0.0
        wanted = wanted * multiple if full else wanted * multiple ** (growth.value + growth.sd * z[3])
    a = s + q * (2.0 * x - REFERENCE_BOOST_RATIO)
    inside = a * a + 4.0 * q * wanted
    below = a + np.sqrt(np.maximum(inside, 0.0))
    found = (inside >= 0.0) & (below > 0.0)
    offsets: list[float] = np.sort(np.where(found, 2.0 * wanted / np.where(found, below, 1.0), math.inf)).tolist()
    return offsets


@lru_cache(maxsize=4)
def _columns(draws: tuple[Draw, ...]) -> Floats:
    """(5, n) draws by column."""
    return np.array(draws).T.copy()


def _fieller(
    one: EngineCurve, gain: Gain, ambient: float, boost_kpa: float, quantile: float
) -> tuple[float | None, float | None]:
    absolute, along = ambient + one.slope * boost_kpa, gain.share * boost_kpa
    if one.slope <= 0.0:
        return None, None
    found = fieller_interval(
        gain.share * absolute,
        one.slope,
        (absolute * gain.sd) ** 2 + along * along * one.var_slope,
        one.var_slope,
        along * one.var_slope,
        quantile,
    )
    return found.low, found.high


def _notes(curve: PowerCurve, engine: Engine, gain: Gain, growth: Growth) -> tuple[str, ...]:
    """What the figures take for granted."""
    notes = []
    if (curve.induction, curve.charge_cooling) != (engine.induction, engine.charge_cooling):
        notes.append("Too few builds of this kind for a curve of their own: the nearest wider kind was taken.")
    elif curve.induction is None and curve.charge_cooling is None:
        notes.append("Induction and charge cooling are not stated: the range covers all engines of the study.")
    if not curve.is_curved:
        notes.append(f"Curvature is taken as none. {curve.curvature_why}")
    if engine.boost_kpa:
        notes.append(_growth_note(growth))
        if engine.made_kw is None:
            notes.append("With the power that this engine makes at its boost the range would be narrower.")
    if gain.sd == 0.0:
        notes.append("The gain is taken as exact; with its own error the range would be wider.")
    if engine.induction is None or engine.induction in BELT_DRIVEN:
        notes.append(FIXED_DRIVE_NOTE)
    return tuple(notes)


def _growth_note(growth: Growth) -> str:
    if not growth.is_measured:
        return "How gains grow under boost is not known from these data: the gain without boost is multiplied by the full power ratio."
    return f"Under boost the gain grows as the power ratio to the {growth.value:.2f} (1: multiplied in full, 0: the same power), as measured."
