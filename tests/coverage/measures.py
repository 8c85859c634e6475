"""What one simulated study says of each question, beside the truth it was drawn from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from models.curvature import answer_curvature
from models.deviators import answer_deviators
from models.drivers import answer_drivers
from models.elasticity import answer_elasticity
from models.equivalence import answer_equivalence
from models.estimate import Estimate
from models.joint_fit import JointFit, fit_joint
from models.other_estimators import clustered_regression, mixed_model, two_stage
from models.publisher_out import leave_out_each_publisher
from models.sample import Sample, choose_sample
from models.simulate import SimulatedStudy, simulate_study
from models.simulate_truth import Truth
from models.yield_fit import answer_rule_ratio

#: Studies have this many builds, drawn evenly.
FEWEST_BUILDS, MOST_BUILDS = 60, 150

#: Builds drawn to know the share within 10 % of the rule in a world.
DRAWN_FOR_SHARE = 200_000


@dataclass
class Measured:
    """One study: estimates with their truth by quantity, yes/no outcomes, and counts to be added up."""

    estimates: dict[str, tuple[float, Estimate]] = field(default_factory=dict)
    outcomes: dict[str, bool] = field(default_factory=dict)
    counts: dict[str, tuple[int, int]] = field(default_factory=dict)  # part, whole
    failed: bool = False


@dataclass(frozen=True)
class Study:
    """A drawn study with its sample and its headline fit."""

    truth: Truth
    drawn: SimulatedStudy
    sample: Sample
    fit: JointFit
    seed: int


Measure = Callable[[Study, Measured], None]


def draw(truth: Truth, seed: int, builds: int | None = None) -> Study:
    """Study number ``seed`` of a world; 60 to 150 builds unless asked."""
    if builds is None:
        builds = int(np.random.Generator(np.random.PCG64([2207, seed])).integers(FEWEST_BUILDS, MOST_BUILDS + 1))
    truth = replace(truth, builds=builds)
    drawn = simulate_study(truth, seed)
    sample = choose_sample(drawn.runs, drawn.builds)
    return Study(truth, drawn, sample, fit_joint(sample.runs, sample.units), seed)


def measure(study: Study, measures: tuple[Measure, ...]) -> Measured:
    """All measures of one study; a study whose fit gives no answer counts as failed."""
    found = Measured(failed=study.fit.effects is None)
    if not found.failed:
        for one in measures:
            one(study, found)
    return found


def headline(study: Study, found: Measured) -> None:
    """Mean, spread, curvature, range of a new build, and the same mean by other estimators."""
    answers, curvature = answer_rule_ratio(study.fit), answer_curvature(study.fit)
    found.estimates["rule ratio"] = study.truth.rule_ratio, answers.rule_ratio
    found.estimates["spread between builds"] = study.truth.between_builds_sd, answers.between_builds_sd
    found.estimates["curvature, one stage"] = study.truth.curvature, curvature.one_stage
    found.estimates["curvature within builds"] = study.truth.curvature, curvature.within_builds
    other = simulate_study(replace(study.truth, builds=40, publishers=40), study.seed + 500_000)
    new = answers.new_build_rule_ratio
    if new.low is not None and new.high is not None:
        inside = other.build_truth["true_rule_ratio"].is_between(new.low, new.high)
        found.counts["new builds inside their 95 % range"] = int(inside.sum()), inside.len()


def other_estimators(study: Study, found: Measured) -> None:
    """The same mean as others would make it: no limits, for comparison."""
    for name, estimate in (
        ("(clustered regression)", clustered_regression(study.sample, 0.95)),
        ("(two stages, Knapp-Hartung)", two_stage(study.fit, 0.95)),
    ):
        found.estimates[f"rule ratio {name}"] = study.truth.rule_ratio, estimate


def mixed(study: Study, found: Measured) -> None:
    """statsmodels MixedLM, slower than all the rest."""
    found.estimates["rule ratio (MixedLM)"] = study.truth.rule_ratio, mixed_model(study.sample, 0.95)


def publishers_out(study: Study, found: Measured) -> None:
    """Whether the range with one publisher out at a time holds the full estimate, as it must."""
    out, full = leave_out_each_publisher(study.fit), answer_rule_ratio(study.fit).rule_ratio.value
    if out.lowest is not None and out.highest is not None and full is not None:
        found.outcomes["headline within its range with one publisher out"] = out.lowest <= full <= out.highest


def elasticity(study: Study, found: Measured) -> None:
    """Exponent of yield in NA power."""
    found.estimates["elasticity"] = study.truth.elasticity, answer_elasticity(study.fit, study.sample).elasticity


def equivalence(study: Study, found: Measured) -> None:
    """Whether the mean is said to hold within 10 %, and the share of builds."""
    answer = answer_equivalence(study.fit)
    found.outcomes["mean said to hold within 10 %"] = answer.mean == "holds"
    found.outcomes["mean said not to hold"] = answer.mean == "does not hold"
    found.estimates["share of builds within 10 %"] = true_share(study.truth), answer.share_of_builds


_SHARES: dict[str, float] = {}


def true_share(truth: Truth) -> float:
    """Share of builds within 10 % of the rule in a world, by drawing many."""
    key = repr(replace(truth, builds=1, publishers=1))
    if key not in _SHARES:
        big = replace(truth, builds=DRAWN_FOR_SHARE, publishers=DRAWN_FOR_SHARE // 10, extra_runs=0.0)
        _SHARES[key] = float(simulate_study(big, 77).build_truth["true_rule_ratio"].is_between(0.9, 1.1).mean())  # type: ignore[arg-type]
    return _SHARES[key]


def drivers(study: Study, found: Measured) -> None:
    """Contrasts between classes, adjusted for one another."""
    effects = {(name, code): row[1] for name, codes in study.truth.classes.items() for code, row in codes.items()}
    for one in answer_drivers(study.sample).together:
        pair = (one.name, one.level), (one.name, one.against)
        if all(side in effects for side in pair) and one.difference.value is not None:
            found.estimates[f"{one.name}: {one.level} against {one.against}"] = (
                effects[pair[0]] - effects[pair[1]],
                one.difference,
            )


def deviators(study: Study, found: Measured) -> None:
    """False and true alarms among builds unlike their peers, by planted mistake."""
    answers = answer_deviators(study.fit, study.sample, study.drawn.runs)
    flagged = {one.build_key for one in answers.unlike_peers}
    mistakes = dict(study.drawn.build_truth.select("build_key", "mistake").iter_rows())
    analysed = [mistakes[key] for key in study.sample.units["build_key"]]
    found.outcomes["some build flagged"] = bool(flagged)
    found.counts["false alarms among flagged"] = sum(mistakes[key] is None for key in flagged), len(flagged)
    planted = [kind for kind in analysed if kind is not None]
    found.counts["planted mistakes found"] = sum(mistakes[key] is not None for key in flagged), len(planted)
    for kind in sorted(set(planted)):
        hit = sum(mistakes[key] == kind for key in flagged)
        found.counts[f"planted mistakes found: {kind}"] = hit, planted.count(kind)
