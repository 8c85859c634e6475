"""Judged claims in the article pack: graded sentences, the table, and whose records may stand in it."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import pytest

from models.claim_records import Claim, ClaimAnswer, NearRecord
from models.estimate import Estimate
from models.estimate_answers import Ranges
from models.estimate_records import EngineRequest
from models.strength import strength_of_ranges
from reports.article_pack import pack_files
from reports.pack_claims import grade_of_claim
from reports.pack_make import make_claims_pack
from reports.pack_records import Grade

HP, PSI = 0.7456998715822702, 6.894757293168361
POWER = Ranges(638 * HP, 608 * HP, 670 * HP, 585 * HP, 696 * HP, "kW")


def claim(made_hp: float, verdict: str, source: str, name: str = "") -> ClaimAnswer:
    near = NearRecord(
        source, f"Review of {source}", "Varn Four", "very like it", "less boost (48.0 kPa)", 300.0, 440.0, 48.0, 480.0, False
    )
    return ClaimAnswer(
        Claim("boost", EngineRequest(420 * HP, 8 * PSI), made_kw=made_hp * HP), name, 2, {"secret": "cell"}, verdict=verdict, percentile=50.0,
        highest_percentile=99.8, expected=POWER, claimed=made_hp * HP, evidence=(near,), seen=3, compared=52,
        strength=strength_of_ranges(POWER, made_hp * HP).name, builds=226, runs=854,
    )  # fmt: skip


@pytest.fixture(scope="module")
def answers() -> list[ClaimAnswer]:
    return [
        claim(760, "beyond the evidence", "demo_01", "=cmd()"), claim(640, "in line", "demo_02", "Plain"), claim(680, "high but seen", "demo_03"),
        ClaimAnswer(None, "Broken", 9, problem="The power is no number."),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def study(results):
    """The invented study with one source whose terms are private, and one of unknown terms."""
    sources = {"demo_02": "Not for publication", "demo_03": "All rights reserved"}
    return replace(results, sources=tuple(replace(s, licence=sources.get(s.source, s.licence)) for s in results.sources))


@pytest.fixture(scope="module")
def files(study, answers) -> dict[str, bytes]:
    return dict(pack_files(make_claims_pack(study, [], "us", answers)))


def test_every_claim_that_was_read_is_a_graded_finding_with_a_footnote(files):
    found = json.loads(files["findings.json"])["findings"]
    judged = [one for one in found if one["key"].startswith("J")]
    assert [(one["section"], one["grade"]) for one in judged] == [
        ("In line", "cannot tell"), ("High, but seen", "suggested"), ("Beyond the evidence", "shown")
    ]  # fmt: skip
    said = files["findings.md"].decode()
    assert "[^J03]: Stored result `prediction.model`. To be expected, 80 % range: 638 (608 to 670)" in said.replace("\u202f", " ")
    assert "608 to 670" in judged[0]["text"] and "does not confirm" in judged[0]["avoid"] and judged[0]["records"] == []
    assert "Broken" not in said and any(one["key"].startswith("C") for one in found)


def test_table_has_every_row_and_names_records_of_open_sources_only(files):
    rows = list(csv.DictReader(files["data/claims.csv"].decode().splitlines()))
    assert [row["verdict"] for row in rows] == ["Beyond the evidence", "In line", "High, but seen", "not read"]
    assert float(rows[0]["claimed [hp]"]) == pytest.approx(760) and float(rows[0]["80 % high [hp]"]) == pytest.approx(670)
    assert "Review of demo_01" in rows[0]["nearest records"] and rows[1]["nearest records"] == rows[2]["nearest records"] == ""
    assert rows[0]["name"] == "'=cmd()" and "no number" in rows[3]["to know"] and "secret" not in rows[0].values()
    everything = b"".join(content for path, content in files.items() if path.endswith((".md", ".csv", ".json")))
    assert (
        b"Review of demo_02" not in everything
        and b"Review of demo_03" not in everything
        and b"cell" not in files["data/claims.csv"]
    )
    assert "`data/claims.csv`: every judged claim" in files["README.md"].decode()


def test_figure_draws_the_claims_and_its_data_are_whole(files):
    assert "figures/01-claims.svg" in files and "figures/01-claims.png" in files
    rows = list(csv.DictReader(files["data/01-claims.csv"].decode().splitlines()))
    assert len(rows) == 3 and float(rows[0]["Of what is to be expected [%]"]) == pytest.approx(100 * 760 / 638)


def test_the_same_claims_give_the_same_bytes_in_either_unit_system(study, answers, files):
    assert dict(pack_files(make_claims_pack(study, [], "us", answers))) == files
    metric = dict(pack_files(make_claims_pack(study, [], "si", answers)))
    assert "claimed [kW]" in metric["data/claims.csv"].decode() and b"453 to 500" in metric["findings.md"]
    judged = [one for one in json.loads(metric["findings.json"])["findings"] if one["key"].startswith("J")]
    assert "477\u202fkW" in judged[0]["avoid"]


def test_without_claims_the_pack_is_that_of_the_rules(results):
    pack = make_claims_pack(results, [])
    assert pack.tables == () and len(pack.findings) == len(results.rules)


def test_grades():
    figure = Estimate(0.8, 0.7, 0.9, 0.95, "1", 10, 20)
    rule = ClaimAnswer(Claim("rule", rule="r"), verdict="beyond the evidence", figure=figure)
    assert grade_of_claim(rule) is Grade.SHOWN
    assert grade_of_claim(replace(rule, verdict="cannot judge")) is Grade.OPEN
    assert grade_of_claim(replace(rule, verdict="cannot judge", figure=None)) is Grade.MISSING
    assert grade_of_claim(claim(640, "in line", "a")) is Grade.OPEN
    assert grade_of_claim(claim(900, "cannot judge", "a")) is Grade.OPEN
    assert grade_of_claim(replace(claim(900, "cannot judge", "a"), expected=None)) is Grade.MISSING
