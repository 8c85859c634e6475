"""Commands on parts or boost: `offset` (how much boost gives the same power as a part) and `choose` (ways to a target)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from pipeline.cli.amounts import read_amount, read_code
from pipeline.cli.common import json_option, print_json, store_option

#: Most engines that one table holds.
MOST_ENGINES = 200

_OPTIONS = (
    click.option("--boost", metavar="BOOST", help="Gauge boost that the engine runs now."),
    click.option("--made", metavar="POWER", help="Power measured at that boost; narrows the range."),
    click.option("--ambient", metavar="PRESSURE", help="Air pressure where it runs, absolute; sea level where not given."),
    click.option("--induction", metavar="WORDS", help="turbocharger, centrifugal or positive displacement, in any usual words."),
    click.option("--cooling", metavar="WORDS", help="Charge cooling: air to air, air to water or none."),
    click.option("--fuel", metavar="WORDS", help="Fuel, in any usual words."),
    click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="Units of bare numbers and answers."),
)  # fmt: skip


def _engine_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What both commands ask of the engine."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def offset_model_of(store: Path, results: Any) -> Any:
    """The curves that offset boost is worked out from: kept with the study, made anew where that changed.

    Parameters
    ----------
    store : the store.
    results : its study, from :func:`pipeline.cli.answers.study_of`.

    Returns
    -------
    models.offset_records.OffsetModel
    """
    from models.offset_records import offset_model_from_json, offset_model_to_json
    from pipeline import store as store_module

    with store_module.reading(store) as con:
        kept = store_module.read_result(con, "offset")
        if kept is not None and kept[0] == results.fingerprint:
            return offset_model_from_json(kept[1])
        runs, builds = (store_module.query_table(con, name) for name in ("run", "build"))
    from models.offset_curves import make_offset_model
    from models.sample import choose_sample

    model = make_offset_model(choose_sample(runs, builds), results)
    with store_module.writing(store) as con:
        store_module.write_result(con, "offset", results.fingerprint, offset_model_to_json(model))
    return model


def _engine_of(na_kw: float, asked: dict[str, Any]) -> Any:
    from models.offset_records import Engine
    from models.rule import SEA_LEVEL_KPA

    units = asked["units"]
    return Engine(
        na_kw=na_kw,
        ambient_kpa=SEA_LEVEL_KPA if asked["ambient"] is None else read_amount(asked["ambient"], "ambient", units),
        boost_kpa=None if asked["boost"] is None else read_amount(asked["boost"], "boost", units),
        made_kw=None if asked["made"] is None else read_amount(asked["made"], "power", units),
        induction=read_code("induction", asked["induction"]),
        charge_cooling=read_code("charge_cooling", asked["cooling"]),
        fuel=read_code("fuel", asked["fuel"]),
    )


def _share_of(text: str, na_kw: float, units: str, what: str) -> float:
    """A gain given as power or in per cent, as a share of the output without boost."""
    from pipeline.errors import UnitProblem

    stripped = text.strip()
    if not stripped.endswith("%"):
        return read_amount(text, "power", units) / na_kw
    try:
        return float(stripped[:-1].replace(",", ".")) / 100.0
    except ValueError:
        raise UnitProblem(f"The {what} {text!r} is no percentage; write it as 40hp, 30kW or 10%.") from None


def _named_part(name: str, gains: Any) -> Any:
    """A kind of part of the study by name."""
    from models.choose import parts_of
    from pipeline.errors import RequestProblem

    known = {part.part: part for part in parts_of(gains)}
    wanted = " + ".join(sorted(word.strip().lower().replace(" ", "_").replace("-", "_") for word in name.split("+")))
    if wanted not in known:
        there = ", ".join(known) or "none"
        raise RequestProblem(f"The study has no gain of the part {name!r}; it has: {there}. Name one of them, or give --gain.")
    return known[wanted]


def _na_list(text: str, units: str) -> list[float]:
    import re

    from pipeline.errors import RequestProblem, UnitProblem

    if re.match(r"\s*[1-9]\d?,\d{3}(\D|$)", text):
        raise UnitProblem(
            f"--na {text!r} can mean thousands or a list of engines; write a list with units, as in 90hp,120hp, and 1600hp without a comma."
        )
    pieces = [piece for piece in text.replace(";", ",").split(",") if piece.strip()]
    if not 0 < len(pieces) <= MOST_ENGINES:
        raise RequestProblem(
            f"--na names {len(pieces)} engines; it takes 1 to {MOST_ENGINES}, as in --na 300hp,400hp,500hp. Give their outputs without boost."
        )
    return [read_amount(piece, "power", units) for piece in pieces]


@click.command(short_help="How much boost gives the same power as a part.")
@store_option
@click.option("--na", required=True, metavar="POWER[,POWER...]", help="Output without boost, of one engine or of several.")
@click.option("--gain", metavar="GAIN", help="What the part gains without boost, as power or in per cent.")
@click.option("--gain-error", metavar="GAIN", help="Standard error of that gain; taken as exact where not given.")
@click.option("--part", metavar="PART", help="A kind of part instead of a gain: what the study found of it.")
@_engine_options
@json_option
def offset(store: Path, na: str, gain: str | None, gain_error: str | None, part: str | None, as_json: bool, **asked: Any) -> None:
    """How much boost gives the same power as a part: from no boost, and at the boost that the engine runs.

    \b
    Examples:
      poundworth offset --na 400hp --gain 40hp
      poundworth offset --na 400hp --gain 40hp --boost 8psi --induction turbo --cooling air-to-air
      poundworth offset --na 400hp --gain 40hp --gain-error 5hp --boost 8psi --made 590hp
      poundworth offset --na 300hp,400hp,500hp,600hp,700hp --gain 56hp
      poundworth offset --na 298kW --part camshaft --boost 0.55bar --units si
      poundworth offset --na 400hp --gain 10% --json

    A bare number is read in hp and psi (--units si: kW and kPa). Ranges are for one engine of the stated kind. Equal power is
    not equal stress: offset boost is arithmetic, not permission to raise boost.
    """
    from models.choose import gain_of, growth_of
    from models.offset_boost import answer_offset
    from models.offset_records import Gain
    from pipeline.cli.answers import study_of
    from pipeline.cli.gains import gains_of
    from pipeline.cli.offset_shown import offset_json, show_offset, show_offsets

    if (gain is None) == (part is None):
        raise click.UsageError("give either --gain (such as 40hp or 10%) or --part (such as camshaft)")
    if part is not None and gain_error is not None:
        raise click.UsageError("--gain-error goes with --gain; the range of --part comes from the study")
    units = asked["units"]
    outputs = _na_list(na, units)
    results, _ = study_of(store)
    model = offset_model_of(store, results)
    # without boost and with a gain of the reader's own, the answers on parts are not asked
    gains = gains_of(store, results) if part is not None or asked["boost"] is not None else None
    answers = []
    for na_kw in outputs:
        engine = _engine_of(na_kw, asked)
        if part is not None:
            worth = gain_of(_named_part(part, gains))
        else:
            error = 0.0 if gain_error is None else _share_of(gain_error, na_kw, units, "error of the gain")
            worth = Gain(_share_of(gain or "", na_kw, units, "gain"), error)
        answers.append(answer_offset(model, engine, worth, growth_of(gains)))
    if as_json:
        rows = [offset_json(answer, units, results.invented) for answer in answers]
        print_json(rows[0] if len(rows) == 1 else rows)
    elif len(answers) == 1:
        show_offset(answers[0], units, results.invented, model.level)
    else:
        show_offsets(answers, units, results.invented, model.level)


@click.command(short_help="Ways to a target power: boost, parts, or both.")
@store_option
@click.option("--na", required=True, metavar="POWER", help="Output without boost.")
@click.option("--target", required=True, metavar="POWER", help="Power to reach.")
@click.option("--boost-now", metavar="BOOST", help="The same as --boost: gauge boost that the engine runs now.")
@click.option("--max-boost", metavar="BOOST", help="Most gauge boost that you allow.")
@click.option("--compressor-rating", metavar="POWER", help="Power that the compressor's maker states.")
@click.option("--gain", metavar="GAIN", help="Gain of a part of your own, as power or in per cent without boost.")
@_engine_options
@json_option
def choose(
    store: Path, na: str, target: str, boost_now: str | None, max_boost: str | None, compressor_rating: str | None,
    gain: str | None, as_json: bool, **asked: Any,
) -> None:  # fmt: skip
    """Ways to a target power: more boost alone, each kind of part alone, a part and boost.

    \b
    Examples:
      poundworth choose --na 400hp --target 600hp --induction turbo --cooling air-to-air --fuel petrol
      poundworth choose --na 400hp --target 650hp --boost-now 8psi --made 590hp --max-boost 12psi
      poundworth choose --na 400hp --target 600hp --compressor-rating 620hp --gain 40hp
      poundworth choose --na 298kW --target 450kW --units si --json

    No boost is proposed beyond what three builds of the engine's class were tested at, nor beyond --max-boost. The chance is
    that of the dyno figure, if the engine survives; survival is not estimated.
    """
    from models.choose import Limits, choose_way, growth_of, own_part, parts_of
    from pipeline.cli.answers import study_of
    from pipeline.cli.gains import gains_of
    from pipeline.cli.offset_shown import choice_json, show_choice

    if boost_now is not None and asked["boost"] is not None:
        raise click.UsageError("--boost-now and --boost are the same; give one of them")
    units = asked["units"]
    engine = _engine_of(read_amount(na, "power", units), asked | {"boost": boost_now or asked["boost"]})
    limits = Limits(
        None if max_boost is None else read_amount(max_boost, "boost", units),
        None if compressor_rating is None else read_amount(compressor_rating, "power", units),
    )
    own = () if gain is None else (own_part(_share_of(gain, engine.na_kw, units, "gain")),)
    target_kw = read_amount(target, "power", units)
    results, _ = study_of(store)
    model, gains = offset_model_of(store, results), gains_of(store, results)
    found = choose_way(model, engine, target_kw, (*own, *parts_of(gains)), growth_of(gains), limits)
    if as_json:
        print_json(choice_json(found, units, results.invented))
        return
    show_choice(found, units, results.invented)
