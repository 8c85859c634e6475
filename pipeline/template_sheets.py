"""Which columns the contribution workbook has on each sheet, under which headers, with which notes.

Everything is read from the dictionary of fields, so that a new field is on every sheet it belongs to without a line
here. A header is a field's name with the unit of the chosen system at its end; what it says is read back by
``pipeline.headers`` without any mapping.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pipeline.fields import FIELDS, Field, fields_of
from pipeline.grid import EXAMPLE_MARK
from pipeline.units import convert, find_unit, unit_named

UnitSystem = Literal["us", "si"]
Weight = Literal["needed", "asked", "optional"]
Cell = str | float | int | bool | None

#: Endings of headers in US units, by canonical unit; fields whose trade unit is another one stand below.
_US_ENDINGS = {"kW": "hp", "N m": "lbf_ft", "kPa": "psi", "cc": "cu_in", "mm": "in", "m": "ft", "C": "f"}
#: Air is read from a barometer in inches of mercury, and a manifold gauge that shows absolute pressure likewise.
_US_FIELD_ENDINGS = {"ambient_kpa": "inhg", "manifold_kpa": "inhg"}
#: Boost of the columns of the sheet "levels" as the trade prints it.
_LEVELS: dict[UnitSystem, tuple[str, ...]] = {
    "us": ("NA hp", "4 psi hp", "6 psi hp", "8 psi hp", "10 psi hp", "12 psi hp", "15 psi hp", "20 psi hp"),
    "si": ("NA kW", "0.3 bar kW", "0.4 bar kW", "0.5 bar kW", "0.6 bar kW", "0.8 bar kW", "1.0 bar kW", "1.4 bar kW"),
}
_PEAKS = ("power_kw", "power_rpm", "torque_nm", "torque_rpm")
#: Fields that every sheet asks for after its own figures, because the study can use a row better with them.
_ASKED = (
    "measured_at", "correction", "induction", "charge_cooling", "fuel", "baseline_hardware", "boost_taken", "ambient_kpa",
    "altitude_m", "air_c", "humidity_pct", "session", "displacement_cc", "compression_ratio",
)  # fmt: skip
#: Curves give their own peaks, and their pressure point by point.
_NOT_ON_CURVES = (
    *_PEAKS,
    "observed_power_kw",
    "boost_kpa",
    "boost_taken",
    "manifold_kpa",
    "power_sd_kw",
    "compared_with",
    "parts",
)
#: A row that holds both runs names none of them, and says by its columns which is compared with which.
_NOT_ON_PAIRED = (*_PEAKS, "observed_power_kw", "boost_kpa", "manifold_kpa", "run", "compared_with", "parts", "power_sd_kw")


@dataclass(frozen=True, slots=True)
class TemplateColumn:
    """One column of a sheet.

    Attributes
    ----------
    header : text of the header cell.
    field : field of the dictionary that it is read as.
    unit : unit of its figures, or None.
    note : what the header's note says.
    weight : "needed" (a row without it is refused), "asked" or "optional".
    usual, possible : ranges in `unit`, or None.
    """

    header: str
    field: Field
    unit: str | None
    note: str
    weight: Weight
    usual: tuple[float, float] | None = None
    possible: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class TemplateSheet:
    """One sheet: its record kind, what a row of it is, its columns, and example rows by header."""

    kind: str
    what: str
    columns: tuple[TemplateColumn, ...]
    examples: tuple[Mapping[str, Cell], ...]


# -- headers, units, notes ----------------------------------------------------------------------------------------------


def header_of(field: Field, units: UnitSystem, side: str = "") -> str:
    """Header of a field in a system of units: `power_hp`, `before_boost_psi`, `humidity_pct`."""
    prefix = f"{side}_" if side else ""
    if units == "si" or field.unit not in _US_ENDINGS:
        return prefix + field.name
    return f"{prefix}{field.stem}_{_US_FIELD_ENDINGS.get(field.name, _US_ENDINGS[field.unit])}"


def _unit_of(field: Field, units: UnitSystem) -> str | None:
    if field.unit is None or field.quantity is None:
        return None
    ending = header_of(field, units)[len(field.stem) + 1 :].replace("_", " ")
    unit = find_unit(ending, field.quantity)
    return field.unit if unit is None else unit.name


def _in_unit(span: tuple[float, float] | None, field: Field, unit: str | None) -> tuple[float, float] | None:
    if span is None or unit is None or field.unit is None:
        return span
    low, high = (float(convert(float(v), unit_named(field.unit), unit_named(unit))) for v in span)
    return low, high


def _span(span: tuple[float, float]) -> str:
    return f"{span[0]:.3g} to {span[1]:.3g}" if max(map(abs, span)) < 1000 else f"{span[0]:.0f} to {span[1]:.0f}"


def _note(field: Field, unit: str | None, usual: tuple[float, float] | None, weight: Weight, more: str) -> str:
    lines = [field.meaning + (f" {more}" if more else "")]
    if unit is not None:
        lines.append(f"Unit: {unit}. Another unit? Write it at the end of this header, or into the cell.")
    if usual is not None:
        lines.append(f"Usual: {_span(usual)}.")
    if field.codes:
        lines.append(f"One of: {', '.join(field.codes)}.")
    if field.kind == "flag":
        lines.append("yes or no.")
    if field.kind == "date":
        lines.append("A day, as 2024-05-31.")
    lines.append({"needed": "Needed.", "asked": "Please fill in where known.", "optional": "Where known."}[weight])
    return "\n".join(lines)


def _column(
    name: str, units: UnitSystem, weight: Weight, side: str = "", header: str | None = None, more: str = ""
) -> TemplateColumn:
    field = FIELDS[name]
    unit = _unit_of(field, units)
    usual, possible = _in_unit(field.usual, field, unit), _in_unit(field.possible, field, unit)
    return TemplateColumn(
        header or header_of(field, units, side), field, unit, _note(field, unit, usual, weight, more), weight, usual, possible
    )


def _rest(units: UnitSystem, taken: list[TemplateColumn], leave_out: tuple[str, ...]) -> list[TemplateColumn]:
    """Columns of all other fields of builds and runs: those asked for first, then in the order of the dictionary."""
    held = {c.field.name for c in taken} | set(leave_out)
    names = [n for n in _ASKED if n not in held]
    others = [f.name for table in ("build", "run") for f in fields_of(table) if f.name not in held | set(names)]
    return [_column(n, units, "asked") for n in names] + [_column(n, units, "optional") for n in others]


def _head(units: UnitSystem) -> list[TemplateColumn]:
    """The first two columns of every sheet."""
    mark = f'A row in which any cell says "{EXAMPLE_MARK}" is skipped.'
    return [_column("note", units, "optional", more=mark), _column("build", units, "needed")]


# -- sheets -------------------------------------------------------------------------------------------------------------


def _example(units: UnitSystem, us: Mapping[str, Cell], si: Mapping[str, Cell]) -> dict[str, Cell]:
    return {"note": EXAMPLE_MARK, **(us if units == "us" else si)}


def _runs(units: UnitSystem) -> TemplateSheet:
    columns = _head(units)
    columns += [
        _column("power_kw", units, "needed"),
        _column("boost_kpa", units, "asked", more="Leave it empty for the run without boost."),
    ]
    columns += [_column(n, units, "asked") for n in _PEAKS[1:]]
    columns += [_column(n, units, "optional") for n in ("run", "compared_with", "parts")]
    name = {"build": "Larkspur 2.0 road cam", "session": "May morning", "correction": "sae_j1349", "measured_at": "crank"}
    boosted: dict[str, Cell] = {**name, "induction": "turbocharger", "charge_cooling": "air_to_air"}
    examples = (
        _example(units, {**name, "power_hp": 148, "power_rpm": 6200, "ambient_inhg": 29.8}, {**name, "power_kw": 110, "power_rpm": 6200, "ambient_kpa": 101}),
        _example(units, {**boosted, "power_hp": 205, "power_rpm": 6100, "boost_psi": 6.5, "ambient_inhg": 29.8},
                 {**boosted, "power_kw": 153, "power_rpm": 6100, "boost_kpa": 45, "ambient_kpa": 101}),
    )  # fmt: skip
    what = "One row for each run of a build: one without boost, and one at each boost."
    return TemplateSheet("runs", what, (*columns, *_rest(units, columns, ())), examples)


def _levels(units: UnitSystem) -> TemplateSheet:
    columns = _head(units)
    more = "Power at the boost that the header names: change the number in the header to your boost, and leave a cell empty where none was run."
    columns += [_column("power_kw", units, "asked", header=h, more=more) for h in _LEVELS[units]]
    name = {"build": "Larkspur 2.0 race cam", "measured_at": "crank", "correction": "sae_j1349"}
    example = _example(
        units,
        {**name, "NA hp": 181, "6 psi hp": 246, "8 psi hp": 270},
        {**name, "NA kW": 135, "0.4 bar kW": 184, "0.5 bar kW": 197},
    )
    leave_out = tuple(n for n in _NOT_ON_PAIRED if n != "power_kw")
    what = "One row for each build, with its power at each boost side by side."
    return TemplateSheet("levels", what, (*columns, *_rest(units, columns, leave_out)), (example,))


def _changes(units: UnitSystem) -> TemplateSheet:
    columns = [*_head(units), _column("parts", units, "needed")]
    for figure, weight in (
        ("power_kw", "needed"),
        ("boost_kpa", "asked"),
        ("power_rpm", "asked"),
        ("torque_nm", "asked"),
        ("torque_rpm", "asked"),
    ):
        columns += [_column(figure, units, weight, side) for side in ("before", "after")]  # type: ignore[arg-type]
    columns += [_column(f.name, units, "asked") for f in fields_of("change")]
    name = {"build": "Larkspur 2.0 stock", "parts": "camshaft + valve_springs", "retuned_each": "yes", "held": "boost"}
    example = _example(
        units, {**name, "before_power_hp": 139, "after_power_hp": 148}, {**name, "before_power_kw": 104, "after_power_kw": 110}
    )
    what = "One row for each change of parts: the same engine before and after."
    return TemplateSheet("changes", what, (*columns, *_rest(units, columns, _NOT_ON_PAIRED)), (example,))


def _pairs(units: UnitSystem) -> TemplateSheet:
    columns = _head(units)
    columns += [_column("power_kw", units, "needed", side) for side in ("baseline", "boosted")]
    columns.append(_column("boost_kpa", units, "needed", more="Of the boosted run."))
    columns += [_column(n, units, "asked", side) for n in _PEAKS[1:] for side in ("baseline", "boosted")]
    columns.append(
        _column("manifold_kpa", units, "optional", more="Of the boosted run; give it where boost was read as absolute pressure.")
    )
    name = {
        "build": "Larkspur 3.0 stroker",
        "induction": "centrifugal",
        "charge_cooling": "none",
        "baseline_hardware": "compressor_removed",
    }
    example = _example(
        units,
        {**name, "baseline_power_hp": 262, "boosted_power_hp": 351, "boost_psi": 7},
        {**name, "baseline_power_kw": 195, "boosted_power_kw": 262, "boost_kpa": 48},
    )
    what = "One row for each boosted figure with its unboosted figure beside it."
    return TemplateSheet("pairs", what, (*columns, *_rest(units, columns, _NOT_ON_PAIRED)), (example,))


def _sweep(units: UnitSystem) -> TemplateSheet:
    columns = _head(units)
    columns.append(
        _column("run", units, "asked", more="The same on every row of one curve, another for the next curve of that build.")
    )
    columns.append(_column("rpm", units, "needed"))
    columns.append(_column("curve_power_kw", units, "needed", more="Power or torque is enough: each follows from the other."))
    columns += [_column(n, units, "asked") for n in ("curve_torque_nm", "curve_boost_kpa")]
    name = {"build": "Larkspur 2.0 road cam", "run": "pull 1"}
    figures = ((3000, 71, 53), (4500, 113, 84), (6000, 146, 109))
    examples = tuple(
        _example(units, {**name, "rpm": r, "curve_power_hp": hp}, {**name, "rpm": r, "curve_power_kw": kw})
        for r, hp, kw in figures
    )
    what = "One row for each engine speed of a power or torque curve; at least three rows a curve."
    return TemplateSheet("sweep", what, (*columns, *_rest(units, columns, _NOT_ON_CURVES)), examples)


def template_sheets(units: UnitSystem) -> tuple[TemplateSheet, ...]:
    """The sheets of the workbook in order, one a record kind."""
    return (_runs(units), _levels(units), _changes(units), _pairs(units), _sweep(units))
