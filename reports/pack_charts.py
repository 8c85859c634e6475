"""Which figures a pack has, what they draw, and whose records their data may hold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from models.choose import growth_of
from models.gain_records import GainsResults
from models.offset_records import Engine, Gain, OffsetModel
from models.offset_tables import OffsetTables, make_offset_tables
from models.prediction_records import PredictionCheck
from models.results import StudyResults
from models.rule import SEA_LEVEL_KPA
from reports.captions import Caption
from reports.charts.base import Chart
from reports.charts.offset import chart_offset_by_boost, chart_offset_by_output, rows_of_offsets, rows_of_offsets_at_boost
from reports.charts.parts import chart_both_ways, chart_part_gains, rows_of_parts
from reports.charts.rows import Rows, select_units
from reports.numbers import UnitSystem
from reports.pack_own_charts import (
    COLUMNS,
    chart_coverage,
    chart_methods,
    chart_rules,
    check_captions,
    rows_of_check,
    rows_of_rules,
    rules_caption,
)
from reports.pack_records import Figure, Terms
from reports.parts_calculator import commonest_kind
from reports.parts_captions import part_captions
from reports.parts_tables import PART_COLUMNS
from reports.sentences_doubt import say_rules
from reports.study_charts import chart_tables, draw_charts, study_captions, study_rows

#: Figures of the study in the order of an article. Those that set names beside marks draw only builds that may be named.
STUDY_FIGURES = (
    "spread", "within", "yield", "size", "gain", "marginal", "drivers", "physics", "budget", "deviators", "withheld", "sensitivity",
    "publishers", "flow",
)  # fmt: skip
_NAMED = frozenset({"deviators", "breakers", "publishers"})

#: Gains of the figure against output [hp, kW], and the share that the figure against boost is drawn for.
_GAINS = {"us": (20.0, 40.0, 80.0), "si": (15.0, 30.0, 60.0)}
_GAIN_SHARE = 0.10


def without_sources(results: StudyResults, left_out: Iterable[str]) -> StudyResults:
    """The study without single builds, runs and curves of these sources; every estimate stays as it was made."""
    out = set(left_out)
    if not out:
        return results
    units = tuple(unit for unit in results.units if unit.source not in out)
    kept = {unit.unit_id for unit in units}
    gone = {unit.publisher for unit in results.units} - {unit.publisher for unit in units}
    curves, deviators, publishers = results.curves, results.deviators, results.one_publisher_out
    return replace(
        results,
        units=units,
        runs=tuple(run for run in results.runs if run.unit_id in kept),
        curves=None if curves is None else replace(
            curves, gains=tuple(c for c in curves.gains if c.source not in out), yields=tuple(c for c in curves.yields if c.source not in out)
        ),
        deviators=None if deviators is None else replace(
            deviators, unlike_peers=tuple(d for d in deviators.unlike_peers if d.unit_id in kept),
            breaks_rule=tuple(d for d in deviators.breaks_rule if d.unit_id in kept),
        ),
        one_publisher_out=None if publishers is None else replace(
            publishers, lines=tuple(line for line in publishers.lines if line.publisher not in gone)
        ),
    )  # fmt: skip


def sources_of(terms: Mapping[str, Terms], *kinds: Terms) -> frozenset[str]:
    """Sources with these terms."""
    return frozenset(source for source, found in terms.items() if found in kinds)


def study_figures(results: StudyResults, terms: Mapping[str, Terms], system: UnitSystem) -> tuple[Figure, ...]:
    """Figures of the study: private builds are not drawn, builds whose terms are not open carry no name and leave the data.

    Parameters
    ----------
    results : the stored study, whole.
    terms : source -> what its licence allows.
    system : units of the figures.
    """
    shown = without_sources(results, sources_of(terms, Terms.PRIVATE))
    may_be_named = without_sources(results, sources_of(terms, Terms.PRIVATE, Terms.ASK))
    rows, open_rows = (study_rows(one, select_units(one)) for one in (shown, may_be_named))
    words = study_captions(results)
    left_out = frozenset(words) - set(STUDY_FIGURES)
    drawn = {
        **draw_charts(shown, rows, system, words, leave_out=left_out | _NAMED),
        **draw_charts(may_be_named, open_rows, system, words, leave_out=frozenset(words) - (_NAMED & set(STUDY_FIGURES))),
    }
    tables = chart_tables(drawn)
    made = []
    for name in STUDY_FIGURES:
        if name not in drawn:
            continue
        read, columns = tables.get(name, (drawn[name].uses[0], ()))
        own = open_rows if name in _NAMED else rows
        missing = max(0, len(rows[read]) - len(open_rows[read]))
        made.append(Figure(name, drawn[name], own, words[name], columns, tuple(open_rows[read]), missing))
    return tuple(made)


def offset_tables(gains: GainsResults, model: OffsetModel, system: UnitSystem) -> tuple[Engine, OffsetTables]:
    """The engine that the figures of offset boost are drawn for (of the kind with most builds, of a round size), and its answers."""
    kind = commonest_kind(model)
    codes = (None, None, None) if kind is None else (kind.induction, kind.charge_cooling, kind.fuel)
    engine = Engine(system.example_power_kw, SEA_LEVEL_KPA, None, None, *codes)
    if not model.curves:
        return engine, OffsetTables((), ())
    wanted = [gain / system.scales["power"].factor for gain in _GAINS[system.code]]
    return engine, make_offset_tables(model, engine, wanted, Gain(_GAIN_SHARE), growth_of(gains))


def _without_pairs(gains: GainsResults, left_out: Iterable[str]) -> GainsResults:
    """The answers without single pairs of these sources; every estimate stays as it was made."""
    out = set(left_out)
    pairs = tuple(pair for pair in gains.pairs if pair.source not in out)
    kept = {(pair.engine, pair.publisher) for pair in pairs}
    both_ways = tuple(one for one in gains.growth.both_ways if (one.engine, one.publisher) in kept)
    return replace(gains, pairs=pairs, growth=replace(gains.growth, both_ways=both_ways))


def part_figures(
    gains: GainsResults, model: OffsetModel, engine: Engine, tables: OffsetTables, terms: Mapping[str, Terms], system: UnitSystem
) -> tuple[Figure, ...]:
    """Figures of parts and of offset boost."""
    shown = _without_pairs(gains, sources_of(terms, Terms.PRIVATE))
    open_both_ways = rows_of_parts(_without_pairs(gains, sources_of(terms, Terms.PRIVATE, Terms.ASK)))["both_ways"]
    rows = {**rows_of_parts(shown), **rows_of_offsets(tables.by_output), **rows_of_offsets_at_boost(tables.by_boost)}
    words = part_captions(gains, engine, model.level)

    def said(name: str) -> str:
        return words[name].description.in_system(system.code)

    drawn: dict[str, Chart] = {}
    if rows["parts"]:
        drawn["gains"] = chart_part_gains(rows, said("gains"))
    if rows["both_ways"]:
        drawn["both_ways"] = chart_both_ways(rows, system, said("both_ways"))
    if rows["offset_by_output"]:
        drawn["offset_output"] = chart_offset_by_output(rows, system, said("offset_output"))
    if rows["offset_by_boost"]:
        drawn["offset_boost"] = chart_offset_by_boost(rows, system, said("offset_boost"))
    made = []
    for name, chart in drawn.items():
        read, columns = PART_COLUMNS[name]
        data = open_both_ways if name == "both_ways" else rows[read]
        made.append(Figure(name.replace("_", "-"), chart, rows, words[name], columns, tuple(data), len(rows[read]) - len(data)))
    return tuple(made)


def engine_figures(check: PredictionCheck | None) -> tuple[Figure, ...]:
    """Figures of the check of the estimate; none without a check."""
    if check is None:
        return ()
    rows, words = rows_of_check(check), check_captions(check)
    charts = {
        "coverage": chart_coverage(rows, words["coverage"].description.us),
        "methods": chart_methods(rows, words["methods"].description.us),
    }
    return tuple(_plain(name, chart, rows, words[name]) for name, chart in charts.items() if rows[name])


def claim_figures(results: StudyResults, system: UnitSystem) -> tuple[Figure, ...]:
    """Figures of rules of thumb: those with a band on one scale, and the band of the study itself."""
    rows, words = rows_of_rules(results, system.code), rules_caption(results, say_rules(results))
    if not any(row["place"] is not None for row in rows["rules"]):
        return ()
    return (_plain("rules", chart_rules(rows, words.description.in_system(system.code)), rows, words),)


def _plain(name: str, chart: Chart, rows: Rows, words: Caption) -> Figure:
    read, columns = COLUMNS[name]
    return Figure(name, chart, rows, words, columns, tuple(rows[read]))
