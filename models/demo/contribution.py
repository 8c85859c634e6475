"""One contribution of the demo data: a source folder with its one file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from models.demo.engines import DemoBuild, Habits, Row
from models.demo.forms import Layout


@dataclass(frozen=True, slots=True)
class Contribution:
    """What a contributor sends and what `source.toml` says of it.

    Attributes
    ----------
    folder : name of the source's folder.
    title, publisher, medium, published_on : of the publication.
    file, kind, layout : name, record kind and layout of the file.
    habits : how its publishers test (several where the file compiles publications).
    headers, constants, options : what source.toml adds for the file.
    arrange : builds -> rows of the file; None for one row a run.
    pinned : whether source.toml states the hash.
    """

    folder: str
    title: str
    publisher: str
    medium: str
    published_on: date
    file: str
    kind: str
    layout: Layout
    habits: tuple[Habits, ...]
    headers: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, Any] = field(default_factory=dict)
    options: Mapping[str, str] = field(default_factory=dict)
    arrange: Callable[[list[DemoBuild]], list[Row]] | None = None
    pinned: bool = True

    def rows(self, builds: list[DemoBuild]) -> list[Row]:
        """Rows of the file in order."""
        return self.arrange(builds) if self.arrange else [row for build in builds for row in build.rows]


def level_rows(unit_kpa: float) -> Callable[[list[DemoBuild]], list[Row]]:
    """Rows of a *levels* sheet: one a build, its power under the key ``level <boost in the sheet's unit>``."""

    def arrange(builds: list[DemoBuild]) -> list[Row]:
        made = []
        for build in builds:
            boosted = [row for row in build.rows if row["role"] == "boosted"]
            line = build.rows[0] | {k: boosted[0][k] for k in ("induction", "charge_cooling")}
            for row in (build.rows[0], *boosted):
                line[f"level {row.get('boost_kpa', 0.0) / unit_kpa:.3g}"] = row["power_kw"]
            made.append(line)
        return made

    return arrange


def pair_rows(builds: list[DemoBuild]) -> list[Row]:
    """Rows of a *pairs* sheet: one for each boosted figure, with the first baseline beside it."""
    made = []
    for build in builds:
        base = build.rows[0]
        beside = {f"baseline_{k}": base[k] for k in ("power_kw", "power_rpm")}
        made += [
            row | beside | {"baseline_hardware": base["baseline_hardware"]} for row in build.rows if row["role"] == "boosted"
        ]
    return made
