"""Cards of deviating builds, small drawings and rows of rules."""

from dataclasses import replace

import pytest

from models.driver_records import PhysicsBand
from models.estimate import Estimate
from models.results import RunResult
from models.rule_table import RULES
from reports.charts.rows import number_units, select_units
from reports.deviator_cards import MOST_CARDS, deviator_cards
from reports.rule_rows import rule_rows
from reports.small_plots import STRIP_SIZE, plot_rule, plot_runs

HOSTILE = "<script>window.pwned=1</script>\u202e"


def run(x, gain):
    return RunResult(f"s/f#{x}", "u", x * 101.325, x, gain, 100.0, 1.0)


@pytest.fixture(scope="module")
def cards(full_results):
    return deviator_cards(full_results, number_units(select_units(full_results)))


def test_each_build_has_one_card_and_every_cause_stands_once(full_results, cards):
    found = full_results.deviators
    listed = {one.unit_id: one for one in (*found.breaks_rule, *found.unlike_peers)}
    assert len(cards) == min(len(listed), MOST_CARDS)
    first = found.unlike_peers[0]
    card = cards[0]
    assert card.name == first.build and "unlike its peers" in card.tags
    assert len(card.supported) + len(card.dismissed) + len(card.untested) == len(first.causes)
    assert len(card.supported) == sum(cause.supports for cause in first.causes)
    both = {one.unit_id for one in found.breaks_rule} & {one.unit_id for one in found.unlike_peers}
    assert sum(len(card.tags) == 2 for card in cards) == len(both)


def test_contributed_names_are_made_safe(full_results):
    first = replace(full_results.deviators.unlike_peers[0], build=HOSTILE, publisher=HOSTILE)
    hostile = replace(full_results, deviators=replace(full_results.deviators, unlike_peers=(first,), breaks_rule=()))
    (card,) = deviator_cards(hostile, {})
    assert card.number is None and "\u202e" not in card.name + card.publisher


def test_runs_lie_within_their_frame_and_a_rule_follower_on_the_rule():
    band = PhysicsBand(70.0, 101.325, 0.5, 0.8, 0.69)
    plot = plot_runs([run(0.8, 0.8), run(0.4, 0.4)], 0.8, 1.1, [band])
    (x1, y1), (x2, y2) = plot.runs
    assert x1 < x2 and y1 > y2
    start, end = (tuple(float(part) for part in point.split(",")) for point in plot.rule.split())
    slope = (end[1] - start[1]) / (end[0] - start[0])
    assert y2 == pytest.approx(start[1] + slope * (x2 - start[0]), abs=0.15)
    for text in (plot.peers, plot.physics, plot.line):
        for x, y in (point.split(",") for point in text.split()):
            assert 34 <= float(x) <= 252.1 and 7.9 <= float(y) <= 140.1
    assert plot.boost_marks["us"][-1].words.endswith("psi") and plot.boost_marks["si"][-1].words.endswith("kPa")


def test_a_reading_below_none_still_has_its_floor():
    plot = plot_runs([run(0.5, -0.2)], 0.8, 1.1)
    assert plot.runs[0][1] > plot.floor and plot.physics == "" and plot_runs([], 0.8, 1.1) is None


def test_a_strip_keeps_the_order_of_its_figures():
    strip = plot_rule(Estimate(0.92, 0.9, 0.95, 0.95, "1", 9, 9), 0.9, 1.1, 1.0)
    ((left, right),) = strip.zones
    assert left == pytest.approx(strip.low) and strip.low < strip.best < strip.high < strip.predicts < right < STRIP_SIZE[0]
    outside = plot_rule(Estimate(0.92, 0.9, 0.95, 0.95, "1", 9, 9), 0.95, 1.05, 1.0, outside=True)
    assert outside.zones[0][0] == 0 and outside.zones[1][1] == STRIP_SIZE[0] and outside.zones[0][1] < outside.predicts
    open_side = plot_rule(Estimate(0.1, 0.05, 0.15, 0.95, "1", 9, 9), 0.0, None, None)
    assert open_side.zones[0][1] == STRIP_SIZE[0] and open_side.predicts is None
    assert plot_rule(Estimate(0.1, None, None, 0.95, "1", 9, 9, "w"), 0.0, None, None) is None


def test_rules_come_by_verdict_in_the_readers_units(full_results):
    rows = rule_rows(full_results)
    assert len(rows) == len(RULES) == 19
    order = ["holds", "holds with a lean", "does not hold", "cannot tell yet"]
    places = [order.index(row.verdict) for row in rows]
    assert places == sorted(places)
    assert all((row.missing is None) == (row.strip is not None) for row in rows)
    small = next(row for row in rows if "70 to 80 hp" in row.statement.us)
    assert small.statement.si.startswith("An engine of 52 to 60 kW gains only 0.32 to 0.54 kW per kPa")
    exponent = next(row for row in rows if row.statement.us.startswith("The boost that replaces"))
    assert "%" not in (exponent.best if isinstance(exponent.best, str) else exponent.best.us)
