"""Text cells to typed values in canonical units, with a reason for every cell that cannot be read.

Nothing is dropped and nothing guessed: a cell that cannot be read becomes null and a reason
(line, code, column, value) says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.checks import EMPTY_REASONS
from pipeline.codes import read_codes, read_dates, read_flags
from pipeline.fields import FIELDS, Field, fields_of
from pipeline.header_units import ABSOLUTE_FIELDS, GAUGE_FIELDS
from pipeline.numerals import parse_numerals
from pipeline.shapes import Side
from pipeline.spreadsheet_text import unguard_text
from pipeline.units import Unit, convert, factor_and_offset, find_unit, unit_named

DTYPES: dict[str, type[pl.DataType]] = {
    "number": pl.Float64, "integer": pl.Int64, "text": pl.String, "code": pl.String, "date": pl.Date, "flag": pl.Boolean,
}  # fmt: skip
#: Quantities whose unit goes without saying in this trade.
SELF_EVIDENT = frozenset({"speed", "angle", "share", "speed_rate"})
#: Printed digits are kept for these fields; their size enters tolerances and errors.
STEPS = {
    "power_kw": "power_step_kw",
    "torque_nm": "torque_step_nm",
    "boost_kpa": "boost_step_kpa",
    "manifold_kpa": "manifold_step_kpa",
}
#: A cell that says absolute in a gauge column (or the other way) is not converted by guess.
WRONG_PRESSURE_KIND = dict.fromkeys(GAUGE_FIELDS, "absolute") | dict.fromkeys(ABSOLUTE_FIELDS, "gauge")
STEP_COLUMNS = tuple(STEPS.values())


@dataclass(frozen=True, slots=True)
class Typed:
    """Typed rows with the reasons found on the way; both keep `line`."""

    frame: pl.DataFrame
    reasons: pl.DataFrame


@cache
def typed_schema() -> dict[str, type[pl.DataType]]:
    """Column -> dtype of typed rows: all run, build, change and curve fields, and the sizes of printed digits."""
    fields = [f for table in ("run", "build", "change", "sweep_point") for f in fields_of(table)]
    return {f.name: DTYPES[f.kind] for f in fields} | dict.fromkeys(STEP_COLUMNS, pl.Float64)


@cache
def _nothing() -> dict[str, pl.Expr]:
    """Each column of typed rows without any value."""
    return {name: pl.lit(None, dtype).alias(name) for name, dtype in typed_schema().items()}


def _reasons(line: pl.Series, code: pl.Series, column: str, value: pl.Series) -> pl.DataFrame:
    frame = pl.DataFrame({"line": line, "code": code, "column": pl.Series([column] * len(line), dtype=pl.String), "value": value})
    return frame.filter(pl.col("code").is_not_null()).cast(EMPTY_REASONS.schema)


def _unit_of_cell(text: str, quantity: str) -> Unit | None:
    """The unit that a cell's own text states; None where its plain meaning is another quantity ("30 in" of pressure).

    A degree sign may mean a temperature as well as an angle; the column decides, as for headers.
    """
    unit, plain = find_unit(text, quantity), find_unit(text)
    if plain is not None and plain.quantity != quantity and plain.quantity != "angle":
        return None
    return unit


def _cell_unit(text: str | None, field: Field, header_unit: str | None) -> tuple[float | None, float | None, str | None]:
    """Factor and offset for a cell's unit text (None: it states none), or the problem where the unit is not understood."""
    assert field.quantity is not None and field.unit is not None
    fallback = header_unit or (field.unit if field.quantity in SELF_EVIDENT else None)
    unit = _unit_of_cell(text, field.quantity) if text is not None else (unit_named(fallback) if fallback else None)
    if unit is None or unit.quantity != field.quantity or unit.pressure_kind == WRONG_PRESSURE_KIND.get(field.name, "none"):
        return None, None, "unit_unknown" if text is not None else "unit_missing"
    return *factor_and_offset(unit, unit_named(field.unit)), None


def _cell_units(units: pl.Series, field: Field, header_unit: str | None) -> pl.DataFrame:
    """Factor and offset for each distinct cell unit text; null factor where the unit is not understood."""
    rows = [(text, *_cell_unit(text, field, header_unit)) for text in units.unique().to_list()]
    return pl.DataFrame(
        rows, schema={"unit": pl.String, "factor": pl.Float64, "offset": pl.Float64, "unit_problem": pl.String}, orient="row"
    )


