import csv
from pathlib import Path

import fluids
import numpy as np
import polars as pl
import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air import (
    WEATHER_KPA,
    dry_pressure_kpa,
    geopotential_m,
    looks_reduced_to_sea_level,
    saturation_vapour_kpa,
    standard_altitude_m,
    standard_pressure_kpa,
    station_pressure_kpa,
    vapour_kpa,
)

REFERENCE = Path(__file__).parents[1] / "reference"
psychrolib.SetUnitSystem(psychrolib.SI)
altitudes = st.floats(-450, 5500)
temperatures = st.floats(-40, 70)


def _rows(name):
    with (REFERENCE / name).open(encoding="utf-8", newline="") as table:
        return list(csv.DictReader(table))


# --- standard atmosphere ------------------------------------------------------------------------------------------------


@pytest.mark.reference
@pytest.mark.parametrize("row", _rows("air_standard_atmosphere.csv"), ids=lambda row: row["altitude_m"])
def test_standard_atmosphere_table(row):
    altitude = float(row["altitude_m"])
    assert standard_pressure_kpa(altitude) * 1000 == pytest.approx(float(row["geopotential_pa"]), abs=0.05)
    assert standard_pressure_kpa(geopotential_m(altitude)) * 1000 == pytest.approx(float(row["geometric_pa"]), abs=0.11)


@pytest.mark.reference
@pytest.mark.parametrize("altitude", [-400, 0, 827, 1500, 2240, 5000])
def test_standard_atmosphere_agrees_with_fluids(altitude):
    # fluids takes geometric heights
    assert standard_pressure_kpa(geopotential_m(altitude)) * 1000 == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P, rel=1e-9)


@pytest.mark.reference
@pytest.mark.parametrize("altitude", [0, 500, 1600, 3000])
def test_standard_atmosphere_agrees_with_psychrolib(altitude):
    # psychrolib uses the short formula of the ASHRAE handbook, exponent 5.2559
    assert standard_pressure_kpa(altitude) * 1000 == pytest.approx(psychrolib.GetStandardAtmPressure(altitude), rel=5e-5)


@given(altitudes)
def test_altitude_there_and_back(altitude):
    assert standard_altitude_m(standard_pressure_kpa(altitude)) == pytest.approx(altitude, abs=1e-6)


@given(altitudes, altitudes)
def test_pressure_falls_with_height(first, second):
    low, high = sorted((first, second))
    if high - low > 1e-6:
        assert standard_pressure_kpa(high) < standard_pressure_kpa(low)


def test_a_height_beyond_the_formula_is_refused():
    with pytest.raises(ValueError, match="check the unit"):
        standard_pressure_kpa(52_000)


# --- water vapour -------------------------------------------------------------------------------------------------------


@pytest.mark.reference
@pytest.mark.parametrize("row", _rows("air_saturation_vapour.csv"), ids=lambda row: row["air_c"])
def test_saturation_pressure_table(row):
    ours = saturation_vapour_kpa(float(row["air_c"]))
    assert ours == pytest.approx(float(row["cfr_1065_kpa"]), abs=6e-7)
    assert ours == pytest.approx(float(row["hyland_wexler_kpa"]), rel=2e-3)
    assert ours == pytest.approx(float(row["wexler_greenspan_kpa"]), rel=2e-3)


@pytest.mark.reference
def test_worked_examples_of_40_cfr_1065_645():
    # read in a public implementation that cites the section: T = 282.65 K; RH 50.77 %, 2.3371 kPa, 99.980 kPa
    assert saturation_vapour_kpa(282.65 - 273.15) == pytest.approx(1.186581, abs=5e-7)
    assert vapour_kpa(20.0, 50.77) / 99.980 == pytest.approx(0.011868, abs=5e-7)
    # its dewpoint example (925.717 Pa, 279.001023 K) rests on another approximation, which lies 0.08 % higher
    assert saturation_vapour_kpa(279.001023 - 273.15) == pytest.approx(0.925717, rel=1e-3)


@pytest.mark.reference
@pytest.mark.parametrize("air_c", [1, 10, 25, 40, 60])
def test_saturation_pressure_agrees_with_psychrolib(air_c):
    assert saturation_vapour_kpa(air_c) * 1000 == pytest.approx(psychrolib.GetSatVapPres(air_c), rel=1e-3)


@pytest.mark.reference
@pytest.mark.parametrize(("air_c", "humidity_pct"), [(15, 50), (30, 50), (35, 60)])
def test_vapour_pressure_agrees_with_psychrolib(air_c, humidity_pct):
    assert vapour_kpa(air_c, humidity_pct) * 1000 == pytest.approx(
        psychrolib.GetVapPresFromRelHum(air_c, humidity_pct / 100), rel=1e-3
    )


@given(temperatures, temperatures)
def test_warm_air_holds_more_water(first, second):
    low, high = sorted((first, second))
    if high - low > 1e-3:
        assert saturation_vapour_kpa(high) > saturation_vapour_kpa(low) > 0


