"""Which test narrows what is expected of one engine: baselines, its own boosted runs, or builds like it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.fit_answers import contrast_estimate, curve_row
from models.joint_fit import ErrorSizes, JointFit
from models.next_candidates import Asked, Wishes, check_wishes, kind_words, level_words, made_test, of_class, ranked, tests_of
from models.next_designs import PLANS, Reach, levels_of_plan, plan_grams, reach_of
from models.next_information import information_of
from models.next_records import NextQuestion, NextTest
from models.next_test import NextStudy
from models.rule import KPA_PER_PSI, REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA
from pipeline.errors import RequestProblem


@dataclass(frozen=True, slots=True)
class PlannedEngine:
    """The engine whose estimate is to be narrowed: output without boost [kW] and the gauge boost asked about [kPa]."""

    na_kw: float
    boost_kpa: float


def ask_engine(study: NextStudy, engine: PlannedEngine, wishes: Wishes, level: float = 0.95) -> NextQuestion:
    """Which test narrows the power expected of one engine: more baselines, its own boosted runs, or builds like it.

    Notes
    -----
    The error of ln power is that of the baseline figure and that of the engine's own slope, which a boosted run of the engine
    itself shrinks (Henderson 1975, from memory): with w = tau^2/(tau^2 + 1/zz) the slope's error is (1 - w) tau^2 plus the
    coefficients' error along [(1 - w) X, c/x - w zk/zz].

    Raises
    ------
    RequestProblem : output or boost cannot be.
    """
    fit = study.fit
    effects = fit.answer
    check_wishes(wishes)
    if not (0.0 < engine.na_kw <= 10_000.0) or not (0.0 < engine.boost_kpa <= 700.0):
        raise RequestProblem(
            f"The engine was given as {engine.na_kw:.4g} kW without boost at {engine.boost_kpa:.4g} kPa; output must lie above 0 and be at "
            "most 10000 kW, boost above 0 and at most 700 kPa. Give --na 340hp --boost 9psi."
        )
    units = of_class(study.sample.units, wishes)
    reach = reach_of(units, wishes.max_boost_kpa)
    x = engine.boost_kpa / SEA_LEVEL_KPA
    row = curve_row(fit, x, x * (x - REFERENCE_BOOST_RATIO))
    ratio = 1.0 + float(row @ effects.theta)
    info = information_of(fit)
    errors, slope_var = ErrorSizes(), (x * effects.tau) ** 2
    session_var = 2.0 * errors.session_rel_sd**2
    rest = slope_var + ratio**2 * (errors.power_rel_sd**2 + session_var)
    known = contrast_estimate(fit, row, level, more_variance=rest)
    known = replace(known, value=ratio, low=_plus(known.low), high=_plus(known.high))
    asked = Asked("engine", "What this engine would make at that boost", f"{engine.boost_kpa / KPA_PER_PSI:.1f} psi", known)
    now = float(row @ effects.covariance_model @ row) + rest
    tests = [_more_baselines(now, ratio, errors, wishes)]
    if reach is None or not len(units):
        why = f"Fewer than three builds of this class were tested; only baselines can be planned for it ({kind_words(wishes)})."
        return NextQuestion(asked.ask, asked.question, asked.about, known, tuple(tests), why)
    if wishes.max_boost_kpa is not None:
        tests.extend(_own_runs(fit, replace(reach, top_kpa=min(reach.top_kpa, engine.boost_kpa)), x, now, ratio, errors, wishes))
    tests.extend(tests_of(fit, info, row, reach, np.ones(1), wishes, rest=rest))
    return NextQuestion(asked.ask, asked.question, asked.about, known, ranked(tests))


def _plus(end: float | None) -> float | None:
    return None if end is None else end + 1.0


def _more_baselines(now: float, ratio: float, errors: ErrorSizes, wishes: Wishes) -> NextTest:
    """Two further pulls of the engine without boost: the mean of three has a third of the variance."""
    then = now - ratio**2 * errors.power_rel_sd**2 * (1.0 - 1.0 / 3.0)
    return made_test(
        "two more baselines of this engine", "The expected power is the baseline times a ratio: an error of the baseline goes all the way.",
        1.0 - (then / now) ** 0.5, None, "", (), 2, 2, wishes,
    )  # fmt: skip


def _own_runs(
    fit: JointFit, reach: Reach, x: float, now: float, ratio: float, errors: ErrorSizes, wishes: Wishes
) -> list[NextTest]:
    """Boosted runs of the engine itself, at no more than the reach; its own baseline error stays in its level."""
    effects, made = fit.answer, []
    grams = plan_grams(fit, PLANS, reach.top_kpa, errors)
    tau2 = effects.tau**2
    for i, plan in enumerate(PLANS):
        zz, zk = float(grams.czz[i]), float(grams.czk[i])
        w = tau2 * zz / (1.0 + tau2 * zz)
        row = curve_row(fit, x * (1.0 - w), x * (x - REFERENCE_BOOST_RATIO) - x * w * zk / zz)
        level_var = ratio**2 * (errors.power_rel_sd**2 / plan.baselines + 2.0 * errors.session_rel_sd**2)
        then = x * x * (1.0 - w) * tau2 + float(row @ effects.covariance_model @ row) + level_var
        levels = levels_of_plan(plan, reach.top_kpa)
        why = "Nothing tells what one engine does like a run of that engine: most of the range is the spread between builds."
        made.append(
            made_test(f"this engine itself, {level_words(plan, levels)}", why, 1.0 - (then / now) ** 0.5, None, "", levels,
                  plan.baselines, plan.pulls, wishes)
        )  # fmt: skip
    return made
