"""All pages of the report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from models.results import StudyResults
from reports.study_page import write_study_page


def write_pages(results: StudyResults, summary: Mapping[str, int], out_folder: Path) -> list[Path]:
    """Write every page into a folder (made if it is missing) and return the files.

    Parameters
    ----------
    results : the stored study.
    summary : counts of the ledger: files, rows_read, accepted, refused, repeated.
    out_folder : where the pages go.
    """
    return [write_study_page(results, out_folder / "study.html", summary)]