@given(st.floats(70, 106), temperatures, st.floats(0, 100))
def test_dry_and_vapour_make_the_whole(pressure, air_c, humidity):
    dry = dry_pressure_kpa(pressure, air_c, humidity)
    assert dry <= pressure
    assert dry + vapour_kpa(air_c, humidity) == pytest.approx(pressure, rel=1e-12)


# --- barometers reduced to sea level ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading", "altitude", "caught"),
    [
        (101.3, 1600, True),  # the common trap: about 18 kPa off
        (102.4, 1600, True),
        (99.0, 1600, True),
        (83.5, 1600, False),  # station pressure, as asked for
        (86.9, 1600, False),  # and on a day of high pressure in warm air
        (80.5, 1600, False),
        (101.3, 500, True),
        (101.3, 200, False),  # 2.4 kPa: weather could do that
        (104.5, 0, False),
        (101.3, -100, False),
        (110.0, 1600, False),  # something else is wrong with it
        (92.0, 1600, False),  # not a sea-level figure either
    ],
)
def test_reduced_readings_are_caught(reading, altitude, caught):
    assert looks_reduced_to_sea_level(reading, altitude) == caught


@given(st.floats(97.3, 105.3), st.floats(1100, 3000))
def test_reduced_readings_of_ordinary_weather_are_caught_above_1100_m(reduced, altitude):
    if abs(reduced - 101.325) <= 4.0:
        assert looks_reduced_to_sea_level(reduced, altitude)
        assert not looks_reduced_to_sea_level(station_pressure_kpa(reduced, altitude), altitude)


@given(altitudes, st.floats(-WEATHER_KPA, WEATHER_KPA))
def test_weather_is_never_taken_for_a_reduced_reading(altitude, weather):
    assert not looks_reduced_to_sea_level(standard_pressure_kpa(altitude) + weather * 0.999999, altitude)


@given(altitudes)
def test_the_standard_reading_reduces_the_standard_atmosphere(altitude):
    assert station_pressure_kpa(101.325, altitude) == pytest.approx(standard_pressure_kpa(altitude), rel=1e-12)


@given(st.floats(95, 106))
def test_at_sea_level_nothing_is_reduced(reduced):
    assert station_pressure_kpa(reduced, 0.0) == pytest.approx(reduced, rel=1e-12)


@pytest.mark.reference
@pytest.mark.parametrize(("reduced_pa", "altitude", "station"), [(101_325, 1600, 83.524), (102_500, 1600, 84.5255)])
def test_station_pressure_by_pressure_altitude(reduced_pa, altitude, station):
    # the same definition another way: pressure altitude = height + height of the setting, through fluids' atmosphere
    def height_of(pressure_kpa):
        low, high = -2000.0, 9000.0
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if pressure_kpa < fluids.ATMOSPHERE_1976(middle).P / 1000 else (low, middle)
        return geopotential_m(low)

    pressure_altitude = altitude + height_of(reduced_pa / 1000)
    ours = station_pressure_kpa(reduced_pa / 1000, altitude)
    assert height_of(ours) == pytest.approx(pressure_altitude, abs=0.01)
    assert ours == pytest.approx(station, abs=0.05)


# --- kinds of values ----------------------------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)  # each example runs whole queries
@given(
    st.lists(st.tuples(st.floats(60, 106), st.floats(-20, 50), st.floats(0, 100), st.floats(-400, 5000)), min_size=1, max_size=4)
)
def test_floats_arrays_and_expressions_agree(rows):
    pressure, air_c, humidity, altitude = map(list, zip(*rows, strict=True))
    frame = pl.DataFrame({"p": pressure, "t": air_c, "h": humidity, "z": altitude})
    for function, names in [
        (standard_pressure_kpa, "z"), (standard_altitude_m, "p"), (geopotential_m, "z"), (saturation_vapour_kpa, "t"),
        (dry_pressure_kpa, "pth"), (station_pressure_kpa, "pz"), (looks_reduced_to_sea_level, "pz"),
    ]:  # fmt: skip
        singles = [function(*(row[name] for name in names)) for row in frame.to_dicts()]
        assert all(isinstance(single, float | bool) for single in singles)
        expected = pytest.approx(singles, rel=1e-12, abs=1e-7)
        assert function(*(np.array(frame[name]) for name in names)).tolist() == expected
        assert function(*(frame[name] for name in names)).to_list() == expected
        assert frame.select(function(*(pl.col(name) for name in names))).to_series().to_list() == expected


def test_missing_stays_missing():
    frame = pl.DataFrame({"p": [None, 101.3], "z": [1600.0, None]}, schema={"p": pl.Float64, "z": pl.Float64})
    assert frame.select(looks_reduced_to_sea_level(pl.col("p"), pl.col("z"))).to_series().to_list() == [None, None]
    assert frame.select(station_pressure_kpa(pl.col("p"), pl.col("z"))).to_series().to_list() == [None, None]
