"""The parts page: what a change is worth, on which engine, and how much boost would give the same power."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from models.choose import gain_of, growth_of, parts_of
from models.gain_records import GainsResults
from models.offset_evidence import highest_tested, kinds_like
from models.offset_records import Engine, Gain, Growth, OffsetModel
from models.offset_tables import OffsetTables, make_offset_tables
from models.results import StudyResults
from models.rule import SEA_LEVEL_KPA
from reports.charts.base import Chart
from reports.charts.offset import chart_offset_by_boost, chart_offset_by_output, rows_of_offsets, rows_of_offsets_at_boost
from reports.charts.parts import chart_both_ways, chart_part_gains, charts_gain_by_size, kinds_drawn, rows_of_parts
from reports.charts.rows import Rows
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, count_of, scales_json
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.part_words import engine_words, part_words
from reports.parts_calculator import calculator_json, choices_of, commonest_kind
from reports.parts_captions import frame_words, part_captions
from reports.parts_sentences import (
    BOOST_DIGITS,
    recorded,
    say_by_size,
    say_falls_short,
    say_growth,
    say_offset_example,
    say_part_gains,
    say_parts_basis,
    say_parts_headline,
)
from reports.parts_tables import (
    MOST_PAIRS,
    PART_COLUMNS,
    table_of_curves,
    table_of_growth,
    table_of_moderators,
    table_of_pairs,
    table_of_the_trade,
)
from reports.study_charts import columns_json

MOST_TABLE_ROWS = 1_000

#: Gains of the chart against output [hp, kW], by unit system.
CHART_GAINS = {"us": (20.0, 40.0, 80.0), "si": (15.0, 30.0, 60.0)}

#: The engine and the gain of the chart against present boost, and where the sliders start [kW].
EXAMPLE_GAIN = 0.10

#: Boost of the rebuilt table where the evidence reaches so far [psi, kPa].
TABLE_BOOST = {"us": 8.0, "si": 55.0}

#: A frame against specific output needs so many pairs.
LEAST_PAIRS = 3

NO_LINE = "Too few engines state their output per litre for a line."

#: Most frames of gains against specific output.
MOST_FRAMES = 8


def render_parts_page(results: StudyResults, gains: GainsResults, model: OffsetModel, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study, for its stamp.
    gains : the stored answers on parts.
    model : the stored curves that offset boost is worked out from; the page shows what the models answer and adds no estimate.
    beside : files of the pages written beside this one, to be linked.
    """
    growth = growth_of(gains)
    engine = _example_engine(model)
    by_system = {code: _offsets(model, engine, growth, system) for code, system in SYSTEMS.items()}
    rows = {**rows_of_parts(gains), **_offset_rows(by_system)}
    words = part_captions(gains, engine, model.level)
    us = _draw(gains, rows, SYSTEMS["us"], words, {})
    # Gains in per cent are drawn alike in both unit systems.
    charts = {"us": us, "si": _draw(gains, rows, SYSTEMS["si"], words, us)}
    return render_page(
        "parts.html",
        pages=page_links("parts.html", beside),
        invented=results.invented or gains.invented,
        version=results.version,
        made_on=gains.made_on,
        fingerprint=gains.fingerprint,
        headline=say_parts_headline(gains),
        basis=say_parts_basis(gains),
        drawn=frozenset(charts["us"]),
        captions=words,
        takeaways=_takeaways(gains, by_system["us"], model),
        frames=_frames(gains, charts["us"]),
        calculator=bool(model.curves),
        why_none=clean_text(model.why or "no fit.", 400),
        choices=choices_of(model),
        start={"induction": engine.induction, "cooling": engine.charge_cooling, "fuel": engine.fuel},
        parts=[(one.part, part_words(one.part)) for one in parts_of(gains) if gain_of(one).share > 0.0],
        kind=engine_words(engine.induction, engine.charge_cooling, engine.fuel),
        example=_say_example(by_system, model.level),
        trade=_trade_table(model, engine, growth) if model.curves else None,
        growth=table_of_growth(gains),
        by_size=say_by_size(gains),
        said_growth=say_growth(gains),
        said_gains=say_part_gains(gains),
        moderators=table_of_moderators(gains),
        curves=table_of_curves(gains.curves),
        pairs=table_of_pairs(gains),
        pairs_of=len(gains.pairs),
        most_pairs=MOST_PAIRS,
        left_out=_left_out(gains),
        notes=[recorded(text, 600) for text in (*gains.notes, *(one.sentence for one in gains.repeatability))],
        data=script_json(_page_data(results, gains, model, growth, rows, charts)),
    )