def _parse_numbers(side: Side, decimal_mark: str | None) -> dict[str, pl.DataFrame]:
    """All numeric columns of a side, parsed in one pass (each distinct text once; a pass a column costs more than the cells)."""
    names = [n for n in side.cells.columns[1:] if FIELDS[n].kind in ("number", "integer")]
    if not names:
        return {}
    height = side.cells.height
    parsed = parse_numerals(pl.concat([side.cells[n].alias("text") for n in names]), decimal_mark)
    return {name: parsed.slice(i * height, height) for i, name in enumerate(names)}


def _read_number(field: Field, parsed: pl.DataFrame, header_unit: str | None) -> pl.DataFrame:
    """Columns value, low, high, step, problem of one numeric column in the field's own unit."""
    if field.unit is None:
        foreign = pl.when(pl.col("unit").is_not_null() & pl.col("value").is_not_null()).then(pl.lit("unit_unknown"))
        read = parsed.with_columns(problem=pl.coalesce("problem", foreign))
        is_read = pl.col("problem").is_null()
        return read.select(pl.when(is_read).then(pl.col("value", "low", "high", "step")), "problem")
    if parsed["unit"].null_count() == parsed.height:
        return _in_header_unit(field, parsed, header_unit)
    known = _cell_units(parsed["unit"], field, header_unit)
    joined = parsed.join(known, on="unit", how="left", nulls_equal=True, maintain_order="left")
    scaled = [(pl.col(c) * pl.col("factor") + pl.col("offset")).alias(c) for c in ("value", "low", "high")]
    unit_problem = pl.when(pl.col("value").is_not_null()).then(pl.col("unit_problem"))
    return joined.select(*scaled, step=pl.col("step") * pl.col("factor"), problem=pl.coalesce("problem", unit_problem))


def _in_header_unit(field: Field, parsed: pl.DataFrame, header_unit: str | None) -> pl.DataFrame:
    """The common case: no cell states a unit of its own, so that one factor serves the column."""
    factor, offset, unit_problem = _cell_unit(None, field, header_unit)
    if factor is None or offset is None:
        problem = pl.when(pl.col("value").is_not_null()).then(pl.lit(unit_problem))
        nothing = pl.lit(None, pl.Float64)
        return parsed.select(value=nothing, low=nothing, high=nothing, step=nothing, problem=pl.coalesce("problem", problem))
    scaled = {name: parsed[name] * factor + offset for name in ("value", "low", "high")}
    return pl.DataFrame({**scaled, "step": parsed["step"] * factor, "problem": parsed["problem"]})


#: Problem words of the number reader -> codes of the registry.
NUMBER_CODES = {
    "not_a_number": "number_unreadable", "ambiguous_number": "number_ambiguous",
    "unit_unknown": "unit_unknown", "unit_missing": "unit_missing",
}  # fmt: skip


def _type_number(field: Field, side: Side, text: pl.Series, parsed: pl.DataFrame) -> tuple[dict[str, pl.Series], pl.DataFrame]:
    read = _read_number(field, parsed, side.units.get(field.name))
    reasons = EMPTY_REASONS
    if read["problem"].null_count() < read.height:
        code = read["problem"].replace_strict(NUMBER_CODES, default=None, return_dtype=pl.String)
        reasons = _reasons(side.cells["line"], code, side.headers.get(field.name, field.name), text)
    value = read["value"]
    if field.kind == "integer":
        whole = value.round(0)
        broken = (value - whole).abs() > 1e-9
        if broken.any():
            code = broken.replace_strict({True: "number_unreadable"}, default=None, return_dtype=pl.String)
            reasons = pl.concat([reasons, _reasons(side.cells["line"], code, side.headers.get(field.name, field.name), text)])
        value = whole.cast(pl.Int64, strict=False)
    made = {field.name: value}
    if field.name in STEPS:
        made[STEPS[field.name]] = read["step"]
    if field.name == "power_kw":
        # A range "400-410" is a mean with its uncertainty: half its width over the square root of three (uniform).
        made["_power_range_sd"] = (read["high"] - read["low"]) / 2 / 3**0.5
    return made, reasons


#: Text that may change below: outside printable ASCII, spaces in a row or at an end, an apostrophe in front, or nothing at all.
_TO_BE_TIDIED = r"[^ -~]|  |^ | $|^'|^$"


