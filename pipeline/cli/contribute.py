"""Commands for contributors: add (recognition only, so far)."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from pipeline.cli.common import json_option, note, print_json, print_table


@click.command(short_help="Show what a contributed file would be read as.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--dry-run", is_flag=True, help="Show only; write nothing.")
@click.option("--sheet", help="Sheet of a workbook.")
@json_option
def add(file: Path, dry_run: bool, sheet: str | None, as_json: bool) -> None:
    """Show how each column of FILE would be read: field, unit, three samples, doubt.

    \b
    Examples:
      poundworth add results.csv --dry-run
      poundworth add book.xlsx --sheet "Turbo tests" --dry-run --json
    """
    from pipeline.recognition import recognise_file
    from pipeline.sources import FileEntry

    if not dry_run:
        raise click.UsageError(
            "only --dry-run is available: write source.toml by hand from what it shows, then run `poundworth build`"
        )
    columns, kind = recognise_file(file, FileEntry(name=file.name, sheet=sheet))
    if as_json:
        print_json([c.to_json() for c in columns])
        return
    rows = [
        [
            c.header,
            f"{c.role + ' ' if c.role else ''}{c.field or '(not recognised)'}",
            c.unit or "",
            " | ".join(c.samples)[:60],
            c.doubt or "",
        ]
        for c in columns
    ]
    print_table(rows, ["header", "read as", "unit", "samples", "doubt"])
    click.echo(f"\nRecord kind: {kind}.")
    for column in columns:
        if column.field is None and column.suggestions:
            note(
                f'{column.header!r} is not recognised; if it is {column.suggestions[0]}, add to source.toml: headers = {{ "{column.header}" = "{column.suggestions[0]}" }}'
            )
    sys.exit(0)
