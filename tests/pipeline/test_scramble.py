"""Scramble and recover: known mistakes planted in clean records are recovered, refused or flagged by name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.scramble.judge import codes_of_clean, judge
from tests.scramble.kinds import all_mistakes
from tests.scramble.mistakes import Mistake
from tests.scramble.report import REPORT, clean_alarms, measure, write_report

MISTAKES = all_mistakes()
#: One of each family for the quick run; the slow one takes all of them.
QUICK = (
    "power: kw labelled hp", "boost: psi labelled bar", "boost: absolute for gauge, manifold pressure beside it",
    "boost: absolute for gauge, every row", "air pressure: reduced to sea level, altitude stated",
    "altitude: ft labelled m, barometer beside it", "air temperature: C labelled F, observed power beside it",
    "correction: SAE J607 figure said to be J1349", "columns: power and torque swapped, kW and N m", "sides: before and after swapped",
    "figures: decimal comma, not declared", "curve: hp labelled kW",
)  # fmt: skip
#: Flags of clean records that tell what is missing, not what is wrong.
MERE_REMARKS = {"ambient_from_altitude", "ambient_assumed", "not_pinned", "kind_guessed", "correction_outside_validity"}


def named(name: str) -> Mistake:
    (found,) = [mistake for mistake in MISTAKES if mistake.name == name]
    return found


@pytest.mark.parametrize("name", QUICK)
def test_a_mistake_is_recovered_refused_or_flagged_by_name(name, tmp_path):
    mistake = named(name)
    rows, clean, wrong = mistake.sheets()
    outcome = judge(clean, wrong, rows, mistake.named_by, tmp_path)
    assert outcome.planted == outcome.recovered + outcome.refused + outcome.flagged > 0
    assert outcome.missed == 0


def test_a_sheet_without_mistake_is_recovered_whole(tmp_path):
    rows, clean, _ = named("power: kw labelled hp").sheets()
    outcome = judge(clean, clean, rows, frozenset(), tmp_path)
    assert (outcome.recovered, outcome.planted) == (10, 10)


def test_what_nobody_named_counts_as_missed(tmp_path):
    mistake = named("power: kw labelled hp")
    rows, clean, wrong = mistake.sheets()
    assert judge(clean, wrong, rows, frozenset(), tmp_path).missed == 10


def test_names_are_distinct():
    assert len({mistake.name for mistake in MISTAKES}) == len(MISTAKES) >= 100


def report_rows() -> Iterator[tuple[str, list[int]]]:
    for line in REPORT.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 7 and cells[1].isdigit():
            yield cells[0], [int(cell) for cell in cells[1:6]]


def test_committed_report_has_every_kind_and_no_miss():
    rows = dict(report_rows())
    assert set(rows) - {"**all**"} == {mistake.name for mistake in MISTAKES}
    for mistake in MISTAKES:
        planted, recovered, refused, flagged, missed = rows[mistake.name]
        assert planted == recovered + refused + flagged + missed
        assert (missed > 0) is not mistake.reveals, mistake.name


@pytest.mark.slow
def test_committed_report_is_what_the_pipeline_does_now(tmp_path):
    measured = measure(tmp_path)
    for mistake, outcome in measured:
        assert (outcome.missed > 0) is not mistake.reveals, mistake.name
    alarms = clean_alarms(tmp_path)
    assert set(alarms) <= MERE_REMARKS
    assert write_report(measured, alarms) == REPORT.read_text(encoding="utf-8")


def test_clean_sheets_raise_no_alarm(tmp_path: Path):
    for name in QUICK[::3]:
        _, clean, _ = named(name).sheets()
        assert codes_of_clean(clean, tmp_path) <= MERE_REMARKS
