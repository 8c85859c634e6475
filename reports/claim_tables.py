"""Judged claims as records of the page's charts and tables, and the captions of both."""

from __future__ import annotations

from collections.abc import Sequence

from models.claim_records import VERDICTS, ClaimAnswer
from models.estimate_answers import Ranges
from reports.captions import Caption, make_caption
from reports.charts.rows import Row, Rows
from reports.claim_words import VERDICT_WORDS, as_given, claimed_words, given_kw, place_words, range_words
from reports.labels import clean_text
from reports.numbers import SYSTEMS, THIN, InBothUnits, UnitSystem, count_of, in_both, write_number
from reports.tables import Column

#: Most claims that a chart draws; of more, every so many-th in its order.
MOST_DRAWN = 60

NOT_READ = "not read"

#: Kind of a claim -> its name on the page.
KIND_WORDS: dict[str, str] = {
    "boost": "Power under boost",
    "yield": "Worth of boost",
    "part": "Gain of a part",
    "rule": "Rule of thumb",
}

#: Charts and the kinds of claim that they draw.
CHART_KINDS: dict[str, tuple[str, ...]] = {"claims": ("boost", "yield"), "part_claims": ("part",)}

_FIGURES = (
    ("claimed_kw", "Claimed"), ("expected_kw", "To be expected"), ("low80_kw", "80 % range, low"), ("high80_kw", "80 % range, high"),
    ("low95_kw", "95 % range, low"), ("high95_kw", "95 % range, high"), ("rule_kw", "By the rule"),
)  # fmt: skip
_COLUMNS = (
    Column("name", "Claim"), Column("kind", "Kind"), Column("verdict", "Verdict"), Column("claimed_shown", "Claimed"),
    Column("range80", "80 % range"), Column("range95", "95 % range"), Column("share", "Of what is to be expected", "share", True),
    Column("seen", "Records that reach it", None, True), Column("compared", "Comparable records", None, True),
    Column("line", "Line", None, True, True), Column("percentile", "Of 100 such engines, below it", None, True, True),
    *(Column(field, label, "power", True, True) for field, label in _FIGURES),
    Column("to_print", "To print", None, False, True), Column("to_avoid", "To avoid", None, False, True),
)  # fmt: skip
CLAIM_COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "claims": ("all_claims", _COLUMNS),
    "part_claims": ("all_part_claims", _COLUMNS),
}


def name_of(answer: ClaimAnswer, number: int) -> str:
    """What a claim is called on the page: its name, else its line or place in the file."""
    named = clean_text(answer.name)
    return named or (f"Line {answer.line}" if answer.line is not None else f"Claim {number + 1}")


def verdict_of(answer: ClaimAnswer) -> str:
    """Verdict of a claim, or that its row could not be read."""
    return NOT_READ if answer.claim is None else answer.verdict


def counts_of(answers: Sequence[ClaimAnswer]) -> dict[str, int]:
    """Claims of each verdict in the usual order, and rows that could not be read."""
    found = [verdict_of(one) for one in answers]
    return {verdict: found.count(verdict) for verdict in (*VERDICTS, NOT_READ)}


