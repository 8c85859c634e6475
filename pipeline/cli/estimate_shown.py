"""The estimate for one engine as text and as JSON, in the reader's units; no arithmetic but that of units."""

from __future__ import annotations

import shutil
import textwrap
from dataclasses import dataclass
from typing import Any

import click

from pipeline.cli.common import print_table, printable

#: From unit of the records to unit, factor name and decimals shown, by unit system.
_UNITS = {
    "us": {"kW": ("hp", 0), "kPa": ("psi", 1), "kW/kPa": ("hp/psi", 2), "1": ("1", 3)},
    "si": {"kW": ("kW", 0), "kPa": ("kPa", 0), "kW/kPa": ("kW/kPa", 2), "1": ("1", 3)},
}
WIDEST = 100
#: Below this width neighbours are sentences.
TABLE_WIDTH = 90

_ENDS = ("value", "low80", "high80", "low95", "high95")


@dataclass(frozen=True, slots=True)
class Answer:
    """What is shown: results of the store, unit system, corrected over given power, and one of the two kinds of answer."""

    results: Any
    units: str
    factor: float
    estimate: Any = None
    target: Any = None
    implied: Any = None


def cautions_for(answer: Answer) -> tuple[str, ...]:
    """What has to be read before any figure."""
    from models.offset_cautions import BOOST_CAUTIONS, COMPRESSOR_CAUTION

    of_boost = tuple(text for text in BOOST_CAUTIONS if "Offset boost" not in text)
    engine = _request_of(answer)
    return (*of_boost, *((COMPRESSOR_CAUTION,) if engine is not None and engine.compressor_rating_kw is not None else ()))


def _request_of(answer: Answer) -> Any:
    made = answer.estimate or answer.implied
    return None if made is None else made.request


def _factor(unit: str, units: str) -> float:
    from pipeline.units import convert, unit_named

    if units == "si" or unit == "1":
        return 1.0
    power = convert(1.0, unit_named("kW"), unit_named("hp"))
    pressure = convert(1.0, unit_named("kPa"), unit_named("psi"))
    return {"kW": power, "kPa": pressure, "kW/kPa": power / pressure}[unit]


def _written(value: float | None, unit: str, units: str, with_unit: bool = True) -> str:
    if value is None:
        return "-"
    name, digits = _UNITS[units][unit]
    return f"{value * _factor(unit, units):,.{digits}f}" + (f" {name}" if with_unit and name != "1" else "")


# --- JSON ---------------------------------------------------------------------------------------------------------------


def to_json(answer: Answer) -> dict[str, Any]:
    """The answer in the shape that scripts rely on."""
    model, units = answer.results.model, answer.units
    shape: dict[str, Any] = {"cautions": list(cautions_for(answer))}
    if answer.implied is not None:
        shape |= {"na_power": _ranges(answer.implied.na_power, units), "made": _amount(answer.implied.made_kw, "kW", units)}
        shape |= _outside_json(answer.implied.outside)
    if answer.estimate is not None:
        shape |= _estimate_json(answer.estimate, units)
    if answer.target is not None:
        target = answer.target
        shape["target"] = {
            "power": _amount(target.target_kw, "kW", units),
            **{name: _amount(getattr(target, f"{name}_kpa"), "kPa", units) for name in ("boost", "low", "high", "limit")},
            "unit": _UNITS[units]["kPa"][0], "level": 0.80, "why": target.why,
        }  # fmt: skip
    return shape | {
        "power_is": "corrected", "given_to_corrected": answer.factor, "builds": model.builds, "runs": model.runs, "why": model.why,
        "invented": model.invented, "measured": None if answer.results.check is None else answer.results.check.sentence,
    }  # fmt: skip


def _estimate_json(made: Any, units: str) -> dict[str, Any]:
    physics = {"low": made.physics_low_kw, "high": made.physics_high_kw}
    return {
        "power": _ranges(made.power, units),
        "yield": _ranges(made.yield_, units),
        "marginal_yield": _ranges(made.marginal_yield, units),
        "gain_ratio": _ranges(made.gain_ratio, units),
        "rule_power": _amount(made.rule_power_kw, "kW", units),
        "rule_yield": _amount(made.rule_yield, "kW/kPa", units),
        "physics_power": {name: _amount(value, "kW", units) for name, value in physics.items()},
        "neighbours": [_neighbour_json(one, made.request, units) for one in made.neighbours],
        "method": made.method,
    } | _outside_json(made.outside)


