"""What `poundworth add` shows: the columns, the rows of a trial reading, what a new version changes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.common import note, plural, print_table, printable

if TYPE_CHECKING:
    from pipeline.add import Draft
    from pipeline.contribution import Contribution
    from pipeline.recognition import Recognised
    from pipeline.trial import Trial

SHOWN_SAMPLE = 22
#: Fields without which a row is nothing; their columns cannot be set aside.
#: One engine described twice is a slip of the pen; several of them share a name.
SEVERAL = 3
NEEDED = frozenset({"power_kw", "build", "rpm", "curve_power_kw"})


def show_columns(draft: Draft) -> None:
    """Every column: header, field, unit, samples, doubt; the record kind; sheets left out."""
    for reading in draft.readings:
        if len(draft.readings) > 1 or reading.entry.sheet:
            click.echo(f"Sheet {printable(reading.entry.sheet or '(only one)')}:")
        print_table([_row(c) for c in reading.columns], ["header", "read as", "unit", "samples", "doubt"])
        told = f"worked out: {reading.why}; --kind states another" if reading.why else "as stated"
        click.echo(f"\nRecord kind: {reading.kind} ({printable(told)}). {plural(reading.rows, 'row')}.")
        for column in reading.columns:
            _note_doubt(column)
    for sentence in draft.left_out:
        note(printable(sentence))


def _row(column: Recognised) -> list[str]:
    samples = " | ".join(s if len(s) <= SHOWN_SAMPLE else s[: SHOWN_SAMPLE - 1] + "…" for s in column.samples)
    level = f" at {column.level_boost:g} {column.level_unit}" if column.level_boost is not None else ""
    side = f"{column.role} " if column.role and column.role != "level" else ""
    return [
        column.header or "(no header)",
        f"{side}{column.field or '(not recognised)'}{level}",
        column.unit or "",
        samples,
        _doubt(column),
    ]


def _doubt(column: Recognised) -> str:
    if column.needs_unit:
        return "unit not stated"
    if column.doubt:
        return "see below"
    return "" if column.field else (f"{column.suggestions[0]}?" if column.suggestions else "kept as text")


def _note_doubt(column: Recognised) -> None:
    from pipeline.header_targets import suggested_target
    from pipeline.toml_text import value_literal

    header = column.header or "(no header)"
    if column.doubt and not column.needs_unit:
        note(printable(f"{header}: {column.doubt}"))
    if column.field is None and column.suggestions:
        target = suggested_target(column, column.suggestions[0])
        note(
            printable(
                f'{header} is not recognised. If it is {" or ".join(column.suggestions)}: --set "{header}={target}", or in source.toml '
                f"headers = {value_literal({column.header: target})}"
            )
        )


def show_trial(trial: Trial, draft: Draft, is_in: bool, echo: Callable[[str], None]) -> None:
    """The outcome of a trial reading, and what to do about reasons that most rows share."""
    from pipeline.trial import say_trial

    for line in say_trial(trial, is_in):
        echo(printable(line))
    for column, rows in suspects(trial, draft):
        header, read_as = printable(column.header), f"read as {column.field}" + (f" in {column.unit}" if column.unit else "")
        echo(
            f'Most rows ({rows:,}) are refused for {header!r}, {read_as}: check its meaning and unit; --set "{header}=" sets it aside.'
        )
    if sum(code == "build_described_twice" for r in trial.refused for code, _, _ in r.reasons) >= SEVERAL:
        echo(
            "Rows of one name describe different engines. Columns that tell them apart can name the build together: --build-from MODEL --build-from YEAR."
        )
    if any(code == "number_ambiguous" for r in trial.refused for code, _, _ in r.reasons):
        echo("Figures such as 1,234 can be read in two ways: --decimal-mark , or --decimal-mark . says which.")


def suspects(trial: Trial, draft: Draft) -> list[tuple[Recognised, int]]:
    """Columns that most rows are refused for and that a row can do without, each with the number of rows."""
    from pipeline.trial import suspect_columns

    columns = [c for r in draft.readings for c in r.columns if c.field and c.field not in NEEDED]
    named = dict(suspect_columns(trial))
    return [
        (c, max(named.get(c.header, 0), named.get(str(c.field), 0))) for c in columns if c.header in named or c.field in named
    ]


def show_version(given: Contribution) -> None:
    """What a file that is known already changes."""
    from pipeline.contribution import what_changed
    from pipeline.row_changes import say_changes

    if given.held is None or not given.held_entries:
        return
    before = given.held_entries[0].sha256
    name = f"{given.held.source}/{given.path.name}"
    if before == given.sha256:
        note(f"\n{printable(name)} is there already, byte for byte.")
        return
    note(f"\nNew version of {printable(name)}: sha256 {before or '(not stated)'} -> {given.sha256}")
    changes = what_changed(given)
    for line in say_changes(changes) if changes is not None else ():
        note(printable(line))


def show_stored(given: Contribution, trial: Trial, store: Path) -> None:
    """For a file edited where it lies: its runs against those of the store."""
    from pipeline.add import stored_changes
    from pipeline.row_changes import say_changes

    if not given.is_in_place or not given.held_entries or given.held_entries[0].sha256 == given.sha256:
        return
    changes = stored_changes(given, trial, store)
    if changes is None:
        note("Its earlier rows are in no store, so that rows cannot be compared; only the hash differs.")
        return
    note("Its runs against those of the last build (kW, kPa):")
    for line in say_changes(changes):
        note(printable(line))
