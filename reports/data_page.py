"""The page about the data: who sent what, what is in, what is out and why, and where the evidence is thick and thin."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.data_records import DataSummary, FieldFill, ReasonLine, RowPair, SuspectLine
from pipeline.fields import FIELDS
from reports.build_links import BUILDS_PAGE, source_link
from reports.captions import Caption
from reports.charts.base import Chart
from reports.charts.evidence import SHADES, chart_evidence, rows_of_cells
from reports.data_sentences import (
    class_words,
    describe_evidence,
    say_balance,
    say_class,
    say_code,
    say_data_headline,
    say_share,
    say_suspect,
    say_thick,
)
from reports.data_tables import (
    TABLE_NAMES,
    field_words,
    name_of,
    table_of_answers,
    table_of_classes,
    table_of_fields,
    table_of_repairs,
    table_of_repeats,
    table_of_sources,
)
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, in_both, scales_json, show_reported, write_count
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.tables import Table

#: Small maps drawn: more classes than this cannot be told apart anyway; the table has all of them.
MOST_CLASSES = 12
MOST_TABLE_ROWS = 1_000
_AMONG = {"boosted": "Boosted runs", "baseline": "Runs without boost"}
_CELL_COLUMNS = (
    ("power_low_kw", "Output without boost, from", "power"), ("power_high_kw", "to", "power"), ("boost_low_kpa", "Boost, from", "boost"),
    ("boost_high_kpa", "to", "boost"), ("builds", "Builds", None), ("runs", "Boosted runs", None),
)  # fmt: skip


def render_data_page(data: DataSummary, version: str, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    data : what the store holds, summarised; the page computes nothing of its own.
    version : version of the project.
    beside : files of the pages written beside this one, to be linked.
    """
    captions = _captions(data)
    return render_page(
        "data.html",
        pages=page_links("data.html", beside),
        invented=data.invented,
        version=version,
        seen_on=data.seen_on,
        fingerprint=data.fingerprint,
        headline=say_data_headline(data),
        balance=say_balance(data),
        figures=_figures(data),
        captions=captions,
        takeaways={"evidence": say_thick(data.evidence)},
        shades=[{"share": share, "words": words} for _, share, words in SHADES],
        maps=[
            {"name": f"class-{k}", "title": class_words(line), "said": say_class(line)}
            for k, line in enumerate(data.evidence.classes[:MOST_CLASSES])
        ],
        without_baseline=data.evidence.without_baseline,
        classes=table_of_classes(data),
        sources=_linked(table_of_sources(data), data, beside),
        sources_of=len(data.sources),
        broken=[_trouble(t.source, t.file, t.why) for t in data.troubles if not t.is_withdrawn],
        withdrawn=[_trouble(t.source, t.file, t.why) for t in data.troubles if t.is_withdrawn],
        refused=[_reason(line, "row") for line in data.refused],
        flags=[_reason(line, "record") for line in data.flags],
        fills=_fills(data.fields),
        repeats=table_of_repeats(data),
        suspects=[_suspect(line) for line in data.suspects],
        suspects_of=data.suspects_of,
        answers=table_of_answers(data),
        repairs=table_of_repairs(data),
        dictionary=[{"name": name, "code": table, "table": table_of_fields(data, table)} for table, name in TABLE_NAMES.items()],
        data=script_json(_page_data(data, captions)),
    )


def write_data_page(data: DataSummary, out: Path, version: str, beside: Iterable[str] = ()) -> Path:
    """Write the page; returns where it stands."""
    return write_page(render_data_page(data, version, beside), out)


def _linked(table: Table, data: DataSummary, beside: Iterable[str]) -> Table:
    """The table of sources, each leading to its builds where their page is there."""
    if BUILDS_PAGE not in beside:
        return table
    return replace(table, ends=tuple(source_link(s.source) if s.builds else None for s in data.sources[: len(table.rows)]))


def _captions(data: DataSummary) -> dict[str, Caption]:
    texts = {
        "question": "Where is the evidence thick, and where is it thin?",
        "see": "Each cell counts the builds whose output without boost and boost fall into it; the stronger the colour, the more. "
        "Empty ground is ground that nobody has reported from: an estimate there leans on its neighbours.",
    }
    question, see = (in_both(lambda s, t=t: t) for t in texts.values())  # type: ignore[misc]
    return {"evidence": Caption(question, see, in_both(lambda s: describe_evidence(data.evidence, s)))}


def _figures(data: DataSummary) -> list[dict[str, str]]:
    c, e = data.counts, data.evidence
    figures = (
        ("Runs in the clean tables", c["runs"], f"and {write_count(c['sweep_points'])} points of curves"),
        ("Boosted runs that can be compared", e.runs, f"of {write_count(e.builds)} builds; {write_count(e.without_baseline)} lack a run without boost"),
        ("Changes of parts", c["changes"], "pairs of runs before and after"),
        ("Flags", c["flags"], "remarks on records that were kept"),
    )  # fmt: skip
    return [{"name": name, "large": write_count(count), "small": small} for name, count, small in figures]


