"""Averages by class: truth recovered, small classes left out, the whole as a class is the headline."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from models.class_means import LEAST_BUILDS, answer_class_means
from models.joint_fit import fit_joint
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
from models.yield_fit import answer_rule_ratio


@pytest.fixture(scope="module")
def sample():
    drawn = simulate_study(world("base", 160), 5)
    return choose_sample(drawn.runs, drawn.builds)


def test_classes_stand_with_their_builds_and_the_known_order(sample):
    means = {(one.induction, one.charge_cooling): one for one in answer_class_means(sample, 0.95)}
    alone = {key: one for key, one in means.items() if key[1] is None}
    assert set(alone) == set((code, None) for code in sample.units["induction"].drop_nulls().unique() if code != "unstated")
    for (induction, cooling), one in means.items():
        of = sample.units.filter(
            (pl.col("induction") == induction) if induction else pl.lit(True),
            (pl.col("charge_cooling") == cooling) if cooling else pl.lit(True),
        )
        assert one.builds == of.height >= LEAST_BUILDS and one.rule_ratio.low < one.rule_ratio.value < one.rule_ratio.high
    # the base world lets uncooled builds gain less than cooled ones of the same induction
    assert means["turbocharger", "none"].rule_ratio.value < means["turbocharger", "air_to_air"].rule_ratio.value


def test_a_class_of_all_builds_is_the_headline(sample):
    one_kind = sample.units.with_columns(induction=pl.lit("turbocharger"), charge_cooling=pl.lit("none"))
    (first, *_) = answer_class_means(replace(sample, units=one_kind), 0.95)
    whole = answer_rule_ratio(fit_joint(sample.runs, sample.units), 0.95).rule_ratio
    assert first.rule_ratio.value == pytest.approx(whole.value, rel=1e-9) and first.rule_ratio.low == pytest.approx(
        whole.low, rel=1e-9
    )


def test_small_classes_and_unstated_ones_have_no_mean(sample):
    few = sample.units.with_columns(
        induction=pl.when(pl.col("unit") < LEAST_BUILDS - 1).then(pl.lit("centrifugal")).otherwise(pl.lit("unstated"))
    )
    assert all(one.induction is None for one in answer_class_means(replace(sample, units=few), 0.95))


@pytest.mark.slow
def test_intervals_hold_the_truth_of_the_class_as_often_as_they_say():
    """The mean of the true shares of the turbocharged builds lies in their 95 % interval in at least 36 of 40 studies."""
    held = 0
    for seed in range(40):
        drawn = simulate_study(world("base", 110), 300 + seed)
        sample = choose_sample(drawn.runs, drawn.builds)
        truth = sample.units.join(drawn.build_truth, on="build_key").filter(pl.col("induction") == "turbocharger")
        first = next(
            one for one in answer_class_means(sample, 0.95) if one.induction == "turbocharger" and one.charge_cooling is None
        )
        assert first.builds == truth["build_key"].n_unique()
        held += first.rule_ratio.low <= truth["true_rule_ratio"].mean() <= first.rule_ratio.high
    assert held >= 36, held
