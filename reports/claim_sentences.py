"""A judged claim in sentences: the verdict, one sentence to print, one to avoid, what would have to be true, what it rests on.

No sentence says more than its range: the verb comes from the rung of the ladder (:mod:`models.strength`), figures are rounded by the
width of their range, and what is not known is said as such.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from models.claim_records import Claim, ClaimAnswer
from models.outside_evidence import say_outside
from models.strength import LADDER
from reports.claim_condition_words import say_condition
from reports.claim_words import (
    VERDICT_WORDS,
    as_given,
    boost,
    claimed_words,
    engine_words,
    given_kw,
    level_words,
    named_part,
    place_words,
    power,
    range_words,
    record_name,
)
from reports.labels import clean_text
from reports.numbers import UnitSystem, count_of, show_estimate, write_number
from reports.quantities_in_text import in_reader_units

INVENTED = "Invented demo data: no sentence of it may be printed as a finding."

#: So far as builds reach where a share can be told to one in a hundred.
_FINE_PERCENTILE = 99.0

_VERBS = {rung.name: rung.verb for rung in LADDER}


@dataclass(frozen=True, slots=True)
class ClaimWords:
    """The sentences of one claim in one unit system.

    Attributes
    ----------
    verdict : the verdict first, then what it rests on.
    to_print : one sentence that may be printed; to_avoid : the tempting one that says too much, with the reason.
    conditions : what would have to be true. evidence : the nearest records. caveats : what the reader has to know besides.
    """

    verdict: str
    to_print: str
    to_avoid: str
    conditions: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()


def say_claim(answer: ClaimAnswer, system: UnitSystem, *, invented: bool = False) -> ClaimWords:
    """The sentences of a judged claim.

    Parameters
    ----------
    answer : from :func:`models.claims.judge_claim`, or a row of a file that could not be read.
    system : the reader's units.
    invented : whether the records are invented demo data; that is then the first thing to know.
    """
    if answer.claim is None:
        problem = clean_text(answer.problem or "The row could not be read.", 400)
        return ClaimWords(f"Not read: {problem}", "", "")
    first = (INVENTED,) if invented else ()
    if answer.claim.kind == "rule":
        return replace(_say_rule(answer, system), caveats=first)
    return ClaimWords(
        _verdict(answer, answer.claim, system),
        _to_print(answer, answer.claim, system),
        _to_avoid(answer, answer.claim, system),
        tuple(say_condition(one, answer.claim, system) for one in answer.conditions),
        tuple(_records(answer, answer.claim, system)),
        (*first, *_caveats(answer, answer.claim, system)),
    )


# --- power and parts ----------------------------------------------------------------------------------------------------


def _expectation(answer: ClaimAnswer, claim: Claim, system: UnitSystem) -> str | None:
    """What is to be expected, with the range; None where there is none."""
    expected = as_given(answer)
    if expected is None:
        return None
    narrow = range_words(expected, 80, system, given_kw(answer))
    if narrow is None:
        return None
    if claim.kind == "part":
        return f"a change of {named_part(claim)} on {engine_words(claim, system)} is to be expected to give {narrow}"
    return f"{engine_words(claim, system)} is to be expected to make {narrow}"


def _verdict(answer: ClaimAnswer, claim: Claim, system: UnitSystem) -> str:
    head = f"{VERDICT_WORDS[answer.verdict]}: "
    if answer.verdict == "cannot judge":
        return head + _why(answer, system)
    made, expected = claimed_words(answer, system), as_given(answer)
    assert expected is not None  # only a claim with a range has another verdict
    narrow, wide = (range_words(expected, level, system, given_kw(answer)) for level in (80, 95))
    if answer.verdict == "in line":
        text = f"{made} lies inside the {level_words(80)} range of {narrow}"
    elif answer.verdict == "low":
        text = f"{made} lies below the {level_words(80)} range of {narrow}; {_reached(answer)}"
    elif answer.verdict == "high but seen":
        inside = f"{made} lies above the {level_words(80)} range of {narrow}"
        is_inside_wide = expected.high95 is not None and (given_kw(answer) or 0.0) <= expected.high95
        text = f"{inside}{f' but inside the {level_words(95)} range of {wide}' if is_inside_wide else ''}; {_reached(answer)}"
        text += ", so that only the wide range reaches so far" if answer.seen == 0 else ""
    else:
        text = f"{made} lies above the {level_words(95)} range of {wide}, and {_reached(answer)}"
    place = place_words(answer)
    return head + text + (f"; {place}." if place else ".")


def _reached(answer: ClaimAnswer) -> str:
    """How many comparable records come as far; where there is none to compare, that is said."""
    far = "as low" if answer.verdict == "low" else "as high"
    if answer.compared == 0:
        return "no record is comparable in boost and class" if _is_boost(answer) else "no record of the part is comparable"
    records = count_of(answer.compared, "comparable record")
    if answer.seen == 0:
        return f"none of {records} came out {far}" if answer.compared > 1 else f"the one comparable record did not come out {far}"
    return f"{answer.seen} of {records} came out {far}"


def _is_boost(answer: ClaimAnswer) -> bool:
    return answer.claim is not None and answer.claim.kind in ("boost", "yield")


def _why(answer: ClaimAnswer, system: UnitSystem) -> str:
    return in_reader_units(clean_text(answer.why or "the records do not reach this engine.", 400)).in_system(system.code)


def _basis(answer: ClaimAnswer) -> str:
    if answer.builds == 0:
        return "By the records"
    return f"By the records of {count_of(answer.builds, 'build' if _is_boost(answer) else 'engine')}"


def _to_print(answer: ClaimAnswer, claim: Claim, system: UnitSystem) -> str:
    expectation = _expectation(answer, claim, system)
    made = claimed_words(answer, system)
    if expectation is None or answer.verdict == "cannot judge":
        return f"The records at hand cannot tell whether {made} is what {_subject(claim, system)} does."
    told = f"{_basis(answer)}, {expectation} (range for four engines in five); {made} is claimed"
    verb = _VERBS.get(answer.strength, "cannot tell")
    if answer.verdict == "in line":
        return f"{told}, and the records cannot tell that from what such engines do."
    side = "less" if answer.verdict != "low" else "more"
    does = "gain" if claim.kind == "part" else "make"
    if verb == "cannot tell":
        return f"{told}; the records cannot tell that from what such engines {does}."
    if verb == "lean":
        return f"{told}; the records lean to such engines' {does[:-1] if does == 'make' else does}ing {side}."
    return f"{told}; the records {verb} that most such engines {does} {side}, and {_reached(answer)}."


def _subject(claim: Claim, system: UnitSystem) -> str:
    if claim.kind == "part":
        return f"a change of {named_part(claim)} on {engine_words(claim, system)}"
    return engine_words(claim, system)


def _to_avoid(answer: ClaimAnswer, claim: Claim, system: UnitSystem) -> str:
    made = claimed_words(answer, system).split(" (")[0]
    said = _TEMPTING[answer.verdict][claim.kind].format(made=made, part=named_part(claim) if claim.kind == "part" else "")
    return f"\u201c{said}.\u201d Not so: {_REASONS[answer.verdict]}."


#: Verdict and kind of claim -> what one is tempted to print.
_TEMPTING: dict[str, dict[str, str]] = {
    "in line": {"boost": "Tests prove {made}", "yield": "Count on {made}", "part": "A change of {part} is worth {made}"},
    "high but seen": {"boost": "Expect {made}", "yield": "Boost is worth {made}", "part": "A change of {part} gives {made}"},
    "beyond the evidence": {
        "boost": "The figure is false", "yield": "Boost cannot be worth {made}", "part": "A change of {part} cannot give {made}",
    },
    "low": {
        "boost": "Something is wrong with that engine", "yield": "Boost is wasted on such an engine", "part": "A change of {part} is wasted money",
    },
    "cannot judge": {
        "boost": "The records bear out {made}", "yield": "The records bear out a worth of {made}", "part": "The records bear out a gain of {made}",
    },
}  # fmt: skip
_REASONS: dict[str, str] = {
    "in line": "a range that holds a figure does not confirm it",
    "high but seen": "most engines like it come out lower, and the best results are the ones that get printed",
    "beyond the evidence": "the records hold no engine like that, which does not say that there is none",
    "low": "one low result has many causes, and the figures do not name one",
    "cannot judge": "no verdict either way rests on these records",
}


# --- what it rests on ---------------------------------------------------------------------------------------------------


def _records(answer: ClaimAnswer, claim: Claim, system: UnitSystem) -> list[str]:
    made = []
    for one in answer.evidence:
        at = f" at {boost(one.boost_kpa, system)}" if one.boost_kpa > 0.0 else ""
        differs = in_reader_units(clean_text(one.differs, 300)).in_system(system.code)
        would = power(one.would_be / claim.given_to_corrected, system)
        then = f"this engine would gain {would}" if claim.kind == "part" else f"this engine would make {would}"
        made.append(
            f"{record_name(one.publisher, one.build)}: {power(one.before_kw, system)} to {power(one.after_kw, system)}{at} "
            f"({clean_text(one.likeness, 60)}; {differs}); going the same way {then}."
        )
    return made


def _caveats(answer: ClaimAnswer, claim: Claim, system: UnitSystem) -> list[str]:
    found = [
        in_reader_units(f"Outside the evidence: {clean_text(say_outside(item), 300)}").in_system(system.code)
        for item in answer.outside
    ]
    if answer.widened > 1.0 and len(answer.outside) != 1:
        found.append(
            f"Ranges are {write_number(answer.widened, 2)} times as wide for it, by a stated rule and not by measurement."
        )
    if answer.compared == 0 and answer.verdict != "cannot judge":
        found.append("No record is comparable, so that only the fitted range speaks.")
    most = answer.highest_percentile
    if answer.percentile is not None and most is not None and most < _FINE_PERCENTILE:
        found.append(f"So few builds cannot place a claim beyond {int(most)} of 100.")
    if not claim.has_boost and claim.engine is not None:
        found.append(f"The claim states no boost; it was judged at {boost(claim.engine.boost_kpa, system)}.")
    if claim.given_to_corrected != 1.0:
        found.append("Powers were given as read in that air and are shown so; they were judged as corrected to standard air.")
    return found


# --- rules of thumb -----------------------------------------------------------------------------------------------------


def _say_rule(answer: ClaimAnswer, system: UnitSystem) -> ClaimWords:
    statement = in_reader_units(clean_text(answer.statement, 400)).in_system(system.code).rstrip(".")
    if answer.verdict == "cannot judge":
        known = "" if answer.figure is None or answer.figure.low is None else f" ({_measured(answer, system)})"
        return ClaimWords(
            f"{VERDICT_WORDS['cannot judge']}: the records do not settle it yet{known}. What would tell: {_why(answer, system)}",
            f"\u201c{statement}\u201d: the records at hand cannot tell whether that holds{known}.",
            "\u201cThe rule is a myth.\u201d Not so: it has not been tested well enough.",
        )
    judged = clean_text(answer.rule_verdict, 60)
    measured = _measured(answer, system)
    rests = count_of(answer.builds, "build")
    avoid = {
        "in line": ("Proven for every engine", "an average over builds is no promise for one"),
        "low": ("The rule is safe to use as it is", "it promises less than the records give, and the range says by how much"),
    }.get(answer.verdict, ("The rule is nonsense", "it is off by what the range says and no more"))
    return ClaimWords(
        f"{VERDICT_WORDS[answer.verdict]}: {measured}; {statement[:1].lower()}{statement[1:]} {judged}.",
        f"\u201c{statement}\u201d: by {rests}, {measured}; within {clean_text(answer.tolerance, 200)} it {judged}.",
        f"\u201c{avoid[0]}.\u201d Not so: {avoid[1]}.",
    )


def _measured(answer: ClaimAnswer, system: UnitSystem) -> str:
    """What the records give for a rule, with its interval."""
    assert answer.figure is not None
    shown = show_estimate(answer.figure, system, reference=answer.claimed)
    return f"the records give {shown.full}, {level_words(round(100 * answer.figure.level))} interval"
