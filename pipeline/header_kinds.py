"""Columns seen together: what a side means under a record kind, and which of two columns gives a field.

A column that loses its claim or has no place in its kind stays unrecognised with a sentence that says why; none is
dropped and none is merged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.header_units import ALIAS, EXACT, NOTHING, OVERRIDE, Reading, unit_not_stated
from pipeline.header_words import header_table
from pipeline.units import find_unit
from pipeline.words import fold_words

#: Sides that the columns of each record kind may have; a sweep may hold several curves side by side.
ROLES_OF_KIND: dict[str, frozenset[str]] = {
    "runs": frozenset({""}),
    "levels": frozenset({"", "level"}),
    "changes": frozenset({"", "before", "after"}),
    "pairs": frozenset({"", "baseline", "boosted"}),
    "sweep": frozenset({"", "before", "after", "baseline", "boosted", "level"}),
}
#: What the sides of another kind mean in this one: the stock engine of a pair is its baseline.
SIDES_OF_KIND: dict[str, dict[str, str]] = {
    "changes": {"baseline": "before"},
    "pairs": {"before": "baseline", "after": "boosted"},
    "levels": {"before": "baseline"},
}
#: Kinds in which a side alone ("before", "NA") heads a power column; without a kind, where both sides are there.
SIDES_OF_BARE = {
    "changes": frozenset({"before", "after"}),
    "pairs": frozenset({"baseline", "boosted"}),
    "sweep": frozenset({"baseline", "boosted"}),
}
#: In a sweep the plain words mean the curve, not its peak.
CURVE_FIELDS = {"power_kw": "curve_power_kw", "torque_nm": "curve_torque_nm", "boost_kpa": "curve_boost_kpa"}


def take_kind(readings: list[Reading], headers: Sequence[str], kind: str | None) -> list[Reading]:
    """Readings under their record kind: sides renamed or refused, plain words of a sweep made curve fields.

    Parameters
    ----------
    readings, headers : one of each a column, in order.
    kind : a key of ``ROLES_OF_KIND``, or None where it is not stated; then the sides tell what they can.
    """
    readings = _observed_as_reported(readings)
    sides = _sides_for(readings, kind)
    found = {sides.get(reading.role, reading.role) for reading in readings}
    is_paired = kind in SIDES_OF_BARE or any(pair <= found for pair in SIDES_OF_BARE.values())
    adapted = [_take_side(reading, sides, kind, is_paired) for reading in readings]
    adapted = _share_level_unit(adapted)
    if kind == "sweep":
        return _as_curve(adapted, headers)
    return _as_peaks(adapted) if kind is not None else adapted


def _sides_for(readings: list[Reading], kind: str | None) -> dict[str, str]:
    """What each side found means under this kind; without a kind the sides themselves tell."""
    if kind is not None:
        return SIDES_OF_KIND.get(kind, {})
    roles = {reading.role for reading in readings}
    if any(reading.level_boost for reading in readings):
        return SIDES_OF_KIND["levels"]
    if "boosted" in roles and "after" not in roles:
        return {"before": "baseline"}
    if "after" in roles and "before" not in roles and "boosted" not in roles:
        return {"baseline": "before"}
    return {}


def _take_side(reading: Reading, sides: Mapping[str, str], kind: str | None, is_paired: bool) -> Reading:
    if reading.role == "":
        return reading
    role = sides.get(reading.role, reading.role)
    is_levels = kind == "levels" or sides is SIDES_OF_KIND["levels"]
    if role == "baseline" and is_levels and (reading.is_bare or reading.field in ("power_kw", "observed_power_kw")):
        return _bare_power(replace(reading, role="level", level_boost=0.0, level_unit="kPa"))
    if kind is not None and role not in ROLES_OF_KIND[kind]:
        return Reading(
            None,
            candidates=(reading.field,) if reading.field else (),
            doubt=f"a {role!r} column has no place in kind {kind!r}, it belongs to {_kinds_with(role)}; "
            "state the kind in source.toml",
        )
    if reading.is_bare and reading.field is None and not is_paired:
        return NOTHING
    return _bare_power(replace(reading, role=role))


def _bare_power(reading: Reading) -> Reading:
    """A side alone ("before", "NA") heads a power column."""
    if reading.field is not None or not reading.is_bare:
        return reading
    return replace(reading, field="power_kw", doubt=unit_not_stated("power_kw"))


def _share_level_unit(readings: list[Reading]) -> list[Reading]:
    """Levels that state only their boost ("NA hp", "6 psi", "8 psi") are in the unit that the others agree on."""
    stated = [reading for reading in readings if reading.role == "level" and reading.unit is not None]
    bare = [reading.role == "level" and reading.unit is None and reading.is_bare for reading in readings]
    if not stated or any(reading.unit != stated[0].unit or reading.implied != stated[0].implied for reading in stated):
        return readings
    unit, implied = stated[0].unit, stated[0].implied
    return [
        replace(reading, unit=unit, implied=implied, doubt=None) if is_bare else reading
        for reading, is_bare in zip(readings, bare, strict=True)
    ]


def _kinds_with(role: str) -> str:
    return ", ".join(name for name, roles in ROLES_OF_KIND.items() if role in roles and name != "sweep")


def _as_peaks(readings: list[Reading]) -> list[Reading]:
    """Where a row is one run, engine speed belongs to the peak: of power, or of the torque column just before it."""
    speeds = [place for place, reading in enumerate(readings) if reading.field == "rpm"]
    power_has_one = any(reading.field == "power_rpm" for reading in readings)
    adapted = list(readings)
    for place in speeds:
        follows_torque = place > 0 and adapted[place - 1].field == "torque_nm"
        same_side = [p for p in speeds if readings[p].role == readings[place].role]
        takes_torque = follows_torque and (len(same_side) > 1 or power_has_one)
        rank = readings[place].rank if readings[place].rank == OVERRIDE else ALIAS
        adapted[place] = replace(readings[place], field="torque_rpm" if takes_torque else "power_rpm", rank=rank)
    return adapted


def _as_curve(readings: list[Reading], headers: Sequence[str]) -> list[Reading]:
    """In a sweep plain power, torque and boost are the curve's; a peak stays a peak where the curve has its own column."""
    written_out = {reading.field for reading in readings if reading.rank == EXACT}
    adapted = []
    for reading, header in zip(readings, headers, strict=True):
        curve = CURVE_FIELDS.get(reading.field or "")
        is_peak = reading.is_peak or bool(set(fold_words(header).split()) & _peak_words())
        if curve is None or is_peak or curve in written_out:
            adapted.append(reading)
            continue
        implied = {name: code for name, code in reading.implied.items() if name != "boost_taken"}
        doubt = unit_not_stated(curve) if reading.unit is None else reading.doubt
        adapted.append(replace(reading, field=curve, implied=implied, doubt=doubt))
    return adapted


