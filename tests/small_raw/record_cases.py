"""Awkward contents: record kinds, places, pressures, constants, repairs, repeats, and files that cannot be used."""

from __future__ import annotations

import math

from case import HP, INHG, KGF_CM2, LBF_FT, PS, PSI, Case, told

NM_RPM_PER_KW = 30_000 / math.pi


def _curve(top: float, speeds: range, fall: float = 0.12) -> list[tuple[int, float, float]]:
    """(rpm, N m, kW) of a curve whose power is torque times speed."""
    points = []
    for rpm in speeds:
        torque = round(top * (1 - fall * ((rpm - 4000) / 2000) ** 2), 1)
        points.append((rpm, torque, round(torque * rpm / NM_RPM_PER_KW, 2)))
    return points


def _peak(points: list[tuple[int, float, float]]) -> tuple[float, float]:
    """Power and speed of the strongest point."""
    rpm, _, power = max(points, key=lambda point: point[2])
    return power, rpm


SLOW, FAST = _curve(200.0, range(2000, 6501, 250)), _curve(270.0, range(2000, 6001, 250))


def _wide() -> str:
    """Two curves side by side; the second one stops at 6000 rpm."""
    fast = {rpm: (torque, power) for rpm, torque, power in FAST}
    lines = ["build,rpm,baseline_torque_nm,baseline_power_kw,boosted_torque_nm,boosted_power_kw,boosted_boost_kpa,ambient_kpa"]
    for rpm, torque, power in SLOW:
        cells = f"{fast[rpm][0]},{fast[rpm][1]},40" if rpm in fast else ",,"
        lines.append(f"Sedge,{rpm},{torque},{power},{cells},100")
    return "\n".join(lines) + "\n"


def _downwards() -> str:
    """A run-down from the top, speed in thousands, torque in lbf ft, no power column."""
    lines = ["build,run,krpm,torque (lbf ft),boost (psi),ambient_kpa"]
    lines += [f"Heath,coast,{rpm / 1000:g},{torque / LBF_FT:.2f},5,100" for rpm, torque, _ in reversed(SLOW)]
    return "\n".join(lines) + "\n"


def _spoilt() -> str:
    """A misprinted point, one without speed, a curve of two points, and one with axle torque."""
    lines = ["build,run,rpm,curve_torque_nm,curve_power_kw,ambient_kpa"]
    for rpm, torque, power in SLOW:
        speed = "" if rpm == 3000 else rpm
        lines.append(f"Gorse,one,{speed},{torque},{power * 1.1 if rpm == 4000 else power:.2f},100")
    lines += [f"Gorse,two,{rpm},{torque},{power},100" for rpm, torque, power in SLOW[4:6]]
    lines += [f"Whin,three,{rpm},{torque * 4.1:.1f},{power},100" for rpm, torque, power in SLOW]
    return "\n".join(lines) + "\n"


def _doubtful() -> str:
    """Curves with a spike and a stated peak of its own, two pulls under one name, and two engines under one name."""
    lines = ["build,run,rpm,curve_torque_nm,curve_power_kw,power_kw,ambient_kpa"]
    for rpm, torque, power in SLOW:
        up = 1.15 if rpm == 5000 else 1.0
        lines.append(f"Broom,spike,{rpm},{torque * up:.1f},{power * up:.2f},140,100")
    for share in (1.0, 0.99):
        lines += [f"Furze,pulls,{rpm},{torque * share:.1f},{power * share:.2f},,100" for rpm, torque, power in SLOW]
    for share in (1.0, 1.5):
        lines += [f"Ling,mixed,{rpm},{torque * share:.1f},{power * share:.2f},,100" for rpm, torque, power in SLOW]
    return "\n".join(lines) + "\n"


