"""The command `withdraw`: a source leaves store, results and pages."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.common import demo_option, note, out_option, plural, printable, raw_option, store_option

#: Pages that this project writes; nothing else in the folder is touched.
PAGES = ("study.html", "data.html", "parts.html", "engine.html")


@click.command(short_help="Take a source out of store, results and pages; the ledger keeps why.")
@click.argument("source")
@click.option("--why", required=True, help="The reason; it stands in withdrawn.toml and in the ledger.")
@raw_option
@store_option
@out_option
@demo_option
def withdraw(source: str, why: str, raw: Path, store: Path, out: Path, with_demo: bool) -> None:
    """Withdraw SOURCE: its rows leave the store, kept results and the pages.

    The reason stands in withdrawn.toml in the raw folder, so that a store built anew leaves the source out as well. The
    source's own files stay where they are; deleting its folder is yours to do. Taking the entry out of withdrawn.toml brings the
    source back.

    \b
    Examples:
      poundworth withdraw our_shop_spring_tests --why "asked for by the publisher"
    """
    from datetime import date

    from pipeline import store as store_module
    from pipeline.build import build
    from pipeline.withdraw import forget, ledger_sources, write_withdrawal

    is_new = write_withdrawal(raw, source, why, date.today(), ledger_sources(store))
    summary = build(raw, store, with_demo=with_demo)
    forget(store)
    left = [r for r in summary.by_file if r.source == source]
    click.echo(f"{printable(source)} is withdrawn{'' if is_new else ' (it was before)'}: {printable(why)}")
    click.echo(
        f"{plural(len(left), 'file')} kept in the ledger with the reason; {plural(summary.runs, 'run')} of other sources in the store."
    )
    with store_module.reading(store) as con:
        remaining = bool(store_module.query_table(con, "run").height)
    _renew_pages(out, store, remaining)
    note(f"The files themselves are untouched: {raw / source}. Copies that `poundworth export` or readers made are not reached.")


def _renew_pages(out: Path, store: Path, has_runs: bool) -> None:
    """Pages that show withdrawn figures are written anew, or deleted where nothing is left to show."""
    from pipeline.cli.whole import report
    from pipeline.errors import PoundworthError

    pages = [out / name for name in PAGES if (out / name).is_file()]
    if not pages:
        return
    for page in pages:
        page.unlink()
    if has_runs:
        try:
            click.get_current_context().invoke(report, store=store, out=out, as_json=False)
            return
        except PoundworthError as error:
            note(str(error))
    note(f"{plural(len(pages), 'page')} in {out} deleted.")
