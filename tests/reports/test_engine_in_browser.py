"""The engine page in a real browser: figures of the command, addresses edited by hand, sliders, cards, hostile names."""

from __future__ import annotations

import json
import random
import re
import shlex
from dataclasses import replace
from urllib.parse import quote

import pytest

from models.estimate_records import EngineRequest
from models.expected_power import predict
from models.outside_evidence import highest_ratio, say_outside
from models.prediction_check import answer_prediction
from models.results import SourceNote
from models.rule import KPA_PER_PSI, SEA_LEVEL_KPA
from models.sample import choose_sample
from models.similar_builds import say_differences
from models.simulate import simulate_study
from models.simulate_worlds import world
from pipeline.cli import estimate_shown as shown
from pipeline.cli.estimate import _check_wishes, engine_request, estimate
from reports.engine_calculator import choices_of
from reports.engine_page import render_engine_page, write_engine_page
from reports.quantities_in_text import in_reader_units

pytestmark = pytest.mark.slow

HOSTILE = "</script><img src=x onerror=window.pwned=1> {{ 7*7 }} \u202e"
PAGES = ["study.html", "engine.html", "appendix.html"]
ANY = EngineRequest(200.0, 50.0)


def answers(builds, seed=5):
    made = simulate_study(world("base", builds), seed)
    return answer_prediction(choose_sample(made.runs, made.builds), invented=True)


@pytest.fixture(scope="module")
def prediction():
    return answers(130)


@pytest.fixture(scope="module")
def file(results, prediction, tmp_path_factory):
    return write_engine_page(results, prediction, tmp_path_factory.mktemp("engine") / "engine.html", PAGES)


def test_hostile_text_cannot_leave_its_place(results, prediction):
    html = render_engine_page(*hostile(results, prediction), PAGES)
    assert "<img" not in html and "\u202e" not in html
    data = json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', html, flags=re.S)[1])
    assert data["engine"]["model"]["known_builds"][0]["build"].startswith("</script><img src=x")
    assert all(one["url"] is None for one in data["engine"]["sources"].values())


def hostile(results, prediction):
    """The same with names that attack a page."""
    known = prediction.model.known_builds
    bad = tuple(replace(one, publisher=HOSTILE, build=HOSTILE + "w" * 200) for one in known)
    notes = tuple(
        SourceNote(**{**{f: getattr(results.sources[0], f) for f in results.sources[0].__slots__}, "source": source, "title": HOSTILE,
                      "licence": HOSTILE, "url": "javascript:window.pwned=1"})
        for source in {one.source for one in known}
    )  # fmt: skip
    return replace(results, sources=notes), replace(prediction, model=replace(prediction.model, known_builds=bad))


#: What the page shows after each address, read as text.
READ = """(links) => links.map((link) => {
  history.replaceState(null, "", link);
  dispatchEvent(new HashChangeEvent("hashchange"));
  const text = (id) => document.getElementById(id).hidden ? "" : document.getElementById(id).textContent;
  return {
    problem: text("r-problems"), hidden: document.getElementById("r-some").hidden, command: text("r-command"),
    power: text("r-power"), small: text("r-power-small"), read: text("r-read"), like: text("r-like"), rule: text("r-rule"),
    physics: text("r-physics"), yields: [text("r-yield"), text("r-yield-small"), text("r-next"), text("r-next-small")],
    outside: document.getElementById("r-outside").hidden ? [] : [...document.querySelectorAll("#r-outside-list li")].map((li) => li.textContent),
    likes: [...document.querySelectorAll("#likes li")].map((li) => [".would", "p", ".small"].map((part) => li.querySelector(part).textContent)),
  };
})"""


def bare(text):
    """A text without spaces of any kind and marks of thousands; one minus sign."""
    return re.sub(r"[\s\u202f,]", "", text).replace("\u2212", "-")


