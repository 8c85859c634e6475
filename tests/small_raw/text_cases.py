"""Awkward text files: languages, encodings, number habits, layouts."""

from __future__ import annotations

from case import HP, INHG, KGF_CM2, KGF_M, LBF_FT, PS, PSI, Case, told

ASSUMED = "ambient_assumed"

LANGUAGES = (
    Case(
        "german_cp1252", "German headers, decimal comma, cp1252", "pruefstand.csv",
        (
            "Motor;Hubraum (ccm);Verdichtung;Leistung (PS);Ladedruck (bar);Luftdruck (hPa);Kraftstoff\r\n"
            "Mühlbach Sechs;2.985;9,5:1;188,5;0;985;Super Plus\r\n"
            "Mühlbach Sechs;2.985;9,5:1;262,0;0,45;985;Super Plus\r\n"
            "Mühlbach Sechs;2.985;9,5:1;k.A.;0,60;985;Super Plus\r\n"
        ).encode("cp1252"),
        3, 2, 1, runs=2, refused_lines="4:power_missing",
        values=told(
            L2_build="Mühlbach Sechs", L2_displacement_cc=2985, L2_compression_ratio=9.5, L2_power_kw=188.5 * PS, L3_boost_kpa=45,
            L3_ambient_kpa=98.5,
        ),
    ),
    Case(
        "spanish_bom", "Spanish headers, UTF-8 with a byte order mark", "banco.csv",
        "\ufeffmotor,potencia (CV),presión de soplado (bar),presión ambiente (mbar)\nArroyo 1.8,112,0,930\n"
        "Arroyo 1.8,150,\"0,4\",930\n"
        "Arroyo 1.8,s/d,\"0,5\",930\n",
        3, 2, 1, runs=2, refused_lines="4:power_missing",
        values=told(L2_build="Arroyo 1.8", L2_power_kw=112 * PS, L3_boost_kpa=40, L3_ambient_kpa=93),
    ),
    Case(
        "french_mkg", "French headers, torque in mkg, narrow spaces in thousands", "essais.csv",
        "moteur;cylindrée (cm3);puissance (ch);couple (mkg);régime puissance (tr/min);pression de suralimentation (bar);pression atmosphérique (hPa)\n"
        "Vallon;1\u202f995;130;17,5;5\u202f800;0;1000\nVallon;1\u202f995;172;23,6;5\u202f700;0,4;1000\n",
        2, 2, runs=2,
        values=told(L2_displacement_cc=1995, L2_power_kw=130 * PS, L2_torque_nm=17.5 * KGF_M, L2_power_rpm=5800, L3_boost_kpa=40),
    ),
    Case(
        "portuguese", "Portuguese headers, cv and kgfm", "dinamometro.csv",
        "motor;potência (cv);torque (kgfm);pressão do turbo (kgf/cm2);pressão atmosférica (hPa)\n"
        "Ribeira;98;14,1;0;920\nRibeira;141;20,2;0,5;920\n",
        2, 2, runs=2, values=told(L2_power_kw=98 * PS, L2_torque_nm=14.1 * KGF_M, L3_boost_kpa=0.5 * KGF_CM2, L3_ambient_kpa=92),
    ),
    Case(
        "japanese_full_width", "Japanese headers, full-width figures", "shiken.csv",
        "エンジン,最高出力(馬力),過給圧(kg/cm2),大気圧(hPa)\n白樺二号,１５０,０,1000\n白樺二号,２１０,０．５,1000\n白樺二号,未測定,０．６,1000\n",
        3, 2, 1, runs=2, refused_lines="4:power_missing",
        values=told(L2_build="白樺二号", L2_power_kw=150 * PS, L3_boost_kpa=0.5 * KGF_CM2),
    ),
    Case(
        "utf16_tabs", "UTF-16 with tabs, as spreadsheets save text", "saved.txt",
        "\ufeffbuild\tpower (hp)\tboost (psi)\tbaro (inHg)\nŽirný\t201\t0\t29.4\nŽirný\t275\t6.5\t29.4\n".encode("utf-16-le"),
        2, 2, runs=2, values=told(L2_build="Žirný", L3_power_kw=275 * HP, L3_boost_kpa=6.5 * PSI, L3_ambient_kpa=29.4 * INHG),
    ),
    Case(
        "many_scripts", "Names from right to left, accents in two pieces, characters without width", "names.csv",
        "build,power_hp,boost_psi,ambient_kpa\nمحرك أول,150,0,100\nמנוע שני,160,0,100\n"
        "Cafe\u0301 \u200bracer,170,0,100\n🏁 flag,180,0,100\n"
        "Café \u200bracer,221,5,100\n",
        5, 5, runs=5, values=told(L2_build="محرك أول", L3_build="מנוע שני", L5_build="🏁 flag", L6_power_kw=221 * HP),
    ),
)  # fmt: skip

