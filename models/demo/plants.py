"""What is planted in the demo data: deviators, and mistakes that a reading must refuse, flag or leave out.

Each plant names the rows it touches and what the project must do about them; the table of
expectations that the tests read is written from here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from models.demo.engines import PSI_KPA, Row, Wish
from models.demo.forms import Text

Role = Literal["baseline", "boosted", "any"]
Expected = Literal["refuse", "flag", "repeat", "excluded", "repaired"]

#: (folder, number of the build in the file) -> what it is to be: two deviators without a visible cause, the rest with one.
WISHES: dict[tuple[str, int], Wish] = {
    ("demo_quarrel_lane", 4): Wish(1.30, ("turbocharger", "air_to_air"), 15),
    ("demo_quarrel_lane", 12): Wish(0.99, ("turbocharger", "air_to_air"), 16, breath_kpa=58.0),
    ("demo_hinterquell", 2): Wish(0.56, ("turbocharger", "air_to_air"), 14),
    ("demo_torvane", 2): Wish(0.90, ("turbocharger", "air_to_air"), 12),
    ("demo_brinmoor", 1): Wish(0.90, ("turbocharger", "air_to_air"), 12),
    ("demo_ninefold", 0): Wish(1.27, ("turbocharger", "air_to_air"), 14),
    ("demo_pellwick", 3): Wish(0.44, ("positive_displacement", "none"), 10),
}


@dataclass(frozen=True, slots=True)
class Plant:
    """One planted oddity.

    Attributes
    ----------
    folder, build : source, and number of the build in its file.
    role, place : which of the build's rows; `place` None means all of that role, -1 the last.
    sets : key -> new value, the name of another build, or a function of the row and its build's first baseline.
    code : check code, or the reason for which the study leaves it out.
    expected : what must happen.
    sentence : what is wrong, in plain words.
    extra : the change is made on a copy of the row, added at the end of the file.
    remove : baselines of the build are taken out of the file.
    repair : action and reason of a declared repair of the row.
    """

    folder: str
    build: int
    role: Role
    place: int | None
    sets: Mapping[str, Any]
    code: str
    expected: Expected
    sentence: str
    extra: bool = False
    remove: bool = False
    repair: tuple[str, str] | None = field(default=None)


Setter = Callable[[Row, Row], Any]


@dataclass(frozen=True, slots=True)
class OtherBuild:
    """The name of another build of the same file."""

    number: int


def _times(key: str, factor: float) -> Setter:
    return lambda row, base: row[key] * factor


def _plus(key: str, amount: float) -> Setter:
    return lambda row, base: row[key] + amount


def _of_baseline(key: str, factor: float) -> Setter:
    return lambda row, base: base[key] * factor


def _too_fast(row: Row, base: Row) -> int:
    return 50 * math.ceil(28 * 30_000 / row["stroke_mm"] / 50)


def _in_half_psi(key: str, factor: float) -> Setter:
    return lambda row, base: round(row[key] * factor / (PSI_KPA / 2)) * PSI_KPA / 2


_Q, _T, _G, _O = "demo_quarrel_lane", "demo_torvane", "demo_gleaner", "demo_osterfell"
PLANTS: tuple[Plant, ...] = (
    # Refused.
    Plant(_Q, 0, "boosted", 0, {"power_kw": Text("see text")}, "number_unreadable", "refuse",
    "A remark stands where the power should."),
    Plant(_Q, 1, "boosted", 0, {"torque_nm": _times("torque_nm", 0.82)}, "torque_below_power_peak", "refuse",
          "The stated peak torque is less than the power peak implies."),
    Plant(_Q, 2, "boosted", -1, {"tested_on": date(2062, 5, 14)}, "date_future", "refuse", "The year has two digits swapped."),
    Plant(_T, 0, "boosted", 0, {"torque_rpm": lambda row, base: row["power_rpm"]}, "power_above_peak", "refuse",
          "Peak torque at the printed speed makes more than the peak power."),
    Plant(_T, 1, "boosted", -1, {"power_kw": None}, "power_missing", "refuse", "The power cell is empty."),
    Plant("demo_hinterquell", 0, "boosted", 0, {"power_kw": Text("312 zorks")}, "unit_unknown", "refuse",
    "The cell states a unit nobody knows."),
    Plant("demo_hinterquell", 1, "boosted", -1, {"power_kw": Text("-287")}, "power_not_positive", "refuse",
    "The power is negative."),
    Plant("demo_vauclare", 2, "boosted", 0, {"humidity_pct": 140}, "value_impossible", "refuse",
    "Air cannot hold 140 % humidity."),
    Plant("demo_almedra", 0, "boosted", 0, {"power_kw": Text("102500")}, "value_impossible", "refuse",
    "Watts stand under a header that says CV."),
    Plant("demo_almedra", 1, "boosted", -1, {"build": None}, "build_missing", "refuse",
    "The row does not say which engine it is."),
    Plant("demo_kirisato", 1, "boosted", 0, {"power_kw": Text("測定不能")}, "number_unreadable", "refuse",
    "The cell says that nothing could be measured."),
    Plant("demo_pellwick", 0, "any", 0, {"level 4": Text("1,234")}, "number_ambiguous", "refuse",
          "In a file of whole numbers the comma may be either mark."),
    Plant(_O, 1, "boosted", -1, {"displacement_cc": _plus("displacement_cc", 190)}, "build_described_twice", "refuse",
          "One row of the build states another displacement."),
    Plant(_G, 0, "boosted", 0, {"baseline_build": Text("Haldrek V8 9.9 loan engine")}, "build_unknown", "refuse",
          "The baseline's build stands nowhere in the file."),
    Plant("demo_ambervale", 0, "boosted", 0, {"boost_kpa": None}, "boost_missing", "refuse",
    "A boosted figure without its boost."),
    Plant(_T, 13, "boosted", -1, {"build": Text("Average"), "power_kw": 310.0, "torque_nm": 520.0}, "totals_row", "refuse",
          "The last row is an average, not a run.", extra=True),
    Plant(_Q, 5, "boosted", 0, {"note": "withdrawn"}, "repair_dropped", "refuse", "The publisher withdrew this pull.",
          repair=("drop", "Withdrawn by the publisher in its next number: the torque arm had slipped.")),
    Plant(_Q, 3, "boosted", -1, {"power_kw": _times("power_kw", 10)}, "repair_replaced", "repaired",
    "The power is printed with a digit too many.",
          repair=("replace", "Printed with a nought too many; the publisher's erratum gives the figure used here.")),
    # Flagged and kept.
    Plant(_Q, 6, "any", None, {"bore_mm": _plus("bore_mm", 6)}, "displacement_mismatch", "flag",
    "Bore and stroke belong to a larger engine."),
    Plant(_Q, 8, "any", None, {"intake_duration_deg": 292.0}, "advertised_duration", "flag",
    "An advertised duration stands as one at 1.27 mm."),
    Plant(_Q, 9, "boosted", -1, {"fuel": "race_petrol", "octane_aki": 118.0, "ethanol_pct": None}, "octane_unusual", "flag",
          "The octane number is higher than pump scales go."),
    Plant(_Q, 10, "boosted", 0, {"power_rpm": _plus("power_rpm", 900)}, "peak_rpm_moved", "flag",
    "The boosted peak lies far from the baseline's."),
    Plant(_T, 4, "boosted", -1, {"boost_taken": "maximum"}, "boost_at_maximum", "flag",
    "Boost is the highest seen, not that at peak power."),
    Plant(_T, 5, "any", None, {"tested_on": Text("spring meeting")}, "date_unreadable", "flag",
    "The day is a name, not a date."),
    Plant("demo_hinterquell", 3, "boosted", 0, {key: _of_baseline(key, 0.93) for key in ("power_kw", "torque_nm")},
          "boosted_below_baseline", "flag", "The boosted figure lies below the baseline's."),
    Plant("demo_hinterquell", 4, "boosted", None, {"fuel": Text("Spezialmischung K")}, "code_unknown", "flag",
    "The fuel is a house name."),
    Plant("demo_vauclare", 1, "any", None, {"displacement_cc": _times("displacement_cc", 0.35)}, "bmep_unusual", "flag",
          "The displacement is that of a smaller engine, so the mean effective pressure is not to be believed."),
    Plant("demo_vauclare", 1, "baseline", 0, {}, "specific_output_high", "flag",
    "With that displacement the output per litre is too high."),
    Plant("demo_almedra", 2, "boosted", 0, {}, "ambient_from_altitude", "flag", "Only the altitude is stated, no barometer."),
    Plant("demo_skarnhollow", 0, "any", None, {"ambient_kpa": 101.6}, "ambient_sea_level", "flag",
          "The barometer was reduced to sea level at a site 1600 m up."),
    Plant("demo_skarnhollow", 1, "boosted", 0, {}, "correction_outside_validity", "flag",
    "At 1600 m the factor leaves its standard's range."),
    Plant("demo_brinmoor", 2, "boosted", 0, {}, "ambient_assumed", "flag", "Neither barometer nor altitude is stated."),
    Plant(_O, 0, "boosted", -1, {"power_rpm": _too_fast}, "piston_speed_high", "flag",
    "The speed of the peak is more than the stroke allows."),
    Plant(_G, 1, "boosted", 0, {"manifold_kpa": _plus("manifold_kpa", 9.0)}, "boost_disagrees", "flag",
          "Gauge boost and absolute manifold pressure do not fit the barometer."),
    # Read, and left out of the study with the reason.
    Plant(_Q, 7, "boosted", None, {"charge_injection": "nitrous"}, "nitrous", "excluded",
    "Nitrous was injected on the boosted pulls."),
    Plant(_T, 3, "baseline", None,
    {"baseline_hardware": "fitted_lowest_boost", "boost_kpa": 24.131651, "power_kw": _times("power_kw", 1.2),
                                    "torque_nm": _times("torque_nm", 1.2)},
          "lowest_boost", "excluded", "The baseline was run at the lowest boost the valve allows."),
    Plant(_G, 8, "boosted", None, {"measured_at": "crank"}, "wheel_against_crank", "excluded",
    "Baseline at the wheel, boosted pulls at the crank."),
    Plant("demo_brinmoor", 0, "baseline", None, {"is_stated_rating": True}, "stated_rating", "excluded",
    "The baseline is the maker's rating."),
    Plant("demo_ambervale", 1, "boosted", None, {"is_stated_rating": True}, "stated_rating", "excluded",
    "Both figures are ratings."),
    Plant("demo_cragwater", 0, "baseline", 0,
    {"manifold_kpa": _plus("manifold_kpa", -22.0), "power_kw": _times("power_kw", 0.76),
                                               "torque_nm": _times("torque_nm", 0.80), "wide_open": False},
          "throttled", "excluded", "A part-throttle point stands among the full-throttle ones.", extra=True),
    Plant("demo_pellwick", 5, "any", 0, {"level 0": None}, "no_baseline", "excluded", "The car was never run without boost."),
    Plant(_G, 4, "boosted", None, {"baseline_build": OtherBuild(5)}, "same_spec", "excluded",
    "Its baseline is another build's.", remove=True),
)  # fmt: skip

#: Deviators whose cause their own record shows; nothing is wrong with how they are written down.
CAUSES: tuple[Plant, ...] = (
    Plant(_T, 2, "boosted", None, {"boost_kpa": _in_half_psi("boost_kpa", 1.45), "boost_where": "before_cooler"},
          "boost_before_cooler", "flag", "Boost was read before a cooler that costs pressure."),
    Plant("demo_brinmoor", 1, "boosted", None, {"boost_kpa": _in_half_psi("boost_kpa", 1.45), "boost_taken": "maximum"},
          "boost_at_maximum", "flag", "Boost spikes early and falls; the spike is what was posted."),
    Plant("demo_ninefold", 0, "boosted", None, {"fuel": "ethanol_blend", "ethanol_pct": 82.0, "octane_ron": None},
          "fuel_changed", "flag", "The boosted pulls ran on ethanol, the baseline on pump petrol."),
    Plant("demo_ninefold", 0, "baseline", None, {"fuel": "petrol", "octane_ron": 95.0, "ethanol_pct": None},
          "fuel_changed", "flag", "The boosted pulls ran on ethanol, the baseline on pump petrol."),
)  # fmt: skip

#: What concerns a whole file: source, file, code, expected, sentence.
FILE_PLANTS: tuple[tuple[str, str, str, Expected, str], ...] = (
    (_G, "clippings.csv", "column_unrecognised", "flag", "A column belongs to no field of the dictionary."),
    ("demo_brinmoor", "post_your_numbers.jsonl", "not_pinned", "flag", "source.toml states no hash for the file."),
)
