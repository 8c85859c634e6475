"""Figures and names of a claim as short texts, which its sentences are put together from."""

from __future__ import annotations

from models.claim_records import Claim, ClaimAnswer
from models.estimate import Estimate
from models.estimate_answers import Ranges
from reports.labels import COOLING, INDUCTION, clean_text
from reports.numbers import MOST_DECIMALS, THIN, UnitSystem, decimals_by_uncertainty, show_estimate, show_reported, write_number
from reports.part_words import part_words

#: Verdicts in words that stand at the head of a line.
VERDICT_WORDS: dict[str, str] = {
    "in line": "In line",
    "high but seen": "High, but seen",
    "beyond the evidence": "Beyond the evidence",
    "low": "Low",
    "cannot judge": "Cannot be judged",
}


def power(value_kw: float, system: UnitSystem) -> str:
    """A power in the reader's unit."""
    return show_reported(value_kw, "power", system)


def boost(value_kpa: float, system: UnitSystem) -> str:
    """A boost in the reader's unit."""
    return show_reported(value_kpa, "boost", system)


def range_words(of: Ranges, level: int, system: UnitSystem, claimed: float | None = None) -> str | None:
    """``532 to 607 hp``, rounded by its width, and finer where an end would else read like ``claimed``; None where an end is missing."""
    low, high = (of.low80, of.high80) if level == 80 else (of.low95, of.high95)
    if low is None or high is None:
        return None
    return show_estimate(Estimate(of.value, low, high, level / 100.0, of.unit, 0, 0), system, reference=claimed).range


def level_words(level: int) -> str:
    """``80 %`` with a thin space."""
    return f"{level}{THIN}%"


def engine_words(claim: Claim, system: UnitSystem) -> str:
    """The engine of a claim: its output without boost, what is stated of it, and its boost where that plays a part."""
    engine = claim.engine
    if engine is None:
        return ""
    codes = [
        INDUCTION[engine.induction].lower() if engine.induction in INDUCTION else "",
        COOLING.get(engine.charge_cooling or "", ""),
        clean_text(engine.fuel or "", 60).replace("_", " "),
    ]
    said = ", ".join(code for code in codes if code)
    kind = f"an engine of {power(engine.na_power_kw / claim.given_to_corrected, system)} without boost"
    kind += f" ({said})" if said else ""
    if claim.kind in ("boost", "yield") or claim.at_boost:
        kind += f" at {boost(engine.boost_kpa, system)}"
    return kind


def claimed_words(answer: ClaimAnswer, system: UnitSystem) -> str:
    """What is claimed, as a figure; finer than usual where rounding would put it on the other side of an end of its range."""
    claim = answer.claim
    assert claim is not None  # a row that could not be read has no figure
    kw = claim.gain_kw if claim.kind == "part" else claim.made_kw
    made = _beside_its_range((kw or 0.0) / claim.given_to_corrected, answer, system)
    if claim.kind == "yield" and claim.yield_kw_per_kpa is not None:
        return f"{show_reported(claim.yield_kw_per_kpa, 'yield', system)} (which comes to {made})"
    return made


def _beside_its_range(kw: float, answer: ClaimAnswer, system: UnitSystem) -> str:
    scale, of = system.scales["power"], as_given(answer)
    claimed, digits = kw * scale.factor, scale.digits
    ends: list[tuple[float, int]] = []
    for low, high in () if of is None else ((of.low80, of.high80), (of.low95, of.high95)):
        if low is not None and high is not None:
            pair = (low * scale.factor, high * scale.factor)
            decimals = decimals_by_uncertainty(None, *pair, claimed)
            ends += [(end, decimals) for end in pair]

    def misleads(end: float, decimals: int) -> bool:
        return claimed != end and (round(claimed, digits) - round(end, decimals)) * (claimed - end) <= 0.0

    while digits < MOST_DECIMALS and any(misleads(*end) for end in ends):
        digits += 1
    return f"{write_number(claimed, digits)}{THIN}{scale.unit}"


def named_part(claim: Claim) -> str:
    """The changed parts in words, with their article-free name: ``camshaft``, ``camshaft + valve springs``."""
    return part_words(" + ".join(sorted(claim.parts))).lower()


def as_given(answer: ClaimAnswer) -> Ranges | None:
    """The expected figure with its ranges on the basis that the powers of the claim were given in."""
    of, claim = answer.expected, answer.claim
    if of is None or claim is None or claim.given_to_corrected == 1.0:
        return of
    factor = claim.given_to_corrected
    ends = (of.value, of.low80, of.high80, of.low95, of.high95)
    value, *others = (None if end is None else end / factor for end in ends)
    assert value is not None
    return Ranges(value, others[0], others[1], others[2], others[3], of.unit)


def given_kw(answer: ClaimAnswer) -> float | None:
    """What is claimed, on the basis that the powers of the claim were given in."""
    if answer.claimed is None or answer.claim is None:
        return None
    return answer.claimed / answer.claim.given_to_corrected


def place_words(answer: ClaimAnswer) -> str | None:
    """Where the claim stands among such engines, never finer than so many builds can tell; None where that is not known."""
    share = answer.percentile
    if share is None:
        return None
    most = answer.highest_percentile if answer.highest_percentile is not None else 100.0
    top = min(99.0, float(int(most)))
    if share >= top:
        return f"more than {top:.0f} of 100 such engines come out below it"
    if share <= 100.0 - top:
        return f"fewer than {100.0 - top:.0f} of 100 such engines come out below it"
    return f"about {write_number(share, 0)} of 100 such engines come out below it"


def record_name(publisher: str, build: str) -> str:
    """A record by its publisher and build, cleaned."""
    return f"{clean_text(publisher, 60)}, {clean_text(build, 60)}"
