"""The command `compare`: a private session beside the study. It reads, answers and forgets."""

from __future__ import annotations

import shutil
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli.common import json_option, note, plural, print_json, printable, store_option
from pipeline.cli.reading_options import condition_options, reading_options, wishes_of

if TYPE_CHECKING:
    import polars as pl

    from pipeline.add import Draft
    from pipeline.trial import Trial

WIDEST = 100
NARROWEST = 40
#: What takes the place of the words that a published source must have.
PRIVATE = {"title": "private session", "publisher": "this session", "licence": "not published"}
_TABLES = {"run": "runs", "build": "builds", "change": "changes"}


@click.command(short_help="A private session against the study; nothing is stored.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@store_option
@condition_options
@reading_options
@json_option
def compare(file: Path, store: Path, as_json: bool, **options: Any) -> None:
    """Put a session of your own beside the study. Nothing is stored, published or written anywhere.

    Shows which rows count and why others do not, where each build stands among those of the study, what each change gave
    and whether that is more than the dyno's scatter, and how well the dyno repeats: scatter of pulls made one after
    another, drift of a state run again at the end, and the smallest gain that the session can show.

    \b
    Examples:
      poundworth compare saturday.csv
      poundworth compare saturday.xlsx --sheet Pulls --correction sae_j1349 --measured-at wheel
      poundworth compare pulls.csv --set "Druck bar=boost_bar" --constant induction=turbocharger
      poundworth compare saturday.csv --json > saturday.json

    What a file says about pulls: `session` (a name), `pull_order` (1, 2, 3 ...), `pulls` (mean of so many); a change names
    the `run` that it is `compared_with` and the `parts`. A source.toml beside the file is read for what it says.
    """
    from models.compare_session import compare_session
    from pipeline import store as store_module
    from pipeline.cli.answers import study_of

    draft, trial = _read(file, options)
    study, fresh = study_of(store, keep=False)
    with store_module.reading(store) as con:
        tables = {name: store_module.query_table(con, name) for name in ("run", "build", "change", "source")}
    answer = compare_session(_session(trial), tables, study)
    if as_json:
        from pipeline.cli.study_json import to_plain

        print_json({"stored": False, "read": _read_json(trial), **to_plain(answer)})
        return
    _show(answer, trial, draft)
    if fresh:
        note("The kept study is out of date; it was fitted for this answer alone. `poundworth study` keeps it.")


def _read(file: Path, options: dict[str, Any]) -> tuple[Draft, Trial]:
    """The file as a build would read it.

    Raises
    ------
    RequestProblem : what is needed is not told, or no row can be used.
    """
    from datetime import date

    from pipeline.add import draft_source, held_repairs
    from pipeline.add_questions import open_questions
    from pipeline.contribution import read_contribution
    from pipeline.errors import RequestProblem
    from pipeline.sources import SOURCE_FILE
    from pipeline.trial import say_trial, try_reading

    wishes = wishes_of(options)
    beside = (file.parent / SOURCE_FILE).is_file()
    given = read_contribution(file, wishes, file.resolve().parent.parent if beside else file / "no raw folder")
    draft = draft_source(given, wishes, date.today())
    draft.described.update({key: text for key, text in PRIVATE.items() if not str(draft.described.get(key) or "").strip()})
    questions = open_questions(draft)
    if needed := [q for q in questions if q.is_needed]:
        asked = "; ".join(f"{q.text} {q.option}" for q in needed)
        raise RequestProblem(f"{file.name} cannot be compared, because this is not told and is not guessed: {asked}")
    for question in questions:
        note(printable(f"Not stated: {question.text} ({question.option})"))
    source = draft.checked(given.path.parent)
    own = tuple(e for e in source.entry.file if e.name == given.path.name)
    entry = source.entry.model_copy(update={"file": own})
    trial = try_reading(type(source)(source.source, source.folder, entry), held_repairs(given), date.today())
    if trial.problems or not trial.accepted:
        for line in say_trial(trial, False):
            note(printable(line))
        why = trial.problems[0] if trial.problems else f"none of its {trial.rows_read:,} rows can be used"
        raise RequestProblem(
            f"{file.name} cannot be compared: {why}; mend what is named, or say with --set and --constant what a column is"
        )
    return draft, trial


def _session(trial: Trial) -> dict[str, pl.DataFrame]:
    import polars as pl

    return {
        name: pl.concat([getattr(result, part) for result in trial.results.values()], how="diagonal_relaxed")
        for name, part in _TABLES.items()
    }


def _read_json(trial: Trial) -> dict[str, Any]:
    return {
        "rows_read": trial.rows_read,
        "accepted": trial.accepted,
        "refused": [
            {
                "line": line.line,
                "reasons": [{"code": code, "column": column, "sentence": text} for code, column, text in line.reasons],
                "row": line.row,
            }
            for line in trial.refused
        ],
        "flags": [{"code": code, "sentence": text, "rows": rows} for code, text, rows in trial.flags],
    }


# -- the answer as text -------------------------------------------------------------------------------------------------


def _paragraph(text: str, indent: str = "") -> None:
    width = max(NARROWEST, min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns))
    click.echo(
        textwrap.fill(
            printable(text), width, initial_indent=indent, subsequent_indent=indent or "  ", break_long_words=False,
            break_on_hyphens=False,
        )
    )  # fmt: skip


def _head(text: str) -> None:
    click.echo(f"\n{text.upper()}")


def _show(answer: Any, trial: Trial, draft: Draft) -> None:
    from pipeline.cli.contribution_shown import show_trial

    for caution in answer.cautions:
        _paragraph(caution)
    if answer.invented:
        click.echo("\nINVENTED DEMO DATA: the study beside which your session stands describes no real engine.")
    _head("What was read (nothing is stored)")
    show_trial(trial, draft, False, _paragraph)
    for step in answer.left_out:
        _paragraph(f"Beside no build ({step.count}): {step.reason}")
    _head("Builds")
    if not answer.builds:
        _paragraph("No build has both an unboosted and a boosted run that can be compared.")
    for build in answer.builds:
        _sentences(build.sentences)
    if answer.changes:
        _head("Changes")
    for change in answer.changes:
        _sentences(change.sentences)
    _show_repeats(answer.repeatability)


def _show_repeats(reports: Any) -> None:
    """Sessions that repeat something; of the others, which a compiled file may hold many of, one stands for all."""
    told = [one for one in reports if one.repeatability_pct.value is not None or one.drift_pct.value is not None]
    for one in told or reports[:1]:
        name = ", ".join(text for text in (one.session, one.dyno) if text)
        _head(f"How well the dyno repeats{': ' + printable(name) if name else ''}")
        for text in one.sentences:
            _paragraph(text)
    if rest := len(reports) - max(len(told), min(1, len(reports))):
        _paragraph(f"{plural(rest, 'other session')} of the file {'repeats' if rest == 1 else 'repeat'} nothing.")


def _sentences(sentences: tuple[str, ...]) -> None:
    _paragraph(sentences[0])
    for text in sentences[1:]:
        _paragraph(text, "  ")