NUMBERS = (
    Case(
        "units_in_cells", "The unit stands in each cell, three units in one column", "cells.csv",
        "engine,power,boost,baro\nDunmore,412 hp,0 psi,29.92 inHg\nDunmore,418 PS,0 bar,1013 hPa\n"
        "Dunmore,400 kW,6.5psi,101.3 kPa\nDunmore,560,7 psi,101.3 kPa\n"
        "Dunmore,560 hp,30 in,101.3 kPa\n",
        5, 3, 2, runs=3, refused_lines="5:unit_missing 6:unit_unknown",
        values=told(L2_power_kw=412 * HP, L3_power_kw=418 * PS, L4_power_kw=400, L4_boost_kpa=6.5 * PSI, L2_ambient_kpa=29.92 * INHG),
    ),
    Case(
        "unit_of_another_quantity", "Cells with a unit of another quantity", "quantities.csv",
        "build,power_hp,boost_psi,ambient_kpa,air_c\nTarn,150,0,101 K,20\nTarn,150,0,760 mm,20\n"
        "Tarn,150 Nm,0,101,20\nTarn,150,0,101,20 kPa\nTarn,150,0,101,68 °F\n",
        5, 1, 4, runs=1, refused_lines="2:unit_unknown 3:unit_unknown 4:unit_unknown 5:unit_unknown", values=told(L6_air_c=20),
    ),
    Case(
        "unit_row", "A second header row holds the units", "two_rows.csv",
        "Engine,Displacement,Power,Torque,Boost,Baro\n,l,PS,mkg,bar,mbar\nOldcote,1.6,105,14.2,0,1004\n"
        "Oldcote,1.6,148,20.1,0.5,1004\n",
        2, 2, runs=2, values=told(L3_displacement_cc=1600, L3_power_kw=105 * PS, L3_torque_nm=14.2 * KGF_M, L4_boost_kpa=50, L4_ambient_kpa=100.4),
    ),
    Case(
        "thousands_point", "Thousands points and decimal commas", "tausend.csv",
        "build;displacement_cc;power_kw;power_rpm;boost_kpa;ambient_kpa\nErle;1.998;110,5;6.100;0;98,2\n"
        "Erle;1.998;151,0;6.050;45,5;98,2\n",
        2, 2, runs=2, values=told(L2_displacement_cc=1998, L2_power_kw=110.5, L2_power_rpm=6100, L3_boost_kpa=45.5),
    ),
    Case(
        "comma_undecided", "A comma that may be either mark, nothing in the file proves which", "comma.csv",
        'build,displacement_cc,power_hp,boost_psi,ambient_kpa\nPell,"1,998",150,0,100\nPell,1998,203,6,100\n',
        2, 1, 1, runs=1, refused_lines="2:number_ambiguous", values=told(L3_displacement_cc=1998),
    ),
    Case(
        "comma_declared", "The same with the mark declared", "comma.csv",
        'build,displacement_cc,power_hp,boost_psi,ambient_kpa\nPell two,"1,997",151,0,100\nPell two,1997,204,6,100\n',
        2, 2, runs=2, more='decimal_mark = "."\n', values=told(L2_displacement_cc=1997),
    ),
    Case(
        "fractions", "Fractions of inches and of pounds", "fractions.csv",
        "build,bore_in,stroke_in,power_hp,boost_psi,ambient_kpa\nOaken,4 1/8,3½,300,0,100\n"
        "Oaken,4 1/8,3½,405,5 1/2,100\nOaken,4 1/8,3½,410,6/8,100\n",
        3, 2, 1, runs=2, refused_lines="4:number_unreadable", values=told(L2_bore_mm=4.125 * 25.4, L2_stroke_mm=88.9, L3_boost_kpa=5.5 * PSI),
    ),
    Case(
        "about_and_ranges", "About, ranges, tolerances, a bound", "about.csv",
        "build,power_hp,boost_psi,ambient_kpa\nQuill,~305,0,100\nQuill,400-410,5,100\nQuill,ca. 430,6,100\n"
        "Quill,450 ± 5,7,100\nQuill,>460,8,100\nQuill,400-10,5,100\n",
        6, 4, 2, runs=4, refused_lines="6:number_unreadable 7:number_ambiguous",
        values=told(L2_power_kw=305 * HP, L3_power_kw=405 * HP, L3_power_sd_kw=5 / 3**0.5 * HP, L4_power_kw=430 * HP, L5_power_kw=450 * HP),
    ),
    Case(
        "nothing_known", "A dozen ways to say that a figure is missing", "missing.csv",
        "build,power_hp,boost_psi,ambient_kpa,air_c,torque_lbf_ft\nReed,180,-,100,n/a,?\nReed,181,,100,k.A.,tbd\n"
        "Reed,182,0,100,--,unknown\nReed,N/A,5,100,20,200\nReed,?,6,100,20,#N/A\n",
        5, 3, 2, runs=3, refused_lines="5:power_missing 6:power_missing", values=told(L2_power_kw=180 * HP, L2_boost_kpa=0, L3_boost_kpa=0),
    ),
    Case(
        "bad_cells", "Cells that are no figures, impossible ones, blanks where something must stand", "bad.csv",
        "build,power_hp,power_rpm,torque_lbf_ft,torque_rpm,boost_psi,ambient_kpa\nStile,200,6000,220,4000,0,100\n"
        "Stile,see page 4,6000,220,4000,5,100\nStile,-260,6000,290,4000,5,100\n"
        ",262,6000,290,4000,5,100\nStile,,6000,290,4000,5,100\nStile,264,6000,150,4000,5,100\n"
        "Stile,265,6000,400,5500,5,100\nStile,266,4000,390,6000,5,100\n"
        "Stile,267,6000,290,4000,5 zorg,100\nStile,268,66000,290,4000,5,100\n",
        10, 1, 9, runs=1,
        refused_lines=(
            "3:number_unreadable 4:power_not_positive 5:build_missing 6:power_missing 7:torque_below_power_peak 8:power_above_peak "
            "9:peak_speeds_crossed+power_above_peak 10:unit_unknown 11:value_impossible"
        ),
        values=told(L2_torque_nm=220 * LBF_FT),
    ),
    Case(
        "leading_zeros", "Names that are figures with leading zeros", "zeros.csv",
        "build,engine_id,session,power_hp,boost_psi,ambient_kpa\n007,0001,0012,140,0,100\n07,0002,0012,150,0,100\n"
        "7,0003,0012,160,0,100\n",
        3, 3, runs=3, values=told(L2_build="007", L3_build="07", L4_build="7", L2_engine_id="0001", L2_session="0012"),
    ),
    Case(
        "formulas_as_text", "Cells that a spreadsheet would take for formulas", "formulas.csv",
        "build,power_hp,boost_psi,ambient_kpa,note\n"
        "=1+1,140,0,100,\"=HYPERLINK(\"\"http://x.invalid\"\",\"\"a\"\")\"\n+Plus,150,0,100,@SUM(A1)\n"
        "-Minus,160,0,100,=cmd|' /c calc'!A0\nPlain,=100+60,0,100,\n",
        4, 3, 1, runs=3, refused_lines="5:number_unreadable", values=told(L2_build="=1+1", L3_build="+Plus", L4_build="-Minus"),
    ),
)  # fmt: skip

