"""The demo sources as files: every byte of `data_raw/demo_*`, made from stated truth and a fixed seed.

Nothing is written here; ``pipeline.cli.write_demo`` puts the bytes on disk.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from models.demo import changes as demo_changes
from models.demo import sweep as demo_sweep
from models.demo.catalogue import ENGLISH
from models.demo.catalogue_abroad import ABROAD
from models.demo.catalogue_mixed import MIXED
from models.demo.contribution import Contribution
from models.demo.engines import DemoBuild, Row, Wish, draw_builds
from models.demo.forms import Layout, table_bytes, toml_lines
from models.demo.plants import CAUSES, FILE_PLANTS, PLANTS, WISHES, OtherBuild, Plant
from models.demo.side_facts import with_side_facts
from models.simulate_truth import generator
from pipeline.units import convert, unit_named

SEED = 1739
CONTRIBUTIONS: tuple[Contribution, ...] = (*ENGLISH, *ABROAD, *MIXED)
#: A test of the first publisher that the last publication of the second source prints again.
REPEATED = ("demo_quarrel_lane", 11, "demo_gleaner", "Saltfen Speed Quarterly")
#: Another test that is printed again, without its first boosted pull and with two digits of the last power changed over.
MISPRINTED_AGAIN = ("demo_torvane", 11, "demo_gleaner", "The Vexley Bench Book")
FIXED_OF_TORVANE: Row = {"measured_at": "crank", "correction": "sae_j607"}
FAMILIES_OF_CHANGES = ("Haldrek V8", "Corrith Six", "Brask Four", "Quillan V6", "Lyrane Twin-Cam", "Ormund Big-Block")


@dataclass(frozen=True, slots=True)
class Expectation:
    """What must become of one planted row; line 0 is the file as a whole."""

    source: str
    file: str
    line: int
    kind: str
    expected: str
    sentence: str


@dataclass(slots=True)
class Demo:
    """All demo sources: path below data_raw -> bytes, what to expect of them, and what is true of the builds."""

    files: dict[str, bytes] = field(default_factory=dict)
    expectations: list[Expectation] = field(default_factory=list)
    builds: dict[tuple[str, str], DemoBuild] = field(default_factory=dict)
    runs: int = 0
    changes: int = 0

    def expectations_csv(self) -> str:
        """The table of expectations as CSV."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["source", "file", "line", "kind", "expected", "sentence"])
        for e in self.expectations:
            writer.writerow([e.source, e.file, e.line, e.kind, e.expected, e.sentence])
        return out.getvalue()


def _draw(contribution: Contribution, seed: int, index: int) -> list[DemoBuild]:
    """Builds of all publishers of a contribution, numbered through."""
    rng, taken, made = generator(seed, index), set[str](), list[DemoBuild]()
    for habits in contribution.habits:
        wishes: dict[int, Wish] = {n - len(made): w for (folder, n), w in WISHES.items() if folder == contribution.folder}
        made += draw_builds(rng, habits, taken, wishes)
    return [with_side_facts(build) for build in made]


def _touched(plant: Plant, rows: Sequence[Row], build: DemoBuild) -> list[int]:
    """Places of the rows that a plant touches."""
    own = [i for i, r in enumerate(rows) if r["build"] == build.name and (plant.role == "any" or r["role"] == plant.role)]
    return own if plant.place is None else [own[plant.place]]


def _set(row: Row, plant: Plant, builds: Sequence[DemoBuild], base: Row) -> None:
    for key, given in plant.sets.items():
        if isinstance(given, OtherBuild):
            row[key] = builds[given.number].name
        else:
            row[key] = given(row, base) if callable(given) else given


def _cell(layout: Layout, row: Row, key: str) -> tuple[str, str]:
    column = next(c for c in layout.columns if c.key == key)
    return column.header, column.text(row, layout.decimal_mark)


def _repair(contribution: Contribution, plant: Plant, before: Row, after: Row) -> str:
    """The `[[repair]]` of a plant, with a guard that fails once the row is right."""
    assert plant.repair is not None
    layout = contribution.layout
    where = dict(_cell(layout, after, key) for key in ("build", "boost_kpa"))
    values: dict[str, Any] = {"file": contribution.file, "where": where, "action": plant.repair[0]}
    if plant.repair[0] == "replace":
        header, right = _cell(layout, before, "power_kw")
        values |= {"column": header, "value": right, "reason": plant.repair[1], "expect": {"column": header, "above": 2000}}
    else:
        values |= {
            "reason": plant.repair[1],
            "expect": dict(zip(("column", "equals"), _cell(layout, after, "note"), strict=True)),
        }
    return "[[repair]]\n" + toml_lines(values)


