"""Repeatability of one's own dyno: scatter of repeated pulls, drift of states run again, the smallest gain it can show.

Scatter has a chi-squared interval. Drift is the last block of a state against its first, states weighed by precision, with
a t interval. The smallest gain is that whose test against nothing (two-sided, at the level) succeeds four times in five
(noncentral t; Johnson & Welch 1940, from memory).
"""

from __future__ import annotations

from math import exp, expm1, log1p

import numpy as np
import polars as pl
from scipy.optimize import brentq
from scipy.special import nctdtr

from models.compare_records import PullError, SessionRepeats, SmallestGain
from models.estimate import Estimate
from models.laws import chi2, norm, t
from models.session_pulls import SESSION, Scatter, pull_error, scatter_of

#: A gain counts as one that can be shown when it would be shown this often.
SHOWN_SHARE = 0.80
PULLS_A_SIDE = (1, 2, 3, 5)
#: Pulls of each state, and again at the end, from which on a session speaks for itself.
ADVISED_PULLS = 3


def report_sessions(pulls: pl.DataFrame, study: dict[str, Scatter], level: float) -> tuple[SessionRepeats, ...]:
    """A report a session and dyno.

    Parameters
    ----------
    pulls : of :func:`models.session_pulls.session_pulls`.
    study : repeatability in the study by kind of dyno.
    level : coverage of the intervals.
    """
    sessions = pulls.partition_by(*SESSION, maintain_order=True)
    return tuple(_report(one, study, level) for one in sessions)


def _report(pulls: pl.DataFrame, study: dict[str, Scatter], level: float) -> SessionRepeats:
    own = scatter_of(pulls)
    error = pull_error(own, study, dyno_of(pulls))
    again = pulls.filter((pl.col("block").n_unique() > 1).over("state"))
    baselines = again.filter(pl.col("role") == "baseline")
    is_baseline = not baselines.is_empty()
    drift, states = _drift(baselines if is_baseline else again, error, level)
    smallest = tuple(SmallestGain(n, smallest_gain_pct(error, n, level)) for n in PULLS_A_SIDE)
    repeatability = _repeatability(own, level)
    first = pulls.row(0, named=True)
    sentences = (
        _say_scatter(repeatability, error), _say_drift(drift, states, is_baseline, bool(first["is_ordered"])), _say_smallest(smallest, error, drift)
    )  # fmt: skip
    return SessionRepeats(
        first["session_name"], first["dyno_id"], int(pulls["pulls"].sum()), own.rows, repeatability, error, drift, states,
        is_baseline, smallest, sentences,
    )  # fmt: skip


def dyno_of(pulls: pl.DataFrame) -> str | None:
    """The kind of dyno that all pulls state, or None."""
    kinds = pulls["dyno_type"].drop_nulls().unique().to_list()
    return kinds[0] if len(kinds) == 1 else None


def _repeatability(own: Scatter, level: float) -> Estimate:
    if own.rel_sd is None:
        why = f"No state was pulled twice in a row: pull each state {ADVISED_PULLS} times without touching anything between."
        return Estimate(None, None, None, level, "%", 0, own.rows, why)
    ends = [(own.squares / chi2.ppf(p, own.freedom)) ** 0.5 for p in (0.5 + level / 2, 0.5 - level / 2)]
    return Estimate(100 * own.rel_sd, 100 * float(ends[0]), 100 * float(ends[1]), level, "%", 0, own.rows)


def _drift(again: pl.DataFrame, error: PullError, level: float) -> tuple[Estimate, int]:
    """Last block over first, mean over states by precision, and the number of states."""
    if again.is_empty():
        why = "No state was run again later: run the first unboosted state again at the end to see drift."
        return Estimate(None, None, None, level, "%", 0, 0, why), 0
    blocks = again.group_by("state", "block").agg(
        ((pl.col("ln_power") * pl.col("pulls")).sum() / pl.col("pulls").sum()).alias("mean"), pl.col("pulls").sum(), pl.len()
    )
    ends = blocks.sort("state", "block").group_by("state", maintain_order=True).agg(
        (pl.col("mean").last() - pl.col("mean").first()).alias("moved"),
        (1 / pl.col("pulls").first() + 1 / pl.col("pulls").last()).alias("share"),
        (pl.col("len").first() + pl.col("len").last()).alias("rows"),
    )  # fmt: skip
    weight = 1 / ends["share"].to_numpy()
    moved = float((weight * ends["moved"].to_numpy()).sum() / weight.sum())
    half = quantile(error, level) * error.rel_sd / float(weight.sum()) ** 0.5
    low, high = (100 * expm1(moved + sign * half) for sign in (-1, 1))
    return Estimate(100 * expm1(moved), low, high, level, "%", 0, int(ends["rows"].sum())), ends.height


