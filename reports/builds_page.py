"""The page of builds: every build with its record, its runs against the rule and what was to be expected, its source and its flags."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from models.estimate import Estimate
from models.results import RunResult, StudyResults, UnitResult
from pipeline.build_panels import RecordedBuild, RecordedBuilds
from reports.build_links import build_anchor, source_anchor
from reports.build_rows import panel_json, share_words
from reports.labels import clean_text, safe_url
from reports.numbers import SYSTEMS, count_of, scales_json, write_count
from reports.page import page_links, render_page, script_json, write_page

#: Ends of the strip beside each name, as shares of the rule, and its width.
STRIP = (0.4, 1.6, 180)


def render_builds_page(results: StudyResults, builds: RecordedBuilds, beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study, for what it makes of each build.
    builds : the records as they stand in the store.
    beside : files of the pages written beside this one, to be linked.
    """
    units: dict[str, list[UnitResult]] = {}
    for unit in results.units:
        units.setdefault(unit.build_key, []).append(unit)
    groups = _groups(results, builds, units)
    in_study = sum(bool(units.get(one.build_key)) for one in builds.builds)
    return render_page(
        "builds.html",
        with_charts=False,
        pages=page_links("builds.html", beside),
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        headline=f"{count_of(len(builds.builds), 'build')}, one by one",
        standfirst=f"{write_count(in_study)} of them {'is' if in_study == 1 else 'are'} in the study; "
        "the others cannot be compared with a run without boost, or repeat a test printed elsewhere."
        + _say_setups(sum(len(units.get(one.build_key, ())) for one in builds.builds) - in_study),
        sampled=_say_sample(builds),
        groups=groups,
        strip=_strip_marks(),
        data=script_json(_page_data(results, groups, builds, units)),
    )


def write_builds_page(results: StudyResults, builds: RecordedBuilds, out: Path, beside: Iterable[str] = ()) -> Path:
    """Write the page of builds; returns where it stands."""
    return write_page(render_builds_page(results, builds, beside), out)


def _say_setups(more: int) -> str:
    """Why the study counts more builds than are listed: it takes a build apart where its fuel, cooling or compressor changed."""
    return (
        ""
        if more <= 0
        else f" The study counts {write_count(more)} more: a build whose setup changed stands there once for each setup."
    )


def _say_sample(builds: RecordedBuilds) -> str | None:
    if builds.step == 1:
        return None
    return (
        f"Shown here: one build in every {builds.step} in order of publisher and name, {count_of(len(builds.builds), 'build')} of "
        f"{count_of(builds.of_builds, 'build')}. The study rests on all of them."
    )


def _groups(results: StudyResults, builds: RecordedBuilds, units: dict[str, list[UnitResult]]) -> list[dict[str, Any]]:
    """Sources with their builds, both by name."""
    notes = {note.source: note for note in results.sources}
    by_source: dict[str, list[RecordedBuild]] = {}
    for one in builds.builds:
        by_source.setdefault(one.source, []).append(one)
    groups = []
    for source, own in by_source.items():
        note = notes.get(source)
        groups.append(
            {
                "anchor": source_anchor(source),
                "title": clean_text(note.title) if note else clean_text(source),
                "terms": ", ".join(
                    clean_text(text) for text in ((note.publisher, note.licence, note.published_on) if note else ()) if text
                ),
                "url": safe_url(note.url) if note else None,
                "folder": clean_text(source),
                "count": count_of(len(own), "build"),
                "builds": [_line(one, units.get(one.build_key, []), note.publisher if note else "") for one in own],
            }
        )
    return sorted(groups, key=lambda group: (str(group["title"]).casefold(), group["anchor"]))


def _line(build: RecordedBuild, units: list[UnitResult], usual: str) -> dict[str, Any]:
    """Name, publisher where it is not the source's usual one, share of the rule and its strip."""
    best = units[0].rule_ratio if units else None
    if best is None:
        said = "printed elsewhere too" if build.counted_as else "not in the study"
    else:
        said = share_words(best) + (f", and {len(units) - 1} more" if len(units) > 1 else "")
    return {
        "anchor": build_anchor(build.build_key),
        "name": clean_text(build.build),
        "publisher": "" if build.publisher == usual else clean_text(build.publisher),
        "said": said,
        "flags": len(build.flags),
        "strip": None if best is None else _strip(best),
    }


def _at(share: float) -> float:
    low, high, width = STRIP
    return round(min(max((share - low) / (high - low), 0.0), 1.0) * width, 1)


def _strip_marks() -> dict[str, float]:
    return {"width": STRIP[2], "rule": _at(1.0)}


def _strip(estimate: Estimate) -> dict[str, float] | None:
    if estimate.value is None:
        return None
    low, high = (estimate.value if end is None else end for end in (estimate.low, estimate.high))
    return {"low": _at(low), "best": _at(estimate.value), "high": _at(high)}


def _page_data(
    results: StudyResults, groups: list[dict[str, Any]], builds: RecordedBuilds, units: dict[str, list[UnitResult]]
) -> dict[str, Any]:
    """What the page's scripts read: the panels by anchor, and the range for a new build that each drawing shows."""
    runs: dict[str, list[RunResult]] = {}
    for run in results.runs:
        runs.setdefault(run.unit_id, []).append(run)
    physics = {one.unit_id: tuple(band for _, band in one.runs) for one in (results.physics.builds if results.physics else ())}
    new = results.new_build_rule_ratio
    return {
        "rows": {}, "charts": {code: {} for code in SYSTEMS}, "uses": {}, "scales": scales_json(), "columns": {}, "sources": {},
        "mostRows": 0, "invented": results.invented,
        "panels": {
            build_anchor(one.build_key): panel_json(one, units.get(one.build_key, []), runs, physics, results)
            for one in builds.builds
        },
        "expected": None if new.low is None or new.high is None else [new.low, new.high],
    }  # fmt: skip
