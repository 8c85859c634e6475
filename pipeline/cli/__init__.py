"""The command `poundworth`: groups of commands, imported only when one is run.

Nothing heavy is imported here or at the head of any module of this package, so that help is quick.
"""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any

import click

from pipeline.errors import PoundworthError

#: Command -> (module:function, one line of help). Listing commands imports none of them.
COMMANDS: dict[str, tuple[str, str]] = {
    "run": ("pipeline.cli.whole:run", "Build, study and report: the whole way."),
    "build": ("pipeline.cli.data:build", "Bring the store up to date with the raw folder."),
    "refused": ("pipeline.cli.data:refused", "Rows that were refused, each with its reasons."),
    "add": ("pipeline.cli.contribute:add", "Start a source from a file: how it is read, what is asked, what is in."),
    "withdraw": ("pipeline.cli.withdrawal:withdraw", "Take a source out of store, results and pages; the ledger keeps why."),
    "compare": ("pipeline.cli.compare:compare", "A private session against the study; nothing is stored."),
    "study": ("pipeline.cli.answers:study", "What a pound of boost is worth: fit and show."),
    "rules": ("pipeline.cli.answers:rules", "Verdicts on rules of thumb."),
    "gains": ("pipeline.cli.gains:gains", "What changed parts are worth, and whether a gain is real."),
    "offset": ("pipeline.cli.offset:offset", "How much boost gives the same power as a part."),
    "choose": ("pipeline.cli.offset:choose", "Ways to a target power: boost, parts, or both."),
    "estimate": ("pipeline.cli.estimate:estimate", "What to expect of one engine at a boost."),
    "claim": ("pipeline.cli.claim:claim", "How a claim sits against rule, physics and records."),
    "next": ("pipeline.cli.next_test:next_test", "Which test to run next, and what it would tell."),
    "report": ("pipeline.cli.whole:report", "Write the pages from the stored study."),
    "pack": ("pipeline.cli.pack:pack", "Findings, figures and sources for an article, ready to print."),
    "template": ("pipeline.cli.exchange:template", "Write a workbook to fill in with results."),
    "export": ("pipeline.cli.exchange:export", "Clean tables as Parquet and CSV, described and hashed."),
    "restore": ("pipeline.cli.exchange:restore", "A store made again from an export, with the same content."),
    "dictionary": ("pipeline.cli.data:dictionary", "Every field with its unit, range and meaning."),
}

EPILOG = """\b
First steps:
  poundworth run                          everything on the data under data_raw
  poundworth study                        the answer with its range
  poundworth refused                      what was refused, and why
  poundworth add FILE.csv                 bring a file of yours in (--dry-run only shows)

More boost raises cylinder pressure and heat. Figures describe what others measured; they are no tune, no limit and no promise."""


class LazyGroup(click.Group):
    """A group whose commands are imported when asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module, function = COMMANDS[cmd_name][0].split(":")
        command: click.Command = getattr(importlib.import_module(module), function)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Print the table without importing any command."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.command(cls=LazyGroup, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="poundworth", prog_name="poundworth")
def cli() -> None:
    """What one psi of boost is worth, from many published dyno results, with honest intervals."""


def main(args: list[str] | None = None) -> Any:
    """Run the command line; a named error becomes one line and exit code 1."""
    # products here are small: the algebra library's threads would only wait for one another, a tenth of a whole run
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        return cli.main(args=args, prog_name="poundworth", standalone_mode=True)
    except PoundworthError as error:
        click.echo(f"poundworth: {error}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
