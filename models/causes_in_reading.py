"""Causes of a deviation that lie in how it was read and written down, each tested on the build's own record.

The ranges below are judgements of this project about what happens in practice, not measured limits.
"""

from __future__ import annotations

import numpy as np

from models.deviation_case import Case, known, mean_of, ruled_out, span, tested, untested, words
from models.deviator_records import Cause, CauseBasis
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA
from pipeline.air import standard_altitude_m, standard_pressure_kpa

#: Air pressure that a site may have where none is stated: from 2500 m up to a strong high at sea level [kPa].
SITE_KPA = (float(standard_pressure_kpa(2500.0)), 103.5)
#: Weather moves station pressure by about this much about the standard atmosphere [kPa].
WEATHER_KPA = 3.0
#: Share of crank power that wheels do not see.
DRIVETRAIN_LOSS = (0.08, 0.25)
#: Pressure lost between the place of the reading and the manifold [kPa]: cooler and pipes, or the throttle alone.
LOST_KPA = {"before_cooler": (1.0, 21.0), "compressor_outlet": (1.0, 21.0), "before_throttle": (0.5, 7.0)}
#: Share of the highest boost that may be gone at peak power.
BOOST_FALL = (0.03, 0.30)
#: A gauge's zero may be this far off [kPa].
GAUGE_ZERO_KPA = 10.0
#: Where correction factors of the usual standards are valid.
VALID_FACTORS = (0.93, 1.07)
#: Other builds of a publisher from which on its habit can be told.
LEAST_OTHERS = 3
#: Standard errors at which a habit, or a jump at no boost, counts as seen.
SEEN = 2.5
#: A second boost must be this far from the first in boost ratio for a line through no boost.
LEAST_REACH = 0.10


def ambient(case: Case) -> Cause:
    """Air pressure not recorded: which site would explain the reading? True ratio = reading * true / used pressure."""
    basis = case.unit["ambient_basis"]
    used = float(case.unit["ambient_kpa"])
    if basis == "recorded":
        return ruled_out("ambient_not_stated", f"Air pressure was recorded ({used:.1f} kPa).")
    low, high = SITE_KPA if basis == "assumed" else (used - WEATHER_KPA, used + WEATHER_KPA)
    fact = (
        "Neither air pressure nor altitude is stated; sea level was assumed."
        if basis == "assumed"
        else f"Air pressure was taken from the altitude ({used:.1f} kPa)."
    )
    shifts = case.expected * (used / high - 1.0), case.expected * (used / low - 1.0)
    true_kpa = tuple(used / (1.0 + shift / case.expected) for shift in case.enough(*shifts))
    yes = f"A true air pressure of {span((true_kpa[0], true_kpa[1]), '.0f')} kPa{_site(true_kpa[1])} would explain the reading."
    no = f"No air pressure between {low:.0f} and {high:.0f} kPa explains the reading."
    return tested("ambient_not_stated", "not stated", fact, case.explains(*shifts), yes, no)


def _site(pressure_kpa: float) -> str:
    if pressure_kpa >= SEA_LEVEL_KPA:
        return ""
    return f" (a site at up to about {round(float(standard_altitude_m(pressure_kpa)), -2):.0f} m)"


def wheel_against_crank(case: Case) -> Cause:
    """Baseline and boosted power at different places: does the size fit a drivetrain's loss, do the runs jump at no boost?"""
    code = "wheel_against_crank"
    places = known([*case.baselines, *case.boosted], "measured_at")
    least, most = DRIVETRAIN_LOSS
    # the boosted side at the wheel reads low; the baseline at the wheel reads high, by the loss over what is left
    range_ = (-most, -least) if case.deviation < 0 else (1.0 / (1.0 - least) - 1.0, 1.0 / (1.0 - most) - 1.0)
    loss = tuple(-share if share < 0 else share / (1.0 + share) for share in case.enough_power(*range_))
    jumped = _jump_like_a_drivetrain(case)
    if jumped is not None:
        stated = f", although both are stated to be at the {places[0]}" if len(set(places)) == 1 else ""
        fact = f"Its boosted runs together point to a power without boost {-jumped:.0%} below its baseline:"
        return tested(code, "recorded", fact, True, f"as if {_sides(jumped)}{stated}.", "")
    if len(places) == len(case.baselines) + len(case.boosted) and len(set(places)) == 1:
        return ruled_out(code, f"Baseline and boosted power are both stated to be at the {places[0]}.")
    fact = "Where power was measured is not stated for all runs."
    yes = f"A drivetrain loss of {span((loss[0], loss[1]))} would explain the reading, if {_sides(case.deviation)}."
    return tested(
        code,
        "not stated",
        fact,
        case.explains_power(*range_),
        yes,
        f"No loss between {least:.0%} and {most:.0%} explains the reading.",
    )


