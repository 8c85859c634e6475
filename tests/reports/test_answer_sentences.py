"""Sentences of the answers say what their interval carries, carry both halves, and never correct the headline."""

import re
from dataclasses import replace

import pytest

from models.deviator_records import EquivalenceAnswers
from models.estimate import Estimate
from models.results import CancellingErrors
from reports.glance import at_a_glance
from reports.numbers import MINUS, THIN
from reports.sentences_doubt import (
    say_breakers,
    say_cancelling,
    say_deviators,
    say_funnel,
    say_kinds,
    say_publishers,
    say_rules,
    say_withheld,
)
from reports.sentences_effects import (
    say_budget,
    say_compressor,
    say_confounding,
    say_drivers,
    say_elasticity,
    say_equivalence,
    say_explained,
    say_naive,
    say_physics,
    say_unanswered,
)

WHY = "Only one publisher has results."
NONE = Estimate(None, None, None, 0.95, "1", 3, 6, WHY)


def ratio(low, high, level=0.95):
    return Estimate((low + high) / 2, low, high, level, "1", 40, 90)


def with_equivalence(results, verdict, narrow, share):
    answer = EquivalenceAnswers(verdict, narrow, 0.1, 1.0, -9.0, 0.04, share, 0.5, "")
    return replace(results, equivalence=answer)


@pytest.mark.parametrize(
    ("verdict", "opening"),
    [
        ("holds", "On average the rule holds within 10"),
        ("not shown", "These records do not show that the rule holds within 10"),
        ("does not hold", "On average the rule does not hold within 10"),
        ("cannot tell", "Whether the average lies within 10"),
    ],
)
def test_equivalence_carries_both_halves_and_confirms_nothing(results, verdict, opening):
    text = say_equivalence(with_equivalence(results, verdict, ratio(0.93, 0.97, 0.9), ratio(0.52, 0.7))).us
    assert text.startswith(opening) and "Of a hundred builds, 52 to 70 follow it that closely" in text
    assert "confirm" not in text and "significan" not in text


def test_equivalence_without_figures_says_why(results):
    text = say_equivalence(with_equivalence(results, "cannot tell", NONE, NONE)).us
    assert text.count(WHY) == 2 and "cannot be told" in text
    assert "was not asked" in say_equivalence(results).us


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (1.02, 1.10, "Bigger engines get slightly more"),
        (0.6, 0.8, "Bigger engines get less"),
        (0.99, 1.09, "seem to get more"),
        (0.9, 1.1, "as the rule says, as far as these records tell"),
    ],
)
def test_elasticity_is_plain_only_where_the_interval_is(full_results, low, high, words):
    asked = replace(full_results, elasticity=replace(full_results.elasticity, elasticity=ratio(low, high)))
    said = say_elasticity(asked)
    assert words in said.us and "a psi is worth" in said.us and "a kPa is worth" in said.si
    # two to the power of the exponent: what twice the output is worth
    shown = re.search(r"worth ([\d.]+) to ([\d.]+) times", said.us)
    assert [float(end) for end in shown.groups()] == pytest.approx([2**low, 2**high], abs=0.006)
    assert "where the rule says twice" in said.us


def test_elasticity_that_cannot_be_told_says_why(full_results):
    asked = replace(full_results, elasticity=replace(full_results.elasticity, elasticity=NONE))
    assert WHY in say_elasticity(asked).us


def test_correlation_is_shown_to_prove_nothing(full_results, results):
    text = say_naive(full_results).us
    one = full_results.elasticity.naive[0]
    assert f"{one.observed:.2f}" in text and f"{one.null_mean:.2f}" in text and "neither for the rule nor against it" in text
    assert say_naive(results) is None


@pytest.mark.parametrize(("state", "words"), [(True, "chosen by how engines took it"), (False, "does not seem"), (None, None)])
def test_confounding(results, state, words):
    said = say_confounding(replace(results, boost_confounded=state))
    assert (said is None) if words is None else words in said.us


def test_drivers_name_exactly_the_clear_contrasts(full_results, results):
    drivers = full_results.drivers
    clear = [one for one in drivers.together if one.difference.low is not None and one.difference.low * one.difference.high > 0]
    told = [one for one in drivers.together if one.difference.value is not None]
    text = say_drivers(full_results).us
    assert f"{len(clear)} of {len(told)} contrasts" in text and text.count(";") == len(clear) - 1
    dull = tuple(replace(one, difference=ratio(-0.1, 0.1)) for one in drivers.together)
    text = say_drivers(replace(full_results, drivers=replace(drivers, together=dull))).us
    assert text.startswith("None of") and "clear of chance" in text
    text = say_drivers(replace(full_results, drivers=replace(drivers, together=(), mean_at_average=NONE))).us
    assert WHY in text and "was not asked" in say_drivers(results).us


