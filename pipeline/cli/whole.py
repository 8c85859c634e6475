"""The whole way in one command, and the pages alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import (
    cluster_option,
    demo_option,
    jobs_option,
    json_option,
    note,
    out_option,
    print_json,
    progress_bar,
    raw_option,
    store_option,
    strict_option,
)


@click.command(short_help="Build, study and report: the whole way.")
@raw_option
@store_option
@out_option
@demo_option
@strict_option
@jobs_option
@cluster_option
@json_option
def run(
    raw: Path, store: Path, out: Path, with_demo: bool, strict: bool, jobs: int | None, cluster: str | None, as_json: bool
) -> None:
    """Read the raw folder, fit the study, write the pages.

    \b
    Examples:
      poundworth run
      poundworth run --raw my_tests --store my.duckdb --out my_pages
    """
    from pipeline.cli.halves import import_ahead
    from pipeline.cli.second import collect_seldom, open_second
    from pipeline.memory import prepare_reading

    prepare_reading()
    collect_seldom()
    with open_second(import_ahead, already="models.study") as second:
        _run(raw, store, out, second, with_demo=with_demo, strict=strict, jobs=jobs, cluster=cluster, as_json=as_json)


def _run(
    raw: Path,
    store: Path,
    out: Path,
    second: Any,
    *,
    with_demo: bool,
    strict: bool,
    jobs: int | None,
    cluster: str | None,
    as_json: bool,
) -> None:
    from pipeline.cli.second import importing

    with importing():
        from pipeline.build import build
        from pipeline.cli.answers import show_study, study_json
        from pipeline.cli.data import exit_code, show_summary
        from pipeline.executors import open_readers

    with open_readers(jobs, cluster) as executor, progress_bar("reading") as progress:
        summary = build(raw, store, with_demo=with_demo, progress=progress, executor=executor)
    if not as_json:
        show_summary(summary)
        click.echo("")
    if summary.runs == 0:
        page = _write_data_alone(store, out)
        note(
            "No run was accepted, so there is nothing to study; see the reasons above, `poundworth refused` "
            f"and the page about the data: {page}"
        )
        sys.exit(1)
    results, pages = _study_and_write(store, summary, out, second)
    if as_json:
        print_json({"build": summary.to_json(), "study": study_json(results), "pages": [str(p) for p in pages]})
    else:
        show_study(results)
        click.echo("")
        for page in pages:
            click.echo(f"page: {page}")
    sys.exit(exit_code(summary, strict))


def _study_and_write(store: Path, summary: Any, out: Path, second: Any) -> tuple[Any, list[Path]]:
    """The study and its pages: made with the second process where they are to be made and are not too large to be held twice."""
    from pipeline.cli.answers import study_of
    from pipeline.cli.halves import MOST_ROWS, make_halves

    if summary.runs + summary.sweep_points <= MOST_ROWS:
        made = make_halves(store, summary.to_json(), out, second)
        if made is not None:
            return made
    second.close()  # it would only import what nobody is going to ask of it
    results, _ = study_of(store)
    return results, _write(results, summary.to_json(), store, out)


@click.command(short_help="Write the pages from the stored study.")
@store_option
@out_option
@json_option
def report(store: Path, out: Path, as_json: bool) -> None:
    """Write the pages; the study is fitted first where the data changed.

    \b
    Examples:
      poundworth report
      poundworth report --store my.duckdb --out my_pages
    """
    from pipeline import store as store_module
    from pipeline.cli.answers import study_of

    results, _ = study_of(store)
    with store_module.reading(store) as con:
        ledger = store_module.read_ledger(con).values()
    counts: dict[str, Any] = {n: sum(getattr(r, n) for r in ledger) for n in ("rows_read", "accepted", "refused", "repeated")}
    pages = _write(results, {"files": len(ledger), **counts}, store, out)
    if as_json:
        print_json({"pages": [str(p) for p in pages]})
        return
    for page in pages:
        click.echo(f"page: {page}")


def _write(results: Any, summary: dict[str, Any], store: Path, out: Path) -> list[Path]:
    from pipeline.build_panels import read_builds
    from pipeline.cli.estimate import prediction_of
    from pipeline.cli.gains import gains_of
    from pipeline.cli.next_test import next_answers_of
    from pipeline.cli.offset import offset_model_of
    from pipeline.data_summary import summarise
    from reports.write import write_pages

    parts = gains_of(store, results), offset_model_of(store, results)
    prediction, unknown = prediction_of(store, results), next_answers_of(store, results)
    return write_pages(results, summary, out, summarise(store), parts, prediction, read_builds(store), unknown)


def _write_data_alone(store: Path, out: Path) -> Path:
    """The page about the data where there is no study: a contributor sees there why nothing came in."""
    from pipeline.cli.study_made import installed_version
    from pipeline.data_summary import summarise
    from reports.data_page import write_data_page

    return write_data_page(summarise(store), out / "data.html", installed_version())
