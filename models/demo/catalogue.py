"""Demo contributions in English: magazines, clubs, shops and forums that exist nowhere."""

from __future__ import annotations

from datetime import date

from models.demo.contribution import Contribution, level_rows
from models.demo.engines import BELT_DRIVEN, PSI_KPA, Habits
from models.demo.forms import Column, Layout

C = Column

QUARREL_LANE = Contribution(
    "demo_quarrel_lane", "One engine, one dyno, every boost we dared", "Quarrel Lane Engine Notes", "magazine",
    date(2023, 9, 1),
    "engine_notes.csv", "runs",
    Layout("delimited", (
        C("build", "build"), C("engine_id", "engine_id"), C("engine_family", "engine_family"),
        C("displacement_cc", "displacement_cc"), C("bore_mm", "bore_mm", digits=2), C("stroke_mm", "stroke_mm", digits=2),
        C("cylinders", "cylinders"), C("compression_ratio", "compression_ratio", digits=1),
        C("intake_duration_deg", "intake_duration_deg"), C("duration_at_mm", "duration_at_mm", digits=2),
        C("head_state", "head_state"), C("session", "session"), C("tested_on", "tested_on"), C("induction", "induction"),
        C("charge_cooling", "charge_cooling"), C("fuel", "fuel"), C("octane_aki", "octane_aki"),
        C("ethanol_pct", "ethanol_pct"), C("boost_psi", "boost_kpa", "psi", 1), C("boost_taken", "boost_taken"),
        C("power_hp", "power_kw", "hp"), C("power_rpm", "power_rpm"), C("torque_lbf_ft", "torque_nm", "lbf ft"),
        C("torque_rpm", "torque_rpm"), C("measured_at", "measured_at"), C("correction", "correction"),
        C("ambient_inhg", "ambient_kpa", "inHg", 2), C("air_f", "air_c", "F"), C("humidity_pct", "humidity_pct"),
        C("baseline_hardware", "baseline_hardware"), C("charge_injection", "charge_injection"),
        C("compressor_rating_hp", "compressor_rating_kw", "hp"), C("plenum_l", "plenum_l", digits=1), C("note", "note"),
    )),
    (Habits("Quarrel Lane Engine Notes", 14, ("Haldrek V8", "Ormund Big-Block", "Corrith Six"), 0.015, octane="octane_aki",
            fixed={"measured_at": "crank", "correction": "sae_j1349", "boost_taken": "at_peak_power",
            "charge_injection": "none"}),),
)  # fmt: skip

TORVANE = Contribution(
    "demo_torvane", "Under pressure", "Torvane Motor Review", "magazine", date(2022, 6, 1), "under_pressure.xlsx", "runs",
    Layout("workbook", (
        C("Engine", "build"), C("Family", "engine_family"), C("Displacement", "displacement_cc", "cu in", 1),
        C("Compression ratio", "compression_ratio", digits=1), C("Test date", "tested_on"), C("Induction", "induction"),
        C("Charge cooling", "charge_cooling", words={"none": "uncooled"}), C("Fuel", "fuel"), C("Octane (AKI)", "octane_aki"),
        C("Boost", "boost_kpa", "psi", 1), C("Boost taken", "boost_taken"), C("Boost where", "boost_where"),
        C("Peak power", "power_kw", "hp"), C("Power rpm", "power_rpm"), C("Peak torque", "torque_nm", "lbf ft"),
        C("Torque rpm", "torque_rpm"), C("Barometer", "ambient_kpa", "inHg", 2), C("Air temperature", "air_c", "F"),
        C("Humidity", "humidity_pct"), C("Baseline hardware", "baseline_hardware"),
        C("Compressor rating", "compressor_rating_kw", "hp"),
    ), titles=("Torvane Motor Review - Under pressure", "Engine dynamometer, STD correction, fully open throttle"),
        units=("", "", "cu in", "", "", "", "", "", "", "psi", "", "", "hp", "rpm", "lbf ft", "rpm", "inHg", "F", "%", "", "hp"),
        sheet="Results"),
    (Habits("Torvane Motor Review", 14, ("Haldrek V8", "Quillan V6", "Pinder Slant-Four", "Ormund Big-Block"), -0.02,
            octane="octane_aki", site_kpa=98.4),),
    constants={"measured_at": "crank", "correction": "sae_j607", "wide_open": True}, options={"sheet": "Results"},
)  # fmt: skip

