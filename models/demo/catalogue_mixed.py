"""Demo contributions of other shapes: a compilation, a video channel, a vendor's levels, certificates."""

from __future__ import annotations

from datetime import date

from models.demo.contribution import Contribution, level_rows, pair_rows
from models.demo.engines import BELT_DRIVEN, Habits
from models.demo.forms import Column, Layout

C = Column

_GLEANED = ("Dunmarrow Digest", "The Vexley Bench Book", "Saltfen Speed Quarterly")
GLEANER = Contribution(
    "demo_gleaner", "Clippings from three magazines", "Dunmarrow Digest", "other", date(2024, 8, 2), "clippings.csv", "runs",
    Layout("delimited", (
        C("publisher", "publisher"), C("build", "build"), C("displacement_cc", "displacement_cc"), C("induction", "induction"),
        C("charge_cooling", "charge_cooling"), C("fuel", "fuel"), C("octane_ron", "octane_ron"),
        C("boost_psi", "boost_kpa", "psi", 1), C("manifold_psia", "manifold_kpa", "psi", 1), C("boost_where", "boost_where"),
        C("power_hp", "power_kw", "hp"), C("power_rpm", "power_rpm"), C("torque_lbf_ft", "torque_nm", "lbf ft"),
        C("torque_rpm", "torque_rpm"), C("measured_at", "measured_at"), C("correction", "correction"),
        C("ambient_kpa", "ambient_kpa", digits=1), C("tested_on", "tested_on"), C("baseline_build", "baseline_build"),
        C("baseline_hardware", "baseline_hardware"), C("dyno operator", "operator"),
    ), blank_after=(25, 51)),
    (
        Habits(_GLEANED[0], 6, ("Haldrek V8", "Quillan V6"), 0.0, fixed={"measured_at": "crank", "correction": "sae_j1349"}),
        Habits(_GLEANED[1], 6, ("Corrith Six", "Brask Four"), 0.02, fixed={"measured_at": "wheel", "correction": "sae_j607"}),
        Habits(_GLEANED[2], 6, ("Stavan Five", "Lyrane Twin-Cam"), -0.02,
        fixed={"measured_at": "crank", "correction": "din_70020"}),
    ),
)  # fmt: skip

NINEFOLD = Contribution(
    "demo_ninefold", "Nine engines in nine weeks", "Ninefold Garage", "video", date(2023, 12, 1), "nine_weeks.json", "runs",
    Layout("json_records", (
        C("build", "build"), C("displacement_cc", "displacement_cc"), C("compression_ratio", "compression_ratio", digits=1),
        C("induction", "induction"), C("charge_cooling", "charge_cooling"), C("fuel", "fuel"), C("octane_ron", "octane_ron"),
        C("ethanol_pct", "ethanol_pct"), C("boost_kpa", "boost_kpa"), C("boost_taken", "boost_taken"),
        C("power_kw", "power_kw", digits=1), C("power_rpm", "power_rpm"), C("torque_nm", "torque_nm"),
        C("torque_rpm", "torque_rpm"), C("ambient_kpa", "ambient_kpa", digits=1), C("air_c", "air_c", digits=1),
        C("humidity_pct", "humidity_pct"), C("charge_injection", "charge_injection"),
        C("baseline_hardware", "baseline_hardware"), C("compressor_rating_kw", "compressor_rating_kw"),
        C("plenum_l", "plenum_l", digits=1),
    )),
    (Habits("Ninefold Garage", 10, ("Merrin Three", "Lyrane Twin-Cam", "Haldrek V8", "Brask Four"), 0.02, boost_unit="kPa"),),
    constants={"measured_at": "wheel", "dyno_type": "chassis_hub", "correction": "iso_1585"},
)  # fmt: skip

_KESTROW_LEVELS = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
KESTROW = Contribution(
    "demo_kestrow", "Kit results", "Kestrow Supercharger Works", "website", date(2023, 7, 7), "kit_results.xlsx", "levels",
    Layout("workbook", (
        C("Build", "build"), C("Displacement (cc)", "displacement_cc"), C("Compression ratio", "compression_ratio", digits=1),
        C("Induction", "induction"), C("Charge cooling", "charge_cooling", words={"none": "uncooled"}),
        C("Octane RON", "octane_ron"), C("0 bar (PS)", "level 0", "PS", quantity_unit="kW"),
        *(C(f"{bar} bar (PS)", f"level {bar}", "PS", quantity_unit="kW") for bar in _KESTROW_LEVELS),
    ), titles=("Kestrow Supercharger Works - results of our kits on our engine dyno",), sheet="Kits"),
    (Habits("Kestrow Supercharger Works", 11, ("Brask Four", "Quillan V6", "Haldrek V8", "Lyrane Twin-Cam"), 0.04,
    kinds=BELT_DRIVEN,
            boost_unit="bar", levels=_KESTROW_LEVELS),),
    constants={"measured_at": "crank", "correction": "din_70020", "fuel": "petrol"}, options={"sheet": "Kits"},
    arrange=level_rows(100.0),
)  # fmt: skip

AMBERVALE = Contribution(
    "demo_ambervale", "Certificates of conversion", "Ambervale Engine Bureau", "certificate", date(2020, 2, 14),
    "certificates.csv", "pairs",
    Layout("delimited", (
        C("build", "build"), C("displacement_cc", "displacement_cc"), C("compression_ratio", "compression_ratio", digits=1),
        C("induction", "induction"), C("charge_cooling", "charge_cooling"), C("fuel", "fuel"), C("octane_ron", "octane_ron"),
        C("baseline_power_kw", "baseline_power_kw", digits=1), C("baseline_power_rpm", "baseline_power_rpm"),
        C("boosted_power_kw", "power_kw", digits=1), C("boosted_power_rpm", "power_rpm"), C("boost_kpa", "boost_kpa"),
        C("ambient_kpa", "ambient_kpa", digits=1), C("baseline_hardware", "baseline_hardware"),
        C("is_stated_rating", "is_stated_rating"),
    )),
    (Habits("Ambervale Engine Bureau", 9, ("Corrith Six", "Stavan Five", "Pinder Slant-Four"), -0.02, boost_unit="kPa"),),
    constants={"measured_at": "crank", "correction": "eec_80_1269", "rating_basis": "net"}, arrange=pair_rows,
)  # fmt: skip

MIXED = (GLEANER, NINEFOLD, KESTROW, AMBERVALE)
