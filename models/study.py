"""The study: clean tables in, every answer out, once.

The order of the questions is the table of contents of the results. The same tables give the
same answers to the last digit: everything is sorted before it is summed, and nothing is drawn
at random.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from scipy.stats import norm

from models import rule
from models.curvature import CurvatureAnswers, answer_curvature
from models.estimate import Estimate
from models.joint_fit import JointFit, fit_joint
from models.results import BoostPoint, FlowStep, RunResult, SensitivityLine, SourceNote, StudyResults, UnitResult
from models.rules_of_thumb import EQUIVALENCE_LEVEL, Evidence, judge_rules
from models.sample import Sample, choose_sample
from models.sensitivity import MAIN, Alternative, sensitivity_lines
from models.yield_fit import answer_rule_ratio, mean_curve
from pipeline.errors import RequestProblem

#: Boosts at which the next psi is stated [psi].
MARGINAL_BOOSTS_PSI = (5.0, 10.0, 15.0, 20.0)

#: The mean curve is stated at every whole psi up to the highest boost tested, and no further than this [psi].
CURVE_END_PSI = 40

#: Boost readings differ by the gauge; a curve may be asked for this far beyond the highest boost tested.
REACH_BEYOND = 1.03

#: What the store's ledger counts, in the order of the flow, with the words of the flow.
_LEDGER = (
    ("rows_read", "rows read", ""),
    ("refused", "refused", "A check failed; each row is kept with its reasons."),
    ("repeated", "repeated", "The same test is already counted under another publisher."),
    ("accepted", "rows accepted", ""),
)

_TABLES = ("run", "build", "source")


def run_study(
    tables: Mapping[str, pl.DataFrame],
    *,
    version: str,
    fingerprint: str,
    made_on: str,
    level: float = 0.95,
    ledger: Mapping[str, int] | None = None,
) -> StudyResults:
    """Answer every question of the study from the clean tables.

    Parameters
    ----------
    tables : clean tables by name: ``run``, ``build`` and ``source``.
    version, fingerprint, made_on : what the results are stamped with: version of the program,
        fingerprint of the data, day as ISO text.
    level : coverage of all intervals.
    ledger : rows_read, accepted, refused, repeated of the store; put before the flow of runs.

    Returns
    -------
    StudyResults
        Where a question cannot be answered its estimate has no value and says why.

    Raises
    ------
    RequestProblem
        When a table or a column that the study needs is absent, or the level is none.
    """
    _check_request(tables, level)
    sample = choose_sample(tables["run"], tables["build"])
    fit = fit_joint(sample.runs, sample.units)
    headline = answer_rule_ratio(fit, level)
    curvature = answer_curvature(fit, level=level)
    gain = mean_curve(fit, _curve_boosts_kpa(fit), level)
    return StudyResults(
        fingerprint=fingerprint,
        version=version,
        made_on=made_on,
        invented=_invented(tables["source"], sample.units),
        rule_ratio=headline.rule_ratio,
        between_builds_sd=headline.between_builds_sd,
        new_build_rule_ratio=headline.new_build_rule_ratio,
        curvature=curvature.one_stage,
        curvature_within_builds=curvature.within_builds,
        last_over_first=curvature.last_over_first,
        marginal_yield=_within_evidence(fit, curvature.marginal_yield),
        mean_gain_ratio=gain.mean,
        new_build_gain_ratio=gain.new_build,
        notes=_notes(headline.notes, curvature, sample.units),
        units=_unit_results(sample.units, fit, level),
        runs=_run_results(sample),
        flow=(*_ledger_steps(ledger), *sample.flow),
        sensitivity=_sensitivity(tables, sample, headline.rule_ratio, level),
        rules=judge_rules(_evidence(fit, level)),
        sources=_source_notes(tables["source"], tables["build"], sample.units),
    )


def _check_request(tables: Mapping[str, pl.DataFrame], level: float) -> None:
    missing = [name for name in _TABLES if name not in tables]
    if missing:
        raise RequestProblem(
            f"The study was given the tables {', '.join(sorted(tables)) or 'none'} and lacks {', '.join(missing)}; "
            f"it reads {', '.join(_TABLES)} from the store. Build the store, then run the study on it."
        )
    if not 0.0 < level < 1.0:
        raise RequestProblem(
            f"The level of the intervals is {level}; it must lie between 0 and 1, as 0.95 does. Give another level to the study."
        )


# --- answers ------------------------------------------------------------------------------------------------------------


def _highest_psi(fit: JointFit) -> float:
    """Highest boost tested, as psi at sea level; 0 without boosted runs."""
    return (fit.highest_boost_ratio or 0.0) * rule.SEA_LEVEL_KPA / rule.KPA_PER_PSI


def _curve_boosts_kpa(fit: JointFit) -> list[float]:
    end = min(CURVE_END_PSI, int(_highest_psi(fit) * REACH_BEYOND))
    return [psi * rule.KPA_PER_PSI for psi in range(1, end + 1)]


def _beyond(fit: JointFit, boost_kpa: float) -> str | None:
    """Why nothing is said at this boost, or None where it was tested."""
    highest = _highest_psi(fit)
    if fit.effects is None or boost_kpa / rule.KPA_PER_PSI <= highest * REACH_BEYOND:
        return None
    return f"No build in the study was tested above {highest:.1f} psi at sea level."


def _within_evidence(fit: JointFit, points: Sequence[BoostPoint]) -> tuple[BoostPoint, ...]:
    """The points, with no value where no build was tested at so much boost."""
    return tuple(BoostPoint(p.boost_kpa, _unless(_beyond(fit, p.boost_kpa), p.estimate)) for p in points)


def _unless(why: str | None, estimate: Estimate) -> Estimate:
    return (
        estimate
        if why is None
        else Estimate(None, None, None, estimate.level, estimate.unit, estimate.builds, estimate.runs, why)
    )


def _evidence(fit: JointFit, level: float) -> dict[str, Evidence]:
    """What the rules of thumb are judged by."""

    def gain_at_one_atmosphere(at: float) -> Estimate:
        point = mean_curve(fit, [rule.SEA_LEVEL_KPA], at).mean[0]
        return _unless(_beyond(fit, rule.SEA_LEVEL_KPA), point.estimate)

    def ratio(at: float) -> Estimate:
        return answer_rule_ratio(fit, at).rule_ratio

    return {
        "rule_ratio": Evidence(ratio(level), ratio(EQUIVALENCE_LEVEL)),
        "gain_at_one_atmosphere": Evidence(gain_at_one_atmosphere(level), gain_at_one_atmosphere(EQUIVALENCE_LEVEL)),
    }


def _sensitivity(
    tables: Mapping[str, pl.DataFrame], main: Sample, headline: Estimate, level: float
) -> tuple[SensitivityLine, ...]:
    """The rule ratio under each named alternative; what comes to the main sample is not chosen or fitted twice."""

    def answer(alternative: Alternative) -> Estimate:
        same_choice = alternative.sample == MAIN.sample
        sample = main if same_choice else choose_sample(tables["run"], tables["build"], alternative.sample)
        if sample.units.is_empty() and not main.units.is_empty():
            return Estimate(None, None, None, level, "1", 0, 0, "No build is left under this choice.")
        curved, levelled = alternative.with_curvature, alternative.with_publisher_level
        if curved and levelled and sample.runs.equals(main.runs) and sample.units.equals(main.units):
            return headline
        fit = fit_joint(sample.runs, sample.units, with_curvature=curved, with_publisher_level=levelled)
        return answer_rule_ratio(fit, level).rule_ratio

    return sensitivity_lines(answer)


def _notes(headline: tuple[str, ...], curvature: CurvatureAnswers, units: pl.DataFrame) -> tuple[str, ...]:
    """Sentences to print beside the figures, each once."""
    notes = [*headline, *curvature.notes]
    named = units.filter(pl.col("engine_id").is_not_null()).select("publisher", "engine_id")
    shared = named.height - named.group_by("publisher", "engine_id").len().filter(pl.col("len") == 1).height
    if shared:
        notes.append(f"{shared} of the {units.height} builds share their test engine with another: they are not independent.")
    doubtful = units.filter(pl.col("ambient_basis") == "assumed").height
    if doubtful:
        notes.append(
            f"For {doubtful} of {units.height} builds neither air pressure nor altitude is stated; sea level is assumed."
        )
    return tuple(dict.fromkeys(note for note in notes if note))


# --- records ------------------------------------------------------------------------------------------------------------


def _unit_results(units: pl.DataFrame, fit: JointFit, level: float) -> tuple[UnitResult, ...]:
    """Each unit with its own and its shrunk rule ratio; normal intervals, because their error sizes are taken as known."""
    table = units.join(fit.unit_table(), on="unit", how="left").sort("unit")
    z = float(norm.ppf(0.5 + level / 2))
    outside = dict(fit.dropped.iter_rows())

    def estimate(row: Mapping[str, Any], value: str, variance: str) -> Estimate:
        runs = row["boosted_runs"] + row["baseline_runs"]
        mean, var = row.get(value), row.get(variance)
        if mean is None or var is None or not (math.isfinite(mean) and var >= 0):
            left = outside.get(row["unit"])
            why = (
                f"The build was left out of the fit: {left}." if left else fit.why or "The fit gives no estimate for this build."
            )
            return Estimate(None, None, None, level, "1", 1, runs, why)
        half = z * var**0.5
        return Estimate(mean, mean - half, mean + half, level, "1", 1, runs)

    plain = [name for name in UnitResult.__dataclass_fields__ if name not in ("rule_ratio", "shrunk_rule_ratio")]
    return tuple(
        UnitResult(
            **{name: row[name] for name in plain},
            rule_ratio=estimate(row, "own_slope", "own_variance"),
            shrunk_rule_ratio=estimate(row, "blup", "blup_variance"),
        )
        for row in table.iter_rows(named=True)
    )


def _run_results(sample: Sample) -> tuple[RunResult, ...]:
    """Each boosted run as the fit saw it, with its yield referred to sea level."""
    boosted = sample.runs.filter(pl.col("boost_kpa") > 0).join(sample.units.select("unit", "na_power_kw"), on="unit", how="left")
    gained = rule.yield_at_sea_level(pl.col("power"), pl.col("na_power_kw"), pl.col("boost_kpa"), pl.col("ambient_kpa"))
    shown = boosted.sort("unit", "boost_kpa", "run_key").select(
        "run_key", "unit_id", "boost_kpa", "boost_ratio", "gain_ratio", power_kw="power", yield_kw_per_kpa=gained
    )
    return tuple(RunResult(**row) for row in shown.iter_rows(named=True))


def _ledger_steps(ledger: Mapping[str, int] | None) -> tuple[FlowStep, ...]:
    return tuple(
        FlowStep(step, int(ledger[key]), reason) for key, step, reason in _LEDGER if ledger is not None and key in ledger
    )


def _cited(builds: pl.DataFrame, units: pl.DataFrame) -> set[str]:
    """Sources of analysed builds, and of those that print the same tests again."""
    cited = set(units["source"].to_list())
    if "same_test_as" in builds.columns:
        again = builds.filter(pl.col("same_test_as").is_in(units["build_key"].implode()))
        cited |= set(again["source"].to_list())
    return cited


def _invented(sources: pl.DataFrame, units: pl.DataFrame) -> bool:
    """Whether any analysed source is invented demo data; without analysed builds, whether any source is."""
    if "invented" not in sources.columns or sources.is_empty():
        return False
    analysed = sources.filter(pl.col("source").is_in(units["source"].implode())) if not units.is_empty() else sources
    return bool(analysed["invented"].fill_null(False).any())


def _source_notes(sources: pl.DataFrame, builds: pl.DataFrame, units: pl.DataFrame) -> tuple[SourceNote, ...]:
    cited = _cited(builds, units)

    def text(row: Mapping[str, Any], name: str) -> str:
        value = row.get(name)
        return "" if value is None else str(value)

    return tuple(
        SourceNote(
            text(row, "source"), text(row, "title"), text(row, "publisher"), text(row, "url"), text(row, "licence"),
            text(row, "published_on"), bool(row.get("invented")),
        )
        for row in sources.sort("source").iter_rows(named=True)
        if row["source"] in cited
    )  # fmt: skip
