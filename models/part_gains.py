"""What each kind of part gives, as a share of the power before: mean over engines, range for a new one, what it depends on.

The figures rest on pairs without boost; on pairs under boost (at equal boost) only where a kind has no others. Several pairs
of one engine count as one engine.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from models.estimate import Estimate
from models.gain_moderators import answer_moderators
from models.gain_records import Condition, PartGains
from models.laws import norm
from models.nested_mean import NestedMean, fit_nested_mean, share_with_range

#: With fewer publishers the sentence says that they say little about others.
FEW_PUBLISHERS = 5
_FACTS = ("head_state", "intake_kind", "intake_duration_deg", "duration_at_mm", "compressor_rating_kw", "before_kw")


def answer_part_gains(fed: pl.DataFrame, growth: Mapping[str, Estimate], level: float) -> tuple[PartGains, ...]:
    """One record a kind, from the largest gain to the smallest.

    Parameters
    ----------
    fed : pairs that feed the figures: kind, parts, publisher, engine, is_boosted, ln and var (of after / before at equal boost),
        in_growth, kw_per_litre (unboosted), and facts of the engine before the change.
    growth : lambda of each kind.
    level : coverage of the intervals.
    """
    made = [_answer(frame, growth, level) for frame in fed.sort("kind", "change_key").partition_by("kind", maintain_order=True)]
    return tuple(sorted(made, key=lambda one: (-(one.gain_pct.value or 0.0), one.part)))


def _answer(pairs: pl.DataFrame, growth: Mapping[str, Estimate], level: float) -> PartGains:
    kind = pairs["kind"][0]
    plain = pairs.filter(~pl.col("is_boosted"))
    condition: Condition = "under boost" if plain.is_empty() else "without boost"
    counted = pairs if plain.is_empty() else plain
    engines = by_engine(counted)
    publisher = engines["publisher"].rank("dense").to_numpy().astype("int64") - 1
    found = fit_nested_mean(
        engines["gain_pct"].to_numpy(), engines["var_pct"].to_numpy(), publisher, 2 * counted.height, level, "%"
    )
    line, moderators = answer_moderators(engines, level)
    z = float(norm.ppf(0.5 + level / 2))
    silent = int((engines["gain_pct"] <= z * engines["own_sd_pct"]).sum())
    nothing = share_with_range(silent, engines.height, level, 2 * counted.height, "engine")
    publishers = int(publisher.max()) + 1
    return PartGains(
        part=kind,
        parts=tuple(pairs["parts"][0].to_list()),
        condition=condition,
        gain_pct=found.mean,
        new_engine_pct=found.new,
        between_engines_pct=found.spread,
        growth_under_boost=growth[kind],
        not_measurable=nothing,
        pairs=counted.height,
        engines=engines.height,
        publishers=publishers,
        boosted_pairs=pairs.filter(pl.col("is_boosted") & pl.col("in_growth")).height,
        lowest_kw_per_litre=line.lowest,
        highest_kw_per_litre=line.highest,
        median_kw_per_litre=line.median,
        gain_at_median_pct=line.gain_pct,
        slope_pct=line.slope_pct,
        moderators=moderators,
        sentence=_say(kind, condition, found, silent, engines.height, publishers),
    )


def by_engine(pairs: pl.DataFrame) -> pl.DataFrame:
    """One row an engine: its gain and its error variance [%, %^2], the latter at the common mean of the kind.

    A variance that followed each engine's own gain would weigh down engines that gained much. ``own_sd_pct`` follows it, and
    is what tells the engine's own gain from nothing.
    """
    weight = 1 / pl.col("var")
    engines = pairs.group_by("publisher", "engine").agg(
        ((pl.col("ln") * weight).sum() / weight.sum()).alias("ln"), (1 / weight.sum()).alias("var"), pl.len().alias("pairs"),
        pl.col("kw_per_litre").mean(), *(pl.col(name).drop_nulls().first() for name in _FACTS),
    ).sort("publisher", "engine")  # fmt: skip
    common = pl.col("ln").mean().exp()
    return engines.with_columns(
        (100 * (pl.col("ln").exp() - 1)).alias("gain_pct"), (1e4 * common**2 * pl.col("var")).alias("var_pct"),
        (100 * pl.col("ln").exp() * pl.col("var").sqrt()).alias("own_sd_pct"),
    )  # fmt: skip


def _say(kind: str, condition: Condition, found: NestedMean, silent: int, engines: int, publishers: int) -> str:
    name, mean, new = kind.replace("_", " "), found.mean, found.new
    of = f"{engines} engine{'' if engines == 1 else 's'} of {publishers} publisher{'' if publishers == 1 else 's'}"
    where = "" if condition == "without boost" else ", all of them under boost"
    if mean.low is None or mean.high is None or new.low is None or new.high is None:
        return f"{name}: {mean.value:+.1f} % over {of}{where}. {mean.why}"
    text = f"{name}: {mean.value:+.1f} % ({mean.low:+.1f} to {mean.high:+.1f} %) over {of}{where}; "
    text += f"a new engine may gain {new.low:+.1f} to {new.high:+.1f} %; nothing measurable on {silent} of {engines}."
    return text if publishers >= FEW_PUBLISHERS else f"{text} So few publishers say little about others."