def _sides(jump: float) -> str:
    if jump < 0:
        return "boosted power had been read at the wheel and the baseline at the crank"
    return "the baseline had been read at the wheel and boosted power at the crank"


def _jump_like_a_drivetrain(case: Case) -> float | None:
    """Relative drop at no boost, where it is seen, has a drivetrain's size and the build reads low or bent; else None.

    Only a drop: a rise cannot be told from later psi that are worth less, which is common, while later psi that are worth much
    more are not.
    """
    jump = jump_at_no_boost(case)
    if jump is None or jump[0] >= -SEEN * jump[1] or not (case.is_bent or case.deviation < 0):
        return None
    share = float(np.expm1(jump[0]))
    return share if DRIVETRAIN_LOSS[0] <= -share <= DRIVETRAIN_LOSS[1] else None


def jump_at_no_boost(case: Case) -> tuple[float, float] | None:
    """Logarithm of (power that the boosted runs point to at no boost / baseline), and its standard error; None with one boost.

    Weighted least squares of the log power ratio, about the build's own curve, on (1, z); the errors of baseline, session and
    gauge, common to all boosted runs, and the spread of curvature are added.
    """
    x = np.array([row["boost_ratio"] for row in case.boosted], dtype=np.float64)
    if x.size < 2 or float(np.ptp(x)) < LEAST_REACH:
        return None
    ambient_kpa = np.array([row["ambient_kpa"] for row in case.boosted], dtype=np.float64)
    power = np.array([row["power"] for row in case.boosted], dtype=np.float64)
    multiple = case.multiple(x)
    by_boost = (case.own + case.curvature * (2 * x - REFERENCE_BOOST_RATIO)) / (multiple * ambient_kpa)
    sd_power = np.array([row["power_rel_sd"] for row in case.boosted], dtype=np.float64)
    sd_boost = np.array([row["boost_sd_kpa"] for row in case.boosted], dtype=np.float64)
    weights = 1.0 / (case.error_scale * (sd_power**2 + (by_boost * sd_boost) ** 2))
    design = np.column_stack([np.ones_like(x), x / multiple])
    inverse = np.linalg.inv(design.T @ (design * weights[:, None]))
    row = (inverse @ (design * weights[:, None]).T)[0]
    base = 1.0 / (case.error_scale * np.array([r["power_rel_sd"] for r in case.baselines], dtype=np.float64) ** 2)
    log_base = float((base * np.log([r["power"] for r in case.baselines])).sum() / base.sum())
    jump = float(row @ (np.log(power) - log_base - np.log(multiple)))
    bend = float(row @ (x * (x - REFERENCE_BOOST_RATIO) / multiple))
    common = 1.0 / float(base.sum()) + 2.0 * float(case.unit["session_rel_sd"]) ** 2
    gauge = (float(row @ by_boost) * float(case.unit["gauge_sd_kpa"])) ** 2
    return jump, float(inverse[0, 0] + common + gauge + (bend * case.curvature_sd) ** 2) ** 0.5


def gauge_zero(case: Case) -> Cause:
    """A gauge that does not stand at zero shifts every boost alike: all runs miss the baseline together."""
    jump = jump_at_no_boost(case)
    if jump is None:
        return untested("gauge_zero", "With one boost only, a gauge's zero cannot be told from the yield.")
    slope = max(case.own - case.curvature * REFERENCE_BOOST_RATIO, 0.1)
    offset = jump[0] / slope * float(case.unit["ambient_kpa"])
    seen = abs(jump[0]) > SEEN * jump[1]
    if not seen:
        return ruled_out(
            "gauge_zero", "Its boosted runs point back to its baseline, as they should with a gauge that stands at zero."
        )
    # a gauge that is off by o moves the average yield to boost b by the share o / b
    shift = case.own * offset / float(case.top["boost_kpa"])
    loose = 2.0 * jump[1] / abs(jump[0])
    ends = sorted((shift * (1.0 - loose), shift * (1.0 + loose)))
    explained = abs(offset) <= GAUGE_ZERO_KPA and (case.is_bent or case.explains(ends[0], ends[1]))
    side = "less" if offset > 0 else "more"
    fact = "Its boosted runs together miss its baseline."
    bent_too = case.is_bent and offset > 0
    also = ", and so would later psi that are worth less" if bent_too else ""
    yes = f"A gauge that shows {abs(offset) / KPA_PER_PSI:.1f} psi {side} than there is would do that{also}."
    no = f"A gauge that shows {abs(offset) / KPA_PER_PSI:.1f} psi {side} than there is would do that, but does not explain the reading."
    return tested("gauge_zero", "not stated" if bent_too else "recorded", fact, explained, yes, no)


