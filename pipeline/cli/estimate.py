"""The command that answers for one engine: estimate."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from pipeline.cli.amounts import read_amount, read_code
from pipeline.cli.common import json_option, print_json, store_option

#: A bare displacement below this is meant in litres, whatever the unit of bare numbers.
LEAST_BARE_CU_IN = 30.0

#: Where the two outputs differ by less than this, it does not matter which is meant.
LEAST_CORRECTION = 0.01

_OPTIONS = (
    click.option("--na", metavar="POWER", help="Output without boost."),
    click.option("--boost", metavar="BOOST", help="Gauge boost asked about."),
    click.option("--target", metavar="POWER", help="Power wanted: the boost at which it is to be expected."),
    click.option("--made", metavar="POWER", help="Power made at --boost, instead of --na: the output without boost that it implies."),
)  # fmt: skip
#: What is asked of an engine, here and by `claim`.
ENGINE_OPTIONS = (
    click.option("--displacement", metavar="VOLUME", help="5.7L, 350ci, 3000cc."),
    click.option("--compression-ratio", type=float, metavar="RATIO", help="9.5 for 9.5 to 1."),
    click.option("--induction", metavar="WORDS", help="turbocharger, centrifugal or positive displacement, in any usual words."),
    click.option("--cooling", metavar="WORDS", help="Charge cooling: air to air, air to water or none."),
    click.option("--fuel", metavar="WORDS", help="Fuel, in any usual words."),
    click.option("--octane-aki", type=float, metavar="AKI", help="Pump octane, (RON + MON) / 2."),
    click.option("--octane-ron", type=float, metavar="RON", help="Research octane number."),
    click.option("--baseline-hardware", metavar="WORDS", help="What stayed on for the run without boost; removed where not given."),
    click.option("--ambient", metavar="PRESSURE", help="Air pressure at the dyno, absolute; sea level where not given."),
    click.option("--altitude", metavar="LENGTH", help="Altitude of the dyno, instead of --ambient."),
    click.option("--na-is", type=click.Choice(["observed", "corrected"]), help="Whether --na (or --made) is as read in that air."),
    click.option("--measured-at", metavar="WORDS", help="crank, hub or wheel."),
    click.option("--catalogue", is_flag=True, help="The output without boost is a maker's rating, not a measurement of this engine."),
    click.option("--compressor-rating", metavar="POWER", help="Power that the compressor's maker rates it for."),
    click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="Units of bare numbers and answers."),
)  # fmt: skip


def _options(command: Any) -> Any:
    for option in reversed((*_OPTIONS, *ENGINE_OPTIONS)):
        command = option(command)
    return command


def prediction_of(store: Path, results: Any = None) -> Any:
    """The model of the estimate and the check of it: kept with the study, made anew where that changed.

    Parameters
    ----------
    store : the store.
    results : its study where it is at hand; else it is read or fitted.

    Returns
    -------
    models.prediction_records.PredictionResults
    """
    from models.prediction_records import prediction_from_json, prediction_to_json
    from pipeline import store as store_module

    if results is None:
        from pipeline.cli.answers import study_of

        results, _ = study_of(store)
    with store_module.reading(store) as con:
        kept = store_module.read_result(con, "prediction")
        if kept is not None and kept[0] == results.fingerprint:
            return prediction_from_json(kept[1])
        runs, builds = (store_module.query_table(con, name) for name in ("run", "build"))
    from models.prediction_check import answer_prediction
    from models.sample import choose_sample

    made = answer_prediction(choose_sample(runs, builds), invented=results.invented)
    with store_module.writing(store) as con:
        store_module.write_result(con, "prediction", results.fingerprint, prediction_to_json(made))
    return made


@click.command(short_help="What to expect of one engine at a boost.")
@store_option
@_options
@json_option
def estimate(store: Path, as_json: bool, **asked: Any) -> None:
    """What one engine is to be expected to make at a boost, with its range and the builds that it rests on.

    \b
    Examples:
      poundworth estimate --na 340hp --boost 9psi
      poundworth estimate --na 340hp --boost 9psi --induction turbo --cooling "air to air" --displacement 5.0L
      poundworth estimate --na 250kW --boost 0.6bar --altitude 1600m --na-is corrected --units si
      poundworth estimate --na 340hp --target 500hp --induction centrifugal
      poundworth estimate --made 520hp --boost 9psi
      poundworth estimate --na 340hp --boost 9psi --json

    A bare number is power in hp, boost in psi, air pressure in kPa, altitude in ft and displacement in cubic inches; with --units si
    in kW, kPa, kPa, m and cc. Above sea level powers are as corrected, and as read there beside it. No boost beyond the
    evidence of the engine's class is proposed.
    """
    from models.expected_power import boost_for, implied_output, predict
    from pipeline.cli import estimate_shown as shown
    from pipeline.errors import RequestProblem

    _check_wishes(asked)
    results = prediction_of(store)
    model = results.model
    if model is None:
        raise RequestProblem(f"{store} gives no estimate: {results.why} Add builds to data_raw, then run `poundworth run`.")
    request, factor = engine_request(asked, model)
    if asked["made"] is not None:
        implied = implied_output(model, request, read_amount(asked["made"], "power", asked["units"]) * factor)
        answer = shown.Answer(results, asked["units"], factor, implied=implied)
    else:
        target = None
        if asked["target"] is not None:
            target = boost_for(model, request, read_amount(asked["target"], "power", asked["units"]) * factor)
        boost = request.boost_kpa if asked["boost"] is not None else target.boost_kpa if target is not None else None
        from dataclasses import replace

        made = None if boost is None else predict(model, replace(request, boost_kpa=boost))
        answer = shown.Answer(results, asked["units"], factor, estimate=made, target=target)
    if as_json:
        print_json(shown.to_json(answer))
        return
    shown.show(answer)


def _check_wishes(asked: dict[str, Any]) -> None:
    from pipeline.errors import RequestProblem

    def refuse(given: str, allowed: str) -> None:
        raise RequestProblem(
            f"The estimate was asked with {given}; it takes {allowed}. `poundworth estimate --help` shows examples: give it so."
        )

    if (asked["na"] is None) == (asked["made"] is None):
        refuse(
            "neither --na nor --made" if asked["na"] is None else "both --na and --made",
            "--na, the output without boost, or --made, the power at --boost, and not both",
        )
    if asked["made"] is not None and asked["target"] is not None:
        refuse("--made and --target", "--target together with --na")
    if asked["boost"] is None and (asked["made"] is not None or asked["target"] is None):
        refuse("no boost", "--boost, such as 8psi or 0.55bar, or --na with --target")
    if asked["ambient"] is not None and asked["altitude"] is not None:
        refuse("--ambient and --altitude", "one of them")


def engine_request(asked: dict[str, Any], model: Any) -> tuple[Any, float]:
    """The engine with corrected powers, and the factor from the powers of the command line to corrected ones.

    Parameters
    ----------
    asked : option -> text as given, or None; ``compression_ratio``, ``octane_ron`` and ``octane_aki`` as numbers, ``catalogue``
        a flag, ``units`` the unit system. ``as_json`` keeps it from asking back.
    model : of the study.

    Raises
    ------
    UnitProblem, RequestProblem : a figure or a code cannot be read, or what the power is has to be told.
    """
    from models.estimate_records import EngineRequest
    from models.expected_power import corrected_over_observed

    units, ambient = asked["units"], _ambient(asked)
    correction = corrected_over_observed(model.standard_air, ambient)
    factor = correction if _is_observed(asked, correction) else 1.0
    na_kw = 1.0 if asked["na"] is None else read_amount(asked["na"], "power", units) * factor
    rating = asked["compressor_rating"]
    request = EngineRequest(
        na_power_kw=na_kw,
        boost_kpa=1.0 if asked["boost"] is None else read_amount(asked["boost"], "boost", units),
        ambient_kpa=ambient,
        displacement_cc=_displacement(asked["displacement"], units),
        compression_ratio=asked["compression_ratio"],
        octane_ron=asked["octane_ron"],
        octane_aki=asked["octane_aki"],
        compressor_rating_kw=None if rating is None else read_amount(rating, "power", units),
        induction=read_code("induction", asked["induction"]),
        charge_cooling=read_code("charge_cooling", asked["cooling"]),
        fuel=read_code("fuel", asked["fuel"]),
        measured_at=read_code("measured_at", asked["measured_at"]),
        baseline_hardware=read_code("baseline_hardware", asked["baseline_hardware"]),
        is_catalogue_figure=asked["catalogue"],
    )
    return request, factor


def _ambient(asked: dict[str, Any]) -> float:
    from pipeline.air import standard_pressure_kpa
    from pipeline.errors import RequestProblem

    if asked["altitude"] is None:
        return 101.325 if asked["ambient"] is None else read_amount(asked["ambient"], "ambient", asked["units"])
    metres = read_amount(asked["altitude"], "altitude", asked["units"])
    if not -500.0 <= metres <= 6_000.0:
        raise RequestProblem(
            f"The altitude {asked['altitude']!r} is {metres:,.0f} m; dynos stand between -500 and 6,000 m. "
            "--altitude asks for the height above the sea with its unit, such as 1600m or 5200ft."
        )
    return float(standard_pressure_kpa(metres))


def _is_observed(asked: dict[str, Any], correction: float) -> bool:
    """Whether powers are given as read in the air at hand; asked for where it matters and nothing is said."""
    from pipeline.errors import RequestProblem

    if asked["na_is"] is not None:
        return bool(asked["na_is"] == "observed")
    if abs(correction - 1.0) < LEAST_CORRECTION or (asked["ambient"] is None and asked["altitude"] is None):
        return False
    if sys.stdin.isatty() and not asked.get("as_json"):
        return bool(
            click.prompt("Is the power as read in that air, or corrected?", type=click.Choice(["observed", "corrected"]))
            == "observed"
        )
    raise RequestProblem(
        f"The air is given but not whether the power is as read in it: the two differ by {100 * abs(correction - 1):.0f} % there. "
        "--na-is takes observed (as read) or corrected (to standard air, as most dyno sheets are); say which."
    )


def _displacement(text: str | None, units: str) -> float | None:
    from pipeline.errors import UnitProblem

    if text is None:
        return None
    cc = read_amount(text, "displacement", units)
    is_bare = not any(c.isalpha() for c in text)
    if is_bare and cc < LEAST_BARE_CU_IN * (1.0 if units == "si" else 16.387064):
        raise UnitProblem(
            f"The displacement {text!r} has no unit and would be {cc:,.0f} cc; an engine of litres needs its unit. "
            "--displacement takes 5.0L, 350ci or 3000cc: write the unit."
        )
    return cc
