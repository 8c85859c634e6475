"""What the engine page's own script needs to give the figures of the command: the stored model, units, ends, words.

The script follows ``models/expected_power.py``, ``engine_columns.py``, ``predictive_ranges.py``, ``outside_evidence.py`` and
``similar_builds.py`` step by step, in the same order of sums, on the same numbers.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from models.charge_physics import CP_AIR, ISENTROPIC_EXPONENT, R_AIR, ZERO_CELSIUS_K
from models.estimate_records import CODES, KnownBuild, PredictionModel, model_to_json
from models.expected_power import POSSIBLE, allowed_codes
from models.outside_evidence import MOST_WIDENED, REACH
from models.results import SourceNote
from models.rule import SEA_LEVEL_KPA
from models.similar_builds import FARTHEST, LEAST_DIFFERENCE, LIKENESS, NEIGHBOURS
from pipeline.units import convert, unit_named
from reports.labels import COOLING, HARDWARE, INDUCTION, MEASURED_AT, clean_text, safe_url, word_for

#: Units by unit system: power, boost, altitude, as the command line reads and prints them.
UNITS = {"us": ("hp", "psi", "ft"), "si": ("kW", "kPa", "m")}

#: Decimals of power, boost and yield, by unit system; the command prints the same.
DIGITS = {"us": {"power": 0, "boost": 1, "yield": 2}, "si": {"power": 0, "boost": 0, "yield": 2}}

#: Output and boost that the page opens with [hp, psi].
EXAMPLE = (340.0, 9.0)

#: Codes that say nothing of a boosted engine.
_NOT_ASKED = frozenset({"unstated"})

_WORDS = {"induction": INDUCTION, "charge_cooling": COOLING, "measured_at": MEASURED_AT, "baseline_hardware": HARDWARE}


def choices_of(model: PredictionModel) -> dict[str, list[tuple[str, str]]]:
    """Codes and words of each coded input: those of the study first, the commonest first; the others say that none is in it."""
    found = {}
    for name in CODES:
        seen = model.evidence.levels.get(name, {})
        allowed = [code for code in allowed_codes(name) if code not in _NOT_ASKED and (name, code) != ("induction", "none")]
        ordered = sorted(allowed, key=lambda code: (-seen.get(code, 0), allowed.index(code)))
        found[name] = [(code, _words(name, code) + ("" if code in seen else " (none in the study)")) for code in ordered]
    return found


def _words(name: str, code: str) -> str:
    words = word_for(code, _WORDS.get(name, {}))
    return words[:1].upper() + words[1:]


def example_of(model: PredictionModel) -> dict[str, Any]:
    """The engine that the page opens with: of the class with most builds, within the evidence [hp, psi]."""
    most = max(model.evidence.classes, key=lambda one: one.builds, default=None)
    spans = {span.name: span for span in model.evidence.spans}
    na, boost = EXAMPLE
    if "na_power_kw" in spans:
        per = convert(1.0, unit_named("kW"), unit_named("hp"))
        na = float(round(min(max(na, spans["na_power_kw"].low * per), spans["na_power_kw"].high * per)))
    return {
        "na": na, "boost": boost,
        "induction": None if most is None else most.induction,
        "charge_cooling": None if most is None else most.charge_cooling,
    }  # fmt: skip


def engine_json(model: PredictionModel, sources: Iterable[SourceNote]) -> dict[str, Any]:
    """The model and all that stands beside it, in SI.

    Parameters
    ----------
    model : the stored model.
    sources : of the study, for the cards of neighbours.
    """
    stored = model_to_json(model)
    order = {unit_id: rank for rank, unit_id in enumerate(sorted(build.unit_id for build in model.known_builds))}
    stored["known_builds"] = [_build_json(build, order[build.unit_id]) for build in model.known_builds]
    return {
        "model": stored,
        "possible": {name: list(ends) for name, ends in POSSIBLE.items()},
        "allowed": {name: [code for code, _ in codes] for name, codes in choices_of(model).items()},
        "example": example_of(model),
        "neighbours": NEIGHBOURS,
        "likeness": [list(one) for one in LIKENESS],
        "farthest": FARTHEST,
        "leastDifference": LEAST_DIFFERENCE,
        "mostWidened": MOST_WIDENED,
        "reach": REACH,
        "seaLevel": SEA_LEVEL_KPA,
        "charge": {"exponent": ISENTROPIC_EXPONENT, "cp": CP_AIR, "r": R_AIR, "zero": ZERO_CELSIUS_K},
        "sources": {
            note.source: {"title": clean_text(note.title), "licence": clean_text(note.licence), "url": safe_url(note.url)}
            for note in sources
        },
        "words": {name: {code: _words(name, code) for code in allowed_codes(name)} for name in CODES},
        "units": {code: _units_json(code) for code in UNITS},
    }


def _units_json(code: str) -> dict[str, Any]:
    """Names, digits and exact factors: ``kw`` and ``kpa`` of one unit as the command line reads it, ``per`` as it prints it."""
    power, boost, length = UNITS[code]
    per_kw = convert(1.0, unit_named("kW"), unit_named(power))
    per_kpa = convert(1.0, unit_named("kPa"), unit_named(boost))
    return {
        "power": power, "boost": boost, "length": length, "digits": DIGITS[code],
        "kw": unit_named(power).factor * 1e-3, "kpa": unit_named(boost).factor * 1e-3, "metres": unit_named(length).factor * 1.0,
        "litre": unit_named("l").factor * 1e6,
        "perKw": 1.0 if code == "si" else per_kw, "perKpa": 1.0 if code == "si" else per_kpa,
        "perYield": 1.0 if code == "si" else per_kw / per_kpa,
    }  # fmt: skip


def _build_json(build: KnownBuild, rank: int) -> dict[str, Any]:
    """One neighbour; ``rank`` stands for its identity where distances are equal. Contributed names are made safe to set."""
    return {
        "rank": rank, "source": build.source, "publisher": clean_text(build.publisher), "build": clean_text(build.build),
        "induction": build.induction, "charge_cooling": build.charge_cooling, "fuel": build.fuel, "measured_at": build.measured_at,
        "baseline_hardware": build.baseline_hardware, "na_power_kw": build.na_power_kw, "displacement_cc": build.displacement_cc,
        "compression_ratio": build.compression_ratio, "octane_ron": build.octane_ron, "octane_aki": build.octane_aki,
        "ambient_kpa": build.ambient_kpa, "rule_ratio": build.rule_ratio, "boosts_kpa": list(build.boosts_kpa),
        "gain_ratios": list(build.gain_ratios), "coordinates": list(build.coordinates),
    }  # fmt: skip
