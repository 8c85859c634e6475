"""The command that writes an article pack."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import json_option, note, plural, print_json, progress_bar, store_option

CAUTION = (
    "More boost raises cylinder pressure and heat. Figures describe what others measured; they are no tune, no limit and no promise: "
    "print that with any figure that could lead somebody to raise boost."
)
#: Engines of the examples: output without boost and boost [hp, psi], kept to what the study has evidence for.
_EXAMPLES = ((200.0, 8.0), (400.0, 8.0), (400.0, 12.0))


@click.command(short_help="Findings, figures and sources for an article, ready to print.")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--about",
    type=click.Choice(["study", "parts", "engine", "claims"]),
    default="study",
    show_default=True,
    help="What the article is about.",
)
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="hp and psi, or kW and kPa.")
@click.option(
    "--file",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="With --about claims: a table of claims to judge.",
)
@click.option("--force", is_flag=True, help="Write over files of an earlier pack that were edited since.")
@store_option
@json_option
def pack(folder: Path, about: str, units: str, file: Path | None, force: bool, store: Path, as_json: bool) -> None:
    """Write everything a writer needs into DIR: graded sentences with their records, figures, captions, method, sources, terms.

    DIR is a new or empty folder, or one with an earlier pack. The same results give the same bytes.

    \b
    Examples:
      poundworth pack my_article
      poundworth pack my_article --about parts
      poundworth pack mein_artikel --about engine --units si
      poundworth pack my_article --about claims --file claims.csv
      poundworth pack my_article --store my.duckdb --json

    Only stored results enter a pack: no contributed file, no refused row, no name of a person. Sources whose terms are not open
    are cited, but their single records are left out; private ones are not named.
    """
    from reports.article_pack import pack_json, write_pack

    if file is not None and about != "claims":
        raise click.UsageError("--file goes with --about claims: it is a table of claims")
    made = _make(about, units, store, file)
    with progress_bar("drawing") as progress:
        files = write_pack(made, folder, force=force, progress=progress)
    if as_json:
        print_json(pack_json(made, files))
        return
    _show(made, files, folder)


def _make(about: str, units: str, store: Path, file: Path | None) -> Any:
    """The pack that was asked for, from what the store keeps; what is not kept is worked out first."""
    from pipeline import store as store_module
    from pipeline.cli.answers import study_of
    from reports import pack_make

    results, _ = study_of(store)
    with store_module.reading(store) as con:
        described = store_module.query_columns(con, "source", ("source", "medium", "citation")).to_dicts()
    if about == "parts":
        from pipeline.cli.gains import gains_of
        from pipeline.cli.offset import offset_model_of

        return pack_make.make_parts_pack(results, gains_of(store, results), offset_model_of(store, results), described, units)
    if about == "engine":
        from pipeline.cli.estimate import prediction_of

        prediction = prediction_of(store, results)
        return pack_make.make_engine_pack(results, prediction, _examples(prediction.model), described, units)
    if about == "claims":
        from pipeline.cli.claim import basis_of, judged_file

        answers = () if file is None else judged_file(basis_of(store), file, units)
        return pack_make.make_claims_pack(results, described, units, answers=tuple(answers))
    return pack_make.make_study_pack(results, described, units)


def _examples(model: Any) -> list[Any]:
    """Estimates of a few engines of the class with most builds, none beyond the boost or the sizes that were tested."""
    if model is None or not model.evidence.classes:
        return []
    from models.estimate_records import EngineRequest
    from models.expected_power import predict
    from pipeline.units import convert, unit_named

    most = max(model.evidence.classes, key=lambda one: one.builds)
    sizes = next((span for span in model.evidence.spans if span.name == "na_power_kw"), None)
    made = []
    for power, boost in _EXAMPLES:
        na_kw, boost_kpa = (
            convert(power, unit_named("hp"), unit_named("kW")),
            convert(boost, unit_named("psi"), unit_named("kPa")),
        )
        within = sizes is None or sizes.low <= na_kw <= sizes.high
        if within and boost_kpa <= most.highest_boost_kpa:
            asked = EngineRequest(na_kw, boost_kpa, induction=most.induction, charge_cooling=most.charge_cooling)
            made.append(predict(model, asked, neighbours=0))
    return made


def _show(made: Any, files: list[Path], folder: Path) -> None:
    import shutil

    width = min(shutil.get_terminal_size((100, 24)).columns, 100)
    if made.invented:
        click.echo("INVENTED DEMO DATA: nothing in this pack may be printed as a finding.\n")
    click.echo(click.wrap_text(CAUTION, width=width) + "\n")
    counts = (
        f"{plural(len(made.findings), 'finding')}, {plural(len(made.figures), 'figure')}, {plural(len(made.records), 'record')}, "
        f"{plural(len(made.sources) - made.private, 'source')}: {plural(len(files), 'file')} in {folder}."
    )
    click.echo(click.wrap_text(counts, width=width))
    closed = sum(source.terms.value == "ask" for source in made.sources)
    if closed:
        click.echo(
            click.wrap_text(f"The terms of {plural(closed, 'source')} are not known as open: see licences.md.", width=width)
        )
    if made.private:
        click.echo(click.wrap_text(f"{plural(made.private, 'source')} must not be passed on and is not named.", width=width))
    note(f"Begin with {folder / 'findings.md'}")
