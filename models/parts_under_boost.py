"""Do gains grow with the power ratio under boost? The exponent lambda, over all kinds of part and for each alone.

Only pairs at equal boost speak of it: held, or brought to equal boost by the mean curve of the study.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, exp, log

import numpy as np
import polars as pl

from models.curve_records import LeftOut
from models.estimate import Estimate
from models.gain_records import BothWays, GrowthUnderBoost, PairGain
from models.growth_fit import GrowthData, GrowthFit, fit_growth
from models.laws import norm, t

#: Fewest pairs on each side, boosted and not, of kinds that have both.
LEAST_PAIRS = 4
#: Half-width of the interval at which full multiplication (1) and a growth of 0.7 are told apart.
SETTLED_WITHIN = 0.15
#: Doubts of a pair that is used all the same, and is named.
_NAMED = ("retuned", "not_retuned", "setting_held", "boost_moved")


def answer_growth(
    fed: pl.DataFrame, pairs: Sequence[PairGain], level: float
) -> tuple[GrowthUnderBoost, dict[str, Estimate]]:  # fmt: skip
    """Growth over all kinds, and of each kind.

    Parameters
    ----------
    fed : as for :func:`models.part_gains.answer_part_gains`, with ``ratio`` (the power ratio M), ``is_adjusted`` and ``boost_kpa``.
    pairs : all pairs of the store, for those that could not be used.
    level : coverage of the intervals.
    """
    used = fed.filter(pl.col("in_growth")).sort("kind", "change_key")
    boosted = used.filter(pl.col("is_boosted"))
    why, fit = _why_not(used), None
    if why is None:
        fit = fit_growth(_data(used), moderation=None if _has_outputs(used) else 0.0)
        why = None if fit.converged and fit.growth_se else "The pairs at hand leave the growth open."
    growth = _growth(fit, used, why, level)
    by_kind = {kind: _of_kind(used, fed, kind, fit, level) for kind in fed["kind"].unique().sort().to_list()}
    both = _both_ways(used)
    more, more_both = _still_needed(growth, fit, boosted, both)
    keys = set(boosted["change_key"].to_list())
    record = GrowthUnderBoost(
        growth=growth,
        moderation=_moderation(fit, used, why, level),
        between_engines_share=fit.spread_share if fit is not None and why is None else None,
        pairs=used.height,
        boosted_pairs=boosted.height,
        adjusted_pairs=int(boosted["is_adjusted"].sum()),
        engines_both_ways=len(both),
        left_out=tuple(LeftOut(p.change_key, _why_out(p)) for p in pairs if _is_under_boost(p) and p.change_key not in keys),
        named=tuple(LeftOut(p.change_key, told) for p in pairs if p.change_key in keys and (told := _named(p))),
        more_pairs=more,
        more_engines_both_ways=more_both,
        asked_within=SETTLED_WITHIN,
        both_ways=both,
        sentence="",
    )
    return _with_sentence(record), by_kind


def _data(used: pl.DataFrame) -> GrowthData:
    output = used["kw_per_litre"].to_numpy().astype(np.float64)
    known = np.isfinite(output) & (output > 0)
    relative = np.zeros(output.size)
    if known.any():
        relative[known] = np.log(output[known] / np.median(output[known]))
    engine = used.select(pl.struct("publisher", "engine", "kind").rank("dense").alias("n"))["n"].to_numpy().astype(np.int64) - 1
    kind = used["kind"].rank("dense").to_numpy().astype(np.int64) - 1
    ratio = np.log(used["ratio"].to_numpy())
    return GrowthData(used["ln"].to_numpy(), used["var"].to_numpy(), kind, relative, ratio, engine)


def _has_outputs(used: pl.DataFrame) -> bool:
    return used["kw_per_litre"].drop_nulls().n_unique() >= LEAST_PAIRS


def _why_not(used: pl.DataFrame) -> str | None:
    """Why no growth can be given: too few pairs of kinds that were tested both without boost and under it."""
    both = used.filter((pl.col("is_boosted").any() & (~pl.col("is_boosted")).any()).over("kind"))
    boosted = int(both["is_boosted"].sum())
    plain = both.height - boosted
    if min(boosted, plain) >= LEAST_PAIRS:
        return None
    return (
        f"{boosted} pairs under equal boost and {plain} without boost are of kinds tested both ways; at least {LEAST_PAIRS} of each "
        "are needed. What would tell: the same part changed on one engine without boost and at equal boost."
    )


def _counts(used: pl.DataFrame) -> tuple[int, int]:
    return used.select("publisher", "engine").n_unique() if used.height else 0, 2 * used.height


def _growth(fit: GrowthFit | None, used: pl.DataFrame, why: str | None, level: float) -> Estimate:
    if fit is None or fit.growth_se is None or why:
        return Estimate(None, None, None, level, "1", *_counts(used), why)
    half = float(t.ppf(0.5 + level / 2, fit.freedom)) * fit.growth_se
    return Estimate(fit.growth, fit.growth - half, fit.growth + half, level, "1", *_counts(used))


def _moderation(fit: GrowthFit | None, used: pl.DataFrame, why: str | None, level: float) -> Estimate:
    if fit is None or why or fit.moderation_se is None:
        return Estimate(None, None, None, level, "1", *_counts(used), why or "Too few engines state their displacement.")
    half = float(t.ppf(0.5 + level / 2, fit.freedom)) * fit.moderation_se
    value, half = log(2) * fit.moderation, log(2) * half
    return Estimate(value, value - half, value + half, level, "1", *_counts(used))


def _of_kind(used: pl.DataFrame, fed: pl.DataFrame, kind: str, whole: GrowthFit | None, level: float) -> Estimate:
    own = used.filter(pl.col("kind") == kind)
    why = _why_not(own)
    if why is not None or whole is None:
        return Estimate(None, None, None, level, "1", *_counts(own), why or "The growth over all kinds is not known.")
    fit = fit_growth(_data(own), moderation=whole.moderation)
    return _growth(fit, own, None if fit.converged and fit.growth_se else "The pairs of this kind leave its growth open.", level)


def _both_ways(used: pl.DataFrame) -> tuple[BothWays, ...]:
    gain = pl.col("before_kw") * (pl.col("ln").exp() - 1)
    boosted = pl.col("is_boosted")
    rows = used.group_by("publisher", "engine", "kind").agg(
        pl.col("boost_kpa").filter(boosted).mean(), pl.col("ratio").filter(boosted).mean(),
        gain.filter(~boosted).mean().alias("plain"), gain.filter(boosted).mean().alias("top"),
    ).drop_nulls().sort("publisher", "engine", "kind")  # fmt: skip
    return tuple(
        BothWays(
            r["publisher"], r["engine"], r["kind"], r["boost_kpa"], r["ratio"], r["plain"], r["top"], r["plain"] * r["ratio"]
        )
        for r in rows.iter_rows(named=True)
    )


def _still_needed(
    growth: Estimate, fit: GrowthFit | None, boosted: pl.DataFrame, both: tuple[BothWays, ...]
) -> tuple[int | None, int | None]:  # fmt: skip
    """Boosted pairs, or else engines both ways, until the interval is as narrow as asked.

    Pairs: the variance falls with their number. Engines both ways: what one adds when its own gain is free, by the delta method
    var ln(boosted gain / plain gain) / (ln M)^2, at the gains, ratios and errors of the boosted pairs at hand.
    """
    if fit is None or fit.growth_se is None or growth.low is None or growth.high is None:
        return None, None
    half = (growth.high - growth.low) / 2
    if half <= SETTLED_WITHIN:
        return 0, 0
    pairs = ceil(boosted.height * ((half / SETTLED_WITHIN) ** 2 - 1))
    gain, ratio, error = (
        np.abs(np.expm1(boosted["ln"].to_numpy())),
        np.log(boosted["ratio"].to_numpy()),
        boosted["var"].to_numpy(),
    )
    plain = gain * np.exp((1 - fit.growth) * ratio)
    found = ratio**2 * gain**2 * plain**2 / (error * (gain**2 + plain**2) + 1e-300)
    information = float(found.mean())
    if not information > 0:
        return pairs, None
    aim = SETTLED_WITHIN / float(norm.ppf(0.5 + growth.level / 2))
    return pairs, max(ceil((1 / aim**2 - 1 / fit.growth_se**2) / information), 1)


def _is_under_boost(pair: PairGain) -> bool:
    return pair.is_boosted or any(d.code in ("boosted_one_side", "boost_unstated") for d in pair.doubts)


def _why_out(pair: PairGain) -> str:
    barred = next((d.sentence for d in pair.doubts if d.bars), None)
    return barred or "Neither the power without boost nor the mean curve of the study is known, so that its power ratio is not."


def _named(pair: PairGain) -> str:
    return " ".join(d.sentence for d in pair.doubts if d.code in _NAMED)


def _with_sentence(record: GrowthUnderBoost) -> GrowthUnderBoost:
    growth = record.growth
    if growth.value is None or growth.low is None or growth.high is None:
        return replace(record, sentence=f"Whether gains grow under boost cannot be told. {growth.why}")
    one, none = (growth.low <= at <= growth.high for at in (1.0, 0.0))
    figure = f"{growth.value:.2f} ({growth.low:.2f} to {growth.high:.2f})"
    found = {
        (True, True): "both full multiplication (1) and the same gain as without boost (0) remain possible",
        (True, False): "gains do grow with the power ratio, and full multiplication (1) remains possible",
        (False, True): "gains are not multiplied by the power ratio in full; none at all (0) remains possible",
        (False, False): "gains grow with the power ratio, but not in the measure of full multiplication (1)"
        if growth.low > 0 and growth.high < 1
        else "neither full multiplication (1) nor the same gain as without boost (0) fits",
    }[one, none]  # fmt: skip
    at_double = f"Where boost doubles power, a gain of 10 kW without boost is one of {10 * exp(log(2.0) * growth.value):.0f} kW."
    rest = f"{record.boosted_pairs} pairs under boost, {record.adjusted_pairs} of them brought to equal boost by the mean curve"
    need = ""
    if record.more_pairs:
        need = f" About {record.more_pairs} more pairs under boost would tell 1 from 0.7"
        engines = record.more_engines_both_ways
        need += f", or {engines} engines with one part changed both without boost and at equal boost." if engines else "."
    return replace(record, sentence=f"Growth under boost {figure}: {found}. {at_double} It rests on {rest}.{need}")
