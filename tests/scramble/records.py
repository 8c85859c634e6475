"""Clean records with known truth, and the sheets they are printed on.

A *record* is one build: an unboosted run and boosted ones. Truth is in canonical units; a sheet prints it in the
contributor's. Everything is drawn from one seed, rounded as dynos print it, and true of one engine: power is torque
times speed, observed power follows from the air and the stated standard, manifold less ambient is boost.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.air import standard_pressure_kpa
from pipeline.correction_standards import factor
from pipeline.fields import FIELDS
from pipeline.units import convert, unit_named

Row = dict[str, float | str | None]

PEAKS = ("build", "power_kw", "power_rpm", "torque_nm", "torque_rpm", "boost_kpa", "ambient_kpa")
POWER = ("build", "power_kw", "boost_kpa", "ambient_kpa")
ENGINE = (*POWER, "displacement_cc", "bore_mm", "stroke_mm", "cylinders", "compression_ratio")
AIR = ("build", "power_kw", "observed_power_kw", "boost_kpa", "ambient_kpa", "air_c", "humidity_pct", "correction")
#: Digits after the point with which a field is printed in its canonical unit.
DIGITS = {
    "power_kw": 1, "observed_power_kw": 1, "torque_nm": 0, "boost_kpa": 1, "manifold_kpa": 1, "ambient_kpa": 2, "altitude_m": 0,
    "air_c": 1, "humidity_pct": 0, "power_rpm": 0, "torque_rpm": 0, "displacement_cc": 0, "bore_mm": 1, "stroke_mm": 1,
    "cylinders": 0, "compression_ratio": 1, "coolant_c": 0, "octane_ron": 0, "ethanol_pct": 0, "drivetrain_loss_pct": 0,
}  # fmt: skip
#: Significant digits in any other unit.
OTHER_DIGITS = 5


@dataclass(frozen=True)
class Sheet:
    """One contributed file: rows of printed text under headers.

    Attributes
    ----------
    rows : field -> text of each row.
    headers : field -> header.
    origin : places in the truth of the runs of each row; empty for a row that a mistake added.
    comma : figures are printed with a decimal comma, cells separated by semicolons.
    kind, toml : record kind and further lines of source.toml.
    """

    rows: tuple[dict[str, str], ...]
    headers: dict[str, str]
    origin: tuple[tuple[int, ...], ...]
    comma: bool = False
    kind: str = "runs"
    toml: str = ""

    def with_cells(self, column: str, change: Mapping[int, str]) -> Sheet:
        """The sheet with some cells of a column replaced."""
        rows = tuple({**row, column: change[i]} if i in change else row for i, row in enumerate(self.rows))
        return replace(self, rows=rows)

    def text(self) -> str:
        """The file as a contributor would send it."""
        mark = ";" if self.comma else ","
        lines = [mark.join(self.headers.values())]
        lines += [mark.join(row.get(name, "") for name in self.headers) for row in self.rows]
        return "\n".join(lines) + "\n"


def make_records(
    builds: int,
    seed: int,
    altitude_m: tuple[float, float] = (100.0, 600.0),
    correction: str = "sae_j1349",
    mistaken_for: str = "uncorrected",
) -> list[Row]:
    """Truth of some builds, three runs each, in canonical units.

    Builds are drawn in air in which the factor of `correction` differs by 2 % from that of `mistaken_for`: a mistake that moves
    a figure by less than its instruments do is none.
    """
    draw = np.random.default_rng(seed)
    rows: list[Row] = []
    while len(rows) < 3 * builds:
        made = _build(draw, f"Engine {len(rows) // 3 + 1}", altitude_m, correction)
        air = tuple(float(made[0][name]) for name in ("ambient_kpa", "air_c", "humidity_pct"))  # type: ignore[arg-type]
        if abs(factor(correction, *air) / factor(mistaken_for, *air) - 1) > 0.02:  # type: ignore[operator]
            rows += made
    return rows


def _build(draw: np.random.Generator, name: str, altitude_m: tuple[float, float], correction: str) -> list[Row]:
    cylinders = int(draw.choice([4, 6, 8]))
    # Bore and stroke of one engine differ, as on nearly every engine: a swap is a mistake only then.
    bore = round(draw.uniform(84, 100), 1)
    stroke = round(bore * draw.uniform(0.82, 0.93), 1)
    litres = cylinders * math.pi / 4 * bore**2 * stroke / 1e6
    torque = draw.uniform(1000, 1250) * litres / (4 * math.pi)
    power_rpm = round(draw.uniform(5400, 6800), -1) + 5
    torque_rpm = round(power_rpm * draw.uniform(0.55, 0.72), -1) + 5
    kept = draw.uniform(0.82, 0.92)
    height = float(round(draw.uniform(*altitude_m)))
    ambient = round(float(standard_pressure_kpa(height)) + draw.uniform(-1.0, 1.0), 2)
    air, humid = (
        round(draw.uniform(5, 18) if draw.uniform() < 0.5 else draw.uniform(31, 38), 1),
        float(round(draw.uniform(25, 65))),
    )
    worth, boosts = draw.uniform(0.84, 1.0), (0.0, draw.uniform(38, 50), draw.uniform(60, 85))
    by_standard = factor(correction, ambient, air, humid)
    rows: list[Row] = []
    for boost in boosts:
        gain = 1 + worth * boost / ambient
        power = torque * gain * kept * power_rpm / 9549.2966
        rows.append(
            {
                "build": name, "displacement_cc": litres * 1000, "bore_mm": bore, "stroke_mm": stroke, "cylinders": cylinders,
                "compression_ratio": round(draw.uniform(8.5, 10.5), 1) if not rows else rows[0]["compression_ratio"],
                "power_kw": power, "observed_power_kw": power / by_standard, "power_rpm": power_rpm, "torque_nm": torque * gain,
                "torque_rpm": torque_rpm, "boost_kpa": boost, "manifold_kpa": ambient + boost, "ambient_kpa": ambient,
                "altitude_m": height, "air_c": air, "humidity_pct": humid, "correction": correction, "coolant_c": 88.0,
                "octane_ron": 98.0, "ethanol_pct": 10.0, "measured_at": "wheel", "dyno_type": "chassis_roller",
                "tested_on": "2021-06-12",
            }
        )  # fmt: skip
    return rows


def printed(name: str, value: float | str | None, unit: str | None = None, scale: float = 1.0) -> str:
    """A value as printed in a unit (canonical where None)."""
    if value is None or isinstance(value, str):
        return value or ""
    known = FIELDS[name]
    if unit is None or known.unit is None:
        digits = DIGITS[name]
        return f"{value * scale:.{digits}f}"
    there = convert(float(value), unit_named(known.unit), unit_named(unit)) * scale
    return f"{float(f'{there:.{OTHER_DIGITS}g}'):.10g}"


def header_of(name: str, unit: str | None = None) -> str:
    """Our own field name with a unit at the end."""
    return name if unit is None else f"{FIELDS[name].stem}_{unit}"


def make_sheet(
    rows: Sequence[Row],
    columns: Sequence[str],
    figures: Mapping[str, str] | None = None,
    labels: Mapping[str, str] | None = None,
    *,
    comma: bool = False,
) -> Sheet:
    """Print records.

    Parameters
    ----------
    rows : truth.
    columns : fields on the sheet.
    figures : field -> unit in which its figures are printed, where it is not the canonical one.
    labels : field -> unit that its header states; that of the figures where not given. A difference is a mistake.
    comma : decimal comma and semicolons.
    """
    figures, labels = figures or {}, labels or {}
    headers = {name: header_of(name, labels.get(name, figures.get(name))) for name in columns}
    texts = [{name: printed(name, row[name], figures.get(name)) for name in columns} for row in rows]
    if comma:
        texts = [{n: t.replace(".", ",") if FIELDS[n].kind == "number" else t for n, t in row.items()} for row in texts]
    return Sheet(tuple(texts), headers, tuple((i,) for i in range(len(rows))), comma)


def make_pairs(rows: Sequence[Row], kind: str, columns: Sequence[str]) -> Sheet:
    """One line a build: its unboosted run and its first boosted one ("pairs"), or the two boosted ones ("changes")."""
    first, second = ("baseline", "boosted") if kind == "pairs" else ("before", "after")
    offset = 0 if kind == "pairs" else 1
    headers = {"build": "build"} | {f"{side}_{name}": f"{side}_{name}" for name in columns for side in (first, second)}
    if kind == "changes":
        headers["parts"] = "parts"
    texts, origin = [], []
    for start in range(0, len(rows), 3):
        a, b = start + offset, start + offset + 1
        text = {"build": str(rows[a]["build"]), "parts": "camshaft"}
        for name in columns:
            text |= {f"{first}_{name}": printed(name, rows[a][name]), f"{second}_{name}": printed(name, rows[b][name])}
        texts.append(text)
        origin.append((a, b))
    return Sheet(tuple(texts), headers, tuple(origin), kind=kind)


def make_curves(builds: int, seed: int) -> list[Row]:
    """Points of one unboosted curve a build: power is torque times speed."""
    draw = np.random.default_rng(seed)
    rows: list[Row] = []
    for number in range(builds):
        top, at = draw.uniform(180, 420), draw.uniform(3600, 4400)
        for rpm in range(2000, 6600, 250):
            torque = top * (1 - 0.16 * ((rpm - at) / 2000) ** 2)
            rows.append(
                {
                    "build": f"Engine {number + 1}", "run": f"pull {number + 1}", "rpm": float(rpm), "curve_torque_nm": round(torque, 1),
                    "curve_power_kw": torque * rpm / 9549.2966, "ambient_kpa": 100.0,
                }
            )  # fmt: skip
    return rows


DIGITS |= {"rpm": 0, "curve_torque_nm": 1, "curve_power_kw": 2}
CURVE = ("build", "run", "rpm", "curve_power_kw", "curve_torque_nm", "ambient_kpa")
