"""The page of judged claims: what it shows, what it links, and how it behaves in a browser without a network."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from models.claim_records import VERDICTS, Claim, ClaimAnswer, Condition, NearRecord
from models.estimate_answers import Ranges
from models.estimate_records import EngineRequest
from models.strength import strength_of_ranges
from reports.build_links import build_link, key_of_build
from reports.charts.claims import MARKS, chart_claims
from reports.claim_tables import MOST_DRAWN, claim_captions, counts_of, rows_of_claims, say_drawn
from reports.claims_page import render_claims_page, write_claims_page
from reports.numbers import SI, US, InBothUnits

HP, PSI = 0.7456998715822702, 6.894757293168361
ENGINE = EngineRequest(420 * HP, 8 * PSI)
POWER = Ranges(638 * HP, 608 * HP, 670 * HP, 585 * HP, 696 * HP, "kW")
GAIN = Ranges(20 * HP, 13 * HP, 28 * HP, 7 * HP, 34 * HP, "kW")
NEAR = NearRecord("a", "Bench|Book", "Varn Four", "very like it", "less boost (48.0 kPa)", 300.0, 440.0, 48.0, 640 * HP, False)
MADE = {"in line": 640, "high but seen": 680, "beyond the evidence": 760, "low": 500, "cannot judge": 900}
HOSTILE = "</script><img src=x onerror='window.pwned=1'>", "<script>window.pwned=1</script>", "\u202e" + "W" * 300, "{{ 7*7 }}"


def power_claim(made_hp: float, verdict: str, name: str = "", line: int | None = None) -> ClaimAnswer:
    return ClaimAnswer(
        Claim("boost", ENGINE, made_kw=made_hp * HP, name=name), name, line, {"na": "420hp", "made": f"{made_hp}hp"}, verdict=verdict,
        percentile=50.0, highest_percentile=99.8, expected=POWER, claimed=made_hp * HP, rule_kw=649 * HP, evidence=(NEAR,), seen=3, compared=52,
        conditions=() if verdict == "in line" else (Condition("na_output", 470 * HP, 500 * HP, 530 * HP, "kW"),),
        strength=strength_of_ranges(POWER, made_hp * HP).name, builds=226, runs=854, why="Far outside.",
    )  # fmt: skip


def part_claim(gain_hp: float, verdict: str, name: str) -> ClaimAnswer:
    return ClaimAnswer(
        Claim("part", ENGINE, parts=("camshaft",), gain_kw=gain_hp * HP), name, verdict=verdict, expected=GAIN, claimed=gain_hp * HP,
        strength=strength_of_ranges(GAIN, gain_hp * HP).name, builds=10, runs=20, compared=10,
    )  # fmt: skip


def some_answers() -> list[ClaimAnswer]:
    """Each verdict on a power, two parts, and a row that could not be read."""
    powers = [power_claim(made, verdict, f"Claim of {made}", line) for line, (verdict, made) in enumerate(MADE.items(), start=2)]
    unread = ClaimAnswer(None, "Broken row", 9, {"na": "x"}, problem="The power 'x' is no number.")
    return [*powers, part_claim(22, "in line", "Cam"), part_claim(60, "beyond the evidence", "Wild cam"), unread]


def hostile_answers() -> list[ClaimAnswer]:
    near = [replace(NEAR, publisher=text, build=text, differs=text) for text in HOSTILE]
    return [
        *(replace(power_claim(760, "beyond the evidence", text), given={text: text}, evidence=(one,)) for text, one in zip(HOSTILE, near, strict=True)),
        ClaimAnswer(None, HOSTILE[0], 3, {HOSTILE[1]: HOSTILE[0]}, problem=HOSTILE[0]),
    ]  # fmt: skip


SAID = (InBothUnits("print", "print"), InBothUnits("avoid", "avoid"))


@pytest.fixture(scope="module")
def html(results) -> str:
    return render_claims_page(results, some_answers(), ["builds.html", "study.html"])


@pytest.fixture(scope="module")
def file(results, tmp_path_factory):
    return write_claims_page(results, some_answers(), tmp_path_factory.mktemp("claims") / "claims.html", beside=["builds.html"])


def test_counts_come_first_and_every_claim_has_a_card(html):
    assert "8 claims, held against the records" in html
    assert (
        "2 in line, 1 high but seen, 2 beyond the evidence, 1 low, 1 cannot be judged. 1 row could not be read as a claim, and says why."
        in html
    )
    assert html.count('<article class="claim"') == 8
    assert html.count('data-verdict="in line"') == 2 and html.count('data-verdict="not read"') == 1
    assert "<b>Not read:</b>" in html and "is no number" in html


def test_records_lead_to_their_panel_only_where_the_page_of_builds_is(results, html):
    link = build_link(key_of_build("a", "Bench|Book", "Varn Four"))
    assert key_of_build("a", "Bench|Book", "Varn Four") == "a|Bench\\|Book|Varn Four"
    assert f'href="{link}"' in html
    alone = render_claims_page(results, some_answers())
    assert link not in alone and "builds.html" not in alone


def test_a_page_without_claims_and_one_without_ranges_say_so(results):
    empty = render_claims_page(results, [])
    assert "The file holds no claim." in empty and "0 claims" in empty and "None could be judged." in empty
    unread = render_claims_page(results, [ClaimAnswer(None, problem="No.")])
    assert "No claim has a range that it could be drawn against." in unread and "1 claim, held" in unread
    assert len(unread) < 100_000  # the chart library stays out


def test_rows_are_shares_of_what_is_to_be_expected_in_the_order_of_verdicts():
    rows = rows_of_claims(some_answers(), [SAID] * 8)
    assert [row["verdict_code"] for row in rows["claims"]] == list(VERDICTS)
    assert [row["place"] for row in rows["claims"]] == [0, 1, 2, 3, 4]
    first = rows["claims"][0]
    assert (
        first["share"] == pytest.approx(640 / 638)
        and first["low80"] == pytest.approx(608 / 638)
        and first["rule"] == pytest.approx(649 / 638)
    )
    assert first["words"].startswith("Claim of 640: 640\u202fhp, 100\u202f% of") and "477\u202fkW" in first["words_si"]
    assert [row["name"] for row in rows["part_claims"]] == ["Cam", "Wild cam"]
    assert len(rows["all_claims"]) == 5 and len(rows["all_part_claims"]) == 2
    assert sum(counts_of(some_answers()).values()) == 8


def test_a_figure_given_as_read_keeps_its_share():
    answer = power_claim(640, "in line")
    as_read = replace(answer, claim=replace(answer.claim, given_to_corrected=1.25))
    one, other = (rows_of_claims([each], [SAID])["claims"][0] for each in (answer, as_read))
    assert other["share"] == pytest.approx(one["share"]) and other["rule"] == pytest.approx(one["rule"])
    assert other["claimed_kw"] == pytest.approx(one["claimed_kw"] / 1.25)


def test_of_a_thousand_claims_a_stated_part_is_drawn_and_the_table_has_all():
    answers = [power_claim(600 + number / 10, "in line", f"No {number}") for number in range(1_000)]
    rows = rows_of_claims(answers, [SAID] * 1_000)
    assert len(rows["claims"]) <= MOST_DRAWN and len(rows["all_claims"]) == 1_000
    shares = [row["share"] for row in rows["claims"]]
    assert shares == sorted(shares, reverse=True) and shares[0] > 1.09 and shares[-1] < 0.96
    assert say_drawn(rows, "claims").us == (
        "Drawn are 59 of 1000 claims: one in every 17, in order of verdict and share; the table has all."
    )
    none = [replace(power_claim(640, "cannot judge"), expected=None), power_claim(640, "in line")]
    assert say_drawn(rows_of_claims(none, [SAID] * 2), "claims").us == "1 claim without a range is not drawn."
    assert say_drawn(rows_of_claims(some_answers(), [SAID] * 8), "claims") is None


def test_a_part_that_is_expected_to_gain_nothing_is_not_drawn():
    nothing = replace(part_claim(5, "in line", "Nil"), expected=Ranges(-1.0, -3.0, 2.0, -5.0, 4.0, "kW"))
    rows = rows_of_claims([nothing], [SAID])
    assert rows["part_claims"] == [] and rows["all_part_claims"][0]["share"] is None


@pytest.mark.parametrize("system", [US, SI], ids=["us", "si"])
def test_charts_are_valid_and_their_words_tell_the_picture(system):
    import altair as alt
    from jsonschema import Draft7Validator

    rows = rows_of_claims(some_answers(), [SAID] * 8)
    captions = claim_captions(rows)
    for name in ("claims", "part_claims"):
        chart = chart_claims(rows, name, system, captions[name].description.in_system(system.code))
        Draft7Validator(alt.load_schema()).validate(chart.spec)
        assert chart.uses == (name,)
    assert captions["claims"].description.us == (
        "Marks of 5 claims against ranges in per cent of the expected figure: 1 in line, 1 high, but seen, 1 beyond the evidence, 1 low, "
        "1 cannot be judged. They run from 78 to 141 per cent of what is to be expected."
    )
    assert len(set(MARKS.values())) == len({shape for shape, _ in MARKS.values()}) == len(VERDICTS)


def test_hostile_text_stays_text(results):
    html = render_claims_page(results, hostile_answers(), ["builds.html"])
    shown = html[html.index("<main") : html.index("</main>")]
    assert "&lt;/script&gt;&lt;img" in shown and "{{ 7*7 }}" in shown
    assert "<img" not in shown and "<script" not in shown
    assert "<script>window.pwned" not in html and "\u202e" not in shown
    data = json.loads(re.search(r'id="data">(.*?)</script>', html, re.DOTALL)[1])
    assert any("<script>" in name for name in data["rows"]["claims"]["name"])


# --- in a browser -------------------------------------------------------------------------------------------------------


@pytest.mark.browser
@pytest.mark.slow
def test_page_is_silent_offline_and_its_units_switch(file, open_page):
    opened = open_page(file)
    page = opened.page
    assert page.locator(".plot svg.marks").count() == 2
    card = page.locator("#claim-1")
    assert "608 to 670\u202fhp" in card.inner_text() and "kW" not in card.inner_text()
    page.locator("input[name=units][value=si]").check(force=True)
    page.wait_for_selector("html[data-drawn=si]")
    assert "453 to 500\u202fkW" in card.inner_text() and "hp" not in card.locator(".sentence").inner_text()
    page.locator("details.data[data-chart=claims] summary").click()
    page.locator("#chart-claims tbody tr").first.wait_for()
    assert (
        page.locator("#chart-claims tbody tr").count() == 5 and "477\u202fkW" in page.locator("#chart-claims tbody").inner_text()
    )
    assert opened.messages == [] and opened.requests == [file.resolve().as_uri()]


@pytest.mark.browser
@pytest.mark.slow
def test_filter_and_cards_work_from_the_keyboard(file, open_page):
    page = open_page(file).page
    page.locator("input[name=verdict]").first.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.locator("input[name=verdict]:checked").get_attribute("value") == "beyond the evidence"
    assert page.locator("article.claim:visible").count() == 2
    assert page.locator("#shown-status").inner_text() == "2 of 8 claims shown"
    page.locator("#claim-3 summary").focus()
    page.keyboard.press("Enter")
    assert (
        page.locator("#claim-3 details").get_attribute("open") is not None
        and "470 to 530" in page.locator("#claim-3").inner_text()
    )
    page.locator("input[name=verdict]:checked").focus()
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
    assert page.locator("article.claim:visible").count() == 8 and page.locator("#shown-status").inner_text() == ""


@pytest.mark.browser
@pytest.mark.slow
def test_copy_takes_the_sentence_in_the_units_shown(file, open_page):
    page = open_page(file, "#units=si").page
    page.evaluate("navigator.clipboard.writeText = async (text) => { window.copied = text; }")
    page.locator("#claim-1 button.copy").click()
    page.wait_for_function("window.copied !== undefined")
    copied = page.evaluate("window.copied")
    assert copied == page.locator("#claim-1 .sentence").inner_text().strip() + " (Invented demo data.)"
    assert "kW" in copied and "hp" not in copied and page.locator("#claim-1 button.copy").inner_text().startswith("Copied")
    assert page.locator("#copy-status").text_content() == "The sentence is on the clipboard."


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_does_not_scroll_sideways_even_with_hostile_names(results, open_page, tmp_path, scheme):
    file = write_claims_page(results, [*some_answers(), *hostile_answers()], tmp_path / "claims.html")
    opened = open_page(file, width=360, color_scheme=scheme)
    page = opened.page
    for details in page.locator("article details").all():
        details.evaluate("one => { one.open = true; }")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate("window.pwned") is None and page.locator("main img").count() == 0
    assert "<script>window.pwned=1</script>" in page.locator("#claim-10 h3").inner_text()
    assert opened.messages == [] and len(opened.requests) == 1
