"""Demo contributions in German, French, Spanish, Portuguese and Japanese, and a laboratory's."""

from __future__ import annotations

from datetime import date

from models.demo.contribution import Contribution
from models.demo.engines import BELT_DRIVEN, Habits
from models.demo.forms import Column, Layout

C = Column

HINTERQUELL = Contribution(
    "demo_hinterquell", "Zwölf Motoren unter Druck", "Ladeluft-Blätter Hinterquell", "magazine", date(2022, 10, 4),
    "motoren.csv", "runs",
    Layout("delimited", (
        C("Motor", "build"), C("Bauart", "engine_family"), C("Hubraum (cm³)", "displacement_cc"),
        C("Verdichtung", "compression_ratio", digits=1), C("Datum", "tested_on", words={"date": "%d.%m.%Y"}),
        C("Aufladung", "induction", words={"turbocharger": "Turbolader", "centrifugal": "Radialverdichter",
                                           "positive_displacement": "Schraubenverdichter"}),
        C("Ladeluftkühlung", "charge_cooling",
        words={"air_to_air": "Luft/Luft", "air_to_water": "Luft/Wasser", "none": "ohne"}),
        C("Kraftstoff", "fuel", words={"petrol": "Super", "race_petrol": "Rennbenzin", "ethanol_blend": "E85"}),
        C("ROZ", "octane_ron"), C("Ladedruck (bar)", "boost_kpa", "bar", 2), C("Leistung (PS)", "power_kw", "PS"),
        C("Leistungsdrehzahl (1/min)", "power_rpm"), C("Drehmoment (Nm)", "torque_nm"),
        C("Drehmomentdrehzahl (1/min)", "torque_rpm"), C("Luftdruck (mbar)", "ambient_kpa", "mbar"),
        C("Lufttemperatur (°C)", "air_c", digits=1), C("Bemerkung", "note"),
    ), delimiter=";", decimal_mark=",", encoding="cp1252", newline="\r\n"),
    (Habits("Ladeluft-Blätter Hinterquell", 13, ("Brask Four", "Stavan Five", "Corrith Six", "Lyrane Twin-Cam"), 0.0,
    boost_unit="bar",
            site_kpa=97.6),),
    headers={"Bauart": "engine_family"},
    constants={"measured_at": "crank", "correction": "din_70020", "baseline_hardware": "compressor_removed"},
)  # fmt: skip

VAUCLARE = Contribution(
    "demo_vauclare", "Banc d'essai : la pression en plus", "Cahiers du Banc de Vauclare", "magazine", date(2023, 3, 15),
    "banc.csv", "runs",
    Layout("delimited", (
        C("Moteur", "build"), C("Cylindrée (cm³)", "displacement_cc"), C("Taux de compression", "compression_ratio", digits=1),
        C("Date", "tested_on", words={"date": "%Y-%m-%d"}),
        C("Suralimentation", "induction",
        words={"turbocharger": "turbo", "centrifugal": "compresseur centrifuge",
        "positive_displacement": "compresseur à vis"}),
        C("Refroidissement", "charge_cooling", words={"air_to_air": "air/air", "air_to_water": "air/eau", "none": "sans"}),
        C("Carburant", "fuel", words={"petrol": "essence", "race_petrol": "essence de course", "ethanol_blend": "E85"}),
        C("RON", "octane_ron"), C("Pression de suralimentation (bar)", "boost_kpa", "bar", 2),
        C("Puissance (ch)", "power_kw", "PS", 1), C("Régime de puissance (tr/min)", "power_rpm"),
        C("Couple (N m)", "torque_nm"), C("Régime de couple (tr/min)", "torque_rpm"),
        C("Pression atmosphérique (hPa)", "ambient_kpa", "hPa"), C("Température de l'air (°C)", "air_c", digits=1),
        C("Hygrométrie (%)", "humidity_pct"),
    ), delimiter=";", decimal_mark=",", encoding="utf-8-sig"),
    (Habits("Cahiers du Banc de Vauclare", 10, ("Brask Four", "Merrin Three", "Quillan V6"), -0.01, boost_unit="bar"),),
    headers={"Refroidissement": "charge_cooling"},
    constants={"measured_at": "crank", "correction": "ece_r85", "baseline_hardware": "fitted_bypassed"},
)  # fmt: skip