def write_parts_page(
    results: StudyResults, gains: GainsResults, model: OffsetModel, out: Path, beside: Iterable[str] = ()
) -> Path:
    """Write the parts page; returns where it stands."""
    return write_page(render_parts_page(results, gains, model, beside), out)


def _example_engine(model: OffsetModel) -> Engine:
    """An engine of the kind with most builds, at sea level; of no kind where none is fully stated."""
    kind = commonest_kind(model)
    codes = (None, None, None) if kind is None else (kind.induction, kind.charge_cooling, kind.fuel)
    return Engine(SYSTEMS["us"].example_power_kw, SEA_LEVEL_KPA, None, None, *codes)


def _offsets(model: OffsetModel, engine: Engine, growth: Growth, system: UnitSystem) -> OffsetTables:
    """Answers behind both charts, for a round engine and round gains of a unit system; none without a curve."""
    if not model.curves:
        return OffsetTables((), ())
    gains = [gain / system.scales["power"].factor for gain in CHART_GAINS[system.code]]
    one = replace(engine, na_kw=system.example_power_kw)
    return make_offset_tables(model, one, gains, Gain(EXAMPLE_GAIN), growth)


def _offset_rows(by_system: Mapping[str, OffsetTables]) -> Rows:
    """Record sets of both charts; those of the second unit system carry its code."""
    rows: Rows = {}
    for code, tables in by_system.items():
        found = {**rows_of_offsets(tables.by_output), **rows_of_offsets_at_boost(tables.by_boost)}
        rows |= {name if code == "us" else f"{name}_{code}": items for name, items in found.items()}
    return rows


def _draw(
    gains: GainsResults, rows: Rows, system: UnitSystem, words: Mapping[str, Any], unit_free: Mapping[str, Chart]
) -> dict[str, Chart]:
    """Charts of the page in one unit system; what has nothing to draw is left out, ``unit_free`` is taken over."""

    def said(name: str) -> str:
        return str(words[name].description.in_system(system.code))

    drawn: dict[str, Chart] = {}
    if rows["parts"]:
        drawn["gains"] = unit_free["gains"] if "gains" in unit_free else chart_part_gains(rows, said("gains"))
        frames = _framed(gains, rows)
        made = charts_gain_by_size(rows, frames, system) if frames else []
        drawn |= {f"size-{place}": one for (place, _), one in zip(frames, made, strict=True)}
    if rows["both_ways"]:
        drawn["both_ways"] = chart_both_ways(rows, system, said("both_ways"))
    own = {
        name: rows[name if system.code == "us" else f"{name}_{system.code}"] for name in ("offset_by_output", "offset_by_boost")
    }
    if own["offset_by_output"]:
        drawn["offset_output"] = _own_rows(chart_offset_by_output(own, system, said("offset_output")), system)
    if own["offset_by_boost"]:
        drawn["offset_boost"] = _own_rows(chart_offset_by_boost(own, system, said("offset_boost")), system)
    return drawn


def _own_rows(chart: Chart, system: UnitSystem) -> Chart:
    """The chart on the records of its own unit system, whose engines and gains are round there."""
    both = tuple(name for one in chart.uses for name in (one, f"{one}_si"))
    if system.code == "us":
        return Chart(chart.spec, both)
    text = json.dumps(chart.spec)
    for name in chart.uses:
        text = text.replace(f'"{name}"', f'"{name}_{system.code}"')
    return Chart(json.loads(text), both)


def _framed(gains: GainsResults, rows: Rows) -> list[tuple[int, str]]:
    """Places and words of the kinds that get a frame against specific output: those with enough pairs that state it."""
    found: list[tuple[int, str]] = []
    for place, kind in enumerate(kinds_drawn(gains)):
        pairs = sum(row["k"] == place and row["kw_per_litre"] is not None for row in rows["part_pairs"])
        if pairs >= LEAST_PAIRS and len(found) < MOST_FRAMES:
            fitted = next((one.sentence for one in kind.moderators if one.name == "kw_per_litre"), "")
            found.append((place, frame_words(kind.part, pairs, recorded(fitted, 300).us)))
    return found