def rows_of_claims(answers: Sequence[ClaimAnswer], sentences: Sequence[tuple[InBothUnits, InBothUnits]]) -> Rows:
    """Record sets of both charts (``claims``, ``part_claims``) and of their tables (``all_...``).

    Figures of the charts are shares of the expected figure; those of the tables kW on the basis that the claim was given in.
    Drawn are claims with a range, by verdict and then by share, at most :data:`MOST_DRAWN`, spread evenly over that order.

    Parameters
    ----------
    answers : judged claims.
    sentences : of each claim, the one to print and the one to avoid.
    """
    rows: Rows = {}
    for chart, kinds in CHART_KINDS.items():
        own = [
            _row(one, number, said)
            for number, (one, said) in enumerate(zip(answers, sentences, strict=True))
            if one.claim is not None and one.claim.kind in kinds
        ]
        drawn = [row for row in own if row["share"] is not None and row["low80"] is not None]
        order = list(VERDICTS)
        drawn.sort(key=lambda row: (order.index(row["verdict_code"]), -row["share"], row["number"]))
        step = -(-len(drawn) // MOST_DRAWN)
        rows[chart] = [{**row, "place": place} for place, row in enumerate(drawn[:: max(step, 1)])]
        rows[f"all_{chart}"] = own
    return rows


def drawable(rows: Rows, chart: str) -> int:
    """How many claims have a range, so that the chart could draw them."""
    return sum(row["share"] is not None and row["low80"] is not None for row in rows[f"all_{chart}"])


def _row(answer: ClaimAnswer, number: int, sentences: tuple[InBothUnits, InBothUnits]) -> Row:
    claim, of = answer.claim, as_given(answer)
    assert claim is not None  # rows that could not be read are no records of a chart
    factor = claim.given_to_corrected
    claimed = given_kw(answer)
    rule = None if answer.rule_kw is None else answer.rule_kw / factor
    share = _share(claimed, of)
    name = name_of(answer, number)
    row: Row = {
        "number": number, "name": name, "line": answer.line, "kind": KIND_WORDS[claim.kind], "verdict_code": answer.verdict,
        "verdict": VERDICT_WORDS[answer.verdict], "share": share, "rule": _share(rule, of), "seen": answer.seen,
        "compared": answer.compared, "percentile": answer.percentile, "place_said": place_words(answer) or "not known",
        "claimed_kw": claimed, "rule_kw": rule, "expected_kw": None if of is None else of.value,
    }  # fmt: skip
    for end in ("low80", "high80", "low95", "high95"):
        value = None if of is None else getattr(of, end)
        row |= {end: _share(value, of), f"{end}_kw": value}
    for code, system in SYSTEMS.items():
        row |= {
            field if code == "us" else f"{field}_{code}": text for field, text in _texts(answer, of, share, name, system).items()
        }
    for field, said in zip(("to_print", "to_avoid"), sentences, strict=True):
        row |= {field: said.us, f"{field}_si": said.si}
    return row


def _texts(answer: ClaimAnswer, of: Ranges | None, share: float | None, name: str, system: UnitSystem) -> dict[str, str]:
    """What a row says in one unit system."""
    claimed = claimed_words(answer, system)
    told = "" if share is None else f", {write_number(100.0 * share, 0)}{THIN}% of what is to be expected"
    return {
        "claimed_shown": claimed,
        "words": f"{name}: {claimed}{told}",
        "range80": (None if of is None else range_words(of, 80, system, given_kw(answer))) or "no range",
        "range95": (None if of is None else range_words(of, 95, system, given_kw(answer))) or "no range",
    }


def _share(value: float | None, of: Ranges | None) -> float | None:
    """A figure over the expected one; None where that is not above nothing."""
    return None if value is None or of is None or of.value <= 0.0 else value / of.value


def claim_captions(rows: Rows) -> dict[str, Caption]:
    """Captions of both charts."""
    shapes = (
        "The dark bar is the 80\u202f% range, the light one the 95\u202f% range, the line through all what is to be expected. "
        "A circle lies in line; a triangle that points up is high, but seen; a diamond lies beyond the evidence; one that points down is low; "
        "an open square cannot be judged. Marks at the edge stand beyond it."
    )
    return {
        "claims": make_caption(
            "How far is each claim from what is to be expected?",
            f"One line is one claim on power under boost. {shapes} The short dashed mark is what the rule leads to.",
            lambda s: _describe(rows, "claims", s),
        ),
        "part_claims": make_caption(
            "How far is each part\u2019s gain from what is to be expected?",
            f"One line is one claim on a part. {shapes}",
            lambda s: _describe(rows, "part_claims", s),
        ),
    }


def _describe(rows: Rows, chart: str, system: UnitSystem) -> str:
    drawn = rows[chart]
    counts = {verdict: sum(row["verdict_code"] == verdict for row in drawn) for verdict in VERDICTS}
    told = ", ".join(f"{count} {VERDICT_WORDS[verdict].lower()}" for verdict, count in counts.items() if count)
    shares = [row["share"] for row in drawn]
    ends = "" if not shares else (
        f" They run from {write_number(100 * min(shares), 0)} to {write_number(100 * max(shares), 0)} per cent of what is to be expected."
    )  # fmt: skip
    return f"Marks of {count_of(len(drawn), 'claim')} against ranges in per cent of the expected figure: {told}.{ends}"


def say_drawn(rows: Rows, chart: str) -> InBothUnits | None:
    """That a chart shows a part of the claims, and which; None where it shows all that have a range."""
    drawn, there, every = len(rows[chart]), drawable(rows, chart), len(rows[f"all_{chart}"])
    said = []
    if drawn < there:
        step = -(-there // MOST_DRAWN)
        said.append(
            f"Drawn are {drawn} of {count_of(there, 'claim')}: one in every {step}, in order of verdict and share; the table has all."
        )
    if there < every:
        said.append(f"{count_of(every - there, 'claim')} without a range {'is' if every - there == 1 else 'are'} not drawn.")
    text = " ".join(said)
    return in_both(lambda _: text) if text else None
