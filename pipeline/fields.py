"""The dictionary of fields: every column of the clean tables, described once.

Schemas, header recognition, the contribution workbook, axis titles and the printed
dictionary are all read from here. A field's name ends in its unit (``power_kw``); the part
before the unit is its *stem* (``power``). Two fields may share a stem when they measure
different quantities (``power_kw``, ``power_rpm``).

``usual`` is the range outside which a value is flagged and kept; ``possible`` is the range
outside which it is refused. Both are in the field's own unit and are judgements of this
project, not limits of any engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["number", "integer", "text", "code", "date", "flag"]
Table = Literal["source", "build", "run", "sweep_point", "change"]
Range = tuple[float, float]

#: Unit endings of field names -> unit name in ``pipeline.units``, longest first when matching.
UNIT_ENDINGS: dict[str, str] = {
    "rpm_s": "rpm/s",
    "kw": "kW",
    "kpa": "kPa",
    "nm": "N m",
    "rpm": "rpm",
    "cc": "cc",
    "mm": "mm",
    "deg": "deg",
    "pct": "%",
    "m": "m",
    "c": "C",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a clean table.

    Attributes
    ----------
    name : column name; ends in its unit where it has one.
    table : clean table it belongs to.
    kind : how its text is read.
    meaning : one sentence for contributors.
    quantity, unit : quantity and canonical unit (names of ``pipeline.units``), or None.
    usual, possible : ranges in ``unit``; outside: flagged, refused.
    codes : allowed codes of a ``code`` field.
    personal : names a person; left out of exports unless asked for.
    required : a row without it is refused.
    """

    name: str
    table: Table
    kind: Kind
    meaning: str
    quantity: str | None = None
    unit: str | None = None
    usual: Range | None = None
    possible: Range | None = None
    codes: tuple[str, ...] = ()
    personal: bool = False
    required: bool = False

    @property
    def stem(self) -> str:
        """The name without its unit ending; the whole name where it has no unit."""
        if self.unit is None:
            return self.name
        for ending, unit in UNIT_ENDINGS.items():
            if unit == self.unit and self.name.endswith("_" + ending):
                return self.name[: -len(ending) - 1]
        return self.name

    @property
    def label(self) -> str:
        """Words for axes and table heads: the stem with spaces, first letter large."""
        words = self.stem.replace("_", " ")
        return words[:1].upper() + words[1:]


QUANTITY_OF_UNIT: dict[str, str] = {
    "kW": "power", "N m": "torque", "kPa": "pressure", "rpm": "speed", "rpm/s": "speed_rate",
    "cc": "volume", "mm": "length", "m": "length", "C": "temperature", "deg": "angle", "%": "share",
}  # fmt: skip

CORRECTIONS = (
    "uncorrected", "sae_j1349", "sae_j607", "din_70020", "iso_1585", "ece_r85", "eec_80_1269",
    "jis_d1001", "sae_j1995", "unstated",
)  # fmt: skip
MEASURED_AT = ("crank", "hub", "wheel")
INDUCTION = ("none", "turbocharger", "centrifugal", "positive_displacement")
CHARGE_COOLING = ("none", "air_to_air", "air_to_water")
CHARGE_INJECTION = ("none", "water", "water_methanol", "nitrous")
FUELS = ("petrol", "race_petrol", "ethanol_blend", "methanol", "diesel", "gas", "other")
BASELINE_HARDWARE = ("compressor_removed", "fitted_bypassed", "fitted_lowest_boost", "belt_off", "unstated")
BOOST_TAKEN = ("at_peak_power", "maximum", "unstated")
BOOST_WHERE = ("manifold", "before_throttle", "before_cooler", "compressor_outlet", "unstated")
BOOST_CONTROL = ("fixed_drive", "gauge", "absolute", "unstated")
OUTCOMES = ("completed", "stopped_knock", "stopped_heat", "failed", "unstated")
PARTS = (
    "camshaft", "valve_springs", "cylinder_head", "intake_manifold", "throttle_body", "headers", "exhaust",
    "displacement", "compression", "fuel_system", "compressor", "charge_cooler", "drive_ratio", "tune_only", "other",
)  # fmt: skip
MEDIA = ("magazine", "video", "forum", "paper", "own_test", "certificate", "book", "website", "other")