def _frames(gains: GainsResults, charts: Mapping[str, Chart]) -> list[dict[str, str]]:
    """Title, sentence and chart of each frame."""
    return [
        {
            "name": f"size-{place}", "title": part_words(kind.part),
            "said": next((recorded(one.sentence, 300).us for one in kind.moderators if one.name == "kw_per_litre"), NO_LINE),
        }
        for place, kind in enumerate(kinds_drawn(gains))
        if f"size-{place}" in charts
    ]  # fmt: skip


def _takeaways(gains: GainsResults, tables: OffsetTables, model: OffsetModel) -> dict[str, InBothUnits]:
    """The finding above each chart."""
    found = {"gains": say_part_gains(gains), "both_ways": say_growth(gains)}
    if tables.by_boost:
        found["offset_boost"] = say_falls_short(tables.by_boost)
    return found


def _say_example(by_system: Mapping[str, OffsetTables], level: float) -> InBothUnits | None:
    """The sentence on one engine, round in each unit system."""
    texts = {}
    for code, system in SYSTEMS.items():
        wanted = TABLE_BOOST[code] / system.scales["boost"].factor
        near = min(by_system[code].by_boost, key=lambda one: abs((one.engine.boost_kpa or 0.0) - wanted), default=None)
        if near is None:
            return None
        texts[code] = say_offset_example(near, level).in_system(code)
    return InBothUnits(texts["us"], texts["si"])


def _trade_table(model: OffsetModel, engine: Engine, growth: Growth) -> Any:
    """The trade's table with ranges, at a round boost within the evidence of the engine's kind."""
    kinds = kinds_like(model, engine)
    if not kinds:
        return None
    ends = min(kind.lowest_na_kw for kind in kinds), max(kind.highest_na_kw for kind in kinds)
    most = highest_tested(model, engine).boost_kpa
    boosts = {}
    for code, system in SYSTEMS.items():
        per = system.scales["boost"].factor
        boosts[code] = min(TABLE_BOOST[code], math.floor(most * per)) / per
    return table_of_the_trade(model, engine, ends, boosts, growth)


def _left_out(gains: GainsResults) -> list[InBothUnits]:
    """Why pairs under boost could not feed the growth, or feed it with a word of care; each sentence once, with its count."""
    counts: dict[str, int] = {}
    for one in (*gains.growth.left_out, *gains.growth.named):
        counts[one.sentence] = counts.get(one.sentence, 0) + 1
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return [recorded(f"{count_of(count, 'pair')}: {text}", 600) for text, count in ordered]


def _scales() -> dict[str, dict[str, dict[str, Any]]]:
    """Factors and digits of the page: offset boosts as the command prints them, gains in power with one decimal."""
    scales = scales_json()
    for code, one in scales.items():
        one["boost_fine"] = {**one["boost"], "digits": BOOST_DIGITS[code]}
        one["power_1"] = {**one["power"], "digits": 1}
    return scales


def _page_data(
    results: StudyResults,
    gains: GainsResults,
    model: OffsetModel,
    growth: Growth,
    rows: Rows,
    charts: Mapping[str, Mapping[str, Chart]],
) -> dict[str, Any]:
    """What the page's scripts read."""
    columns = columns_json({name: columns for name, columns in PART_COLUMNS.items() if rows[columns[0]]})
    for name in ("offset_output", "offset_boost"):
        if name in columns:
            columns[name]["rows"] = {"us": columns[name]["rows"], "si": columns[name]["rows"] + "_si"}
    return {
        "rows": {name: columns_of(items) for name, items in rows.items()},
        "charts": {code: {name: chart.spec for name, chart in drawn.items()} for code, drawn in charts.items()},
        "uses": {name: list(chart.uses) for name, chart in charts["us"].items()},
        "scales": _scales(),
        "columns": columns,
        "sources": {},
        "mostRows": MOST_TABLE_ROWS,
        "invented": results.invented or gains.invented,
        "calculator": calculator_json(gains, model, growth) if model.curves else None,
    }
