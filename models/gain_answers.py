"""All answers on parts at once: pairs, kinds of part, growth under boost, curves, repeatability."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from models.curve_records import LeftOut
from models.curves_at_rpm import gains_of_changes
from models.estimate import Estimate
from models.gain_curves import over_band
from models.gain_judged import judge_pairs
from models.gain_pairs import CHANGE_COLUMNS, MeanCurve, curve_of, pair_rows
from models.gain_records import CurveGain, GainsResults, GrowthUnderBoost, PairGain, PartGains, Repeatability
from models.interpolated_baseline import PULL_REL_SD
from models.laws import chi2
from models.part_gains import FEW_PUBLISHERS, answer_part_gains
from models.parts_under_boost import answer_growth
from models.results import StudyResults
from models.session_pulls import LEAST_FREEDOM, Scatter, study_scatter
from pipeline.errors import RequestProblem

_NEEDED = ("run", "build", "source")
#: Slope by which pulls of a little different boost are compared where the study gave none.
_USUAL_SLOPE = 0.9


def answer_gains(tables: Mapping[str, pl.DataFrame], study: StudyResults, *, level: float = 0.95) -> GainsResults:
    """What changed parts are worth, from the clean tables of one store and its study.

    Parameters
    ----------
    tables : clean tables by name: ``run``, ``build``, ``source``; ``change`` and ``sweep_point`` where there are any.
    study : study of the same store: mean curve against boost, and the stamp that the answers carry.
    level : coverage of all intervals.

    Raises
    ------
    RequestProblem : a table or a column is missing, or the level is none.
    """
    _check_request(tables, level)
    curve = curve_of(study)
    scatter = study_scatter(tables["run"], curve.slope or _USUAL_SLOPE)
    found = answer_pairs(tables, curve, scatter, level)
    curves, left_out = _curves(tables, level)
    return GainsResults(
        fingerprint=study.fingerprint,
        version=study.version,
        made_on=study.made_on,
        invented=_is_invented(tables["source"], found.pairs),
        level=level,
        pairs=found.pairs,
        parts=found.parts,
        growth=found.growth,
        repeatability=_repeatability(scatter, level),
        curves=curves,
        curves_left_out=left_out,
        notes=_notes(found),
    )


@dataclass(frozen=True, slots=True)
class PairAnswers:
    """What the pairs alone say; ``publishers`` counts those of the pairs that feed the figures."""

    pairs: tuple[PairGain, ...]
    parts: tuple[PartGains, ...]
    growth: GrowthUnderBoost
    publishers: int


def answer_pairs(
    tables: Mapping[str, pl.DataFrame], curve: MeanCurve, scatter: Mapping[str, Scatter], level: float
) -> PairAnswers:
    """Pairs, kinds of part and growth under boost, given the mean curve and the repeatability of dynos.

    Parameters
    ----------
    tables : clean tables ``run``, ``build`` and, where there are any, ``change``.
    curve : mean power against boost.
    scatter : of ``session_pulls.study_scatter``.
    level : coverage of the intervals.
    """
    rows = pair_rows(tables, curve, scatter)
    pairs = judge_pairs(rows, level)
    fed = feeding(rows, pairs)
    growth, by_kind = answer_growth(fed, pairs, level)
    parts = answer_part_gains(fed, by_kind, level)
    plain = {one.part for one in parts if one.condition == "without boost"}
    return PairAnswers(tuple(_of_growth_only(p, plain) for p in pairs), parts, growth, fed["publisher"].n_unique())


def _of_growth_only(pair: PairGain, plain: set[str]) -> PairGain:
    """The pair; under boost it is no part of the figures of a kind that has pairs without boost."""
    if not (pair.is_boosted and pair.kind in plain):
        return pair
    return replace(pair, feeds=tuple(name for name in pair.feeds if name != "kind"))


def _check_request(tables: Mapping[str, pl.DataFrame], level: float) -> None:
    missing = [name for name in _NEEDED if name not in tables]
    if missing:
        raise RequestProblem(
            f"The answers on parts were given the tables {', '.join(sorted(tables)) or 'none'} and lack {', '.join(missing)}; "
            f"they read {', '.join(_NEEDED)} from the store. Build the store, then ask again."
        )
    if not 0.0 < level < 1.0:
        raise RequestProblem(
            f"The level of the intervals is {level}; it must lie between 0 and 1, as 0.95 does. Give another level to the gains."
        )
    change = tables.get("change")
    lost = [] if change is None else [name for name in CHANGE_COLUMNS if name not in change.columns]
    if lost:
        raise RequestProblem(
            f"The table of changes has no column {', '.join(lost)}; it needs {', '.join(CHANGE_COLUMNS)}. "
            "Read it from a store that this version has built."
        )


def feeding(rows: pl.DataFrame, pairs: Sequence[PairGain]) -> pl.DataFrame:
    """Pairs that figures rest on, at equal boost.

    Returns
    -------
    change_key, kind, parts, publisher, engine, is_boosted, ln and var (of after / before at equal boost), ratio, is_adjusted,
    boost_kpa, before_kw, kw_per_litre (without boost), in_growth, and facts of the engine before the change.
    """
    judged = pl.DataFrame(
        {
            "change_key": [p.change_key for p in pairs],
            "kind": [p.kind for p in pairs],
            "in_kind": ["kind" in p.feeds for p in pairs],
            "in_growth": ["growth" in p.feeds for p in pairs],
        },
        schema={"change_key": pl.String, "kind": pl.String, "in_kind": pl.Boolean, "in_growth": pl.Boolean},
    )
    joined = rows.join(judged, on="change_key", how="inner", maintain_order="left").filter("in_kind")
    return joined.with_columns(
        ln=(pl.col("after_kw") / pl.col("before_kw")).log() + pl.col("held_ln"), var=pl.col("held_var"),
        ratio=pl.col("power_ratio"), boost_kpa=pl.col("before_boost_kpa"), parts=pl.col("parts").list.unique().list.sort(),
    ).select(
        "change_key", "kind", "parts", "publisher", "engine", "is_boosted", "ln", "var", "ratio", "is_adjusted", "boost_kpa",
        "before_kw", "kw_per_litre", "in_growth",
        **{name: f"before_{name}" for name in ("head_state", "intake_kind", "intake_duration_deg", "duration_at_mm", "compressor_rating_kw")},
    )  # fmt: skip


def _curves(tables: Mapping[str, pl.DataFrame], level: float) -> tuple[tuple[CurveGain, ...], tuple[LeftOut, ...]]:
    points, change = tables.get("sweep_point"), tables.get("change")
    if points is None or change is None or points.is_empty() or change.is_empty():
        return (), ()
    made, left_out = gains_of_changes(change, tables["run"], tables["build"], points, level)
    return tuple(over_band(one) for one in made), left_out


def _is_invented(sources: pl.DataFrame, pairs: Sequence[PairGain]) -> bool:
    if "invented" not in sources.columns:
        return False
    used = sources.filter(pl.col("source").is_in({p.source for p in pairs})) if pairs else sources
    return bool(used["invented"].fill_null(False).any())


def _repeatability(scatter: Mapping[str, Scatter], level: float) -> tuple[Repeatability, ...]:
    return tuple(_of_dyno(kind, scatter[kind], level) for kind in sorted(scatter))


def _of_dyno(kind: str, found: Scatter, level: float) -> Repeatability:
    sd = found.rel_sd
    if sd is None or found.freedom < LEAST_FREEDOM:
        why = f"Only {found.freedom} repeated pulls on {kind} dynos; {LEAST_FREEDOM} are needed for an estimate."
        sentence = f"{why} {100 * PULL_REL_SD:.1f} % a pull is assumed."
        return Repeatability(kind, Estimate(PULL_REL_SD, None, None, level, "1", 0, found.rows, why), "assumed", 0, sentence)
    low, high = ((found.squares / chi2.ppf(p, found.freedom)) ** 0.5 for p in (0.5 + level / 2, 0.5 - level / 2))
    sentence = (
        f"On {kind} dynos one pull repeats another of the same session within {100 * sd:.2f} % "
        f"({100 * low:.2f} to {100 * high:.2f} %, one standard deviation), from {found.rows} rows."
    )
    return Repeatability(kind, Estimate(sd, float(low), float(high), level, "1", 0, found.rows), "study", found.freedom, sentence)


def _notes(found: PairAnswers) -> tuple[str, ...]:
    """Sentences to be printed beside the figures."""
    pairs = found.pairs
    if not pairs:
        return (
            "No before/after changes of parts are in the store; a table of changes or runs with compared_with brings them in.",
        )
    used = sum(bool(p.feeds) for p in pairs)
    notes = [f"{len(pairs)} before/after pairs: {used} feed the figures, {len(pairs) - used} left out, each with its reason."]
    if found.publishers < FEW_PUBLISHERS:
        many = "" if found.publishers == 1 else "s"
        notes.append(f"All pairs come from {found.publishers} publisher{many}: ranges say little about others.")
    if not any(m.name == "compressor_headroom" for one in found.parts for m in one.moderators):
        notes.append(
            "Whether a part gives nothing where the old one already supports more than the engine makes cannot be told: too few "
            "pairs record what the old part supports (compressor_rating)."
        )
    if any(p.retuned_each for p in pairs):
        notes.append("Where each state was tuned for itself the gain is that of part and tune together.")
    notes.append(
        "Published changes are those that somebody thought worth printing: gains of parts that did nothing are seldom seen."
    )
    return tuple(notes)