def _number(
    table: Table, name: str, unit: str, meaning: str, usual: Range | None, possible: Range | None, required: bool = False
) -> Field:
    return Field(name, table, "number", meaning, QUANTITY_OF_UNIT[unit], unit, usual, possible, required=required)


def _plain(table: Table, name: str, meaning: str, usual: Range | None, possible: Range | None) -> Field:
    return Field(name, table, "number", meaning, None, None, usual, possible)


def _count(table: Table, name: str, meaning: str, usual: Range | None, possible: Range) -> Field:
    return Field(name, table, "integer", meaning, None, None, usual, possible)


def _text(table: Table, name: str, meaning: str, *, personal: bool = False, required: bool = False) -> Field:
    return Field(name, table, "text", meaning, personal=personal, required=required)


def _code(table: Table, name: str, codes: tuple[str, ...], meaning: str) -> Field:
    return Field(name, table, "code", meaning, codes=codes)


_SOURCE = (
    _text("source", "source", "Folder name of the source under data_raw.", required=True),
    _text("source", "title", "Title of the publication or contribution.", required=True),
    _text("source", "publisher", "Who published it: the cluster of the statistics.", required=True),
    _text("source", "author", "Who wrote it.", personal=True),
    _text("source", "url", "Where it can be read: http or https, or empty."),
    Field("published_on", "source", "date", "Day of publication."),
    Field("received_on", "source", "date", "Day the file was received."),
    _text("source", "licence", "Terms under which it may be used.", required=True),
    _code("source", "medium", MEDIA, "Kind of publication."),
    _text("source", "contributor", "Who sent it in; never required.", personal=True),
    _text("source", "citation", "How to cite it."),
    Field("invented", "source", "flag", "True for invented demo data."),
)

_BUILD = (
    _text("build", "build", "Name of the build: one engine in one state of tune apart from boost.", required=True),
    _text("build", "publisher", "Publisher of this build; overrides the source's."),
    _text("build", "engine_id", "Name of the test engine; one engine may be many builds."),
    _text("build", "engine_family", "Family or type of the engine."),
    _number("build", "displacement_cc", "cc", "Swept volume of the engine.", (600, 10_000), (20, 60_000)),
    _number("build", "bore_mm", "mm", "Cylinder bore.", (60, 120), (20, 300)),
    _number("build", "stroke_mm", "mm", "Piston stroke.", (50, 120), (20, 300)),
    _count("build", "cylinders", "Number of cylinders.", (1, 12), (1, 48)),
    _plain("build", "compression_ratio", "Static compression ratio.", (7, 14), (3, 25)),
    _count("build", "valves_per_cylinder", "Valves in each cylinder.", (2, 5), (1, 8)),
    _number("build", "intake_duration_deg", "deg", "Intake camshaft duration at the stated lift.", (180, 320), (90, 400)),
    _number("build", "exhaust_duration_deg", "deg", "Exhaust camshaft duration at the stated lift.", (180, 330), (90, 400)),
    _number("build", "duration_at_mm", "mm", "Lift at which the durations are stated; 1.27 mm is 0.050 inch.", (0.0, 2.0), (0, 5)),
    _number("build", "intake_lift_mm", "mm", "Intake valve lift at the valve.", (6, 19), (1, 40)),
    _number("build", "exhaust_lift_mm", "mm", "Exhaust valve lift at the valve.", (6, 19), (1, 40)),
    _number("build", "lobe_separation_deg", "deg", "Angle between the lobe centres.", (100, 120), (80, 140)),
    _code("build", "head_state", ("stock", "ported", "aftermarket", "unstated"), "State of the cylinder head."),
    _code(
        "build", "intake_kind",
        ("stock", "single_plane", "dual_plane", "long_runner", "short_runner", "individual_throttle", "other", "unstated"),
        "Kind of intake manifold.",
    ),
    _number("build", "compressor_rating_kw", "kW", "Power the compressor's maker says it supports.", (75, 1500), (10, 10_000)),
    _plain("build", "drive_ratio", "Compressor speed over crankshaft speed of a belt or gear drive.", (1, 12), (0.2, 40)),
)  # fmt: skip

