"""Does the estimate keep its promise on engines that it has not seen? Grouped cross-validation, and other ways to predict beside it.

Every boosted run is predicted by the fit without its engine; its range takes the scores of the other nine tenths, so that neither
value nor range has seen the engine. Each build counts once. All ways to predict get ranges in the same manner, from their own errors
over the estimate's standard deviation.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from models.build_sums import Floats
from models.prediction_evidence import likeness_axes
from models.prediction_fit import PredictionFit, fit_prediction, power_ratios, refit
from models.prediction_records import CoverageLine, MethodLine, PredictionCheck, PredictionResults
from models.predictive_ranges import BUILDS_FOR_95
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA
from models.sample import Sample

#: Bands of boost at sea level [psi]; the last is above one atmosphere.
BANDS_PSI: tuple[tuple[float, float | None], ...] = ((0.0, 5.0), (5.0, 10.0), (10.0, 14.6959), (14.6959, None))

#: Fewer builds than this, of a group or in all, say nothing about coverage.
LEAST_BUILDS = 5

NEIGHBOURS = 15

#: Gradient boosting: trees, their depth, and how much of each is taken; learned on no more runs than this, and without so many
#: folds at a time.
TREES, TREE_DEPTH, LEARNING_RATE = 80, 2, 0.1
FOLDS_AT_ONCE = 2
MOST_RUNS_TO_LEARN = 5_000

_METHODS = {
    "estimate": "the estimate: slope by kind of engine, and curvature",
    "rule": "the rule: NA power times (1 + boost / ambient)",
    "common_slope": "one slope and curvature for all",
    "neighbours": f"mean of the {NEIGHBOURS} most similar builds",
    "gradient_boosting": f"gradient boosting: {TREES} trees of depth {TREE_DEPTH}",
}


def answer_prediction(sample: Sample, *, invented: bool = False) -> PredictionResults:
    """The stored model of the estimate and the check of it, or why there is neither."""
    fitted = fit_prediction(sample, invented=invented)
    if isinstance(fitted, str):
        return PredictionResults(None, None, fitted)
    is_checked = fitted.units.height >= LEAST_BUILDS and int(fitted.fold.max()) > 0
    return PredictionResults(fitted.model, check_prediction(fitted) if is_checked else None, None)


def check_prediction(fitted: PredictionFit) -> PredictionCheck:
    """Coverage and error by boost and class, and other ways to predict in one table."""
    expected = dict(_predictions(fitted))
    inside = {name: _ranges(fitted, values) for name, values in expected.items()}
    error = np.expm1(fitted.runs.log_ratio - expected["estimate"])
    lines = tuple(
        line
        for kind, group, ends, mask in _groups(fitted)
        if (line := _line(fitted, kind, group, ends, mask, error, inside)) is not None
    )
    methods = tuple(_method(fitted, name, expected[name], inside[name]) for name in expected)
    notes = (
        "Each engine is predicted by the fit without it; its range rests on the errors on other engines.",
        "Coverage is an average over such engines; of one study it can be some hundredths off either way.",
        "Nothing here covers a publisher unlike those of the study, or an engine outside its evidence.",
    )
    return PredictionCheck(
        int(fitted.fold.max()) + 1, fitted.units.height, fitted.runs.x.size, lines, methods, _sentence(lines[0]), notes
    )


def _sentence(line: CoverageLine) -> str:
    text = f"On engines left out of the fit the estimate was off by {line.error_pct:.1f} % on average"
    if line.cover80 is None:
        return text + "."
    text += f"; the 80 % range held {100 * line.cover80:.0f} %"
    return text + ("." if line.cover95 is None else f" and the 95 % range {100 * line.cover95:.0f} %.")


# --- ways to predict ----------------------------------------------------------------------------------------------------


def _predictions(fitted: PredictionFit) -> Iterator[tuple[str, Floats]]:
    """Expected ln power ratio by each way to predict, for each run without its engine."""
    runs, at = fitted.runs, fitted.fold[fitted.runs.unit]
    yield "estimate", fitted.expected
    yield "rule", np.log1p(runs.x)
    slopes, curvatures = refit(fitted.fit, np.ones((fitted.units.height, 1)), fitted.fold)
    yield "common_slope", np.log(power_ratios(slopes[at, 0], curvatures[at], runs.x))
    yield "neighbours", np.log(power_ratios(_neighbour_slopes(fitted)[runs.unit], curvatures[at], runs.x))
    yield "gradient_boosting", _boosted_trees(fitted)


def _neighbour_slopes(fitted: PredictionFit) -> Floats:
    """Slope of each build as the mean of those most like it outside its fold."""
    _, place = likeness_axes(fitted.units)
    slopes = np.empty(fitted.units.height)
    for k in range(int(fitted.fold.max()) + 1):
        mine = fitted.fold == k
        others = np.flatnonzero(~mine)
        count = min(NEIGHBOURS, others.size)
        if place.shape[1] == 0:  # nothing tells these builds apart
            slopes[mine] = fitted.fit.own_slope[others].mean()
            continue
        _, nearest = cKDTree(place[others]).query(place[mine], k=count)
        slopes[mine] = fitted.fit.own_slope[others][np.reshape(nearest, (-1, count))].mean(axis=1)
    return slopes


def _boosted_trees(fitted: PredictionFit) -> Floats:
    from sklearn import config_context  # a second to import, and needed here alone
    from sklearn.ensemble import GradientBoostingRegressor

    runs, at = fitted.runs, fitted.fold[fitted.runs.unit] // FOLDS_AT_ONCE
    columns = [runs.x, np.log(fitted.units["na_power_kw"].to_numpy())[runs.unit], *fitted.design.matrix[runs.unit, 1:].T]
    table, found = np.column_stack(columns), np.empty(runs.x.size)
    for k in range(int(at.max()) + 1):
        rest = np.flatnonzero(at != k)
        rest = rest[:: -(-rest.size // MOST_RUNS_TO_LEARN)]
        if rest.size == 0:
            found[at == k] = np.log1p(runs.x[at == k])
        elif (at == k).any():
            trees = GradientBoostingRegressor(
                n_estimators=TREES, max_depth=TREE_DEPTH, learning_rate=LEARNING_RATE, random_state=0
            )
            with config_context(skip_parameter_validation=True):  # each of the trees would be validated anew
                trees.fit(table[rest], runs.log_ratio[rest], sample_weight=runs.share[rest])
            found[at == k] = trees.predict(table[at == k])
    return found


# --- ranges out of engine -----------------------------------------------------------------------------------------------


def _ranges(fitted: PredictionFit, expected: Floats) -> dict[float, Floats]:
    """Half width on the log scale of each run at 80 and 95 %, from the scores of the other folds; infinite where they are too few."""
    at = fitted.fold[fitted.runs.unit]
    scores = np.abs(fitted.runs.log_ratio - expected) / fitted.sd
    half = {level: np.full(expected.size, np.inf) for level in (0.80, 0.95)}
    order = np.argsort(scores, kind="stable")
    for k in range(int(fitted.fold.max()) + 1):
        others = order[at[order] != k]
        builds = int((fitted.fold != k).sum())
        total = np.cumsum(fitted.runs.share[others]) / (builds + 1)
        for level, values in half.items():
            place = int(np.searchsorted(total, level - 1e-12))
            if place < others.size:
                values[at == k] = scores[others[place]] * fitted.sd[at == k]
    return half


def _groups(fitted: PredictionFit) -> Iterator[tuple[str, str, tuple[float | None, float | None], NDArray[np.bool_]]]:
    runs = fitted.runs
    yield "all", "all boosted runs", (None, None), np.ones(runs.x.size, dtype=bool)
    psi = runs.x * SEA_LEVEL_KPA / KPA_PER_PSI
    for low, high in BANDS_PSI:
        words = "above one atmosphere" if high is None else f"{low:.0f} to {high:.1f} psi".replace(".0 psi", " psi")
        ends = (low * KPA_PER_PSI, None if high is None else high * KPA_PER_PSI)
        yield "boost", words, ends, (psi > low) & (psi <= (np.inf if high is None else high))
    for name in ("induction", "charge_cooling", "measured_at"):
        for level in sorted(fitted.units[name].drop_nulls().unique().to_list()):
            is_level = (fitted.units[name] == level).fill_null(False).to_numpy()
            yield name, str(level), (None, None), is_level[runs.unit]


def _line(
    fitted: PredictionFit, kind: str, group: str, ends: tuple[float | None, float | None], mask: NDArray[np.bool_], error: Floats,
    inside: dict[str, dict[float, Floats]],
) -> CoverageLine | None:  # fmt: skip
    builds = np.unique(fitted.runs.unit[mask]).size
    if builds < LEAST_BUILDS and kind != "all":
        return None
    weight = _weights(fitted, mask)
    off = np.abs(fitted.runs.log_ratio - fitted.expected)
    cover80, cover95 = (
        None if (fitted.model.builds < BUILDS_FOR_95 and level > 0.9) else float((weight * (off <= half)[mask]).sum())
        for level, half in inside["estimate"].items()
    )
    return CoverageLine(
        kind, group, ends[0], ends[1], builds, int(mask.sum()), 100 * float((weight * np.abs(error[mask])).sum()),
        100 * float((weight * error[mask]).sum()), cover80, cover95,
    )  # fmt: skip


def _weights(fitted: PredictionFit, mask: NDArray[np.bool_]) -> Floats:
    """Weights of the runs marked, so that every build among them counts once; they add up to 1."""
    unit = fitted.runs.unit[mask]
    weight = 1.0 / np.bincount(unit, minlength=fitted.units.height)[unit]
    return weight / weight.sum() if weight.size else weight


def _method(fitted: PredictionFit, name: str, expected: Floats, half: dict[float, Floats]) -> MethodLine:
    weight = _weights(fitted, np.ones(expected.size, dtype=bool))
    off = np.abs(fitted.runs.log_ratio - expected)
    error = 100 * float((weight * np.abs(np.expm1(fitted.runs.log_ratio - expected))).sum())
    cover: list[float | None] = []
    width: list[float | None] = []
    for values in half.values():
        given = bool(np.isfinite(values).all())
        cover.append(float((weight * (off <= values)).sum()) if given else None)
        width.append(100 * float((weight * np.expm1(2 * values)).sum()) if given else None)
    return MethodLine(name, _METHODS[name], error, cover[0], cover[1], width[0], width[1])
