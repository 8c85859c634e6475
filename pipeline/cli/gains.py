"""The command that answers what changed parts are worth: gains."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from pipeline.cli.common import (
    json_option,
    note,
    paragraph,
    plural,
    print_json,
    print_table,
    printable,
    store_option,
    terminal_width,
)

CAUTION = (
    "Gains are what others measured on engines that lived long enough to be printed: no tune, no limit and no promise. "
    "Equal power is not equal stress; nothing here is a reason to raise boost."
)
#: Below this width the table of parts becomes sentences.
TABLE_WIDTH = 90
_TABLES = ("run", "build", "source", "change", "sweep_point")


def gains_of(store: Path, study: Any = None) -> Any:
    """The answers on parts of a store: the kept ones where nothing changed, else new ones, which are kept.

    Parameters
    ----------
    store : the store.
    study : its whole study (StudyResults) where it is at hand; else it is read or fitted.

    Returns
    -------
    models.gain_records.GainsResults
    """
    from models.gain_records import gains_from_json, gains_to_json
    from pipeline import store as store_module

    if study is None:
        from pipeline.cli.answers import study_of

        study, _ = study_of(store)
    with store_module.reading(store) as con:
        kept = store_module.read_result(con, "gains")
        if kept is not None and kept[0] == study.fingerprint:
            return gains_from_json(kept[1])
        tables = {name: store_module.query_table(con, name) for name in _TABLES}
    from models.gain_answers import answer_gains

    results = answer_gains(tables, study)
    with store_module.writing(store) as con:
        store_module.write_result(con, "gains", study.fingerprint, gains_to_json(results))
    return results


@click.command(short_help="What changed parts are worth, and whether a gain is real.")
@store_option
@click.option("--part", metavar="PART", help="Only one kind of part; a combination as 'camshaft + valve_springs'.")
@click.option("--pairs", "list_pairs", is_flag=True, help="Every before/after pair with its one-sentence answer.")
@click.option("--band", metavar="LOW-HIGH", help="Gain over a band of speeds [rpm], for pairs with curves.")
@json_option
def gains(store: Path, part: str | None, list_pairs: bool, band: str | None, as_json: bool) -> None:
    """What changed parts gave, as a share of the power before, and whether each gain is real.

    \b
    Examples:
      poundworth gains
      poundworth gains --json
      poundworth gains --part camshaft
      poundworth gains --pairs --part "camshaft + cylinder_head"
      poundworth gains --band 4000-6000

    The range for a new engine is that of one not yet tested. Growth under boost is 1 where the gain in power is multiplied by the
    full power ratio, 0 where it stays what it was without boost.
    """
    asked = None if band is None else _span(band)
    results = gains_of(store)
    kind = None if part is None else _kind(part, results)
    if asked is not None:
        _show_curves(results, kind, asked, as_json)
    elif list_pairs:
        _show_pairs([p for p in results.pairs if kind in (None, p.kind)], results, as_json)
    else:
        _show_parts([p for p in results.parts if kind in (None, p.part)], results, as_json)


def _kind(text: str, results: Any) -> str:
    """The kind that was asked for, however its parts are separated and ordered."""
    from pipeline.errors import RequestProblem

    words = [word.strip().lower().replace(" ", "_").replace("-", "_") for word in re.split(r"[+;,]", text)]
    wanted = " + ".join(sorted({word for word in words if word}))
    kinds = sorted({p.kind for p in results.pairs})
    if wanted not in kinds:
        known = "; ".join(kinds) or "none"
        raise RequestProblem(
            f'No pair changes "{text}"; the pairs of this store change: {known}. --part asks for one of them; '
            "leave it out to see all, or add tests of it to data_raw."
        )
    return wanted


def _span(text: str) -> Any:
    from models.gain_records import Span
    from pipeline.errors import RequestProblem

    found = re.fullmatch(r"\s*(\d{2,6}(?:\.\d+)?)\s*(?:rpm)?\s*(?:-|to|\.\.|\u2013)\s*(\d{2,6}(?:\.\d+)?)\s*(?:rpm)?\s*", text)
    if not found or not float(found[1]) < float(found[2]):
        raise RequestProblem(
            f'--band was given "{text}"; it takes two speeds in rpm, the lower first, as 4000-6000 does. Give the band so.'
        )
    return Span(float(found[1]), float(found[2]))


def _head(results: Any) -> None:
    if results.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    paragraph(CAUTION)
    click.echo("")


def _show_parts(parts: list[Any], results: Any, as_json: bool) -> None:
    if as_json:
        from pipeline.cli.study_json import to_plain

        over_all = {name: to_plain(getattr(results.growth, name)) for name in _OVER_ALL}
        print_json([to_plain(one) | {"growth_over_all_parts": over_all} for one in parts])
        return
    _head(results)
    if terminal_width() >= TABLE_WIDTH and parts:
        print_table([_cells(one) for one in parts], _HEADS, set(range(1, len(_HEADS))))
        for why in dict.fromkeys(e.why for one in parts for e in (one.gain_pct, one.new_engine_pct) if e.why):
            click.echo(printable(why))
    else:
        for one in parts:
            paragraph(one.sentence)
    click.echo("")
    told = [(one.part, m) for one in parts for m in one.moderators if _is_sure(m.difference_pct)]
    for kind, moderator in told:
        paragraph(f"{kind.replace('_', ' ')}: {moderator.sentence}")
    paragraph(results.growth.sentence)
    if results.growth.left_out:
        out = plural(len(results.growth.left_out), "pair")
        paragraph(f"{out} under boost could not be used for it; `poundworth gains --pairs` says why.")
    for text in (*(one.sentence for one in results.repeatability), *results.notes):
        paragraph(text)


#: What is told of growth over all kinds beside each kind; the pairs that were left out or are named stand in --pairs.
_OVER_ALL = (
    "growth", "moderation", "between_engines_share", "pairs", "boosted_pairs", "adjusted_pairs", "engines_both_ways", "more_pairs",
    "more_engines_both_ways", "asked_within", "sentence",
)  # fmt: skip
_HEADS = ["part", "gain %", "low", "high", "new: low", "high", "nothing on", "engines", "growth"]


def _cells(one: Any) -> list[str]:
    gain, new, silent = one.gain_pct, one.new_engine_pct, one.not_measurable
    figures = [("" if v is None else f"{v:+.1f}") for v in (gain.value, gain.low, gain.high, new.low, new.high)]
    count = "" if silent.value is None else f"{round(silent.value * one.engines)} of {one.engines}"
    growth = "" if one.growth_under_boost.value is None else f"{one.growth_under_boost.value:.1f}"
    return [one.part.replace("_", " "), *figures, count, f"{one.engines}", growth]


def _is_sure(difference: Any) -> bool:
    return difference.low is not None and difference.high is not None and (difference.low > 0 or difference.high < 0)


def _show_pairs(pairs: list[Any], results: Any, as_json: bool) -> None:
    if as_json:
        from pipeline.cli.study_json import to_plain

        print_json([to_plain(one) for one in pairs])
        return
    _head(results)
    for one in pairs:
        boost = f", {one.boost_before_kpa:.0f} kPa boost" if one.is_boosted else ""
        paragraph(f"{one.kind.replace('_', ' ')}, {one.publisher}, {one.build}{boost}:")
        paragraph(one.sentence, "  ")
    note(f"{plural(len(pairs), 'pair')}; {sum(bool(p.feeds) for p in pairs)} feed the figures.")


def _show_curves(results: Any, kind: str | None, band: Any, as_json: bool) -> None:
    from models.gain_curves import over_band
    from pipeline.errors import RequestProblem

    kinds = {p.change_key: p.kind for p in results.pairs}
    curves = [one.curve for one in results.curves if kind in (None, kinds.get(one.curve.change_key))]
    if not curves:
        raise RequestProblem(
            f"No pair{'' if kind is None else f' of {kind}'} has curves of power against speed, which --band {band.low_rpm:.0f}-"
            f"{band.high_rpm:.0f} asks for; {plural(len(results.pairs), 'pair')} in the store give peak figures only. Contribute sweeps "
            "of both runs, or leave --band out."
        )
    made, left_out = [], [one.sentence for one in results.curves_left_out]
    for curve in curves:
        try:
            made.append(over_band(curve, band))
        except RequestProblem as problem:
            left_out.append(str(problem))
    if not made:
        raise RequestProblem(left_out[-1])
    if as_json:
        from pipeline.cli.study_json import to_plain

        print_json([to_plain(one) | {"part": kinds.get(one.curve.change_key)} for one in made])
        return
    _head(results)
    for one in made:
        paragraph(f"{' + '.join(one.curve.parts).replace('_', ' ')}, {one.curve.publisher}, {one.curve.build}:")
        paragraph(one.sentence, "  ")
    for text in left_out:
        note(printable(text))
