"""Every stored result under an anchor of its own: value at full precision, what it rests on, and the way to the rows behind it.

The results are walked as they are kept, so that nothing has to be listed here to be found there. Anchors follow the path of a result:
``r-rule_ratio``, ``r-rules-na_power_over_14_7-estimate``; a whole field has the anchor of its name (``r-drivers``).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from typing import Any

from models.estimate import Estimate
from models.results import StudyResults
from reports.build_links import BUILDS_PAGE, build_link, key_of_build
from reports.labels import clean_text

STORED_PAGE = "stored.html"

#: Fields that are no results of their own: stamps, and records that have a panel each on the page of builds.
_NOT_WALKED = frozenset({
    "fingerprint", "version", "made_on", "invented", "subset", "notes", "units", "runs", "sources", "level", "known_builds", "folds", "draws",
    "runs_behind", "points", "yields", "gains", "curves_left_out", "physics_setups", "standard_air", "caution",
})  # fmt: skip
#: A list longer than this is told by its length alone; its members stand in charts and their tables.
LONGEST_LIST = 120
#: What tells the members of a list apart, the first that they have.
_TOLD_BY = (
    "id",
    "name",
    "ask",
    "part",
    "kind",
    "driver",
    "group",
    "code",
    "step",
    "source",
    "publisher",
    "build",
    "unit_id",
    "change_key",
)
_TOLD_TOO = ("level", "against", "build", "condition", "boost_kpa", "rpm_from", "publisher")

_TOLD = frozenset({"id", "boost_kpa", "rpm_from"})

#: Chart -> anchor of the result that it draws.
CHART_RESULTS: dict[str, str] = {
    "spread": "r-rule_ratio", "within": "r-equivalence", "band": "r-equivalence", "yield": "r-rule_ratio", "size": "r-elasticity",
    "naive": "r-elasticity", "gain": "r-mean_gain_ratio", "marginal": "r-marginal_yield", "yield_rpm": "r-curves", "gain_rpm": "r-curves",
    "drivers": "r-drivers", "physics": "r-physics", "budget": "r-physics", "builds": "r-between_builds_sd", "deviators": "r-deviators",
    "breakers": "r-deviators", "funnel": "r-selection", "withheld": "r-selection", "kinds": "r-selection", "sensitivity": "r-sensitivity",
    "cancelling": "r-cancelling_errors", "publishers": "r-one_publisher_out", "narrowing": "r-next", "flow": "r-flow", "residuals": "r-drivers",
    "quantiles": "r-drivers", "influence": "r-drivers", "gains": "r-gains", "offset_output": "r-offset", "offset_boost": "r-offset",
    "both_ways": "r-offset", "evidence": "r-flow", "claims": "r-prediction", "part_claims": "r-gains",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class StoredRow:
    """One stored figure.

    Attributes
    ----------
    anchor : id on the page. path : where it stands in the results, in words.
    value, low, high : to the last stored digit, or "" where there is none. level, unit, builds, runs : likewise as text.
    why : why there is no figure, or "". rows : page and anchor of the records behind it.
    """

    anchor: str
    path: str
    value: str
    low: str = ""
    high: str = ""
    level: str = ""
    unit: str = ""
    builds: str = ""
    runs: str = ""
    why: str = ""
    rows: str = BUILDS_PAGE


@dataclass(frozen=True, slots=True)
class StoredGroup:
    """All figures of one field of the results."""

    anchor: str
    name: str
    rows: tuple[StoredRow, ...]
    note: str = ""


def anchor_of(path: str) -> str:
    """Anchor of a result by its path: ``r-`` and what is a letter, a digit or ``_`` of it, the rest as ``-``."""
    return "r-" + re.sub(r"[^a-z0-9_]+", "-", path.lower()).strip("-")


def stored_groups(results: StudyResults, more: Mapping[str, Any] | None = None) -> tuple[StoredGroup, ...]:
    """Every stored figure by field.

    Parameters
    ----------
    results : the stored study.
    more : name -> further stored results: gains, offset, prediction, next; None among them is left out.
    """
    taken: set[str] = set()
    groups = [
        _group(field.name, getattr(results, field.name), taken) for field in fields(results) if field.name not in _NOT_WALKED
    ]
    groups += [_group(name, kept, taken) for name, kept in (more or {}).items() if kept is not None]
    counted = (("units", len(results.units), "build"), ("runs", len(results.runs), "boosted run"))
    every = tuple(
        StoredGroup(
            anchor_of(name),
            name,
            (StoredRow(anchor_of(f"{name} count"), f"{one}s", str(count)),),
            "Each stands in its build's panel.",
        )
        for name, count, one in counted
    )
    return (*(group for group in groups if group is not None), *every)


def _group(name: str, kept: Any, taken: set[str]) -> StoredGroup | None:
    if kept is None:
        return None
    rows, anchor = [], anchor_of(name)
    taken.add(anchor)
    for path, leaf, rows_at in _leaves(name, kept, BUILDS_PAGE):
        own = _free(anchor_of(path) if path != name else f"{anchor}-value", taken)
        rows.append(_row(own, path.removeprefix(f"{name} "), leaf, rows_at))
    note = "" if rows else "No figure was worked out."
    return StoredGroup(anchor, name, tuple(rows), note)


def _free(anchor: str, taken: set[str]) -> str:
    """The anchor, with a number behind it where another result has it already."""
    free, number = anchor, 2
    while free in taken:
        free, number = f"{anchor}-{number}", number + 1
    taken.add(free)
    return free


def _leaves(path: str, kept: Any, rows_at: str) -> Iterator[tuple[str, Any, str]]:
    """Each figure with its path and the page of its records."""
    if isinstance(kept, Estimate) or (isinstance(kept, int | float) and not isinstance(kept, bool)):
        yield path, kept, rows_at
    elif isinstance(kept, tuple | list) and len(kept) > LONGEST_LIST:
        yield f"{path} count", len(kept), rows_at
    else:
        for step, item, at in _members(kept, rows_at):
            yield from _leaves(f"{path} {step}", item, at)


def _members(kept: Any, rows_at: str) -> Iterator[tuple[str, Any, str]]:
    """What a record, a list or a mapping holds: name, content, page of its records."""
    if is_dataclass(kept) and not isinstance(kept, type):
        at = _records_of(kept) or rows_at
        yield from ((name, getattr(kept, name), at) for name in _walked(type(kept)))
    elif isinstance(kept, Mapping):
        yield from ((str(key), item, rows_at) for key, item in list(kept.items())[:LONGEST_LIST])
    elif isinstance(kept, tuple | list):
        yield from ((_told(item) or str(place), item, rows_at) for place, item in enumerate(kept, start=1))


@cache
def _walked(kind: type) -> tuple[str, ...]:
    """Fields of a record that are walked."""
    return tuple(field.name for field in fields(kind) if field.name not in _NOT_WALKED | _TOLD)


def _told(item: Any) -> str:
    """What tells a member of a list apart, in words; empty where nothing does."""
    if not is_dataclass(item):
        return ""
    first = next((str(getattr(item, name)) for name in _TOLD_BY if getattr(item, name, None) not in (None, "")), "")
    more = [_short(name, getattr(item, name)) for name in _TOLD_TOO if isinstance(getattr(item, name, None), str | float)]
    return clean_text(" ".join(dict.fromkeys(word for word in (first, *more) if word)), 160)


def _short(name: str, part: str | float) -> str:
    if not isinstance(part, float):
        return part
    return f"{part:.1f} kPa" if name.endswith("_kpa") else f"{part:.0f}"


def _records_of(kept: Any) -> str | None:
    """Panel of the build that a result is about, or None where it is about many."""
    parts = [getattr(kept, name, None) for name in ("source", "publisher", "build")]
    if getattr(kept, "build_key", None):
        return build_link(str(kept.build_key))
    if all(isinstance(part, str) and part for part in parts):
        return build_link(key_of_build(*(str(part) for part in parts)))
    return None


def _row(anchor: str, path: str, leaf: Any, rows_at: str) -> StoredRow:
    words = clean_text(path.replace("_", " "), 300)
    if not isinstance(leaf, Estimate):
        return StoredRow(anchor, words, repr(leaf), rows=rows_at)
    return StoredRow(
        anchor, words, _exact(leaf.value), _exact(leaf.low), _exact(leaf.high), repr(leaf.level), clean_text(leaf.unit, 40), str(leaf.builds),
        str(leaf.runs), clean_text(leaf.why or "", 300), rows_at,
    )  # fmt: skip


def _exact(value: float | None) -> str:
    return "" if value is None else repr(value)
