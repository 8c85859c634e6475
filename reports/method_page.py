"""The page about the method: how the study is made, in plain words, with every number from the stored results."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from models.driver_records import PhysicsAssumption
from models.estimate import Estimate
from models.prediction_records import PredictionResults
from models.results import StudyResults
from reports.engine_sentences import say_honest, say_short
from reports.engine_tables import table_of_coverage
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, count_of, in_both, scales_json, show_estimate
from reports.page import page_links, render_page, script_json, write_page
from reports.quantities_in_text import in_reader_units
from reports.sentences import say_basis, say_estimate, say_flow, say_headline, say_next_engine, say_sensitivity
from reports.sentences_doubt import say_kinds, say_withheld
from reports.tables import Table

#: Word -> meaning. Words that the pages use and a reader may not know.
GLOSSARY: tuple[tuple[str, str], ...] = (
    ("Boost", "Pressure in the intake manifold above that of the surrounding air (gauge pressure)."),
    ("Baseline", "The run of the same engine without boost, which its boosted runs are compared with."),
    ("Output without boost", "What the engine makes naturally aspirated, at its power peak."),
    ("The rule", "Each unit of boost adds the output without boost, divided by one atmosphere."),
    ("Share of the rule", "What a build gained, divided by what the rule says it should have gained; 100 % is exactly the rule."),
    ("Build", "One engine in one state of tune, as one publisher tested it."),
    ("Publisher", "Whoever printed the result. Results of one publisher share a dyno and habits and are not counted as independent."),
    ("95 % interval", "A range made by a recipe that would hold the true average in 95 of 100 studies like this one."),
    ("Range for a new build", "Where one engine that nobody has tested may land; wide, because builds differ."),
    ("Spread between builds", "How much builds truly differ, once the error of measurement is taken off."),
    ("Drawn to its peers", "A build\u2019s own share, pulled towards that of builds like it; the more, the less its own runs say."),
    ("False discovery rate", "Of the builds on a list of departures, the share that stands there by chance."),
    ("Correction factor", "What a standard multiplies a reading by, to bring it to standard air."),
    ("Charge cooling", "An intercooler, or cold liquid, that takes heat from the compressed air before the engine."),
    ("Sweep", "One pull on the dyno from low revs to high, as a curve of power over speed."),
    ("Flag", "A remark on a record that was kept: something in it was assumed or looks odd."),
    ("Offset boost", "The boost at which the engine without a part would make the power it makes with it. Arithmetic, not permission."),
)  # fmt: skip


def render_method_page(
    results: StudyResults,
    summary: Mapping[str, int] | None = None,
    prediction: PredictionResults | None = None,
    beside: Iterable[str] = (),
) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study.
    summary : counts of the ledger; without them the count of rows is left out.
    prediction : the estimate's check on engines that it had not seen; without it coverage is said not to be measured.
    beside : files of the pages written beside this one, to be linked.
    """
    check = None if prediction is None else prediction.check
    return render_page(
        "method.html",
        with_charts=False,
        pages=page_links("method.html", beside),
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        headline=say_headline(results),
        next_engine=say_next_engine(results),
        basis=say_basis(results),
        flow=None if summary is None else say_flow(results, summary),
        steps=_steps(results),
        curvature=say_estimate("Bend of the gain with boost (0 is straight)", results.curvature),
        spread=say_estimate("One standard deviation between builds", results.between_builds_sd, share=True),
        sensitivity=say_sensitivity(results),
        choices=count_of(len(results.sensitivity), "other way", "other ways"),
        withheld=say_withheld(results),
        kinds=say_kinds(results),
        honest=None if check is None else say_honest(check),
        short=None if check is None else say_short(check),
        coverage=None if check is None else table_of_coverage(check),
        folds=None if check is None else count_of(check.folds, "part"),
        why_no_check=_why_no_check(prediction),
        assumptions=_assumptions(results),
        glossary=sorted(((word, in_reader_units(text)) for word, text in GLOSSARY), key=lambda item: item[0].casefold()),
        cite=_cite(results),
        licences=_licences(results),
        notes=[in_reader_units(clean_text(note, 600)) for note in results.notes],
        data=script_json(_page_data(results)),
    )


def write_method_page(
    results: StudyResults,
    out: Path,
    summary: Mapping[str, int] | None = None,
    prediction: PredictionResults | None = None,
    beside: Iterable[str] = (),
) -> Path:
    """Write the page about the method; returns where it stands."""
    return write_page(render_method_page(results, summary, prediction, beside), out)


def _steps(results: StudyResults) -> list[tuple[str, str]]:
    """The flow of records: what was counted, and why others stayed behind."""
    return [(clean_text(f"{step.step[:1].upper()}{step.step[1:]}", 120), f"{step.count}") for step in results.flow]


def _why_no_check(prediction: PredictionResults | None) -> str:
    why = None if prediction is None else prediction.why
    return clean_text(why or "it was not asked for", 400).rstrip(".")


def _assumptions(results: StudyResults) -> Table | None:
    """What the model of charge heating takes from outside the records."""
    lines = () if results.physics is None else results.physics.assumptions
    if not lines:
        return None
    rows = tuple((clean_text(one.name, 120).capitalize(), _span(one), clean_text(one.source, 400)) for one in lines)
    return Table(("Assumed", "Range", "From"), rows)


def _span(one: PhysicsAssumption) -> InBothUnits:
    """Ends of a range, in the reader's units."""
    estimate = Estimate(None, one.low, one.high, 1.0, "\u00b0C" if one.unit == "C" else one.unit, 0, 0)

    def write(system: UnitSystem) -> str:
        shown = show_estimate(estimate, system)
        return shown.range if one.low != one.high else f"{shown.low}\u202f{shown.unit}".strip()

    return in_both(write)


def _cite(results: StudyResults) -> str:
    return (
        f"Poundworth contributors: Poundworth, the study of what a pound of boost is worth. Version {results.version}, "
        f"study of {results.made_on}, records {results.fingerprint}."
    )


def _licences(results: StudyResults) -> list[str]:
    """Licences of the sources, with how many carry each."""
    counts: dict[str, int] = {}
    for note in results.sources:
        words = clean_text(note.licence) or "licence not stated"
        counts[words] = counts.get(words, 0) + 1
    return [
        f"{name} ({count_of(count, 'source')})" for name, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    ]


def _page_data(results: StudyResults) -> dict[str, object]:
    return {
        "rows": {}, "charts": {code: {} for code in SYSTEMS}, "uses": {}, "scales": scales_json(), "columns": {}, "sources": {},
        "mostRows": 0, "invented": results.invented,
    }  # fmt: skip
