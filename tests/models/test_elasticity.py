"""Exponent of the yield in NA power: recovered, corrected for the shared baseline, refused where it cannot be told."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import t

from models.elasticity import Moments, answer_elasticity, exponent
from models.joint_fit import fit_joint
from models.level_slopes import level_slopes
from models.naive_correlation import PlainYields, naive_correlations
from models.sample import Sample, choose_sample
from models.simulate import simulate_study
from models.simulate_truth import ONE_CLASS
from models.simulate_worlds import world
from tests.models.fit_strategies import FitTruth, simulate_fit


@lru_cache(maxsize=16)
def fitted_world(name, builds, seed):
    return fitted(world(name, builds), seed)


def fitted(truth, seed):
    study = simulate_study(truth, seed)
    sample = choose_sample(study.runs, study.builds)
    return fit_joint(sample.runs, sample.units), sample


def from_frames(runs, units):
    """A fit of hand-made frames, with the few columns of a sample that the question reads."""
    base = runs.filter(pl.col("boost_kpa") == 0).group_by("unit").agg(pl.col("power").mean().alias("na_power_kw"))
    ratio = pl.col("boost_kpa") / pl.col("ambient_kpa")
    full = runs.join(base, on="unit").with_columns(
        run_key=pl.int_range(pl.len()).cast(pl.String), boost_ratio=ratio, gain_ratio=pl.col("power") / pl.col("na_power_kw") - 1
    )
    sample = Sample(full, units.join(base, on="unit"), (), pl.DataFrame())
    return fit_joint(runs, units), sample


@pytest.mark.parametrize(("name", "truth"), [("base", 1.0), ("yield_falls_with_power", 0.9)])
def test_recovers_the_exponent(name, truth):
    answers = answer_elasticity(*fitted_world(name, 400, 5))
    found = answers.elasticity
    assert found.low < truth < found.high
    assert found.high - found.low < 0.12
    assert answers.noise_share < 0.01


def test_mean_over_studies_is_unbiased():
    """Six studies of an exponent of 0.9; the mean must lie within three standard errors, each study's sd being about 0.03."""
    found = [answer_elasticity(*fitted_world("yield_falls_with_power", None, seed)).elasticity.value for seed in range(6)]
    assert np.mean(found) == pytest.approx(0.9, abs=3 * 0.035 / 6**0.5)


def test_correction_takes_out_what_the_baseline_puts_in():
    """Noisy baselines and engines nearly alike: the plain slope is pulled down by the shared error, the corrected one is not."""
    truth = replace(
        world("base", 1200), log_power_sd=0.07, power_rel_sd=0.04, session_rel_sd=0.01, classes=ONE_CLASS, publisher_sd=0.0
    )
    answers = answer_elasticity(*fitted(truth, 8))
    assert 0.05 < answers.noise_share < 0.5
    assert answers.uncorrected < 0.8
    assert answers.elasticity.low < 1.0 < answers.elasticity.high
    assert abs(answers.elasticity.value - 1.0) < 0.5 * abs(answers.uncorrected - 1.0)


def test_jackknife_is_that_of_refitting_without_each_publisher():
    fit, sample = fitted_world("base", None, 2)
    found = answer_elasticity(fit, sample).elasticity
    pairs, tau = level_slopes(fit), fit.answer.tau
    chassis = (fit.units["dyno_class"] == "chassis").to_numpy().astype(float)

    def by_hand(keep):
        w = 1 / (tau**2 + pairs.slope_variance[keep])
        x = np.column_stack([np.ones(keep.sum()), chassis[keep]])
        rank = np.linalg.matrix_rank(x)
        root = np.sqrt(w)

        def residual(y):
            return y - x @ np.linalg.lstsq(x * root[:, None], y * root, rcond=None)[0]

        ea, es, h = residual(pairs.level[keep]), residual(pairs.slope[keep]), 1 - rank / keep.sum()
        top = (w * ea * es).sum() - h * (w * pairs.covariance[keep]).sum()
        bottom = (w * ea**2).sum() - h * (w * pairs.level_variance[keep]).sum()
        return 1 + top / bottom / np.average(pairs.slope[keep], weights=w)

    everyone = np.ones(fit.builds, dtype=bool)
    assert found.value == pytest.approx(by_hand(everyone), rel=1e-9)
    groups = len(fit.publishers)
    left = np.array([by_hand(fit.publisher_index != g) for g in range(groups)])
    se = ((groups - 1) / groups * ((left - found.value) ** 2).sum()) ** 0.5
    assert (found.high - found.value) / t.ppf(0.975, groups - 1) == pytest.approx(se, rel=1e-8)


def test_pairs_agree_with_the_fit():
    fit, _ = fitted_world("base", None, 2)
    pairs = level_slopes(fit)
    assert pairs.slope == pytest.approx(fit.own_slope, rel=1e-9)
    assert pairs.slope_variance == pytest.approx(fit.own_variance, rel=1e-9)
    assert (pairs.covariance < 0).all()
    assert np.exp(pairs.level) == pytest.approx(fit.units["na_power_kw"].to_numpy(), rel=0.06)