def _peak_words() -> set[str]:
    return {word.alias for word in header_table().modifiers.values() if word.role == "peak"}


def settle_claims(readings: list[Reading], headers: Sequence[str]) -> list[Reading]:
    """One column for each field and side: the better name wins, then the first; the loser says whom it lost to."""
    claims: dict[tuple[str | None, str, float | None], int] = {}
    order = sorted(range(len(readings)), key=lambda place: (*_precedence(readings[place]), place))
    settled = list(readings)
    for place in order:
        reading = settled[place]
        if reading.field is None:
            continue
        key = _claim(reading)
        if key in claims and reading.otherwise is not None:
            reading = settled[place] = replace(reading, field=reading.otherwise, otherwise=None)
            key = _claim(reading)
        if key not in claims:
            claims[key] = place
            continue
        winner = claims[key]
        what = reading.field if not reading.role else f"{reading.field} of side {reading.role!r}"
        settled[place] = Reading(
            None,
            candidates=(str(reading.field),),
            doubt=f"column {winner + 1} ({headers[winner]!r}) already gives {what}; name one of them otherwise",
        )
    return settled


def _precedence(reading: Reading) -> tuple[int, bool]:
    """Lowest first: the contributor's own word, exact names, stems, aliases; boost at peak power before its maximum."""
    return reading.rank, reading.implied.get("boost_taken") == "maximum"


def _claim(reading: Reading) -> tuple[str | None, str, float | None]:
    return reading.field, reading.role, _level_kpa(reading)


def _level_kpa(reading: Reading) -> float | None:
    if reading.level_boost is None or reading.level_unit is None:
        return None
    unit = find_unit(reading.level_unit, "pressure")
    return None if unit is None else round(reading.level_boost * unit.factor / 1000, 3)


def _observed_as_reported(readings: list[Reading]) -> list[Reading]:
    """Where observed power is all there is, it is the reported power, under no correction."""
    sides = {reading.role for reading in readings if reading.field == "power_kw"}
    return [
        replace(reading, field="power_kw", implied={**reading.implied, "correction": "uncorrected"})
        if reading.field == "observed_power_kw" and reading.rank == ALIAS and reading.role not in sides
        else reading
        for reading in readings
    ]