def _untidy(cells: pl.DataFrame) -> set[str]:
    """The columns of text in which there is something to tidy: hardly any, and one look tells."""
    texts = [name for name in cells.columns[1:] if FIELDS[name].kind == "text"]
    if not texts or not cells.height:
        return set()
    found = cells.select(pl.col(texts).unique().str.contains(_TO_BE_TIDIED).any()).row(0)
    return {name for name, is_untidy in zip(texts, found, strict=True) if is_untidy}


def _tidied(text: pl.Series) -> pl.Series:
    """Composed characters and single spaces; null where nothing is left."""
    untidy = text.str.contains(_TO_BE_TIDIED).fill_null(False)
    # Tables that this project exports mark text that a spreadsheet would run with an apostrophe; reading takes it off.
    plain = unguard_text(pl.col("text").str.normalize("NFC").str.replace_all(r"\s+", " ").str.strip_chars())
    given = pl.DataFrame({"text": text.filter(untidy)})
    tidied = given["text"].unique(maintain_order=True).to_frame().with_columns(tidied=pl.when(plain != "").then(plain))
    return text.clone().scatter(untidy.arg_true(), given.join(tidied, on="text", how="left", maintain_order="left")["tidied"])


def _type_other(field: Field, side: Side, text: pl.Series) -> tuple[pl.Series, pl.DataFrame]:
    header = side.headers.get(field.name, field.name)
    if field.kind == "code":
        read, problem = read_codes(field, text), "code_unknown"
    elif field.kind == "date":
        read, problem = read_dates(text), "date_unreadable"
    else:
        read, problem = read_flags(text), "code_unknown"
    if read["problem"].null_count() == read.height:
        return read["value"], EMPTY_REASONS
    code = pl.select(pl.when(read["problem"].is_not_null()).then(pl.lit(problem))).to_series()
    return read["value"], _reasons(side.cells["line"], code, header, text)


def type_side(side: Side, decimal_mark: str | None) -> Typed:
    """All recognised cells of a side as typed columns in canonical units.

    Returns
    -------
    Typed frame with `line`, `number`, `side` and every column of :func:`typed_schema`
    (null where the side has no such column), and the reasons.
    """
    made: dict[str, pl.Series] = {}
    reasons: list[pl.DataFrame] = []
    numbers = _parse_numbers(side, decimal_mark)
    untidy = _untidy(side.cells)
    for name in side.cells.columns[1:]:
        field, text = FIELDS[name], side.cells[name]
        if field.kind in ("number", "integer"):
            columns, found = _type_number(field, side, text, numbers[name])
            made |= columns
        elif field.kind == "text":
            made[name], found = _tidied(text) if name in untidy else text, EMPTY_REASONS
        else:
            made[name], found = _type_other(field, side, text)
        reasons.append(found)
    range_sd = made.pop("_power_range_sd", None)
    here = dict(_nothing())
    here |= {name: pl.lit(value).alias(name) for name, value in side.implied.items()}
    here |= {
        name: pl.col(name) if made[name].dtype == typed_schema()[name] else pl.col(name).cast(typed_schema()[name])
        for name in made
    }
    frame = pl.DataFrame({"line": side.cells["line"], **made}).select(
        "line", pl.lit(side.number, pl.Int32).alias("number"), pl.lit(side.role).alias("side"), *here.values()
    )
    if range_sd is not None:
        frame = frame.with_columns(power_sd_kw=pl.coalesce("power_sd_kw", pl.lit(range_sd).replace(0.0, None)))
    if side.level_boost is not None and side.level_unit is not None:
        boost = convert(side.level_boost, unit_named(side.level_unit), unit_named("kPa"))
        frame = frame.with_columns(boost_kpa=pl.coalesce("boost_kpa", pl.lit(float(boost))))
    told = [found for found in reasons if not found.is_empty()]
    return Typed(frame, pl.concat(told) if told else EMPTY_REASONS)


def fill_constants(frame: pl.DataFrame, constants: Mapping[str, object], present: frozenset[str]) -> pl.DataFrame:
    """Fill nulls by the file's constants (typed, canonical); boost only where the file has no such column at all."""
    filled = []
    for name, value in constants.items():
        if value is None or name not in frame.columns or (name in ("boost_kpa", "manifold_kpa") and name in present):
            continue
        filled.append(pl.col(name).fill_null(pl.lit(value)))
    return frame.with_columns(filled)