def test_refuses_engines_that_are_too_alike():
    runs, units = simulate_fit(FitTruth(builds=60), seed=5)
    level = runs.filter(pl.col("boost_kpa") == 0).group_by("unit").agg(pl.col("power").mean().alias("level"))
    draw = np.random.Generator(np.random.PCG64(1))
    noise = pl.DataFrame({"unit": level["unit"], "wobble": np.exp(draw.normal(0, 0.01, level.height))})
    alike = runs.join(level, on="unit", maintain_order="left").join(noise, on="unit", maintain_order="left")
    alike = alike.with_columns(power=pl.col("power") / pl.col("level") * 200 * pl.col("wobble")).drop("level", "wobble")
    answers = answer_elasticity(*from_frames(alike, units))
    assert answers.elasticity.value is None and answers.elasticity.low is None
    assert "too alike to tell" in answers.elasticity.why
    assert answers.noise_share > 0.5


def test_narrow_engines_say_what_they_cannot_separate():
    answers = answer_elasticity(*fitted_world("engines_alike", None, 1))
    assert answers.elasticity.low < 0.9 and answers.elasticity.high > 1.1
    assert any("would still agree" in note for note in answers.notes)


def test_few_builds_one_publisher_no_fit():
    fit, sample = from_frames(*simulate_fit(FitTruth(builds=4, publishers=2), seed=1))
    assert "at least 5 builds" in answer_elasticity(fit, sample).elasticity.why
    fit, sample = from_frames(*simulate_fit(FitTruth(builds=40, publishers=1), seed=1))
    one = answer_elasticity(fit, sample).elasticity
    assert one.value is not None and one.low is None and "one publisher" in one.why
    gone = answer_elasticity(replace(fit, effects=None, why="The fit did not settle."), sample)
    assert gone.elasticity.value is None and gone.elasticity.why == "The fit did not settle." and gone.naive == ()


def test_one_publisher_with_nearly_all_builds_gives_no_interval():
    runs, units = simulate_fit(FitTruth(builds=40, publishers=1), seed=1)
    units = units.with_columns(publisher=pl.when(pl.col("unit") < 2).then(pl.lit("small")).otherwise(pl.lit("large")))
    found = answer_elasticity(*from_frames(runs, units)).elasticity
    assert found.value is not None and found.low is None and "nearly all builds" in found.why


def test_moments_of_one_kind_of_dyno_have_one_column():
    cross = np.array([[10.0, 0, 0, 9.0], [0, 0, 0, 0], [0, 0, 2.0, 0.2], [9.0, 0, 0.2, 8.5]])
    noise, found, plain = exponent(Moments(cross, np.array(0.1), np.array(-0.05), np.array(10.0)))
    assert float(noise) == pytest.approx(0.9 * 0.1 / 2.0)
    assert float(plain) == pytest.approx(1 + 0.1 / 0.9)
    assert float(found) == pytest.approx(1 + (0.2 + 0.045) / (2.0 - 0.09) / 0.9)


# --- plain correlations prove nothing -----------------------------------------------------------------------------------


def test_correlation_of_yield_with_power_survives_without_any_relation():
    for name in ("base", "yield_falls_with_power"):
        first = {one.name: one for one in answer_elasticity(*fitted_world(name, None, 3)).naive}["yield_with_na_power"]
        assert first.observed > 0.9 and first.null_low > 0.85
        assert first.null_low < first.null_mean < first.null_high
        assert "neither for the rule nor against it" in first.sentence


def test_shared_error_alone_makes_a_correlation():
    """Engines alike and poor baselines: the rule ratio falls with NA power by arithmetic, and the demonstration says how much."""
    runs, units = simulate_fit(FitTruth(builds=400, publishers=20, noise=3.0, tau_build=0.02, tau_source=0.0, levels=1), seed=7)
    level = runs.filter(pl.col("boost_kpa") == 0).group_by("unit").agg(pl.col("power").log().mean().alias("level"))
    runs = runs.join(level, on="unit", maintain_order="left").with_columns(
        power=pl.col("power") * ((pl.col("level") - 5.5) * -0.9).exp(), power_rel_sd=0.045
    )
    fit, sample = from_frames(runs.drop("level"), units.with_columns(session_rel_sd=0.015))
    second = {one.name: one for one in answer_elasticity(fit, sample).naive}["rule_ratio_with_na_power"]
    assert second.null_high < -0.1
    real = {one.name: one for one in answer_elasticity(*fitted_world("yield_falls_with_power", None, 1)).naive}
    assert real["rule_ratio_with_na_power"].observed < real["rule_ratio_with_na_power"].null_low


def test_demonstrations_are_the_same_each_time_and_need_ten_builds():
    fit, sample = fitted_world("base", 40, 3)
    assert answer_elasticity(fit, sample).naive == answer_elasticity(fit, sample).naive
    pairs = level_slopes(fit)
    few = replace(pairs, **{name: getattr(pairs, name)[:9] for name in pairs.__dataclass_fields__})
    assert naive_correlations(few, 0.1, PlainYields(np.ones(40), np.ones(40))) == ()
