"""What the changes of a private session gave, and where that stands among the same change in the study.

Pulls of one state back to back count as one figure; how well a pull repeats comes from the session's own repeats where it
has any. Both figures stand on one basis and carry the doubts of :mod:`models.gain_checks`.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, log
from typing import Any

import numpy as np
import polars as pl

from models.compare_records import PlacedChange, PullError, Standing
from models.estimate import Estimate
from models.gain_checks import find_doubts
from models.gain_pairs import MeanCurve, pair_rows
from models.session_builds import FEWEST_OTHERS
from models.session_pulls import Scatter
from models.session_repeats import gain_estimate, percentile
from pipeline.errors import RequestProblem

Tables = Mapping[str, pl.DataFrame]


def place_changes(
    session: Tables,
    study: Tables,
    repeats: Mapping[str, str],
    pulls: pl.DataFrame,
    own: Scatter,
    scatter: Mapping[str, Scatter],
    curve: MeanCurve,
    level: float,
) -> tuple[PlacedChange, ...]:
    """Each change of the session, once a pair of states.

    Parameters
    ----------
    session, study : clean tables ``run``, ``build``, ``change`` of each.
    repeats : build of the session -> build of the study with the same figures (keys); its changes are no others.
    pulls : the session's pulls (``session_pulls.session_pulls``).
    own : scatter of the session's own repeats.
    scatter : repeatability in the study by kind of dyno.
    curve : mean curve of the study.
    level : coverage of the intervals.
    """
    rows = pair_rows(session, curve, scatter)
    if rows.is_empty():
        return ()
    lines = session["change"].select("change_key", "line")
    rows = _with_blocks(rows, pulls).join(lines, on="change_key", how="left", maintain_order="left").sort("line", "change_key")
    once = rows.unique(["before_block", "after_block", "parts"], keep="first", maintain_order=True)
    known = _known_gains(study, set(repeats.values()), curve, scatter)
    return tuple(_place(row, own, known, level) for row in once.iter_rows(named=True))


def _with_blocks(rows: pl.DataFrame, pulls: pl.DataFrame) -> pl.DataFrame:
    """Pulls of each side's state back to back: their number, and their mean against the one run that the change names."""
    weight = pl.col("pulls").cast(pl.Float64)
    mean = ((weight * pl.col("ln_power")).sum() / weight.sum()).over("block")
    facts = pulls.select(
        "run_key",
        pl.col("block").cast(pl.String),
        (mean - pl.col("ln_power")).alias("off"),
        weight.sum().over("block").alias("made"),
    )
    for side in ("before", "after"):
        named = facts.select(pl.all().name.prefix(f"{side}_"))
        rows = rows.join(named, on=f"{side}_run_key", how="left", maintain_order="left").with_columns(
            pl.coalesce(f"{side}_block", f"{side}_run_key").alias(f"{side}_block"),
            pl.col(f"{side}_off").fill_null(0.0),
            pl.col(f"{side}_made").fill_null(1.0),
        )
    return rows


def _ln_ratio(row: Mapping[str, Any]) -> float | None:
    """Logarithm of power after over before at the boost before the change; None without a common basis."""
    if not (row["before_kw"] and row["after_kw"] and row["before_kw"] > 0 and row["after_kw"] > 0):
        return None
    off = row.get("after_off", 0.0) - row.get("before_off", 0.0)
    return log(row["after_kw"] / row["before_kw"]) + float(off) + float(row["held_ln"] or 0.0)


def _error(row: Mapping[str, Any], own: Scatter) -> PullError:
    """Error of the logarithm of the ratio, with degrees of freedom by Satterthwaite where the scatter was estimated."""
    figure = 2 * row["pull_rel_sd"] ** 2
    rest = max(float(row["held_var"]) - figure, 0.0)
    freedom = row["freedom"]
    made = 1 / row["before_made"] + 1 / row["after_made"]
    if own.rel_sd is not None:
        figure, freedom = own.rel_sd**2 * made, own.freedom
    else:
        figure *= min(made / (1 / (row["before_pulls"] or 1) + 1 / (row["after_pulls"] or 1)), 1.0)
    total = figure + rest
    if freedom is not None:
        freedom = max(1, int(freedom * (total / figure) ** 2)) if figure > 0 else None
    return PullError(total**0.5, freedom, "", "pulls")