def _trouble(source: str, file: str, why: str) -> dict[str, str]:
    return {"where": f"{clean_text(source)}/{clean_text(file)}", "why": clean_text(why, 600)}


def _reason(line: ReasonLine, one: str) -> dict[str, Any]:
    return {
        "title": say_code(line.code),
        "code": line.code,
        "help": clean_text(line.help, 400),
        "count": f"{write_count(line.count)} {one if line.count == 1 else one + 's'}",
        "sources": f"{write_count(line.sources)} source{'' if line.sources == 1 else 's'}",
        "more": line.count - len(line.examples),
        "examples": [
            {
                "where": f"{clean_text(x.source)}/{clean_text(x.file)}" + (f", line {x.line}" if x.line else ""),
                "sentence": clean_text(x.sentence, 400),
                "heads": [clean_text(head) for head, _ in x.cells],
                "cells": [clean_text(text) for _, text in x.cells],
            }
            for x in line.examples
        ],
    }


def _fills(fields: tuple[FieldFill, ...]) -> list[dict[str, Any]]:
    """Fields by table, most stated first; those that nobody states by name only."""
    groups = []
    for table, among in dict.fromkeys((f.table, f.among) for f in fields):
        here = sorted((f for f in fields if (f.table, f.among) == (table, among)), key=lambda f: (-f.filled, f.name))
        of = here[0].of
        if of:
            groups.append(
                {
                    "name": f"{_AMONG.get(among, TABLE_NAMES[table])} ({write_count(of)})",
                    "bars": [
                        {
                            "label": field_words(FIELDS[f.name]), "width": f"{100 * f.filled / f.of:.1f}", "share": say_share(f.filled, f.of),
                            "sources": f"{write_count(f.sources)} source{'' if f.sources == 1 else 's'}",
                        }
                        for f in here if f.filled
                    ],
                    "never": [_small(field_words(FIELDS[f.name])) for f in here if not f.filled],
                }
            )  # fmt: skip
    return groups


def _small(words: str) -> str:
    return words[:1].lower() + words[1:]


def _suspect(line: SuspectLine) -> dict[str, Any]:
    return {
        "build": name_of(line.build),
        "near": name_of(line.near),
        "why": say_suspect(line),
        "rows": [_row_pair(pair, line.ratio is not None) for pair in line.rows],
        "folder": clean_text(line.build.source),
        "yes": line.yes_line,
        "no": line.no_line,
    }


def _row_pair(pair: RowPair, in_ratio: bool) -> dict[str, Any]:
    def both(boost: float | None, power: float | None) -> tuple[InBothUnits, InBothUnits]:
        def say_boost(s: UnitSystem) -> str:
            return "none" if boost == 0 else show_reported(boost, "boost", s)

        return in_both(say_boost), in_both(lambda s: show_reported(power, "power", s))

    here, there = both(pair.boost_kpa, pair.power_kw), both(pair.near_boost_kpa, pair.near_power_kw)
    return {
        "cells": [*here, *there],
        "alike": pair.alike,
        "word": ("in the ratio" if in_ratio else "yes") if pair.alike else "no",
    }


def _page_data(data: DataSummary, captions: dict[str, Caption]) -> dict[str, Any]:
    """What the page's script reads: cells in SI, chart descriptions in both unit systems, factors and columns."""
    evidence = data.evidence
    shown = evidence.classes[:MOST_CLASSES]
    keys = [(line.induction, line.charge_cooling) for line in shown]
    rows, charts = {}, {}
    for code, system in SYSTEMS.items():
        grid = evidence.grids[code]
        kept = [row for row in rows_of_cells(grid, [(c.induction, c.charge_cooling) for c in evidence.classes], system)]
        rows[f"cells_{code}"] = [row for row in kept if row["k"] < len(keys)]
        drawn: dict[str, Chart] = {"evidence": chart_evidence(grid, system, captions["evidence"].description.in_system(code))}
        for k, line in enumerate(shown):
            drawn[f"class-{k}"] = chart_evidence(grid, system, f"{class_words(line)}: {say_class(line)}.", k)
        charts[code] = drawn
        # The table and the CSV file list the cells of all classes together.
        rows[f"all_{code}"] = [row for row in rows[f"cells_{code}"] if row["k"] < 0 and row["builds"]]
    columns = [
        {"field": f, "label": label, "quantity": quantity, "number": True, "onlyCsv": False}
        for f, label, quantity in _CELL_COLUMNS
    ]
    return {
        "rows": {name: columns_of(items) for name, items in rows.items()},
        "charts": {code: {name: chart.spec for name, chart in drawn.items()} for code, drawn in charts.items()},
        "uses": {name: list(chart.uses) for name, chart in charts["us"].items()},
        "scales": scales_json(),
        "columns": {"evidence": {"rows": {"us": "all_us", "si": "all_si"}, "columns": columns}},
        "sources": {},
        "mostRows": MOST_TABLE_ROWS,
        "invented": data.invented,
    }
