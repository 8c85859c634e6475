"""Causes of a deviation that lie in the engine and its baseline, each tested on the build's own record.

The ranges below are judgements of this project about what happens in practice, not measured limits.
"""

from __future__ import annotations

from models.deviation_case import Case, known, mean_of, ruled_out, span, tested, untested, words
from models.deviator_records import Cause, CauseBasis
from models.physics_bands import physics_rule_ratio

#: Share of baseline power that a compressor or turbine left in place costs.
LEFT_IN_PLACE = (0.01, 0.08)
#: A maker's rating, or another build of the same specification, may be off by this share.
RATING_OFF = 0.10
OTHER_BUILD_OFF = 0.08
#: Share of power that a better fuel with a tune for it may add, or a freer exhaust, or another tune target.
FUEL_WORTH, EXHAUST_WORTH, TUNE_WORTH = 0.10, 0.05, 0.08
#: A peak that moved by more than this is another point of the torque curve [rpm].
PEAK_MOVED_RPM = 500.0
#: Charge this much above inlet air is what a good cooler leaves [K].
USUAL_RISE_K = 20.0
#: Mean pressure of an unboosted engine at peak power [kPa], least and most.
NA_BMEP_KPA = (850.0, 1150.0)
#: Signs of distress between the lowest and the highest boost: hotter charge [K], later spark [degrees], richer [lambda].
HOTTER_K, LATER_DEG, RICHER = 15.0, 3.0, 0.04

_BETTER_FUEL = ("race_petrol", "ethanol_blend", "methanol")


def uncooled(case: Case) -> Cause:
    """No charge cooler: what physics expects that to cost against a cooled build."""
    code, cooling = "no_charge_cooler", case.unit.get("charge_cooling")
    if cooling in ("air_to_air", "air_to_water"):
        return ruled_out(code, f"It has a charge cooler ({words(cooling)}).")
    if cooling == "none" and case.are_peers_cooled_alike and case.kind == "unlike_peers":
        return ruled_out(code, "It has no charge cooler, but neither have the builds it was compared with.")
    bare, cooled = (physics_rule_ratio(case.unit.get("induction"), one) for one in ("none", "air_to_air"))
    cost = sorted((bare[0] - cooled[0], bare[1] - cooled[1]))
    fact = "It has no charge cooler." if cooling == "none" else "Whether it has a charge cooler is not stated."
    yes = f"Without one, physics expects {-cost[1]:.2f} to {-cost[0]:.2f} less, which would explain the reading."
    no = (
        "That would make it read low, and it reads high."
        if case.deviation > 0
        else f"That is worth {-cost[1]:.2f} to {-cost[0]:.2f}, which does not explain it."
    )
    return tested(code, "recorded" if cooling == "none" else "not stated", fact, case.explains(cost[0], cost[1]), yes, no)


def left_in_place(case: Case) -> Cause:
    """A compressor or turbine that stayed on robs the baseline, so that the build reads high."""
    code = "compressor_left_in_place"
    hardware = known(case.baselines, "baseline_hardware")
    if hardware and all(one == "compressor_removed" for one in hardware):
        return ruled_out(code, "The compressor was removed for the baseline.")
    least, most = LEFT_IN_PLACE
    shares = least / (1.0 - least), most / (1.0 - most)
    loss = [share / (1.0 + share) for share in case.enough_power(*shares)]
    fact = (
        f"The baseline ran with the compressor in place ({words(hardware[0])})."
        if hardware
        else "What stayed on the engine for the baseline is not stated."
    )
    yes = f"{span((loss[0], loss[1]))} of baseline power lost to it would explain the reading."
    no = (
        f"A loss up to {most:.0%} does not explain it."
        if case.deviation > 0
        else "That would make it read high, and it reads low."
    )
    return tested(code, "recorded" if hardware else "not stated", fact, case.explains_power(*shares), yes, no)


def baseline_not_measured(case: Case) -> Cause:
    """A stated rating, or a baseline from another build: by how much would it have to be off?"""
    code, quality = "baseline_not_its_own", case.unit.get("baseline_quality")
    is_rating = any(known(case.baselines, "is_stated_rating")) or quality == "stated"
    if not is_rating and quality != "same_spec":
        return ruled_out(code, "The baseline was measured on the same build.")
    off = RATING_OFF if is_rating else OTHER_BUILD_OFF
    fact = "The baseline is a stated rating." if is_rating else "The baseline is that of another build of the same specification."
    # a baseline that is too low makes the build read high
    side = "above" if case.deviation > 0 else "below"
    yes = f"A true baseline {span(case.enough_power(-off, off))} {side} it would explain the reading."
    explained = case.explains_power(-off, off)
    return tested(code, "recorded", fact, explained, yes, f"An error of {off:.0%} does not explain it.")


