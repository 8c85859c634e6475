"""Demo contributions about parts: before and after a camshaft, heads, an intake, headers or a throttle body.

Engines are those of ``models.demo.engines``; gains follow ``models.simulate_changes``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.demo.engines import FAMILIES, PSI_KPA, Row, draw_tune
from models.demo.forms import Column, Layout, Text
from models.simulate_changes import PART_GAINS, boost_at_held_setting, gain_under_boost, na_gain
from models.simulate_truth import power_multiple

C = Column
MODERATION, GROWTH, ENGINE_REL_SD, PULL_REL_SD = 1.1, 0.9, 0.30, 0.005
RULE_RATIO_SD = 0.06
WORDS = {
    "camshaft": "camshaft", "cylinder_head": "heads", "intake_manifold": "intake manifold", "headers": "headers",
    "throttle_body": "throttle body",
}  # fmt: skip
#: What a change may alter about the engine, and what else must stand beside it to be understood.
ENGINE_STATE = ("head_state", "intake_duration_deg", "duration_at_mm")


@dataclass(frozen=True, slots=True)
class Change:
    """One pair of runs of one engine: before and after, as rows."""

    before: Row
    after: Row
    parts: str
    held: str


def _one_run(
    rng: np.random.Generator, common: Row, tune: Row, build: str, power_kw: float, boost_kpa: float, gain: float = 0.0
) -> Row:
    """One run; a part that moves air at high speed lifts peak torque by about 60 % of what it lifts peak power."""
    power = power_kw * float(np.exp(PULL_REL_SD * rng.standard_normal()))
    shape = tune["na_torque_nm"] * tune["na_power_rpm"] / tune["na_power_kw"] / 9549.2966
    shape = max(shape * (1 + 0.6 * gain) / (1 + gain), 1.04)
    rpm = tune["na_power_rpm"]
    role = {"role": "baseline"} if boost_kpa == 0 else {"role": "boosted", "boost_kpa": boost_kpa}
    return (
        common
        | {
            "build": build,
            "power_kw": power,
            "power_rpm": rpm,
            "torque_nm": power * 9549.2966 / rpm * shape,
            "torque_rpm": tune["na_torque_rpm"],
        }
        | role
    )


def _changed(came: Row, parts: Sequence[str], gain: float) -> Row:
    """The state of head and camshaft after the change; a camshaft that gave more is a longer one."""
    made = dict(came)
    if "camshaft" in parts:
        made["intake_duration_deg"] = came["intake_duration_deg"] + 2.0 * round(3 + 60 * gain)
    if "cylinder_head" in parts:
        made["head_state"] = "ported"
    return made


def _engine_changes(
    rng: np.random.Generator, number: int, families: Sequence[str], parts: Sequence[str], first_day: date
) -> list[Change]:
    """Changes of one engine: without boost, boosted, or both with the same parts."""
    family = FAMILIES[families[int(rng.integers(0, len(families)))]]
    tune = draw_tune(rng, family)
    engine = f"{family.name} no {number}"
    output = tune["na_power_kw"] / family.displacement_cc * 1000
    chosen = [parts[number % len(parts)]] if rng.random() < 0.85 else ["cylinder_head", "camshaft"]
    means = sum(PART_GAINS[part][0] for part in chosen)
    low, high = sum(PART_GAINS[part][1] for part in chosen), sum(PART_GAINS[part][2] for part in chosen)
    gain = float(np.clip(na_gain(means, MODERATION, output, ENGINE_REL_SD * rng.standard_normal()), low, high))
    slope, ambient = 0.93 + RULE_RATIO_SD * float(rng.standard_normal()), round(100.1 + 0.6 * float(rng.standard_normal()), 1)
    day = first_day + timedelta(days=int(rng.integers(0, 900)))
    common = {
        "engine_id": engine, "displacement_cc": family.displacement_cc, "compression_ratio": tune["compression_ratio"],
        "tested_on": day,
        "session": f"{day:%y%m%d}-{number}", "ambient_kpa": ambient, "fuel": "petrol", "pulls": 3,
    }  # fmt: skip
    shown = " and ".join(WORDS[part] for part in chosen)
    ways = (("without",), ("boosted",), ("without", "boosted"))[int(rng.choice(3, p=[0.42, 0.16, 0.42]))]
    made = []
    for way in ways:
        boost = 0.0 if way == "without" else float(rng.choice([6, 7, 8, 10, 12])) * PSI_KPA
        setting = way == "boosted" and rng.random() < 0.35
        after = boost_at_held_setting(boost, ambient, gain) if setting else boost
        multiple, after_multiple = (float(power_multiple(slope, -0.06, b / ambient)) for b in (boost, after))
        share = float(gain_under_boost(gain, GROWTH, multiple))
        came = {key: tune[key] for key in ENGINE_STATE}
        charge = {"induction": "turbocharger", "charge_cooling": "air_to_air"} if boost else {}
        na = tune["na_power_kw"]
        made.append(
            Change(
                _one_run(rng, common | charge | came, tune, f"{engine}, as it came", na * multiple, boost),
                _one_run(
                    rng,
                    common | charge | _changed(came, chosen, gain),
                    tune,
                    f"{engine}, {shown}",
                    na * after_multiple * (1 + share),
                    after,
                    share,
                ),
                shown,
                "setting" if setting else "boost",
            )
        )
    return made


def draw_changes(rng: np.random.Generator, engines: int, families: Sequence[str], first_day: date) -> list[Change]:
    """Changes of `engines` engines, parts in turn."""
    return [c for number in range(1, engines + 1) for c in _engine_changes(rng, number, families, list(PART_GAINS), first_day)]


def pair_lines(changes: list[Change]) -> list[Row]:
    """One row a change: fields of the engine plain, those of the runs with ``before_`` and ``after_``."""
    own = ("build", "power_kw", "power_rpm", "torque_nm", "torque_rpm", "boost_kpa", "head_state", "intake_duration_deg")
    return [
        {k: v for k, v in c.before.items() if k not in own}
        | {f"{side}_{k}": row.get(k) for side, row in (("before", c.before), ("after", c.after)) for k in own}
        | {"parts": c.parts, "held": c.held, "retuned_each": True}
        for c in changes
    ]


def run_lines(changes: list[Change]) -> list[Row]:
    """One row a run; the after run names the run it is compared with, and the parts."""
    made = []
    for number, c in enumerate(changes, start=1):
        made.append(c.before | {"run": f"M{number:02d}a"})
        made.append(
            c.after
            | {
                "run": f"M{number:02d}b",
                "compared_with": f"M{number:02d}a",
                "parts": c.parts,
                "held": c.held,
                "retuned_each": True,
            }
        )
    return made


def _both(key: str, unit: str, digits: int, shown: str) -> tuple[Column, Column]:
    own = {"power_kw": "kW", "torque_nm": "N m", "boost_kpa": "kPa", "power_rpm": "rpm", "torque_rpm": "rpm"}[key]
    before, after = (C(f"{side}_{shown}", f"{side}_{key}", unit, digits, quantity_unit=own) for side in ("before", "after"))
    return before, after


THORNQUILL_LAYOUT = Layout("delimited", (
    C("engine_id", "engine_id"), C("before_build", "before_build"), C("after_build", "after_build"), C("parts", "parts"),
    C("displacement_cc", "displacement_cc"), C("compression_ratio", "compression_ratio", digits=1), C("session", "session"),
    C("tested_on", "tested_on"), C("induction", "induction"), C("charge_cooling", "charge_cooling"), C("fuel", "fuel"),
    C("pulls", "pulls"),
    *_both("boost_kpa", "psi", 1, "boost_psi"), *_both("power_kw", "hp", 1, "power_hp"),
    *_both("power_rpm", "rpm", 0, "power_rpm"),
    *_both("torque_nm", "lbf ft", 1, "torque_lbf_ft"), *_both("torque_rpm", "rpm", 0, "torque_rpm"),
    C("ambient_kpa", "ambient_kpa", digits=1), C("held", "held"), C("retuned_each", "retuned_each"),
    *(C(f"{side}_{key}", f"{side}_{key}") for key in ("head_state", "intake_duration_deg") for side in ("before", "after")),
    C("duration_at_mm", "duration_at_mm", digits=2),
))  # fmt: skip
MORROWGATE_LAYOUT = Layout("workbook", (
    C("Run", "run"), C("Compared with", "compared_with"), C("Parts", "parts"), C("Engine", "engine_id"), C("Build", "build"),
    C("Displacement (l)", "displacement_cc", "l", 2), C("Compression ratio", "compression_ratio", digits=1),
    C("Session", "session"), C("Test date", "tested_on"), C("Induction", "induction"), C("Charge cooling", "charge_cooling"),
    C("Fuel", "fuel"), C("Pulls", "pulls"), C("Boost (bar)", "boost_kpa", "bar", 2), C("Power (kW)", "power_kw", digits=1),
    C("Power rpm", "power_rpm"), C("Torque (N m)", "torque_nm", digits=1), C("Torque rpm", "torque_rpm"),
    C("Ambient (hPa)", "ambient_kpa", "hPa"), C("held", "held"), C("retuned_each", "retuned_each"),
    C("Head state", "head_state"), C("intake_duration_deg", "intake_duration_deg"),
    C("duration_at_mm", "duration_at_mm", digits=2),
), titles=("Morrowgate Cam Notes - what each part gave",), sheet="Runs")  # fmt: skip

#: Key -> value set on the run lines, what must happen, and why.
RUN_LINE_PLANTS: tuple[tuple[int, Row, str, str, str], ...] = (
    (7, {"compared_with": Text("Z99a")}, "run_unknown", "refuse", "The run it is compared with stands nowhere in the file."),
    (15, {"parts": Text("mystery spacer")}, "part_unknown", "flag", "The part is none of the known ones."),
)
