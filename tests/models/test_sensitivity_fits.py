"""Each alternative is fitted as it says; other estimators and publishers left out agree with what they must agree with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
import statsmodels.formula.api as smf
from scipy.stats import t

from models.build_grams import take_builds
from models.joint_fit import fit_joint
from models.other_estimators import MOST_BUILDS_FOR_MIXED, clustered_regression, mixed_model, two_stage
from models.publisher_out import leave_out_each_publisher
from models.random_effects import fit_random_effects
from models.sample import Sample, choose_sample
from models.sample_options import SampleOptions
from models.sensitivity import ALTERNATIVES, MAIN
from models.sensitivity_fits import AlternativeFits, narrowed
from models.simulate import simulate_study
from models.simulate_worlds import world
from models.yield_fit import answer_rule_ratio


@pytest.fixture(scope="module")
def drawn():
    return simulate_study(world("base", 50), seed=21)


@pytest.fixture(scope="module")
def sample(drawn) -> Sample:
    return choose_sample(drawn.runs, drawn.builds)


@pytest.fixture(scope="module")
def fit(sample):
    return fit_joint(sample.runs, sample.units)


@pytest.fixture(scope="module")
def fits(drawn, sample, fit) -> AlternativeFits:
    peers = tuple(sample.units["unit_id"].head(5).to_list())
    return AlternativeFits(drawn.runs, drawn.builds, sample, fit, answer_rule_ratio(fit).rule_ratio, 0.95, peers)


def alternative(name: str):
    return next(a for a in ALTERNATIVES if a.name == name)


def test_main_is_the_headline_itself(fits):
    assert fits.answer(MAIN) is fits.headline
    # nothing here is a stated rating: the same sample, the same answer, no second fit
    assert fits.answer(alternative("Stated ratings let in")) is fits.headline


def test_alternatives_with_one_sample_choose_it_once(fits, drawn):
    at_sea_level, straight = alternative("14.7 psi for every site's air"), alternative("14.7 psi and straight line")
    chosen = fits._sample(at_sea_level)
    assert fits._sample(straight) is chosen
    assert chosen.runs.equals(choose_sample(drawn.runs, drawn.builds, at_sea_level.sample).runs)
    assert fits._sample(alternative("Baselines from another dyno let in")) is not chosen
    assert len(fits.last) == 1


def test_every_line_has_a_figure_or_a_sentence(fits):
    for one in ALTERNATIVES:
        found = fits.answer(one)
        assert (found.value is None) == bool(found.why and found.value is None), one.name
        if found.value is not None:
            assert found.low < found.value < found.high and abs(found.value - 0.9) < 0.12, one.name


def test_without_deviators_leaves_them_out(fits, drawn):
    found = fits.answer(alternative("Without builds unlike their peers"))
    options = SampleOptions(drop_units=fits.unlike_peers)
    rest = choose_sample(drawn.runs, drawn.builds, options)
    assert found.builds == 45
    assert found == answer_rule_ratio(fit_joint(rest.runs, rest.units)).rule_ratio


@pytest.mark.parametrize(
    "options",
    [
        SampleOptions(only_cooled=True, least_boost_levels=2),
        SampleOptions(only_measured_at=("crank",), only_recorded_ambient=True),
        SampleOptions(only_baseline_hardware=("compressor_removed",), drop_publishers=("publisher 00001",)),
        SampleOptions(drop_sources=("source_00002",)),
        SampleOptions(only_measured_at=("hub",)),
    ],
)
def test_a_narrowed_sample_is_the_one_that_would_have_been_chosen(sample, drawn, options):
    quick, chosen = narrowed(sample, options), choose_sample(drawn.runs, drawn.builds, options)
    assert quick.runs.equals(chosen.runs) and quick.units.equals(chosen.units)
    assert quick.runs.schema == chosen.runs.schema and quick.units.schema == chosen.units.schema


def test_error_sizes_move_the_weights_and_hardly_the_answer(fits):
    for name in ("Power errors halved", "Power errors doubled", "Boost errors halved", "Boost errors doubled"):
        found = fits.answer(alternative(name))
        assert found.value != fits.headline.value
        assert found.value == pytest.approx(fits.headline.value, abs=0.005)


def test_a_choice_that_leaves_nobody_says_so(fits):
    nobody = replace(MAIN, name="x", sample=SampleOptions(only_measured_at=("hub",)))
    assert "No build is left" in fits.answer(nobody).why


def test_clustered_regression_is_that_of_statsmodels(sample):
    """The same by formula: params, and the robust standard error with its usual small-sample factor."""
    found = clustered_regression(sample, 0.95)
    boosted = sample.runs.filter(pl.col("boost_kpa") > 0).join(sample.units.select("unit", "publisher"), on="unit")
    frame = boosted.select(
        "gain_ratio", "publisher", x="boost_ratio", c=pl.col("boost_ratio") * (pl.col("boost_ratio") - 10 / 14.7)
    ).to_pandas()
    groups = np.unique(frame["publisher"], return_inverse=True)[1]
    peer = smf.ols("gain_ratio ~ 0 + x + c", frame).fit(cov_type="cluster", cov_kwds={"groups": groups}, use_t=True)
    low, high = peer.conf_int(0.05).loc["x"]
    assert (found.value, found.low, found.high) == pytest.approx((peer.params["x"], low, high))


def test_two_stages_pool_the_builds_own_ratios_and_leave_publishers_out(fit):
    found = two_stage(fit, 0.95)
    assert found.value == pytest.approx(fit.own_slope.mean(), abs=0.02)
    assert found.low < found.value < found.high


def test_a_mixed_model_that_does_not_settle_gives_no_number(sample, monkeypatch):
    assert mixed_model(sample, 0.95).value is not None
    import statsmodels.regression.mixed_linear_model as module

    settled = module.MixedLM.fit

    def unsettled(self, *args, **kwargs):
        made = settled(self, *args, **kwargs)
        made.converged = False
        return made

    monkeypatch.setattr(module.MixedLM, "fit", unsettled)
    found = mixed_model(sample, 0.95)
    assert (found.value, found.low) == (None, None) and "did not settle" in found.why
    monkeypatch.setattr("models.other_estimators.MOST_BUILDS_FOR_MIXED", 10)
    assert "takes minutes above" in mixed_model(sample, 0.95).why
    assert MOST_BUILDS_FOR_MIXED >= 500


def test_each_publisher_out_agrees_with_a_fit_without_it(fit, drawn):
    out = leave_out_each_publisher(fit)
    assert len(out.lines) == len(fit.publishers)
    values = [line.rule_ratio.value for line in out.lines]
    assert values == sorted(values) and (out.lowest, out.highest) == (values[0], values[-1])
    assert out.lowest < fit.answer.beta[0] < out.highest
    for line in (out.lines[0], out.lines[-1]):
        rest = choose_sample(drawn.runs, drawn.builds, SampleOptions(drop_publishers=(line.publisher,)))
        whole = answer_rule_ratio(fit_joint(rest.runs, rest.units)).rule_ratio
        # the statistics stay those of the headline's fixed point: the third digit may differ
        assert line.rule_ratio.value == pytest.approx(whole.value, abs=0.003)
        assert line.rule_ratio.builds == whole.builds and line.rule_ratio.runs == whole.runs
        assert line.builds == fit.builds - whole.builds


def test_each_publisher_out_is_found_from_anywhere(fit):
    """The search starts from the headline's spreads; from those of a cold start it ends at the same figures."""
    lines = {line.publisher: line.rule_ratio for line in leave_out_each_publisher(fit).lines}
    for g, name in enumerate(fit.publishers):
        keep = fit.publisher_index != g
        rest = np.unique(fit.publisher_index[keep], return_inverse=True)[1]
        cold = fit_random_effects(take_builds(fit.grams, keep), fit.design[keep], rest)
        half = float(t.ppf(0.975, len(fit.publishers) - 2)) * cold.variance_of(np.array([1.0, 0.0])) ** 0.5
        expected = (cold.beta[0], cold.beta[0] - half, cold.beta[0] + half)
        assert (lines[name].value, lines[name].low, lines[name].high) == pytest.approx(expected, rel=1e-9), name


def test_leaving_out_ends_in_sentences_where_nothing_is_left(make_clean):
    made = make_clean()
    for source in ("a", "b"):
        made.baseline(f"{source}|{source}|x"), made.boosted(f"{source}|{source}|x")
    tables = choose_sample(*made.tables())
    both = leave_out_each_publisher(fit_joint(tables.runs, tables.units))
    assert [line.rule_ratio.low for line in both.lines] == [None, None]
    assert all("one publisher is left" in line.rule_ratio.why for line in both.lines)
    only = choose_sample(*made.tables(), SampleOptions(drop_publishers=("b",)))
    one = leave_out_each_publisher(fit_joint(only.runs, only.units))
    assert one.lines == () and "one publisher (a)" in one.why
    none = choose_sample(*made.tables(), SampleOptions(drop_publishers=("a", "b")))
    assert leave_out_each_publisher(fit_joint(none.runs, none.units)).why
    for estimate in (
        mixed_model(none, 0.95),
        clustered_regression(only, 0.95),
        two_stage(fit_joint(tables.runs, tables.units), 0.95),
    ):
        assert estimate.value is None and "too few" in estimate.why
