"""The command `add`: from a contributed file to a source, asking only what no file can tell."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli.common import (
    note,
    plural,
    print_json,
    printable,
    raw_option,
    store_option,
)
from pipeline.cli.contribution_shown import show_columns, show_stored, show_trial, show_version, suspects
from pipeline.cli.reading_options import condition_options, reading_options, wishes_of

if TYPE_CHECKING:
    from pipeline.add import Draft
    from pipeline.add_questions import Question
    from pipeline.contribution import Contribution, Wishes
    from pipeline.trial import Trial

# -- asking -------------------------------------------------------------------------------------------------------------


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _ask(question: Question, wishes: Wishes, draft: Draft) -> Wishes:
    """Put one question until its answer can be used. What is typed is only ever text."""
    from pipeline.add_answers import take_answer
    from pipeline.errors import RequestProblem

    note("")
    for hint in question.hints:
        note(f"  {printable(hint)}")
    while True:
        answer = click.prompt(printable(question.text), default=question.proposed, show_default=bool(question.proposed), err=True)
        try:
            return take_answer(wishes, question, str(answer), draft)
        except RequestProblem as problem:
            note(f"  {printable(str(problem))}")


def _settle(given: Contribution, wishes: Wishes, yes: bool) -> Draft:
    """Ask what is open, at a terminal; elsewhere refuse to guess."""
    from datetime import date

    from pipeline.add import draft_source
    from pipeline.add_questions import open_questions, say_open, suggestion_questions
    from pipeline.errors import RequestProblem

    asked: set[tuple[str, str | None]] = set()
    while True:
        draft = draft_source(given, wishes, date.today())
        questions = open_questions(draft)
        if yes or not _can_ask():
            if needed := tuple(q for q in questions if q.is_needed):
                raise RequestProblem(say_open(needed))
            for question in questions:
                note(printable(f"Not stated, and left so: {question.text} ({question.option})"))
            return draft
        still = [q for q in (*suggestion_questions(draft), *questions) if q.is_needed or (q.key, q.sheet) not in asked]
        if still:
            asked.add((still[0].key, still[0].sheet))
            wishes = _ask(still[0], wishes, draft)
            continue
        aside = _ask_suspects(given, draft, asked)
        if not aside:
            return draft
        wishes = replace(wishes, headers={**wishes.headers, **dict.fromkeys(aside, "")})


def _ask_suspects(given: Contribution, draft: Draft, asked: set[tuple[str, str | None]]) -> list[str]:
    """Headers that the contributor sets aside, of those for which most rows would be refused."""
    aside = []
    for column, rows in suspects(_try(given, draft), draft):
        key = ("suspect", column.header)
        if key in asked:
            continue
        asked.add(key)
        text = f"{plural(rows, 'row')} would be refused for {column.header!r}, read as {column.field}. Set the column aside?"
        if click.confirm(printable(text), default=False, err=True):
            aside.append(column.header)
    return aside


# -- the commands -------------------------------------------------------------------------------------------------------


@click.command(short_help="Start a source from a file: show how it is read, ask the rest, write source.toml.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--dry-run", is_flag=True, help="Show everything; write nothing, ask nothing.")
@click.option("--yes", is_flag=True, help="Ask nothing: what is not given stays unstated.")
@click.option("--source", metavar="NAME", help="Folder of the source; made from publisher and title where not given.")
@click.option("--title", help="Title of the publication or contribution.")
@click.option("--publisher", help="Who published or measured it.")
@click.option("--licence", help="Terms under which it may be used.")
@condition_options
@click.option("--medium", help="magazine, video, forum, paper, own_test, certificate, book, website or other.")
@click.option("--url", help="Where it can be read (http or https).")
@click.option("--published-on", "published_on", metavar="DAY", help="Day, month or year of publication.")
@click.option("--author", help="Optional, personal: left out of exports.")
@click.option("--contributor", help="Optional, personal: left out of exports.")
@click.option("--citation", help="How to cite it.")
@reading_options
@raw_option
@store_option
@click.option("--json", "as_json", is_flag=True, help="Print the columns as JSON; everything else goes to stderr.")
def add(file: Path, dry_run: bool, yes: bool, raw: Path, store: Path, as_json: bool, **options: Any) -> None:
    """Bring FILE in as a source of its own, or as the new version of the file that its source holds.

    Shows how each column is read (header, field, unit, three samples, doubt), asks for what no file can tell (title,
    publisher, licence, correction standard, where power was measured, units that are not stated), copies the file to the
    raw folder with a source.toml beside it, and says which rows are in and why others are not. Without a terminal the
    options answer; what is needed and not given is named, and nothing is written.

    \b
    Examples:
      poundworth add results.csv --dry-run
      poundworth add results.csv
      poundworth add results.csv --title "Spring tests" --publisher "Our shop" --licence CC-BY-4.0
      poundworth add book.xlsx --set "Drehmoment=torque_nm" --set "Bemerkung=" --constant induction=turbocharger
    """
    from datetime import date

    from pipeline.add import draft_source
    from pipeline.contribution import read_contribution

    wishes = wishes_of(options)
    given = read_contribution(file, wishes, raw)
    draft = draft_source(given, wishes, date.today())
    if as_json:
        print_json([c.to_json() for r in draft.readings for c in r.columns])
    else:
        show_columns(draft)
    show_version(given)
    echo = note if as_json else click.echo
    if dry_run:
        _show_dry(given, wishes, draft, store, echo)
    else:
        _bring_in(given, _settle(given, wishes, yes), store, yes, echo)


def _try(given: Contribution, draft: Draft) -> Trial:
    from datetime import date

    from pipeline.add import held_repairs
    from pipeline.trial import try_reading

    source = draft.checked(given.path.parent)
    own = tuple(e for e in source.entry.file if e.name == given.path.name)
    entry = source.entry.model_copy(update={"file": own})
    return try_reading(type(source)(source.source, source.folder, entry), held_repairs(given), date.today())


def _show_dry(given: Contribution, wishes: Wishes, draft: Draft, store: Path, echo: Callable[[str], None]) -> None:
    from datetime import date

    from pipeline.add import draft_source, draft_text
    from pipeline.add_questions import open_questions, set_unknown_units_aside

    meanwhile, aside = set_unknown_units_aside(wishes, draft)
    shown = draft_source(given, meanwhile, date.today()) if aside else draft
    trial = _try(given, shown)
    show_stored(given, trial, store)
    echo("")
    if aside:
        echo(printable(f"Without {', '.join(repr(h) for h in aside)}, whose unit is still to be told:"))
    show_trial(trial, shown, False, echo)
    questions = open_questions(draft)
    echo("\nStill to be told:" if questions else "\nNothing is left to be told.")
    for question in questions:
        echo(printable(f"  {question.text} {question.option}"))
        for hint in question.hints if question.sort in ("column", "unit") else ():
            echo(printable(f"    {hint}"))
    text, kept = draft_text(given, draft)
    echo(
        f"\nNothing was written. {draft.source}/source.toml would be{'' if kept else ' (written anew, without its comments)'}:\n"
    )
    for line in text.splitlines():
        echo(printable(line))


def _bring_in(given: Contribution, draft: Draft, store: Path, yes: bool, echo: Callable[[str], None]) -> None:
    from pipeline.add import draft_text, write_contribution
    from pipeline.errors import RequestProblem

    trial = _try(given, draft)
    show_stored(given, trial, store)
    if trial.problems:
        raise RequestProblem(f"nothing was written: {trial.problems[0]}")
    if not trial.accepted and not yes:
        show_trial(trial, draft, False, note)
        if not _can_ask() or not click.confirm("No row would be in. Bring the file in all the same?", default=False, err=True):
            raise RequestProblem(
                "nothing was written, because no row would be in; mend the file, or give --yes to keep it as it is"
            )
    if not draft_text(given, draft)[1]:
        note("source.toml is written anew; comments in it are lost.")
    folder = write_contribution(given, draft)
    echo("")
    show_trial(trial, draft, True, echo)
    echo(f"Written: {folder / given.path.name} and {folder / 'source.toml'}. `poundworth run` takes them into the study.")
    sys.exit(0)
