"""A demo contribution of curves: power and torque against speed, unboosted and boosted.

Each engine has a smooth torque curve through its unboosted peaks; under boost each speed gives what the engine's yield makes
of the boost there. The boost of a belt-driven compressor rises with speed, that of a turbocharger is held by its valve.
"""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from models.demo.contribution import Contribution
from models.demo.engines import PSI_KPA, DemoBuild, Habits, Row, Wish, draw_builds
from models.demo.forms import Column, Layout
from models.simulate_truth import power_multiple

C = Column
Floats = NDArray[np.float64]

CURVES = Contribution(
    "demo_tidewell_curves", "Full curves, three engines", "Tidewell Dyno Room", "own_test", date(2024, 9, 9), "curves.csv",
    "sweep",
    Layout("delimited", (
        C("build", "build"), C("run", "run"), C("displacement_cc", "displacement_cc"), C("session", "session"),
        C("induction", "induction"), C("charge_cooling", "charge_cooling"), C("ambient_kpa", "ambient_kpa", digits=1),
        C("rpm", "rpm"), C("power_hp", "curve_power_kw", "hp", 1), C("torque_lbf_ft", "curve_torque_nm", "lbf ft", 1),
        C("boost_psi", "curve_boost_kpa", "psi", 1), C("compared_with", "compared_with"), C("parts", "parts"),
    )),
    (Habits("Tidewell Dyno Room", 3, ("Corrith Six", "Lyrane Twin-Cam"), levels=(6, 10)),),
    constants={"measured_at": "crank", "dyno_type": "engine", "correction": "sae_j1349", "test_method": "sweep",
    "fuel": "petrol"},
)  # fmt: skip
WISHES = {0: Wish(kind=("turbocharger", "air_to_air")), 1: Wish(kind=("centrifugal", "air_to_air"))}


#: One pull repeats another to this share at each speed, and as a whole to that of every demo run.
POINT_REL_SD = 0.004
CAM_GAIN = 0.085


def _curve(row: Row) -> tuple[Floats, Floats]:
    """Speeds every 250 rpm, and the torque of an unboosted engine at each, through both peaks of its run.

    Beyond its peak torque falls as ``1 - c u^k``, with ``c`` and ``k`` such that power is right and level
    at the power peak (u = 1); below its peak it falls half as fast, as a parabola.
    """
    peak_nm, peak_rpm, power_rpm = row["torque_nm"], row["torque_rpm"], row["power_rpm"]
    left = row["power_kw"] * 9549.2966 / power_rpm / peak_nm
    exponent = max(left * (1 - peak_rpm / power_rpm) / (1 - left), 1.2)
    speeds = np.arange(250 * round(0.42 * power_rpm / 250), power_rpm + 600, 250)
    away = (speeds - peak_rpm) / (power_rpm - peak_rpm)
    fall = np.where(away < 0, 0.5 * away**2, np.maximum(away, 0.0) ** exponent)
    return speeds, peak_nm * (1 - (1 - left) * fall)


def _points(rng: np.random.Generator, row: Row, run: str, speeds: Floats, torque: Floats, boost: Floats | None) -> list[Row]:
    """Rows of one pull, as noisy as pulls are."""
    felt = torque * np.exp(POINT_REL_SD * rng.standard_normal(len(speeds)) + 0.005 * rng.standard_normal())
    made = []
    for place, (n, t) in enumerate(zip(speeds, felt, strict=True)):
        point = {"run": run, "rpm": int(n), "curve_torque_nm": float(t), "curve_power_kw": float(t * n / 9549.2966)}
        made.append(row | point | {"curve_boost_kpa": None if boost is None else float(boost[place])})
    return made


def _boost_at(row: Row, base: Row, speeds: Floats) -> Floats:
    """Boost against speed: a belt-driven compressor's rises with it, a turbocharger's is held once its valve opens."""
    if row["induction"] == "centrifugal":
        return np.asarray(row["boost_kpa"] * np.clip(speeds / base["power_rpm"], 0, 1.08) ** 1.9)
    return np.asarray(row["boost_kpa"] * np.minimum(speeds / (0.8 * base["torque_rpm"]), 1.0) ** 1.5)


def _pulls_of(rng: np.random.Generator, letter: str, build: DemoBuild) -> list[Row]:
    """All pulls of a build; each boosted one follows the build's own yield at the boost of each speed."""
    base = build.rows[0]
    speeds, torque = _curve(base)
    rows: list[Row] = []
    for number, row in enumerate(build.rows, start=1):
        if row["role"] == "baseline":
            rows += _points(rng, row, f"{letter}{number} unboosted", speeds, torque, None)
            continue
        boost = _boost_at(row, base, speeds)
        multiple = np.array([power_multiple(build.rule_ratio, build.curvature, b / row["ambient_kpa"]) for b in boost])
        rows += _points(rng, row, f"{letter}{number} {row['boost_kpa'] / PSI_KPA:.0f} psi", speeds, torque * multiple, boost)
    return rows


def _camshaft_tried(rng: np.random.Generator, letter: str, build: DemoBuild) -> list[Row]:
    """Two pulls of an unboosted engine around a longer camshaft: it loses at low speed and gains where it was chosen for."""
    base = build.rows[0]
    speeds, torque = _curve(base)
    tilt = np.clip((speeds - base["torque_rpm"]) / (base["power_rpm"] - base["torque_rpm"]), -1.0, 1.2)
    runs = (f"{letter}1 as it came", f"{letter}2 camshaft")
    after = base | {"build": f"{build.name}, camshaft", "compared_with": runs[0], "parts": "camshaft"}
    return _points(rng, base, runs[0], speeds, torque, None) + _points(
        rng, after, runs[1], speeds, torque * (1 + CAM_GAIN * tilt), None
    )


def curve_rows(rng: np.random.Generator) -> list[Row]:
    """Points of all curves, run after run."""
    boosted, belt, plain = draw_builds(rng, CURVES.habits[0], set(), WISHES)
    return _pulls_of(rng, "A", boosted) + _pulls_of(rng, "B", belt) + _camshaft_tried(rng, "C", plain)
