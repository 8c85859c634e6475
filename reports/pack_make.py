"""An article pack from stored results: what it is about, what it rests on, whose records it may list."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from models.claim_records import ClaimAnswer
from models.estimate_answers import EngineEstimate
from models.gain_records import GainsResults, PairGain
from models.offset_records import OffsetModel
from models.prediction_records import PredictionResults
from models.results import StudyResults
from reports.labels import clean_text
from reports.numbers import SYSTEMS, UnitSystem
from reports.pack_charts import (
    claim_figures,
    engine_figures,
    offset_tables,
    part_figures,
    sources_of,
    study_figures,
    without_sources,
)
from reports.pack_claims import CLAIMS_TABLE, claims_table, judged_figures, judged_findings
from reports.pack_findings import study_findings
from reports.pack_findings_more import claim_findings, engine_findings, part_findings
from reports.pack_records import Figure, Finding, Pack, PackSource, Record, Terms, terms_of
from reports.pack_sources import pack_sources
from reports.pack_words import LIMITS, Basis, long_method, short_method
from reports.quantities_in_text import in_reader_units

Described = Iterable[Mapping[str, Any]]


def make_study_pack(results: StudyResults, described: Described, units: str = "us") -> Pack:
    """The pack on what a unit of boost is worth.

    Parameters
    ----------
    results : the stored study.
    described : rows of the table of sources, for kind and citation.
    units : ``us`` or ``si``.
    """
    system, terms = SYSTEMS[units], _terms(results)
    shown = without_sources(results, sources_of(terms, Terms.PRIVATE))
    notes = (*results.notes, *(() if results.deviators is None else results.deviators.notes))
    return _of_study(
        "study", results, described, system, study_findings(results, shown), study_figures(results, terms, system), notes
    )


def make_engine_pack(
    results: StudyResults,
    prediction: PredictionResults,
    examples: Sequence[EngineEstimate],
    described: Described,
    units: str = "us",
) -> Pack:
    """The pack on the estimate for one engine; ``examples`` are its answers for engines of round sizes."""
    check, model = prediction.check, prediction.model
    notes = (*(() if model is None else model.notes), *(() if check is None else check.notes))
    return _of_study(
        "engine", results, described, SYSTEMS[units], engine_findings(prediction, examples), engine_figures(check), notes,
        folds=0 if check is None else check.folds,
    )  # fmt: skip


def make_claims_pack(results: StudyResults, described: Described, units: str = "us", answers: Sequence[ClaimAnswer] = ()) -> Pack:
    """The pack on rules of thumb, and on judged claims where there are any.

    Parameters
    ----------
    results, described, units : as for the study.
    answers : judged claims in the order of their file; rows that could not be read stand in the table with their reason.
    """
    system = SYSTEMS[units]
    findings = (*judged_findings(answers, system), *claim_findings(results))
    figures = (*judged_figures(answers, system), *claim_figures(results, system))
    pack = _of_study("claims", results, described, system, findings, figures, ())
    if not answers:
        return pack
    table = claims_table(answers, sources_of(_terms(results), Terms.OPEN), system, invented=results.invented)
    return replace(pack, tables=((*CLAIMS_TABLE, table),))


def make_parts_pack(
    results: StudyResults, gains: GainsResults, model: OffsetModel, described: Described, units: str = "us"
) -> Pack:
    """The pack on parts and offset boost.

    Parameters
    ----------
    results : the stored study, for sources and stamp.
    gains, model : the stored answers on parts, and the curves of offset boost.
    described, units : as for the study.
    """
    system, terms = SYSTEMS[units], _terms(results)
    engine, tables = offset_tables(gains, model, system)
    fed = [pair for pair in gains.pairs if pair.feeds]
    records = tuple(record for pair in _open(fed, terms) for record in _pair_records(pair))
    publishers = len({pair.publisher for pair in fed})
    builds, runs = len({pair.engine for pair in fed}), len({key for p in fed for key in (p.before_run_key, p.after_run_key)})
    basis = Basis("parts", builds, runs, publishers, pairs=len(fed))
    counted = Counter(pair.source for pair in fed for _ in (pair.before_run_key, pair.after_run_key))
    return _pack(
        basis, results, gains.invented or results.invented, gains.made_on, system, part_findings(gains, model, tables),
        part_figures(gains, model, engine, tables, terms, system), pack_sources(results.sources, described, counted),
        tuple({record.key: record for record in records}.values()), gains.notes,
    )  # fmt: skip


def _terms(results: StudyResults) -> dict[str, Terms]:
    return {note.source: terms_of(note.licence) for note in results.sources}


def _open(pairs: Sequence[PairGain], terms: Mapping[str, Terms]) -> list[PairGain]:
    return [pair for pair in pairs if terms.get(pair.source, Terms.ASK) is Terms.OPEN]


def _of_study(
    about: str,
    results: StudyResults,
    described: Described,
    system: UnitSystem,
    findings: tuple[Finding, ...],
    figures: tuple[Figure, ...],
    notes: Iterable[str],
    folds: int = 0,
) -> Pack:
    """A pack that rests on the units and runs of the study."""
    source_of = {unit.unit_id: unit.source for unit in results.units}
    counts = Counter(source_of[run.unit_id] for run in results.runs if run.unit_id in source_of)
    basis = Basis(
        about, results.rule_ratio.builds, results.rule_ratio.runs, len({unit.publisher for unit in results.units}),
        folds=folds, rules=len(results.rules),
    )  # fmt: skip
    sources = pack_sources(results.sources, described, counts)
    return _pack(
        basis, results, results.invented, results.made_on, system, findings, figures, sources, _run_records(results), notes
    )


def _pack(
    basis: Basis,
    results: StudyResults,
    invented: bool,
    made_on: str,
    system: UnitSystem,
    findings: tuple[Finding, ...],
    figures: tuple[Figure, ...],
    sources: tuple[PackSource, ...],
    records: tuple[Record, ...],
    notes: Iterable[str],
) -> Pack:
    told = tuple(dict.fromkeys(in_reader_units(clean_text(note, 600)).in_system(system.code) for note in notes))
    return Pack(
        basis.about, system.code, results.version, made_on, results.fingerprint, invented, results.subset, basis.builds, basis.runs,
        basis.publishers, findings, figures, sources, records, (short_method(basis, system), long_method(basis, system)), LIMITS, told,
    )  # fmt: skip


def _run_records(results: StudyResults) -> tuple[Record, ...]:
    """Boosted runs of sources whose terms are open, with the power of their baseline."""
    terms = _terms(results)
    units = {unit.unit_id: unit for unit in results.units if terms.get(unit.source, Terms.ASK) is Terms.OPEN}
    made = []
    for run in sorted(results.runs, key=lambda one: one.run_key):
        unit = units.get(run.unit_id)
        if unit is not None:
            share = run.gain_ratio / run.boost_ratio if run.boost_ratio else None
            made.append(
                Record(
                    clean_text(run.run_key, 300), unit.source, clean_text(unit.publisher), clean_text(unit.build), "boosted run",
                    unit.na_power_kw, run.power_kw, run.boost_kpa, run.gain_ratio, share,
                )
            )  # fmt: skip
    return tuple(made)


def _pair_records(pair: PairGain) -> tuple[Record, Record]:
    kind = clean_text(pair.kind.replace("_", " "))
    gain = None if pair.gain_pct.value is None else pair.gain_pct.value / 100.0
    name = (pair.source, clean_text(pair.publisher), clean_text(pair.build))
    return (
        Record(pair.before_run_key, *name, f"before: {kind}", None, pair.before_kw, pair.boost_before_kpa, None, None),
        Record(pair.after_run_key, *name, f"after: {kind}", pair.before_kw, pair.after_kw, pair.boost_after_kpa, gain, None),
    )
