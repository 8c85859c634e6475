"""A private session beside the study: its builds, its changes, and how well its dyno repeats. Nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from models.compare_records import PlacedChange, SessionComparison, SessionRepeats
from models.gain_pairs import curve_of
from models.results import StudyResults
from models.sample import choose_sample
from models.session_builds import place_builds
from models.session_changes import check_tables, place_changes
from models.session_pulls import scatter_of, session_pulls, study_scatter
from models.session_repeats import report_sessions
from pipeline.fields import fields_of
from pipeline.repeats import find_repeats

#: Slope by which pulls are referred to one boost where the study has no mean: what the rule says.
RULE_SLOPE = 1.0
#: Under this name the session is looked for among tests published before; no publisher can have it.
_OWN = "\0this session"
_REPEAT_RUNS = (
    "run_key", "build_key", "source", "publisher", "role", "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "power_rpm",
)  # fmt: skip

CAUTIONS = (
    "More boost raises cylinder pressure and heat: engines fail, hot and spinning parts and fuel injure people.",
    "These figures describe what others measured and what you did; they are no tune, no limit and no promise. Setting boost, fuel "
    "and spark is for a qualified calibrator with proper instruments.",
    "A place below others is no reason to raise boost: heat, knock, fuel, a leak or a meter may be behind it. A place above them is "
    "no room for more. Builds that failed are seldom published.",
)


def compare_session(
    session: Mapping[str, pl.DataFrame], tables: Mapping[str, pl.DataFrame], study: StudyResults, level: float = 0.95
) -> SessionComparison:
    """Put a session beside the study.

    Parameters
    ----------
    session : clean tables ``run``, ``build``, ``change`` of the session.
    tables : those of the study, and ``source``.
    study : results of the study of these tables.
    level : coverage of the intervals.

    Raises
    ------
    RequestProblem : a table or a column is missing.
    """
    check_tables(session, tables)
    sample = choose_sample(session["run"], session["build"])
    curve = curve_of(study)
    slope = RULE_SLOPE if curve.slope is None else curve.slope
    scatter = study_scatter(tables["run"], slope)
    pulls = session_pulls(session["run"], slope)
    repeats = repeats_of(session, tables)
    changes = place_changes(session, tables, repeats, pulls, scatter_of(pulls), scatter, curve, level)
    repeatability = report_sessions(pulls, scatter, level)
    return SessionComparison(
        invented=study.invented,
        study_mean=study.rule_ratio,
        new_build=study.new_build_rule_ratio,
        builds=place_builds(sample, study, repeats, level),
        left_out=tuple(step for step in sample.flow if step.step == "left out"),
        changes=_with_drift(changes, repeatability),
        repeatability=repeatability,
        cautions=CAUTIONS,
    )


def _with_drift(changes: tuple[PlacedChange, ...], reports: tuple[SessionRepeats, ...]) -> tuple[PlacedChange, ...]:
    """Changes of a file that holds one session, with the drift that it showed said beside each."""
    drift = reports[0].drift_pct if len(reports) == 1 else None
    if drift is None or drift.value is None or drift.low is None or drift.high is None or drift.low <= 0 <= drift.high:
        return changes
    text = (
        f"The session drifted by {drift.value:+.1f} % from its first state to the same state run again: up to that much of this "
        "figure may be drift, and the interval does not hold it."
    )
    return tuple(replace(change, sentences=(*change.sentences, text)) for change in changes)


def repeats_of(session: Mapping[str, pl.DataFrame], tables: Mapping[str, pl.DataFrame]) -> dict[str, str]:
    """Builds of the session whose figures the study holds already: key in the session -> key in the study."""
    if session["run"].is_empty() or tables["run"].is_empty():
        return {}
    facts = ("build_key", "source", "publisher", *(f.name for f in fields_of("build")))
    mark = pl.lit(_OWN + "|")

    def laid(frame: pl.DataFrame, columns: tuple[str, ...], own: bool) -> pl.DataFrame:
        wanted = list(dict.fromkeys(c for c in columns if c in frame.columns))
        rows = frame.select(wanted)
        if not own:
            return rows
        keys = [(mark + pl.col(c)).alias(c) for c in ("build_key", "run_key") if c in wanted]
        return rows.with_columns(*keys, pl.lit(_OWN).alias("source"), pl.lit(_OWN).alias("publisher"))

    runs = pl.concat([laid(tables["run"], _REPEAT_RUNS, False), laid(session["run"], _REPEAT_RUNS, True)], how="diagonal_relaxed")
    builds = pl.concat(
        [laid(tables["build"], facts, False), laid(session["build"].unique("build_key"), facts, True)], how="diagonal_relaxed"
    )
    published = tables["source"].select("source", "published_on")
    same = find_repeats(runs, builds, published).same_test
    found: dict[str, str] = {}
    for one, other in same.select("build_key", "same_as").iter_rows():
        # either may count as the later one: a study without dates of publication is no older than the session
        mine, theirs = (one, other) if one.startswith(_OWN) else (other, one)
        if mine.startswith(_OWN) and not theirs.startswith(_OWN):
            found.setdefault(mine.removeprefix(_OWN + "|"), theirs)
    return found