LAYOUTS = (
    Case(
        "titles_and_totals", "Title rows, blank lines, an average, a footnote", "report.csv",
        "Spring meeting at the barn,,,\nall figures at the wheels,,,\n,,,\nbuild,power whp,boost psi,baro kPa\n"
        "Hazel,190,0,99.1\n\nHazel,251,6,99.1\nHazel,270,8,99.1\nAverage,237,4.7,99.1\n,,,\n"
        "measured by the club,,,\n",
        4, 3, 1, runs=3, refused_lines="9:totals_row", values=told(L5_power_kw=190 * HP, L5_measured_at="wheel", L8_boost_kpa=8 * PSI),
    ),
    Case(
        "several_tables", "Two tables under each other with different headers and units", "stacked.csv",
        "build,power_hp,boost_psi,ambient_kpa\nIvy,205,0,100\nIvy,270,5,100\n\nSecond day\n"
        "Engine,Power (kW),Boost (bar),Baro (mbar)\nMoss,120,0,1001\nMoss,163,0.4,1001\n",
        4, 4, runs=4, values=told(L2_power_kw=205 * HP, L7_power_kw=120, L8_boost_kpa=40, L8_ambient_kpa=100.1),
    ),
    Case(
        "headers_again", "Comments, the header printed on each page, an example row", "pages.csv",
        "# printed by the desk\nbuild,power_hp,boost_psi,ambient_kpa\nexample - not read,500,20,100\n"
        "Fern,175,0,100\nbuild,power_hp,boost_psi,ambient_kpa\nFern,231,5,100\n# end of page\n#12 mule,150,0,100\n",
        3, 3, runs=3, values=told(L4_power_kw=175 * HP, L6_boost_kpa=5 * PSI, L8_build="#12 mule"),
    ),
    Case(
        "quoted_newlines", "CRLF, line breaks and delimiters inside quotes", "quoted.csv",
        'build,power_hp,boost_psi,ambient_kpa,note\r\n"Elm, the\r\nlong one",210,0,100,"two\r\nlines"\r\n'
        '"Elm, the\r\nlong one",280,6,100,"says ""go"""\r\n"Elm, the\r\nlong one",none,7,100,x\r\n',
        3, 2, 1, runs=2, refused_lines="7:power_missing", values=told(L2_build="Elm, the long one", L5_power_kw=280 * HP),
    ),
    Case(
        "old_line_ends", "Lines that end in a carriage return alone", "old.csv",
        b"build,power_hp,boost_psi,ambient_kpa\rAsh,220,0,100\rAsh,292,6,100\r", 2, 2, runs=2, values=told(L3_power_kw=292 * HP),
    ),
    Case(
        "ragged_lines", "Lines that are too short and too long", "ragged.csv",
        "build,power_hp,boost_psi,ambient_kpa\nLarch,160,0,100\nLarch,211,5,100,left over,and more\nLarch,230\n",
        3, 2, 1, runs=2, refused_lines="4:boost_missing", values=told(L3_power_kw=211 * HP),
    ),
    Case(
        "pipes", "Cells between pipes", "pipes.txt",
        "build|power_hp|boost_psi|ambient_kpa\nRowan|165|0|100\nRowan|218|5|100\n", 2, 2, runs=2, values=told(L3_power_kw=218 * HP),
    ),
    Case(
        "headers_twice", "The same header twice, and a column without one", "twice.csv",
        "build,power_hp,power_hp,boost_psi,ambient_kpa,,colour\nBirk,170,171,0,100,x,red\nBirk,225,226,5,100,y,blue\n",
        2, 2, runs=2, flags="column_unrecognised", values=told(L2_power_kw=170 * HP, L3_power_kw=225 * HP),
    ),
    Case(
        "hundred_columns", "A hundred columns that nobody asked for", "wide.csv",
        "build,power_hp,boost_psi,ambient_kpa," + ",".join(f"channel {i}" for i in range(100)) + "\nYew,180,0,100,"
        + ",".join(str(i) for i in range(100)) + "\nYew,239,5,100," + ",".join("" for _ in range(100)) + "\n",
        2, 2, runs=2, flags="column_unrecognised", values=told(L3_power_kw=239 * HP),
    ),
    Case(
        "pasted_rows", "A row that was pasted twice, and two honest pulls", "pasted.csv",
        "build,power_hp,boost_psi,ambient_kpa,pull_order\nPine,200,0,100,1\nPine,200,0,100,2\nPine,262,5,100,3\n"
        "Pine,262,5,100,3\n",
        4, 4, runs=4, flags="row_twice", values=told(L5_power_kw=262 * HP),
    ),
)  # fmt: skip

TEXT_CASES = (*LANGUAGES, *NUMBERS, *LAYOUTS)
