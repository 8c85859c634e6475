"""Offset boost and ways to a target as text and as JSON, in the reader's units; no arithmetic but that of units."""

from __future__ import annotations

import shutil
import textwrap
from typing import Any

import click

from pipeline.cli.common import print_table, printable

#: Unit and decimals of what is shown, by unit system; the pages show the same.
POWER = {"us": ("hp", 0), "si": ("kW", 0)}
BOOST = {"us": ("psi", 2), "si": ("kPa", 1)}

WIDEST = 100


def _factor(from_unit: str, units: str) -> tuple[float, str, int]:
    from pipeline.units import convert, unit_named

    name, digits = (POWER if from_unit == "kW" else BOOST)[units]
    return convert(1.0, unit_named(from_unit), unit_named(name)), name, digits


def in_units(estimate: Any, units: str) -> Any:
    """An estimate in kW or kPa in the reader's unit; None stays None."""
    from dataclasses import replace

    if estimate is None:
        return None
    factor, name, _ = _factor(estimate.unit, units)
    ends = {end: None if (v := getattr(estimate, end)) is None else v * factor for end in ("value", "low", "high")}
    return replace(estimate, unit=name, **ends)


def _amount(value: float | None, from_unit: str, units: str) -> float | None:
    return None if value is None else value * _factor(from_unit, units)[0]


def written(value: float | None, from_unit: str, units: str, *, unit: bool = True) -> str:
    """A figure in the reader's unit; `-` where it is missing."""
    if value is None:
        return "-"
    factor, name, digits = _factor(from_unit, units)
    return f"{value * factor:.{digits}f}" + (f" {name}" if unit else "")


def _cells(estimate: Any, units: str) -> list[str]:
    return [written(v, estimate.unit, units, unit=False) for v in (estimate.value, estimate.low, estimate.high)]


def _say(text: str, lead: str = "", rest: str = "") -> None:
    """A sentence, folded to the terminal."""
    width = min(shutil.get_terminal_size((WIDEST, 24)).columns, WIDEST)
    click.echo(textwrap.fill(printable(text), width, initial_indent=lead, subsequent_indent=rest, break_long_words=False))


def _say_first(invented: bool, cautions: tuple[str, ...]) -> None:
    """What comes before any figure."""
    if invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    for text in cautions:
        _say(text)
    click.echo("")


def _say_each(head: str, texts: tuple[str, ...], indent: str = "") -> None:
    if texts:
        if head:
            click.echo(f"{indent}{head}")
        for text in texts:
            _say(text, f"{indent}- ", f"{indent}  ")


def _engine_words(engine: Any) -> str:
    """What is known of the engine, in words."""
    said = [str(code).replace("_", " ") for code in (engine.induction, engine.fuel) if code]
    if engine.charge_cooling:
        said.append("uncooled" if engine.charge_cooling == "none" else engine.charge_cooling.replace("_", " ") + " cooled")
    return ", ".join([*said, f"air at {engine.ambient_kpa:.1f} kPa"])


def _curve_words(curve: Any) -> str:
    kind = [str(code).replace("_", " ") for code in (curve.induction, curve.charge_cooling) if code and code != "none"]
    if curve.charge_cooling == "none":
        kind.append("uncooled")
    which = f"{curve.builds_of_kind} builds of this kind ({', '.join(kind)}) among " if kind else ""
    return f"The curve rests on {which}{curve.builds} builds of {curve.publishers} publishers."


def show_offset(answer: Any, units: str, invented: bool, level: float) -> None:
    """One engine as text."""
    engine, gain = answer.engine, answer.gain
    _say_first(invented, answer.cautions)
    spread = f" with a standard error of {written(gain.sd * engine.na_kw, 'kW', units)}" if gain.sd else ""
    na, won = written(engine.na_kw, "kW", units), written(answer.gain_kw, "kW", units)
    _say(f"{na} without boost, a gain of {won} ({gain.share:.1%}){spread}; {_engine_words(engine)}.")
    click.echo("")
    unit = BOOST[units][0]
    rows = [["from no boost", written(answer.rule_kpa, "kPa", units, unit=False), *_cells(answer.at_no_boost, units)]]
    if answer.at_boost is not None:
        rule = written(answer.rule_at_boost_kpa, "kPa", units, unit=False)
        rows.append([f"at {written(engine.boost_kpa, 'kPa', units)}", rule, *_cells(answer.at_boost, units)])
    print_table(rows, [f"boost for the same power, {unit}", "rule", "value", "low", "high"], {1, 2, 3, 4})
    click.echo("")
    _say(
        f"Ranges hold {level:.0%} of such engines. The rule is the gain over (output / 14.7 psi); at boost it is multiplied too."
    )
    _say(_curve_words(answer.curve))
    asked = (answer.at_no_boost, answer.at_boost)
    for why in dict.fromkeys(e.why for e in asked if e is not None and e.why):
        _say(why)
    _say_each("Outside the evidence:", answer.outside_evidence)
    _say_each("Notes:", answer.notes)