ALMEDRA = Contribution(
    "demo_almedra", "Cuaderno de ensayos, segunda serie", "Cuadernos de Banco Almedra", "book", date(2020, 9, 30),
    "ensayos.csv", "runs",
    Layout("delimited", (
        C("Motor", "build"), C("Cilindrada (cc)", "displacement_cc"),
        C("Relación de compresión", "compression_ratio", digits=1),
        C("Sobrealimentación", "induction",
        words={"turbocharger": "turbo", "centrifugal": "compresor centrífugo",
        "positive_displacement": "compresor de tornillo"}),
        C("Enfriamiento", "charge_cooling", words={"air_to_air": "aire-aire", "air_to_water": "aire-agua", "none": "sin"}),
        C("Combustible", "fuel",
        words={"petrol": "gasolina", "race_petrol": "gasolina de competición", "ethanol_blend": "E85"}),
        C("Octanos RON", "octane_ron"), C("Presión de soplado (bar)", "boost_kpa", "bar", 2),
        C("Potencia (CV)", "power_kw", "PS"), C("Régimen de potencia (rpm)", "power_rpm"),
        C("Par (mkg)", "torque_nm", "kgf m", 1), C("Régimen de par (rpm)", "torque_rpm"), C("Altitud (m)", "altitude_m"),
        C("Temperatura del aire (°C)", "air_c"),
    ), delimiter=";", decimal_mark=",", encoding="cp1252"),
    (Habits("Cuadernos de Banco Almedra", 9, ("Brask Four", "Tessel Flat-Four", "Pinder Slant-Four"), -0.035, boost_unit="bar",
            site_kpa=94.0, first_day=date(2017, 4, 1), fixed={"altitude_m": 620}),),
    headers={"Enfriamiento": "charge_cooling", "Régimen de potencia (rpm)": "power_rpm", "Régimen de par (rpm)": "torque_rpm"},
    constants={"measured_at": "crank", "correction": "din_70020", "baseline_hardware": "compressor_removed"},
)  # fmt: skip

SERRAVIL = Contribution(
    "demo_serravil", "Bancada aberta", "Oficina Serravil", "video", date(2024, 1, 28), "bancada.tsv", "runs",
    Layout("delimited", (
        C("Motor", "build"), C("Cilindrada (L)", "displacement_cc", "l", 2),
        C("Taxa de compressão", "compression_ratio", digits=1),
        C("Sobrealimentação", "induction",
        words={"turbocharger": "turbo", "centrifugal": "compressor centrífugo",
        "positive_displacement": "compressor de parafuso"}),
        C("Resfriamento", "charge_cooling", words={"air_to_air": "ar-ar", "air_to_water": "ar-água", "none": "sem"}),
        C("Combustível", "fuel", words={"petrol": "gasolina", "race_petrol": "gasolina de corrida", "ethanol_blend": "E85"}),
        C("Etanol (%)", "ethanol_pct"), C("Pressão de turbo (kgf/cm2)", "boost_kpa", "kgf/cm2", 2),
        C("Potência (cv)", "power_kw", "PS"), C("Rotação de potência (rpm)", "power_rpm"),
        C("Torque (kgfm)", "torque_nm", "kgf m", 1), C("Rotação de torque (rpm)", "torque_rpm"),
        C("Altitude (m)", "altitude_m"), C("Observação", "note"),
    ), delimiter="\t", decimal_mark=",", newline="\r\n"),
    (Habits("Oficina Serravil", 9, ("Lyrane Twin-Cam", "Brask Four", "Stavan Five"), 0.04, boost_unit="kgf/cm2", site_kpa=92.6,
            fixed={"altitude_m": 740}),),
    headers={"Resfriamento": "charge_cooling", "Rotação de potência (rpm)": "power_rpm",
    "Rotação de torque (rpm)": "torque_rpm"},
    constants={"measured_at": "wheel", "dyno_type": "chassis_hub", "correction": "sae_j1349"},
)  # fmt: skip