def fuel_changed(case: Case) -> Cause:
    """Another fuel under boost than for the baseline."""
    code = "fuel_changed"
    change = _fuel_step(case)
    if change is None:
        return untested(code, "The fuel is not stated for both baseline and boosted runs.")
    step, said = change
    if step == 0:
        return ruled_out(code, "Baseline and boosted runs used the same fuel.")
    low, high = (0.0, FUEL_WORTH) if step > 0 else (-FUEL_WORTH, 0.0)
    yes = f"{span(case.enough_power(low, high))} of power from it would explain the reading."
    return tested(
        code, "recorded", said, case.explains_power(low, high), yes, "Its direction or size does not explain the reading."
    )


def _fuel_step(case: Case) -> tuple[int, str] | None:
    """1 where the boosted runs had the better fuel, -1 the baseline, 0 the same; None where nothing can be compared."""
    compared = False
    for name, label, gap in (
        ("octane_ron", "RON", 1.0),
        ("octane_aki", "AKI", 1.0),
        ("octane_mon", "MON", 1.0),
        ("ethanol_pct", "% ethanol", 5.0),
    ):
        base, boosted = mean_of(case.baselines, name), mean_of(case.boosted, name)
        if base is None or boosted is None:
            continue
        compared = True
        if abs(boosted - base) >= gap:
            return (1 if boosted > base else -1), f"The fuel changed from {base:g} to {boosted:g} {label}."
    base_fuel, boosted_fuel = (sorted(set(known(rows, "fuel"))) for rows in (case.baselines, case.boosted))
    if base_fuel and boosted_fuel:
        compared = True
        if base_fuel != boosted_fuel:
            better = any(fuel in _BETTER_FUEL for fuel in boosted_fuel)
            return (1 if better else -1), f"The fuel changed from {words(base_fuel[0])} to {words(boosted_fuel[0])}."
    return (0, "") if compared else None


def other_parts(case: Case) -> Cause | None:
    """Exhaust or tune target that was stated not to be shared with the baseline; None where neither was."""
    said = [
        (fact, worth)
        for name, fact, worth in (
            ("same_exhaust", "Baseline and boosted runs did not share the exhaust.", EXHAUST_WORTH),
            ("same_tune_target", "Baseline and boosted runs did not aim at the same mixture and spark margin.", TUNE_WORTH),
        )
        if False in known(case.boosted, name) or False in known(case.baselines, name)
    ]
    if not said:
        return None
    worth = sum(one for _, one in said)
    yes = f"{span(case.enough_power(-worth, worth))} of power from it would explain the reading."
    facts = " ".join(fact for fact, _ in said)
    return tested(
        "other_exhaust_or_tune",
        "recorded",
        facts,
        case.explains_power(-worth, worth),
        yes,
        f"Up to {worth:.0%} of power does not explain it.",
    )


def peak_moved(case: Case) -> Cause:
    """A power peak at another speed: at equal torque power moves as speed does."""
    code = "peak_rpm_moved"
    base, boosted = mean_of(case.baselines, "power_rpm"), mean_of([case.top], "power_rpm")
    if base is None or boosted is None or base <= 0:
        return untested(code, "The speed of peak power is not stated for both baseline and boosted run.")
    moved = boosted - base
    if abs(moved) <= PEAK_MOVED_RPM:
        return ruled_out(code, f"Peak power moved by {moved:+.0f} rpm only.")
    share = boosted / base - 1.0
    fact = f"Peak power moved by {moved:+.0f} rpm, {share:+.0%} of power at equal torque."
    explained = case.explains_power(min(0.0, share), max(0.0, share))
    return tested(code, "recorded", fact, explained, "That would explain the reading.", "That does not explain the reading.")


def hot_charge(case: Case) -> Cause:
    """Charge hotter than a cooler leaves it: density to the power 0.5 to 1 of the temperature ratio."""
    code = "hot_charge"
    charge, air = mean_of([case.top], "charge_c"), mean_of([case.top], "air_c")
    if charge is None or air is None:
        return untested(code, "Charge or air temperature under boost is not stated.")
    ratio = (air + USUAL_RISE_K + 273.15) / (charge + 273.15)
    if ratio >= 1.0:
        return ruled_out(code, f"The charge was {charge - air:.0f} K above the air, as a good cooler leaves it.")
    fact = f"The charge was {charge - air:.0f} K above the air at the highest boost."
    yes = f"Against a rise of {USUAL_RISE_K:.0f} K that costs {1 - ratio**0.5:.0%} to {1 - ratio:.0%} of power, which would explain the reading."
    no = (
        "That would make it read low, and it reads high."
        if case.deviation > 0
        else f"That costs {1 - ratio**0.5:.0%} to {1 - ratio:.0%} of power, which does not explain it."
    )
    return tested(code, "recorded", fact, case.explains_power(ratio - 1.0, ratio**0.5 - 1.0), yes, no)


