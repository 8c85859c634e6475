"""Engines outside the evidence: found, said in words, widened by the stated rule; and the builds most like an engine."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from models.estimate_records import EngineRequest
from models.expected_power import predict
from models.outside_evidence import MOST_WIDENED, find_outside, say_outside, widening
from models.similar_builds import say_differences, say_likeness, similar_builds

ASKED = EngineRequest(250.0, 60.0, induction="turbocharger", charge_cooling="air_to_air")


def _span(model, name):
    return next(span for span in model.evidence.spans if span.name == name)


def test_beyond_the_output_seen_is_said_and_widens(prediction):
    model = prediction.model
    top = _span(model, "na_power_kw").high
    inside, outside = (find_outside(model.evidence, replace(ASKED, na_power_kw=kw)) for kw in (top, top * 1.2))
    assert inside == () and [one.code for one in outside] == ["na_power"]
    assert outside[0].is_above and outside[0].widens == 1.5
    assert f"made more than {top:.0f} kW" in say_outside(outside[0])
    wide, usual = (predict(model, replace(ASKED, na_power_kw=kw)).power for kw in (top * 1.2, top))
    assert math.log(wide.high80 / wide.low80) > 1.4 * math.log(usual.high80 / usual.low80)


def test_boost_beyond_its_own_class_is_outside_even_where_another_class_went_there(prediction):
    evidence = prediction.model.evidence
    least = min(evidence.classes, key=lambda c: c.highest_boost_ratio)
    ratio = least.highest_boost_ratio * 1.3
    assert ratio < _span(prediction.model, "boost_ratio").high
    own = replace(ASKED, boost_kpa=ratio * 101.325, induction=least.induction, charge_cooling=least.charge_cooling)
    found = find_outside(evidence, own)
    assert [one.code for one in found] == ["boost"] and found[0].builds == least.builds and found[0].widens == 2.0
    assert find_outside(evidence, replace(own, induction=None, charge_cooling=None)) == ()


@pytest.mark.parametrize(("field", "code"), [("fuel", "methanol"), ("baseline_hardware", "belt_off")])
def test_a_code_that_no_build_has_is_outside(prediction, field, code):
    evidence = replace(prediction.model.evidence, levels={**prediction.model.evidence.levels, field: {"other": 9}})
    found = find_outside(evidence, replace(ASKED, **{field: code}))
    assert [(one.code, one.builds) for one in found] == [(field, 0)] and code.replace("_", " ") in say_outside(found[0])


def test_a_pair_never_seen_is_outside(prediction):
    evidence = prediction.model.evidence
    without = replace(
        evidence, classes=tuple(c for c in evidence.classes if (c.induction, c.charge_cooling) != ("turbocharger", "none"))
    )
    found = find_outside(without, replace(ASKED, charge_cooling="none"))
    assert [one.code for one in found] == ["class"] and "turbocharger, none" in say_outside(found[0])


def test_widening_has_an_end(prediction):
    found = find_outside(prediction.model.evidence, EngineRequest(5_000.0, 600.0, 60.0))
    assert len(found) >= 3 and widening(found) == MOST_WIDENED


def test_ten_neighbours_nearest_first_and_a_build_is_nearest_to_itself(prediction):
    model = prediction.model
    one = model.known_builds[7]
    request = EngineRequest(one.na_power_kw, one.boosts_kpa[0], one.ambient_kpa, induction=one.induction, charge_cooling=one.charge_cooling,
                            fuel=one.fuel, measured_at=one.measured_at)  # fmt: skip
    found = similar_builds(model, request)
    assert len(found) == 10 and [n.distance for n in found] == sorted(n.distance for n in found)
    assert found[0].build == one and found[0].distance == pytest.approx(0.0, abs=1e-9)
    assert say_differences(found[0]) == "agrees in all that is known" and found[0].likeness == "very like it"


def test_differences_are_said_the_largest_first(prediction):
    one = prediction.model.known_builds[0]
    request = EngineRequest(one.na_power_kw * 3, one.boosts_kpa[0] * 1.2, one.ambient_kpa, compression_ratio=9.0)
    model = replace(prediction.model, known_builds=(replace(one, compression_ratio=None),))
    told = similar_builds(model, request)[0].differences
    assert [d.name for d in told][:2] == ["na_power_kw", "boost_kpa"] and told[-1].name == "compression_ratio"
    words = say_differences(similar_builds(model, request)[0])
    assert words.startswith("less without boost") and words.endswith("compression ratio not stated")


def test_likeness_is_in_words():
    assert [say_likeness(d) for d in (0.1, 1.0, 2.0, 9.0)] == ["very like it", "like it", "like it in part", "not very like it"]
