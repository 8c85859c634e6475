"""Invented engines on invented dynos: builds and runs as a publisher would have measured them.

Engine families, people and places exist nowhere. What a publisher measures follows the same
formula as every simulated study (``models.simulate_truth``), with class means inside the
ranges of DEVELOPERS.md, Demo data.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np

from models.simulate_truth import PSI_KPA, power_multiple
from pipeline.units import convert, unit_named

#: One run with the description of its build: canonical field -> value in the field's own unit.
Row = dict[str, Any]

BOOST_STEP_KPA = {"psi": PSI_KPA / 2, "bar": 5.0, "kPa": 5.0, "kgf/cm2": 4.903325, "inHg": 3.386389}
#: Mean rule ratio by induction and cooling (cooled by air, cooled by water, uncooled).
CLASS_MEAN = {
    "turbocharger": {"air_to_air": 0.935, "air_to_water": 0.955, "none": 0.81},
    "centrifugal": {"air_to_air": 0.865, "air_to_water": 0.875, "none": 0.765},
    "positive_displacement": {"air_to_air": 0.79, "air_to_water": 0.80, "none": 0.65},
}
#: Shares of a publisher with no speciality: mostly turbochargers with a cooler.
EVERY_KIND = {
    ("turbocharger", "air_to_air"): 0.48, ("turbocharger", "air_to_water"): 0.22, ("turbocharger", "none"): 0.07,
    ("centrifugal", "air_to_air"): 0.09, ("centrifugal", "none"): 0.03,
    ("positive_displacement", "air_to_water"): 0.08, ("positive_displacement", "none"): 0.03,
}  # fmt: skip
BELT_DRIVEN = {
    ("centrifugal", "air_to_air"): 0.42, ("centrifugal", "none"): 0.18,
    ("positive_displacement", "air_to_water"): 0.25, ("positive_displacement", "none"): 0.15,
}  # fmt: skip
#: Median and hard ends of the top boost in psi.
TOP_BOOST_PSI = {"turbocharger": (12.0, 5, 25), "centrifugal": (9.0, 4, 16), "positive_displacement": (8.0, 3, 16)}
UNCOOLED_TOP_PSI = (6.5, 3, 10)
#: Engines above this NA power are not pushed past 12 psi here.
BIG_ENGINE_KW = 420.0
WITHIN_CLASS_SD = 0.075
CURVATURE, CURVATURE_SD = -0.06, 0.03
POWER_REL_SD, BOOST_SD_KPA = 0.012, 1.0


@dataclass(frozen=True, slots=True)
class Family:
    """An invented engine family; ``output_kw_l`` spans its mildest and its wildest tune."""

    name: str
    cylinders: int
    bore_mm: float
    stroke_mm: float
    valves: int
    compression: float
    output_kw_l: tuple[float, float]

    @property
    def displacement_cc(self) -> float:
        """Swept volume, whole cc."""
        return float(round(self.bore_mm**2 * math.pi / 4 * self.stroke_mm * self.cylinders / 1000))


FAMILIES = {
    f.name: f
    for f in (
        Family("Merrin Three", 3, 71.0, 83.6, 4, 10.0, (50, 78)),
        Family("Brask Four", 4, 82.5, 92.8, 4, 9.6, (46, 84)),
        Family("Tessel Flat-Four", 4, 92.0, 75.0, 4, 9.4, (44, 80)),
        Family("Lyrane Twin-Cam", 4, 86.0, 86.0, 4, 10.2, (52, 92)),
        Family("Pinder Slant-Four", 4, 88.9, 94.0, 2, 8.6, (34, 58)),
        Family("Stavan Five", 5, 81.0, 90.3, 4, 9.5, (46, 78)),
        Family("Corrith Six", 6, 84.0, 89.6, 4, 9.8, (48, 84)),
        Family("Quillan V6", 6, 95.5, 82.0, 2, 9.0, (38, 66)),
        Family("Haldrek V8", 8, 101.6, 88.4, 2, 9.2, (34, 76)),
        Family("Ormund Big-Block", 8, 114.3, 107.95, 2, 9.0, (36, 78)),
        Family("Varn Aero Four", 4, 104.0, 92.0, 2, 8.2, (28, 40)),
    )
}
STATES = ("standard", "mild cam", "ported heads", "full race")


@dataclass(frozen=True, slots=True)
class Habits:
    """How one publisher tests and what it prints.

    ``effect`` is its own lean in rule ratio; ``octane`` the scale it prints; ``levels`` fixed boosts in
    ``boost_unit`` where every build is tested at the same ones; ``bypassed`` the share of baselines run
    with the compressor fitted but bypassed; ``observed`` prints what the day gave, uncorrected; with
    ``one_engine`` every build of a family is the same test engine in another tune.
    """

    publisher: str
    builds: int
    families: tuple[str, ...]
    effect: float = 0.0
    kinds: dict[tuple[str, str], float] = field(default_factory=lambda: EVERY_KIND)
    boost_unit: str = "psi"
    levels: tuple[float, ...] = ()
    octane: str = "octane_ron"
    site_kpa: float = 100.2
    bypassed: float = 0.22
    first_day: date = date(2021, 3, 6)
    observed: bool = False
    one_engine: bool = False
    fixed: Row = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DemoBuild:
    """One build with what is true of it and the rows of its runs, baselines first."""

    name: str
    rule_ratio: float
    curvature: float
    rows: list[Row]


def _pick(rng: np.random.Generator, options: Sequence[Any], weights: Sequence[float] | None = None) -> Any:
    share = None if weights is None else np.array(weights) / np.sum(weights)
    return options[int(rng.choice(len(options), p=share))]


def draw_tune(rng: np.random.Generator, family: Family) -> Row:
    """An engine in a state of tune; speeds follow from the mean effective pressure that such a tune reaches."""
    wild = float(rng.beta(1.6, 2.0))
    output = family.output_kw_l[0] + (family.output_kw_l[1] - family.output_kw_l[0]) * wild
    bmep_bar = (8.4 if family.valves == 2 else 9.3) + 3.8 * wild + 0.2 * rng.standard_normal()
    # No engine here runs its pistons faster than 26.5 m/s, nor does a boosted peak that moves up.
    power_rpm = 50 * int(min(output * 1200 / bmep_bar, 26.5 * 30_000 / family.stroke_mm - 350) / 50)
    power_kw = output * family.displacement_cc / 1000
    return {
        "engine_family": family.name, "displacement_cc": family.displacement_cc, "bore_mm": family.bore_mm,
        "stroke_mm": family.stroke_mm, "cylinders": family.cylinders, "valves_per_cylinder": family.valves,
        "compression_ratio": round(family.compression + 1.6 * wild * float(rng.random()), 1),
        "intake_duration_deg": float(round(198 + 58 * wild)), "duration_at_mm": 1.27,
        "intake_lift_mm": round(9.2 + 4.5 * wild, 1), "head_state": "stock" if wild < 0.5 else "ported",
        "state": STATES[min(int(wild * 4), 3)], "na_power_kw": power_kw, "na_power_rpm": power_rpm,
        "na_torque_nm": power_kw * 9549.2966 / power_rpm * float(rng.uniform(1.09, 1.16)),
        "na_torque_rpm": 50 * round(power_rpm * float(rng.uniform(0.70, 0.77)) / 50),
    }  # fmt: skip


def _fuel(rng: np.random.Generator, top_psi: float, octane: str) -> Row:
    """Pump petrol mostly up to 12 psi; above 20 only high octane or ethanol."""
    shares = (0.90, 0.07, 0.03) if top_psi <= 12 else (0.15, 0.55, 0.30) if top_psi <= 20 else (0.0, 0.55, 0.45)
    fuel = _pick(rng, ("petrol", "race_petrol", "ethanol_blend"), shares)
    if fuel == "ethanol_blend":
        return {"fuel": fuel, "ethanol_pct": float(rng.integers(70, 86))}
    pump, race = ((91, 92, 93), (100, 104, 108)) if octane == "octane_aki" else ((95, 98, 98), (102, 104, 108))
    return {"fuel": fuel, octane: float(_pick(rng, pump if fuel == "petrol" else race))}


def _levels(
    rng: np.random.Generator, habits: Habits, kind: tuple[str, str], na_power_kw: float, top_psi: float | None
) -> list[float]:
    """Boosts to test, kPa, rising, on the publisher's own steps; a wished top boost is reached in four."""
    induction, cooling = kind
    median, low, high = UNCOOLED_TOP_PSI if cooling == "none" else TOP_BOOST_PSI[induction]
    high = min(high, 12) if na_power_kw > BIG_ENGINE_KW else high
    drawn_psi = float(np.clip(median * np.exp(0.38 * rng.standard_normal()), low, high))
    top_kpa = PSI_KPA * (drawn_psi if top_psi is None else top_psi)
    step = BOOST_STEP_KPA[habits.boost_unit]
    if habits.levels:
        fixed = [convert(v, unit_named(habits.boost_unit), unit_named("kPa")) for v in habits.levels]
        return [v for v in fixed if v <= max(top_kpa, fixed[0]) + 1e-9]
    count = _pick(rng, (1, 2, 3, 4, 5), (0.10, 0.24, 0.32, 0.22, 0.12)) if top_psi is None else 4
    steps = np.unique(np.round(np.linspace(max(0.38 * top_kpa, 3.3 * PSI_KPA), top_kpa, count) / step))
    return [float(v * step) for v in (steps if count > 1 else steps[-1:])]