def test_spread_explained_and_chance_are_said(full_results):
    drivers = replace(full_results.drivers, spread_without=0.12, spread_with=0.1)
    text = say_explained(replace(full_results, drivers=drivers)).us
    told = sum(one.difference.value is not None for one in drivers.together)
    assert "from 12.0 to 10.0 points" in text and "Most of it stays" in text and f"{told * 0.05:.1f}." in text
    assert "Most" not in say_explained(replace(full_results, drivers=replace(drivers, spread_with=0.02))).us


def test_compressor_question_is_answered_or_says_why(full_results, results):
    assert "Cannot tell yet" in say_compressor(full_results).us and say_compressor(results) is None
    known = tuple(
        replace(one, difference=ratio(-0.02, 0.03)) if one.name == "compressor_rating" else one
        for one in full_results.drivers.alone
    )
    text = say_compressor(replace(full_results, drivers=replace(full_results.drivers, alone=known))).us
    assert (
        f"Not that these records show: one of twice the rating moves the share of the rule by {MINUS}2.0 to 3.0 points." in text
    )
    assert not any("rating" in one.us for one in say_unanswered(full_results))


def test_physics_counts_every_build_once(full_results):
    text = say_physics(full_results).us
    inside, of, above, below = (int(part) for part in text.replace(",", "").split() if part.isdigit())
    assert of == 90 and inside + above + below == 90
    assert "work against each other" in say_budget(full_results).us


def test_deviators_and_breakers_give_counts_and_false_alarms(full_results, results):
    found = full_results.deviators
    assert say_deviators(full_results).us.startswith(f"{found.unlike_peers_count} of 90 builds are unlike")
    assert f"About 10{THIN}% of such a list may be false alarms" in say_deviators(full_results).us
    text = say_breakers(full_results).us
    assert (
        text.startswith(f"{found.breaks_rule_count} of 90 builds")
        and f"{found.breaks_rule_strict_count} of them by the strict" in text
    )
    none = replace(full_results, deviators=replace(found, unlike_peers=(), unlike_peers_count=0))
    assert say_deviators(none).us.startswith("None of 90 builds are unlike") and "false" not in say_deviators(none).us
    blind = replace(full_results, deviators=replace(found, why="Eight builds are too few."))
    assert "Eight builds are too few." in say_deviators(blind).us == say_breakers(blind).us
    assert "was not asked" in say_deviators(results).us


def test_selection_gives_a_range_of_what_ifs_and_no_correction(full_results, results):
    text = say_withheld(full_results).us
    assert "could be as low as" in text and "what-ifs, not corrections" in text
    assert "says nothing about picking" in say_funnel(full_results).us and say_funnel(results) is None
    empty = replace(full_results.selection, lines=(), lowest=None)
    assert "cannot show by how much" in say_withheld(replace(full_results, selection=empty)).us


def test_kinds_that_stand_apart_are_named(full_results):
    one = full_results.selection.kinds[0]
    apart = replace(full_results.selection, kinds=(replace(one, medium="video", difference=ratio(0.02, 0.17)),))
    assert "videos (2.0 to 17.0 points)" in say_kinds(replace(full_results, selection=apart)).us
    alike = replace(full_results.selection, kinds=(replace(one, difference=ratio(-0.1, 0.1)),))
    assert "No kind of source stands apart" in say_kinds(replace(full_results, selection=alike)).us


def test_cancelling_errors_and_publishers(full_results):
    opposed = replace(full_results, cancelling_errors=CancellingErrors(0.028, -0.027, 0.003, True, ""))
    text = say_cancelling(opposed)
    assert f"by +2.8 points, a straight line instead of a curve by {MINUS}2.7, both at once by +0.3" in text.us
    assert "opposite directions" in text.us and "101 kPa" in text.si and "psi" not in text.si
    alike = replace(full_results, cancelling_errors=CancellingErrors(0.028, 0.01, 0.03, False, ""))
    assert "do not pull against each other" in say_cancelling(alike).us
    out = full_results.one_publisher_out
    assert f"any one of {len(out.lines)} publishers" in say_publishers(full_results).us


def test_rules_are_counted_by_verdict(results):
    assert say_rules(results).us == "Of 3 rules of thumb: 1 hold with a lean, 1 do not hold, 1 cannot be told yet."
    assert "No rule" in say_rules(replace(results, rules=())).us


def test_glance_answers_or_says_cannot_tell(full_results, results):
    full, bare = at_a_glance(full_results), at_a_glance(results)
    assert [one.section for one in full] == [one.section for one in bare] and len({one.section for one in full}) == 11
    answers = {one.section: one.answer.us for one in bare}
    assert {answers[name] for name in ("within", "size", "drivers", "physics", "deviators", "selection")} == {"cannot tell yet"}
    assert not [one.section for one in full if one.answer.us == "cannot tell yet"]
    assert "pound" in full[0].question.us and "kilopascal" in full[0].question.si
