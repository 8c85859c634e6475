"""Claims against the records: verdicts at the ends of the ranges, truth recovered, what would have to be true, parts, rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.claim_percentile import freedom_of
from models.claim_power import comparable_records, is_in_line
from models.claim_records import VERDICTS, Claim
from models.claims import Basis, judge_claim, reference_boost_kpa
from models.estimate import Estimate
from models.estimate_records import EngineRequest
from models.expected_power import predict
from models.gain_answers import answer_pairs
from models.gain_pairs import MeanCurve
from models.results import RuleVerdict
from models.sample import choose_sample
from models.simulate import simulate_study
from models.simulate_changes import ChangeTruth, simulate_changes
from models.simulate_worlds import world
from pipeline.errors import RequestProblem

HP, INHG = 0.745699872, 3.386389
ENGINE = EngineRequest(250.0, 60.0, induction="turbocharger", charge_cooling="air_to_air", measured_at="crank")
ORDER = {"low": 0, "in line": 1, "high but seen": 2, "beyond the evidence": 3}


@pytest.fixture(scope="module")
def basis(prediction):
    return Basis(study=None, model=prediction.model)


def judged(basis, made_kw, engine=ENGINE, **more):
    return judge_claim(basis, Claim("boost", engine=engine, made_kw=made_kw, **more))


def test_the_verdict_turns_at_the_ends_of_the_ranges(basis):
    power = predict(basis.model, ENGINE).power
    for inside in (power.low80 * 1.0001, power.value, power.high80 * 0.9999):
        assert judged(basis, inside).verdict == "in line"
    assert judged(basis, power.low80 * 0.999).verdict == "low"
    assert judged(basis, power.high80 * 1.001).verdict == "high but seen"
    far = judged(basis, power.high95 * 1.4)
    assert far.verdict == "beyond the evidence" and far.seen == 0 < far.compared


@settings(max_examples=40)
@given(st.floats(0.7, 1.6), st.floats(1.0, 1.3))
def test_a_higher_claim_never_stands_lower(basis, share, more):
    low = judged(basis, 250.0 * (1 + 0.55 * share))
    high = judged(basis, 250.0 * (1 + 0.55 * share) * more)
    assert high.percentile >= low.percentile
    assert ORDER[high.verdict] >= ORDER[low.verdict]


def test_percentiles_end_where_so_many_builds_can_tell(basis):
    found = judged(basis, 900.0)
    assert found.percentile <= found.highest_percentile < 100.0
    assert found.highest_percentile == pytest.approx(100 * (1 - 0.5 / (basis.model.builds + 1)), abs=0.05)
    middle = judged(basis, predict(basis.model, ENGINE).power.value)
    assert 35 <= middle.percentile <= 65


@pytest.mark.reference
def test_students_quantile_gives_back_its_degrees_of_freedom():
    """t(0.975): 12.706 with 1, 2.228 with 10, 2.042 with 30 degrees of freedom (printed tables)."""
    assert [round(freedom_of(t)) for t in (12.706, 2.228, 2.0423)] == [1, 10, 30]
    assert freedom_of(1.95) is None


def test_new_engines_of_the_same_world_are_in_line_as_often_as_promised(basis):
    """Eighty per cent of what new builds really made lies in line, and hardly any beyond the evidence."""
    truth = replace(world("base"), builds=40, publishers=40)
    drawn = simulate_study(truth, 912)
    sample = choose_sample(drawn.runs, drawn.builds)
    units = {row["unit"]: row for row in sample.units.to_dicts()}
    stated = ("induction", "charge_cooling", "fuel", "measured_at")
    verdicts, weights, places = [], [], []
    for run in sample.runs.filter(sample.runs["gain_ratio"].is_not_null()).to_dicts():
        unit = units[run["unit"]]
        known = {name: unit.get(name) for name in stated if unit.get(name) != "unstated"}
        engine = EngineRequest(unit["na_power_kw"], run["boost_kpa"], run["ambient_kpa"], **known)
        found = judged(basis, unit["na_power_kw"] * (1 + run["gain_ratio"]), engine)
        verdicts.append(found.verdict)
        places.append(found.percentile)
        weights.append(1.0 / unit["boosted_runs"])
    share = {one: np.average([v == one for v in verdicts], weights=weights) for one in VERDICTS}
    assert 0.65 <= share["in line"] <= 0.92, share
    assert share["beyond the evidence"] <= 0.06 and share["cannot judge"] <= 0.1, share
    assert 35 <= np.average(places, weights=weights) <= 65


def test_what_would_have_to_be_true_would_do(basis):
    power = predict(basis.model, ENGINE).power
    made = power.high95 * 1.12
    conditions = {one.code: one for one in judged(basis, made).conditions}
    na = conditions["na_output"]
    assert na.low < na.value < na.high and na.low > 250.0
    assert is_in_line(basis.model, replace(ENGINE, na_power_kw=na.value), made)
    assert is_in_line(basis.model, replace(ENGINE, boost_kpa=conditions["boost"].value), made)
    for code in {"induction", "charge_cooling", "fuel"} & set(conditions):
        assert is_in_line(basis.model, replace(ENGINE, **{code: conditions[code].words}), made)
    assert judged(basis, power.value).conditions == ()


def test_two_units_taken_for_one_are_found(basis):
    """An output without boost in kW beside a boosted power in hp looks a third too high."""
    made = predict(basis.model, ENGINE).power.value / HP
    assert "powers_in_two_units" in {one.code for one in judged(basis, made).conditions}


def test_no_condition_names_boost_beyond_the_evidence(basis):
    assert "boost" not in {one.code for one in judged(basis, 2_400.0).conditions}


def test_comparable_records_share_boost_and_class(basis):
    for one in comparable_records(basis.model, ENGINE):
        assert one.build.induction == "turbocharger" and one.build.charge_cooling == "air_to_air"
        assert 0.8 <= one.nearest_boost_kpa / one.build.ambient_kpa / (60.0 / 101.325) <= 1.25


def test_far_outside_the_evidence_nothing_is_in_line(basis):
    huge = replace(ENGINE, na_power_kw=3_000.0)
    found = judged(basis, predict(basis.model, huge).power.value, huge)
    assert found.widened >= 2.0 and found.verdict == "cannot judge" and found.outside and "far outside" in found.why


def test_without_a_model_there_is_a_reason_and_no_number(basis):
    found = judged(Basis(None, None, "The study has 4 builds."), 380.0)
    assert (found.verdict, found.percentile, found.expected, found.why) == ("cannot judge", None, None, "The study has 4 builds.")


@pytest.mark.reference
@pytest.mark.parametrize(
    ("unboosted_hp", "boosted_hp", "manifold_inhg", "ratio"),
    [(250, 310, 38.6, 0.827), (250, 310, 40.0, 0.712), (235, 310, 38.6, 1.100), (210, 225, 36.0, 0.352)],
)
def test_certified_ratings_against_the_rule(basis, unboosted_hp, boosted_hp, manifold_inhg, ratio):
    """Certified powers of one engine family without and with a turbocharger (FAA type certificate data sheets E-295 rev 14,
    E14EA rev 22, E1CE rev 21, E9CE rev 21); the share of the rule is worked out by hand from hp and inHg at 29.92 inHg.
    """
    engine = EngineRequest(
        unboosted_hp * HP, (manifold_inhg - 29.9213) * INHG, induction="turbocharger", is_catalogue_figure=True
    )
    found = judged(basis, boosted_hp * HP, engine)
    assert found.rule_ratio == pytest.approx(ratio, abs=0.001)
    assert found.verdict in ("in line", "low") if ratio < 1 else found.verdict in ("in line", "high but seen")


def test_a_yield_is_judged_as_the_power_that_it_comes_to(basis):
    engine = replace(ENGINE, boost_kpa=reference_boost_kpa(101.325))
    made = 250.0 + 2.3 * engine.boost_kpa
    claim = Claim("yield", engine=engine, made_kw=made, yield_kw_per_kpa=2.3, has_boost=False)
    assert judge_claim(basis, claim).verdict == judged(basis, made, engine).verdict
    assert judge_claim(basis, claim).percentile == judged(basis, made, engine).percentile


# --- parts --------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def with_parts(basis):
    made = simulate_changes(ChangeTruth(engines=80), 9)
    found = answer_pairs({"run": made.runs, "build": made.builds, "change": made.changes}, MeanCurve(0.9, -0.06, 0.08), {}, 0.95)
    return replace(basis, gains=found)


def gain_claim(gain_kw, part, **more):
    return Claim("part", engine=replace(ENGINE, na_power_kw=250.0), parts=(part,), gain_kw=gain_kw, **more)


def test_a_parts_gain_stands_among_engines_of_the_same_change(with_parts):
    kind = next(one for one in with_parts.gains.parts if one.new_engine_pct.low is not None and "+" not in one.part)
    usual = 250.0 * kind.gain_pct.value / 100.0
    found = judge_claim(with_parts, gain_claim(usual, kind.part))
    assert found.verdict == "in line" and 40 <= found.percentile <= 60 and found.evidence and found.builds == kind.engines
    high = judge_claim(with_parts, gain_claim(usual * 20, kind.part))
    assert high.verdict == "beyond the evidence" and high.seen == 0 and high.percentile > 99
    assert judge_claim(with_parts, gain_claim(found.expected.low80 - 0.5, kind.part)).verdict == "low"


def test_a_part_gives_more_under_boost(with_parts):
    kind = next(one for one in with_parts.gains.parts if one.new_engine_pct.low is not None and "+" not in one.part)
    plain, boosted = (judge_claim(with_parts, gain_claim(10.0, kind.part, at_boost=at)).expected for at in (False, True))
    assert boosted.value > plain.value and boosted.high80 - boosted.low80 > plain.high80 - plain.low80


def test_a_part_that_nobody_changed_cannot_be_judged(with_parts):
    found = judge_claim(with_parts, gain_claim(10.0, "other"))
    assert found.verdict == "cannot judge" and "holds no change of other" in found.why and found.expected is None


# --- rules --------------------------------------------------------------------------------------------------------------


class _Study:
    def __init__(self, *rules):
        self.rules = rules


def rule(verdict, value=0.8, low=0.7, high=0.9):
    return RuleVerdict(
        id="na_power_over_14_7", statement="Each psi is worth so much.", verdict=verdict, estimate=Estimate(value, low, high, 0.95, "1", 50, 120),
        tolerance="within 10 %", would_tell="More builds.", tested_by="rule_ratio",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("verdict", "value", "said"),
    [
        ("holds", 0.97, "in line"),
        ("does not hold", 0.8, "beyond the evidence"),
        ("does not hold", 1.3, "low"),
        ("cannot tell yet", 0.9, "cannot judge"),
    ],
)
def test_a_rule_has_the_verdict_of_the_study(verdict, value, said):
    found = judge_claim(
        Basis(_Study(rule(verdict, value, value - 0.05, value + 0.05)), None), Claim("rule", rule="na_power_over_14_7")
    )
    assert found.verdict == said and found.figure.value == value and found.expected is None


def test_an_unknown_rule_is_told_with_those_known():
    with pytest.raises(RequestProblem, match="na_power_over_14_7"):
        judge_claim(Basis(_Study(rule("holds")), None), Claim("rule", rule="nobody"))


@pytest.mark.parametrize("made", [0.0, -5.0, 1e9, float("nan")])
def test_impossible_powers_are_refused(basis, made):
    with pytest.raises(RequestProblem):
        judged(basis, made)