def _place(row: Mapping[str, Any], own: Scatter, known: pl.DataFrame, level: float) -> PlacedChange:
    ln, parts = _ln_ratio(row), tuple(sorted(row["parts"] or ()))
    runs = int(row["before_made"] + row["after_made"])
    if ln is None:
        gain, smallest = Estimate(None, None, None, level, "%", 1, runs, "The two figures have no common basis."), None
    else:
        error = _error(row, own)
        gain, smallest = gain_estimate(exp(ln), error.rel_sd**2, error.freedom, level, runs)
    verdict = _verdict(gain)
    doubts = find_doubts({**row, "gain_pct": gain.value, "verdict": "loss" if verdict == "loss" else ""})
    barred = any(doubt.bars for doubt in doubts)
    if barred:
        verdict = "cannot judge"
    standing = None if barred or gain.value is None else _standing(gain, parts, bool(row["is_boosted"]), known)
    sentences = (
        _say_gain(row, parts, gain, smallest, verdict, runs), *_say_standing(standing), *(doubt.sentence for doubt in doubts)
    )  # fmt: skip
    return PlacedChange(
        int(row["line"]), row["before_build"] or "", parts, bool(row["is_boosted"]), gain, smallest, verdict, standing, sentences
    )  # fmt: skip


def _verdict(gain: Estimate) -> str:
    if gain.low is None or gain.high is None:
        return "cannot judge"
    return "gain" if gain.low > 0 else "loss" if gain.high < 0 else "not told from nothing"


def _known_gains(study: Tables, leave_out: set[str], curve: MeanCurve, scatter: Mapping[str, Scatter]) -> pl.DataFrame:
    """Gains of the study's changes that nothing bars: parts (sorted), is_boosted, gain [%]."""
    schema: dict[str, Any] = {"parts": pl.List(pl.String), "is_boosted": pl.Boolean, "gain": pl.Float64}
    found = []
    for row in pair_rows(study, curve, scatter).iter_rows(named=True):
        ln = None if row["before_build_key"] in leave_out else _ln_ratio(row)
        if ln is None or any(d.bars for d in find_doubts({**row, "gain_pct": 100 * (exp(ln) - 1), "verdict": ""})):
            continue
        found.append((sorted(row["parts"] or ()), bool(row["is_boosted"]), 100 * (exp(ln) - 1)))
    return pl.DataFrame(found, schema=schema, orient="row")


def _standing(gain: Estimate, parts: tuple[str, ...], is_boosted: bool, known: pl.DataFrame) -> Standing | None:
    same = known.filter((pl.col("parts") == list(parts)) & (pl.col("is_boosted") == is_boosted))["gain"].to_numpy()
    if same.size < FEWEST_OTHERS or gain.value is None:
        return None
    ends = [None if v is None else percentile(v, np.asarray(same)) for v in (gain.low, gain.high)]
    among = f"tests of {say_parts(parts)} {'under boost' if is_boosted else 'without boost'} in the study"
    return Standing(among, same.size, percentile(gain.value, same), ends[0], ends[1], float(same.min()), float(same.max()))


def say_parts(parts: tuple[str, ...]) -> str:
    """Codes of parts as words."""
    return " + ".join(part.replace("_", " ") for part in parts) or "parts not stated"


def _say_gain(
    row: Mapping[str, Any], parts: tuple[str, ...], gain: Estimate, smallest: float | None, verdict: str, runs: int
) -> str:
    head = f"{row['before_build'] or 'Build not known'}, {say_parts(parts)}{' under boost' if row['is_boosted'] else ''}"
    if gain.value is None or gain.low is None or gain.high is None:
        return f"{head}: no gain can be given. {gain.why or ''}".rstrip()
    text = f"{head}: {gain.value:+.1f} % ({gain.low:+.1f} to {gain.high:+.1f} %) from {runs} pulls"
    if row["is_adjusted"]:
        text += ", brought to the boost before the change"
    if verdict == "not told from nothing":
        return f"{text}: not told from nothing; {smallest:.1f} % would have been."
    return f"{text}: {'it counts for nothing until what follows is mended' if verdict == 'cannot judge' else f'a {verdict}'}."


def _say_standing(standing: Standing | None) -> tuple[str, ...]:
    if standing is None:
        return ()
    ends = "" if standing.low is None or standing.high is None else f" ({standing.low:.0f} to {standing.high:.0f} %)"
    spans = f"they span {standing.lowest:+.1f} to {standing.highest:+.1f} %"
    return (f"Of {standing.others} {standing.among}, {standing.percentile:.0f} % gave less{ends}; {spans}.",)


def check_tables(session: Tables, study: Tables) -> None:
    """Refuse tables that cannot be compared.

    Raises
    ------
    RequestProblem : a table is missing.
    """
    for whose, tables in (("session", session), ("study", study)):
        missing = [name for name in ("run", "build", "change") if name not in tables]
        if missing:
            raise RequestProblem(
                f"The {whose} was given {', '.join(sorted(tables)) or 'no table'}; run, build and change are needed and "
                f"{', '.join(missing)} is missing. Read them from the store or from a trial reading."
            )
