"""Commands about the data: build, refused, dictionary."""

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
    plural,
    print_json,
    print_table,
    printable,
    progress_bar,
    raw_option,
    store_option,
    strict_option,
)

#: Sentences of one reason, and places of one sentence, that are shown before the rest is only counted.
MOST_SENTENCES = 6
MOST_PLACES = 3


def show_summary(summary: Any) -> None:
    """The build's counts as text, files with problems first."""
    rows = [
        [
            f"{r.source}/{r.file}",
            f"{r.rows_read:,}",
            f"{r.accepted:,}",
            f"{r.refused:,}",
            f"{r.repeated:,}",
            "withdrawn" if r.withdrawn else "",
        ]
        for r in summary.by_file
    ]
    total = [f"{summary.count(n):,}" for n in ("rows_read", "accepted", "refused", "repeated")]
    print_table([*rows, ["all files", *total, ""]], ["file", "rows read", "accepted", "refused", "repeated", ""], {1, 2, 3, 4})
    read, accepted, refused_rows, repeated = (summary.count(n) for n in ("rows_read", "accepted", "refused", "repeated"))
    click.echo(f"\n{read:,} rows read = {accepted:,} accepted + {refused_rows:,} refused + {repeated:,} repeated.")
    click.echo(
        f"{plural(summary.builds, 'build')}, {plural(summary.runs, 'run')}, {plural(summary.sweep_points, 'curve point')}, "
        f"{plural(summary.changes, 'before/after change')}; {plural(summary.flag_rows.height, 'flag')}."
    )
    for row in summary.problems:
        note(f"skipped {row.source}/{row.file}: {row.problem}")
    for text in summary.notes:
        note(text)


def exit_code(summary: Any, strict: bool) -> int:
    """0 done; 1 when nothing loaded, or under --strict when a row or file was refused."""
    nothing = bool(summary.problems) and summary.count("rows_read") == 0
    return int(nothing or (strict and (bool(summary.problems) or summary.count("refused") > 0)))


@click.command(short_help="Bring the store up to date with the raw folder.")
@raw_option
@store_option
@demo_option
@strict_option
@jobs_option
@cluster_option
@json_option
def build(raw: Path, store: Path, with_demo: bool, strict: bool, jobs: int | None, cluster: str | None, as_json: bool) -> None:
    """Read every file named by the sources under the raw folder into the store.

    Files that have not changed are not read again. A file that cannot be used is skipped whole and
    named; the others load.

    \b
    Examples:
      poundworth build
      poundworth build --raw my_tests --store my.duckdb --strict
      poundworth build --jobs 4
      poundworth build --cluster tcp://scheduler.example:8786

    The store and its answers are the same whoever reads. A worker takes a second to start, so that few or small files are
    read by this process alone.
    """
    from pipeline.memory import prepare_reading

    prepare_reading()
    from pipeline.build import build as build_store
    from pipeline.executors import open_readers

    with open_readers(jobs, cluster) as executor, progress_bar("reading") as progress:
        summary = build_store(raw, store, with_demo=with_demo, progress=progress, executor=executor)
    if as_json:
        print_json(summary.to_json())
    else:
        show_summary(summary)
        note("Nothing changed since the last build." if not summary.changed else f"{plural(summary.changed, 'file')} read anew.")
    sys.exit(exit_code(summary, strict))


@click.command(short_help="Rows that were refused, each with its reasons.")
@store_option
@click.option("--source", "source", metavar="NAME", help="Rows of one source only.")
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the rows with their reasons for a spreadsheet.",
)
@json_option
def refused(store: Path, source: str | None, csv_file: Path | None, as_json: bool) -> None:
    """Show refused rows grouped by reason, with what to do about each.

    The CSV file holds each original row beside its reasons; mend the cells and send it back with `poundworth add`. A text
    that a spreadsheet would take for a formula has an apostrophe in front.

    \b
    Examples:
      poundworth refused
      poundworth refused --source our_shop_spring_tests --csv to_mend.csv
      poundworth refused --json > refused.json
    """
    from pipeline.refused_rows import group_by_reason, refused_csv, refused_rows
    from pipeline.store import read_table

    rows = refused_rows(read_table(store, "refused"), source)
    if source is not None and not rows:
        _check_source(store, source)
    if csv_file is not None:
        write_output(csv_file, refused_csv(rows))
        note(f"{plural(len(rows), 'refused row')} written to {csv_file}.")
    if as_json:
        print_json([row.to_json() for row in rows])
        return
    for group in group_by_reason(rows):
        _show_group(group)
    click.echo(plural(len(rows), "row") + " refused; a row may have several reasons.")
    if rows and csv_file is None:
        note("`poundworth refused --csv FILE` writes the rows beside their reasons, to be mended and sent again.")


def _show_group(group: Any) -> None:
    click.echo(f"{group.code}: {plural(group.rows, 'row')}")
    click.echo(f"  {group.help}")
    for sentence, at in group.sentences[:MOST_SENTENCES]:
        more = f" and {len(at) - MOST_PLACES:,} more" if len(at) > MOST_PLACES else ""
        click.echo(printable(f"  - {', '.join(at[:MOST_PLACES])}{more}: {sentence}"))
    if len(group.sentences) > MOST_SENTENCES:
        click.echo(f"  - and {len(group.sentences) - MOST_SENTENCES:,} more of this kind")
    click.echo("")


def _check_source(store: Path, source: str) -> None:
    """Raise RequestProblem where the store has never seen a source."""
    from pipeline.errors import RequestProblem
    from pipeline.store import read_table

    known = read_table(store, "file_seen")["source"].unique().sort().to_list()
    if source not in known:
        raise RequestProblem(
            f"there is no source {source!r} in the store; it has {', '.join(known[:15]) or 'none'}; give --source one of them"
        )


def write_output(path: Path, data: bytes) -> None:
    """Write a file that was asked for; a place that cannot be written is one sentence."""
    from pipeline.errors import RequestProblem

    try:
        path.write_bytes(data)
    except OSError as error:
        raise RequestProblem(f"{path} cannot be written ({error.strerror}); give another file") from error


@click.command(short_help="Every field with its unit, range and meaning.")
@json_option
def dictionary(as_json: bool) -> None:
    """Print the dictionary of fields.

    \b
    A column whose header is a field's name with any known unit at the end (power_hp, boost_psi,
    ambient_inhg) needs no mapping.
    """
    from pipeline.fields import FIELDS

    fields = list(FIELDS.values())
    if as_json:
        print_json(
            [
                {
                    "name": f.name, "table": f.table, "kind": f.kind, "unit": f.unit, "meaning": f.meaning, "usual": f.usual,
                    "possible": f.possible, "codes": list(f.codes), "personal": f.personal, "required": f.required,
                }
                for f in fields
            ]
        )  # fmt: skip
        return
    rows = [
        [f.table, f.name, f.unit or "", _span(f), f.meaning + (f" One of: {', '.join(f.codes)}." if f.codes else "")]
        for f in fields
    ]
    print_table(rows, ["table", "field", "unit", "usual range", "meaning"])


def _span(field: Any) -> str:
    return "" if field.usual is None else f"{field.usual[0]:g} to {field.usual[1]:g}"
