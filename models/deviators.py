"""Builds that depart: from their peers, and from the rule, each with the causes that its own record allows.

What the lists hold is decided in :mod:`models.deviator_tests`, what may have caused an entry in :mod:`models.deviator_causes`;
here records are joined to both. A listed build is "unlike its peers", not wrong: real builds differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from models.build_sums import Floats, Ints
from models.deviation_case import Case
from models.deviator_causes import find_causes, say_causes
from models.deviator_records import Deviator, DeviatorAnswers, DeviatorKind, DeviatorTest
from models.deviator_tests import FALSE_DISCOVERY_RATE, PeerTests, RuleTests, peer_design, peer_tests, rule_tests
from models.driver_records import BuildPhysics, PhysicsAnswers
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.laws import norm, t
from models.sample import Sample

#: The trade would still call the rule right within this much of it.
MARGIN = 0.10

#: Degrees of freedom below which a leave-one-out test is a guess.
LEAST_FREEDOM = 5

#: Entries of the list of those that break the rule that are written out; in a large study half of all builds may do so.
MOST_WRITTEN = 200

#: What is read of a deviator's runs beside the figures of the fit.
_READ = (
    "power_rpm", "measured_at", "correction_factor", "boost_taken", "boost_where", "boost_step_kpa", "air_c", "charge_c",
    "exhaust_back_kpa", "lambda", "spark_deg", "fuel", "octane_ron", "octane_mon", "octane_aki", "ethanol_pct",
    "is_stated_rating", "baseline_hardware", "same_exhaust", "same_tune_target",
)  # fmt: skip

Rows = list[dict[str, Any]]


def answer_deviators(
    fit: JointFit, sample: Sample, runs: pl.DataFrame, physics: PhysicsAnswers | None = None, level: float = 0.95
) -> DeviatorAnswers:
    """Both lists of deviators with tested causes.

    Parameters
    ----------
    fit : the headline fit.
    sample : what it was fitted to.
    runs : clean table ``run``, for what the records state beside the figures; columns may be absent.
    physics : what physics expects of each build, or None.
    level : coverage of the intervals shown.
    """
    if fit.effects is None or fit.grams is None:
        return _nothing(fit.why or "There is no fit.")
    columns = peer_design(fit.units).columns.shape[1]
    if fit.builds - columns - 1 < LEAST_FREEDOM:
        return _nothing(f"{fit.builds} builds are too few to say which of them is unlike the others.")
    peers, rule = peer_tests(fit), rule_tests(fit, MARGIN)
    unlike = np.flatnonzero(peers.q_value <= FALSE_DISCOVERY_RATE)
    unlike = unlike[np.argsort(peers.q_value[unlike], kind="stable")]
    strict = rule.q_value <= FALSE_DISCOVERY_RATE
    breaks = np.flatnonzero(rule.is_listed | strict)
    breaks = breaks[np.lexsort((rule.q_value[breaks], rule.local_fdr[breaks]))]
    written = breaks[:MOST_WRITTEN]
    found = _Findings(fit, sample, peers, rule, _by_unit(physics), level)
    recorded = _recorded(fit, sample, runs, np.concatenate([unlike, written]))
    return DeviatorAnswers(
        unlike_peers=tuple(_unlike(found, int(i), recorded) for i in unlike),
        breaks_rule=tuple(_breaks(found, int(i), recorded) for i in written),
        unlike_peers_count=int(unlike.size),
        breaks_rule_count=int(breaks.size),
        breaks_rule_strict_count=int(strict.sum()),
        tested=fit.builds,
        curvature_tested=peers.curvature_tested,
        false_discovery_rate=FALSE_DISCOVERY_RATE,
        peer_sd=peers.robust.tau,
        peer_terms=peers.terms,
        why=None,
        notes=_notes(peers, int(breaks.size)),
    )


@dataclass(frozen=True, slots=True)
class _Findings:
    """What both lists are written from."""

    fit: JointFit
    sample: Sample
    peers: PeerTests
    rule: RuleTests
    physics: Mapping[str, BuildPhysics]
    level: float


def _nothing(why: str) -> DeviatorAnswers:
    return DeviatorAnswers((), (), 0, 0, 0, 0, 0, FALSE_DISCOVERY_RATE, None, (), why, ())


def _by_unit(physics: PhysicsAnswers | None) -> dict[str, BuildPhysics]:
    return {} if physics is None else {band.unit_id: band for band in physics.builds}


def _notes(peers: PeerTests, breaking: int) -> tuple[str, ...]:
    notes = [
        "Unlike its peers does not mean wrong: real builds differ, and the headline keeps every one of them.",
        "Errors of a tenth in air pressure or boost are no larger than real differences between builds: most of them cannot be found here.",
    ]
    if not peers.curvature_tested:
        notes.append("Too few builds were tested at several boosts for their curvature to be compared.")
    if breaking > MOST_WRITTEN:
        notes.append(f"{breaking} builds break the rule; the {MOST_WRITTEN} that do so most surely are written out.")
    return tuple(notes)


# --- one entry ----------------------------------------------------------------------------------------------------------


def _unlike(found: _Findings, i: int, recorded: Mapping[int, Rows]) -> Deviator:
    peers = found.peers
    freedom = found.fit.builds - 1 - len(peers.terms) - 1
    half = float(t.ppf(0.975, freedom)) * float(peers.expected_sd[i])
    # about the reading as it is shown elsewhere, which is taken at the fitted curvature and not at the robust one
    expected = float(found.fit.own_slope[i] - (peers.slope[i] - peers.expected[i]))
    case = _case(found, i, recorded, "unlike_peers", expected, half)
    return _entry(found, i, case, expected - half, expected + half, float(peers.q_value[i]), None, True)


def _breaks(found: _Findings, i: int, recorded: Mapping[int, Rows]) -> Deviator:
    rule = found.rule
    case = _case(found, i, recorded, "breaks_rule", 1.0, MARGIN)
    q_value = float(rule.q_value[i])
    local, strict = float(rule.local_fdr[i]), q_value <= FALSE_DISCOVERY_RATE
    return _entry(found, i, case, 1.0 - MARGIN, 1.0 + MARGIN, q_value, local, strict)


def _entry(
    found: _Findings, i: int, case: Case, low: float, high: float, q_value: float, local_fdr: float | None, is_strict: bool
) -> Deviator:
    fit, unit = found.fit, case.unit
    half = float(norm.ppf(0.5 + found.level / 2.0)) * float(fit.own_variance[i]) ** 0.5
    runs = int(fit.baseline_runs[i] + fit.boosted_runs[i])
    causes = find_causes(case)
    tested_by: DeviatorTest = "curvature" if case.is_bent else "slope"
    return Deviator(
        publisher=unit["publisher"],
        build=unit["build"],
        build_key=unit["build_key"],
        unit_id=unit["unit_id"],
        kind=case.kind,
        rule_ratio=Estimate(case.own, case.own - half, case.own + half, found.level, "1", 1, runs),
        expected=case.expected,
        expected_low=low,
        expected_high=high,
        q_value=q_value,
        local_fdr=local_fdr,
        is_strict=is_strict,
        tested_by=tested_by,
        physics_low=case.physics[0] if case.physics else None,
        physics_high=case.physics[1] if case.physics else None,
        causes=causes,
        summary=say_causes(causes),
    )


def _case(found: _Findings, i: int, recorded: Mapping[int, Rows], kind: DeviatorKind, expected: float, band: float) -> Case:
    fit, peers = found.fit, found.peers
    unit = fit.units.row(i, named=True)
    rows = recorded[i]
    bend = float(peers.curvature_residual[i])
    band_of = found.physics.get(unit["unit_id"])
    others, mean, se = _publisher_habit(fit, peers, i)
    return Case(
        kind=kind,
        own=float(fit.own_slope[i]),
        expected=expected,
        band=band,
        curvature=fit.answer.q,
        curvature_sd=peers.curvature_sd,
        bend=None if np.isnan(bend) else bend,
        is_bent=kind == "unlike_peers" and bool(peers.by_curvature[i]),
        error_scale=fit.phi.get(unit["dyno_class"], 1.0),
        unit=unit,
        baselines=[row for row in rows if row["boost_kpa"] == 0],
        boosted=[row for row in rows if row["boost_kpa"] > 0],
        others=others,
        others_mean=mean,
        others_se=se,
        peers_mean=float(peers.robust.fitted[i]),
        are_peers_cooled_alike=any(term.startswith("charge_cooling") for term in peers.terms),
        physics=None if band_of is None else (band_of.rule_ratio_low, band_of.rule_ratio_high),
    )


def _publisher_habit(fit: JointFit, peers: PeerTests, i: int) -> tuple[int, float, float]:
    """How many other builds the publisher has, how far they lie from their peers on average, and that mean's standard error."""
    mine = fit.publisher_index == fit.publisher_index[i]
    mine[i] = False
    count = int(mine.sum())
    if count == 0:
        return 0, 0.0, 0.0
    weights: Floats = 1.0 / (peers.robust.tau**2 + peers.variance[mine])
    return count, float(np.average(peers.robust.residuals[mine], weights=weights)), float(weights.sum()) ** -0.5


# --- what their records say ---------------------------------------------------------------------------------------------


def _recorded(fit: JointFit, sample: Sample, runs: pl.DataFrame, chosen: Ints) -> dict[int, Rows]:
    """Rows of the chosen builds by place in the fit: figures of the fit beside what the record states, by rising boost."""
    places = {str(fit.units["unit_id"][int(i)]): int(i) for i in chosen}
    rows = sample.runs.filter(pl.col("unit_id").is_in(list(places)))
    stated = runs.select("run_key", *(name for name in _READ if name in runs.columns))
    rows = rows.join(stated, on="run_key", how="left", maintain_order="left").sort("unit", "boost_kpa", "run_key")
    made: dict[int, Rows] = {place: [] for place in places.values()}
    for row in rows.iter_rows(named=True):
        made[places[row["unit_id"]]].append(row)
    return made
