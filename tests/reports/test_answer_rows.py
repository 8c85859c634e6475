"""Record sets of the answers' charts: they hold what the results hold, and nothing else."""

from dataclasses import replace

import pytest

from models.estimate import Estimate
from models.results import CancellingErrors, OnePublisherOut, PublisherOut
from reports.charts.rows import number_units, select_units
from reports.charts.rows_doubt import MOST_DEVIATORS, MOST_PUBLISHERS, doubt_rows
from reports.charts.rows_effects import SQUARES, effect_rows, points_of
from reports.numbers import MINUS
from reports.study_charts import study_rows


@pytest.fixture(scope="module")
def number_of(full_results):
    return number_units(select_units(full_results))


@pytest.fixture(scope="module")
def rows(full_results):
    return study_rows(full_results, select_units(full_results))


def estimate(value, low, high):
    return Estimate(value, low, high, 0.95, "1", 40, 90)


def test_a_hundred_squares_split_by_the_share_of_builds(full_results, number_of):
    share = replace(full_results.equivalence, share_of_builds=estimate(0.5, 0.426, 0.555))
    squares = effect_rows(replace(full_results, equivalence=share), select_units(full_results), number_of)["within_squares"]
    kinds = [row["kind"] for row in squares]
    assert [row["number"] for row in squares] == list(range(SQUARES))
    assert (kinds.count("at least"), kinds.count("perhaps"), kinds.count("outside")) == (43, 13, 44)
    assert kinds == sorted(kinds, key=["at least", "perhaps", "outside"].index)
    blind = replace(full_results.equivalence, share_of_builds=Estimate(None, None, None, 0.95, "1", 1, 2, "one publisher"))
    assert effect_rows(replace(full_results, equivalence=blind), select_units(full_results), number_of)["within_squares"] == []


def test_contrasts_stand_once_with_both_figures_and_only_told_ones_are_drawn(full_results, rows):
    drawn = [row for row in rows["drivers"] if row["place"] is not None]
    assert [row["place"] for row in drawn] == list(range(len(drawn)))
    assert all(row["ratio"] is not None or row["alone_ratio"] is not None for row in drawn)
    assert all(row["why"] for row in rows["drivers"] if row["place"] is None)
    told = {(one.name, one.level): one.difference for one in full_results.drivers.together if one.difference.value is not None}
    shown = [row["ratio"] for row in rows["drivers"] if row["adjusted"]]
    assert sorted(shown) == sorted(one.value for one in told.values())
    for row in drawn:
        low, high = (row["low"], row["high"]) if row["adjusted"] else (row["alone_low"], row["alone_high"])
        assert row["clear"] == (low > 0 or high < 0)


def test_steps_of_a_budget_lead_from_the_rule_to_the_expectation(full_results, rows):
    by_class = {}
    for row in rows["budget"]:
        by_class.setdefault(row["name"], []).append(row)
    assert len(by_class) == len({(b.induction, b.charge_cooling) for b in full_results.physics.budgets})
    ends = {round(budget.rule_ratio, 9) for budget in full_results.physics.budgets}
    for steps in by_class.values():
        for side in ("kind", "unkind"):
            assert steps[0][f"{side}_from"] == 1.0 and round(steps[-1][f"{side}_to"], 9) in ends
            assert all(a[f"{side}_to"] == b[f"{side}_from"] for a, b in zip(steps, steps[1:], strict=False))
    drawn = {row["name"] for row in rows["budget"] if row["place"] is not None}
    assert len(drawn) == 2


def test_builds_stand_in_the_row_of_their_class_with_what_physics_expects(full_results, rows):
    expected = {one.unit_id: one for one in full_results.physics.builds}
    number_of = number_units(select_units(full_results))
    for unit_id, one in list(expected.items())[:20]:
        row = next((r for r in rows["physics_builds"] if r["u"] == number_of[unit_id]), None)
        if row is not None:
            assert row["inside"] == (one.rule_ratio_low <= row["ratio"] <= one.rule_ratio_high)
            assert rows["physics"][row["place"]]["name"] == row["class"]
    with_words = [row for row in rows["units"] if row["physics"]]
    assert len(with_words) == len(rows["physics_builds"]) > 80


def test_breakers_lead_with_the_strict_ones_and_the_chart_is_cut(full_results, number_of):
    many = replace(full_results.deviators, breaks_rule=full_results.deviators.breaks_rule * 3)
    made = doubt_rows(replace(full_results, deviators=many), number_of)["breakers"]
    strict = [row["strict"] for row in made]
    assert strict == sorted(strict, reverse=True) and len(made) == len(many.breaks_rule) > MOST_DEVIATORS
    assert sum(row["place"] is not None for row in made) == MOST_DEVIATORS


def test_a_deviator_that_is_not_drawn_has_no_number(full_results):
    made = doubt_rows(full_results, {})
    assert made["deviators"] and all(row["u"] is None for row in made["deviators"]) and made["funnel"] == []


def test_lines_of_withheld_builds_start_at_the_average(full_results, rows):
    starts = [row for row in rows["withheld"] if row["start"]]
    assert len(starts) == len({line.cut for line in full_results.selection.lines})
    assert all(row["ratio"] == full_results.rule_ratio.value and row["share_withheld"] == 0 for row in starts)
    assert sum(row["last"] for row in rows["withheld"]) == len(starts)


def test_only_the_publishers_that_move_the_average_most_are_drawn(full_results, number_of):
    lines = tuple(PublisherOut(f"P{i:03d}", 2, estimate(0.9 + i / 1000, 0.8, 1.0)) for i in range(100))
    mean = estimate(0.9, 0.85, 0.95)
    many = replace(full_results, rule_ratio=mean, one_publisher_out=OnePublisherOut(lines, 0.9, 0.999, None))
    made = doubt_rows(many, number_of)["publishers"]
    drawn = [row["name"] for row in made if row["place"] is not None]
    assert len(made) == 101 and len(drawn) == MOST_PUBLISHERS + 1
    assert drawn[0] == "With every publisher" and drawn[1] == "Without P060" and drawn[-1] == "Without P099"


def test_shortcuts_add_to_the_average_in_both_units(full_results, number_of):
    errors = CancellingErrors(0.027, -0.025, 0.003, True, "")
    made = doubt_rows(replace(full_results, cancelling_errors=errors, rule_ratio=estimate(0.9, 0.88, 0.92)), number_of)[
        "cancelling"
    ]
    assert [round(row["to"], 3) for row in made] == [0.927, 0.875, 0.903]
    assert made[0]["words"] == "14.7 psi taken for every site's air: +2.7 points" and "101 kPa" in made[0]["words_si"]
    assert made[1]["words"] == f"No curvature: {MINUS}2.5 points"


def test_a_difference_is_counted_in_points():
    assert points_of(estimate(-0.093, -0.1576, -0.0291)) == f"{MINUS}9.3 ({MINUS}15.8 to {MINUS}2.9)"
    # an end that differs from no difference is not printed as equal to it
    assert points_of(estimate(0.1, 0.0004, 0.1996)).startswith("10.00 (0.04 to")


def test_questions_that_were_not_asked_leave_empty_sets(results):
    bare = study_rows(results, select_units(results))
    empty = {name for name, items in bare.items() if not items}
    assert {"within_squares", "drivers", "physics", "deviators", "funnel", "publishers", "cancelling", "naive"} <= empty
