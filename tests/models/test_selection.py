"""Selection: published tests, assumptions worked through, kinds of source, and words that promise nothing."""

from functools import lru_cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from models.joint_fit import fit_joint
from models.pooling import pool
from models.precision_regression import fit_precision_regression
from models.sample import choose_sample
from models.selection import LEAN, OTHER, answer_selection, cuts_below
from models.simulate import simulate_study
from models.simulate_worlds import world
from models.withheld_builds import fit_thinned
from tests.models.fit_strategies import FitTruth, hand_frames, simulate_fit

BCG = Path(__file__).parents[1] / "reference" / "bcg.csv"


@pytest.fixture(scope="module")
def bcg():
    """Log risk ratios of the 13 trials of BCG vaccine (Colditz et al. 1994) and their variances."""
    d = pl.read_csv(BCG, comment_prefix="#")
    tpos, tneg, cpos, cneg = (d[name].to_numpy().astype(float) for name in ("tpos", "tneg", "cpos", "cneg"))
    y = np.log(tpos / (tpos + tneg)) - np.log(cpos / (cpos + cneg))
    return y, 1 / tpos - 1 / (tpos + tneg) + 1 / cpos - 1 / (cpos + cneg)


@pytest.mark.reference
def test_egger_on_bcg_classic_form(bcg):
    """Metafor's regtest, linear model with multiplicative dispersion: t -1.4013, df 11, p 0.1887, limit -0.1909 (-0.6753, 0.2935)."""
    y, v = bcg
    made = fit_precision_regression(y, np.sqrt(v), v)
    assert made.freedom == 11
    assert (made.t_value, made.p_value, made.intercept) == pytest.approx((-1.4013, 0.1887, -0.1909), abs=6e-5)
    half = made.half_width(made.intercept_se)
    assert (made.intercept - half, made.intercept + half) == pytest.approx((-0.6753, 0.2935), abs=6e-5)


@pytest.mark.reference
def test_egger_on_bcg_mixed_form(bcg):
    """Metafor's regtest, mixed-effects model: z -0.8033, p 0.4218."""
    y, v = bcg
    pooled = pool(y, v, np.column_stack([np.ones_like(y), np.sqrt(v)]), method="reml")
    z = pooled.coefficients[1] / pooled.covariance[1, 1] ** 0.5
    assert (z, 2 * norm.sf(abs(z))) == pytest.approx((-0.8033, 0.4218), abs=6e-5)


def test_clustered_regression_counts_publishers():
    draw = np.random.Generator(np.random.PCG64(1))
    groups = np.repeat(np.arange(20), 15)
    measure = np.repeat(draw.uniform(0.02, 0.1, 20), 15)
    y = 0.9 + np.repeat(draw.normal(0, 0.1, 20), 15) + draw.normal(0, 0.02, 300)
    clustered, plain = (fit_precision_regression(y, measure, np.ones(300), g) for g in (groups, None))
    assert clustered.freedom == 19 and plain.freedom == 298
    assert clustered.slope == pytest.approx(plain.slope)
    assert clustered.slope_se > 2.5 * plain.slope_se


def test_regression_needs_a_measure_that_varies():
    y = np.linspace(0.8, 1.0, 10)
    assert fit_precision_regression(y, np.full(10, 0.1), np.ones(10)) is None
    assert fit_precision_regression(y[:3], np.arange(3.0), np.ones(3)) is None
    assert fit_precision_regression(y, np.arange(10.0), np.ones(10), np.array([0] * 5 + [1] * 5)) is None


# --- withheld builds ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("withheld", [0.5, 0.9])
def test_thinned_law_is_recovered(withheld):
    """40,000 draws, thinned below the cut: at the true cut and share, mean and spread come back."""
    draw = np.random.Generator(np.random.PCG64(2))
    v = draw.uniform(0.001, 0.004, 40_000)
    y = 0.9 + draw.normal(0, 0.1, v.size) + draw.normal(0, 1, v.size) * v**0.5
    kept = (y >= 0.85) | (draw.random(v.size) >= withheld)
    made = fit_thinned(y[kept], v[kept], 0.85, withheld)
    assert made.is_found
    assert (made.mean, made.tau) == pytest.approx((0.9, 0.1), abs=0.004)
    assert made.unpublished == pytest.approx(float((~kept).sum()), rel=0.03)
    assert y[kept].mean() > 0.92


def test_nothing_withheld_is_the_plain_likelihood():
    draw = np.random.Generator(np.random.PCG64(3))
    v = draw.uniform(0.001, 0.01, 50)
    y = 0.9 + draw.normal(0, 0.1, 50) + draw.normal(0, 1, 50) * v**0.5
    made, pooled = fit_thinned(y, v, 0.85, 0.0), pool(y, v, method="ml")
    assert made.mean == pytest.approx(pooled.coefficients[0], abs=1e-5)
    assert made.tau == pytest.approx(pooled.tau2**0.5, abs=1e-4)
    assert made.unpublished == 0.0


def test_cuts_are_round_and_distinct():
    assert cuts_below(0.9, 0.1) == (0.7, 0.8, 0.9)
    assert cuts_below(0.9, 0.001) == (0.9,)


