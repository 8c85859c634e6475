"""pandera models of the clean tables: the gate between cleaning and the store.

pandera takes a second to import and milliseconds a column, and is needed to say what is wrong. That nothing is wrong is seen by the
same rules in one pass over the frame (:func:`is_sound`); a test holds the two against each other.

Built from the dictionary of fields, so that a column is described once. Frames are collected
before they come here (a lazy frame would pass unchecked) and nothing is coerced; the code of the
registry stands in ``error=``. What reaches the gate has been judged already: a failure here is a
defect of this project or of a file that found one, and the file is skipped with a sentence.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Literal

import polars as pl

from pipeline.checks import range_code
from pipeline.errors import FileProblem
from pipeline.fields import Field, fields_of

if TYPE_CHECKING:
    import pandera.polars as pa

Gate = Literal["run", "build", "sweep_point"]
_DTYPE: dict[str, type[pl.DataType]] = {
    "number": pl.Float64, "integer": pl.Int64, "text": pl.String, "code": pl.String, "date": pl.Date, "flag": pl.Boolean,
}  # fmt: skip
_KEY_COLUMNS: dict[str, dict[str, type[pl.DataType]]] = {
    "run": {"run_key": pl.String, "build_key": pl.String, "role": pl.String, "line": pl.Int64},
    "build": {"build_key": pl.String},
    "sweep_point": {"run_key": pl.String, "line": pl.Int64},
}
ROLES = ("baseline", "boosted", "throttled")


def _column(field: Field) -> pa.Column:
    import pandera.polars as pa

    checks: list[pa.Check] = []
    if field.possible is not None and field.kind in ("number", "integer"):
        code = range_code(field, "possible")
        if code == "power_not_positive":
            checks.append(pa.Check.gt(0, error=code))
            checks += [
                pa.Check.ge(field.possible[0], error="value_impossible"),
                pa.Check.le(field.possible[1], error="value_impossible"),
            ]
        else:
            checks += [pa.Check.ge(field.possible[0], error=code), pa.Check.le(field.possible[1], error=code)]
    if field.codes:
        checks.append(pa.Check.isin(list(field.codes), error="code_unknown"))
    meta = {"unit": field.unit, "quantity": field.quantity, "personal": field.personal}
    return pa.Column(
        _DTYPE[field.kind],
        checks,
        nullable=not field.required,
        required=True,
        title=field.label,
        description=field.meaning,
        metadata=meta,
    )


@cache
def schema_of(table: Gate) -> pa.DataFrameSchema:
    """The pandera schema of one clean table."""
    import pandera.polars as pa

    columns = {f.name: _column(f) for f in fields_of(table)}
    keys = {
        name: pa.Column(
            dtype,
            [pa.Check.isin(ROLES, error="role_unknown")] if name == "role" else [],
            nullable=False,
            unique=name == f"{table}_key",
        )
        for name, dtype in _KEY_COLUMNS[table].items()
    }
    if table == "build":
        columns.pop("publisher")
    return pa.DataFrameSchema({**columns, **keys}, strict=False, coerce=False, name=table)


def is_sound(frame: pl.DataFrame, table: Gate) -> bool:
    """Whether a collected frame has every column in its type and no value that the schema would find; False where in doubt."""
    holds: list[pl.Expr] = []
    fields = {f.name: f for f in fields_of(table) if table != "build" or f.name != "publisher"}
    for name, dtype in {**{n: _DTYPE[f.kind] for n, f in fields.items()}, **_KEY_COLUMNS[table]}.items():
        if name not in frame.columns:
            return False
        column, empty = frame[name], frame[name].null_count()
        field = None if name in _KEY_COLUMNS[table] else fields[name]
        if field is not None and not field.required and empty == frame.height:
            continue
        if column.dtype != dtype or (empty and (field is None or field.required)):
            return False
        if field is not None:
            holds += _rules_of(field)
        elif name == "role":
            holds.append(pl.col(name).is_in(ROLES))
        elif name == f"{table}_key":
            holds.append(pl.col(name).is_unique())
    return bool(frame.select(pl.all_horizontal([rule.fill_null(True).all() for rule in holds])).item()) if holds else True


def _rules_of(field: Field) -> list[pl.Expr]:
    """What each value of a field must hold, as :func:`_column` has it."""
    here, rules = pl.col(field.name), []
    if field.possible is not None and field.kind in ("number", "integer"):
        rules.append(here.is_between(*field.possible))
        if range_code(field, "possible") == "power_not_positive":
            rules.append(here > 0)
    if field.codes:
        rules.append(here.is_in(list(field.codes)))
    return rules


def failing_codes(frame: pl.DataFrame, table: Gate) -> pl.DataFrame:
    """Every failing (row, column, code) of a collected frame; empty when it passes.

    Returns
    -------
    Frame with columns index (0-based row, null for an error of the schema itself), column, code.
    """
    from pandera.errors import SchemaErrors

    full = schema_of(table)
    # A nullable column that is all null passes by definition; each column checked costs milliseconds a file.
    told = [
        n for n, c in full.columns.items() if not (c.nullable and n in frame.columns and frame[n].null_count() == frame.height)
    ]
    try:
        full.select_columns(told).validate(frame, lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases
        return cases.select(
            pl.col("index").cast(pl.Int64), pl.col("column").cast(pl.String), code=pl.col("check").cast(pl.String)
        )
    return pl.DataFrame(schema={"index": pl.Int64, "column": pl.String, "code": pl.String})


def check_gate(frame: pl.DataFrame, table: Gate, file: str) -> None:
    """Raise FileProblem where a clean frame does not satisfy its schema."""
    if frame.is_empty() or is_sound(frame, table):
        return
    cases = failing_codes(frame, table)
    if cases.is_empty():
        return
    first = cases.row(0, named=True)
    raise FileProblem(
        f"{file}: {cases.height} cleaned value{' breaks' if cases.height == 1 else 's break'} the rules of the {table} table "
        f"(first: {first['column']}, {first['code']}); "
        "this is a defect of the tool, please report it with the file"
    )
