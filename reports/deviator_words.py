"""On which lists of departing builds a build stands, and what its own record says of it, in sentences."""

from __future__ import annotations

from models.results import StudyResults
from reports.labels import clean_text
from reports.numbers import InBothUnits
from reports.quantities_in_text import in_reader_units

_KINDS = {"unlike_peers": "Unlike builds of its kind.", "breaks_rule": "More than 10\u202f% away from the rule."}


def deviation_lines(results: StudyResults, unit_id: str) -> list[InBothUnits]:
    """One sentence for each list that the build stands on; none where it stands on none."""
    answers = results.deviators
    listed = () if answers is None else (*answers.unlike_peers, *answers.breaks_rule)
    return [
        in_reader_units(f"{_KINDS.get(one.kind, '')} {clean_text(one.summary, 400)}".strip())
        for one in listed
        if one.unit_id == unit_id
    ]
