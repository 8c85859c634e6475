"""The verdict on a claimed gain of a part: where it stands among engines of which the same part was changed.

The distribution is that of a measured gain of an engine not yet tested: Student's t about the mean of the kind, with the spread between
engines and the error of the mean (degrees of freedom: engines less two, as for the range itself) and the error of a before/after pair::

    e       = g M^l                              gain as a share of the NA output; M = 1 without boost
    sd^2    = (M^l sd_g)^2 + (e ln M sd_l)^2 + (e l sd_lnM)^2 + 2 (M (1 + g) sd_pull)^2

``l`` is how gains grow under boost (1: with the full power ratio), ``M`` the power ratio to be expected of the engine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median

from models.choose import growth_of
from models.claim_power import NEAR_BOOST
from models.claim_records import Claim, NearRecord, Verdict
from models.engine_columns import curve_of, log_power_sd, power_ratio
from models.estimate_answers import Ranges
from models.estimate_records import PredictionModel
from models.gain_records import GainsResults, PairGain, PartGains
from models.laws import t

#: Repeatability of one figure where no pair of the kind states one.
_PULL_REL_SD = 0.01

MOST_RECORDS = 10


@dataclass(frozen=True, slots=True)
class GainJudgement:
    """Verdict on a gain: ``expected`` in kW gained, share of engines ``below``, near ``records``, ``seen`` of ``compared`` reach it."""

    verdict: Verdict
    why: str | None
    below: float | None
    expected: Ranges | None
    kind: str
    found: PartGains | None
    records: tuple[NearRecord, ...] = ()
    seen: int = 0
    compared: int = 0


def judge_gain(gains: GainsResults, model: PredictionModel | None, claim: Claim) -> GainJudgement:
    """How a part's gain sits among engines of which the same part was changed.

    Parameters
    ----------
    gains : answers on parts of the study.
    model : of the estimate, for the power ratio under boost; None where there is none.
    claim : with parts, gain and engine.
    """
    kind = " + ".join(sorted(claim.parts))
    found = next((one for one in gains.parts if one.part == kind), None)
    if found is None or claim.engine is None or claim.gain_kw is None:
        known = "; ".join(one.part.replace("_", " ") for one in gains.parts) or "none"
        return _none(kind, None, f"The study holds no change of {kind.replace('_', ' ')} alone; it holds: {known}.")
    if claim.at_boost and model is None:
        return _none(kind, found, "Gains under boost need the estimate of the power ratio, which this study does not give.")
    pairs = [one for one in gains.pairs if one.kind == kind and "kind" in one.feeds and one.gain_pct.value is not None]
    multiple, sd_multiple = _power_multiple(model, claim)
    growth = growth_of(gains)
    records = _records(pairs, claim, multiple, growth.value)
    compared = [_share_under(one, multiple, growth.value, claim.at_boost) for one in pairs]
    share = claim.gain_kw / claim.engine.na_power_kw
    new = found.new_engine_pct
    if new.value is None or new.low is None or new.high is None:
        return _none(kind, found, new.why or "No range can be given.", records, compared)
    freedom = max(new.builds - 2, 1)
    g = new.value / 100.0
    sd_g = (new.high - new.low) / 200.0 / float(t.ppf(0.5 + new.level / 2.0, freedom))
    grown = g * multiple**growth.value
    pull = median([one.pull_rel_sd for one in pairs]) if pairs else _PULL_REL_SD
    sd = math.sqrt(
        (multiple**growth.value * sd_g) ** 2
        + (grown * math.log(multiple) * growth.sd) ** 2
        + (grown * growth.value * sd_multiple) ** 2
        + 2.0 * (multiple * (1.0 + g) * pull) ** 2
    )
    na = claim.engine.na_power_kw
    ends = [na * (grown + side * float(t.ppf(0.5 + level / 2.0, freedom)) * sd) for level in (0.80, 0.95) for side in (-1, 1)]
    expected = Ranges(na * grown, ends[0], ends[1], ends[2], ends[3], "kW")
    is_high = share >= grown
    seen = sum(one >= share if is_high else one <= share for one in compared)
    verdict = _verdict(claim.gain_kw, expected, seen)
    return GainJudgement(
        verdict, None, float(t.cdf((share - grown) / sd, freedom)), expected, kind, found, records, seen, len(pairs)
    )


def _none(
    kind: str, found: PartGains | None, why: str, records: tuple[NearRecord, ...] = (), compared: list[float] | None = None
) -> GainJudgement:
    return GainJudgement("cannot judge", why, None, None, kind, found, records, 0, len(compared or []))


def _verdict(gain_kw: float, expected: Ranges, seen: int) -> Verdict:
    if expected.low80 is None or expected.high80 is None or expected.high95 is None:
        return "cannot judge"
    if expected.low80 <= gain_kw <= expected.high80:
        return "in line"
    if gain_kw < expected.low80:
        return "low"
    return "high but seen" if gain_kw <= expected.high95 or seen else "beyond the evidence"


def _power_multiple(model: PredictionModel | None, claim: Claim) -> tuple[float, float]:
    """Power ratio to be expected at the claim's boost, and the standard deviation of its logarithm; 1 and 0 without boost."""
    if model is None or claim.engine is None or not claim.at_boost:
        return 1.0, 0.0
    curve = curve_of(model, claim.engine)
    x = claim.engine.boost_kpa / claim.engine.ambient_kpa
    return max(power_ratio(model, curve.slope, curve.curvature, x), 1.0), log_power_sd(model, claim.engine, curve, x)


def _share_under(pair: PairGain, multiple: float, growth: float, at_boost: bool) -> float:
    """Gain of a pair as a share of the NA output, brought to the claim's condition."""
    found = pair.gain_at_held_boost_pct or pair.gain_pct
    share = (found.value or 0.0) / 100.0
    if pair.is_boosted:
        # its own power ratio takes the gain back to the engine without boost
        share *= max(pair.power_ratio or 1.0, 1.0) ** (1.0 - growth)
    return share * multiple**growth if at_boost else share


def _records(pairs: list[PairGain], claim: Claim, multiple: float, growth: float) -> tuple[NearRecord, ...]:
    """The pairs nearest in output before the change."""
    engine, gain = claim.engine, claim.gain_kw
    if engine is None or gain is None:
        return ()

    def apart(pair: PairGain) -> tuple[float, str]:
        unboosted = (pair.before_kw or engine.na_power_kw) / max(pair.power_ratio or 1.0, 1.0)
        return abs(math.log(unboosted / engine.na_power_kw)), pair.change_key

    made = []
    for pair in sorted((one for one in pairs if one.before_kw and one.after_kw), key=apart)[:MOST_RECORDS]:
        would = engine.na_power_kw * _share_under(pair, multiple, growth, claim.at_boost)
        near = apart(pair)[0]
        likeness = "output like it" if near <= math.log(NEAR_BOOST) else "other output"
        boost = "under boost" if pair.is_boosted else "without boost"
        made.append(
            NearRecord(
                pair.source, pair.publisher, pair.build, likeness, boost, pair.before_kw or 0.0, pair.after_kw or 0.0,
                pair.boost_before_kpa, would, would >= gain,
            )
        )  # fmt: skip
    return tuple(made)
