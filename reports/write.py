"""All pages of the report.

A page's module is imported where the page is written: the chart library alone takes a third of a second to import, and a process
that writes pages without charts needs none of it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from models.gain_records import GainsResults
from models.next_records import NextAnswers
from models.offset_records import OffsetModel
from models.prediction_records import PredictionResults
from models.results import StudyResults
from pipeline.build_panels import RecordedBuilds
from pipeline.data_records import DataSummary
from reports.stored_results import STORED_PAGE

#: Files of a report that has everything, in the order in which they are written.
ALL_PAGES = (
    "study.html", "parts.html", "engine.html", "data.html", "builds.html", "method.html", "index.html", "appendix.html", STORED_PAGE,
)  # fmt: skip

#: Those that draw no chart.
WITHOUT_CHARTS = frozenset({"engine.html", "builds.html", "method.html", STORED_PAGE})


def write_pages(
    results: StudyResults,
    summary: Mapping[str, int],
    out_folder: Path,
    data_summary: DataSummary | None = None,
    parts: tuple[GainsResults, OffsetModel] | None = None,
    prediction: PredictionResults | None = None,
    builds: RecordedBuilds | None = None,
    unknown: NextAnswers | None = None,
    only: Collection[str] | None = None,
) -> list[Path]:
    """Write every page into a folder (made if it is missing) and return the files.

    Parameters
    ----------
    results : the stored study.
    summary : counts of the ledger: files, rows_read, accepted, refused, repeated.
    out_folder : where the pages go.
    data_summary : what the page about the data shows; without it that page is not written.
    parts : answers on parts and the curves of offset boost; without them the page about parts is not written.
    prediction : the model of the estimate and its check; without it the page about one engine is not written.
    builds : every build as recorded; without it the page of builds is not written.
    unknown : what is not known yet; without it the study page has no such section.
    only : files to write, where the others of `ALL_PAGES` are written elsewhere; those are linked all the same.
    """
    given = {"data.html": data_summary, "parts.html": parts, "engine.html": prediction, "builds.html": builds}
    beside = [file for file in ALL_PAGES if only is not None or given.get(file, results) is not None]
    due = frozenset(beside if only is None else only)
    pages = []
    with _unchecked_charts(due):
        if "study.html" in due:
            from reports.study_page import write_study_page

            pages.append(write_study_page(results, out_folder / "study.html", summary, beside=beside, answers=unknown))
        if parts is not None and "parts.html" in due:
            from reports.parts_page import write_parts_page

            pages.append(write_parts_page(results, *parts, out_folder / "parts.html", beside=beside))
        if prediction is not None and "engine.html" in due:
            from reports.engine_page import write_engine_page

            pages.append(write_engine_page(results, prediction, out_folder / "engine.html", beside=beside))
        if data_summary is not None and "data.html" in due:
            from reports.data_page import write_data_page

            pages.append(write_data_page(data_summary, out_folder / "data.html", results.version, beside=beside))
        if builds is not None and "builds.html" in due:
            from reports.builds_page import write_builds_page

            pages.append(write_builds_page(results, builds, out_folder / "builds.html", beside=beside))
        if "method.html" in due:
            from reports.method_page import write_method_page

            pages.append(write_method_page(results, out_folder / "method.html", summary, prediction, beside=beside))
        if "index.html" in due:
            from reports.index_page import write_index_page

            pages.append(write_index_page(results, out_folder / "index.html", builds, beside=beside))
        if "appendix.html" in due:
            from reports.appendix_page import write_appendix_page

            pages.append(write_appendix_page(results, out_folder / "appendix.html", beside=beside))
        if STORED_PAGE in due:
            from reports.stored_page import write_stored_page

            gains, offset = parts or (None, None)
            more = {"gains": gains, "offset": offset, "prediction": prediction, "next": unknown}
            pages.append(write_stored_page(results, out_folder / STORED_PAGE, more, beside=beside))
    return pages


@contextmanager
def _unchecked_charts(due: frozenset[str]) -> Iterator[None]:
    """Charts put together without a check: altair would check every part of every chart again; the tests check each chart whole."""
    if due <= WITHOUT_CHARTS:
        yield
        return
    from altair.utils.schemapi import debug_mode

    with debug_mode(False):
        yield
