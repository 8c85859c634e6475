"""The section of what is not known yet: on the page where plans were made, with the caution first, away where none were."""

from dataclasses import replace

import pytest

from models.estimate import Estimate
from models.next_records import Goal, Narrowing, NextAnswers, NextQuestion, NextTest
from reports.charts.export import chart_to_png
from reports.charts.narrowing import chart_narrowing
from reports.narrowing_words import narrowing_rows
from reports.study_page import render_study_page
from reports.unknowns import MOST_TESTS, unknowns_of


def _answers():
    known = Estimate(0.9, 0.85, 0.95, 0.95, "1", 40, 90)
    tests = tuple(NextTest(f"plan {i} <b>", "why", 5.0 - i, 20.0, "new", (), 3, 4) for i in range(4))
    mean = NextQuestion("mean", "How much holds", "", known, tests)
    bend = NextQuestion(
        "curvature", "Does it bend", "", replace(known, value=None, low=None, high=None, why="too few"), (), "too few"
    )
    return NextAnswers("f", True, "Mind the boost.", (mean, bend), (Goal("width", "To know it", 0.05, (), False),), (), ())


def test_section_stands_after_the_rules_with_caution_first(study_maker):
    page = render_study_page(study_maker(), answers=_answers())
    rules, section, estimates = (page.index(f'<section id="{name}"') for name in ("rules", "unknowns", "estimates"))
    assert rules < section < estimates
    body = page[section:estimates]
    assert body.index("Mind the boost.") < body.index("plan 0")
    assert "<b>" not in body and "not reached yet" in body and "too few" in body


def test_only_the_best_tests_are_named(study_maker):
    section = unknowns_of(study_maker(), _answers())
    assert [len(one.tests) for one in section.questions] == [MOST_TESTS, 0]
    assert "5.0" in section.questions[0].tests[0].us


def test_no_plans_no_section(study_maker):
    assert unknowns_of(study_maker(), None) is None
    assert 'id="unknowns"' not in render_study_page(study_maker())


@pytest.mark.slow
def test_chart_of_narrowing_stands_in_the_section_with_its_sentence(study_maker):
    answers = _answers()
    steps = (Narrowing(0, 0.05, 0.05), Narrowing(1, 0.049, 0.0499), Narrowing(10, 0.03, 0.0496))
    mean = replace(answers.questions[0], narrowing=steps)
    page = render_study_page(study_maker(), answers=replace(answers, questions=(mean,)))
    section = page[page.index('<section id="unknowns"') : page.index('<section id="estimates"')]
    assert 'id="chart-narrowing"' in section
    assert "10 further builds of new publishers would narrow that to 3.0" in section
    assert "would leave it at 5.0" in section  # 4.96 rounds to what stands today: no narrowing is claimed
    assert 'id="chart-narrowing"' not in render_study_page(study_maker(), answers=answers)
    rows = narrowing_rows(replace(answers, questions=(mean,)))
    picture = chart_to_png(chart_narrowing(rows, "said").spec, rows, width=300, scale=1)
    assert picture.startswith(b"\x89PNG")
