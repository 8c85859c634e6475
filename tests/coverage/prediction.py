"""How often the ranges of the estimate hold the power that new builds of new publishers made, in worlds of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.estimate_records import EngineRequest, PredictionModel
from models.expected_power import predict
from models.prediction_fit import fit_prediction
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_worlds import world
from pipeline.errors import RequestProblem

NEW_BUILDS = 40
_STATED = ("induction", "charge_cooling", "fuel", "measured_at", "baseline_hardware", "displacement_cc", "compression_ratio")


def measure_prediction(name: str, builds: int, studies: int, first_seed: int = 0) -> dict[str, float]:
    """Coverage of the 80 % and the 95 % range, and of the 95 % range above one atmosphere; mean error and widths in per cent.

    Every study of ``builds`` builds meets 40 new builds, each of a publisher of its own.
    """
    rows: list[tuple[float, float, bool, bool, float, float, float]] = []
    for seed in range(first_seed, first_seed + studies):
        truth = replace(world(name), builds=builds)
        drawn = simulate_study(truth, seed)
        fitted = fit_prediction(choose_sample(drawn.runs, drawn.builds))
        if isinstance(fitted, str):
            raise RequestProblem(fitted)
        rows += new_builds(fitted.model, truth, seed + 700_000)
    x, weight, in80, in95, error, width80, width95 = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    above = x > 1.0

    def mean(values: np.ndarray, where: np.ndarray | None = None) -> float:
        keep = slice(None) if where is None else where
        return float(np.average(values[keep], weights=weight[keep]))

    return {
        "80 %": mean(in80), "95 %": mean(in95), "95 % above one atmosphere": mean(in95, above), "error": mean(error),
        "width 80 %": mean(width80), "width 95 %": mean(width95), "runs above one atmosphere": float(above.sum()),
    }  # fmt: skip


def new_builds(model: PredictionModel, truth: object, seed: int) -> list[tuple[float, float, bool, bool, float, float, float]]:
    """Boost ratio, weight, inside 80 %, inside 95 %, error and widths [%] of each boosted run of new builds."""
    drawn = simulate_study(replace(truth, builds=NEW_BUILDS, publishers=NEW_BUILDS), seed)  # type: ignore[type-var]
    sample = choose_sample(drawn.runs, drawn.builds)
    units = {row["unit"]: row for row in sample.units.to_dicts()}
    rows = []
    for run in sample.runs.filter(sample.runs["gain_ratio"].is_not_null()).to_dicts():
        unit = units[run["unit"]]
        stated = {name: unit.get(name) for name in _STATED if unit.get(name) != "unstated"}
        request = EngineRequest(unit["na_power_kw"], run["boost_kpa"], run["ambient_kpa"], **stated)
        power, made = predict(model, request, neighbours=0).power, unit["na_power_kw"] * (1 + run["gain_ratio"])
        assert power.low80 is not None and power.high80 is not None
        low95, high95 = power.low95 or 0.0, power.high95 or np.inf
        rows.append(
            (
                run["boost_ratio"], 1.0 / unit["boosted_runs"], power.low80 <= made <= power.high80, low95 <= made <= high95,
                100 * abs(made / power.value - 1), 100 * (power.high80 / power.low80 - 1), 100 * (high95 / max(low95, 1e-9) - 1),
            )
        )  # fmt: skip
    return rows