def _outside_json(outside: Any) -> dict[str, Any]:
    from models.outside_evidence import say_outside
    from pipeline.cli.study_json import to_plain

    return {"outside_evidence": [to_plain(item) | {"sentence": say_outside(item)} for item in outside]}


def _neighbour_json(one: Any, request: Any, units: str) -> dict[str, Any]:
    from models.similar_builds import say_differences

    build = one.build
    return {
        "source": build.source, "publisher": build.publisher, "build": build.build, "likeness": one.likeness, "distance": one.distance,
        "differs": say_differences(one), "na_power": _amount(build.na_power_kw, "kW", units),
        "boost": _amount(one.nearest_boost_kpa, "kPa", units),
        "made": _amount(build.na_power_kw * (1 + one.nearest_gain_ratio), "kW", units), "rule_ratio": build.rule_ratio,
        "would_make": _amount(one.would_make_kw, "kW", units),
    }  # fmt: skip


def _amount(value: float | None, unit: str, units: str) -> float | None:
    return None if value is None else value * _factor(unit, units)


def _ranges(of: Any, units: str) -> dict[str, Any]:
    return {end: _amount(getattr(of, end), of.unit, units) for end in _ENDS} | {"unit": _UNITS[units][of.unit][0]}


# --- text ---------------------------------------------------------------------------------------------------------------


def _width() -> int:
    return min(shutil.get_terminal_size((WIDEST, 24)).columns, WIDEST)


def _say(text: str, units: str, lead: str = "", rest: str = "") -> None:
    """A sentence in the reader's units, folded to the terminal."""
    from reports.quantities_in_text import in_reader_units

    _fold(getattr(in_reader_units(text), units), lead, rest)


def _fold(text: str, lead: str = "", rest: str = "") -> None:
    click.echo(textwrap.fill(printable(text), _width(), initial_indent=lead, subsequent_indent=rest, break_long_words=False))


def show(answer: Answer) -> None:
    """The answer as text: cautions, what lies outside the evidence, figures, neighbours."""
    from models.outside_evidence import say_outside

    units, made = answer.units, answer.estimate or answer.implied
    if answer.results.model.invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    for text in cautions_for(answer):
        _say(text, units)
    click.echo("")
    if made is not None:
        for item in made.outside:
            _say(f"OUTSIDE THE EVIDENCE: {say_outside(item)}", units)
        _fold(_engine_words(answer, made))  # air is stated in kPa absolute in both systems
    if answer.target is not None:
        _show_target(answer)
    if answer.implied is not None:
        _show_implied(answer)
    elif answer.estimate is not None:
        _show_estimate(answer)
    if answer.results.check is not None:
        _say(answer.results.check.sentence, units)
    if answer.results.model.why:
        _say(answer.results.model.why, units)


def _engine_words(answer: Answer, made: Any) -> str:
    request, units = made.request, answer.units
    codes = (request.induction, request.charge_cooling, request.fuel, request.measured_at)
    said = [str(code).replace("_", " ") if code != "none" else "uncooled" for code in codes if code]
    if request.displacement_cc is not None:
        said.append(f"{request.displacement_cc / 1000:.2f} litres")
    said.append(f"air at {request.ambient_kpa:.1f} kPa absolute")
    start = "Made" if answer.implied is not None else "Without boost"
    power = answer.implied.made_kw if answer.implied is not None else request.na_power_kw
    figure = _written(power, "kW", units)
    if abs(answer.factor - 1.0) > 1e-12:
        figure += f" corrected ({_written(power / answer.factor, 'kW', units)} as read)"
    return f"{start} {figure}, boost {_written(request.boost_kpa, 'kPa', units)}" + "".join(f", {one}" for one in said) + "."