def random_links(prediction, count, units, seed):
    """Addresses of engines inside and outside the evidence, up to the most boost of their class."""
    draw, model = random.Random(seed), prediction.model
    power, boost, length = ("hp", "psi", "ft") if units == "us" else ("kW", "kPa", "m")
    links = []
    for _ in range(count):
        pieces, codes = {}, {}
        fields = {
            "induction": "induction",
            "cooling": "charge_cooling",
            "fuel": "fuel",
            "at": "measured_at",
            "hardware": "baseline_hardware",
        }
        for key, field in fields.items():
            if draw.random() < 0.6:
                codes[field] = pieces[key] = draw.choice([code for code, _ in choices_of(model)[field]])
        asked = replace(ANY, **codes)
        pieces["na"] = f"{draw.uniform(20, 1500):.{draw.choice([0, 0, 1])}f}{power}"
        altitude = draw.choice([None, None, draw.uniform(0, 2500)])
        if altitude is not None:
            pieces["altitude"] = f"{altitude * (3.28084 if units == 'us' else 1):.0f}{length}"
            pieces["is"] = draw.choice(["observed", "corrected"])
        top = highest_ratio(model.evidence, asked) * 70.0 / (6.8948 if units == "us" else 1)
        pieces["boost"] = f"{draw.uniform(0.1, 0.98) * top:.1f}{boost}"
        for key, low, high, unit, digits in (
            ("displacement", 0.4, 9, "L", 2), ("cr", 7, 13, "", 1), ("aki", 85, 118, "", 1), ("ron", 88, 120, "", 0),
            ("rating", 100, 1200, power, 0),
        ):  # fmt: skip
            if draw.random() < 0.4:
                pieces[key] = f"{draw.uniform(low, high):.{digits}f}{unit}"
        if draw.random() < 0.2:
            pieces["catalogue"] = "1"
        order = sorted(pieces, key=lambda _: draw.random())
        links.append("#" + "&".join(f"{key}={pieces[key]}" for key in order))
    return links


def expected(prediction, command, units):
    """What the command line shown by the page prints, from the functions that the command calls."""
    words = shlex.split(command)
    assert words[:2] == ["poundworth", "estimate"]
    asked = estimate.make_context("estimate", words[2:]).params
    asked.pop("store")
    asked.pop("as_json")
    assert asked["units"] == units
    _check_wishes(asked)
    request, factor = engine_request(asked, prediction.model)
    made = predict(prediction.model, request)
    answer = shown.Answer(prediction, units, factor, estimate=made)

    def between(of, level, unit=True):
        text = shown._between(of, units, level)
        return text if unit else text.removesuffix(" " + shown._UNITS[units][of.unit][0])

    def best(of, unit=True):
        return shown._written(of.value, of.unit, units, unit)

    def small(of):
        return f"95%: {between(of, '95', False)}; best single figure {best(of, False)}"

    read = ""
    if abs(factor - 1) > 1e-12:
        levels = [shown._as_read(made.power, answer, level) for level in ("80", "95", "")]
        read = f"Corrected to standard air. As read there: {levels[0]} (80%), 95%: {levels[1]}; best single figure {levels[2]}."
    likes = []
    for one in made.neighbours:
        start, end = one.build.na_power_kw, one.build.na_power_kw * (1 + one.nearest_gain_ratio)
        figures = f"{shown._written(start, 'kW', units, False)} to {shown._written(end, 'kW', units)} at {shown._written(one.nearest_boost_kpa, 'kPa', units)}"
        differs = getattr(in_reader_units(say_differences(one)), units)
        likes.append(
            (shown._written(one.would_make_kw, "kW", units), f"{one.build.publisher}: {figures}", f"{one.likeness}: {differs}")
        )
    return {
        "power": between(made.power, "80"),
        "small": f"80% range; 95%: {between(made.power, '95')}; best single figure {best(made.power)}",
        "read": read,
        "rule": shown._written(made.rule_power_kw, "kW", units),
        "physics": f"{shown._written(made.physics_low_kw, 'kW', units, False)} to {shown._written(made.physics_high_kw, 'kW', units)}",
        "yields": [
            between(made.yield_, "80"),
            small(made.yield_),
            between(made.marginal_yield, "80"),
            small(made.marginal_yield),
        ],
        "outside": [getattr(in_reader_units(say_outside(item)), units) for item in made.outside],
        "likes": likes,
    }


def compare(page, prediction, links, units):
    seen = page.evaluate(READ, links)
    outside = 0
    for link, one in zip(links, seen, strict=True):
        assert one["problem"] == "" and not one["hidden"], (link, one["problem"])
        wanted = expected(prediction, one["command"], units)
        outside += bool(wanted["outside"])
        for name, value in wanted.items():
            flat = json.dumps(value, ensure_ascii=False)
            assert bare(json.dumps(one[name], ensure_ascii=False)) == bare(flat), (link, name)
    return outside


