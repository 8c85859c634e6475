"""Records of what is said of curves against engine speed. Frozen; power in kW, boost in kPa, speed in rpm."""

from __future__ import annotations

from dataclasses import dataclass

from models.estimate import Estimate


@dataclass(frozen=True, slots=True)
class GainPoint:
    """Power won at one speed.

    ``low`` and ``high`` hold for this speed alone. Most of the error is that of whole pulls, so that neighbours move
    together: the shape of a curve is better known than its height.
    """

    rpm: float
    before_kw: float
    after_kw: float
    gain_kw: float
    low_kw: float
    high_kw: float


@dataclass(frozen=True, slots=True)
class GainCurve:
    """A before/after pair of curves compared at equal speed.

    Attributes
    ----------
    change_key, before_run_key, after_run_key : keys of the store.
    source, publisher, build, parts : what was compared, and who published it.
    basis : "as reported" (one correction for both) or "observed" (each freed of its own).
    same_session : whether both stand in one named session.
    level : coverage of the ends at each speed.
    points : in order of speed, at the speeds that both curves cover.
    """

    change_key: str
    before_run_key: str
    after_run_key: str
    source: str
    publisher: str
    build: str
    parts: tuple[str, ...]
    basis: str
    same_session: bool
    level: float
    points: tuple[GainPoint, ...]


@dataclass(frozen=True, slots=True)
class YieldPoint:
    """What boost was worth at one speed.

    ``rule_ratio`` is gain ratio over boost ratio at this speed; ``yield_kw_per_kpa`` the same in power per boost, referred
    to sea level.
    """

    rpm: float
    baseline_kw: float
    boosted_kw: float
    boost_kpa: float
    rule_ratio: float
    low: float
    high: float
    yield_kw_per_kpa: float


@dataclass(frozen=True, slots=True)
class YieldCurve:
    """One boosted curve of a build against its baseline at equal speed.

    ``peak_rpm`` is the speed of the baseline's power peak; ``baseline_curves`` the number of unboosted curves averaged.
    """

    unit_id: str
    run_key: str
    source: str
    publisher: str
    build: str
    induction: str | None
    charge_cooling: str | None
    ambient_kpa: float
    peak_rpm: float
    baseline_curves: int
    level: float
    points: tuple[YieldPoint, ...]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A pair of curves that could not be compared, and why."""

    key: str
    sentence: str


@dataclass(frozen=True, slots=True)
class SpeedPoint:
    """The rule ratio over builds at a share of the speed at which the unboosted engine peaks."""

    speed_share: float
    rule_ratio: Estimate


@dataclass(frozen=True, slots=True)
class CurveAnswers:
    """Everything that curves add to the study."""

    gains: tuple[GainCurve, ...]
    yields: tuple[YieldCurve, ...]
    by_speed: tuple[SpeedPoint, ...]
    left_out: tuple[LeftOut, ...]
