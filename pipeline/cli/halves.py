"""The whole way from a store to pages in two halves, each in a process of its own; the store stays with the one that was started.

Answers and pages are those of :mod:`pipeline.cli.answers` and its fellows made in turn: the same functions get the same values.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

from pipeline.cli.common import progress_bar
from pipeline.cli.second import Second, importing

#: Runs and points of curves above which one process does everything: they would be held twice.
MOST_ROWS = 200_000

#: Pages with charts, which the second process writes, so that this one never imports the chart library: those that need the study
#: alone, and those that wait for other answers.
THEIRS, THEIRS_LATER = frozenset({"data.html", "index.html", "appendix.html"}), frozenset({"study.html", "parts.html"})


def import_ahead() -> None:
    """What the second process needs; it takes seconds, and that process has nothing else to do while files are read."""
    names = (
        "models.study", "statsmodels.stats.outliers_influence", "statsmodels.regression.mixed_linear_model",
        "models.prediction_check", "sklearn.ensemble", "models.next_test", "scipy.stats.qmc", "reports.write", "reports.study_page", "reports.parts_page",
    )  # fmt: skip
    with importing():
        for name in names:
            import_module(name)
    from reports.page import prepare_pages

    prepare_pages(THEIRS | THEIRS_LATER)


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
    from models.sample import choose_sample
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
        sample = choose_sample(tables["run"], tables["build"])
        # at once: the other process has all that these need, which this one has yet to import for its own half
        asked_prediction = second.ask(answer_prediction, sample, tables["source"])
        begun = {"class_means": second.ask(answer_class_means, sample), "drivers": second.ask(answer_drivers, sample, tables)}
        summarised, builds = summarise_open(con), read_builds_open(con)

    with importing():
        from models.gain_answers import answer_gains
        from models.offset_curves import make_offset_model
        from reports.write import ALL_PAGES, write_pages

    with progress_bar("fitting"):
        results = make_study(tables, mark, counts, sample=sample, ask=second.ask, begun=begun)
        prediction = asked_prediction()
    asked_unknown = second.ask(answer_unknown, sample, tables["source"], results)
    asked_offset = second.ask(make_offset_model, sample, results)
    asked_pages = [second.ask(write_pages, results, summary, out, summarised, builds=builds, only=THEIRS)]
    keep_study(store, results)
    gains = answer_gains(tables, results)
    parts, unknown = (gains, asked_offset()), asked_unknown()
    asked_pages.append(second.ask(write_pages, results, summary, out, parts=parts, unknown=unknown, only=THEIRS_LATER))
    mine = frozenset(ALL_PAGES) - THEIRS - THEIRS_LATER
    pages = write_pages(results, summary, out, None, parts, prediction, builds, unknown, only=mine)
    _keep_answers(store, mark, *parts, prediction, unknown)
    pages += [page for asked in asked_pages for page in asked()]
    return results, sorted(pages, key=lambda page: ALL_PAGES.index(page.name))


def answer_prediction(sample: Any, sources: Any) -> Any:
    """The model of the estimate, and the check of it."""
    from models import prediction_check
    from models.study_records import is_invented

    return prediction_check.answer_prediction(sample, invented=is_invented(sources, sample.units))


def answer_class_means(sample: Any) -> Any:
    """The mean of each class, as the study states it."""
    from models import class_means
    from models.study import LEVEL

    return class_means.answer_class_means(sample, LEVEL)


def answer_drivers(sample: Any, tables: Any) -> Any:
    """What changes the rule ratio, as the study states it."""
    from models import drivers
    from models.study import LEVEL

    return drivers.answer_drivers(sample, tables=tables, level=LEVEL)


def answer_unknown(sample: Any, sources: Any, results: Any) -> Any:
    """What is not known yet, and which tests would tell."""
    from models.next_test import answer_next, ready_study

    return answer_next(ready_study(sample, sources, results))


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
