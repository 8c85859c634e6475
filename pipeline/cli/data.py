"""Commands about the data: build, refused, dictionary."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import (
    demo_option,
    json_option,
    note,
    plural,
    print_json,
    print_table,
    progress_bar,
    raw_option,
    store_option,
    strict_option,
)


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
        f"{plural(summary.changes, 'before/after change')}; {plural(len(summary.flags), 'flag')}."
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
@json_option
def build(raw: Path, store: Path, with_demo: bool, strict: bool, as_json: bool) -> None:
    """Read every file named by the sources under the raw folder into the store.

    Files that have not changed are not read again. A file that cannot be used is skipped whole and
    named; the others load.

    \b
    Examples:
      poundworth build
      poundworth build --raw my_tests --store my.duckdb --strict
    """
    from pipeline.build import build as build_store

    with progress_bar("reading") as progress:
        summary = build_store(raw, store, with_demo=with_demo, progress=progress)
    if as_json:
        print_json(summary.to_json())
    else:
        show_summary(summary)
        note("Nothing changed since the last build." if not summary.changed else f"{plural(summary.changed, 'file')} read anew.")
    sys.exit(exit_code(summary, strict))


@click.command(short_help="Rows that were refused, each with its reasons.")
@store_option
@json_option
def refused(store: Path, as_json: bool) -> None:
    """Show refused rows with every reason, the raw row and its line.

    \b
    Examples:
      poundworth refused
      poundworth refused --json > refused.json
    """
    from pipeline.checks import sentence_of
    from pipeline.store import read_table

    rows = read_table(store, "refused").to_dicts()
    told = [
        {
            "source": r["source"], "file": r["file"], "line": r["line"], "row": json.loads(r["row"]),
            "reasons": [{**reason, "sentence": sentence_of(reason["code"], reason["column"], reason["value"])} for reason in r["reasons"]],
        }
        for r in rows
    ]  # fmt: skip
    if as_json:
        print_json(told)
        return
    for row in told:
        click.echo(f"{row['source']}/{row['file']} line {row['line']}")
        for reason in row["reasons"]:
            click.echo(f"  {reason['code']}: {reason['sentence']}")
    click.echo(plural(len(told), "row") + " refused.")


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
