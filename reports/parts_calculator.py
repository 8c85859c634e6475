"""What the page's own script needs to give the figures of the command: curves, draws, ends of the sliders.

The script follows ``models/offset_boost.py`` step by step; everything that does not depend on the reader's engine is worked
out by the models and handed over here, in SI.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from models.choose import gain_of, parts_of
from models.gain_records import GainsResults
from models.offset_boost import LEAST_MULTIPLE, engine_curve
from models.offset_evidence import highest_tested, kinds_like
from models.offset_records import Engine, Growth, OffsetModel, PowerCurve, TestedKind
from models.offset_tables import LARGEST_SHARE
from models.rule import REFERENCE_BOOST_RATIO, SEA_LEVEL_KPA, TRADE_ATMOSPHERE_KPA
from pipeline.units import convert, unit_named
from reports.labels import COOLING, INDUCTION, clean_text, word_for
from reports.part_words import part_words

#: Units of the inputs by unit system, as the command line reads them.
_UNITS = {"us": ("hp", "psi"), "si": ("kW", "kPa")}

#: Decimals of a boost and of its slider's step, by unit system; the command prints the same.
BOOST_DIGITS = {"us": 2, "si": 1}

#: Largest gain that a slider offers where no pair tells.
USUAL_SHARE = 0.15


def commonest_kind(model: OffsetModel) -> TestedKind | None:
    """The fully stated kind of engine with most builds; the page's charts are drawn for it."""
    stated = [kind for kind in model.tested if None not in (kind.induction, kind.charge_cooling, kind.fuel)]
    return max(stated, key=lambda kind: kind.builds, default=None)


def largest_share(gains: GainsResults) -> float:
    """Largest gain without boost that a pair of the study showed, as a share; no more than a table takes for one part."""
    seen = [p.gain_pct.value / 100.0 for p in gains.pairs if not p.is_boosted and p.feeds and p.gain_pct.value is not None]
    return min(max(seen, default=USUAL_SHARE), LARGEST_SHARE)


def calculator_json(gains: GainsResults, model: OffsetModel, growth: Growth) -> dict[str, Any]:
    """All that the script reads; powers in kW, boosts in kPa."""
    return {
        "curves": [_curve_json(model, curve) for curve in model.curves],
        "draws": [[draw[k] for draw in model.draws] for k in range(4)],
        "level": model.level,
        "t": model.t_quantile,
        "growth": {"value": growth.value, "sd": growth.sd, "isMeasured": growth.is_measured},
        "ambient": SEA_LEVEL_KPA,
        "reference": REFERENCE_BOOST_RATIO,
        "tradeAtmosphere": TRADE_ATMOSPHERE_KPA,
        "leastMultiple": LEAST_MULTIPLE,
        "ends": {key: value for key, value in _ends(model)},
        "largestShare": largest_share(gains),
        "parts": [
            {"part": part.part, "name": part_words(part.part), "share": gain_of(part).share, "sd": gain_of(part).sd}
            for part in parts_of(gains)
            if gain_of(part).share > 0.0
        ],
        "units": {
            code: {
                "power": power, "boost": boost, "kw": unit_named(power).factor / 1000.0, "kpa": unit_named(boost).factor / 1000.0,
                "perKpa": convert(1.0, unit_named("kPa"), unit_named(boost)), "boostDigits": BOOST_DIGITS[code],
            }
            for code, (power, boost) in _UNITS.items()
        },
    }  # fmt: skip


def _curve_json(model: OffsetModel, curve: PowerCurve) -> dict[str, Any]:
    one = engine_curve(model, curve, Engine(1.0, SEA_LEVEL_KPA))
    return {
        "induction": curve.induction, "cooling": curve.charge_cooling, "slope": one.slope, "curvature": one.curvature,
        "l11": one.l11, "l21": one.l21, "l22": one.l22, "isCurved": curve.is_curved, "freedom": curve.degrees_of_freedom,
        "builds": curve.builds, "ofKind": curve.builds_of_kind, "publishers": curve.publishers,
    }  # fmt: skip


def _ends(model: OffsetModel) -> Iterator[tuple[str, dict[str, Any]]]:
    """For each choice of induction, cooling and fuel that builds were tested in: ends of output, and the highest boost."""
    choices = [(None, *(code for code, _ in codes)) for codes in choices_of(model).values()]
    for induction in choices[0]:
        for cooling in choices[1]:
            for fuel in choices[2]:
                engine = Engine(1.0, SEA_LEVEL_KPA, None, None, induction, cooling, fuel)
                kinds = kinds_like(model, engine)
                if kinds:
                    yield (
                        "|".join(code or "" for code in (induction, cooling, fuel)),
                        {
                            "low": min(kind.lowest_na_kw for kind in kinds), "high": max(kind.highest_na_kw for kind in kinds),
                            "boost": highest_tested(model, engine).boost_kpa, "builds": sum(kind.builds for kind in kinds),
                        },
                    )  # fmt: skip


def choices_of(model: OffsetModel) -> dict[str, list[tuple[str, str]]]:
    """Codes and words of induction, cooling and fuel that occur among tested kinds, the commonest first."""

    def counted(name: str) -> list[str]:
        builds: dict[str, int] = {}
        for kind in model.tested:
            code = getattr(kind, name)
            if code is not None:
                builds[code] = builds.get(code, 0) + kind.builds
        return sorted(builds, key=lambda code: (-builds[code], code))

    def cooling_words(code: str) -> str:
        words = word_for(code, COOLING)
        return words[:1].upper() + words[1:]

    def fuel_words(code: str) -> str:
        words = clean_text(code).replace("_", " ")
        return words[:1].upper() + words[1:]

    return {
        "induction": [(code, word_for(code, INDUCTION)) for code in counted("induction")],
        "cooling": [(code, cooling_words(code)) for code in counted("charge_cooling")],
        "fuel": [(code, fuel_words(code)) for code in counted("fuel")],
    }
