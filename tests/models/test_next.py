"""Test planning: sample sizes against known tables, predicted narrowing against a refit, limits on boost."""

import numpy as np
import polars as pl
import pytest

from models.joint_fit import fit_joint
from models.next_builds import Spreads, builds_for_power, variance_of_mean
from models.next_designs import PLANS, plan_grams, reach_of
from models.next_information import added, information_of, variance
from models.rule import SEA_LEVEL_KPA
from tests.models.fit_strategies import FitTruth, simulate_fit


@pytest.mark.reference
@pytest.mark.parametrize(("effect", "n"), [(0.2, 199), (0.5, 34), (0.8, 15)])
def test_one_sample_t_test_needs_the_tabled_number(effect, n):
    """Sizes of a two-sided one-sample t test, 5 %, power 0.80 (Cohen 1988 and its successors; from memory).

    With every build of a publisher of its own, the plan is that test: it has the power with n and not with n - 1.
    """
    from models.next_builds import power_of_test

    spreads = Spreads(0.0, 1.0, 0.0)
    assert power_of_test(1.0 - effect, spreads, n, n) >= 0.8 > power_of_test(1.0 - effect, spreads, n - 1, n - 1)


@pytest.mark.parametrize(("publishers", "n"), [(4, 34), (5, 21), (8, 14), (12, 12), (20, 20)])
def test_builds_that_tell_nine_tenths_from_the_rule(publishers, n):
    assert builds_for_power(0.90, Spreads(0.03**2, 0.0110, 0.0), publishers) == pytest.approx(n, abs=1)


def test_never_where_publishers_differ_too_much():
    assert builds_for_power(0.98, Spreads(0.03**2, 0.0110, 0.0), 8) is None
    assert variance_of_mean(Spreads(0.0009, 0.01, 0.0), 8, 10**9) == pytest.approx(0.0009 / 8)


def test_information_is_that_of_the_fit():
    fit = fit_joint(*simulate_fit(FitTruth(builds=50, publishers=8), seed=3))
    assert information_of(fit).total == pytest.approx(np.linalg.inv(fit.answer.covariance_model), rel=1e-6)


@pytest.mark.simulation
@pytest.mark.parametrize("new", [True, False])
def test_predicted_narrowing_is_that_of_a_refit(new):
    """Ten builds are really added to a simulated study: the refit's model variances against those predicted."""
    runs, units = simulate_fit(FitTruth(builds=80, publishers=10), seed=5)
    fit = fit_joint(runs, units, estimate_phi=False)
    plan, top = PLANS[4], 80.0
    largest = int(np.argmax(np.bincount(fit.publisher_index)))
    predicted = added(information_of(fit), plan_grams(fit, [plan], top), np.ones((1, 1)), None if new else largest, 10)[0]
    draw, effects, rows = np.random.default_rng(7), fit.answer, []
    for unit in range(80, 90):
        slope = effects.beta[0] + draw.normal(0, effects.tau)
        for boost in [share * top for share in plan.shares] + [0.0] * plan.baselines:
            x = boost / SEA_LEVEL_KPA
            power = (1 + slope * x + effects.q * x * (x - 1.0)) * np.exp(draw.normal(0, 0.015)) * 200
            rows.append((unit, boost, SEA_LEVEL_KPA, power, 0.015, 1.19279))
    more = pl.DataFrame(rows, schema=runs.schema, orient="row")
    name = fit.publishers[largest]
    extra = pl.DataFrame(
        {"unit": range(80, 90), "publisher": [f"N{i}" if new else name for i in range(10)], "dyno_class": ["engine"] * 10}
    ).with_columns(session_rel_sd=pl.lit(0.005), gauge_sd_kpa=pl.lit(0.689476))
    after = fit_joint(pl.concat([runs, more]), pl.concat([units, extra.cast(units.schema)]), estimate_phi=False)
    scale = (effects.tau**2) / (after.answer.tau**2)
    for place in (0, 1):
        contrast = np.eye(2)[place]
        got = float(after.answer.covariance_model[place, place]) * (scale if place == 0 else 1.0)
        assert variance(predicted, contrast) == pytest.approx(got, rel=0.2)
        assert variance(predicted, contrast) < float(effects.covariance_model[place, place])


def test_no_more_boost_than_evidence_and_limit():
    units = pl.DataFrame(
        {"induction": ["turbocharger"] * 5, "charge_cooling": ["none"] * 5, "fuel": ["petrol"] * 5,
         "highest_boost_kpa": [90.0, 70.0, 50.0, 40.0, 30.0]}
    )  # fmt: skip
    assert reach_of(units, 200.0).top_kpa == 50.0
    assert reach_of(units, 35.0).top_kpa == 35.0
    unnamed = reach_of(units, None)
    assert not unnamed.is_named and unnamed.top_kpa <= 50.0
    assert reach_of(units.head(2), 35.0) is None


def test_narrowing_starts_at_the_interval_and_falls_fastest_by_new_publishers():
    from models.estimate import Estimate
    from models.next_narrowing import BUILDS, narrowing_of

    fit = fit_joint(*simulate_fit(FitTruth(builds=50, publishers=8), seed=3))
    contrast = np.eye(2)[0]
    known = Estimate(0.9, 0.86, 0.94, 0.95, "1", 50, 120)
    reach = reach_of(_five_of_a_class(), None)
    steps = narrowing_of(fit, information_of(fit), contrast, reach, np.ones(1), known)
    assert [one.builds for one in steps] == [0, *BUILDS]
    assert steps[0].by_new == steps[0].by_own == pytest.approx(0.04)
    for before, after in zip(steps, steps[1:], strict=False):
        assert after.by_new < before.by_new and after.by_own < before.by_own
        assert after.by_new <= after.by_own  # equal where publishers do not differ
    # ten builds by the best plan: the same fall as the ranking's own
    ten = next(one for one in steps if one.builds == 10)
    info = information_of(fit)
    new = added(info, plan_grams(fit, PLANS, reach.top_kpa), np.ones((len(PLANS), 1)), None, 10)
    best = min(variance(one, contrast) for one in new)
    assert ten.by_new == pytest.approx(0.04 * np.sqrt(best / variance(info.total, contrast)))
    assert narrowing_of(fit, info, contrast, reach, np.ones(1), Estimate(0.9, None, None, 0.95, "1", 50, 120, "why")) == ()


def _five_of_a_class():
    return pl.DataFrame(
        {"induction": ["turbocharger"] * 5, "charge_cooling": ["none"] * 5, "fuel": ["petrol"] * 5,
         "highest_boost_kpa": [90.0, 70.0, 50.0, 40.0, 30.0]}
    )  # fmt: skip