def _show_target(answer: Answer) -> None:
    target, units = answer.target, answer.units
    wanted = _written(target.target_kw, "kW", units)
    limit = _written(target.limit_kpa, "kPa", units)
    if target.boost_kpa is None:
        _say(f"{wanted} is not to be expected up to {limit}, the most tested of its kind. {target.why}", units)
        return
    low = "less than tested" if target.low_kpa is None else _written(target.low_kpa, "kPa", units)
    high = f"beyond {limit}, the most tested" if target.high_kpa is None else _written(target.high_kpa, "kPa", units)
    _say(f"{wanted} is to be expected at {_written(target.boost_kpa, 'kPa', units)} (80 % range {low} to {high}).", units)


def _between(of: Any, units: str, level: str) -> str:
    low, high = getattr(of, f"low{level}"), getattr(of, f"high{level}")
    if low is None or high is None:
        return "not given"
    return f"{_written(low, of.unit, units, False)} to {_written(high, of.unit, units)}"


def _show_implied(answer: Answer) -> None:
    na, units = answer.implied.na_power, answer.units
    _say(
        f"That implies {_between(na, units, '80')} without boost (80 %; 95 %: {_between(na, units, '95')}); "
        f"most likely {_written(na.value, 'kW', units)}.", units,
    )  # fmt: skip


def _show_estimate(answer: Answer) -> None:
    made, units = answer.estimate, answer.units
    click.echo("")
    rows = [
        [name, _between(of, units, "80"), _between(of, units, "95"), _written(of.value, of.unit, units)]
        for name, of in (("power", made.power), ("gain per boost", made.yield_), ("next bit of boost", made.marginal_yield))
    ]
    if abs(answer.factor - 1.0) > 1e-12:
        rows.insert(1, ["power as read there", *(_as_read(made.power, answer, level) for level in ("80", "95", ""))])
    if _width() >= TABLE_WIDTH:
        print_table(rows, ["", "80 % range", "95 % range", "expected"], {1, 2, 3})
    else:
        for name, narrow, wide, value in rows:
            _say(f"{name}: {narrow} (80 %), {wide} (95 %), expected {value}", units, "", "  ")
    low, high = (_written(value, "kW", units, False) for value in (made.physics_low_kw, made.physics_high_kw))
    unit = _UNITS[units]["kW"][0]
    rule = _written(made.rule_power_kw, "kW", units)
    _say(f"The rule says {rule}; heat, friction, belt and exhaust lead one to expect {low} to {high} {unit}.", units)
    if made.request.compressor_rating_kw is not None:
        _say_rating(answer)
    click.echo("")
    _show_neighbours(answer)


def _as_read(power: Any, answer: Answer, level: str) -> str:
    from dataclasses import replace

    given = {end: None if (v := getattr(power, end)) is None else v / answer.factor for end in _ENDS}
    read = replace(power, **given)
    return _between(read, answer.units, level) if level else _written(read.value, "kW", answer.units)


def _say_rating(answer: Answer) -> None:
    made, units = answer.estimate, answer.units
    rating, high = made.request.compressor_rating_kw, made.power.high80 or made.power.value
    verdict = "reaches beyond" if high > rating else "stays within"
    _say(f"The 80 % range {verdict} the compressor's rating of {_written(rating, 'kW', units)}.", units)


def _show_neighbours(answer: Answer) -> None:
    from models.similar_builds import say_differences

    units, made = answer.units, answer.estimate
    _fold(f"The {len(made.neighbours)} most similar builds, and what this engine would make if it took boost as they did:")
    for one in made.neighbours:
        build = one.build
        figures = (
            f"{_written(build.na_power_kw, 'kW', units, False)} to {_written(build.na_power_kw * (1 + one.nearest_gain_ratio), 'kW', units)} "
            f"at {_written(one.nearest_boost_kpa, 'kPa', units)}"
        )
        text = (
            f"{_written(one.would_make_kw, 'kW', units)}: {build.publisher}, {build.build} ({figures}); {one.likeness}: "
            f"{say_differences(one)}"
        )
        _say(text, units, "  ", "      ")
    click.echo("")