KINDS = (
    Case(
        "mixed_places", "Wheel, hub and crank figures, three units of power in the headers' words", "places.csv",
        "build,power,measured at,dyno type,boost_psi,ambient_kpa\nDock,200 whp,wheel,roller,0,100\n"
        "Dock,262 whp,wheel,roller,6,100\nDock,240 bhp,crank,engine,0,100\nDock,250 bhp,crank,roller,0,100\n",
        4, 4, runs=4, flags="measured_at_doubtful", values=told(L2_measured_at="wheel", L4_measured_at="crank", L4_power_kw=240 * HP),
    ),
    Case(
        "net_and_gross", "Net and gross ratings of one engine, standards in words", "ratings.csv",
        "build,power_hp,rating basis,correction,boost_psi,ambient_kpa,air_c\nMallow,180,net,SAE J1349,0,99,25\n"
        "Mallow,196,gross,SAE J1995,0,99,25\nMallow,181,net,DIN 70020,0,99,25\n"
        "Mallow,183,net,house method,0,99,25\n",
        4, 4, runs=4, flags="code_unknown",
        values=told(L2_rating_basis="net", L3_rating_basis="gross", L2_correction="sae_j1349", L3_correction="sae_j1995", L4_correction="din_70020"),
    ),
    Case(
        "us_air", "Barometer in inHg, altitude in feet, temperature in Fahrenheit", "air.csv",
        "build,power_hp,boost_psi,baro (inHg),altitude (ft),air temp (F),humidity (%)\n"
        "Sorrel,190,0,28.35,1400,77,45\nSorrel,248,6,28.35,1400,79,45\n",
        2, 2, runs=2, values=told(L2_ambient_kpa=28.35 * INHG, L2_altitude_m=1400 * 0.3048, L2_air_c=25),
    ),
    Case(
        "absolute_inhg", "Absolute manifold pressure in inHg beside the barometer", "map.csv",
        "build,power_hp,MAP (inHg abs),baro (inHg)\nCampion,200,29.5,29.6\nCampion,265,41.8,29.6\n"
        "Campion,120,20.1,29.6\n",
        3, 3, runs=3,
        values=told(L2_role="baseline", L3_boost_kpa=12.2 * INHG, L3_role="boosted", L4_role="throttled", L3_manifold_kpa=41.8 * INHG),
    ),
    Case(
        "absolute_as_gauge", "Absolute figures under boost, once with the manifold pressure beside them", "absolute.csv",
        "build,power_kw,boost_kpa,manifold_kpa,ambient_kpa\nTeasel,150,100,100,100\nTeasel,200,138,138,100\n"
        "Burdock,150,100,,100\nBurdock,201,139,,100\n",
        4, 4, runs=4, flags="boost_looks_absolute boost_was_absolute", values=told(L2_boost_kpa=0, L2_role="baseline", L3_boost_kpa=38),
    ),
    Case(
        "gauge_as_manifold", "Gauge figures under an absolute header", "gauge.csv",
        "build,power_kw,manifold_kpa,ambient_kpa\nYarrow,150,100.5,100\nYarrow,200,38,100\n", 2, 2, runs=2, flags="manifold_looks_gauge",
    ),
    Case(
        "sea_level_barometer", "Barometers reduced to sea level, and one that fits no altitude", "barometer.csv",
        "build,power_kw,boost_kpa,ambient_kpa,altitude_m\nVetch,120,0,101.9,1600\nVetch,170,40,101.9,1600\n"
        "Vetch,121,0,75.0,600\n",
        3, 3, runs=3, flags="ambient_altitude_disagree ambient_sea_level",
        values=told(L2_ambient_used_kpa=84.0, L2_ambient_basis="altitude", L4_ambient_used_kpa=75.0),
    ),
    Case(
        "air_from_altitude", "No barometer: altitude for one engine, nothing for the other", "height.csv",
        "build,power_kw,boost_kpa,altitude_m\nThrift,120,0,1500\nThrift,165,40,1500\nBurnet,120,0,\nBurnet,160,40,\n",
        4, 4, runs=4, flags="ambient_assumed ambient_from_altitude",
        values=told(L3_ambient_used_kpa=84.556, L5_ambient_used_kpa=101.325, L5_ambient_basis="assumed"),
    ),
    Case(
        "constants", "What the file does not say stands in source.toml", "bare.csv",
        "motor,figure,pounds\nSpurge,210,0\nSpurge,281,7\n", 2, 2, runs=2,
        more=(
            'headers = { "motor" = "build", "figure" = "power_ps", "pounds" = "boost_psi" }\n'
            'constants = { ambient_hpa = 985, measured_at = "hub", correction = "DIN", induction = "turbocharger", wide_open = true }\n'
        ),
        values=told(L2_power_kw=210 * PS, L3_boost_kpa=7 * PSI, L3_ambient_kpa=98.5, L3_measured_at="hub", L3_correction="din_70020", L3_induction="turbocharger"),
    ),
    Case(
        "levels_with_gaps", "A line a build, a power column a boost level, blank cells", "levels.csv",
        "Engine,Displacement (l),Baro (kPa),NA hp,5 psi,8 psi,0.7 bar\nLing,2.0,100,150,197,,248\n"
        "Bell,2.5,100,,,260,\nTormentil,3.0,100,,,,\nEyebright,2.2,100,160,see note,,\n",
        4, 2, 2, runs=4, kind="levels", refused_lines="4:power_missing 5:number_unreadable",
        values=told(L2x1_power_kw=150 * HP, L2x1_boost_kpa=0, L2x2_boost_kpa=5 * PSI, L2x4_boost_kpa=70, L2x4_power_kw=248 * HP, L3x3_power_kw=260 * HP),
    ),
    Case(
        "levels_kind_unsaid", "The same kind of table, its kind left to be found", "levels.csv",
        "Engine,NA hp,6 psi,9 psi\nBistort,211,281,315\n", 1, 1, runs=3, kind=None, flags="ambient_assumed kind_guessed",
        values=told(L2x3_boost_kpa=9 * PSI, L2x3_power_kw=315 * HP),
    ),
    Case(
        "changes_both_ways", "A gain, a loss, a blank, an unknown part, several parts", "parts.csv",
        "engine,before_power_hp,after_power_hp,parts,boost_psi,ambient_kpa\nAvens,300,322,cam + springs,0,100\n"
        "Avens two,240,229,headers,0,100\nAvens three,200,,cylinder head,0,100\n"
        "Avens four,180,186,flux vane,0,100\n",
        4, 3, 1, runs=6, changes=3, kind="changes", refused_lines="4:power_missing", flags="after_below_before part_unknown",
        values=told(L2x1_power_kw=300 * HP, L2x2_power_kw=322 * HP),
    ),
    Case(
        "runs_compared_by_name", "Runs that name the run before the change; one name leads nowhere, one build stands nowhere", "named.csv",
        "build,run,power_hp,compared_with,parts,baseline_build,boost_psi,ambient_kpa\nDropwort,one,300,,,,0,100\n"
        "Dropwort cam,two,320,one,camshaft,,0,100\nDropwort head,three,340,nine,cylinder head,,0,100\n"
        "Dropwort turbo,four,400,,,Meadow,6,100\n",
        4, 2, 2, runs=2, changes=1, refused_lines="4:run_unknown 5:build_unknown",
    ),
    Case(
        "pairs_two_builds", "Baseline and boosted figures side by side, on two builds", "pairs.csv",
        "baseline_build,baseline_hp,boosted_build,boosted_hp,boost (kgf/cm2),ambient_kpa\n"
        "Clover,210,Clover turbo,310,0.4,100\nMelilot,200,Melilot,,0.4,100\nMedick,200,Medick,190,0.4,100\n",
        3, 2, 1, runs=4, kind="pairs", refused_lines="3:power_missing", flags="boosted_below_baseline",
        values=told(L2x1_power_kw=210 * HP, L2x2_boost_kpa=0.4 * KGF_CM2),
    ),
    Case(
        "boost_field_units", "Field names with any unit at their end", "units.csv",
        "build,power_ps,torque_kgf_m,boost_kgf_cm2,ambient_mmhg\nStitchwort,150,20,0,750\n"
        "Stitchwort,205,27.4,0.45,750\n",
        2, 2, runs=2, values=told(L3_boost_kpa=0.45 * KGF_CM2, L2_ambient_kpa=750 * 0.1333224, L2_torque_nm=196.133),
    ),
)  # fmt: skip

