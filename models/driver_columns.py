"""What may drive the rule ratio: the table of drivers, and each driver's value for every build of a sample."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

import polars as pl

from models.sample import Sample
from pipeline.air import standard_altitude_m
from pipeline.errors import RequestProblem
from pipeline.fields import FIELDS

#: Level of a build that does not state a code: kept and compared like any other, never filled in.
NOT_STATED = "not stated"

#: An own column of numbers with no more different values than this is taken as codes.
FEW_VALUES = 5
#: An own column of texts with more different values than this is no classification.
MOST_LEVELS = 20
#: How many column names an error lists.
_NAMED = 12


@dataclass(frozen=True, slots=True)
class Driver:
    """One thing that may change the rule ratio.

    Attributes
    ----------
    name, label : stable name, and words for a page.
    kind : "code" compares levels; "number" states the effect of a step.
    reference : level that others are compared with, where enough builds stand there.
    step, unit : size of a step, and the canonical unit of the values. A driver ``by_doubling`` steps by a factor of two instead.
    by_doubling : the effect goes with the logarithm.
    least_sd : spread over builds [steps] below which they are too alike; well above the error of the figure itself.
    beside : names of further numbers that stand in every model of this driver.
    is_main : one of the drivers of the joint model.
    is_own : a column of the analyst's own.
    """

    name: str
    label: str
    kind: Literal["code", "number"]
    reference: str = ""
    step: float = 1.0
    unit: str = "1"
    by_doubling: bool = False
    least_sd: float = 0.0
    beside: tuple[str, ...] = ()
    is_main: bool = False
    is_own: bool = False

    @property
    def column(self) -> str:
        """Its column in the table of values; an own column may have any name and must not hide another."""
        return f"own {self.name}" if self.is_own else self.name

    @property
    def step_words(self) -> str:
        """The step as the level of a contrast."""
        if self.by_doubling:
            return "doubled"
        return f"+{self.step:g}" if self.unit == "1" else f"+{self.step:g} {self.unit}"


#: In the order of importance: where a model must do with fewer drivers, the last go first.
DRIVERS: tuple[Driver, ...] = (
    Driver("charge_cooling", "Charge cooling", "code", "air_to_air", is_main=True),
    Driver("induction", "Induction", "code", "turbocharger", is_main=True),
    Driver("fuel", "Fuel", "code", "petrol", is_main=True),
    Driver("measured_at", "Where power was measured", "code", "crank", is_main=True),
    Driver("baseline_hardware", "Compressor during the baseline", "code", "compressor_removed", is_main=True),
    Driver("compression_ratio", "Compression ratio", "number", least_sd=0.2, is_main=True),
    Driver("specific_output", "Specific output without boost", "number", step=10.0, unit="kW/L", least_sd=0.4, is_main=True),
    Driver("altitude", "Altitude by air pressure", "number", step=1000.0, unit="m", least_sd=0.1, is_main=True),
    Driver(
        "compressor_rating", "Compressor's rating at equal output", "number", step=2.0, unit="kW", by_doubling=True, least_sd=0.15,
        beside=("na_power",),
    ),
    Driver("baseline_quality", "Kind of baseline", "code", "same_session"),
    Driver("medium", "Kind of publication", "code", "magazine"),
)  # fmt: skip

#: Numbers that stand beside a driver and are none of the list.
_BESIDE = {"na_power": Driver("na_power", "Output without boost", "number", step=2.0, unit="kW", by_doubling=True, least_sd=0.15)}


def beside(driver: Driver) -> tuple[Driver, ...]:
    """The numbers that stand in every model of this driver."""
    return tuple(_BESIDE[name] for name in driver.beside)


def driver_columns(sample: Sample, sources: pl.DataFrame | None) -> pl.DataFrame:
    """Value of every driver of the table for every unit.

    Parameters
    ----------
    sample : who is in.
    sources : clean table ``source``, for the kind of publication; None leaves it unstated.

    Returns
    -------
    pl.DataFrame
        unit, publisher, and one column per driver and per number beside one: text for codes (null: not stated), Float64 for numbers
        in the canonical unit (null: not stated). Sorted by unit.
    """
    units = sample.units.sort("unit")
    medium = _medium(units, sources)
    known_air = pl.col("ambient_basis") != "assumed"
    numbers = {
        "compression_ratio": pl.col("compression_ratio"),
        "specific_output": pl.col("na_power_kw") / (pl.col("displacement_cc") / 1000),
        "altitude": pl.when(known_air).then(standard_altitude_m(pl.col("ambient_kpa"))),
        "compressor_rating": pl.col("compressor_rating_kw"),
        "na_power": pl.col("na_power_kw"),
    }
    codes = [d.name for d in DRIVERS if d.kind == "code" and d.name != "medium"]
    return units.select(
        "unit",
        "publisher",
        *(_code(pl.col(name)).alias(name) for name in codes),
        *(_finite(value).alias(name) for name, value in numbers.items()),
    ).with_columns(medium)


def _code(cells: pl.Expr) -> pl.Expr:
    """A code, null where it is not stated."""
    text = cells.cast(pl.String).str.strip_chars()
    return pl.when((text != "") & (text != "unstated")).then(text)


def _finite(cells: pl.Expr) -> pl.Expr:
    number = cells.cast(pl.Float64)
    return pl.when(number.is_finite()).then(number)


def _medium(units: pl.DataFrame, sources: pl.DataFrame | None) -> pl.Series:
    if sources is None or "medium" not in sources.columns:
        return pl.Series("medium", [None] * units.height, dtype=pl.String)
    said = sources.select("source", _code(pl.col("medium")).alias("medium")).unique("source")
    return units.select("unit", "source").join(said, on="source", how="left", maintain_order="left")["medium"]


# --- columns of the analyst's own ---------------------------------------------------------------------------------------


def own_driver(name: str, sample: Sample, tables: Mapping[str, pl.DataFrame]) -> tuple[Driver, pl.Series]:
    """A driver made of any column: of the units, of the clean tables, or one that a contributor added.

    Parameters
    ----------
    name : column of ``sample.units``, of the build or run table, or a header kept in a run's ``extra``.
    sample : who is in.
    tables : clean tables by name; ``run`` and ``build`` are looked into.

    Returns
    -------
    driver, values : values per unit, sorted by unit. A build's runs that disagree count as not stated (texts) or as their mean
        (numbers).

    Raises
    ------
    RequestProblem
        When there is no such column, nothing is stated in it, or it has too many different texts.
    """
    cells = _own_cells(name, sample, tables)
    text = cells.select("unit", _code(pl.col("value")).alias("value")).drop_nulls()
    if text.is_empty():
        raise RequestProblem(
            f"The column {name!r} was asked for as a driver, but no build of the sample states it; a driver needs stated values. "
            "Fill it in the contributed files, or name another column."
        )
    number = text.with_columns(_finite(pl.col("value").cast(pl.Float64, strict=False)).alias("number"))
    is_number = number["number"].null_count() == 0 and number["number"].n_unique() > FEW_VALUES
    return _own_number(name, sample, number) if is_number else _own_code(name, sample, text)


def _own_number(name: str, sample: Sample, cells: pl.DataFrame) -> tuple[Driver, pl.Series]:
    values = cells.group_by("unit").agg(pl.col("number").mean().alias("value"))
    column = _per_unit(sample, values)
    spread = column.std()
    step = float(f"{spread:.1g}") if isinstance(spread, float) and spread > 0 else 1.0
    field = FIELDS.get(name)
    unit = field.unit if field is not None and field.unit is not None else "1"
    return Driver(name, field.label if field else name, "number", step=step, unit=unit, is_own=True), column


def _own_code(name: str, sample: Sample, cells: pl.DataFrame) -> tuple[Driver, pl.Series]:
    agreed = pl.when(pl.col("value").n_unique() == 1).then(pl.col("value").first()).alias("value")
    column = _per_unit(sample, cells.group_by("unit").agg(agreed))
    if column.n_unique() > MOST_LEVELS:
        raise RequestProblem(
            f"The column {name!r} was asked for as a driver and has {column.n_unique()} different texts; at most {MOST_LEVELS} can "
            "be compared. Group them in a column of their own."
        )
    field = FIELDS.get(name)
    return Driver(name, field.label if field else name, "code", is_own=True), column


def _per_unit(sample: Sample, values: pl.DataFrame) -> pl.Series:
    units = sample.units.select("unit").sort("unit")
    return units.join(values, on="unit", how="left", maintain_order="left")["value"]


def _own_cells(name: str, sample: Sample, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """unit, value as text; one row per unit, or per boosted run of a unit."""
    if name in sample.units.columns:
        return sample.units.select("unit", pl.col(name).cast(pl.String).alias("value"))
    builds, runs = tables.get("build"), tables.get("run")
    if builds is not None and name in builds.columns:
        found = builds.select("build_key", pl.col(name).cast(pl.String).alias("value"))
        return sample.units.select("unit", "build_key").join(found, on="build_key", how="left").select("unit", "value")
    if runs is None:
        raise _no_column(name, sample.units.columns)
    boosted = sample.runs.filter(pl.col("boost_kpa") > 0).select("unit", "run_key").join(runs, on="run_key", how="left")
    if name in runs.columns:
        return boosted.select("unit", pl.col(name).cast(pl.String).alias("value"))
    extra = boosted["extra"].to_list() if "extra" in boosted.columns else [None] * boosted.height
    rows = [_read_extra(text) for text in extra]
    known = sorted({key for row in rows for key in row})
    if name not in known:
        raise _no_column(name, [*known, *sample.units.columns, *runs.columns])
    return boosted.select("unit").with_columns(pl.Series("value", [row.get(name) for row in rows], dtype=pl.String))


def _read_extra(text: str | None) -> dict[str, str | None]:
    """A run's own columns; nothing where the text is no JSON object."""
    try:
        row = json.loads(text or "{}")
    except json.JSONDecodeError:
        return {}
    if not isinstance(row, dict):
        return {}
    return {key: None if value is None else str(value) for key, value in row.items()}


def _no_column(name: str, known: Sequence[str]) -> RequestProblem:
    names = list(dict.fromkeys(known))
    close = get_close_matches(name, names, n=3)
    nearest = f"nearest: {', '.join(close)}" if close else f"there are {', '.join(names[:_NAMED])}"
    return RequestProblem(
        f"The column {name!r} was asked for as a driver; no unit, build, run or contributed column has that name ({nearest}). "
        "Name a column as the data page lists it."
    )