_RUN = (
    _text("run", "run", "Contributor's name for this run."),
    _text("run", "baseline_build", "Build whose unboosted run serves as this run's baseline, where it is another build."),
    _text("run", "compared_with", "Name of the run this one is compared with (before the parts were changed)."),
    _text("run", "parts", "Parts changed against the run it is compared with, separated by + or ;."),
    _text("run", "session", "Name of the test session; runs of one session share air, dyno and operator."),
    Field("tested_on", "run", "date", "Day of the test."),
    _text("run", "dyno_id", "Name of the dynamometer."),
    _code("run", "dyno_type", ("engine", "chassis_roller", "chassis_hub", "unstated"), "Kind of dynamometer."),
    _code("run", "test_method", ("step", "sweep", "inertia", "unstated"), "How speed was held or swept."),
    _number("run", "sweep_rate_rpm_s", "rpm/s", "Rate of the speed sweep.", (50, 1500), (0, 20_000)),
    _text("run", "smoothing", "Smoothing applied to the printed curve."),
    _count("run", "pull_order", "Order of this pull within its session.", (1, 200), (0, 10_000)),
    _count("run", "pulls", "Number of pulls that the figure is the mean of.", (1, 10), (1, 1000)),
    _number("run", "power_sd_kw", "kW", "Standard deviation between pulls.", (0, 20), (0, 500)),
    _code("run", "measured_at", MEASURED_AT, "Where power was measured."),
    _code("run", "rating_basis", ("net", "gross", "unstated"), "Whether accessories and exhaust were fitted (net) or not (gross)."),
    _code("run", "accessories", ("none", "partial", "full", "unstated"), "Accessories driven during the test."),
    _code("run", "exhaust_trim", ("open", "full", "unstated"), "Exhaust during the test."),
    _code("run", "inlet_trim", ("open", "full", "unstated"), "Inlet during the test."),
    _code("run", "correction", CORRECTIONS, "Standard to which the printed power was corrected."),
    _number("run", "power_kw", "kW", "Peak power as reported, under the stated correction.", (20, 1500), (0.001, 10_000), required=True),
    _number("run", "observed_power_kw", "kW", "Peak power as observed, before any correction.", (20, 1500), (0.001, 10_000)),
    _number("run", "power_rpm", "rpm", "Engine speed at peak power.", (3000, 9500), (100, 25_000)),
    _number("run", "torque_nm", "N m", "Peak torque as reported, under the stated correction.", (50, 2000), (0.1, 50_000)),
    _number("run", "torque_rpm", "rpm", "Engine speed at peak torque.", (1000, 8500), (100, 25_000)),
    Field("wide_open", "run", "flag", "True when the throttle was stated to be fully open."),
    _code("run", "fuel", FUELS, "Fuel of this run."),
    _plain("run", "octane_ron", "Research octane number.", (87, 115), (40, 150)),
    _plain("run", "octane_mon", "Motor octane number.", (80, 105), (40, 150)),
    _plain("run", "octane_aki", "Pump octane (RON + MON) / 2.", (85, 110), (40, 150)),
    _number("run", "ethanol_pct", "%", "Ethanol share of the fuel by volume, as tested.", (0, 100), (0, 100)),
    _code("run", "induction", INDUCTION, "What makes the boost (ignored on unboosted runs)."),
    _code("run", "charge_cooling", CHARGE_COOLING, "Cooler between compressor and engine (ignored on unboosted runs)."),
    _code("run", "charge_injection", CHARGE_INJECTION, "What is injected into the charge besides fuel."),
    _number("run", "boost_kpa", "kPa", "Gauge pressure in the intake manifold.", (-101, 200), (-101, 700)),
    _code("run", "boost_taken", BOOST_TAKEN, "Whether boost was read at peak power or is the maximum seen."),
    _code("run", "boost_where", BOOST_WHERE, "Where boost was read."),
    _code("run", "boost_control", BOOST_CONTROL, "What holds the boost."),
    _number("run", "manifold_kpa", "kPa", "Absolute pressure in the intake manifold.", (20, 300), (1, 800)),
    _number("run", "ambient_kpa", "kPa", "Absolute air pressure at the dyno (station pressure, not reduced to sea level).", (75, 106), (40, 112)),
    _number("run", "altitude_m", "m", "Height of the dyno above sea level.", (-50, 2500), (-450, 5500)),
    _number("run", "air_c", "C", "Air temperature at the inlet.", (-5, 45), (-50, 70)),
    _number("run", "humidity_pct", "%", "Relative humidity of the air.", (0, 100), (0, 100)),
    _number("run", "charge_c", "C", "Charge temperature in the manifold.", (0, 150), (-60, 400)),
    _number("run", "coolant_c", "C", "Coolant temperature.", (50, 115), (-50, 200)),
    _number("run", "oil_c", "C", "Oil temperature.", (40, 140), (-50, 250)),
    _number("run", "exhaust_back_kpa", "kPa", "Gauge pressure in the exhaust before the turbine or in the pipe.", (0, 300), (-20, 1000)),
    _plain("run", "lambda", "Air-fuel ratio over stoichiometric.", (0.7, 1.05), (0.3, 3)),
    _number("run", "spark_deg", "deg", "Spark advance before top dead centre at peak power.", (0, 45), (-40, 90)),
    _number("run", "drivetrain_loss_pct", "%", "Flat drivetrain loss that the publisher added to wheel power.", (5, 25), (0, 60)),
    _code("run", "outcome", OUTCOMES, "How the run ended."),
    Field("is_stated_rating", "run", "flag", "True when the figure is a maker's or certificate's rating, not a measurement."),
    _code("run", "baseline_hardware", BASELINE_HARDWARE, "What compressor hardware stayed on for the unboosted run."),
    Field("same_exhaust", "run", "flag", "True when baseline and boosted run shared the exhaust."),
    Field("same_tune_target", "run", "flag", "True when baseline and boosted run aimed at the same mixture and spark margin."),
    _text("run", "note", "Free remark of the contributor."),
)  # fmt: skip