@pytest.mark.browser
@pytest.mark.parametrize("units", ["us", "si"])
def test_figures_equal_the_commands_over_two_hundred_inputs(file, open_page, prediction, units):
    page = open_page(file, f"#units={units}").page
    links = random_links(prediction, 100, units, {"us": 11, "si": 12}[units])
    assert 20 < compare(page, prediction, links, units) < 100


@pytest.mark.browser
@pytest.mark.parametrize(("builds", "method", "has_95"), [(30, "model", True), (14, "model", False)])
def test_figures_equal_the_commands_in_small_studies(results, open_page, tmp_path, builds, method, has_95):
    small = answers(builds)
    assert (small.model.method, small.model.has_95) == (method, has_95)
    page = open_page(write_engine_page(results, small, tmp_path / "engine.html", PAGES)).page
    compare(page, small, random_links(small, 15, "us", 3), "us")
    assert has_95 or small.model.why in page.locator("#honest").inner_text()


BAD = [
    ("na=abc&boost=9psi", "The link says na=abc"), ("na=340&boost=9psi", "with its unit"), ("na=340psi&boost=9psi", "na=340psi"),
    ("na=-340hp&boost=9psi", "what an engine can have is"), ("na=1e3hp&boost=9psi", "na=1e3hp"), ("na=99999999hp&boost=9psi", "can have"),
    ("na=340hp", "Boost is missing"), ("boost=9psi", "Output without boost is missing"), ("na=340hp&boost=0psi", "can have"),
    ("na=340hp&boost=60psi", "Nothing beyond it is shown"), ("na=340hp&boost=-9psi", "can have"), ("na=340hp&na=500hp&boost=9psi", "na twice"),
    ("na=340hp&boost=9psi&induction=jet", "induction=jet"), ("na=340hp&boost=9psi&induction=none", "induction=none"),
    ("na=340hp&boost=9psi&fuel=constructor", "fuel=constructor"), ("na=340hp&boots=9psi", "boots=9psi"), ("na=&boost=9psi", "na="),
    ("na=NaNhp&boost=9psi", "na=NaN"), ("na=Infinityhp&boost=9psi", "Infinity"), ("na=340hp&boost=9psi&cr=950", "Compression ratio is given"),
    ("na=340hp&boost=9psi&altitude=90000ft", "dynos stand between"), ("na=340hp&boost=9psi&altitude=5200ft", "Say below which"),
    ("na=340hp&boost=9psi&catalogue=yes", "catalogue=yes"), ("na=340hp&boost=9psi&%E0%A4%A=1", "which this page does not ask"),
    ("na=340hp&boost=9psi&__proto__=1", "which this page does not ask"),
    ("na=" + quote("<img src=x onerror=window.pwned=1>") + "&boost=9psi", "<img src=x"), ("na=" + "9" * 400 + "hp&boost=9psi", "na=9999"),
]  # fmt: skip


@pytest.mark.browser
def test_an_address_edited_by_hand_gives_a_sentence_and_never_a_number(file, open_page):
    opened = open_page(file)
    page = opened.page
    for link, said in BAD:
        one = page.evaluate(READ, ["#" + link])[0]
        assert one["hidden"] and said in one["problem"], (link, one["problem"])
        assert len(one["problem"]) < 700
        for part in ("#r-some", "#curve", "#like", "#r-foot"):
            assert not page.locator(part).is_visible(), (link, part)
    assert page.evaluate("window.pwned === undefined") and opened.messages == [] and len(opened.requests) == 1
    good = page.evaluate(READ, ["#na=340hp&boost=5psi"])[0]
    assert not good["hidden"] and "hp" in good["power"]


@pytest.mark.browser
def test_a_bad_address_is_read_on_opening_and_mended_by_the_field(file, open_page):
    page = open_page(file, "#na=abc&boost=5psi&units=us").page
    assert page.locator("#r-problem").is_visible() and not page.locator("#r-some").is_visible()
    page.fill("#e-na", "340")
    assert page.locator("#r-some").is_visible() and "na=340hp" in page.url and "boost=5psi" in page.url
    page.fill("#e-na", "34o")
    assert "it takes a number of hp" in page.locator("#r-problem").inner_text() and not page.locator("#r-some").is_visible()


