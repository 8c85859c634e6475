"""The page of stored results: where every figure of the other pages leads, and from where the records behind it are reached."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from models.results import StudyResults
from reports.numbers import SYSTEMS, count_of, scales_json
from reports.page import page_links, render_page, script_json, write_page
from reports.stored_results import STORED_PAGE, stored_groups


def render_stored_page(results: StudyResults, more: Mapping[str, Any] | None = None, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study.
    more : further stored results by name (gains, offset, prediction, next).
    beside : files of the pages written beside this one, to be linked.
    """
    groups = stored_groups(results, more)
    figures = count_of(sum(len(group.rows) for group in groups), "stored figure")
    return render_page(
        STORED_PAGE,
        pages=page_links(STORED_PAGE, beside),
        with_charts=False,
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        figures=figures,
        groups=groups,
        data=script_json({
            "rows": {}, "charts": {code: {} for code in SYSTEMS}, "uses": {}, "scales": scales_json(), "columns": {}, "sources": {},
            "mostRows": 0, "invented": results.invented,
        }),
    )  # fmt: skip


def write_stored_page(
    results: StudyResults, out: Path, more: Mapping[str, Any] | None = None, beside: Iterable[str] = ()
) -> Path:
    """Write the page of stored results; returns where it stands."""
    return write_page(render_stored_page(results, more, beside), out)