# --- the answer ---------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=16)
def studied(name, seed, builds=200, withheld=0.0):
    study = simulate_study(world(name, builds), seed)
    sample = choose_sample(study.runs, study.builds)
    fit = fit_joint(sample.runs, sample.units)
    if withheld:
        draw = np.random.Generator(np.random.PCG64(seed))
        lost = (fit.own_slope < 0.85) & (draw.random(fit.builds) < withheld)
        gone = fit.units.filter(pl.Series(lost))["build_key"].implode()
        sample = choose_sample(study.runs.filter(~pl.col("build_key").is_in(gone)), study.builds)
        fit = fit_joint(sample.runs, sample.units)
    return fit, sample, study


def test_range_holds_the_truth_where_low_builds_were_withheld():
    """Publishers keep 90 % of builds below 0.85 to themselves: the headline is far off, the range reaches the true 0.90."""
    fit, sample, _ = studied("base", 1, withheld=0.9)
    answers = answer_selection(fit, sample)
    assert fit.answer.beta[0] > 0.93
    assert answers.lowest < 0.90 < answers.highest
    assert answers.highest == pytest.approx(float(fit.answer.beta[0]))
    assert all(line.fits and line.unpublished > 0 for line in answers.lines)


def test_stronger_assumptions_move_the_mean_further():
    fit, sample, _ = studied("base", 1)
    lines = answer_selection(fit, sample).lines
    for cut in {line.cut for line in lines}:
        means = [line.rule_ratio for line in sorted(lines, key=lambda one: one.share_withheld) if line.cut == cut]
        assert means == sorted(means, reverse=True) and means[0] < float(fit.answer.beta[0])


def test_words_promise_no_correction():
    answers = answer_selection(*studied("base", 1)[:2])
    assert answers.sentence.startswith(LEAN)
    assert "not a correction" in answers.sentence
    assert "corrected" not in answers.sentence
    assert any("cannot find the picking" in note or "Neither test" in note for note in answers.notes)


def test_test_fires_on_choice_of_boost_and_its_check_says_so():
    fit, sample, _ = studied("boost_follows_yield", 1)
    tests = {one.name: one for one in answer_selection(fit, sample).tests}
    assert tests["boost_range"].p_value < 0.001 and tests["boost_range"].slope.high < 0
    assert "chosen by how engines took it" in tests["boost_range"].sentence
    assert tests["boost_range"].freedom == len(fit.publishers) - 1


def test_few_publishers_are_said_to_be_few():
    fit, sample, _ = studied("few_publishers", 1)
    assert all("too much too often" in one.sentence for one in answer_selection(fit, sample).tests)


def test_funnel_has_every_build():
    fit, sample, _ = studied("base", 1, builds=60)
    funnel = answer_selection(fit, sample).funnel
    assert [one.unit_id for one in funnel] == fit.units["unit_id"].to_list()
    assert [one.standard_error**2 for one in funnel] == pytest.approx(fit.own_variance.tolist())
    assert all(one.highest_boost_kpa > 0 for one in funnel)


def test_kinds_of_source_are_compared_and_planted_difference_is_found():
    study = simulate_study(world("homogeneous", 300), 6)
    media = study.sources.with_columns(
        medium=pl.when(pl.col("source").str.ends_with("0")).then(pl.lit("video"))
        .when(pl.int_range(pl.len()) % 2 == 0).then(pl.lit("magazine")).otherwise(pl.lit("website"))
    )  # fmt: skip
    shops = media.filter(pl.col("medium") == "website")["source"].implode()
    better = (
        pl.when((pl.col("role") == "boosted") & pl.col("source").is_in(shops))
        .then(1 + 0.08 * pl.col("boost_kpa") / 100)
        .otherwise(1.0)
    )
    sample = choose_sample(study.runs.with_columns(power_kw=pl.col("power_kw") * better), study.builds)
    kinds = {one.medium: one for one in answer_selection(fit_joint(sample.runs, sample.units), sample, media).kinds}
    assert {"magazine", "website"} <= set(kinds)
    assert kinds["website"].difference.low > 0.05 and kinds["magazine"].difference.high < 0.0
    assert kinds["website"].rule_ratio.builds + kinds["magazine"].rule_ratio.builds <= 300
    assert OTHER not in kinds


def test_one_kind_cannot_be_compared():
    fit, sample, study = studied("base", 1, builds=60)
    answers = answer_selection(fit, sample, study.sources)
    assert answers.kinds == () and any("Kinds of source cannot be compared" in note for note in answers.notes)


def test_no_fit_and_few_builds_say_so():
    empty = fit_joint(*hand_frames(("A", [100.0], [])))
    sample = choose_sample(
        *[f.clear() for f in (simulate_study(world("base", 10), 1).runs, simulate_study(world("base", 10), 1).builds)]
    )
    answers = answer_selection(empty, sample)
    assert answers.lines == () and answers.lowest is None and empty.why in answers.sentence
    few = answer_selection(fit_joint(*simulate_fit(FitTruth(builds=8, publishers=4))), sample)
    assert few.lines == () and "With 8 builds" in few.sentence and len(few.funnel) == 8