@pytest.mark.browser
def test_sliders_end_at_what_was_tested_and_more_is_not_shown(file, open_page, prediction):
    page = open_page(file, "#na=340hp&boost=5psi&induction=positive_displacement&cooling=none").page
    own = next(
        c for c in prediction.model.evidence.classes if (c.induction, c.charge_cooling) == ("positive_displacement", "none")
    )
    most = own.highest_boost_ratio * SEA_LEVEL_KPA / KPA_PER_PSI
    end = float(page.get_attribute("#e-boost-slider", "max"))
    assert most - 0.1 < end <= most
    page.fill("#e-boost", f"{end + 0.2:.1f}")
    assert "Nothing beyond it is shown here" in page.locator("#r-problem").inner_text()
    page.click("#r-hold")
    assert page.locator("#r-some").is_visible() and page.input_value("#e-boost") == f"{end:g}"
    page.locator("#e-na-slider").fill("400")
    assert page.input_value("#e-na") == "400" and "na=400hp" in page.url


@pytest.mark.browser
def test_the_rule_of_common_practice(file, open_page):
    """401 hp at 12.3 psi: 737 hp by the rule (common practice, no published source)."""
    page = open_page(file, "#na=401hp&boost=12.3psi").page
    assert bare(page.locator("#r-rule").inner_text()) == "737hp"


@pytest.mark.browser
def test_units_theme_and_inputs_share_the_address(file, open_page):
    page = open_page(file, "#na=340hp&boost=5psi&induction=turbocharger").page
    before = page.locator("#r-power").inner_text()
    page.locator("input[name=units][value=si]").check(force=True)
    page.locator("#theme").click()
    page.wait_for_function("document.getElementById('e-na').value === '254'")
    assert "kW" in page.locator("#r-power").inner_text() and "kW" in page.locator("#curve-plot").text_content()
    pieces = set(page.url.split("#")[1].split("&"))
    assert {"units=si", "theme=dark", "na=254kW", "boost=34kPa", "induction=turbocharger"} == pieces
    link = page.url.split("#")[1]
    again = open_page(file, "#" + link).page
    assert again.locator("#r-power").inner_text() == page.locator("#r-power").inner_text() != before
    assert again.locator("nav.pages a").first.get_attribute("href") == "study.html#units=si&theme=dark"


@pytest.mark.browser
def test_a_neighbour_opens_its_card_by_point_list_and_key(file, open_page):
    opened = open_page(file, "#na=300hp&boost=6psi&induction=turbocharger")
    page = opened.page
    assert page.locator("#likes li").count() == 10 and 1 <= page.locator("g.dot").count() <= 10
    page.locator("#likes button").nth(1).click()
    name = page.locator("#likes .who").nth(1).inner_text()
    assert page.locator("#card-name").inner_text() == name and page.locator("g.dot.picked").count() <= 1
    page.keyboard.press("Escape")
    assert not page.locator("#card").is_visible()
    dot = page.locator("g.dot").last
    dot.focus()
    page.keyboard.press("Enter")
    assert page.locator("#card").is_visible() and page.locator("path.runs").count() == 1
    page.locator("#card-close").click()
    page.locator("g.dot .hit").last.scroll_into_view_if_needed()
    page.locator("g.dot .hit").last.click(force=True)
    assert page.locator("#card").is_visible() and "Its boosted runs" in page.locator("#card").inner_text()
    page.locator("#curve-table summary").click()
    page.locator("#curve-rows tbody tr").first.wait_for()  # drawn when the browser tells that it was opened
    assert page.locator("#curve-rows tbody tr").count() >= 3
    assert opened.messages == [] and len(opened.requests) == 1


@pytest.mark.browser
def test_hostile_names_on_a_phone(results, prediction, open_page, tmp_path):
    file = write_engine_page(*hostile(results, prediction), tmp_path / "engine.html", PAGES)
    opened = open_page(file, "#na=300hp&boost=6psi", width=360)
    page = opened.page
    page.locator("#likes button").first.click()
    assert "<img src=x onerror" in page.locator("#card-name").inner_text()
    assert page.locator("#card a").count() == 0 and page.locator("main img, #card img").count() == 0
    for summary in page.locator("main details summary").all():
        summary.evaluate("element => element.click()")
    page.wait_for_timeout(100)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate("window.pwned === undefined") and opened.messages == []