def _air(rng: np.random.Generator, habits: Habits) -> Row:
    return {
        "ambient_kpa": round(habits.site_kpa + 0.8 * float(rng.standard_normal()), 2),
        "air_c": round(float(np.clip(22 + 5 * rng.standard_normal(), 8, 34)), 1),
        "humidity_pct": float(round(float(np.clip(45 + 13 * rng.standard_normal(), 15, 85)))),
    }


def _as_observed(power_kw: float, air: Row) -> float:
    """What the day's air leaves of a figure stated at 99 kPa and 25 C: pressure, and the square root of temperature."""
    return power_kw * air["ambient_kpa"] / 99.0 * math.sqrt(298.15 / (air["air_c"] + 273.15))


def _run(rng: np.random.Generator, tune: Row, air: Row, multiple: float, *, observed: bool) -> Row:
    """Peak figures of one run; torque peak and power peak always fit one curve."""
    power = tune["na_power_kw"] * multiple * math.exp(POWER_REL_SD * float(rng.standard_normal()))
    power = _as_observed(power, air) if observed else power
    moved = 0 if multiple == 1 else 50 * round(float(np.clip(130 * rng.standard_normal(), -350, 350)) / 50)
    power_rpm = tune["na_power_rpm"] + moved
    shape = tune["na_torque_nm"] * tune["na_power_rpm"] / tune["na_power_kw"] / 9549.2966
    shape = float(np.clip(shape * (1 + 0.007 * rng.standard_normal()), 1.06, 1.19))
    torque_rpm = min(tune["na_torque_rpm"], 50 * int(power_rpm * 0.93 / shape / 50))
    return air | {
        "power_sd_kw": round(power * float(rng.uniform(0.003, 0.009)), 2), "power_kw": power,
        "power_rpm": power_rpm, "torque_nm": power * 9549.2966 / power_rpm * shape, "torque_rpm": torque_rpm,
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wish:
    """What a build is to be in place of a drawn one: its rule ratio, class, top boost, or an end to its breath.

    ``breath_kpa`` is a boost past which only a quarter of any further boost still counts.
    """

    rule_ratio: float | None = None
    kind: tuple[str, str] | None = None
    top_psi: float | None = None
    breath_kpa: float = math.inf


def draw_build(rng: np.random.Generator, habits: Habits, taken: set[str], wish: Wish | None = None) -> DemoBuild:
    """One build of a publisher: what it is, and its runs.

    Parameters
    ----------
    rng : generator of this publisher.
    habits : how the publisher tests.
    taken : names already given; the new one is added.
    wish : what it is to be in place of a drawn one.
    """
    wish = wish or Wish()
    family = FAMILIES[_pick(rng, habits.families)]
    tune = draw_tune(rng, family)
    induction, cooling = _pick(rng, list(habits.kinds), list(habits.kinds.values()))
    induction, cooling = wish.kind or (induction, cooling)
    name = f"{family.name} {family.displacement_cc / 1000:.1f} {tune['state']}"
    name = name if name not in taken else next(f"{name} {n}" for n in range(2, 99) if f"{name} {n}" not in taken)
    taken.add(name)
    hardware = _pick(rng, ("compressor_removed", "fitted_bypassed", "unstated"), (0.75 - habits.bypassed, habits.bypassed, 0.25))
    slope = CLASS_MEAN[induction][cooling] + habits.effect + WITHIN_CLASS_SD * float(rng.standard_normal())
    slope += float(rng.uniform(0.05, 0.15)) if hardware == "fitted_bypassed" else 0.0
    slope = slope if wish.rule_ratio is None else wish.rule_ratio
    curvature = CURVATURE + CURVATURE_SD * float(rng.standard_normal())
    levels = _levels(rng, habits, (induction, cooling), tune["na_power_kw"], wish.top_psi)
    day = habits.first_day + timedelta(days=int(rng.integers(0, 1000)))
    common = {k: v for k, v in tune.items() if not k.startswith("na_") and k != "state"} | habits.fixed
    engine = f"{family.name} test engine" if habits.one_engine else name
    common |= {
        "build": name,
        "publisher": habits.publisher,
        "engine_id": engine,
        "tested_on": day,
        "session": f"{day:%y%m%d}-{name[:3]}",
    }
    common |= _fuel(rng, levels[-1] / PSI_KPA, habits.octane)
    air, gauge = _air(rng, habits), 0.6 * float(rng.standard_normal())
    # Even at full throttle the manifold of an unboosted engine stands a little below ambient.
    baseline = {"role": "baseline", "baseline_hardware": hardware, "manifold_kpa": air["ambient_kpa"] - 1.4}
    rows: list[Row] = [
        common | baseline | _run(rng, tune, air, 1.0, observed=habits.observed) for _ in range(_pick(rng, (1, 2), (0.72, 0.28)))
    ]
    later = air | {"air_c": round(air["air_c"] + float(rng.uniform(0, 4)), 1)}
    for boost in levels:
        felt = boost + gauge + BOOST_SD_KPA * float(rng.standard_normal())
        felt = min(felt, wish.breath_kpa) + 0.25 * max(felt - wish.breath_kpa, 0.0)
        multiple = power_multiple(slope, curvature, felt / later["ambient_kpa"])
        rows.append(
            common
            | {"role": "boosted", "induction": induction, "charge_cooling": cooling, "boost_kpa": boost}
            | {"manifold_kpa": later["ambient_kpa"] + boost}
            | _run(rng, tune, later, multiple, observed=habits.observed)
        )
    return DemoBuild(name, slope, curvature, rows)


def draw_builds(rng: np.random.Generator, habits: Habits, taken: set[str], wishes: dict[int, Wish]) -> list[DemoBuild]:
    """All builds of a publisher; names are unique within `taken`; `wishes` by the build's number."""
    return [draw_build(rng, habits, taken, wishes.get(number)) for number in range(habits.builds)]