_POINT = (
    _number("sweep_point", "rpm", "rpm", "Engine speed of this point of the curve.", (800, 9500), (50, 25_000), required=True),
    _number("sweep_point", "curve_power_kw", "kW", "Power at this speed.", (0, 1500), (-50, 10_000)),
    _number("sweep_point", "curve_torque_nm", "N m", "Torque at this speed.", (0, 2000), (-500, 50_000)),
    _number("sweep_point", "curve_boost_kpa", "kPa", "Gauge manifold pressure at this speed.", (-100, 200), (-101, 700)),
)  # fmt: skip

_CHANGE = (
    Field("retuned_each", "change", "flag", "True when mixture and spark were set anew after the change."),
    _code("change", "held", ("boost", "setting", "unstated"), "What was held between the two runs: boost, or the drive or wastegate setting."),
)  # fmt: skip

FIELDS: dict[str, Field] = {f.name: f for f in (*_SOURCE, *_BUILD, *_RUN, *_POINT, *_CHANGE)} | {"publisher": _SOURCE[2]}


def fields_of(table: Table) -> tuple[Field, ...]:
    """Fields of one table in the order of the dictionary (`publisher` belongs to source and build)."""
    groups = {"source": _SOURCE, "build": _BUILD, "run": _RUN, "sweep_point": _POINT, "change": _CHANGE}
    return groups[table]
