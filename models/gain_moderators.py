"""How the gain of a kind of part depends on the engine before the change: one fact at a time, over engines.

Gains of engines are regressed on the fact with a spread between engines (REML) and the Hartung-Knapp interval
(``pooling``). Headroom is looked at where a compressor's rating is recorded: a part that already supports more than the engine
makes should give nothing. Publishers are not told apart here, so that a difference may be one between publishers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_sums import Floats
from models.estimate import Estimate
from models.gain_records import Moderator
from models.pooling import Pooled, pool

#: Fewest engines for a line, and on each side of a contrast; least spread of a logarithm that a line can be laid through.
LEAST_FOR_LINE = 6
LEAST_A_SIDE = 3
LEAST_LOG_SPREAD = 0.05
#: Degrees of duration that a difference is given for; least spread.
DURATION_STEP_DEG = 10.0
LEAST_DURATION_SPREAD_DEG = 3.0
#: A compressor rated at more than this times the power before the change has room.
HEADROOM = 1.2
_CODES = {"head_state": "stock", "intake_kind": "stock"}


@dataclass(frozen=True, slots=True)
class OutputLine:
    """Gain against log specific output: at the median, and the change when specific output doubles; None where not told."""

    lowest: float | None
    highest: float | None
    median: float | None
    gain_pct: float | None
    slope_pct: float | None


def answer_moderators(engines: pl.DataFrame, level: float) -> tuple[OutputLine, tuple[Moderator, ...]]:
    """What can be said of each fact.

    Parameters
    ----------
    engines : one row an engine: gain_pct, var_pct, pairs, kw_per_litre, head_state, intake_kind, intake_duration_deg,
        duration_at_mm, compressor_rating_kw, before_kw.
    level : coverage of the intervals.
    """
    line, found = _by_output(engines, level)
    found += _by_duration(engines, level)
    for name, reference in _CODES.items():
        told = engines.filter(pl.col(name).is_not_null() & ~pl.col(name).is_in(["unstated", "other"]))
        for code in told[name].unique().sort().to_list():
            if code != reference:
                found += _contrast(told.filter(pl.col(name).is_in([code, reference])), name, code, reference, level)
    found += _by_headroom(engines, level)
    return line, tuple(found)


def _fit(rows: pl.DataFrame, x: Floats) -> Pooled:
    return pool(
        rows["gain_pct"].to_numpy(), rows["var_pct"].to_numpy(), np.column_stack([np.ones(x.size), x]), knapp_hartung=True
    )


def _estimate(fit: Pooled, rows: pl.DataFrame, level: float) -> Estimate:
    low, high = fit.interval(level, 1)
    return Estimate(float(fit.coefficients[1]), low, high, level, "%", rows.height, 2 * int(rows["pairs"].sum()))


def _by_output(engines: pl.DataFrame, level: float) -> tuple[OutputLine, list[Moderator]]:
    told = engines.filter(pl.col("kw_per_litre") > 0)
    if told.is_empty():
        return OutputLine(None, None, None, None, None), []
    output = told["kw_per_litre"].to_numpy()
    low, high, median = float(output.min()), float(output.max()), float(np.median(output))
    x = np.log2(output / median)
    if told.height < LEAST_FOR_LINE or np.std(x) * np.log(2) < LEAST_LOG_SPREAD:
        return OutputLine(low, high, median, None, None), []
    fit = _fit(told, x)
    slope = _estimate(fit, told, level)
    sentence = _say(slope, "on an engine of twice the output per litre", "than on the other")
    made = Moderator("kw_per_litre", "twice as much", "as it is", slope, told.height, told.height, sentence)
    return OutputLine(low, high, median, float(fit.coefficients[0]), slope.value), [made]


def _by_duration(engines: pl.DataFrame, level: float) -> list[Moderator]:
    told = engines.filter(pl.col("intake_duration_deg") > 0)
    if told.is_empty():
        return []
    # durations at different lifts are not one quantity: the lift that most engines state
    lift = told.group_by("duration_at_mm").len().sort("len", "duration_at_mm", descending=True)["duration_at_mm"][0]
    told = told.filter(pl.col("duration_at_mm").eq_missing(pl.lit(lift, pl.Float64)))
    duration = told["intake_duration_deg"].to_numpy()
    if told.height < LEAST_FOR_LINE or np.std(duration) < LEAST_DURATION_SPREAD_DEG:
        return []
    step = _estimate(_fit(told, (duration - duration.mean()) / DURATION_STEP_DEG), told, level)
    sentence = _say(step, "on an engine whose intake camshaft is 10 deg longer already", "than on the other")
    return [Moderator("intake_duration_deg", "10 deg more", "as it is", step, told.height, told.height, sentence)]


def _contrast(rows: pl.DataFrame, name: str, code: str, reference: str, level: float) -> list[Moderator]:
    x = (rows[name] == code).cast(pl.Float64).to_numpy()
    sides = int(x.sum()), int(x.size - x.sum())
    if min(sides) < LEAST_A_SIDE:
        return []
    found = _estimate(_fit(rows, x), rows, level)
    words = {"head_state": "head", "intake_kind": "intake", "compressor_headroom": "compressor"}[name]
    sentence = _say(found, f"where the {words} was {code.replace('_', ' ')}", f"than where it was {reference.replace('_', ' ')}")
    return [Moderator(name, code, reference, found, *sides, sentence)]


def _by_headroom(engines: pl.DataFrame, level: float) -> list[Moderator]:
    rated = engines.filter((pl.col("compressor_rating_kw") > 0) & pl.col("before_kw").is_not_null())
    room = pl.when(pl.col("compressor_rating_kw") > HEADROOM * pl.col("before_kw")).then(pl.lit("with_room"))
    rated = rated.with_columns(room.otherwise(pl.lit("near_its_rating")).alias("compressor_headroom"))
    return _contrast(rated, "compressor_headroom", "with_room", "near_its_rating", level)


def _say(difference: Estimate, where: str, against: str) -> str:
    assert difference.value is not None and difference.low is not None and difference.high is not None
    figure = f"{abs(difference.value):.1f} percentage points ({difference.low:+.1f} to {difference.high:+.1f})"
    way = "more" if difference.value > 0 else "less"
    sure = "" if difference.low > 0 or difference.high < 0 else " This may be chance."
    return f"It gave {figure} {way} {where} {against}.{sure}"
