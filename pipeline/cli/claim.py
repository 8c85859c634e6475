"""The command that sets claims against the records: claim."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import json_option, note, plural, print_json, progress_bar, store_option
from pipeline.cli.estimate import ENGINE_OPTIONS, prediction_of

_OPTIONS = (
    click.option("--na", metavar="POWER", help="Output without boost of the engine."),
    click.option("--boost", metavar="BOOST", help="Gauge boost of the claim."),
    click.option("--made", metavar="POWER", help="Power claimed at --boost."),
    click.option("--part", metavar="PART", help="Changed part, in any usual words; several joined by +."),
    click.option("--gain", metavar="GAIN", help="What the part is said to give, as power or in per cent; without boost where none is given."),
    click.option("--hp-per-psi", type=float, metavar="YIELD", help="What each psi is said to give, in hp."),
    click.option("--kw-per-kpa", type=float, metavar="YIELD", help="The same in kW for each kPa."),
    click.option("--rule", metavar="ID", help="A rule of thumb of the study (`poundworth rules` lists them)."),
    click.option("--file", "file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="A table of claims, one a row (CSV, XLSX ...)."),
    click.option("--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="With --file: write the judged table as CSV."),
    click.option("--page", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="With --file: write the judged claims as a page."),
)  # fmt: skip


def _options(command: Any) -> Any:
    for option in reversed((*_OPTIONS, *ENGINE_OPTIONS)):
        command = option(command)
    return command


@click.command(short_help="How a claim sits against rule, physics and records.")
@store_option
@_options
@json_option
def claim(store: Path, file: Path | None, csv_file: Path | None, page: Path | None, as_json: bool, **asked: Any) -> None:
    """How a claim sits against the rule, against physics and against the records, with a sentence to print and one to avoid.

    \b
    Examples:
      poundworth claim --na 420hp --boost 8psi --made 760hp
      poundworth claim --na 420hp --boost 8psi --made 600hp --induction turbo --cooling "air to air" --json
      poundworth claim --na 300hp --part heads --gain 60hp
      poundworth claim --na 400hp --hp-per-psi 30 --boost 10psi
      poundworth claim --rule na_power_over_14_7
      poundworth claim --file claims.csv --csv judged.csv --page claims.html

    A file has a header row with na, boost and made; na, part and gain; na and hp_per_psi; or rule; and a name where it likes.
    Units stand in the header (made_hp) or in the cells. A row that cannot be read stays in the table with its reason.
    """
    if file is None:
        if csv_file is not None or page is not None:
            raise click.UsageError("--csv and --page go with --file; one claim is printed")
        _one(store, asked, as_json)
        return
    given = [
        name for name in ("na", "boost", "made", "part", "gain", "hp_per_psi", "kw_per_kpa", "rule") if asked[name] is not None
    ]
    if given:
        raise click.UsageError(f"--file goes without --{given[0].replace('_', '-')}: the rows of the file state the claims")
    _many(store, file, csv_file, page, asked, as_json)


def basis_of(store: Path) -> Any:
    """What claims are judged by: the study, the model of the estimate, the answers on parts.

    Returns
    -------
    models.claims.Basis
    """
    from models.claims import Basis
    from pipeline.cli.answers import study_of
    from pipeline.cli.gains import gains_of

    study, _ = study_of(store)
    prediction = prediction_of(store, study)
    return Basis(study, prediction.model, prediction.why, gains_of(store, study))


def _one(store: Path, asked: dict[str, Any], as_json: bool) -> None:
    from models.claims import judge_claim
    from pipeline.cli.claim_reading import claim_of
    from pipeline.cli.claim_shown import claim_json, show_claim

    basis = basis_of(store)
    answer = judge_claim(basis, claim_of(asked, basis.model))
    if as_json:
        print_json(claim_json(answer, asked["units"], basis.study.invented))
        return
    show_claim(answer, asked["units"], basis.study.invented)


def judged_file(basis: Any, file: Path, units: str, label: str = "judging") -> list[Any]:
    """Every row of a file of claims, judged; a row that cannot be read has its reason in ``problem``.

    Returns
    -------
    list of models.claim_records.ClaimAnswer
    """
    from dataclasses import replace

    from models.claim_records import ClaimAnswer
    from models.claims import judge_claim
    from pipeline.cli.claim_reading import claim_of, read_claims, settle_numbers
    from pipeline.errors import PoundworthError

    rows, answers = list(read_claims(file, units)), []
    with progress_bar(label) as progress:
        for done, row in enumerate(rows, start=1):
            name = str(row.asked.get("name") or "")
            try:
                made = judge_claim(basis, claim_of(settle_numbers(row.asked), basis.model))
                answers.append(replace(made, name=name or made.name, line=row.line, given=row.cells))
            except PoundworthError as problem:
                answers.append(ClaimAnswer(None, name, row.line, row.cells, problem=str(problem)))
            if progress is not None:
                progress(done, len(rows), name)
    return answers


def _many(store: Path, file: Path, csv_file: Path | None, page: Path | None, asked: dict[str, Any], as_json: bool) -> None:
    from pipeline.cli.claim_shown import claims_csv, claims_json, show_claims

    basis = basis_of(store)
    answers = judged_file(basis, file, asked["units"])
    if csv_file is not None:
        _write(csv_file, claims_csv(answers, asked["units"]))
    if page is not None:
        from reports.claims_page import write_claims_page

        beside = [one.name for one in page.parent.glob("*.html") if one.name != page.name]
        note(f"page: {write_claims_page(basis.study, answers, page, beside=beside)}")
    if as_json:
        print_json(claims_json(answers, asked["units"], basis.study.invented))
        return
    show_claims(answers, asked["units"], basis.study.invented)
    problems = sum(one.problem is not None for one in answers)
    if problems:
        note(f"{plural(problems, 'row')} could not be read as a claim; each stands in the table with its reason.")


def _write(file: Path, text: str) -> None:
    from pipeline.errors import RequestProblem

    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise RequestProblem(
            f"{file} cannot be written ({error.strerror}); --csv asks for a file in a folder that can be written to. Give another."
        ) from None
    note(f"table: {file}")
