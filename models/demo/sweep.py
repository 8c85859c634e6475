"""A demo contribution of curves: power and torque against speed, unboosted and boosted.

Each curve is a smooth torque curve through the peak figures of its run; the boost of a
belt-driven compressor rises with speed, that of a turbocharger is held by its valve.
"""

from __future__ import annotations

from datetime import date

import numpy as np

from models.demo.contribution import Contribution
from models.demo.engines import PSI_KPA, Habits, Row, Wish, draw_builds
from models.demo.forms import Column, Layout

C = Column

CURVES = Contribution(
    "demo_tidewell_curves", "Full curves, two engines", "Tidewell Dyno Room", "own_test", date(2024, 9, 9), "curves.csv",
    "sweep",
    Layout("delimited", (
        C("build", "build"), C("run", "run"), C("displacement_cc", "displacement_cc"), C("session", "session"),
        C("induction", "induction"), C("charge_cooling", "charge_cooling"), C("ambient_kpa", "ambient_kpa", digits=1),
        C("rpm", "rpm"), C("power_hp", "curve_power_kw", "hp", 1), C("torque_lbf_ft", "curve_torque_nm", "lbf ft", 1),
        C("boost_psi", "curve_boost_kpa", "psi", 1),
    )),
    (Habits("Tidewell Dyno Room", 2, ("Corrith Six", "Lyrane Twin-Cam"), levels=(6, 10)),),
    constants={"measured_at": "crank", "dyno_type": "engine", "correction": "sae_j1349", "test_method": "sweep",
    "fuel": "petrol"},
)  # fmt: skip
WISHES = {0: Wish(kind=("turbocharger", "air_to_air")), 1: Wish(kind=("centrifugal", "air_to_air"))}


def _curve(row: Row, run: str) -> list[Row]:
    """Points every 250 rpm through both peaks.

    Beyond its peak torque falls as ``1 - c u^k``, with ``c`` and ``k`` such that power is right and level
    at the power peak (u = 1); below its peak it falls half as fast, as a parabola.
    """
    peak_nm, peak_rpm, power_rpm = row["torque_nm"], row["torque_rpm"], row["power_rpm"]
    left = row["power_kw"] * 9549.2966 / power_rpm / peak_nm
    exponent = max(left * (1 - peak_rpm / power_rpm) / (1 - left), 1.2)
    speeds = np.arange(250 * round(0.42 * power_rpm / 250), power_rpm + 600, 250)
    away = (speeds - peak_rpm) / (power_rpm - peak_rpm)
    fall = np.where(away < 0, 0.5 * away**2, np.maximum(away, 0.0) ** exponent)
    torque = peak_nm * (1 - (1 - left) * fall)
    boost = row.get("boost_kpa", 0.0)
    shape = (
        np.clip(speeds / power_rpm, 0, 1.08) ** 1.9
        if row.get("induction") == "centrifugal"
        else np.minimum(speeds / peak_rpm, 1.0)
    )
    return [
        row | {"run": run, "rpm": int(n), "curve_torque_nm": float(t), "curve_power_kw": float(t * n / 9549.2966),
               "curve_boost_kpa": float(boost * b) if boost else None}
        for n, t, b in zip(speeds, torque, shape, strict=True)
    ]  # fmt: skip


def curve_rows(rng: np.random.Generator) -> list[Row]:
    """Points of all curves, run after run."""
    builds = draw_builds(rng, CURVES.habits[0], set(), WISHES)
    rows: list[Row] = []
    for letter, build in zip("AB", builds, strict=True):
        for number, row in enumerate(build.rows, start=1):
            run = f"{letter}{number} " + (f"{row['boost_kpa'] / PSI_KPA:.0f} psi" if "boost_kpa" in row else "unboosted")
            rows += _curve(row, run)
    return rows
