"""Words of judged claims: what may be printed, what is better not, conditions, records and caveats, and no figure against its sentence."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.claim_records import VERDICTS, Claim, ClaimAnswer, Condition, NearRecord
from models.estimate import Estimate
from models.estimate_answers import OutsideItem, Ranges
from models.estimate_records import EngineRequest
from models.strength import LADDER, strength_of_ranges
from reports.claim_sentences import INVENTED, say_claim
from reports.claim_words import VERDICT_WORDS, as_given, given_kw, range_words
from reports.numbers import SI, SYSTEMS, THIN, US

HP = 0.7456998715822702
PSI = 6.894757293168361
ENGINE = EngineRequest(420 * HP, 8 * PSI, induction="turbocharger", charge_cooling="air_to_air")
EXPECTED = Ranges(638 * HP, 608 * HP, 670 * HP, 585 * HP, 696 * HP, "kW")
GAIN = Ranges(20 * HP, 13 * HP, 28 * HP, 7 * HP, 34 * HP, "kW")
NEAR = NearRecord("a", "Bench Book", "Varn Four", "very like it", "less boost (48.0 kPa)", 300.0, 440.0, 48.0, 640 * HP, False)
HOSTILE = (
    "<script>window.pwned=1</script>", "\u202egnp.exe\u202c", "W" * 400, "line\u2028break\x00null\ttab", '=HYPERLINK("http://x")',
)  # fmt: skip
#: Words that no range of such records carries.
TOO_STRONG = re.compile(
    r"\b(prove|proves|proven|certain|certainly|always|never|impossible|guarantee|true|false|fake)\b", re.IGNORECASE
)


def boost_claim(made_hp: float, **more: object) -> ClaimAnswer:
    """A judged power under boost of an engine of 420 hp at 8 psi, with 52 comparable records."""
    claim = Claim("boost", ENGINE, made_kw=made_hp * HP)
    plain = ClaimAnswer(
        claim, verdict="in line", percentile=50.0, highest_percentile=99.8, expected=EXPECTED, claimed=made_hp * HP, compared=52, seen=7,
        strength=strength_of_ranges(EXPECTED, made_hp * HP).name, builds=226, runs=854,
    )  # fmt: skip
    return replace(plain, **more)


def part_claim(gain_hp: float, **more: object) -> ClaimAnswer:
    claim = Claim("part", ENGINE, parts=("cylinder_head",), gain_kw=gain_hp * HP)
    plain = ClaimAnswer(
        claim, verdict="in line", percentile=50.0, expected=GAIN, claimed=gain_hp * HP, compared=7, seen=2,
        strength=strength_of_ranges(GAIN, gain_hp * HP).name, builds=7, runs=14,
    )  # fmt: skip
    return replace(plain, **more)


def plain(text: str) -> str:
    return text.replace(THIN, " ")


def test_a_claim_beyond_the_evidence_reads_as_such():
    words = say_claim(boost_claim(760, verdict="beyond the evidence", seen=0, percentile=99.5), US)
    assert plain(words.verdict) == (
        "Beyond the evidence: 760 hp lies above the 95 % range of 585 to 696 hp, and none of 52 comparable records came out as high; "
        "more than 99 of 100 such engines come out below it."
    )
    assert plain(words.to_print) == (
        "By the records of 226 builds, an engine of 420 hp without boost (turbocharger, air-to-air cooled) at 8.0 psi is to be expected to "
        "make 608 to 670 hp (range for four engines in five); 760 hp is claimed; the records show that most such engines make less, and "
        "none of 52 comparable records came out as high."
    )
    assert words.to_avoid.startswith("\u201cThe figure is false.\u201d Not so:")


def test_in_line_is_never_told_as_confirmed():
    words = say_claim(boost_claim(640), SI)
    assert plain(words.to_print).endswith("477 kW is claimed, and the records cannot tell that from what such engines do.")
    assert "does not confirm" in words.to_avoid


def test_high_but_unseen_says_that_only_the_wide_range_reaches_so_far():
    seen = say_claim(boost_claim(680, verdict="high but seen"), US).verdict
    unseen = say_claim(boost_claim(680, verdict="high but seen", seen=0), US).verdict
    alone = say_claim(boost_claim(680, verdict="high but seen", seen=0, compared=0), US)
    assert "7 of 52 comparable records came out as high" in seen and "only the wide range" not in seen
    assert "none of 52 comparable records came out as high, so that only the wide range reaches so far" in unseen
    assert "no record is comparable in boost and class, so that only the wide range reaches so far" in alone.verdict
    assert "No record is comparable, so that only the fitted range speaks." in alone.caveats


def test_high_beyond_the_wide_range_names_no_wide_range_but_its_records():
    said = say_claim(boost_claim(720, verdict="high but seen", seen=1, compared=1), US).verdict
    assert "inside" not in said and "1 of 1 comparable record came out as high" in said


def test_singular_and_plural():
    one = say_claim(part_claim(40, verdict="beyond the evidence", seen=0, compared=1, builds=1), US)
    assert "By the records of 1 engine, " in one.to_print and "the one comparable record did not come out as high" in one.verdict
    two = say_claim(part_claim(40, verdict="beyond the evidence", seen=0, compared=2, builds=2), US)
    assert "By the records of 2 engines, " in two.to_print and "none of 2 comparable records" in two.verdict


def test_what_to_avoid_differs_by_verdict_and_kind():
    kinds = {
        "boost": boost_claim(640), "part": part_claim(20),
        "yield": boost_claim(640, claim=Claim("yield", ENGINE, made_kw=640 * HP, yield_kw_per_kpa=3.0)),
    }  # fmt: skip
    said = {say_claim(replace(answer, verdict=verdict), US).to_avoid for answer in kinds.values() for verdict in VERDICTS}
    assert len(said) == len(kinds) * len(VERDICTS)


def test_a_missing_range_gives_no_number():
    bare = Ranges(638 * HP, None, None, None, None, "kW")
    words = say_claim(boost_claim(640, verdict="cannot judge", expected=bare, why="Too few builds for a range."), US)
    assert words.verdict == "Cannot be judged: Too few builds for a range."
    assert "638" not in words.to_print and words.to_print.startswith("The records at hand cannot tell whether")
    no_ends = boost_claim(760, verdict="beyond the evidence", conditions=(Condition("na_output", None, 500 * HP, None, "kW"),))
    assert "500" not in say_claim(no_ends, US).conditions[0]


def test_conditions_in_words_and_in_both_units():
    conditions = (
        Condition("na_output", 477 * HP, 500 * HP, 525 * HP, "kW"), Condition("boost", None, 12.7 * PSI, None, "kPa"),
        Condition("wheel_against_crank", value=0.85, words="na"), Condition("powers_in_two_units", value=1.34, words="made"),
        Condition("boost_is_absolute", value=5 * PSI, unit="kPa"), Condition("air", value=1.1, words="made"),
        Condition("catalogue_figure"), Condition("charge_cooling", words="air_to_water"),
    )  # fmt: skip
    answer = boost_claim(760, verdict="beyond the evidence", conditions=conditions)
    us, si = (say_claim(answer, system).conditions for system in (US, SI))
    assert len(us) == len(si) == len(conditions)
    assert "477 to 525 hp without boost" in plain(us[0]) and "kW without boost" in plain(si[0])
    assert "12.7 psi" in plain(us[1]) and "88 kPa" in plain(si[1]) and "not a boost to set" in us[1]
    assert "at the wheels" in us[2] and "in kW" in us[3] and "absolute" in us[4] and "corrected" in us[5] and "rating" in us[6]
    assert us[7] == "The charge cooling was air to water: with that the claim would be in line."


def test_nearest_records_say_what_the_engine_would_make():
    answer = boost_claim(640, evidence=(NEAR,))
    assert plain(say_claim(answer, US).evidence[0]) == (
        "Bench Book, Varn Four: 402 hp to 590 hp at 7.0 psi (very like it; less boost (7.0 psi)); going the same way this engine would make 640 hp."
    )
    assert "would gain" in say_claim(part_claim(20, evidence=(NEAR,)), US).evidence[0]


def test_caveats():
    claim = replace(boost_claim(640).claim, has_boost=False, given_to_corrected=1.05)
    item = OutsideItem("boost", 206.8, 164.5, "kPa", True, 40, 2.0)
    said = say_claim(
        boost_claim(640, claim=claim, outside=(item,), widened=2.0, highest_percentile=94.0), US, invented=True
    ).caveats
    text = plain(" ".join(said))
    assert said[0] == INVENTED and "above 23.9 psi boost" in text and "164.5" not in text
    assert "The claim states no boost; it was judged at 8.0 psi." in text and "as read in that air" in text
    assert "cannot place a claim beyond 94 of 100" in text
    assert say_claim(boost_claim(640), US).caveats == ()


def test_a_figure_given_as_read_is_told_as_read():
    claim = replace(boost_claim(640).claim, given_to_corrected=1.25)
    said = plain(say_claim(boost_claim(640, claim=claim), US).verdict)
    assert "512 hp lies inside the 80 % range of 486 to 536 hp" in said


def test_rows_that_could_not_be_read_say_why():
    words = say_claim(ClaimAnswer(None, "x", 4, problem="The power is no number."), US)
    assert words.verdict == "Not read: The power is no number." and words.to_print == words.to_avoid == ""


@pytest.mark.parametrize(
    ("verdict", "judged", "value"), [("in line", "holds", 1.0), ("beyond the evidence", "fails", 0.8), ("low", "fails", 1.3)]
)
def test_rules_of_thumb(verdict, judged, value):
    figure = Estimate(value, value - 0.03, value + 0.03, 0.95, "1", 226, 854)
    answer = ClaimAnswer(
        Claim("rule", rule="r"), verdict=verdict, figure=figure, claimed=1.0, statement="One atmosphere (14.7 psi) doubles power.",
        rule_verdict=judged, tolerance="within 10 %", builds=226,
    )  # fmt: skip
    us, si = (say_claim(answer, system) for system in (US, SI))
    assert (
        us.verdict.startswith(VERDICT_WORDS[verdict])
        and f"{value - 0.03:.2f}" in us.to_print
        and "14.7 psi" in plain(us.to_print)
    )
    assert "101 kPa" in plain(si.to_print) and us.to_avoid


@pytest.mark.parametrize("system", SYSTEMS.values(), ids=SYSTEMS)
@pytest.mark.parametrize("verdict", VERDICTS)
def test_every_verdict_and_kind_gives_its_sentences(verdict, system):
    yields = boost_claim(640, claim=Claim("yield", ENGINE, made_kw=640 * HP, yield_kw_per_kpa=3.0))
    for answer in (boost_claim(640), part_claim(20), yields):
        words = say_claim(replace(answer, verdict=verdict, why="Because."), system)
        assert words.verdict.startswith(VERDICT_WORDS[verdict] + ": ")
        for text in (words.verdict, words.to_print, words.to_avoid):
            assert text.endswith(".") and "None" not in text and "  " not in text and "_" not in text
        assert ("hp" in words.to_print) is (system is US)


@pytest.mark.parametrize("text", HOSTILE)
def test_contributed_text_is_cleaned(text):
    near = replace(NEAR, publisher=text, build=text, differs=text, likeness=text)
    engine = replace(ENGINE, fuel=text)
    answer = boost_claim(760, claim=Claim("boost", engine, made_kw=500.0), verdict="cannot judge", why=text, evidence=(near,))
    answer = replace(answer, conditions=(Condition("fuel", words=text),))
    words = say_claim(answer, US)
    unread = say_claim(ClaimAnswer(None, problem=text), US)
    for line in (words.verdict, words.to_print, *words.evidence, *words.conditions, unread.verdict):
        assert line.replace(THIN, " ").isprintable() and len(line) < 1_000


# --- no sentence says more than its interval ----------------------------------------------------------------------------


@st.composite
def answers(draw: st.DrawFn) -> ClaimAnswer:
    """A judged claim with ranges of any width, its verdict and strength as the models give them."""
    value = draw(st.floats(5.0, 2_000.0))
    half80 = value * draw(st.floats(0.005, 0.6))
    half95 = half80 * draw(st.floats(1.05, 3.0))
    wide = draw(st.booleans())
    of = Ranges(value, value - half80, value + half80, value - half95 if wide else None, value + half95 if wide else None, "kW")
    claimed = max(value + half95 * draw(st.floats(-3.0, 3.0)), 1.0)
    compared = draw(st.integers(0, 60))
    seen = draw(st.integers(0, compared))
    verdict = _verdict(of, claimed, seen)
    is_part = draw(st.booleans())
    factor = draw(st.sampled_from([1.0, 1.08]))
    claim = (
        Claim("part", ENGINE, parts=("camshaft",), gain_kw=claimed, given_to_corrected=factor)
        if is_part
        else Claim("boost", ENGINE, made_kw=claimed, given_to_corrected=factor)
    )
    return ClaimAnswer(
        claim, verdict=verdict, percentile=draw(st.none() | st.floats(0.0, 100.0)), highest_percentile=draw(st.sampled_from([None, 94.0, 99.9])),
        expected=of, claimed=claimed, seen=seen, compared=compared, strength=strength_of_ranges(of, claimed).name, builds=draw(st.integers(1, 300)),
        why="No wide range can be given." if verdict == "cannot judge" else None,
    )  # fmt: skip


def _verdict(of: Ranges, claimed: float, seen: int) -> str:
    if of.low80 <= claimed <= of.high80:
        return "in line"
    if claimed < of.low80:
        return "low"
    if of.high95 is None:
        return "high but seen" if seen else "cannot judge"
    return "high but seen" if claimed <= of.high95 or seen else "beyond the evidence"


@settings(max_examples=150, deadline=None)
@given(answers(), st.sampled_from(list(SYSTEMS.values())))
def test_no_sentence_says_more_than_its_interval(answer, system):
    words = say_claim(answer, system)
    rungs = [rung.name for rung in LADDER]
    for verb, least in (("records show", "shows"), ("records suggest", "suggests"), ("records lean", "leans")):
        if verb in words.to_print:
            assert rungs.index(answer.strength) <= rungs.index(least)
            assert answer.verdict not in ("in line", "cannot judge")
    assert not TOO_STRONG.search(words.to_print) and not TOO_STRONG.search(words.verdict)
    if answer.verdict != "cannot judge":
        assert range_words(as_given(answer), 80, system, given_kw(answer)) in words.to_print
    wide = range_words(as_given(answer), 95, system, given_kw(answer))
    assert ("95" + THIN + "% range" in words.verdict) <= (wide is not None and wide in words.verdict)
    assert "100 of 100" not in words.verdict and "about 0 of 100" not in words.verdict
    if answer.percentile is None:
        assert "of 100 such engines" not in words.verdict


@settings(max_examples=150, deadline=None)
@given(answers(), st.sampled_from(list(SYSTEMS.values())))
def test_printed_figures_never_contradict_their_sentence(answer, system):
    said = say_claim(answer, system).verdict
    number = r"([\u2212\d\u202f.]+)"
    found = re.search(
        rf": {number}\u202f{system.scales['power'].unit} lies (inside|above|below) the \d+\u202f% range of {number} to {number}\u202f",
        said,
    )
    if answer.verdict == "cannot judge":
        return
    claimed, low, high = (float(found[i].replace(THIN, "").replace("\u2212", "-")) for i in (1, 3, 4))
    assert {"inside": low <= claimed <= high, "above": claimed > high, "below": claimed < low}[found[2]], said
