"""The engine page: what to expect of one engine, from builds like it, and how far to trust that."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from models.offset_cautions import BOOST_CAUTIONS, COMPRESSOR_CAUTION
from models.prediction_records import PredictionResults
from models.results import StudyResults
from reports.engine_calculator import choices_of, engine_json, example_of
from reports.engine_sentences import say_comparison, say_engine_basis, say_honest, say_short
from reports.engine_tables import table_of_classes, table_of_coverage, table_of_methods
from reports.labels import clean_text
from reports.numbers import SYSTEMS, count_of, scales_json, write_count
from reports.page import page_links, render_page, script_json, write_page
from reports.quantities_in_text import in_reader_units


def render_engine_page(results: StudyResults, prediction: PredictionResults, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study, for its stamp and its sources.
    prediction : the stored model and its check; without a model the page says why there is none.
    beside : files of the pages written beside this one, to be linked.
    """
    model, check = prediction.model, prediction.check
    engine = None if model is None else engine_json(model, results.sources)
    return render_page(
        "engine.html",
        with_charts=False,
        pages=page_links("engine.html", beside),
        invented=results.invented or (model is not None and model.invented),
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        cautions_first=[text for text in BOOST_CAUTIONS if "Offset boost" not in text],
        compressor_caution=COMPRESSOR_CAUTION,
        why_none=clean_text(prediction.why or "there is no fit.", 400),
        model=model,
        basis=None if model is None else say_engine_basis(model),
        left_out=None if model is None or not model.builds_left_out else write_count(model.builds_left_out),
        neighbours=0 if engine is None else min(engine["neighbours"], len(engine["model"]["known_builds"])),
        choices={} if model is None else choices_of(model),
        start={} if model is None else example_of(model),
        classes=None if model is None else table_of_classes(model),
        honest=None if check is None else say_honest(check),
        short=None if check is None else say_short(check),
        comparison=None if check is None else say_comparison(check),
        folds=None if check is None else count_of(check.folds, "part"),
        coverage=None if check is None else table_of_coverage(check),
        methods=None if check is None else table_of_methods(check),
        notes=[in_reader_units(clean_text(note, 600)) for note in _notes(prediction)],
        data=script_json(_page_data(results, engine)),
    )


def write_engine_page(results: StudyResults, prediction: PredictionResults, out: Path, beside: Iterable[str] = ()) -> Path:
    """Write the engine page; returns where it stands."""
    return write_page(render_engine_page(results, prediction, beside), out)


def _notes(prediction: PredictionResults) -> list[str]:
    """Why a range is missing, and how the check was made."""
    model, check = prediction.model, prediction.check
    return [
        *([model.why] if model is not None and model.why else []),
        *(model.notes if model is not None else ()),
        *(check.notes if check is not None else ()),
    ]


def _page_data(results: StudyResults, engine: dict[str, Any] | None) -> dict[str, Any]:
    """What the page's scripts read: no chart of the shared kind, the model of the page's own."""
    return {
        "rows": {}, "charts": {code: {} for code in SYSTEMS}, "uses": {}, "scales": scales_json(), "columns": {}, "sources": {},
        "mostRows": 0, "invented": results.invented, "engine": engine,
    }  # fmt: skip
