"""Judged claims in an article pack: a graded sentence for each, the figures, and the whole table."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from models.claim_records import VERDICTS, ClaimAnswer
from models.estimate import Estimate
from models.strength import LADDER
from reports.charts.claims import chart_claims
from reports.claim_sentences import say_claim
from reports.claim_tables import CLAIM_COLUMNS, KIND_WORDS, NOT_READ, claim_captions, name_of, rows_of_claims, verdict_of
from reports.claim_words import VERDICT_WORDS, as_given
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, UnitSystem, in_both
from reports.pack_findings import finding, number_findings
from reports.pack_records import OF_RUNG, Figure, Finding, Grade
from reports.pack_text import csv_text

OF_CLAIMS = "builds of the study; the nearest stand in data/claims.csv where their terms allow it."
#: Name of the table, and what the read me says of it.
CLAIMS_TABLE = (
    "claims",
    "every judged claim: verdict, ranges, the sentence to print, the one to avoid, what would have to be true",
)
_BASIS = {"boost": "prediction.model", "yield": "prediction.model", "part": "gains.parts", "rule": "study.rules"}
_RUNGS = {rung.name: rung for rung in LADDER}
_ENDS = ("low80", "high80", "low95", "high95")


def judged_findings(answers: Sequence[ClaimAnswer], system: UnitSystem) -> tuple[Finding, ...]:
    """A sentence that may be printed for each claim that was read, by verdict and then in the order of the file; what to avoid in one system's units."""
    found: list[Finding] = []
    for verdict in VERDICTS:
        for number, one in enumerate(answers):
            if one.claim is not None and one.verdict == verdict:
                found += _finding(one, number, system)
    return number_findings("J", found)


def _finding(answer: ClaimAnswer, number: int, system: UnitSystem) -> list[Finding]:
    claim, name = answer.claim, name_of(answer, number)
    assert claim is not None  # rows that could not be read give no sentence
    words = {code: say_claim(answer, one) for code, one in SYSTEMS.items()}
    text = InBothUnits(*(f"{name}: {words[code].to_print}" for code in ("us", "si")))
    made = finding(
        VERDICT_WORDS[answer.verdict], text, grade_of_claim(answer), _BASIS[claim.kind], *_figures(answer), avoid=words[system.code].to_avoid
    )  # fmt: skip
    return [Finding(o.key, o.section, o.text, o.grade, o.stored, o.figures, (), o.avoid, OF_CLAIMS) for o in made]


def grade_of_claim(answer: ClaimAnswer) -> Grade:
    """How a judged claim may be told: what is in line is borne out by nothing, and is no finding either way."""
    has_range = (
        answer.figure is not None if answer.claim is not None and answer.claim.kind == "rule" else answer.expected is not None
    )
    if not has_range:
        return Grade.MISSING
    if answer.verdict == "cannot judge":
        return Grade.OPEN
    if answer.claim is not None and answer.claim.kind == "rule":
        return Grade.SHOWN
    return Grade.OPEN if answer.verdict == "in line" else OF_RUNG[_RUNGS[answer.strength]]


def _figures(answer: ClaimAnswer) -> list[tuple[str, Estimate]]:
    """What is to be expected, with both ranges; for a rule what the study found."""
    if answer.claim is not None and answer.claim.kind == "rule":
        return [] if answer.figure is None else [("found", answer.figure)]
    of = as_given(answer)
    if of is None:
        return []
    return [
        (f"to be expected, {level} % range", Estimate(of.value, low, high, level / 100.0, of.unit, answer.builds, answer.runs))
        for level, low, high in ((80, of.low80, of.high80), (95, of.low95, of.high95))
        if low is not None and high is not None
    ]


def judged_figures(answers: Sequence[ClaimAnswer], system: UnitSystem) -> tuple[Figure, ...]:
    """Each claim against its range, where any has one."""
    rows = rows_of_claims(answers, [_sentences(one) for one in answers])
    captions, made = claim_captions(rows), []
    for name, (read, columns) in CLAIM_COLUMNS.items():
        if rows[name]:
            chart = chart_claims(rows, name, system, captions[name].description.in_system(system.code))
            made.append(Figure(name.replace("_", "-"), chart, rows, captions[name], columns, tuple(rows[read])))
    return tuple(made)


def _sentences(answer: ClaimAnswer) -> tuple[InBothUnits, InBothUnits]:
    return in_both(lambda s: say_claim(answer, s).to_print), in_both(lambda s: say_claim(answer, s).to_avoid)


def claims_table(answers: Sequence[ClaimAnswer], open_sources: Collection[str], system: UnitSystem, *, invented: bool) -> str:
    """The table of judged claims as CSV, in the order of their file.

    Parameters
    ----------
    answers : judged claims, rows that could not be read among them.
    open_sources : sources whose records may be listed; near records of others are left out.
    system : units of the figures.
    invented : said in every row.
    """
    unit = system.scales["power"].unit
    powers = ("claimed", "expected", "80 % low", "80 % high", "95 % low", "95 % high", "by the rule")
    heads = (
        "line", "name", "kind", "verdict", *(f"{name} [{unit}]" for name in powers), "of 100 such engines, below it",
        "records that reach it", "comparable records", "builds", "runs", "to print", "to avoid", "what would have to be true",
        "nearest records", "to know",
    )  # fmt: skip
    return csv_text(heads, [_cells(one, n, set(open_sources), system) for n, one in enumerate(answers)], invented=invented)


def _cells(answer: ClaimAnswer, number: int, open_sources: set[str], system: UnitSystem) -> tuple[Any, ...]:
    words, of, claim = say_claim(answer, system), as_given(answer), answer.claim
    per = system.scales["power"].factor / (1.0 if claim is None else claim.given_to_corrected)
    is_power = claim is not None and claim.kind != "rule"
    ends = [None] * 5 if of is None else [of.value, *(getattr(of, end) for end in _ENDS)]
    near = [said for one, said in zip(answer.evidence, words.evidence, strict=True) if one.source in open_sources]
    verdict = verdict_of(answer)
    return (
        answer.line, name_of(answer, number), "" if claim is None else KIND_WORDS[claim.kind],
        NOT_READ if verdict == NOT_READ else VERDICT_WORDS[verdict], _times(answer.claimed if is_power else None, per),
        *(_times(end, system.scales["power"].factor) for end in ends), _times(answer.rule_kw, per), answer.percentile, answer.seen,
        answer.compared, answer.builds, answer.runs, words.to_print, words.to_avoid, " ".join(words.conditions), " ".join(near),
        " ".join(words.caveats) if claim is not None else clean_text(words.verdict, 600),
    )  # fmt: skip


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
