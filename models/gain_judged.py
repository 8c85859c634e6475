"""Each pair judged: its gain with its interval, the smallest gain its test could have shown, doubts, and one sentence."""

from __future__ import annotations

from functools import cache
from math import exp, expm1, log, log1p
from typing import Any

import polars as pl

from models.compare_records import PullError
from models.estimate import Estimate
from models.gain_checks import STILL_JUDGED, find_doubts
from models.gain_records import PairDoubt, PairGain, Verdict
from models.session_repeats import quantile, smallest_gain_pct

#: Size at which the power of the test is worked out; the answer is linear in ln power.
_UNIT_SD = 1e-3
_CARRIED = (
    "change_key", "before_run_key", "after_run_key", "source", "publisher", "before_kw", "after_kw", "is_boosted",
    "power_ratio", "power_ratio_measured", "retuned_each", "same_session", "pull_rel_sd", "kw_per_litre",
)  # fmt: skip
_OF_THE_ENGINE = ("head_state", "intake_kind", "intake_duration_deg", "duration_at_mm", "compressor_rating_kw")


def judge_pairs(rows: pl.DataFrame, level: float) -> tuple[PairGain, ...]:
    """The records of all pairs, in order of their rows.

    Parameters
    ----------
    rows : of :func:`models.gain_pairs.pair_rows`.
    level : coverage of the intervals.
    """
    return tuple(_judge(row, level) for row in rows.iter_rows(named=True))


def kind_of(parts: tuple[str, ...]) -> str:
    """The kind of a change: its parts in order, a combination being a kind of its own."""
    return " + ".join(sorted(set(parts))) or "not stated"


def _judge(row: dict[str, Any], level: float) -> PairGain:
    known = None not in (row["basis"], row["ln_var"]) and row["before_kw"] > 0 and row["after_kw"] > 0
    sd = row["ln_var"] ** 0.5 if known else None
    row["parts"] = tuple(sorted(set(row["parts"] or ())))
    if sd is None:
        gain_kw, gain_pct, moved = _nothing("kW", level), _nothing("%", level), 0.0
    else:
        moved = log(row["after_kw"] / row["before_kw"])
        gain_pct = _interval(moved, sd, row["freedom"], level, "%", 100.0)
        gain_kw = _interval(moved, sd, row["freedom"], level, "kW", row["before_kw"])
    row |= {"gain_pct": gain_pct.value, "verdict": _by_interval(gain_pct)}
    doubts = find_doubts(row)
    barred = {d.code for d in doubts if d.bars}
    verdict: Verdict = "cannot judge" if barred - STILL_JUDGED or sd is None else row["verdict"]
    held = None if sd is None else _at_held_boost(row, moved, gain_pct, level)
    limit = None if sd is None else _limit(row["freedom"], level) * sd
    return PairGain(
        **{name: row[name] for name in _CARRIED},
        **{name: row[f"before_{name}"] for name in _OF_THE_ENGINE},
        build=row["before_build"] or "",
        engine=row["engine"] or row["change_key"],
        parts=row["parts"],
        kind=kind_of(row["parts"]),
        basis=row["basis"] or "none",
        boost_before_kpa=row["before_boost_kpa"] or 0.0,
        boost_after_kpa=row["after_boost_kpa"] or 0.0,
        held=row["held"] or "unstated",
        gain_kw=gain_kw,
        gain_pct=gain_pct,
        gain_at_held_boost_pct=held,
        smallest_pct=None if limit is None else 100 * expm1(limit),
        sure_pct=None if sd is None else 100 * expm1(_distance(row["freedom"], level) * sd),
        repeat_basis=row["repeat_basis"],
        verdict=verdict,
        doubts=doubts,
        feeds=_feeds(row, barred, held),
        sentence=_say(row, gain_kw, gain_pct, limit, verdict, doubts),
    )


def _nothing(unit: str, level: float) -> Estimate:
    return Estimate(None, None, None, level, unit, 0, 0, "The powers of the two runs cannot be compared.")


def _error(sd: float, freedom: int | None) -> PullError:
    return PullError(sd, freedom, "", "pulls")


@cache
def _limit(freedom: int | None, level: float) -> float:
    """Standard errors from the middle of an interval to its ends."""
    return quantile(_error(_UNIT_SD, freedom), level)


def _interval(moved: float, sd: float, freedom: int | None, level: float, unit: str, scale: float) -> Estimate:
    """Gain from ln(after / before), its ends symmetric on that scale."""
    half = _limit(freedom, level) * sd
    value, low, high = (scale * expm1(moved + step) for step in (0.0, -half, half))
    return Estimate(value, low, high, level, unit, 1, 2)


@cache
def _distance(freedom: int | None, level: float) -> float:
    """Standard errors by which a gain must stand above nothing to be shown four times in five."""
    return log1p(smallest_gain_pct(_error(_UNIT_SD / 2**0.5, freedom), 1, level) / 100) / _UNIT_SD


def _by_interval(gain: Estimate) -> Verdict:
    if gain.low is None or gain.high is None:
        return "cannot judge"
    if gain.low > 0:
        return "gain"
    return "loss" if gain.high < 0 else "nothing measurable"


def _at_held_boost(row: dict[str, Any], moved: float, as_measured: Estimate, level: float) -> Estimate | None:
    if not row["is_boosted"]:
        return as_measured
    if row["held_ln"] is None or row["held_var"] is None:
        return None
    return _interval(moved + row["held_ln"], row["held_var"] ** 0.5, row["freedom"], level, "%", 100.0)


def _feeds(row: dict[str, Any], barred: set[str], held: Estimate | None) -> tuple[str, ...]:
    if barred or held is None:
        return ()
    return ("kind",) if row["power_ratio"] is None else ("kind", "growth")


def _say(
    row: dict[str, Any], kw: Estimate, pct: Estimate, limit: float | None, verdict: Verdict, doubts: tuple[PairDoubt, ...]
) -> str:
    """The finding in one sentence; where something bars the pair, what does."""
    barred = next((d for d in doubts if d.bars), None)
    if verdict == "cannot judge" or limit is None:
        return f"Cannot judge. {barred.sentence if barred else pct.why}"
    assert kw.value is not None and pct.value is not None and pct.low is not None and pct.high is not None
    figure = f"{kw.value:+.1f} kW, {pct.value:+.1f} % ({pct.low:+.1f} to {pct.high:+.1f} %)"
    found = {
        "gain": "a real gain", "loss": "a real loss", "nothing measurable": "nothing that this test can tell from no change",
    }[verdict]  # fmt: skip
    session = "in one session" if row["same_session"] else "not within one named session"
    basis = {
        "stated": "stated scatter of its pulls", "study": "the study's scatter for such dynos", "assumed": "assumed scatter",
    }[row["repeat_basis"]]  # fmt: skip
    text = f"{figure}: {found}; the smallest it could have shown is {100 * (exp(limit) - 1):.1f} % ({session}, {basis})."
    beside = barred or next((d for d in doubts if d.code not in ("retuned", "loss", "no_gain")), None)
    return f"{text} {beside.sentence}" if beside else text