def _plant_all(contribution: Contribution, builds: list[DemoBuild], demo: Demo) -> tuple[list[Row], list[str]]:
    """Rows of the file with everything planted, and the repairs declared for them; expectations go into `demo`."""
    rows, marks, repairs = [dict(row) for row in contribution.rows(builds)], list[tuple[Plant, int]](), list[str]()
    plants = [p for p in (*CAUSES, *PLANTS) if p.folder == contribution.folder]
    # Names are looked up before any is blanked, so all places are found first.
    found = [(plant, _touched(plant, rows, builds[plant.build])) for plant in plants]
    for plant, places in found:
        if plant.extra:
            rows.append(dict(rows[places[0]]))
            places = [len(rows) - 1]
        before = dict(rows[places[0]])
        for place in places:
            _set(rows[place], plant, builds, builds[plant.build].rows[0])
        if plant.repair:
            repairs.append(_repair(contribution, plant, before, rows[places[0]]))
        if plant not in CAUSES:
            marks.append((plant, places[0]))
    gone = {
        place
        for plant, _ in found
        if plant.remove
        for place, row in enumerate(rows)
        if row["build"] == builds[plant.build].name and row["role"] == "baseline"
    }
    kept = [place for place in range(len(rows)) if place not in gone]
    for plant, place in marks:
        line = contribution.layout.line_of(kept.index(place))
        demo.expectations.append(
            Expectation(contribution.folder, contribution.file, line, plant.code, plant.expected, plant.sentence)
        )
    return [rows[place] for place in kept], repairs


def _source_toml(contribution: Contribution, content: bytes) -> str:
    top = {
        "title": contribution.title, "publisher": contribution.publisher, "author": "", "url": "",
        "published_on": contribution.published_on, "received_on": contribution.published_on + timedelta(days=41),
        "licence": "CC0-1.0", "medium": contribution.medium,
        "citation": f"{contribution.publisher}: {contribution.title} (invented)",
        "invented": True,
    }  # fmt: skip
    entry: dict[str, Any] = {"name": contribution.file, "kind": contribution.kind}
    if contribution.pinned:
        entry["sha256"] = hashlib.sha256(content).hexdigest()
    entry |= dict(contribution.options)
    entry |= {key: value for key in ("headers", "constants") if (value := getattr(contribution, key))}
    warning = "# Invented demo data: no such publication, engine or place exists.\n"
    return warning + toml_lines(top) + "\n[[file]]\n" + toml_lines(entry)


def _add(demo: Demo, contribution: Contribution, rows: list[Row], repairs: Sequence[str] = ()) -> None:
    content = table_bytes(contribution.layout, rows)
    demo.files[f"{contribution.folder}/{contribution.file}"] = content
    demo.files[f"{contribution.folder}/source.toml"] = _source_toml(contribution, content).encode()
    if repairs:
        demo.files[f"{contribution.folder}/repairs.toml"] = "\n".join(repairs).encode()
    demo.expectations += [Expectation(s, f, 0, k, e, t) for s, f, k, e, t in FILE_PLANTS if s == contribution.folder]


def _repeated_rows(demo: Demo, drawn: dict[str, list[DemoBuild]]) -> list[Row]:
    """The rows of an earlier publication's test as another publication prints them again."""
    folder, number, _, publisher = REPEATED
    test = drawn[folder][number]
    changed = {"publisher": publisher, "manifold_kpa": None, "operator": None}
    return [row | changed | {"build": f"the Quarrel Lane {row['engine_family']}"} for row in test.rows]


