"""Figures of before/after changes that rules of thumb speak of: growth under boost, heads by output, boost given back."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from models.clustered import Sums, ratio_estimate, share_estimate
from models.results import RuleEvidence
from models.rules_of_thumb import EQUIVALENCE_LEVEL

#: Boosts of a pair that differ by less were held [kPa].
HELD_WITHIN_KPA = 3.447

_BREATHING = ("cylinder_head", "intake_manifold")


def change_figures(tables: Mapping[str, pl.DataFrame], level: float) -> tuple[RuleEvidence, ...]:
    """All figures of this module; without a ``change`` table they rest on no pair and say so."""
    pairs = _pairs(tables)
    return (_growth(pairs, level), _heads_by_output(pairs, level), _heads_at_held_setting(pairs, level))


def _pairs(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """One row per usable change of one part: part, publisher, engine, held, power and boost before and after, output."""
    columns = {
        "part": pl.String, "publisher": pl.String, "engine": pl.String, "held": pl.String, "before_kw": pl.Float64,
        "after_kw": pl.Float64, "before_kpa": pl.Float64, "after_kpa": pl.Float64, "kw_per_litre": pl.Float64,
    }  # fmt: skip
    changes = tables.get("change")
    if changes is None or changes.is_empty():
        return pl.DataFrame(schema=columns)
    runs, builds = tables["run"], tables["build"]
    repeat = pl.col("is_repeat").fill_null(False) if "is_repeat" in runs.columns else pl.lit(False)
    usable = runs.filter(~repeat & (pl.col("power_kw") > 0) & pl.col("role").is_in(["baseline", "boosted"]))
    side = usable.select("run_key", "build_key", pl.col("power_kw").alias("kw"), pl.col("boost_kpa").fill_null(0.0).alias("kpa"))
    facts = [name for name in ("engine_id", "displacement_cc") if name in builds.columns]
    known = builds.select("build_key", *facts).with_columns(
        pl.lit(None).alias(name) for name in ("engine_id", "displacement_cc") if name not in facts
    )
    single = changes.filter(pl.col("parts").list.len() == 1).with_columns(pl.col("parts").list.first().alias("part"))
    joined = (
        single.join(side.rename({"run_key": "before_run_key", "kw": "before_kw", "kpa": "before_kpa"}), on="before_run_key")
        .join(
            side.rename({"run_key": "after_run_key", "kw": "after_kw", "kpa": "after_kpa", "build_key": "after"}),
            on="after_run_key",
        )
        .join(known, on="build_key", how="left")
    )
    engine = pl.coalesce(pl.col("engine_id").cast(pl.String), pl.col("build_key"))
    output = pl.col("before_kw") / (pl.col("displacement_cc").cast(pl.Float64) / 1000.0)
    return joined.with_columns(engine.alias("engine"), output.alias("kw_per_litre")).select(list(columns)).sort(list(columns))


def _growth(pairs: pl.DataFrame, level: float) -> RuleEvidence:
    """Gain in power under boost over unboosted gain times power ratio, on engines with the part changed both ways."""
    held = pairs.filter((pl.col("held") != "setting") & ((pl.col("after_kpa") - pl.col("before_kpa")).abs() < HELD_WITHIN_KPA))
    boosted = pl.col("before_kpa") > 0
    gain = pl.col("after_kw") - pl.col("before_kw")
    both = held.group_by("publisher", "engine", "part").agg(
        gain.filter(boosted).mean().alias("top"), gain.filter(~boosted).mean().alias("plain"),
        (pl.col("before_kw").filter(boosted).mean() / pl.col("before_kw").filter(~boosted).mean()).alias("ratio"), pl.len(),
    ).drop_nulls().sort("publisher", "engine", "part")  # fmt: skip
    sums = Sums(
        both["top"].to_numpy(), (both["plain"] * both["ratio"]).to_numpy(), both["publisher"].to_numpy(), 2 * int(both["len"].sum()),
        "engines with one part changed both without boost and under held boost",
    )  # fmt: skip
    return _ratio("part_gain_growth", "a part's gain under boost over its unboosted gain times the power ratio", sums, level)


def _heads_by_output(pairs: pl.DataFrame, level: float) -> RuleEvidence:
    """Change of the relative gain of heads and intakes, within each part, when output per litre doubles."""
    plain = pairs.filter(pl.col("part").is_in(_BREATHING) & (pl.col("before_kpa") <= 0) & pl.col("kw_per_litre").is_not_null())
    gain, output = pl.col("after_kw") / pl.col("before_kw") - 1.0, pl.col("kw_per_litre").log()
    centred = plain.with_columns(
        (gain - gain.mean()).over("part").alias("gain"), (output - output.mean()).over("part").alias("output")
    )
    sums = Sums(
        float(np.log(2.0)) * (centred["gain"] * centred["output"]).to_numpy(), (centred["output"] ** 2).to_numpy(),
        centred["publisher"].to_numpy(), 2 * centred.height,
        "unboosted changes of heads or intakes on engines of known displacement",
    )  # fmt: skip
    meaning = "change of the relative gain of heads and intakes on an engine of twice the output per litre"
    return _ratio("head_gain_by_output", meaning, sums, level)


def _heads_at_held_setting(pairs: pl.DataFrame, level: float) -> RuleEvidence:
    heads = pairs.filter((pl.col("part") == "cylinder_head") & (pl.col("held") == "setting") & (pl.col("before_kpa") > 0))
    hits = ((heads["after_kw"] > heads["before_kw"]) & (heads["after_kpa"] < heads["before_kpa"])).to_numpy()
    sums = Sums(
        hits.astype(float), np.ones(hits.size), heads["publisher"].to_numpy(), 2 * heads.height,
        "head changes with the drive or wastegate setting held",
    )  # fmt: skip
    meaning = "share of head changes at a held setting that raised power and lowered boost"
    return RuleEvidence("heads_at_held_setting", meaning, *(share_estimate(hits, sums, at) for at in (level, EQUIVALENCE_LEVEL)))


def _ratio(name: str, meaning: str, sums: Sums, level: float) -> RuleEvidence:
    return RuleEvidence(name, meaning, *(ratio_estimate(sums, at) for at in (level, EQUIVALENCE_LEVEL)))
