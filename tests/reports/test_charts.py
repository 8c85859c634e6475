"""Chart descriptions: units, classes, missing ends, many builds, and still pictures."""

import json
from dataclasses import replace

import altair as alt
import pytest

from models.estimate import Estimate
from models.results import StudyResults
from reports.charts.export import chart_to_png
from reports.charts.rows import flags_of, select_units
from reports.charts.yield_by_output import chart_yield_by_output
from reports.numbers import SI, US
from reports.study_charts import NEEDS, chart_tables, draw_charts, draw_in_both, study_captions, study_rows
from reports.theme import DARK, LIGHT


@pytest.fixture(scope="module")
def rows(results):
    return study_rows(results, select_units(results))


@pytest.fixture(scope="module")
def charts(results, rows):
    return draw_charts(results, rows, US, study_captions(results))


@pytest.mark.slow
def test_every_chart_draws_as_a_picture(charts, rows):
    assert set(charts) == {"spread", "yield", "size", "gain", "marginal", "builds", "sensitivity", "flow"}
    for name in ("spread", "yield"):
        data = {use: rows[use] for use in charts[name].uses}
        picture = chart_to_png(charts[name].spec, data, width=300, scale=1)
        assert picture.startswith(b"\x89PNG") and picture == chart_to_png(charts[name].spec, data, width=300, scale=1)


#: Drawn where the store holds curves, which a simulated study has not, or where tests were planned; drawn by test_curve_charts
#: and test_unknowns.
ELSEWHERE = {"yield_rpm", "gain_rpm", "narrowing"}


@pytest.fixture(scope="module")
def full_rows(full_results):
    return study_rows(full_results, select_units(full_results))


@pytest.fixture(scope="module")
def full_charts(full_results, full_rows):
    words = study_captions(full_results)
    return {system.code: draw_charts(full_results, full_rows, system, words) for system in (US, SI)}


def test_charts_without_a_quantity_are_the_same_in_every_system(full_charts, full_results, full_rows):
    """Drawing them once for both is only right as long as nothing but the description differs."""
    both = draw_in_both(full_results, full_rows, study_captions(full_results))
    for code, drawn in full_charts.items():
        assert {name: chart.spec for name, chart in both[code].items()} == {name: chart.spec for name, chart in drawn.items()}


def test_a_study_with_every_answer_has_every_chart_and_a_table_for_each(full_charts, full_rows):
    assert set(NEEDS) - ELSEWHERE < set(full_charts["us"]) == set(full_charts["si"]) and len(full_charts["us"]) == 21
    tables = chart_tables(full_charts["us"])
    assert set(tables) == set(full_charts["us"])
    for dataset, columns in tables.values():
        assert {column.field for column in columns} <= set().union(*full_rows[dataset])


@pytest.mark.slow
def test_every_chart_of_an_answer_draws(full_charts, full_rows):
    for name in set(NEEDS) - ELSEWHERE:
        chart = full_charts["si"][name]
        picture = chart_to_png(chart.spec, {use: full_rows[use] for use in chart.uses}, width=300, scale=1)
        assert picture.startswith(b"\x89PNG")


def test_descriptions_of_answers_say_the_finding(full_charts, full_results):
    assert "Of a hundred builds" in full_charts["us"]["within"].spec["description"]
    assert f"{full_results.deviators.unlike_peers_count} of 90 builds" in full_charts["us"]["deviators"].spec["description"]
    assert "101 kPa" in full_charts["si"]["cancelling"].spec["description"]


@pytest.mark.slow
def test_every_description_fits_the_schema(full_charts):
    for drawn in full_charts.values():
        for chart in drawn.values():
            alt.LayerChart.from_dict(chart.spec)


def test_units_of_axes_and_words(charts, rows):
    us, si = json.dumps(charts["yield"].spec), json.dumps(chart_yield_by_output(rows, SI, "").spec)
    assert "hp per psi" in us and "kW per kPa" in si and "hp" not in si.replace("shape", "")
    assert f"* {US.scales['yield'].factor!r}" in us and "* 1.0" in si


def test_charts_name_only_colours_that_both_themes_have(full_charts):
    text = json.dumps({name: chart.spec for name, chart in full_charts["us"].items()})
    used = {part.split(")")[0] for part in text.split("var(--")[1:]}
    assert used and used <= set(LIGHT) and set(LIGHT) == set(DARK)


def test_descriptions_say_the_finding(charts):
    spec = charts["spread"].spec
    assert "118 builds" in spec["description"] and "90.5 (88.1 to 92.9)" in spec["description"]


def test_places_of_rows_are_unique_and_clear_of_headings(rows):
    places = [row["place"] for row in rows["units"]]
    assert len(set(places)) == len(places)
    assert all(min(abs(group["place"] - place) for place in places) > 1.2 for group in rows["groups"])
    assert sum(group["builds"] for group in rows["groups"]) == len(places)


def test_lines_start_without_boost(rows):
    starts = [row for row in rows["gain_lines"] if row["start"]]
    assert len(starts) == len(rows["units"]) and all(row["gain"] == 0 for row in starts)


def test_a_study_without_ends_or_builds_still_draws(results: StudyResults):
    none = Estimate(None, None, None, 0.95, "1", 0, 0, "No builds.")
    empty = replace(
        results, rule_ratio=none, new_build_rule_ratio=none, between_builds_sd=none, last_over_first=none,
        units=(), runs=(), marginal_yield=(), mean_gain_ratio=(), new_build_gain_ratio=(), sensitivity=(), flow=(),
    )  # fmt: skip
    rows = study_rows(empty, select_units(empty))
    charts = draw_charts(empty, rows, SI, study_captions(empty))
    assert chart_to_png(charts["spread"].spec, {"units": []}, width=200, scale=1).startswith(b"\x89PNG")


def test_many_builds_are_thinned_by_a_rule_that_ignores_results(results):
    chosen = select_units(results, most_runs=100, most_units=1000)
    assert chosen.step > 1 and len(chosen.runs) <= 100
    ordered = sorted(results.units, key=lambda unit: (unit.na_power_kw, unit.unit_id))
    assert list(chosen.units) == ordered[:: chosen.step]
    kept = {unit.unit_id for unit in chosen.units}
    assert {run.unit_id for run in chosen.runs} <= kept
    assert select_units(results).step == 1


def test_flags_speak_of_the_record(results):
    unit = replace(
        results.units[0], ambient_basis="recorded", baseline_quality="same_session", baseline_hardware="compressor_removed",
        measured_at="crank", charge_cooling="none",
    )  # fmt: skip
    assert flags_of(unit) == []
    assert flags_of(replace(unit, ambient_basis="assumed", measured_at=None)) == [
        "air pressure assumed at sea level", "place of measurement not stated",
    ]  # fmt: skip
