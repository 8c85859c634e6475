"""What would have to be true for a claim to be in line, a sentence each."""

from __future__ import annotations

from collections.abc import Callable

from models.claim_records import Claim, Condition
from models.estimate_answers import Ranges
from reports.claim_words import boost, range_words
from reports.labels import clean_text
from reports.numbers import UnitSystem, write_number


def say_condition(one: Condition, claim: Claim, system: UnitSystem) -> str:
    """One thing that would bring a claim in line.

    Parameters
    ----------
    one : what would have to be true; figures on the corrected basis.
    claim : for the basis that its powers were given on.
    system : the reader's units.
    """
    write = _CONDITIONS.get(one.code)
    if write is not None:
        return write(one, claim, system)
    name, words = one.code.replace("_", " "), clean_text(one.words, 60).replace("_", " ")
    return f"The {name} was {words}: with that the claim would be in line."


def _output(one: Condition, claim: Claim, system: UnitSystem) -> str:
    factor = claim.given_to_corrected
    if one.low is None or one.high is None:
        return "The engine makes another power without boost than is claimed of it; no range can be given for it."
    ends = Ranges((one.value or 0.0) / factor, one.low / factor, one.high / factor, None, None, "kW")
    return f"The engine makes {range_words(ends, 80, system)} without boost, and not what is claimed of it."


def _boost(one: Condition, claim: Claim, system: UnitSystem) -> str:
    stated = "" if claim.engine is None else f", not {boost(claim.engine.boost_kpa, system)}"
    return (
        f"The boost was {boost(one.value or 0.0, system)}{stated}: there such an engine is expected to make what is claimed. "
        "That is arithmetic, not a boost to set."
    )


def _wheel(one: Condition, claim: Claim, system: UnitSystem) -> str:
    low, high = ("output without boost", "boosted power") if one.words == "na" else ("boosted power", "output without boost")
    return f"The {low} was read at the wheels and the {high} at the crank (taken as {write_number(one.value or 0.0, 2)} to 1)."


def _two_units(one: Condition, claim: Claim, system: UnitSystem) -> str:
    which, other = ("output without boost", "boosted power") if one.words == "na" else ("boosted power", "output without boost")
    return f"The {which} is in kW and the {other} in hp."


def _air(one: Condition, claim: Claim, system: UnitSystem) -> str:
    which = "output without boost" if one.words == "na" else "boosted power"
    return f"The {which} is as read, and the other figure is corrected to standard air."


def _absolute(one: Condition, claim: Claim, system: UnitSystem) -> str:
    return f"The boost stated is absolute pressure, which is {boost(one.value or 0.0, system)} of boost."


def _catalogue(one: Condition, claim: Claim, system: UnitSystem) -> str:
    return "The output without boost is a maker's rating and no measurement of this engine."


_CONDITIONS: dict[str, Callable[[Condition, Claim, UnitSystem], str]] = {
    "na_output": _output, "boost": _boost, "wheel_against_crank": _wheel, "powers_in_two_units": _two_units, "air": _air,
    "boost_is_absolute": _absolute, "catalogue_figure": _catalogue,
}  # fmt: skip
