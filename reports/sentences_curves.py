"""What curves against engine speed say, in sentences: boost at every speed, changes at every speed."""

from __future__ import annotations

from collections.abc import Sequence

from models.curve_records import CurveAnswers, GainCurve, GainPoint
from models.estimate import Estimate
from reports.labels import clean_text
from reports.numbers import THIN, InBothUnits, UnitSystem, count_of, in_both, show_estimate, write_number
from reports.sentences import say_why

#: Averages whose interval is wider than this share of the rule say nothing in words.
WIDEST_SAID = 0.5


def _rpm(value: float) -> str:
    return f"{write_number(value, 0)} rpm"


def _share(values: Sequence[float]) -> str:
    low, high = (write_number(100 * v, 0) for v in (min(values), max(values)))
    return f"{low} to {high}{THIN}%" if low != high else f"{low}{THIN}%"


def _is_known(estimate: Estimate) -> bool:
    """Whether the average is known well enough to be put in words; the chart and its table hold the rest."""
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return False
    return estimate.high - estimate.low <= WIDEST_SAID


def say_yield_by_rpm(curves: CurveAnswers) -> InBothUnits:
    """How the worth of boost goes with engine speed: the average where enough builds log boost, else the curves themselves."""
    builds = len({curve.unit_id for curve in curves.yields})
    told = [(point.speed_share, point.rule_ratio) for point in curves.by_speed if _is_known(point.rule_ratio)]
    if told:
        return in_both(lambda s: _say_average(told, builds, s))
    ends = [(curve.points[0].rule_ratio, curve.points[-1].rule_ratio) for curve in curves.yields if curve.points]
    if not ends:
        text = "No boosted curve has boost logged against engine speed beside its baseline curve."
        return InBothUnits(text, text)
    why = next((point.rule_ratio for point in curves.by_speed), None)
    text = (
        f"{count_of(builds, 'build')} with boost logged against engine speed "
        f"{'gives' if builds == 1 else 'give'} {_share([e[0] for e in ends])} of the rule at the bottom of the curves and "
        f"{_share([e[1] for e in ends])} at the top. "
    )
    text += say_why(why) if why is not None and why.why else ""
    return InBothUnits(text.rstrip(), text.rstrip())


def _say_average(told: Sequence[tuple[float, Estimate]], builds: int, system: UnitSystem) -> str:
    def at(share: float, estimate: Estimate) -> str:
        part = "" if share == 1 else f"{write_number(100 * share, 0)}{THIN}% of "
        return f"{show_estimate(estimate, system, share=True, reference=1.0).full} of the rule at {part}the speed of the unboosted power peak"

    where = at(*told[0]) if len(told) == 1 else f"{at(*told[0])} and {at(*told[-1])}"
    return f"Averaged over {count_of(builds, 'build')} at most, boost gives {where}."


def best_point(curve: GainCurve) -> GainPoint:
    """Where a change wins most."""
    return max(curve.points, key=lambda point: (point.gain_kw, -point.rpm))


def _amount(value: float, system: UnitSystem) -> str:
    scale = system.scales["power"]
    sign = "+" if value > 0 else ""
    return f"{sign}{write_number(value * scale.factor, scale.digits)}"


def _say_one(curve: GainCurve, system: UnitSystem) -> str:
    best, unit = best_point(curve), system.scales["power"].unit
    parts = " + ".join(part.replace("_", " ") for part in curve.parts) or "what was changed"
    wins = [point.rpm for point in curve.points if point.low_kw > 0]
    loses = [point.rpm for point in curve.points if point.high_kw < 0]
    text = (
        f"{clean_text(curve.build)}, {parts}: most at {_rpm(best.rpm)}, {_amount(best.gain_kw, system)}{THIN}{unit} "
        f"({_amount(best.low_kw, system)} to {_amount(best.high_kw, system)})"
    )
    text += (
        f"; shown as a gain between {_rpm(wins[0])} and {_rpm(wins[-1])}" if wins else "; nowhere more than the error of the test"
    )
    return text + (f"; it costs power between {_rpm(loses[0])} and {_rpm(loses[-1])}." if loses else ".")


def say_gain_by_rpm(curves: CurveAnswers) -> InBothUnits:
    """What changes won where, the widest win first; of several, how many cost power somewhere."""
    ordered = sorted((c for c in curves.gains if c.points), key=lambda c: (-best_point(c).gain_kw, c.change_key))
    if not ordered:
        text = "No change has a curve before and after it."
        return InBothUnits(text, text)
    losing = sum(any(point.high_kw < 0 for point in curve.points) for curve in ordered)
    count = "" if len(ordered) == 1 else (
        f" Of {count_of(len(ordered), 'change')} with curves, {losing or 'none'} cost power at some speed beyond the error of the test."
    )  # fmt: skip
    return in_both(lambda s: _say_one(ordered[0], s) + count)
