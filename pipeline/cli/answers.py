"""Commands that answer: study, rules."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import json_option, note, print_json, print_table, progress_bar, store_option


def study_of(store: Path) -> tuple[Any, bool]:
    """The study of a store: the kept one where nothing changed, else a new one, which is kept.

    Returns
    -------
    (StudyResults, whether it was made anew)
    """
    from datetime import UTC, datetime

    from models.results import results_from_json, results_to_json
    from models.study import run_study
    from pipeline import store as store_module
    from pipeline.build import code_mark

    with store_module.reading(store) as con:
        mark = f"{store_module.fingerprint(con)}-{code_mark()}-{_models_mark()}"
        kept = store_module.read_result(con, "study")
        if kept is not None and kept[0] == mark:
            return results_from_json(kept[1]), False
        tables = {name: store_module.query_table(con, name) for name in ("run", "build", "source", "change")}
        ledger = store_module.read_ledger(con).values()
    counts = {name: sum(getattr(r, name) for r in ledger) for name in ("rows_read", "accepted", "refused", "repeated")}
    with progress_bar("fitting"):
        results = run_study(
            tables, version=_version(), fingerprint=mark, made_on=datetime.now(UTC).date().isoformat(), ledger=counts
        )
    with store_module.writing(store) as con:
        store_module.write_result(con, "study", mark, results_to_json(results))
    return results, True


def _version() -> str:
    """Version of the installed project; of a checkout that is not installed, say so."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("poundworth")
    except PackageNotFoundError:
        return "not installed"


def _models_mark() -> str:
    """Hash of the model code: answers made by other code are made again."""
    import hashlib

    import models

    folder = Path(models.__path__[0])
    return hashlib.sha256(b"\0".join(p.name.encode() + p.read_bytes() for p in sorted(folder.rglob("*.py")))).hexdigest()[:8]


def study_json(results: Any) -> dict[str, Any]:
    """The study in the shape that scripts rely on."""
    named = {
        n: getattr(results, n).to_json()
        for n in ("rule_ratio", "between_builds_sd", "new_build_rule_ratio", "curvature", "curvature_within_builds")
    }
    return {
        **named,
        "last_over_first": results.last_over_first.to_json(),
        "marginal_yield": [{"boost_kpa": p.boost_kpa, "of_rule": p.estimate.to_json()} for p in results.marginal_yield],
        "sensitivity": [{"name": s.name, "sentence": s.sentence, "rule_ratio": s.rule_ratio.to_json()} for s in results.sensitivity],
        "flow": [{"step": f.step, "count": f.count, "reason": f.reason} for f in results.flow],
        "notes": list(results.notes), "invented": results.invented, "fingerprint": results.fingerprint, "version": results.version,
        "made_on": results.made_on,
    }  # fmt: skip


@click.command(short_help="What a pound of boost is worth: fit and show.")
@store_option
@json_option
def study(store: Path, as_json: bool) -> None:
    """Fit the study and show the answer with its range.

    \b
    Examples:
      poundworth study
      poundworth study --json > study.json
    """
    results, fresh = study_of(store)
    if as_json:
        print_json(study_json(results))
        return
    show_study(results)
    note("Fitted anew." if fresh else "Nothing changed since the last study.")


def show_study(results: Any) -> None:
    """The answer as text."""
    from reports import sentences

    if results.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    for say in (sentences.say_headline, sentences.say_next_engine, sentences.say_curvature):
        click.echo(say(results).us)
    click.echo("")
    shown = [
        ("rule ratio (1 = the rule)", results.rule_ratio), ("a new build's rule ratio", results.new_build_rule_ratio),
        ("spread between builds (sd)", results.between_builds_sd), ("curvature, all builds", results.curvature),
        ("curvature within builds", results.curvature_within_builds), ("last psi at 15 over the first", results.last_over_first),
    ]  # fmt: skip
    print_table([[name, *_cells(e)] for name, e in shown], ["", "value", "low", "high", "builds", "runs"], {1, 2, 3, 4, 5})
    click.echo("")
    print_table(
        [[s.name, *_cells(s.rule_ratio)] for s in results.sensitivity],
        ["rule ratio if ...", "value", "low", "high", "builds", "runs"],
        {1, 2, 3, 4, 5},
    )
    for text in results.notes:
        click.echo(text)


def _cells(estimate: Any) -> list[str]:
    ends = [("" if v is None else f"{v:.3f}") for v in (estimate.value, estimate.low, estimate.high)]
    return [*ends, f"{estimate.builds:,}", f"{estimate.runs:,}"]


@click.command(short_help="Verdicts on rules of thumb.")
@store_option
@json_option
def rules(store: Path, as_json: bool) -> None:
    """Judge rules of thumb by the study.

    \b
    Examples:
      poundworth rules
      poundworth rules --json
    """
    from dataclasses import asdict

    results, _ = study_of(store)
    if as_json:
        print_json([{**asdict(r), "estimate": r.estimate.to_json()} for r in results.rules])
        return
    if results.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    for rule in results.rules:
        value, low, high, *_ = _cells(rule.estimate)
        click.echo(
            f"{rule.verdict.upper()}: {rule.statement}\n  {value} ({low} to {high}); tolerance {rule.tolerance}. {rule.would_tell}"
        )
