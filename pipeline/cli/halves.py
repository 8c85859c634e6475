"""The whole way from a store to pages in two halves, each in a process of its own; the store stays with the one that was started.

Answers and pages are those of :mod:`pipeline.cli.answers` and its fellows made in turn: the same functions get the same values.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

from pipeline.cli.common import progress_bar
from pipeline.cli.second import Second

#: Runs and points of curves above which one process does everything: they would be held twice.
MOST_ROWS = 200_000

#: Pages that the second process writes, which has imported what charts of a study need; this one writes the rest.
THEIRS = frozenset({"study.html", "method.html", "index.html", "appendix.html"})
#: Pages of this process that wait for what the second one answers.
LAST = frozenset({"stored.html"})


def import_ahead() -> None:
    """What a study and its pages need; it takes seconds, and this process has nothing else to do while files are read."""
    for name in ("models.study", "statsmodels.regression.mixed_linear_model", "models.next_test", "reports.write"):
        import_module(name)


def make_halves(store: Path, summary: dict[str, Any], out: Path, second: Second) -> tuple[Any, list[Path]] | None:
    """Study a store, keep every answer in it and write the pages; None where the store keeps a study of just these rows.

    Parameters
    ----------
    store : the store.
    summary : counts of the build, as on the pages.
    out : where the pages go.
    second : the other process; it never sees the store.

    Returns
    -------
    (StudyResults, pages) or None
    """
    from pipeline import store as store_module
    from pipeline.build_panels import read_builds_open
    from pipeline.cli.study_made import keep_study, make_study, study_mark, study_tables
    from pipeline.data_summary import summarise_open

    with store_module.reading(store) as con:
        mark = study_mark(con)
        kept = store_module.read_result(con, "study")
        if kept is not None and kept[0] == mark:
            return None
        tables, counts = study_tables(con)
        study = second.ask(make_study, tables, mark, counts)
        summarised, builds = summarise_open(con), read_builds_open(con)
    from models.prediction_check import answer_prediction
    from models.sample import choose_sample
    from models.study_records import is_invented

    with progress_bar("fitting"):
        sample = choose_sample(tables["run"], tables["build"])
        prediction = answer_prediction(sample, invented=is_invented(tables["source"], sample.units))
        import_module("reports.write")
        results = study()
    keep_study(store, results)
    theirs = second.ask(make_their_half, tables["source"], sample, results, summary, out, prediction, builds)
    from models.gain_answers import answer_gains
    from models.offset_curves import make_offset_model
    from reports.write import ALL_PAGES, write_pages

    parts = answer_gains(tables, results), make_offset_model(sample, results)
    mine = frozenset(ALL_PAGES) - THEIRS - LAST
    pages = write_pages(results, summary, out, summarised, parts, prediction, builds, only=mine)
    unknown, their_pages = theirs()
    _keep_answers(store, mark, *parts, prediction, unknown)
    pages += their_pages
    pages += write_pages(results, summary, out, None, parts, prediction, builds, unknown, only=LAST)
    return results, sorted(pages, key=lambda page: ALL_PAGES.index(page.name))


def make_their_half(
    sources: Any, sample: Any, results: Any, summary: dict[str, Any], out: Path, prediction: Any, builds: Any
) -> tuple[Any, list[Path]]:
    """What is not known yet, and the pages of the study: what runs in the second process."""
    from models.next_test import answer_next, ready_study
    from reports.write import write_pages

    unknown = answer_next(ready_study(sample, sources, results))
    return unknown, write_pages(results, summary, out, None, None, prediction, builds, unknown, only=THEIRS)


def _keep_answers(store: Path, mark: str, gains: Any, offset: Any, prediction: Any, unknown: Any) -> None:
    from models.gain_records import gains_to_json
    from models.next_records import next_to_json
    from models.offset_records import offset_model_to_json
    from models.prediction_records import prediction_to_json
    from pipeline import store as store_module

    with store_module.writing(store) as con:
        for name, content in (
            ("gains", gains_to_json(gains)), ("offset", offset_model_to_json(offset)),
            ("prediction", prediction_to_json(prediction)), ("next", next_to_json(unknown)),
        ):  # fmt: skip
            store_module.write_result(con, name, mark, content)
