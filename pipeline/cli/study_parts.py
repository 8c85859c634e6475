"""The main figures of the study from exported Parquet in parts, without a store and without one large table."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import note, print_json, printable
from pipeline.cli.study_json import to_plain


def study_from(folder: Path, jobs: int, cluster: str | None) -> dict[str, Any]:
    """Fit the parts below a folder.

    Parameters
    ----------
    folder : an export, or a folder of exports that share no source.
    jobs, cluster : who makes the sums; see :func:`pipeline.executors.open_executor`.

    Returns
    -------
    dict
        Main figures by the names of the study's JSON, `notes`, `parts`, `invented` (None where no table of sources says).
    """
    from models.curvature import answer_curvature
    from models.equivalence import answer_equivalence
    from models.partition_sums import find_parts, fit_parts, holds_invented
    from models.yield_fit import answer_rule_ratio
    from pipeline.executors import open_executor

    with open_executor(jobs, cluster) as executor:
        parts = find_parts(folder, wanted=jobs if cluster is None else _workers_of(executor))
        fit = fit_parts(parts, executor)
    headline, curvature = answer_rule_ratio(fit), answer_curvature(fit)
    return {
        "rule_ratio": headline.rule_ratio,
        "between_builds_sd": headline.between_builds_sd,
        "new_build_rule_ratio": headline.new_build_rule_ratio,
        "curvature": curvature.one_stage,
        "curvature_within_builds": curvature.within_builds,
        "last_over_first": curvature.last_over_first,
        "share_within_10pct": answer_equivalence(fit).share_of_builds,
        "notes": list(dict.fromkeys((*headline.notes, *curvature.notes))),
        "parts": len(parts),
        "invented": holds_invented(parts, fit.units),
    }


def _workers_of(executor: Any) -> int:
    """Threads of a cluster's workers, so that each has a part."""
    return max(sum(executor._client.nthreads().values()), 1)


def show_parts(told: dict[str, Any], as_json: bool) -> None:
    """Print the figures."""
    from pipeline.cli.answers import print_estimates

    if as_json:
        print_json({name: to_plain(value) for name, value in told.items()})
        return
    if told["invented"]:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    shown = [
        ("rule ratio (1 = the rule)", "rule_ratio"), ("a new build's rule ratio", "new_build_rule_ratio"),
        ("spread between builds (sd)", "between_builds_sd"), ("curvature, all builds", "curvature"),
        ("curvature within builds", "curvature_within_builds"), ("last psi at 15 over the first", "last_over_first"),
        ("share of builds within 10 %", "share_within_10pct"),
    ]  # fmt: skip
    print_estimates("", [(label, told[name]) for label, name in shown])
    for text in dict.fromkeys([told[name].why for _, name in shown if told[name].why] + told["notes"]):
        click.echo(printable(text))
    note(
        f"Fitted from {told['parts']} part{'' if told['parts'] == 1 else 's'}; nothing was kept. Drivers, deviators and pages need the store."
    )
