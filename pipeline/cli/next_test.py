"""The command that answers which test to run next: next."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli.amounts import read_amount, read_code
from pipeline.cli.common import json_option, paragraph, print_json, printable, store_option


def next_answers_of(store: Path, results: Any) -> Any:
    """What is not known yet, of a store: kept with the study, made anew where that changed.

    Returns
    -------
    models.next_records.NextAnswers
    """
    from models.next_records import next_from_json, next_to_json
    from pipeline import store as store_module

    with store_module.reading(store) as con:
        kept = store_module.read_result(con, "next")
        if kept is not None and kept[0] == results.fingerprint:
            return next_from_json(kept[1])
    from models.next_test import answer_next

    answers = answer_next(_ready(store, results))
    with store_module.writing(store) as con:
        store_module.write_result(con, "next", results.fingerprint, next_to_json(answers))
    return answers


def _ready(store: Path, results: Any) -> Any:
    from models.next_test import ready_study
    from models.sample import choose_sample
    from pipeline import store as store_module

    with store_module.reading(store) as con:
        runs, builds, sources = (store_module.query_table(con, name) for name in ("run", "build", "source"))
    return ready_study(choose_sample(runs, builds), sources, results)


@click.command("next", short_help="Which test to run next, and what it would tell.")
@store_option
@click.option("--ask", default="mean", show_default=True, metavar="QUESTION", help="mean, curvature, a driver, or engine.")
@click.option("--na", metavar="POWER", help="With --ask engine: output without boost.")
@click.option("--boost", metavar="BOOST", help="With --ask engine: gauge boost asked about.")
@click.option("--induction", metavar="WORDS", help="Class of the builds to be tested.")
@click.option("--cooling", metavar="WORDS", help="Charge cooling of the builds to be tested.")
@click.option("--max-boost", metavar="BOOST", help="Most gauge boost that you allow; without it no boost is named.")
@click.option("--cost-per-pull", type=float, metavar="COST", help="Rank by what a test narrows for its cost.")
@click.option("--publishers", type=click.Choice(["own", "new"]), help="Only tests by a new, or by the largest, publisher.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="Units of bare numbers.")
@json_option
def next_test(store: Path, ask: str, as_json: bool, **asked: Any) -> None:
    """Rank the tests that would narrow an answer most.

    \b
    Examples:
      poundworth next --ask mean
      poundworth next --ask curvature --max-boost 12psi
      poundworth next --ask charge_cooling --publishers new --json
      poundworth next --ask engine --na 340hp --boost 9psi --induction turbo --cooling air-to-air

    No test has more boost than three builds of its class ran, nor more than --max-boost. A bare number is read in hp and psi, with --units si in kW and kPa.
    """
    from models.next_candidates import Wishes, check_wishes
    from models.rule import KPA_PER_PSI
    from pipeline.cli.answers import study_of

    limit = asked["max_boost"]
    wishes = Wishes(
        None if limit is None else read_amount(limit, "boost", asked["units"]), asked["cost_per_pull"], asked["publishers"],
        read_code("induction", asked["induction"]), read_code("charge_cooling", asked["cooling"]),
    )  # fmt: skip
    check_wishes(wishes)
    results, _ = study_of(store)
    questions = _questions(_ready(store, results), ask, asked, wishes)
    if as_json:
        from dataclasses import asdict

        print_json([asdict(t) | {"ask": q.ask, "about": q.about} for q in questions for t in q.tests])
        return
    if wishes.max_boost_kpa is not None:
        given = f"{wishes.max_boost_kpa:.1f} kPa" if asked["units"] == "si" else f"{wishes.max_boost_kpa / KPA_PER_PSI:.1f} psi"
        click.echo(f"Most boost that you allow: {given}")
    _show(questions, results, asked["units"])


def _questions(study: Any, ask: str, asked: dict[str, Any], wishes: Any) -> list[Any]:
    from models.next_engine import PlannedEngine, ask_engine
    from models.next_test import ask_curvature, ask_drivers, ask_mean
    from pipeline.errors import RequestProblem

    if study.fit.effects is None:
        raise RequestProblem(f"No test can be planned on this store: {study.fit.why} Add tests to data_raw and build again.")
    if ask == "mean":
        return [ask_mean(study, wishes)]
    if ask == "curvature":
        return [ask_curvature(study, wishes)]
    if ask == "engine":
        if asked["na"] is None or asked["boost"] is None:
            raise click.UsageError("--ask engine needs --na and --boost, as in --na 340hp --boost 9psi")
        engine = PlannedEngine(
            read_amount(asked["na"], "power", asked["units"]), read_amount(asked["boost"], "boost", asked["units"])
        )
        return [ask_engine(study, engine, wishes)]
    found = list(ask_drivers(study, wishes, ask))
    if not found:
        known = sorted({q.ask for q in ask_drivers(study, wishes)})
        raise RequestProblem(
            f'--ask was given "{ask}"; this study can plan for mean, curvature, engine'
            f"{''.join(', ' + name for name in known)}. Ask for one of them."
        )
    return found


def _show(questions: list[Any], results: Any, units: str) -> None:
    from models.next_test import CAUTION

    if results.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    paragraph(CAUTION)
    for question in questions:
        about = f" ({question.about})" if question.about else ""
        click.echo("")
        click.echo(printable(f"{question.question}{about}"))
        known = question.known
        if known.value is not None and known.low is not None and known.high is not None:
            paragraph(
                f"Known now: {known.value:.3f}, {known.level * 100:.0f} % interval {known.low:.3f} to {known.high:.3f}.", "  "
            )
        if question.why:
            paragraph(question.why, units=units)
        for test in question.tests:
            ten = "" if test.narrows_by_ten_pct is None else f"; ten such builds {test.narrows_by_ten_pct:.1f} %"
            cost = "" if test.cost is None else f"; cost {test.cost:g}"
            paragraph(f"{test.narrows_pct:.2f} % narrower{ten}{cost}: {test.test}.", "  ", units)