KIRISATO = Contribution(
    "demo_kirisato", "過給試験記録", "霧里過給同好会", "own_test", date(2022, 12, 12), "shiken.csv", "runs",
    Layout("delimited", (
        C("エンジン", "build"), C("排気量 (cc)", "displacement_cc"), C("圧縮比", "compression_ratio", digits=1),
        C("試験日", "tested_on", words={"date": "%Y-%m-%d"}),
        C("過給機", "induction",
        words={"turbocharger": "ターボ", "centrifugal": "遠心式", "positive_displacement": "ルーツ式"}),
        C("インタークーラー", "charge_cooling", words={"air_to_air": "空冷", "air_to_water": "水冷", "none": "なし"}),
        C("燃料", "fuel", words={"petrol": "ハイオク", "race_petrol": "レース用ガソリン"}), C("RON", "octane_ron"),
        C("過給圧 (kgf/cm2)", "boost_kpa", "kgf/cm2", 2), C("最高出力 (PS)", "power_kw", "PS"),
        C("最高出力回転数 (rpm)", "power_rpm"), C("最大トルク (kgf·m)", "torque_nm", "kgf m", 1),
        C("最大トルク回転数 (rpm)", "torque_rpm"), C("大気圧 (mmHg)", "ambient_kpa", "mmHg"), C("気温 (℃)", "air_c"),
        C("湿度 (%)", "humidity_pct"),
    )),
    (Habits("霧里過給同好会", 9, ("Lyrane Twin-Cam", "Tessel Flat-Four", "Merrin Three", "Corrith Six"), 0.0,
    boost_unit="kgf/cm2"),),
    constants={"measured_at": "crank", "correction": "jis_d1001", "baseline_hardware": "compressor_removed"},
)  # fmt: skip

OSTERFELL = Contribution(
    "demo_osterfell", "Brake tests at raised manifold pressure, report 41", "Osterfell Engine Laboratory", "paper",
    date(2021, 5, 20),
    "report_41.xlsx", "runs",
    Layout("workbook", (
        C("Build", "build"), C("Engine", "engine_id"), C("displacement_cc", "displacement_cc"),
        C("bore_mm", "bore_mm", digits=2), C("stroke_mm", "stroke_mm", digits=2), C("cylinders", "cylinders"),
        C("compression_ratio", "compression_ratio", digits=1), C("tested_on", "tested_on"), C("session", "session"),
        C("induction", "induction"), C("charge_cooling", "charge_cooling"), C("fuel", "fuel"), C("octane_ron", "octane_ron"),
        C("manifold_kpa", "manifold_kpa", digits=1), C("ambient_kpa", "ambient_kpa", digits=2), C("air_c", "air_c", digits=1),
        C("humidity_pct", "humidity_pct"), C("power_kw", "power_kw", digits=1), C("power_rpm", "power_rpm"),
        C("torque_nm", "torque_nm", digits=1), C("torque_rpm", "torque_rpm"), C("pulls", "pulls"),
        C("power_sd_kw", "power_sd_kw", digits=2), C("wide_open", "wide_open"), C("baseline_hardware", "baseline_hardware"),
        C("boost_control", "boost_control"),
    ), titles=("Osterfell Engine Laboratory, report 41, table 3", "Observed brake figures, no correction applied"),
    sheet="Table 3"),
    (Habits("Osterfell Engine Laboratory", 10, ("Corrith Six", "Brask Four", "Quillan V6", "Haldrek V8"), -0.015,
    boost_unit="kPa",
            bypassed=0.1, observed=True, one_engine=True, fixed={"wide_open": True, "pulls": 3, "boost_control": "fixed_drive"},
            kinds={("turbocharger", "air_to_water"): 0.55, **{k: v * 0.45 for k, v in BELT_DRIVEN.items()}}),),
    headers={"Engine": "engine_id", "Build": "build"},
    constants={"measured_at": "crank", "dyno_type": "engine", "correction": "uncorrected", "test_method": "step",
    "rating_basis": "net"},
    options={"sheet": "Table 3"},
)  # fmt: skip

ABROAD = (HINTERQUELL, VAUCLARE, ALMEDRA, SERRAVIL, KIRISATO, OSTERFELL)