CURVES = (
    Case(
        "curves_side_by_side", "Two curves of one build in one table, one shorter", "wide.csv", _wide(),
        len(SLOW), len(SLOW), runs=2, points=len(SLOW) + len(FAST), kind="sweep", flags="curve_cut_short curves_side_by_side",
    ),
    Case(
        "curve_run_down", "A run-down: speed falls, in thousands, torque only", "down.csv", _downwards(),
        len(SLOW), len(SLOW), runs=1, points=len(SLOW), kind="sweep", values=told(L2_power_kw=_peak(SLOW)[0], L2_boost_kpa=5 * PSI),
    ),
    Case(
        "curves_doubtful", "A spike, a stated peak that the curve does not have, two pulls and two engines under one name", "doubtful.csv",
        _doubtful(), 5 * len(SLOW), 3 * len(SLOW), 2 * len(SLOW), runs=2, points=3 * len(SLOW), kind="sweep",
        refused_lines=" ".join(f"{line}:curves_mixed" for line in range(2 + 3 * len(SLOW), 2 + 5 * len(SLOW))),
        flags="curve_peak_disagrees curve_pulls curve_spike", values=told(L2_power_kw=_peak(SLOW)[0], L21_pulls=2),
    ),
    Case(
        "curves_spoilt", "A misprinted point, a missing speed, a curve of two points, axle torque", "spoilt.csv", _spoilt(),
        2 * len(SLOW) + 2, 2 * len(SLOW) - 2, 4, runs=2, points=2 * len(SLOW) - 2, kind="sweep",
        refused_lines="6:rpm_missing 10:power_not_torque_times_rpm 21:curve_too_short 22:curve_too_short", flags="axle_torque",
    ),
)  # fmt: skip

