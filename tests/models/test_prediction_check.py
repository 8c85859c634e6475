"""Grouped cross-validation: engines stay together, nothing is seen twice, coverage and the table of methods."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.prediction_check import answer_prediction, check_prediction
from models.prediction_fit import FOLDS, folds_of, refit
from models.prediction_records import prediction_from_json, prediction_to_json
from models.sample import choose_sample


@pytest.fixture(scope="module")
def check(prediction):
    return check_prediction(prediction)


def test_builds_of_one_engine_share_a_fold_and_folds_are_even():
    rows = [("P", "e1", f"b{i}") for i in range(6)] + [("Q", "e1", "b6"), *(("Q", None, f"c{i}") for i in range(33))]
    units = pl.DataFrame(rows, schema=["publisher", "engine_id", "build_key"], orient="row").with_row_index("unit")
    fold = folds_of(units)
    assert len(set(fold[:6])) == 1
    assert set(fold) == set(range(FOLDS)) and np.bincount(fold)[np.arange(FOLDS) != fold[0]].max() <= 4
    other = folds_of(units.with_columns(engine_id=pl.lit("same")))
    assert len(set(other[:6])) == 1 and len(set(other[6:])) == 1


def test_a_refit_without_a_fold_is_blind_to_it(prediction):
    matrix, fold = prediction.design.matrix, prediction.fold
    grams = prediction.fit.grams
    spoiled = replace(grams, czy=np.where(fold == 3, 1e6, grams.czy))
    before = refit(prediction.fit, matrix, fold)
    after = refit(replace(prediction.fit, grams=spoiled), matrix, fold)
    assert np.array_equal(before[0][3], after[0][3]) and before[1][3] == after[1][3]
    assert not np.allclose(before[0][4], after[0][4])


def test_coverage_is_near_what_is_promised_and_bands_add_up(check):
    whole = check.lines[0]
    assert 0.72 < whole.cover80 < 0.88 and 0.91 < whole.cover95 <= 1.0
    assert sum(line.runs for line in check.lines if line.kind == "boost") <= whole.runs
    assert {line.kind for line in check.lines} >= {"all", "boost", "induction", "charge_cooling"}
    assert f"{whole.error_pct:.1f} %" in check.sentence


def test_the_estimate_beats_the_rule_where_the_rule_is_off(check):
    methods = {one.name: one for one in check.methods}
    assert list(methods) == ["estimate", "rule", "common_slope", "neighbours", "gradient_boosting"]
    assert methods["estimate"].error_pct < methods["rule"].error_pct - 0.5
    assert methods["estimate"].width80_pct < methods["rule"].width80_pct
    assert all(0.7 < one.cover80 < 0.9 for one in methods.values())


def test_results_survive_the_store(prediction, check):
    from models.prediction_records import PredictionResults

    kept = PredictionResults(prediction.model, check, None)
    assert prediction_from_json(json.loads(json.dumps(prediction_to_json(kept), allow_nan=False))) == kept


def test_an_empty_study_says_why(clean):
    clean.baseline()
    runs, builds = clean.tables()
    answer = answer_prediction(choose_sample(runs, builds))
    assert answer.model is None and answer.check is None and "No build" in answer.why


@pytest.mark.parametrize("powers", [(292.0, 301.0, 296.0), (292.0, 301.0, 296.0, 288.0, 305.0, 299.0)])
def test_few_builds_give_a_model_range_and_a_check_only_where_it_says_something(make_clean, powers):
    rows = make_clean()
    for i, power in enumerate(powers):
        key = rows.build(f"b{i}", publisher=f"P{i}")
        rows.baseline(key, 200.0)
        rows.boosted(key, power, 60.0)
    answer = answer_prediction(choose_sample(*rows.tables()))
    assert answer.model.method == "model" and not answer.model.has_95 and f"{len(powers)} builds" in answer.model.why
    assert (answer.check is None) == (len(powers) < 5)


def test_one_build_gives_a_sentence_or_a_model_but_no_crash(clean):
    clean.baseline()
    clean.boosted()
    answer = answer_prediction(choose_sample(*clean.tables()))
    assert answer.check is None and (answer.why or answer.model.why)
