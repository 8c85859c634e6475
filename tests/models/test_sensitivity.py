"""The table of alternatives: each differs from the main analysis, each is asked once, in order; and what is read off it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.estimate import Estimate
from models.results import OnePublisherOut, PublisherOut, SensitivityLine
from models.sample_options import SampleOptions
from models.sensitivity import (
    ALTERNATIVES,
    FIRST_PART,
    LAST_PART,
    MAIN,
    OF_PEERS,
    cancelling_errors,
    publisher_lines,
    sensitivity_lines,
)


def test_every_alternative_differs_from_the_main_analysis_and_from_each_other():
    assert ALTERNATIVES[0] is MAIN
    assert {*FIRST_PART, *LAST_PART, *OF_PEERS} == {*ALTERNATIVES} and len((*FIRST_PART, *LAST_PART, *OF_PEERS)) == len(
        ALTERNATIVES
    )
    assert MAIN.sample == SampleOptions() and MAIN.with_curvature and MAIN.with_publisher_level and MAIN.estimator == "joint"
    choices = [replace(a, name="", sentence="") for a in ALTERNATIVES]
    assert len({repr(choice) for choice in choices}) == len(choices) >= 13
    assert len({a.name for a in ALTERNATIVES}) == len(ALTERNATIVES)
    assert all(a.sentence.endswith(".") for a in ALTERNATIVES)


def test_the_two_errors_that_cancel_are_shown_alone_and_together():
    ambient = {(a.sample.standard_ambient, a.with_curvature) for a in ALTERNATIVES if a.with_publisher_level}
    assert {(False, True), (True, True), (False, False), (True, False)} <= ambient


def told(value: float | None) -> Estimate:
    return Estimate(value, None, None, 0.95, "1", 0, 0, "test")


def test_lines_keep_the_order_and_carry_the_answer():
    asked = []

    def answer(alternative):
        asked.append(alternative)
        return told(float(len(asked)))

    lines = sensitivity_lines(answer)
    assert asked == list(ALTERNATIVES)
    assert [line.name for line in lines] == [a.name for a in ALTERNATIVES]
    assert [line.rule_ratio.value for line in lines] == [float(i + 1) for i in range(len(ALTERNATIVES))]
    assert sensitivity_lines(answer, (replace(MAIN, name="x"),))[0].name == "x"


@pytest.mark.parametrize(
    ("main", "ambient", "straight", "both", "cancels"),
    [(0.90, 0.93, 0.87, 0.90, True), (0.90, 0.93, 0.94, 0.97, False), (0.90, 0.93, 0.89, 0.94, False)],
)
def test_shifts_of_the_two_shortcuts(main, ambient, straight, both, cancels):
    names = [MAIN.name, "14.7 psi for every site's air", "Straight line, no curvature", "14.7 psi and straight line"]
    assert set(names) <= {a.name for a in ALTERNATIVES}
    lines = [SensitivityLine(n, "", told(v)) for n, v in zip(names, (main, ambient, straight, both), strict=True)]
    found = cancelling_errors(lines)
    assert (found.ambient, found.curvature, found.together) == pytest.approx((ambient - main, straight - main, both - main))
    assert found.cancels is cancels
    assert ("against each other" in found.sentence) is cancels
    assert cancelling_errors(lines[:3]).cancels is None
    assert cancelling_errors([*lines[:3], SensitivityLine(names[3], "", told(None))]).ambient is None


def test_the_ends_of_the_range_with_one_publisher_out_become_lines():
    lines = tuple(
        PublisherOut(name, 3, told(value)) for name, value in (("low", 0.88), ("mid", 0.90), ("high", 0.93), ("gone", None))
    )
    low, high = publisher_lines(OnePublisherOut(lines, 0.88, 0.93, None))
    assert (low.rule_ratio.value, high.rule_ratio.value) == (0.88, 0.93)
    assert "All builds of low left out (3 builds)" in low.sentence and "lowers" in low.name and "raises" in high.name
    assert publisher_lines(OnePublisherOut((), None, None, "why")) == ()
    assert len(publisher_lines(OnePublisherOut(lines[:1], 0.88, 0.88, None))) == 1