SKARNHOLLOW = Contribution(
    "demo_skarnhollow", "Season results, all cars", "Skarnhollow Plateau Dyno Club", "website", date(2024, 2, 11),
    "season.csv", "runs",
    Layout("delimited", (
        C("Car", "build"), C("Displacement (l)", "displacement_cc", "l", 2),
        C("Compression ratio", "compression_ratio", digits=1), C("Session", "session"), C("Induction", "induction"),
        C("Charge cooling", "charge_cooling"), C("Fuel", "fuel"), C("Octane RON", "octane_ron"),
        C("Boost (psi)", "boost_kpa", "psi", 1), C("Wheel power (hp)", "power_kw", "hp", 1), C("Power rpm", "power_rpm"),
        C("Torque (lb-ft)", "torque_nm", "lbf ft"), C("Torque rpm", "torque_rpm"), C("Altitude (m)", "altitude_m"),
        C("Ambient (kPa)", "ambient_kpa", "kPa", 1), C("Air temp (C)", "air_c", digits=1),
        C("Baseline hardware", "baseline_hardware"),
    )),
    (Habits("Skarnhollow Plateau Dyno Club", 12, ("Tessel Flat-Four", "Lyrane Twin-Cam", "Brask Four", "Stavan Five"), 0.01,
            site_kpa=83.4, fixed={"altitude_m": 1600}),),
    constants={"measured_at": "wheel", "dyno_type": "chassis_roller", "correction": "iso_1585"},
)  # fmt: skip

_PELLWICK_LEVELS = (4, 6, 8, 10, 12)
PELLWICK = Contribution(
    "demo_pellwick", "Wall chart: what each car made at each boost", "Pellwick Rolling Road", "own_test", date(2023, 4, 20),
    "wall_chart.csv", "levels",
    Layout("delimited", (
        C("Car", "build"), C("Displacement (cc)", "displacement_cc"), C("Induction", "induction"),
        C("Charge cooling", "charge_cooling"), C("NA hp", "level 0", "hp", quantity_unit="kW"),
        *(C(f"{psi} psi", f"level {psi}", "hp", quantity_unit="kW") for psi in _PELLWICK_LEVELS),
    )),
    (Habits("Pellwick Rolling Road", 14, ("Brask Four", "Lyrane Twin-Cam", "Merrin Three", "Corrith Six"), -0.03,
    levels=_PELLWICK_LEVELS),),
    constants={"measured_at": "wheel", "dyno_type": "chassis_roller", "correction": "uncorrected", "fuel": "petrol",
    "ambient_kpa": "100.2"},
    arrange=level_rows(PSI_KPA),
)  # fmt: skip

BRINMOOR = Contribution(
    "demo_brinmoor", "Post your numbers", "Brinmoor Boost Board", "forum", date(2024, 5, 17), "post_your_numbers.jsonl", "runs",
    Layout("json_lines", (
        C("build", "build"), C("displacement_l", "displacement_cc", "l", 2), C("induction", "induction"),
        C("charge_cooling", "charge_cooling"), C("fuel", "fuel"), C("ethanol_pct", "ethanol_pct"),
        C("octane_ron", "octane_ron"), C("boost", "boost_kpa", "psi", 1, suffix=" psi"), C("boost_taken", "boost_taken"),
        C("power", "power_kw", "hp", suffix=" hp"), C("power_rpm", "power_rpm"), C("measured_at", "measured_at"),
        C("correction", "correction"), C("is_stated_rating", "is_stated_rating"), C("tested_on", "tested_on"),
        C("note", "note"),
    )),
    (Habits("Brinmoor Boost Board", 14, ("Lyrane Twin-Cam", "Brask Four", "Stavan Five", "Haldrek V8", "Tessel Flat-Four"),
    0.03, bypassed=0.3,
            fixed={"measured_at": "wheel", "correction": "sae_j1349"}),),
    constants={"dyno_type": "chassis_roller"}, pinned=False,
)  # fmt: skip

CRAGWATER = Contribution(
    "demo_cragwater", "Manifold pressure trials of small aero engines", "Cragwater Aero Engine Circle", "paper",
    date(2021, 11, 3),
    "manifold_trials.tsv", "runs",
    Layout("delimited", (
        C("Build", "build"), C("Bore (in)", "bore_mm", "in", 3), C("Stroke (in)", "stroke_mm", "in", 3),
        C("Cylinders", "cylinders"), C("Displacement (cu in)", "displacement_cc", "cu in", 1), C("Induction", "induction"),
        C("Charge cooling", "charge_cooling"), C("Fuel", "fuel"), C("MAP (inHg abs)", "manifold_kpa", "inHg", 2),
        C("Barometer (inHg)", "ambient_kpa", "inHg", 2), C("Air temp (F)", "air_c", "F"),
        C("Power (hp)", "power_kw", "hp", 1), C("Power rpm", "power_rpm"), C("Torque (lb-ft)", "torque_nm", "lbf ft"),
        C("Torque rpm", "torque_rpm"), C("Wide open", "wide_open"), C("Baseline hardware", "baseline_hardware"),
    ), delimiter="\t", encoding="utf-16", newline="\r\n"),
    (Habits("Cragwater Aero Engine Circle", 9, ("Varn Aero Four",), 0.0,
            kinds={("turbocharger", "none"): 0.3, ("turbocharger", "air_to_air"): 0.4,
            **{k: v * 0.3 for k, v in BELT_DRIVEN.items()}},
            boost_unit="inHg", fixed={"wide_open": True}),),
    constants={"measured_at": "crank", "correction": "sae_j607", "rating_basis": "gross"},
)  # fmt: skip

ENGLISH = (QUARREL_LANE, TORVANE, SKARNHOLLOW, PELLWICK, BRINMOOR, CRAGWATER)
