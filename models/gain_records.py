"""Records of what changed parts are worth: each pair, each kind of part, and how gains grow under boost.

Nothing here computes. Gains in per cent are shares of the power before the change; power is in kW, boost in gauge kPa, specific
output in kW per litre. ``growth`` is the exponent lambda: under boost a part's gain as a share is ``g M^(lambda - 1)`` with M
the boosted over the unboosted power, so that 1 multiplies the unboosted gain in kW by the full power ratio and 0 leaves it as
it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import TypeAdapter

from models.curve_records import GainCurve, LeftOut
from models.estimate import Estimate
from models.plain_records import to_plain

Verdict = Literal["gain", "nothing measurable", "loss", "cannot judge"]
RepeatBasis = Literal["stated", "study", "assumed"]
Condition = Literal["without boost", "under boost"]


@dataclass(frozen=True, slots=True)
class PairDoubt:
    """What is doubtful about a pair.

    Attributes
    ----------
    code : stable name.
    sentence : what was found, what it means and what would help.
    bars : whether the pair stays out of the figures of its kind of part.
    """

    code: str
    sentence: str
    bars: bool


@dataclass(frozen=True, slots=True)
class PairGain:
    """One before/after pair: is its gain real?

    Attributes
    ----------
    change_key, before_run_key, after_run_key : keys of the store.
    source, publisher, build, engine : ``build`` is the engine before the change; ``engine`` the name under which its tests count
        as those of one engine.
    parts, kind : the changed parts, and their kind as one text; a combination is a kind of its own ("camshaft + valve_springs").
    before_kw, after_kw : powers that are compared, on ``basis``; None where no common basis can be had.
    basis : ``as reported`` (one correction for both), ``observed`` (one session, each freed of its own) or ``sae_j1349``.
    is_boosted : whether both runs were boosted.
    boost_before_kpa, boost_after_kpa : as read.
    power_ratio : M, boosted over unboosted power at the boost before the change; 1 without boost, None where not known.
    power_ratio_measured : whether M comes from this engine's own runs, not from the mean curve of the study.
    held, retuned_each, same_session : as recorded; a session that is not named is taken as not the same.
    gain_kw, gain_pct : the gain as it was measured, with its interval.
    gain_at_held_boost_pct : the same with the after run brought to the boost before the change; equal to ``gain_pct`` where
        boost was equal or there was none, None where it cannot be told.
    smallest_pct : smallest gain that this test could have told from nothing (its interval would end at 0).
    sure_pct : gain that this test would tell from nothing in eight tries of ten.
    pull_rel_sd : repeatability of one figure of the pair, as a share; ``repeat_basis`` says where it comes from.
    verdict : what the interval says.
    doubts : what is doubtful, those that bar it first.
    feeds : figures that this pair is part of (``kind``, ``growth``).
    kw_per_litre, head_state, intake_kind, intake_duration_deg, duration_at_mm, compressor_rating_kw : the engine before.
    sentence : the finding in words.
    """

    change_key: str
    before_run_key: str
    after_run_key: str
    source: str
    publisher: str
    build: str
    engine: str
    parts: tuple[str, ...]
    kind: str
    before_kw: float | None
    after_kw: float | None
    basis: str
    is_boosted: bool
    boost_before_kpa: float
    boost_after_kpa: float
    power_ratio: float | None
    power_ratio_measured: bool
    held: str
    retuned_each: bool | None
    same_session: bool
    gain_kw: Estimate
    gain_pct: Estimate
    gain_at_held_boost_pct: Estimate | None
    smallest_pct: float | None
    sure_pct: float | None
    pull_rel_sd: float
    repeat_basis: RepeatBasis
    verdict: Verdict
    doubts: tuple[PairDoubt, ...]
    feeds: tuple[str, ...]
    kw_per_litre: float | None
    head_state: str | None
    intake_kind: str | None
    intake_duration_deg: float | None
    duration_at_mm: float | None
    compressor_rating_kw: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Moderator:
    """How the gain of a kind of part depends on what the engine was before.

    Attributes
    ----------
    name : column that tells engines apart (``kw_per_litre``, ``head_state``, ``intake_kind``, ``intake_duration_deg``,
        ``compressor_headroom``).
    level, against : the two sides; for a number, the step that the difference is for ("twice as much", "10 deg more").
    difference_pct : gain of the one less that of the other, in per cent of the power before.
    level_engines, against_engines : engines on each side; for a number both are all engines that state it.
    sentence : the finding in words.
    """

    name: str
    level: str
    against: str
    difference_pct: Estimate
    level_engines: int
    against_engines: int
    sentence: str


@dataclass(frozen=True, slots=True)
class PartGains:
    """What one kind of part, or one combination, is worth.

    Attributes
    ----------
    part : kind, "camshaft" or "camshaft + valve_springs"; ``parts`` the same as codes.
    condition : pairs that the figures rest on; under boost only where no unboosted pair feeds them.
    gain_pct : mean over engines of a typical publisher, as a share of the power before.
    new_engine_pct : range of the true gain of an engine not yet tested.
    between_engines_pct : standard deviation of true gains between engines, publishers included; None where not known.
    growth_under_boost : lambda of this kind alone, where it has enough pairs.
    not_measurable : share of engines on which it gave nothing measurable (a loss counts as none); unit "1".
    pairs, engines, publishers : what ``gain_pct`` rests on.
    boosted_pairs : pairs under boost that feed the growth.
    lowest_kw_per_litre, highest_kw_per_litre, median_kw_per_litre : engines before the change; None where not stated.
    gain_at_median_pct, slope_pct : of the line in log specific output: gain at the median, and change of the gain when specific
        output doubles; None where it cannot be told.
    moderators : how the gain depends on the engine before.
    sentence : the finding in words.
    """

    part: str
    parts: tuple[str, ...]
    condition: Condition
    gain_pct: Estimate
    new_engine_pct: Estimate
    between_engines_pct: float | None
    growth_under_boost: Estimate
    not_measurable: Estimate
    pairs: int
    engines: int
    publishers: int
    boosted_pairs: int
    lowest_kw_per_litre: float | None
    highest_kw_per_litre: float | None
    median_kw_per_litre: float | None
    gain_at_median_pct: float | None
    slope_pct: float | None
    moderators: tuple[Moderator, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class BothWays:
    """One engine whose part was changed both without boost and at equal boost: what the growth looks like in the raw.

    ``predicted_kw`` is the unboosted gain times the power ratio: what full multiplication would give.
    """

    publisher: str
    engine: str
    kind: str
    boost_kpa: float
    power_ratio: float
    gain_kw: float
    boosted_gain_kw: float
    predicted_kw: float


@dataclass(frozen=True, slots=True)
class GrowthUnderBoost:
    """Whether gains grow with the power ratio.

    Attributes
    ----------
    growth : lambda over all kinds of part; 1 is full multiplication, 0 the same kW as without boost.
    moderation : growth of gains, as a share of them, when specific output doubles; over all kinds of part.
    between_engines_share : spread of a kind's gain between engines, as a share of that gain.
    pairs, boosted_pairs, adjusted_pairs, engines_both_ways : what it rests on; adjusted: brought to equal boost.
    left_out : boosted pairs that could not feed it, each with its sentence.
    named : pairs that feed it although their tune changed or their boost followed a fixed drive, each with its sentence.
    more_pairs : boosted pairs still needed until ``growth`` is known to within ``asked_within``; 0 where it is, None unknown.
    more_engines_both_ways : the same as engines tested both without boost and under it.
    asked_within : half-width of the interval that would settle it.
    both_ways : engines tested both ways.
    sentence : the finding in words.
    """

    growth: Estimate
    moderation: Estimate
    between_engines_share: float | None
    pairs: int
    boosted_pairs: int
    adjusted_pairs: int
    engines_both_ways: int
    left_out: tuple[LeftOut, ...]
    named: tuple[LeftOut, ...]
    more_pairs: int | None
    more_engines_both_ways: int | None
    asked_within: float
    both_ways: tuple[BothWays, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How far one run repeats another of the same engine in the same session, by kind of dyno.

    ``rel_sd`` is one standard deviation of one figure as a share (unit "1"); ``freedom`` the degrees of freedom behind the
    study's own estimate, 0 where it is assumed.
    """

    dyno_kind: str
    rel_sd: Estimate
    basis: RepeatBasis
    freedom: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Span:
    """A range of speeds [rpm]."""

    low_rpm: float
    high_rpm: float