def _misprinted_rows(demo: Demo, drawn: dict[str, list[DemoBuild]]) -> list[Row]:
    """An earlier publication's test printed again with a misprint and a pull left out: near enough for a person to be asked."""
    folder, number, _, publisher = MISPRINTED_AGAIN
    changed = {"publisher": publisher, "manifold_kpa": None, "operator": None} | FIXED_OF_TORVANE
    rows = [row | changed for row in drawn[folder][number].rows]
    del rows[next(i for i, row in enumerate(rows) if row["role"] == "boosted")]
    digits = str(round(convert(rows[-1]["power_kw"], unit_named("kW"), unit_named("hp"))))
    place = max(i for i in range(1, len(digits)) if digits[i] != digits[i - 1])
    turned = digits[: place - 1] + digits[place] + digits[place - 1] + digits[place + 1 :]
    rows[-1]["power_kw"] = convert(float(turned), unit_named("hp"), unit_named("kW"))
    return rows


def _runs_in(contribution: Contribution, rows: Sequence[Row]) -> int:
    if contribution.kind == "levels":
        return sum(1 for row in rows for key, value in row.items() if key.startswith("level ") and value is not None)
    return 2 * len(rows) if contribution.kind in ("pairs", "changes") else len(rows)


def _add_studies(demo: Demo, seed: int) -> None:
    drawn: dict[str, list[DemoBuild]] = {}
    for index, contribution in enumerate(CONTRIBUTIONS):
        builds = drawn[contribution.folder] = _draw(contribution, seed, index)
        rows, repairs = _plant_all(contribution, builds, demo)
        if contribution.folder == REPEATED[2]:
            line = contribution.layout.line_of(len(rows))
            rows += _repeated_rows(demo, drawn)
            demo.expectations.append(
                Expectation(
                    contribution.folder,
                    contribution.file,
                    line,
                    "same_test",
                    "repeat",
                    "An earlier publication's test, printed again.",
                )
            )
        if contribution.folder == MISPRINTED_AGAIN[2]:
            line = contribution.layout.line_of(len(rows))
            rows += _misprinted_rows(demo, drawn)
            demo.expectations.append(
                Expectation(
                    contribution.folder,
                    contribution.file,
                    line,
                    "near_test",
                    "near",
                    "An earlier publication's test, printed again with a misprint.",
                )
            )
        _add(demo, contribution, rows, repairs)
        demo.runs += _runs_in(contribution, rows)
        demo.builds |= {(contribution.folder, build.name): build for build in builds}


def _change_source(folder: str, title: str, publisher: str, file: str, kind: str, layout: Layout, day: date) -> Contribution:
    constants = {"measured_at": "crank", "dyno_type": "engine", "correction": "sae_j1349"}
    options = {"sheet": layout.sheet} if layout.form == "workbook" else {}
    headers = {c.header: c.key for c in layout.columns if c.header == "Engine"}
    return Contribution(
        folder, title, publisher, "own_test", day, file, kind, layout, (), headers=headers, constants=constants, options=options
    )


def _add_changes(demo: Demo, seed: int) -> None:
    pairs = demo_changes.draw_changes(generator(seed, 101), 28, FAMILIES_OF_CHANGES, date(2021, 2, 1))
    thornquill = _change_source(
        "demo_thornquill", "One part at a time", "Thornquill Parts Trials", "one_part.csv", "changes",
        demo_changes.THORNQUILL_LAYOUT,
        date(2024, 3, 1),
    )  # fmt: skip
    _add(demo, thornquill, demo_changes.pair_lines(pairs))
    more = demo_changes.draw_changes(generator(seed, 102), 26, FAMILIES_OF_CHANGES[:4], date(2021, 8, 1))
    morrowgate = _change_source(
        "demo_morrowgate", "What each part gave", "Morrowgate Cam Notes", "part_runs.xlsx", "runs",
        demo_changes.MORROWGATE_LAYOUT,
        date(2024, 6, 1),
    )  # fmt: skip
    lines = demo_changes.run_lines(more)
    for place, values, code, expected, sentence in demo_changes.RUN_LINE_PLANTS:
        lines[place] = lines[place] | values
        line = morrowgate.layout.line_of(place)
        demo.expectations.append(Expectation(morrowgate.folder, morrowgate.file, line, code, expected, sentence))
    _add(demo, morrowgate, lines)
    demo.changes = len(pairs) + len(more)
    demo.runs += 2 * demo.changes


def make_demo(seed: int = SEED) -> Demo:
    """All demo sources.

    Parameters
    ----------
    seed : the same seed gives the same bytes.
    """
    demo = Demo()
    _add_studies(demo, seed)
    _add_changes(demo, seed)
    _add(demo, demo_sweep.CURVES, demo_sweep.curve_rows(generator(seed, 103)))
    return demo
