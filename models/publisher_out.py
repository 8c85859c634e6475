"""The headline without each publisher in turn: does the answer hang on one voice?"""

from __future__ import annotations

import numpy as np

from models.build_grams import BuildGrams, take_builds
from models.build_sums import Ints
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.laws import t
from models.random_effects import fit_random_effects
from models.results import OnePublisherOut, PublisherOut

#: With more publishers than this, those with most builds are left out one at a time; no other one can move the answer as far.
MOST_PUBLISHERS = 60


def leave_out_each_publisher(fit: JointFit, level: float = 0.95) -> OnePublisherOut:
    """Rule ratio without each publisher, from the builds' statistics at the headline's fixed point.

    The spreads are estimated anew each time, from those of the headline on: few publishers move them far, and a fifth of the
    steps is saved. The scale of the errors and the point of linearisation are the headline's.
    """
    if fit.effects is None or fit.grams is None:
        return OnePublisherOut((), None, None, fit.why or "There is no fit.")
    if len(fit.publishers) < 2:
        return OnePublisherOut(
            (), None, None, f"All builds come from one publisher ({fit.publishers[0]}); without it nothing is left."
        )
    counts = np.bincount(fit.publisher_index, minlength=len(fit.publishers))
    asked = sorted(np.argsort(-counts, kind="stable")[:MOST_PUBLISHERS].tolist())
    lines = [PublisherOut(fit.publishers[g], int(counts[g]), _without(fit, fit.grams, g, level)) for g in asked]
    lines.sort(key=lambda line: (line.rule_ratio.value is None, line.rule_ratio.value or 0.0, line.publisher))
    values = [line.rule_ratio.value for line in lines if line.rule_ratio.value is not None]
    why = None
    if len(fit.publishers) > MOST_PUBLISHERS:
        why = f"Of {len(fit.publishers):,} publishers the {MOST_PUBLISHERS} with most builds were left out in turn."
    return OnePublisherOut(tuple(lines), min(values, default=None), max(values, default=None), why)


def _without(fit: JointFit, grams: BuildGrams, publisher: int, level: float) -> Estimate:
    keep = fit.publisher_index != publisher
    builds, runs = int(keep.sum()), int((fit.baseline_runs + fit.boosted_runs)[keep].sum())

    def nothing(why: str) -> Estimate:
        return Estimate(None, None, None, level, "1", builds, runs, why)

    rest = fit.publisher_index[keep]
    left: Ints = rest - (rest > publisher)
    publishers = len(fit.publishers) - 1
    curved = fit.curvature_why is None
    if builds < 1 + curved:
        return nothing(f"Only {builds} builds are left.")
    design, main = fit.design[keep], fit.answer
    try:
        effects = fit_random_effects(
            take_builds(grams, keep),
            design,
            left,
            with_curvature=curved,
            start_taus=(main.tau_build, main.tau_source),
            with_predictions=False,
            with_jackknife=True,
        )
    except np.linalg.LinAlgError:
        return nothing("The builds that are left cannot give slope and curvature.")
    if not effects.converged:
        return nothing("The fit of the builds that are left did not settle.")
    row = np.zeros(effects.theta.size)
    row[: fit.design.shape[1]] = design.mean(axis=0)
    value = float(row @ effects.theta)
    if publishers < 2:
        return Estimate(
            value, None, None, level, "1", builds, runs, "Only one publisher is left; without others there is no interval."
        )
    half = float(t.ppf(0.5 + level / 2.0, publishers - 1)) * effects.variance_of(row) ** 0.5
    return Estimate(value, value - half, value + half, level, "1", builds, runs)