def quantile(error: PullError, level: float) -> float:
    """Two-sided quantile: t with the degrees of freedom of the scatter, normal where it is taken as known."""
    tail = 0.5 + level / 2
    return float(norm.ppf(tail) if error.freedom is None else t.ppf(tail, error.freedom))


def smallest_gain_pct(error: PullError, pulls: int, level: float) -> float:
    """Smallest gain that ``pulls`` before and as many after show with chance ``SHOWN_SHARE`` [%]."""
    limit = quantile(error, level)
    known = error.freedom is None
    distance = limit + float(norm.ppf(SHOWN_SHARE)) if known else _noncentrality(limit, error.freedom)  # type: ignore[arg-type]
    return 100 * expm1(distance * error.rel_sd * (2 / pulls) ** 0.5)


def _noncentrality(limit: float, freedom: int) -> float:
    """Distance in standard errors at which a t statistic passes ``limit`` with chance ``SHOWN_SHARE``."""

    def short(distance: float) -> float:
        return 1.0 - float(nctdtr(freedom, distance, limit)) - SHOWN_SHARE

    high = limit + 1.0
    while not short(high) > 0:
        high *= 1.5
    return float(brentq(short, 0.0, high, xtol=1e-9))


def _say_scatter(own: Estimate, error: PullError) -> str:
    if own.value is None:
        return f"{own.why} Until then {100 * error.rel_sd:.1f} % a pull is used ({error.origin})."
    return f"One pull repeats within {own.value:.2f} % (standard deviation; {own.low:.2f} to {own.high:.2f} %), from {own.runs} rows."


def _say_drift(drift: Estimate, states: int, is_baseline: bool, is_ordered: bool) -> str:
    if drift.value is None or drift.low is None or drift.high is None:
        return drift.why or ""
    what = "unboosted baseline" if is_baseline else "state under boost"
    who = f"The {what} run again later" if states == 1 else f"The {states} {what}s run again later"
    made = f"made {abs(drift.value):.2f} % {'more' if drift.value > 0 else 'less'} ({drift.low:+.2f} to {drift.high:+.2f} %)"
    if not is_ordered:
        made += ", if the file stands in the order in which the pulls were made (pull_order would say so)"
    if drift.low > 0 or drift.high < 0:
        return f"{who} {made}: the session drifted. Compare with the mean of the runs before and after, not with one side."
    return f"{who} {made}: no drift is shown beyond this range."


def _say_smallest(smallest: tuple[SmallestGain, ...], error: PullError, drift: Estimate) -> str:
    told = ", ".join(f"{one.gain_pct:.1f} % with {one.pulls}" for one in smallest)
    by = "" if error.kind == "pulls" else f" This rests on {error.origin}."
    text = f"Smallest gain it can show four times in five, by pulls before and as many after: {told}.{by}"
    if drift.value is not None and drift.low is not None and drift.high is not None and (drift.low > 0 or drift.high < 0):
        text += f" A change measured once early and once late carries the drift of {drift.value:+.1f} % besides."
    return text


def gain_estimate(ratio: float, rel_var: float, freedom: int | None, level: float, runs: int) -> tuple[Estimate, float]:
    """Gain of a pair and the smallest gain whose interval would not hold 0, both [%].

    Parameters
    ----------
    ratio : power after over before.
    rel_var : variance of its logarithm.
    freedom : degrees of freedom of the scatter; None where it is known.
    """
    error = PullError(rel_var**0.5, freedom, "", "pulls")
    half = quantile(error, level) * error.rel_sd
    middle = log1p(ratio - 1.0)
    gain = Estimate(100 * (ratio - 1), 100 * expm1(middle - half), 100 * expm1(middle + half), level, "%", 1, runs)
    return gain, 100 * (exp(half) - 1)


def percentile(value: float, others: np.ndarray) -> float:
    """Share of the others below a value, ties counted half [%]."""
    return float(100 * ((others < value).sum() + 0.5 * (others == value).sum()) / others.size)
