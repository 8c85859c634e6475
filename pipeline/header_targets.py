"""What to write under `headers` of a source.toml so that a column is read as a field in a unit.

A field's own name states its own unit ("ambient_kpa" says kPa), so a column in another unit needs the name with that one.
"""

from __future__ import annotations

from pipeline.errors import FileProblem
from pipeline.fields import FIELDS, Field
from pipeline.headers import Column, recognise_headers
from pipeline.recognition import Recognised
from pipeline.values import SELF_EVIDENT


def bare_name(named: Field) -> str:
    """A field's name without its unit; a curve's fields by their plain words, which the record kind tells apart."""
    return named.stem.removeprefix("curve_")


def target_in_unit(column: Recognised, named: Field, unit: str) -> str:
    """The override that reads a column in a unit: a field name with the unit at its end, with its side or level."""
    stem = bare_name(named) if column.role != "level" else "power"
    spelled = "_".join(unit.lower().replace("/", " ").split())
    for ending in (f"_{spelled}", f" ({unit})"):
        text = f"{stem}{ending}"
        if column.role == "level" and column.level_boost is not None:
            text = f"{text}_{column.level_boost:g}{column.level_unit}" if column.level_boost else f"baseline_{text}"
        elif column.role:
            text = f"{column.role}_{text}"
        if (read := read_override(column.header, text)) is not None and read.unit == unit:
            return text
    return f"{stem} ({unit})"


def read_override(header: str, target: str) -> Column | None:
    """The column as it would be read under an override; None where the override names no field."""
    try:
        return recognise_headers([header], None, {header: target})[0]
    except FileProblem:
        return None


def suggested_target(column: Recognised, name: str) -> str:
    """The override for an unrecognised column taken for the field `name`, in the unit that its header states.

    Where the header states none, the name comes without a unit, so that the unit is asked for and not taken from the field.
    """
    named = FIELDS[name]
    if named.quantity is None or named.quantity in SELF_EVIDENT:
        return name
    stem = bare_name(named)
    read = read_override(column.header, stem)
    if read is None or read.field not in (name, named.name.removeprefix("curve_")):
        return name
    return stem if read.unit is None else target_in_unit(column, named, read.unit)