CONTENTS = (
    Case(
        "dates_and_words", "Days that are none, days to come, words that are no codes, octane off the scale", "words.csv",
        "build,power_hp,boost_psi,ambient_kpa,tested_on,fuel,octane_ron,humidity_pct\n"
        "Bracken,150,0,100,2021-02-30,petrol,95,50\nBracken,151,0,100,2090-01-01,petrol,95,50\n"
        "Bracken,152,0,100,31.12.2020,dragon milk,95,0.5\nBracken,153,0,100,2020-05-01,E85,120,50\n",
        4, 3, 1, runs=3, refused_lines="3:date_future", flags="code_unknown date_unreadable octane_unusual share_not_percent",
        values=told(L4_tested_on="2020-12-31", L5_tested_on="2020-05-01"),
    ),
    Case(
        "engine_doubts", "Engines that cannot be as described", "engines.csv",
        "build,displacement_cc,bore_mm,stroke_mm,cylinders,compression_ratio,intake_duration_deg,duration_at_mm,power_kw,power_rpm,torque_nm,boost_kpa,ambient_kpa\n"
        "Rush,2400,86,86,4,9,240,1.27,100,6000,200,0,100\nRush two,1998,86,86,4,9,290,1.27,100,6000,200,0,100\n"
        "Rush three,1998,86,86,4,15,240,1.27,270,6000,460,0,100\n"
        "Rush four,1998,86,110,3,9,240,1.27,100,8000,200,0,100\n"
        "Rush five,1998,86,86,4,85,240,1.27,100,6000,200,0,100\n"
        "Rush two,2298,86,86,4,9,290,1.27,101,6000,200,0,100\n"
        "Rush two,1998,86,86,4,9,290,1.27,102,6000,200,0,100\n",
        7, 5, 2, runs=5, refused_lines="6:value_impossible 7:build_described_twice",
        flags="advertised_duration bmep_unusual displacement_mismatch peaks_far_apart piston_speed_high specific_output_high value_unusual",
    ),
    Case(
        "boost_doubts", "Boost in the wrong unit, on the wrong row, at maximum, without compressor, two statements of it", "boost.csv",
        "build,power_kw,power_rpm,torque_nm,boost_bar,manifold_kpa,ambient_kpa,boost_taken,induction\n"
        "Kale,150,6000,260,0,,100,,\nKale,200,6900,320,0.41,,100,maximum,turbo\nSwede,150,6000,260,0,,100,,\n"
        "Swede,140,6000,260,0.4,,100,,none\n"
        "Neep,150,6000,260,0,,100,,\nNeep,205,6000,400,6,,100,,\nNeep,206,6000,400,0.41,155,100,,\n"
        "Neep,180,6000,400,0,,100,,\nNeep,207,6000,640,0.41,,100,,\nNeep,208,6000,380,,,100,,\n",
        10, 9, 1, runs=9, refused_lines="11:boost_missing",
        flags=(
            "baselines_disagree boost_at_maximum boost_disagrees boost_without_compressor boosted_below_baseline gain_far_from_rule "
            "peak_rpm_moved peaks_far_apart value_unusual"
        ),
    ),
    Case(
        "standards", "A factor that its standard does not allow, and figures that do not give it", "standards.csv",
        "build,power_kw,observed_power_kw,correction,air_c,humidity_pct,ambient_kpa,boost_kpa\n"
        "Orache,110.0,100.0,iso_1585,25,30,85,0\nOrache two,110.0,100.0,sae_j1349,25,30,99.6,0\n"
        "Orache three,100.0,100.0,uncorrected,25,30,99.6,0\n",
        3, 3, runs=3, flags="correction_disagrees correction_outside_validity",
    ),
    Case(
        "printed_twice", "The same test under two publishers", "twice.csv",
        "publisher,build,power_hp,power_rpm,torque_lbf_ft,torque_rpm,boost_psi,ambient_kpa,published_on\n"
        "Weekly Sheet,Samphire 2.2,163,5900,158,4100,0,99.7,\n"
        "Weekly Sheet,Samphire 2.2,219,5850,207,4050,5.7,99.7,\n"
        "Weekly Sheet,Samphire 2.2,241,5800,229,4000,8.3,99.7,\n"
        "Yearly Sheet,Samphire,163,5900,158,4100,0,99.7,\nYearly Sheet,Samphire,219,5850,207,4050,5.7,99.7,\n"
        "Yearly Sheet,Samphire,241,5800,229,4000,8.3,99.7,\n",
        6, 3, 0, 3, runs=6, flags="column_unrecognised",
    ),
    Case(
        "repaired", "Declared repairs of the publisher's own errata", "errata.csv",
        "build,power_hp,boost_psi,ambient_kpa\nPurslane,150,0,100\nPurslane,2050,6,100\nNot an engine,1,0,100\n",
        3, 2, 1, runs=2, refused_lines="4:repair_dropped", values=told(L3_power_kw=205 * HP),
        others={
            "repairs.toml": (
                '[[repair]]\nfile = "errata.csv"\nwhere = { build = "Purslane", boost_psi = "6" }\naction = "replace"\n'
                'column = "power_hp"\n'
                'value = "205"\nreason = "a digit too many, corrected in the next number"\n'
                'expect = { column = "power_hp", above = 2000 }\n\n'
                '[[repair]]\nfile = "errata.csv"\nwhere = { build = "Not an engine" }\naction = "drop"\n'
                'reason = "a test of the brake itself"\n'
                'expect = { column = "power_hp", equals = "1" }\n'
            )
        },
    ),
)  # fmt: skip

UNUSABLE = (
    Case("no_power", "A table without power", "colours.csv", "build,colour\nA,red\nB,blue\n", problem="no column for power; 'colour'"),
    Case("only_headers", "Headers and nothing below", "empty_table.csv", "build,power_hp,boost_psi\n", problem="no table with data rows"),
    Case("empty", "No byte at all", "nothing.csv", "", problem="nothing.csv; empty"),
    Case("binary", "A picture named .csv", "picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4, problem="picture.csv"),
    Case(
        "hash_differs", "The file is not the one that was pinned", "pinned.csv", "build,power_hp,boost_psi\nA,150,0\n",
        more=f'sha256 = "{"0" * 64}"\n', problem="sha256; 0000000000",
    ),
    Case(
        "lost_header", "source.toml names a header that the file does not have", "renamed.csv", "build,power_hp,boost_psi\nA,150,0\n",
        more='headers = { "Powr" = "power_hp" }\n', problem="'Powr'; 'power_hp'",
    ),
)  # fmt: skip

RECORD_CASES = (*KINDS, *CURVES, *CONTENTS, *UNUSABLE)
