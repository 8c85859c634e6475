"""Records of claims: what was said of an engine, a part or a rule, and how it sits against the records. Nothing here computes.

Powers in kW, boosts in gauge kPa, yields in kW per kPa where the engine ran; gains of parts in per cent of the power before.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from models.estimate import Estimate
from models.estimate_answers import OutsideItem, Ranges
from models.estimate_records import EngineRequest

Verdict = Literal["in line", "high but seen", "beyond the evidence", "low", "cannot judge"]
Kind = Literal["boost", "yield", "part", "rule"]

#: The whole set, in the order in which a table of claims counts them.
VERDICTS: tuple[Verdict, ...] = ("in line", "high but seen", "beyond the evidence", "low", "cannot judge")


@dataclass(frozen=True, slots=True)
class Claim:
    """What somebody says.

    Attributes
    ----------
    kind : ``boost``: an engine made so much at a boost; ``yield``: each unit of boost gives so much; ``part``: a part gave so much;
        ``rule``: a rule of thumb.
    engine : the engine; ``boost_kpa`` is the claim's, or for a yield without boost the one at which it is judged. None for a rule.
    made_kw : power claimed under boost; for a yield what it comes to at the boost of ``engine``.
    yield_kw_per_kpa : yield claimed.
    parts, gain_kw : changed parts (codes) and their gain. at_boost : whether the gain was made under the boost of ``engine``.
    rule : id of a rule of the study.
    given_to_corrected : corrected over given power; 1 where powers are given as corrected.
    has_boost : whether the claim states its boost.
    name : what the claim is called. line : where it stands in its file.
    """

    kind: Kind
    engine: EngineRequest | None = None
    made_kw: float | None = None
    yield_kw_per_kpa: float | None = None
    parts: tuple[str, ...] = ()
    gain_kw: float | None = None
    at_boost: bool = False
    rule: str | None = None
    given_to_corrected: float = 1.0
    has_boost: bool = True
    name: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that would bring the claim in line.

    Attributes
    ----------
    code : ``na_output``, ``boost``, ``wheel_against_crank``, ``powers_in_two_units``, ``boost_is_absolute``, ``air``,
        ``catalogue_figure``, or the name of a code field (``charge_cooling`` ...).
    low, value, high : range that it asks for, in ``unit``; None where there is none.
    unit : canonical unit, or "".
    words : the code that it asks for, or "".
    verdict : what the claim would be then; None for what is implied.
    """

    code: str
    low: float | None = None
    value: float | None = None
    high: float | None = None
    unit: str = ""
    words: str = ""
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class NearRecord:
    """A record that is like the claim.

    Attributes
    ----------
    source, publisher, build : where it stands.
    likeness : how like the claim's engine it is, in words. differs : in what.
    before_kw, after_kw : power without and with boost, or before and after a part.
    boost_kpa : its boost; 0 for a part without boost.
    would_be : what the claim's engine would make if it went as this record did: kW under boost; for a part the gain in kW.
    reaches_claim : whether that is as much as is claimed.
    """

    source: str
    publisher: str
    build: str
    likeness: str
    differs: str
    before_kw: float
    after_kw: float
    boost_kpa: float
    would_be: float
    reaches_claim: bool


@dataclass(frozen=True, slots=True)
class ClaimAnswer:
    """How a claim sits against rule, physics and evidence.

    Attributes
    ----------
    claim : what was said; None where the row could not be read, and then ``problem`` says why in one sentence.
    name, line, given : as in the file; ``given`` the cells as text.
    verdict : of the fixed set.
    percentile : share of engines like it, in per cent, that come out below the claim; None where it cannot be told.
    highest_percentile : the most that so many builds can tell (``100 (1 - 1 / 2 (B + 1))`` for ranges taken from builds), or None.
    expected : what to expect of such an engine, in the claim's terms: kW made, for a part kW gained.
    claimed : the figure that ``expected`` is for.
    figure : what the study found, for a rule; None else.
    rule_kw : what NA power / 14.7 per psi leads to. physics_low_kw, physics_high_kw : what heat and friction leave open.
    rule_ratio : gain ratio claimed over boost ratio (1: exactly the rule).
    conditions : what would have to be true. evidence : nearest records. seen : how many records of ``compared`` reach the claim.
    outside : ways in which the engine lies outside the evidence; ``widened`` the factor on the ranges for them.
    strength : rung of the ladder on which the records speak against the claim.
    why : why there is no judgement, or None. builds, runs : what it rests on.
    """

    claim: Claim | None
    name: str = ""
    line: int | None = None
    given: dict[str, str] = field(default_factory=dict)
    verdict: Verdict = "cannot judge"
    percentile: float | None = None
    highest_percentile: float | None = None
    expected: Ranges | None = None
    claimed: float | None = None
    figure: Estimate | None = None
    statement: str = ""
    rule_verdict: str = ""
    tolerance: str = ""
    rule_kw: float | None = None
    physics_low_kw: float | None = None
    physics_high_kw: float | None = None
    rule_ratio: float | None = None
    conditions: tuple[Condition, ...] = ()
    evidence: tuple[NearRecord, ...] = ()
    seen: int = 0
    compared: int = 0
    outside: tuple[OutsideItem, ...] = ()
    widened: float = 1.0
    strength: str = "no figure"
    why: str | None = None
    problem: str | None = None
    builds: int = 0
    runs: int = 0
