"""Options and small helpers that the commands share."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from pipeline.paths import OUTPUT_FOLDER, RAW_FOLDER, STORE_FILE

raw_option = click.option(
    "--raw",
    type=click.Path(path_type=Path, file_okay=False),
    default=RAW_FOLDER,
    show_default=True,
    help="Folder with one sub-folder a source.",
)
store_option = click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    default=STORE_FILE,
    show_default=True,
    help="The store, a DuckDB file.",
)
out_option = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=OUTPUT_FOLDER,
    show_default=True,
    help="Folder for the pages.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for scripts instead of text.")
demo_option = click.option("--with-demo", is_flag=True, help="Keep the invented demo data although real sources are there.")
strict_option = click.option("--strict", is_flag=True, help="Exit 1 when any row or file was refused.")
jobs_option = click.option(
    "--jobs", type=click.IntRange(1, 256), metavar="N",
    help="Read files in N processes of this machine (1: in this one); by default this one reads, and where more than a few MB changed one "
    "more for each further processor.",
)  # fmt: skip
cluster_option = click.option(
    "--cluster", metavar="tcp://HOST:PORT", help="Read files on a Dask cluster (its workers see the same folders)."
)


def print_json(content: Any) -> None:
    """JSON on stdout; dates as ISO text; no NaN."""
    click.echo(json.dumps(content, ensure_ascii=False, indent=2, allow_nan=False, default=str))


def note(text: str) -> None:
    """A line on stderr."""
    click.echo(text, err=True)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int, str], None] | None]:
    """A progress bar on stderr, only where that is a terminal; None elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[item]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None, item="")

        def step(done: int, total: int, item: str) -> None:
            bar.update(task, completed=done, total=total, item=item)

        yield step


def plural(count: int, one: str, many: str | None = None) -> str:
    """`1 row`, `1,204 rows`."""
    return f"{count:,} {one if count == 1 else (many or one + 's')}"


def print_table(rows: list[list[str]], heads: list[str], right: set[int] | None = None) -> None:
    """A plain table on stdout; control characters in contributed text are shown as escapes."""
    clean = [[printable(c) for c in row] for row in rows]
    widths = [max(len(r[i]) for r in [heads, *clean]) for i in range(len(heads))]
    for row in [heads, ["-" * w for w in widths], *clean]:
        cells = [c.rjust(w) if right and i in right else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        click.echo("  ".join(cells).rstrip())


def printable(text: str) -> str:
    """No escape sequence of a contributed text reaches the terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def terminal_width() -> int:
    """Columns that text may take: those of the terminal, 110 at most."""
    import shutil

    return min(shutil.get_terminal_size((100, 24)).columns, 110)


def paragraph(text: str, indent: str = "", units: str = "us") -> None:
    """A sentence in the reader's units, wrapped; control characters of contributed text shown as escapes."""
    from reports.quantities_in_text import in_reader_units

    shown = printable(getattr(in_reader_units(text), units))
    click.echo(click.wrap_text(shown, width=terminal_width(), initial_indent=indent, subsequent_indent=indent))