def boost_where(case: Case) -> Cause:
    """Boost read before the cooler or throttle: the manifold had less, so that the build reads low."""
    places = known(case.boosted, "boost_where")
    code = "boost_read_before_manifold"
    boost = mean_of(case.boosted, "boost_kpa") or 0.0
    if places and all(place == "manifold" for place in places):
        return ruled_out(code, "Boost was read in the manifold.")
    place = next((p for p in places if p in LOST_KPA), "before_cooler")
    low, high = LOST_KPA[place]
    shifts = -case.expected * min(high / boost, 1.0), -case.expected * low / boost
    lost = [shift / case.expected * boost / KPA_PER_PSI for shift in case.enough(*shifts)]
    fact = (
        f"Boost was read at another place than the manifold ({words(place)})."
        if places
        else "Where boost was read is not stated."
    )
    no = (
        f"No loss up to {high / KPA_PER_PSI:.1f} psi on the way to the manifold explains it."
        if case.deviation < 0
        else "That would make it read low, and it reads high."
    )
    basis: CauseBasis = "recorded" if places else "not stated"
    yes = f"A loss of {span((lost[0], lost[1]), '.1f')} psi on the way to the manifold would explain the reading."
    return tested(code, basis, fact, case.explains(*shifts), yes, no)


def boost_taken(case: Case) -> Cause:
    """Highest boost in place of the boost at peak power: less was there, so that the build reads low."""
    taken = known(case.boosted, "boost_taken")
    code = "boost_at_maximum"
    if taken and all(one == "at_peak_power" for one in taken):
        return ruled_out(code, "Boost is that at peak power.")
    low, high = BOOST_FALL
    shifts = -case.expected * high, -case.expected * low
    fall = [shift / case.expected for shift in case.enough(*shifts)]
    fact = (
        "The boost is the highest seen, not that at peak power."
        if "maximum" in taken
        else "Whether boost is that at peak power is not stated."
    )
    yes = f"Boost that had fallen by {span((fall[0], fall[1]))} at peak power would explain the reading."
    no = (
        f"No fall of boost up to {high:.0%} by peak power explains it."
        if case.deviation < 0
        else "That would make it read low, and it reads high."
    )
    return tested(code, "recorded" if "maximum" in taken else "not stated", fact, case.explains(*shifts), yes, no)


def boost_printed_coarsely(case: Case) -> Cause | None:
    """Boost printed in steps so wide that rounding alone moves the ratio; None where the step is fine or unknown."""
    steps = known(case.boosted, "boost_step_kpa")
    boost = mean_of(case.boosted, "boost_kpa") or 0.0
    if not steps or boost <= 0 or max(steps) / 2 / boost < 0.02:
        return None
    half = max(steps) / 2 / boost
    fact = f"Boost is printed to the nearest {max(steps) / KPA_PER_PSI:.2g} psi, {half:.0%} of it either way."
    return tested(
        "boost_printed_coarsely", "recorded", fact, case.explains(-case.expected * half, case.expected * half),
        "Rounding alone would explain the reading.", "Rounding alone does not explain it.",
    )  # fmt: skip


def correction(case: Case) -> Cause:
    """Correction factors outside their validity: how far would the reading move without them on the boosted side?"""
    code = "correction_outside_validity"
    boosted, base = mean_of(case.boosted, "correction_factor"), mean_of(case.baselines, "correction_factor")
    if boosted is None or base is None:
        return untested(code, "What the correction did cannot be worked out: standard or air is not stated.")
    least, most = VALID_FACTORS
    factors = f"{base:.3f} on the baseline and {boosted:.3f} under boost"
    if least <= boosted <= most and least <= base <= most:
        return ruled_out(code, f"Correction factors ({factors}) are within {least} to {most}.")
    wrong = [boosted - 1.0, 1.0 / base - 1.0, boosted / base - 1.0]
    shares = min(0.0, *wrong), max(0.0, *wrong)
    fact = f"Correction factors ({factors}) lie outside {least} to {most}."
    yes = f"A correction that did not suit both runs, by {span(case.enough_power(*shares))} of power, would explain the reading."
    return tested(
        code, "recorded", fact, case.explains_power(*shares), yes, "Taking either correction away does not explain the reading."
    )


def publisher_leans(case: Case) -> Cause:
    """Other builds of the publisher lie off their own peers in the same direction."""
    code = "publisher_leans"
    if case.others < LEAST_OTHERS:
        return untested(code, f"Its publisher has {case.others} other builds in the study, too few to tell a habit.")
    low, high = (case.others_mean + side * 2.0 * case.others_se for side in (-1.0, 1.0))
    seen = abs(case.others_mean) > SEEN * case.others_se
    fact = f"The {case.others} other builds of its publisher lie {case.others_mean:+.3f} from their peers (standard error {case.others_se:.3f})."
    explained = seen and case.explains(low, high)
    no = "That does not explain it." if seen else "That is no more than chance."
    return tested(code, "recorded", fact, explained, "This build shares its publisher's lean.", no)
