"""The mistakes of contributors that are planted, the columns of the record each stands in, and the codes that name it.

`reveals` is False where a record with only these columns is that of another engine that may well exist: nothing in it
can tell. Such rows are kept in the table so that nobody takes the checks for more than they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.air import SEA_LEVEL_KPA, standard_pressure_kpa
from tests.scramble.records import (
    ENGINE,
    PEAKS,
    POWER,
    Row,
    Sheet,
    make_pairs,
    make_records,
    make_sheet,
    printed,
)

BUILDS = 10
Change = Callable[[Sheet, Sequence[Row]], Sheet]


@dataclass(frozen=True)
class Mistake:
    """One kind of mistake.

    Attributes
    ----------
    name : what went wrong, for the report.
    columns : fields on the sheet.
    named_by : codes that name this mistake.
    figures, labels : field -> unit of the printed figures, of the header.
    change : what is done to the sheet besides.
    truth : makes the records.
    kind : record kind of the sheet.
    comma : the sheet has decimal commas.
    reveals : False where nothing in such a record can tell.
    """

    name: str
    columns: tuple[str, ...]
    named_by: frozenset[str]
    figures: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    change: Change | None = None
    truth: Callable[[], list[Row]] = lambda: make_records(BUILDS, 20_260)
    kind: str = "runs"
    comma: bool = False
    reveals: bool = True

    def sheets(self) -> tuple[list[Row], Sheet, Sheet]:
        """Truth, clean sheet, scrambled sheet."""
        rows = self.truth()
        if self.kind in ("pairs", "changes"):
            clean = make_pairs(rows, self.kind, self.columns)
            assert self.change is not None
            return rows, clean, self.change(clean, rows)
        clean = replace(make_sheet(rows, self.columns, self.figures, comma=self.comma), kind=self.kind)
        wrong = replace(make_sheet(rows, self.columns, self.figures, self.labels, comma=self.comma), kind=self.kind)
        return rows, clean, wrong if self.change is None else self.change(wrong, rows)


def codes(*names: str) -> frozenset[str]:
    return frozenset(names)


def high_places() -> list[Row]:
    return make_records(BUILDS, 20_261, (1300.0, 1900.0))


def middle_places() -> list[Row]:
    return make_records(BUILDS, 20_262, (700.0, 1000.0))


def of_standard(code: str, said: str = "uncorrected") -> Callable[[], list[Row]]:
    return lambda: make_records(BUILDS, 20_263, correction=code, mistaken_for=said)


def boosted_rows(rows: Sequence[Row]) -> list[int]:
    return [i for i, row in enumerate(rows) if float(row["boost_kpa"] or 0) > 0]


# -- changes of a sheet -----------------------------------------------------------------------------------------------


def swap(first: str, second: str) -> Change:
    """The figures of two columns under one another's header."""

    def change(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        return replace(sheet, rows=tuple({**row, first: row[second], second: row[first]} for row in sheet.rows))

    return change


def rewrite(column: str, edit: Callable[[str, Row], str], boosted_only: bool = False) -> Change:
    """Each cell of a column rewritten."""

    def change(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        chosen = boosted_rows(rows) if boosted_only else range(len(rows))
        return sheet.with_cells(column, {i: edit(sheet.rows[i][column], rows[i]) for i in chosen})

    return change


def rename(column: str, header: str) -> Change:
    def change(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        return replace(sheet, headers={**sheet.headers, column: header})

    return change


def both(*changes: Change) -> Change:
    def change(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        for each in changes:
            sheet = each(sheet, rows)
        return sheet

    return change


def without_baselines(change: Change | None = None) -> Change:
    """Only boosted rows were sent."""

    def kept(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        sheet = sheet if change is None else change(sheet, rows)
        chosen = boosted_rows(rows)
        return replace(sheet, rows=tuple(sheet.rows[i] for i in chosen), origin=tuple(sheet.origin[i] for i in chosen))

    return kept


def times(factor: float, digits: int = 0) -> Callable[[str, Row], str]:
    return lambda text, row: f"{float(text) * factor:.{digits}f}"


def absolute(text: str, row: Row) -> str:
    return printed("manifold_kpa", row["manifold_kpa"])


def reduced(text: str, row: Row) -> str:
    """What a weather service prints: the reading reduced to sea level through the standard atmosphere."""
    k = 1 / 5.255880
    low = float(standard_pressure_kpa(float(row["altitude_m"] or 0)))
    rise = SEA_LEVEL_KPA**k - low**k
    return f"{(float(row['ambient_kpa'] or 0) ** k + rise) ** (1 / k):.2f}"


def swap_sides(first: str, second: str) -> Change:
    def change(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        names = [name.removeprefix(f"{first}_") for name in sheet.headers if name.startswith(f"{first}_")]
        turned = [
            {
                **row,
                **{f"{first}_{n}": row[f"{second}_{n}"] for n in names},
                **{f"{second}_{n}": row[f"{first}_{n}"] for n in names},
            }
            for row in sheet.rows
        ]
        return replace(sheet, rows=tuple(turned))

    return change


def powers_swapped(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    return replace(
        sheet,
        rows=tuple(
            {**r, "baseline_power_kw": r["boosted_power_kw"], "boosted_power_kw": r["baseline_power_kw"]} for r in sheet.rows
        ),
    )


def thousands(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    """A semicolon file whose only comma is the thousands mark of the displacement."""
    whole = {"displacement_cc": lambda row: f"{float(row['displacement_cc']):,.0f}"}
    cut = tuple(
        {name: whole[name](truth) if name in whole else text.split(",")[0] for name, text in row.items()}
        for row, truth in zip(sheet.rows, rows, strict=True)
    )
    return replace(sheet, rows=cut)


def swap_boost_rows(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    """Boost of the unboosted row beside the power of the strongest, and the other way round."""
    cells = {}
    for start in range(0, len(rows), 3):
        cells |= {start: sheet.rows[start + 2]["boost_kpa"], start + 2: sheet.rows[start]["boost_kpa"]}
    return sheet.with_cells("boost_kpa", cells)


def neighbour(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    """The last row of each build stands under the next build's name."""
    height = len(rows)
    return sheet.with_cells("build", {i: sheet.rows[(i + 1) % height]["build"] for i in range(2, height, 3)})


def shifted(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    """A cell was lost after the build's name: the rest of the row moved left."""
    names = list(sheet.headers)
    moved = tuple(
        {"build": row["build"], **{a: row.get(b, "") for a, b in zip(names[1:], [*names[2:], ""], strict=True)}}
        for row in sheet.rows
    )
    return replace(sheet, rows=moved)


def sorted_apart(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    """The power column was sorted by itself, strongest first."""
    ordered = sorted((row["power_kw"] for row in sheet.rows), key=float, reverse=True)
    return sheet.with_cells("power_kw", dict(enumerate(ordered)))


def pasted_twice(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    last = range(2, len(rows), 3)
    return replace(
        sheet, rows=(*sheet.rows, *(sheet.rows[i] for i in last)), origin=(*sheet.origin, *(() for _ in last))
    )  # fmt: skip


def totals_below(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    mean = sum(float(row["power_kw"]) for row in sheet.rows) / len(sheet.rows)
    total = dict.fromkeys(sheet.headers, "") | {"build": "Average", "power_kw": f"{mean:.1f}"}
    return replace(sheet, rows=(*sheet.rows, total), origin=(*sheet.origin, ()))


def wheel_as_crank(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
    return sheet.with_cells("measured_at", dict.fromkeys(range(len(rows)), "crank"))


def one_point(column: str, factor: float) -> Change:
    """One misprinted figure in the middle of each curve."""

    def change(sheet: Sheet, rows: Sequence[Row]) -> Sheet:
        middle = [i for i, row in enumerate(rows) if row["rpm"] == 4250.0]
        return sheet.with_cells(column, {i: f"{float(sheet.rows[i][column]) * factor:.2f}" for i in middle})

    return change


FITS = codes("torque_below_power_peak", "power_above_peak", "peaks_far_apart", "peak_speeds_crossed")
GAIN = codes("gain_far_from_rule", "boost_looks_absolute", "value_unusual", "value_impossible", "baselines_disagree")
RANGE = codes("value_unusual", "value_impossible")
CURVES = codes("power_not_torque_times_rpm", *RANGE)
STANDARD = codes("correction_disagrees")
LEVEL = codes("ambient_altitude_disagree", "ambient_sea_level", *RANGE)


def unit_mistakes() -> list[Mistake]:
    made = []
    for name, true, said, columns in (
        ("power", "hp", "kw", PEAKS), ("power", "ps", "kw", PEAKS), ("torque", "lbf_ft", "nm", PEAKS),
        ("torque", "kgf_m", "nm", PEAKS),
    ):  # fmt: skip
        key = {"power": "power_kw", "torque": "torque_nm"}[name]
        made.append(mislabelled(f"{name}: {true} labelled {said}", key, true, said, columns, FITS | RANGE))
        made.append(mislabelled(f"{name}: {said} labelled {true}", key, said, true, columns, FITS | RANGE))
    for true, said in (("psi", "bar"), ("psi", "kpa"), ("bar", "kpa"), ("inhg", "psi"), ("kgf_cm2", "kpa"), ("mmhg", "kpa")):
        made.append(mislabelled(f"boost: {true} labelled {said}", "boost_kpa", true, said, POWER, GAIN))
        made.append(mislabelled(f"boost: {said} labelled {true}", "boost_kpa", said, true, POWER, GAIN))
    for true, said in (("hpa", "kpa"), ("inhg", "kpa"), ("mmhg", "hpa"), ("psi", "kpa")):
        made.append(
            mislabelled(f"air pressure: {true} labelled {said}", "ambient_kpa", true, said, (*POWER, "altitude_m"), LEVEL | RANGE)
        )
    for true, said in (("l", "cc"), ("cu_in", "cc"), ("cc", "l"), ("cc", "cu_in")):
        named = RANGE | codes("displacement_mismatch", "specific_output_high", "bmep_unusual")
        made.append(mislabelled(f"displacement: {true} labelled {said}", "displacement_cc", true, said, ENGINE, named))
    made.append(mislabelled("bore: inches labelled mm", "bore_mm", "in", "mm", ENGINE, RANGE | codes("displacement_mismatch")))
    return made


#: Units as field names end in them -> names in ``pipeline.units``.
UNITS = {
    "hp": "hp", "kw": "kW", "ps": "PS", "lbf_ft": "lbf ft", "nm": "N m", "kgf_m": "kgf m", "psi": "psi", "bar": "bar", "kpa": "kPa",
    "inhg": "inHg", "kgf_cm2": "kgf/cm2", "mmhg": "mmHg", "hpa": "hPa", "l": "l", "cc": "cc", "cu_in": "cu in", "in": "in", "mm": "mm",
    "ft": "ft", "m": "m", "c": "C", "f": "F", "k": "K", "krpm": "krpm", "rpm": "rpm",
}  # fmt: skip


def mislabelled(
    name: str, key: str, true: str, said: str, columns: tuple[str, ...], named_by: frozenset[str],
    truth: Callable[[], list[Row]] = lambda: make_records(BUILDS, 20_260), reveals: bool = True,
) -> Mistake:  # fmt: skip
    """Figures in one unit under a header that states another."""
    return Mistake(
        name,
        columns,
        named_by,
        {key: UNITS[true]},
        {key: UNITS[said].replace(" ", "_").replace("/", "_")},
        truth=truth,
        reveals=reveals,
    )
