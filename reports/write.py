"""All pages of the report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from models.gain_records import GainsResults
from models.offset_records import OffsetModel
from models.results import StudyResults
from pipeline.data_records import DataSummary
from reports.appendix_page import write_appendix_page
from reports.data_page import write_data_page
from reports.parts_page import write_parts_page
from reports.study_page import write_study_page


def write_pages(
    results: StudyResults,
    summary: Mapping[str, int],
    out_folder: Path,
    data_summary: DataSummary | None = None,
    parts: tuple[GainsResults, OffsetModel] | None = None,
) -> list[Path]:
    """Write every page into a folder (made if it is missing) and return the files.

    Parameters
    ----------
    results : the stored study.
    summary : counts of the ledger: files, rows_read, accepted, refused, repeated.
    out_folder : where the pages go.
    data_summary : what the page about the data shows; without it that page is not written.
    parts : answers on parts and the curves of offset boost; without them the page about parts is not written.
    """
    beside = ["study.html", "appendix.html", *(["data.html"] if data_summary else []), *(["parts.html"] if parts else [])]
    pages = [write_study_page(results, out_folder / "study.html", summary, beside=beside)]
    if parts is not None:
        pages.append(write_parts_page(results, *parts, out_folder / "parts.html", beside=beside))
    if data_summary is not None:
        pages.append(write_data_page(data_summary, out_folder / "data.html", results.version, beside=beside))
    pages.append(write_appendix_page(results, out_folder / "appendix.html", beside=beside))
    return pages
