"""Candidate tests of builds for one question: each plan by new publishers and by the largest, ranked by what it narrows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.build_sums import Floats
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.next_designs import CLASS, PLANS, Reach, TestPlan, levels_of_plan, plan_grams, reach_of
from models.next_information import Information, added, fall_of_sd
from models.next_narrowing import narrowing_of
from models.next_records import NextQuestion, NextTest
from models.rule import KPA_PER_PSI
from pipeline.errors import RequestProblem

#: Tests listed for a question.
MOST_TESTS = 8
_TEN = 10
_PUBLISHERS = ("new", "own")


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a plan is asked for.

    Attributes
    ----------
    max_boost_kpa : most gauge boost that the reader allows; None: no boost is named.
    cost_per_pull : cost of one pull, in any currency; None: ranked by narrowing alone.
    publishers : "new", "own" (the study's largest), or None for both.
    induction, charge_cooling : class of the builds that would be tested; None: any.
    """

    max_boost_kpa: float | None = None
    cost_per_pull: float | None = None
    publishers: str | None = None
    induction: str | None = None
    charge_cooling: str | None = None


def check_wishes(wishes: Wishes) -> None:
    """Refuse a limit, a cost or a publisher that cannot be.

    Raises
    ------
    RequestProblem : says which, and what is allowed.
    """
    limit, cost = wishes.max_boost_kpa, wishes.cost_per_pull
    if limit is not None and not 0.0 < limit <= 700.0:
        raise RequestProblem(
            f"The limit --max-boost is {limit:.4g} kPa; it must lie above 0 and be at most 700 kPa. Give it as 8psi."
        )
    if cost is not None and not 0.0 < cost < 1e9:
        raise RequestProblem(
            f"The cost of a pull is {cost:g}; it must lie above 0 and below 1e9. Give --cost-per-pull as a plain number."
        )
    if wishes.publishers not in (None, *_PUBLISHERS):
        raise RequestProblem(f'The publisher is "{wishes.publishers}"; it may be new or own. Give --publishers new.')


@dataclass(frozen=True, slots=True)
class Asked:
    """A question before its tests: stable name, words, the contrast in words, and the answer as it stands."""

    ask: str
    question: str
    about: str
    known: Estimate


def plan_question(
    asked: Asked, fit: JointFit, info: Information, row: Floats, units: pl.DataFrame, at: Floats, wishes: Wishes, of: str = ""
) -> NextQuestion:
    """The question with its tests; ``at`` are the covariates of the build to be tested."""
    reach = reach_of(units, wishes.max_boost_kpa)
    if reach is None:
        why = "Fewer than three builds of any one class were tested; no boosted test is planned without evidence of its class."
        return NextQuestion(asked.ask, asked.question, asked.about, asked.known, (), why)
    tests = tests_of(fit, info, row, reach, at, wishes, of=of)
    narrowing = narrowing_of(fit, info, row, reach, at, asked.known)
    best = ranked(best_of_each_kind(tests))
    return NextQuestion(asked.ask, asked.question, asked.about, asked.known, best, narrowing=narrowing)


def tests_of(
    fit: JointFit, info: Information, row: Floats, reach: Reach, at: Floats, wishes: Wishes, *, rest: float = 0.0, of: str = ""
) -> list[NextTest]:
    """All plans by all publishers asked for; ``rest`` a variance that no build narrows, ``of`` what kind of build, in words."""
    grams = plan_grams(fit, PLANS, reach.top_kpa)
    design = np.tile(at, (len(PLANS), 1))
    largest = int(np.argmax(np.bincount(fit.publisher_index)))
    made = []
    for which, publisher in (("new", None), ("own", largest)):
        if wishes.publishers not in (None, which):
            continue
        one, ten = (fall_of_sd(info, added(info, grams, design, publisher, times), row, rest) for times in (1, _TEN))
        place = "of a publisher that the study does not have yet" if which == "new" else "of the study's largest publisher"
        for i, plan in enumerate(PLANS):
            levels = levels_of_plan(plan, reach.top_kpa) if reach.is_named else ()
            words = level_words(plan, levels) if levels else plan.words
            made.append(
                made_test(f"a new build{of} {place}, {words}", f"{plan.why} {_WHY[which]}", float(one[i]), float(ten[i]), which, levels,
                      plan.baselines, plan.pulls, wishes)
            )  # fmt: skip
    return made


_WHY = {
    "new": "A new publisher brings a dyno and a habit of its own, so it counts for most.",
    "own": "Builds of one publisher share a dyno and a habit, so a further one counts for less.",
}


def made_test(
    test: str, why: str, falls: float, by_ten: float | None, publisher: str, levels: tuple[float, ...], baselines: int,
    pulls: int, wishes: Wishes,
) -> NextTest:  # fmt: skip
    """A test as a record; ``falls`` are shares, which the record holds in per cent."""
    cost = None if wishes.cost_per_pull is None else wishes.cost_per_pull * pulls
    pct = 100.0 * falls
    ten = None if by_ten is None else 100.0 * by_ten
    return NextTest(test, why, pct, ten, publisher, levels, baselines, pulls, cost, None if cost is None else pct / cost)


def best_of_each_kind(tests: Sequence[NextTest]) -> tuple[NextTest, ...]:
    """The best test of each publisher and reason: plans that differ only in their pulls say one thing many times over."""
    best: dict[tuple[str, str], NextTest] = {}
    for one in sorted(tests, key=_place):
        best.setdefault((one.publisher, one.why), one)
    return tuple(best.values())


def ranked(tests: Sequence[NextTest]) -> tuple[NextTest, ...]:
    """Best first: by narrowing per cost where a cost was stated; equals by fewer pulls."""
    return tuple(sorted(tests, key=_place)[:MOST_TESTS])


def _place(one: NextTest) -> tuple[float, int, str]:
    return (-(one.narrows_pct if one.narrows_per_cost is None else one.narrows_per_cost), one.pulls, one.test)


def level_words(plan: TestPlan, levels: Sequence[float]) -> str:
    """Levels, repeats and baselines in words [psi]."""
    # rounded down: a level in words must not lie above the limit
    each = [f"{np.floor(boost / KPA_PER_PSI * 10 + 1e-9) / 10:.1f} psi" for boost in dict.fromkeys(levels)]
    named = each[0] if len(each) == 1 else ", ".join(each[:-1]) + " and " + each[-1]
    times = len(levels) // len(each)
    repeat = f", {times} pulls each" if times > 1 else ""
    return f"at {named}{repeat}, {plan.baselines} baseline{'' if plan.baselines == 1 else 's'}"


def of_class(units: pl.DataFrame, wishes: Wishes) -> pl.DataFrame:
    """The units of the class that was wished for."""
    for code in CLASS[:2]:
        wanted = getattr(wishes, code)
        if wanted is not None:
            units = units.filter((pl.col(code) == wanted).fill_null(False))
    return units


def kind_words(wishes: Wishes) -> str:
    """The class that was wished for, in words."""
    return ", ".join(code.replace("_", " ") for code in (wishes.induction, wishes.charge_cooling) if code) or "any class"
