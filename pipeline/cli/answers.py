"""Commands that answer: study, rules."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import (
    cluster_option,
    json_option,
    note,
    print_json,
    print_table,
    printable,
    progress_bar,
    store_option,
)
from pipeline.cli.study_json import rules_json, study_json

#: A reader's own rules in a larger file than this are not rules.
LARGEST_RULE_FILE = 1_000_000


def study_of(store: Path, subset: Any = None, own_columns: tuple[str, ...] = (), keep: bool = True) -> tuple[Any, bool]:
    """The study of a store: the kept one where nothing changed, else a new one, which is kept.

    Parameters
    ----------
    store : the store.
    subset : a models.subset.Subset, or None for everything. A study of a part is made each time and not kept.
    own_columns : columns to look at as drivers; a study with them is not kept either.
    keep : whether a study made anew may be written to the store.

    Returns
    -------
    (StudyResults, whether it was made anew)
    """
    from models.results import results_from_json
    from pipeline import store as store_module
    from pipeline.cli.study_made import keep_study, make_study, study_mark, study_tables

    whole = (subset is None or subset.is_everything) and not own_columns
    with store_module.reading(store) as con:
        mark = study_mark(con)
        kept = store_module.read_result(con, "study") if whole else None
        if kept is not None and kept[0] == mark:
            return results_from_json(kept[1]), False
        tables, counts = study_tables(con)
    with progress_bar("fitting"):
        results = make_study(tables, mark, counts, subset, own_columns)
    if whole and keep:
        keep_study(store, results)
    return results, True


@click.command(short_help="What a pound of boost is worth: fit and show.")
@store_option
@click.option("--where", metavar="EXPR", help="Only boosted runs that meet a condition; see the examples.")
@click.option("--drop-source", "drop_sources", metavar="ID", multiple=True, help="Leave a source out; may be given again.")
@click.option("--driver", "own_columns", metavar="COLUMN", multiple=True, help="Look at a column of your own as a driver.")
@click.option(
    "--from", "folder", metavar="DIR", type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Main figures from exported Parquet in parts, without a store.",
)  # fmt: skip
@click.option(
    "--jobs", type=click.IntRange(1, 256), metavar="N", help="With --from: sum the parts in N processes of this machine."
)
@cluster_option
@json_option
def study(
    store: Path, where: str | None, drop_sources: tuple[str, ...], own_columns: tuple[str, ...],
    folder: Path | None, jobs: int | None, cluster: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Fit the study and show the answer with its range.

    \b
    Examples:
      poundworth study
      poundworth study --json > study.json
      poundworth study --where "induction = turbocharger and na_power_kw > 150hp"
      poundworth study --where "fuel in (petrol, race_petrol) and boost_kpa <= 12psi"
      poundworth study --where "medium != magazine and not (octane_ron is missing)"
      poundworth study --drop-source harbour_road_motors
      poundworth study --driver "Dyno room"
      poundworth study --from exports --jobs 4

    A condition is asked of each boosted run with what is known of its build; baselines stay. A number without a unit is in
    the unit that the column's name ends in. `poundworth dictionary` lists the columns. A study of a part is not kept.
    """
    from models.subset import Subset

    if folder is not None or jobs is not None or cluster is not None:
        _study_parts(folder, jobs, cluster, bool(where or drop_sources or own_columns), as_json)
        return
    subset = Subset(where, drop_sources)
    results, fresh = study_of(store, subset, own_columns)
    if subset.is_everything and not own_columns:
        from pipeline.cli.estimate import prediction_of
        from pipeline.cli.gains import gains_of

        gains_of(store, results)
        from pipeline.cli.next_test import next_answers_of

        next_answers_of(store, results)
        prediction_of(store, results)
    if as_json:
        print_json(study_json(results))
        return
    show_study(results)
    note("Fitted anew." if fresh else "Nothing changed since the last study.")


def _study_parts(folder: Path | None, jobs: int | None, cluster: str | None, is_subset: bool, as_json: bool) -> None:
    """The main figures from parts; what needs the whole store is refused."""
    from pipeline.cli.study_parts import show_parts, study_from
    from pipeline.errors import RequestProblem

    if folder is None:
        raise RequestProblem(
            "--jobs and --cluster were given to `study` without --from; workers sum parts of an export, and a store is one whole. "
            "Write an export with `poundworth export` and give its folder with --from, or leave them out."
        )
    if is_subset:
        raise RequestProblem(
            "--from was given with --where, --drop-source or --driver; those are asked of the store. "
            "Leave --from out, or the others."
        )
    show_parts(study_from(folder, jobs or 1, cluster), as_json)


def show_study(results: Any) -> None:
    """The answer as text."""
    from reports import sentences

    if results.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    if results.subset:
        click.echo(printable(results.subset) + "\n")
    for say in (sentences.say_headline, sentences.say_next_engine, sentences.say_curvature):
        click.echo(say(results).us)
    if results.equivalence:
        click.echo(results.equivalence.sentence)
    click.echo("")
    _show_figures_of(results)
    _show_drivers(results.drivers)
    _show_deviators(results.deviators)
    click.echo("")
    print_estimates("rule ratio if ...", [(line.name, line.rule_ratio) for line in results.sensitivity])
    beside = [answer.sentence for answer in (results.cancelling_errors, results.selection) if answer]
    for text in (*beside, *results.notes):
        click.echo(printable(text))


