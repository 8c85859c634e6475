"""Commands that hand something over: the contribution workbook, and the clean data as files."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.common import json_option, note, plural, print_json, print_table, progress_bar, store_option
from pipeline.errors import RequestProblem


@click.command(short_help="Write a workbook to fill in with results.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="hp, psi, lbf ft, F or kW, kPa, N m, C."
)
@click.option("--force", is_flag=True, help="Write over a file that is there, filled in or not.")
def template(file: Path, units: str, force: bool) -> None:
    """Write FILE.xlsx: a sheet for each kind of record, with drop-downs, notes and example rows.

    Fill in one sheet or several, then run `poundworth add FILE.xlsx`. Example rows are not read.

    \b
    Examples:
      poundworth template my_tests.xlsx
      poundworth template meine_messungen.xlsx --units si
    """
    if file.suffix.lower() != ".xlsx":
        raise RequestProblem(
            f"{file.name} does not end in .xlsx; the workbook is an XLSX file: give a name such as {file.stem}.xlsx"
        )
    if file.exists() and not force:
        raise RequestProblem(f"{file} is there already and may hold figures; give another name, or --force to write over it")
    from pipeline.template import make_template

    made = make_template("si" if units == "si" else "us")
    try:
        file.write_bytes(made)
    except OSError as error:
        raise RequestProblem(
            f"{file} cannot be written ({error.strerror}); give a name in a folder that is there and writable"
        ) from error
    click.echo(f"workbook: {file}")
    note(f"Fill in one sheet or several, then run: poundworth add {file.name}")


@click.command(short_help="Clean tables as Parquet and CSV, described and hashed.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@store_option
@click.option("--with-personal", is_flag=True, help="Keep fields that name a person (author, contributor).")
@json_option
def export(folder: Path, store: Path, with_personal: bool, as_json: bool) -> None:
    """Write the clean tables into DIR: Parquet, CSV, a Frictionless Data Package, dictionary, licences, citation, hashes.

    DIR is a new or empty folder, or one with an earlier export. The same store gives the same bytes.

    \b
    Examples:
      poundworth export my_export
      poundworth export my_export --store my.duckdb --json
    """
    from pipeline.export import write_export

    with progress_bar("writing") as progress:
        summary = write_export(store, folder, with_personal=with_personal, progress=progress)
    if as_json:
        print_json(summary.to_json())
        return
    for text in summary.notes:
        click.echo(text)
    rows = [[table, f"{count:,}"] for table, count in summary.rows().items()]
    print_table(rows, ["table", "rows"], {1})
    click.echo(f"\n{plural(len(summary.files), 'file')} in {folder}; version {summary.inputs.release}.")
