"""Options that say what a file cannot say about how it is to be read, shared by `add` and `compare`."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from pipeline.contribution import Wishes

#: Keys of source.toml that options state; --medium and the rest are asked for by no prompt.
DESCRIBED = ("title", "publisher", "licence", "medium", "url", "author", "contributor", "citation", "published_on")
READING = ("kind", "delimiter", "encoding", "decimal_mark", "header_line")

_CONDITIONS = (
    click.option("--correction", help="Standard of the power figures, in any usual words; or unknown."),
    click.option("--measured-at", "measured_at", help="crank, hub or wheel, in any usual words; or unknown."),
)
_READING = (
    click.option("--set", "set", multiple=True, metavar="HEADER=FIELD", help="Read a column as a field with its unit; HEADER= sets it aside."),
    click.option("--constant", multiple=True, metavar="FIELD=VALUE", help="A value for all rows, such as induction=turbocharger."),
    click.option("--build-from", "build_from", multiple=True, metavar="HEADER", help="A column that names the build together with others; repeated."),
    click.option("--kind", type=click.Choice(["runs", "levels", "sweep", "changes", "pairs"]), help="Record kind."),
    click.option("--sheet", multiple=True, help="Sheet of a workbook; may be repeated."),
    click.option("--decimal-mark", "decimal_mark", type=click.Choice([".", ","]), help="Decimal mark of the figures."),
    click.option("--delimiter", help="Delimiter of a text file."),
    click.option("--encoding", help="Encoding of a text file."),
    click.option("--header-line", "header_line", type=click.IntRange(min=1), help="Line that holds the headers."),
)  # fmt: skip

Command = Callable[..., Any]


def _applied(command: Command, options: tuple[Callable[[Command], Command], ...]) -> Command:
    for option in reversed(options):
        command = option(command)
    return command


def condition_options(command: Command) -> Command:
    """--correction and --measured-at."""
    return _applied(command, _CONDITIONS)


def reading_options(command: Command) -> Command:
    """--set, --constant, --build-from, --kind, --sheet and how a text file is written."""
    return _applied(command, _READING)


def name_pairs(values: tuple[str, ...], option: str, last: bool) -> dict[str, str]:
    """`a=b` options as a dictionary; a header may itself hold an equals sign, a field never does."""
    found = {}
    for value in values:
        if "=" not in value:
            raise click.UsageError(f"{option} {value!r} has no equals sign; write {option} NAME=VALUE")
        name, _, target = value.rpartition("=") if last else value.partition("=")
        found[name if last else name.strip()] = target.strip()
    return found


def typed_constant(text: str) -> Any:
    """A constant as TOML would hold it: flag, number, or text. `007` stays text, and so does `1e400`."""
    if text in ("true", "false"):
        return text == "true"
    try:
        return int(text) if str(int(text)) == text else text
    except ValueError:
        pass
    try:
        number = float(text)
    except ValueError:
        return text
    return number if repr(number) == text else text


def wishes_of(options: dict[str, Any]) -> Wishes:
    """What options of `add` and `compare` say, as one record; options that a command lacks count as not given."""
    from pipeline.add_answers import code_constant
    from pipeline.contribution import Wishes

    constants = {k: typed_constant(v) for k, v in name_pairs(options["constant"], "--constant", last=False).items()}
    for name in ("correction", "measured_at"):
        if options[name] is not None:
            constants |= code_constant(name, options[name])
    return Wishes(
        options.get("source") or "",
        {k: options[k] for k in DESCRIBED if options.get(k)},
        name_pairs(options["set"], "--set", last=True),
        constants,
        options["build_from"],
        {k: options[k] for k in READING if options[k] is not None},
        options["sheet"],
    )
