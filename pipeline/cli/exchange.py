"""Commands that hand something over: the contribution workbook, and the clean data as files."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.common import json_option, note, plural, print_json, print_table, printable, progress_bar, store_option
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
@click.option(
    "--with-personal",
    is_flag=True,
    help="Keep fields that name a person (author, contributor), and in store/ what the ledger says of withdrawn files.",
)
@json_option
def export(folder: Path, store: Path, with_personal: bool, as_json: bool) -> None:
    """Write the clean tables into DIR: Parquet, CSV, a Frictionless Data Package, dictionary, licences, citation, hashes.

    DIR is a new or empty folder, or one with an earlier export. The same store gives the same bytes. `poundworth restore DIR` makes a
    store with the same content again; the content hash printed at the end is the same there.

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
    click.echo(f"content hash {summary.inputs.content_hash}")


@click.command(short_help="A store made again from an export, with the same content.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@store_option
@click.option("--replace", is_flag=True, help="Put it in the place of a store that is there.")
@json_option
def restore(folder: Path, store: Path, replace: bool, as_json: bool) -> None:
    """Make a store from DIR, a folder that `poundworth export` wrote; study, report and data pages then work as before.

    Every file is compared with its hash, every row passes the rules of cleaning again, and the store is put in its place only when
    the content hash of each table is the one exported. Nothing is changed otherwise.

    A later build over the same raw files, with the same version of this project, reads none of them again; with another version it
    reads all of them anew. A build over other raw files makes the store follow those: restored rows of a file that the raw folder
    does not name, or that is withdrawn there, leave the store. To keep them, give that build another --store file.

    An export without --with-personal names nobody, and neither does its store; authors and contributors come back with the next
    build over their source.toml, cells of refused rows and unrecognised columns when their file is read anew.

    \b
    Examples:
      poundworth restore my_export
      poundworth restore my_export --store restored.duckdb
      poundworth restore my_export --replace --json
    """
    from pipeline.restore import restore as restore_store

    with progress_bar("restoring") as progress:
        summary = restore_store(folder, store, replace=replace, progress=progress)
    if as_json:
        print_json(summary.to_json())
        return
    print_table([[table, f"{count:,}"] for table, count in summary.rows.items()], ["table", "rows"], {1})
    click.echo(f"\nstore: {store}; version {printable(summary.version)}.")
    click.echo(f"content hash {summary.content_hash}")
    note("A build takes out what its raw folder does not hold: `poundworth restore --help`.")
