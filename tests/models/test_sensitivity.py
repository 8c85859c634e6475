"""The table of alternatives: each differs from the main analysis, and each is asked once, in order."""

from __future__ import annotations

from dataclasses import replace

from models.estimate import Estimate
from models.sample_options import SampleOptions
from models.sensitivity import ALTERNATIVES, MAIN, sensitivity_lines


def test_every_alternative_differs_from_the_main_analysis_and_from_each_other():
    assert ALTERNATIVES[0] is MAIN
    assert MAIN.sample == SampleOptions() and MAIN.with_curvature and MAIN.with_publisher_level
    choices = [(a.sample, a.with_curvature, a.with_publisher_level) for a in ALTERNATIVES]
    assert len(set(choices)) == len(choices)
    assert len({a.name for a in ALTERNATIVES}) == len(ALTERNATIVES)
    assert all(a.sentence.endswith(".") for a in ALTERNATIVES)


def test_the_two_errors_that_cancel_are_shown_alone_and_together():
    ambient = {(a.sample.standard_ambient, a.with_curvature) for a in ALTERNATIVES if a.with_publisher_level}
    assert {(False, True), (True, True), (False, False), (True, False)} <= ambient


def test_lines_keep_the_order_and_carry_the_answer():
    asked = []

    def answer(alternative):
        asked.append(alternative)
        return Estimate(float(len(asked)), None, None, 0.95, "1", 0, 0, "test")

    lines = sensitivity_lines(answer)
    assert asked == list(ALTERNATIVES)
    assert [line.name for line in lines] == [a.name for a in ALTERNATIVES]
    assert [line.rule_ratio.value for line in lines] == [float(i + 1) for i in range(len(ALTERNATIVES))]
    assert sensitivity_lines(answer, (replace(MAIN, name="x"),))[0].name == "x"