def _show_figures_of(results: Any) -> None:
    """The main figures, and why one is missing."""
    shown = [
        ("rule ratio (1 = the rule)", results.rule_ratio), ("a new build's rule ratio", results.new_build_rule_ratio),
        ("spread between builds (sd)", results.between_builds_sd), ("curvature, all builds", results.curvature),
        ("curvature within builds", results.curvature_within_builds), ("last psi at 15 over the first", results.last_over_first),
    ]  # fmt: skip
    if results.elasticity:
        shown.append(("exponent of yield in NA output", results.elasticity.elasticity))
    if results.equivalence:
        shown.append(("share of builds within 10 %", results.equivalence.share_of_builds))
    print_estimates("", shown)
    for why in dict.fromkeys(e.why for _, e in shown if e.why):
        click.echo(printable(why))


def _show_drivers(drivers: Any) -> None:
    """Contrasts that could be told: those adjusted for one another, and those that were only looked at alone."""
    if drivers is None:
        return
    together = [one for one in drivers.together if one.difference.value is not None]
    seen = {(one.name, one.level) for one in together}
    alone = [one for one in drivers.alone if one.difference.value is not None and (one.name, one.level) not in seen]
    rows = [
        (
            f"{one.name.replace('_', ' ')}: {one.level} against {one.against}{'' if one.adjusted_for else ' (alone)'}",
            one.difference,
        )
        for one in (*together, *alone)
    ]
    if rows:
        click.echo("")
        print_estimates("what changes the rule ratio", rows)
        click.echo(drivers.caution)


def _show_deviators(deviators: Any) -> None:
    if deviators is None or deviators.why:
        return
    click.echo("")
    click.echo(
        f"{deviators.unlike_peers_count} of {deviators.tested} builds are unlike their peers; "
        f"{deviators.breaks_rule_count} break the rule by more than 10 % "
        f"({deviators.breaks_rule_strict_count} by the strict count)."
    )
    for one in deviators.unlike_peers[:5]:
        name = f"{one.publisher}, {one.build}"
        click.echo(printable(f"  {name}: {one.rule_ratio.value:.2f} where {one.expected:.2f} was expected. {one.summary}"))


def print_estimates(head: str, rows: list[tuple[str, Any]]) -> None:
    """A table of estimates with their ranges."""
    print_table([[name, *_cells(e)] for name, e in rows], [head, "value", "low", "high", "builds", "runs"], {1, 2, 3, 4, 5})


def _cells(estimate: Any) -> list[str]:
    ends = [("" if v is None else f"{v:.3f}") for v in (estimate.value, estimate.low, estimate.high)]
    return [*ends, f"{estimate.builds:,}", f"{estimate.runs:,}"]


@click.command(short_help="Verdicts on rules of thumb.")
@store_option
@click.option(
    "--file", "own_rules", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="Judge rules of your own from a TOML file instead of the trade's.",
)  # fmt: skip
@click.option("--figures", is_flag=True, help="List the figures of the study that a rule can be judged by.")
@json_option
def rules(store: Path, own_rules: Path | None, figures: bool, as_json: bool) -> None:
    """Judge rules of thumb by the study.

    \b
    Examples:
      poundworth rules
      poundworth rules --json
      poundworth rules --figures
      poundworth rules --file my_rules.toml

    \b
    A file of your own holds tables like this one; leave out low or high for a rule about one side:
      [[rule]]
      id        = "late_boost"
      statement = "The last psi at 15 is worth as much as the first."
      estimate  = "last_over_first"
      low       = 0.95
      high      = 1.05
    """
    results, _ = study_of(store)
    if figures:
        _show_figures(results, as_json)
        return
    verdicts = results.rules if own_rules is None else _judge_file(own_rules, results)
    if as_json:
        print_json(rules_json(verdicts))
        return
    if results.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    for verdict in verdicts:
        _show_verdict(verdict)


def _judge_file(path: Path, results: Any) -> Any:
    """Verdicts on the rules of a file."""
    from models.rule_file import parse_rules
    from models.rules_of_thumb import judge_rules
    from pipeline.errors import RequestProblem

    try:
        if path.stat().st_size > LARGEST_RULE_FILE:
            raise RequestProblem(
                f"{path} is larger than {LARGEST_RULE_FILE:,} bytes; that is no file of rules. Give a smaller one."
            )
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RequestProblem(f"{path} cannot be read as UTF-8 text ({error}); give a TOML file with tables [[rule]].") from error
    return judge_rules(results.evidence, parse_rules(text, path.name, [figure.name for figure in results.evidence]))


def _show_verdict(rule: Any) -> None:
    value, low, high, *_ = _cells(rule.estimate)
    figure = f"{value} ({low} to {high})" if low and high else value or "no figure"
    why = f" {rule.estimate.why}" if rule.estimate.why else ""
    click.echo(f"{rule.verdict.upper()}: {rule.statement}")
    click.echo(
        f"  {figure}; tolerance: {rule.tolerance}.{why}" + (f"\n  What would tell: {rule.would_tell}" if rule.would_tell else "")
    )


def _show_figures(results: Any, as_json: bool) -> None:
    if as_json:
        from pipeline.cli.study_json import to_plain

        print_json(to_plain(results.evidence))
        return
    rows = [[one.name, *_cells(one.estimate)[:3], one.meaning] for one in results.evidence]
    print_table(rows, ["figure", "value", "low", "high", "what it is"], {1, 2, 3})