@dataclass(frozen=True, slots=True)
class CurveGain:
    """A pair compared over the whole curve.

    Attributes
    ----------
    curve : gain at each speed with its band.
    band : speeds of the average: the top third of what both curves cover, where engines are driven for power, or as asked.
    average_kw, average_pct : mean gain over the band, with the interval of whole pulls.
    area_kw_rpm : gain summed over all speeds that both curves cover.
    gains_at, loses_at : speeds at which the band at each speed lies wholly above, or wholly below, zero.
    sentence : the finding in words.
    """

    curve: GainCurve
    band: Span
    average_kw: Estimate
    average_pct: Estimate
    area_kw_rpm: float
    gains_at: tuple[Span, ...]
    loses_at: tuple[Span, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class GainsResults:
    """All answers on parts, from one store.

    ``pairs`` holds every change of the store, judged or answered with what is wrong with it. ``parts`` run from the largest
    gain to the smallest. ``curves_left_out`` names pairs with curves that could not be compared.
    """

    fingerprint: str
    version: str
    made_on: str
    invented: bool
    level: float
    pairs: tuple[PairGain, ...]
    parts: tuple[PartGains, ...]
    growth: GrowthUnderBoost
    repeatability: tuple[Repeatability, ...]
    curves: tuple[CurveGain, ...]
    curves_left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]


def gains_to_json(results: GainsResults) -> dict[str, Any]:
    """The record as plain dictionaries and lists."""
    return to_plain(results)


def gains_from_json(row: dict[str, Any]) -> GainsResults:
    """Inverse of :func:`gains_to_json`.

    Raises
    ------
    pydantic.ValidationError : the dictionary is not that of a record of this version.
    """
    return TypeAdapter(GainsResults).validate_python(row)