def show_offsets(answers: list[Any], units: str, invented: bool, level: float) -> None:
    """Several engines as the table a writer wants."""
    _say_first(invented, answers[0].cautions)
    first = answers[0]
    _say(f"Boost that gives the same power as the gain; {_engine_words(first.engine)}.")
    click.echo("")
    heads = [f"output, {POWER[units][0]}", "gain", f"rule, {BOOST[units][0]}", "from none", "range"]
    if first.at_boost is not None:
        heads += [f"at {written(first.engine.boost_kpa, 'kPa', units)}", "range"]
    rows = []
    for one in answers:
        row = [
            written(one.engine.na_kw, "kW", units, unit=False), written(one.gain_kw, "kW", units, unit=False),
            written(one.rule_kpa, "kPa", units, unit=False),
        ]  # fmt: skip
        for estimate in (one.at_no_boost, one.at_boost):
            if estimate is not None:
                value, low, high = _cells(estimate, units)
                row += [value, f"{low} to {high}"]
        rows.append(row)
    print_table(rows, heads, set(range(len(heads))))
    click.echo("")
    _say(f"Ranges hold {level:.0%} of such engines. The rule is the gain over (output / 14.7 psi).")
    _say(_curve_words(first.curve))
    whys = [e.why for one in answers for e in (one.at_no_boost, one.at_boost) if e is not None and e.why]
    for why in dict.fromkeys(whys):
        _say(why)
    _say_each("Outside the evidence:", tuple(dict.fromkeys(text for one in answers for text in one.outside_evidence)))
    _say_each("Notes:", tuple(dict.fromkeys(text for one in answers for text in one.notes)))


def offset_json(answer: Any, units: str, invented: bool) -> dict[str, Any]:
    """One engine in the shape that scripts rely on; boosts in psi, or in kPa with SI units."""
    from pipeline.cli.study_json import to_plain

    engine = answer.engine
    return {
        "cautions": list(answer.cautions),
        "rule": _amount(answer.rule_kpa, "kPa", units),
        "at_no_boost": to_plain(in_units(answer.at_no_boost, units)),
        "at_boost": to_plain(in_units(answer.at_boost, units)),
        "bounded": answer.bounded,
        "rule_at_boost": _amount(answer.rule_at_boost_kpa, "kPa", units),
        "unit": BOOST[units][0],
        "na": _amount(engine.na_kw, "kW", units),
        "gain": _amount(answer.gain_kw, "kW", units),
        "power_unit": POWER[units][0],
        "gain_pct": 100.0 * answer.gain.share,
        "boost": _amount(engine.boost_kpa, "kPa", units),
        "growth_under_boost": to_plain(answer.growth),
        "engine": to_plain(engine),
        "curve": to_plain(answer.curve),
        "notes": list(answer.notes),
        "outside_evidence": list(answer.outside_evidence),
        "invented": invented,
    }


def choice_json(choice: Any, units: str, invented: bool) -> list[dict[str, Any]]:
    """A list of ways in the shape that scripts rely on; what all share is repeated in each."""
    from pipeline.cli.study_json import to_plain

    return [
        {
            "way": way.way,
            "boost": to_plain(in_units(way.boost, units)),
            "power": to_plain(in_units(way.power, units)),
            "chance_figure_reached": way.chance_figure_reached,
            "cautions": [*choice.cautions, *way.cautions],
            "parts": list(way.parts),
            "extra_boost": _amount(way.extra_boost_kpa, "kPa", units),
            "reaches_target": way.reaches_target,
            "stopped_by": way.stopped_by,
            "compressor_exceeded": way.compressor_exceeded,
            "builds_at_boost": way.builds_at_boost,
            "price": way.price,
            "outside_evidence": list(way.outside_evidence),
            "highest_boost": _amount(choice.highest_boost_kpa, "kPa", units),
            "highest_boost_set_by": choice.stopped_by,
            "notes": list(choice.notes),
            "invented": invented,
        }
        for way in choice.ways
    ]


def show_choice(choice: Any, units: str, invented: bool) -> None:
    """All ways as text."""
    _say_first(invented, choice.cautions)
    engine = choice.engine
    now = f", {written(engine.boost_kpa, 'kPa', units)} now" if engine.boost_kpa else ""
    target = written(choice.target_kw, "kW", units)
    _say(f"From {written(engine.na_kw, 'kW', units)} without boost{now} to {target}; {_engine_words(engine)}.")
    for way in choice.ways:
        _show_way(way, target, units)
    click.echo("")
    _say(_curve_words(choice.curve))
    _say_each("Notes:", choice.notes)


_STOPPED = {
    "evidence": "held to what was tested",
    "max_boost": "held to the boost that you allow",
    "no boost reaches it": "more boost would add nothing: the curve bends over",
}


def _percent(share: float) -> str:
    """A chance in whole per cent; never 0 or 100, which draws cannot tell."""
    return "under 1%" if share < 0.01 else "over 99%" if share > 0.99 else f"{share:.0%}"


def _show_way(way: Any, target: str, units: str) -> None:
    click.echo("")
    click.echo(printable(way.way[0].upper() + way.way[1:]))
    value, low, high = _cells(way.power, units)
    chance = (
        ""
        if way.chance_figure_reached is None
        else f"; the figure reaches {target} in {_percent(way.chance_figure_reached)} of such engines"
    )
    _say(f"power {value} {POWER[units][0]} ({low} to {high}){chance}, if the engine survives", "  ", "    ")
    boost = f"boost {written(way.boost.value, 'kPa', units)} ({written(way.extra_boost_kpa, 'kPa', units, unit=False)} more)"
    stopped = f", {_STOPPED[way.stopped_by]}" if way.stopped_by else ""
    need = ""
    if way.boost.low is not None or way.boost.high is not None:
        high_end = written(way.boost.high, "kPa", units) if way.boost.high is not None else "more than is proposed"
        need = f"; such engines need {written(way.boost.low, 'kPa', units, unit=False)} to {high_end} for the target"
    ran = f"; {way.builds_at_boost} builds were tested at this boost or more" if way.boost.value else ""
    _say(boost + stopped + need + ran, "  ", "    ")
    if way.compressor_exceeded is not None:
        _say("above the compressor's rating" if way.compressor_exceeded else "within the compressor's rating", "  ", "    ")
    _say_each("", (*way.outside_evidence, *way.cautions), "  ")