def back_pressure(case: Case) -> Cause:
    """Exhaust pressure beyond boost: the difference over mean brake pressure without boost is lost."""
    code = "back_pressure"
    exhaust = mean_of([case.top], "exhaust_back_kpa")
    boost, x = float(case.top["boost_kpa"]), float(case.top["boost_ratio"])
    if exhaust is None:
        return untested(code, "Exhaust pressure under boost is not stated.")
    if exhaust <= boost:
        return ruled_out(code, "Exhaust pressure was no higher than boost.")
    cost = [-(exhaust - boost) / bmep / x for bmep in NA_BMEP_KPA]
    fact = f"Exhaust pressure was {exhaust / boost:.1f} times the boost."
    yes = f"That costs {-cost[1]:.2f} to {-cost[0]:.2f} of rule ratio, which would explain the reading."
    no = (
        "That would make it read low, and it reads high."
        if case.deviation > 0
        else f"That costs {-cost[1]:.2f} to {-cost[0]:.2f} of rule ratio, which does not explain it."
    )
    return tested(code, "recorded", fact, case.explains(cost[0], cost[1]), yes, no)


def compressor_limit(case: Case) -> Cause:
    """Power at or beyond what the compressor's maker says it supports."""
    code, rating = "compressor_limit", case.unit.get("compressor_rating_kw")
    power = float(case.top["power"])
    if rating is None or rating <= 0:
        return untested(code, "What power the compressor supports is not stated.")
    if power < 0.95 * rating:
        return ruled_out(code, f"The compressor made {power / rating:.0%} of what it is said to support.")
    falls = case.deviation < 0 or (case.bend is not None and case.bend < 0)
    fact = f"Power reached {power / rating:.0%} of what the compressor is said to support."
    return tested(code, "recorded", fact, falls, "A compressor at its limit would make it read low.", "It does not read low.")


def yield_falls(case: Case) -> Cause | None:
    """Yield that falls with boost more than in its peers; one reason is named only where the record shows it."""
    if not case.is_bent or case.bend is None or case.bend >= 0:
        return None
    signs = _signs(case)
    fact = "Its later psi are worth less than its peers'."
    named = f"Recorded with it: {', '.join(signs)}." if signs else (
        "That is consistent with heat, back pressure, retarded spark, enrichment, fuel supply, valve control, belt slip or the "
        "compressor's limit; none of them is recorded."
    )  # fmt: skip
    basis: CauseBasis = "recorded" if signs else "not stated"
    return tested("yield_falls_with_boost", basis, fact, bool(signs), named, named)


def _signs(case: Case) -> list[str]:
    """What the record shows between its lowest and its highest boost."""
    first, last = case.boosted[0], case.boosted[-1]

    def rise(name: str) -> float:
        low, high = first.get(name), last.get(name)
        return float(high - low) if low is not None and high is not None else 0.0

    signs = []
    if rise("charge_c") >= HOTTER_K:
        signs.append(f"charge {rise('charge_c'):.0f} K hotter at the highest boost")
    if -rise("spark_deg") >= LATER_DEG:
        signs.append(f"spark {-rise('spark_deg'):.0f} degrees later")
    if -rise("lambda") >= RICHER:
        signs.append(f"mixture richer by {-rise('lambda'):.2f} lambda")
    exhaust = last.get("exhaust_back_kpa")
    if exhaust is not None and exhaust > 2.0 * last["boost_kpa"]:
        signs.append("exhaust pressure above twice the boost")
    rating = case.unit.get("compressor_rating_kw")
    if rating and last["power"] >= 0.95 * rating:
        signs.append("the compressor at what it is said to support")
    return signs


def its_class(case: Case) -> Cause | None:
    """A build that breaks the rule as builds of its class do; only asked of those that break it."""
    if case.kind != "breaks_rule":
        return None
    shift = case.peers_mean - 1.0
    fact = f"Builds of its class average {case.peers_mean:.2f} in this study."
    return tested(
        "its_class",
        "recorded",
        fact,
        case.explains(shift - 0.02, shift + 0.02),
        "It departs from the rule as they do.",
        "It departs from the rule beyond what they do.",
    )


def physics_expects(case: Case) -> Cause | None:
    """A build that breaks the rule as physics says that it may; only asked of those that break it."""
    if case.kind != "breaks_rule" or case.physics is None:
        return None
    low, high = case.physics
    fact = f"Physics expects {low:.2f} to {high:.2f} of such a build."
    no = f"Its reading ({case.own:.2f}) does not lie there."
    return tested("physics_expects_it", "recorded", fact, low <= case.own <= high, "Its reading lies there.", no)
