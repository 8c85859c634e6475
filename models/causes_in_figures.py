"""Causes of a deviation that lie in the figures themselves: exchanged, in another unit, absolute for gauge.

Each is tested by undoing it: what would the build's rule ratio be, and is that what was expected?
"""

from __future__ import annotations

from models.deviation_case import Case, ruled_out, tested
from models.deviator_records import Cause
from models.rule import REFERENCE_BOOST_RATIO
from pipeline.units import convert, unit_named

#: Room for rounding in a factor between two units.
ROUNDING = 0.03

_KW_PER_HP = convert(1.0, unit_named("hp"), unit_named("kW"))
_PSI_PER_INHG = convert(1.0, unit_named("inHg"), unit_named("psi"))


def exchanged(case: Case) -> Cause:
    """Baseline and boosted figure exchanged: the build would make less under boost, and as much more the other way round."""
    code = "baseline_and_boosted_exchanged"
    x, lowest = float(case.top["boost_ratio"]), min(row["power"] for row in case.baselines)
    if not case.top["power"] < lowest:
        return ruled_out(code, "It made more under boost than without.")
    undone = _ratio_at(case, lowest / float(case.top["power"]), x)
    fits = abs(undone - case.expected) <= case.band
    fact = "It made less under boost than without."
    return tested(
        code, "recorded", fact, fits, f"With the two figures exchanged its rule ratio would be {undone:.2f}, as expected.",
        f"Exchanging the two figures would give a rule ratio of {undone:.2f}, which does not fit either.",
    )  # fmt: skip


def unit_slip(case: Case) -> Cause:
    """Another unit than stated, on one side of the power or on the boost, or absolute boost given as gauge."""
    said, undone = min(_slips(case), key=lambda slip: abs(slip[1] - case.expected))
    if abs(undone - case.expected) <= case.band < abs(case.deviation):
        sentence = f"Its figures would fit if {said}: the rule ratio would be {undone:.2f}."
        return Cause("unit_slip", True, sentence, True, "not stated")
    return ruled_out(
        "unit_slip", "No exchange of hp and kW, of psi and inHg, or of gauge and absolute boost would make its figures fit."
    )


def _slips(case: Case) -> list[tuple[str, float]]:
    """What could have been mistaken, and the rule ratio without it."""
    x = float(case.top["boost_ratio"])
    slips = [
        ("boosted power were in kW and the baseline in hp", _KW_PER_HP),
        ("the baseline were in kW and boosted power in hp", 1.0 / _KW_PER_HP),
    ]
    found = [(said, _ratio_at(case, float(case.multiple(x)) / factor, x)) for said, factor in slips if _fits(case, factor - 1.0)]
    for said, factor in (("boost were in inHg", _PSI_PER_INHG), ("boost were in psi and not in inHg", 1.0 / _PSI_PER_INHG)):
        found.append((said, case.own / factor))
    if x > 1.0:
        found.append(("boost were absolute pressure", case.own * x / (x - 1.0)))
    return found


def _fits(case: Case, share: float) -> bool:
    return case.explains_power(share - ROUNDING, share + ROUNDING)


def _ratio_at(case: Case, multiple: float, x: float) -> float:
    """Rule ratio of a build that makes ``multiple`` times its unboosted power at boost ratio x, at the fitted curvature."""
    return (multiple - 1.0) / x - case.curvature * (x - REFERENCE_BOOST_RATIO)
