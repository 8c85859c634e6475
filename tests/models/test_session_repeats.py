"""Repeatability of a session: scatter apart from drift, recovered; power of its test against figures made elsewhere."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.power import TTestIndPower

from models.compare_records import PullError
from models.sample_rows import complete
from models.session_pulls import Scatter, pull_error, scatter_of, session_pulls, study_scatter
from models.session_repeats import gain_estimate, percentile, report_sessions, smallest_gain_pct

ROW = {
    "source": "s", "publisher": "P", "file": "f.csv", "build_key": "s|P|a", "role": "baseline", "power_kw": 150.0, "boost_kpa": 0.0,
    "ambient_used_kpa": 100.0, "session": "day", "is_repeat": False,
}  # fmt: skip


def runs(powers, **columns):
    rows = [{**ROW, "run_key": f"k{i:03d}", "line": i + 2, "power_kw": p} for i, p in enumerate(powers)]
    for name, values in columns.items():
        values = values if isinstance(values, list) else [values] * len(rows)
        rows = [{**row, name: value} for row, value in zip(rows, values, strict=True)]
    return complete(pl.DataFrame(rows, infer_schema_length=None), "run")


def report(table, study=None):
    return report_sessions(session_pulls(table, 0.9), study or {}, 0.95)


def test_scatter_and_drift_are_recovered_and_do_not_pass_for_one_another():
    rng = np.random.default_rng(11)
    order = [f"s|P|{name}" for name in "aabbaabbaabb" for _ in range(3)]
    drift = np.linspace(0, -0.03, len(order))
    powers = 150 * np.exp(0.004 * rng.standard_normal(len(order)) + drift)
    (one,) = report(runs(list(powers), build_key=order, pull_order=list(range(1, len(order) + 1))))
    assert one.repeatability_pct.low < 0.4 < one.repeatability_pct.high
    assert one.repeatability_pct.value < 0.6  # the whole scatter, drift with it, is about 1 %
    assert one.drift_states == 2 and one.drift_is_baseline
    assert one.drift_pct.low < 100 * math.expm1(drift[24] - drift[0]) < one.drift_pct.high
    assert one.drift_pct.high < 0 and "drifted" in one.sentences[1]


@pytest.mark.slow
def test_coverage_of_the_drift_interval_without_drift():
    rng, sessions = np.random.default_rng(3), 200
    keys = ["s|P|a"] * 3 + ["s|P|b"] * 2 + ["s|P|a"] * 3
    noisy = list(150 * np.exp(0.01 * rng.standard_normal(8 * sessions)))
    names = [f"day {i:03d}" for i in range(sessions) for _ in keys]
    drifts = [one.drift_pct for one in report(runs(noisy, build_key=keys * sessions, session=names))]
    inside = sum(drift.low < 0 < drift.high for drift in drifts)
    assert len(drifts) == sessions
    assert 180 <= inside <= 198  # 95 % of 200, three standard errors either way


def test_one_pull_of_each_asks_for_repeats_and_uses_what_is_known_of_such_dynos():
    table = runs([150.0, 160.0], build_key=["s|P|a", "s|P|b"], dyno_type="engine")
    (bare,), (known,) = report(table), report(table, {"engine": Scatter(30 * 0.008**2, 30, 60), "chassis": Scatter(0.0, 0, 0)})
    assert bare.repeatability_pct.value is None and bare.drift_pct.value is None
    assert bare.pull_error.kind == "assumed" and bare.pull_error.freedom is None
    assert known.pull_error.kind == "study" and known.pull_error.rel_sd == pytest.approx(0.008)
    assert "run the first unboosted state again at the end" in known.sentences[1]
    assert known.smallest[0].gain_pct < bare.smallest[0].gain_pct
    assert [row.pulls for row in bare.smallest] == [1, 2, 3, 5]
    assert all(a.gain_pct > b.gain_pct for a, b in zip(bare.smallest, bare.smallest[1:], strict=False))


def test_order_of_the_file_is_doubted_where_none_is_stated():
    powers, keys = [150.0, 150.4, 160.0, 149.0, 149.3], ["s|P|a", "s|P|a", "s|P|b", "s|P|a", "s|P|a"]
    (by_file,) = report(runs(powers, build_key=keys))
    (stated,) = report(runs(powers, build_key=keys, pull_order=[1, 2, 3, 4, 5]))
    assert by_file.drift_pct == stated.drift_pct
    assert "pull_order would say so" in by_file.sentences[1] and "pull_order" not in stated.sentences[1]


def test_stated_means_of_pulls_carry_their_own_scatter():
    (one,) = report(runs([150.0, 160.0], build_key=["s|P|a", "s|P|b"], pulls=[4, 6], power_sd_kw=[1.5, 1.6]))
    expected = math.sqrt((3 * 0.01**2 + 5 * 0.01**2) / 8)
    assert one.repeatability_pct.value == pytest.approx(100 * expected)
    assert one.pulls == 10


def test_boost_of_one_state_may_wander_without_passing_for_scatter():
    x = np.array([60.0, 61.0, 59.0, 60.5])
    powers = list(150 * (1 + 0.9 * x / 100))
    table = runs(powers, boost_kpa=list(x), role="boosted", induction="turbocharger")
    assert scatter_of(session_pulls(table, 0.9)).rel_sd < 1e-9
    assert scatter_of(session_pulls(table, 0.0)).rel_sd > 0.003


def test_sessions_and_dynos_are_apart_and_failed_pulls_are_no_pulls():
    table = runs([150.0, 151.0, 170.0, 171.0, 90.0], session=["a", "a", "b", "b", "b"], outcome=["completed"] * 4 + ["failed"])
    first, second = report(table)
    assert (first.session, second.session) == ("a", "b")
    assert first.repeated == second.repeated == 2


def test_copies_in_published_tables_are_no_repeats():
    assert study_scatter(runs([150.0, 150.0, 150.0], dyno_type="engine"), 0.9)["engine"].freedom == 0
    assert study_scatter(runs([150.0, 151.0, 150.0], dyno_type="engine"), 0.9)["engine"].freedom == 1


def test_few_repeats_of_the_study_are_not_believed():
    assert pull_error(Scatter(0, 0, 0), {"engine": Scatter(1e-4, 3, 4)}, "engine").kind == "assumed"
    assert pull_error(Scatter(0, 0, 0), {"engine": Scatter(1e-2, 30, 40)}, None).kind == "assumed"


@pytest.mark.reference
@pytest.mark.parametrize(("effect", "pulls"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_smallest_gain_is_that_of_published_sample_sizes(effect, pulls):
    """Cohen (1988), Statistical Power Analysis, table 2.4 (from memory): n a group for power .80, two-sided .05."""
    sd = 0.001
    found = math.log1p(smallest_gain_pct(PullError(sd, 2 * pulls - 2, "", "pulls"), pulls, 0.95) / 100) / sd
    assert found == pytest.approx(effect, rel=0.01)


@pytest.mark.reference
@pytest.mark.parametrize("pulls", [2, 3, 5, 12])
def test_smallest_gain_is_that_of_statsmodels(pulls):
    """statsmodels' TTestIndPower, which nobody here wrote."""
    sd = 0.01
    found = math.log1p(smallest_gain_pct(PullError(sd, 2 * pulls - 2, "", "pulls"), pulls, 0.95) / 100) / sd
    # the far tail counts for statsmodels and not here; it is below 1e-4 of the power
    assert found == pytest.approx(TTestIndPower().solve_power(None, pulls, 0.05, 0.8, alternative="two-sided"), rel=2e-3)


def test_gain_interval_holds_nothing_exactly_at_the_smallest_gain():
    gain, smallest = gain_estimate(1.02, 0.01**2, 6, 0.95, 4)
    at_limit, _ = gain_estimate(1 + smallest / 100, 0.01**2, 6, 0.95, 4)
    assert gain.value == pytest.approx(2.0)
    assert at_limit.low == pytest.approx(0.0, abs=1e-9)


def test_percentile_counts_ties_half():
    others = np.array([1.0, 2.0, 2.0, 3.0])
    assert [percentile(v, others) for v in (0.5, 1.0, 2.0, 9.0)] == [0, 12.5, 50, 100]
