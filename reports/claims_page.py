"""The page of judged claims: counts by verdict, each claim against its range, and a card for each with a sentence to print."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from models.claim_records import ClaimAnswer
from models.results import StudyResults
from reports.build_links import BUILDS_PAGE, build_link, key_of_build
from reports.charts.base import Chart
from reports.charts.claims import chart_claims
from reports.charts.rows import Rows
from reports.claim_sentences import ClaimWords, say_claim
from reports.claim_tables import (
    CLAIM_COLUMNS,
    KIND_WORDS,
    NOT_READ,
    claim_captions,
    counts_of,
    name_of,
    rows_of_claims,
    say_drawn,
    verdict_of,
)
from reports.claim_words import VERDICT_WORDS
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, count_of, scales_json
from reports.page import columns_of, page_links, render_page, script_json, write_page
from reports.study_charts import columns_json

MOST_TABLE_ROWS = 1_000

#: Most cards on a page, and most near records on a card.
MOST_CARDS = 1_000
MOST_RECORDS = 4

#: Words of the filter and the counts, singular and plural alike.
COUNT_WORDS: dict[str, str] = {**VERDICT_WORDS, NOT_READ: "Not read"}


def render_claims_page(results: StudyResults, answers: Sequence[ClaimAnswer], beside: Iterable[str] = ()) -> str:
    """The page as HTML.

    Parameters
    ----------
    results : the stored study, for its stamp and for whether its data are invented.
    answers : judged claims in the order of their file; rows that could not be read say why.
    beside : files of the pages beside this one, to be linked; records lead to the page of builds only where it is among them.
    """
    beside = tuple(beside)
    words = [_in_both(one) for one in answers]
    rows = rows_of_claims(answers, [(one["to_print"], one["to_avoid"]) for one in words])
    captions = claim_captions(rows)
    charts = {code: _draw(rows, code) for code in SYSTEMS}
    counts = counts_of(answers)
    return render_page(
        "claims.html",
        with_charts=bool(charts["us"]),
        pages=page_links("claims.html", beside),
        invented=results.invented,
        version=results.version,
        made_on=results.made_on,
        fingerprint=results.fingerprint,
        headline=f"{count_of(len(answers), 'claim')}, held against the records",
        standfirst=_say_counts(counts),
        counts=[{"verdict": verdict, "words": COUNT_WORDS[verdict], "count": count} for verdict, count in counts.items() if count],
        drawn=tuple(charts["us"]),
        captions=captions,
        takeaways={},
        sampled={name: say_drawn(rows, name) for name in charts["us"]},
        cards=[_card(one, number, said, beside) for number, (one, said) in enumerate(zip(answers, words, strict=True))][:MOST_CARDS],
        more_cards=max(0, len(answers) - MOST_CARDS),
        data=script_json(_page_data(results, rows, charts)),
    )  # fmt: skip


def write_claims_page(results: StudyResults, answers: Sequence[ClaimAnswer], file: Path, *, beside: Iterable[str] = ()) -> Path:
    """Write the page of claims; returns where it stands."""
    return write_page(render_claims_page(results, answers, beside), file)


def _say_counts(counts: dict[str, int]) -> str:
    """The counts in one sentence."""
    told = [
        f"{count} {VERDICT_WORDS[verdict].lower().replace(',', '')}"
        for verdict, count in counts.items()
        if count and verdict != NOT_READ
    ]
    text = ", ".join(told) + "." if told else "None could be judged."
    text = text[:1].upper() + text[1:]
    unread = counts[NOT_READ]
    return (
        text
        if not unread
        else f"{text} {count_of(unread, 'row')} could not be read as a claim, and {'says' if unread == 1 else 'say'} why."
    )


def _in_both(answer: ClaimAnswer) -> dict[str, Any]:
    """Sentences of a claim in both unit systems; that data are invented the page says once, and with every copied sentence."""
    us, si = (say_claim(answer, system) for system in SYSTEMS.values())
    single = {name: InBothUnits(getattr(us, name), getattr(si, name)) for name in ("verdict", "to_print", "to_avoid")}
    return {**single, **{name: _lines(us, si, name) for name in ("conditions", "evidence", "caveats")}}


def _lines(us: ClaimWords, si: ClaimWords, name: str) -> list[InBothUnits]:
    return [InBothUnits(*pair) for pair in zip(getattr(us, name), getattr(si, name), strict=True)]


def _card(answer: ClaimAnswer, number: int, said: dict[str, Any], beside: tuple[str, ...]) -> dict[str, Any]:
    kind = KIND_WORDS[answer.claim.kind] if answer.claim is not None else "A row of the file"
    links = [_link(one.source, one.publisher, one.build, beside) for one in answer.evidence]
    head, name = COUNT_WORDS[verdict_of(answer)], name_of(answer, number)
    shown = said["evidence"][:MOST_RECORDS]
    return {
        **said,
        "anchor": f"claim-{number + 1}",
        "name": name,
        "head": head,
        "verdict": InBothUnits(*(text.removeprefix(f"{head}: ") for text in (said["verdict"].us, said["verdict"].si))),
        "kicker": kind + (f", line {answer.line}" if answer.line is not None else ""),
        "code": verdict_of(answer),
        "given": _given(answer, name),
        "records": list(zip(shown, links, strict=False)),
        "more_records": len(said["evidence"]) - len(shown),
    }


def _given(answer: ClaimAnswer, name: str) -> list[tuple[str, str]]:
    """Cells of the row as they stand in the file; what the card is called already is left out."""
    cells = [(clean_text(head, 60), clean_text(str(cell), 120)) for head, cell in answer.given.items()]
    return [(head, cell) for head, cell in cells if cell and cell != name]


def _link(source: str, publisher: str, build: str, beside: tuple[str, ...]) -> str | None:
    return build_link(key_of_build(source, publisher, build)) if BUILDS_PAGE in beside else None


def _draw(rows: Rows, code: str) -> dict[str, Chart]:
    """Charts that have something to draw."""
    system, captions = SYSTEMS[code], claim_captions(rows)
    return {
        name: chart_claims(rows, name, system, captions[name].description.in_system(code)) for name in CLAIM_COLUMNS if rows[name]
    }


def _page_data(results: StudyResults, rows: Rows, charts: dict[str, dict[str, Chart]]) -> dict[str, Any]:
    """What the page's scripts read."""
    drawn = charts["us"]
    return {
        "rows": {name: columns_of(items) for name, items in rows.items() if name.removeprefix("all_") in drawn},
        "charts": {code: {name: chart.spec for name, chart in made.items()} for code, made in charts.items()},
        "uses": {name: list(chart.uses) for name, chart in drawn.items()},
        "scales": scales_json(),
        "columns": columns_json({name: columns for name, columns in CLAIM_COLUMNS.items() if name in drawn}),
        "sources": {},
        "mostRows": MOST_TABLE_ROWS,
        "invented": results.invented,
    }
