"""A judged claim, or a table of them, as text, JSON and CSV in the reader's units."""

from __future__ import annotations

from typing import Any

import click

from pipeline.cli.common import paragraph, plural, print_table, printable, terminal_width

#: From this width on claims are a table; below it each is a short paragraph.
TABLE_WIDTH = 88
#: Nearest records printed; JSON holds all.
MOST_RECORDS = 5
_ENDS = ("value", "low80", "high80", "low95", "high95")
_NAME_WIDTH = 24
#: Powers of JSON and CSV: finer digits would be those of unit conversion.
_DECIMALS = 6


def _is_rule(answer: Any) -> bool:
    return answer.claim is not None and answer.claim.kind == "rule"


def cautions_of(answers: list[Any]) -> tuple[str, ...]:
    """What has to be read first, where any claim is about power or boost."""
    from models.offset_cautions import BOOST_CAUTIONS

    is_needed = any(one.claim is None or one.claim.kind != "rule" for one in answers)
    return tuple(text for text in BOOST_CAUTIONS if "Offset boost" not in text) if is_needed else ()


def _system(units: str) -> Any:
    from reports.numbers import SYSTEMS

    return SYSTEMS[units]


def _kw(value: float | None, answer: Any, units: str) -> float | None:
    """A power in the reader's unit, on the basis that the claim's powers were given in."""
    if value is None:
        return None
    corrected = 1.0 if answer.claim is None else answer.claim.given_to_corrected
    return round(float(value * _system(units).scales["power"].factor / corrected), _DECIMALS)


# --- JSON ---------------------------------------------------------------------------------------------------------------


def claim_json(answer: Any, units: str, invented: bool) -> dict[str, Any]:
    """One claim in the shape that scripts rely on."""
    from models.outside_evidence import say_outside
    from pipeline.cli.study_json import to_plain
    from reports.claim_sentences import say_claim

    words, unit = say_claim(answer, _system(units)), _system(units).scales["power"].unit
    expected = answer.expected
    ranges = None if expected is None else {end: _kw(getattr(expected, end), answer, units) for end in _ENDS} | {"unit": unit}
    figure = None if answer.figure is None else to_plain(answer.figure)
    return {
        "cautions": list(cautions_of([answer])), "kind": None if answer.claim is None else answer.claim.kind, "name": answer.name,
        "line": answer.line, "problem": answer.problem, "verdict": None if answer.problem else answer.verdict,
        "percentile": answer.percentile, "highest_percentile": answer.highest_percentile, "expected": ranges,
        "claimed": answer.claimed if _is_rule(answer) else _kw(answer.claimed, answer, units), "figure": figure,
        "rule_power": _kw(answer.rule_kw, answer, units), "rule_ratio": answer.rule_ratio,
        "physics_power": {"low": _kw(answer.physics_low_kw, answer, units), "high": _kw(answer.physics_high_kw, answer, units)},
        "sentence": words.to_print, "sentence_to_avoid": words.to_avoid, "verdict_sentence": words.verdict,
        "conditions": [{"code": one.code, "sentence": said} for one, said in zip(answer.conditions, words.conditions, strict=True)],
        "evidence": [_record_json(one, answer, units) | {"sentence": said} for one, said in zip(answer.evidence, words.evidence, strict=True)],
        "seen": answer.seen, "compared": answer.compared, "strength": answer.strength, "why": answer.why,
        "outside_evidence": [to_plain(item) | {"sentence": say_outside(item)} for item in answer.outside],
        "caveats": list(words.caveats), "builds": answer.builds, "runs": answer.runs, "invented": invented,
    }  # fmt: skip


def _record_json(one: Any, answer: Any, units: str) -> dict[str, Any]:
    scales = _system(units).scales
    power, boost = scales["power"].factor, scales["boost"].factor
    return {
        "source": one.source, "publisher": one.publisher, "build": one.build, "likeness": one.likeness, "differs": one.differs,
        "before": one.before_kw * power, "after": one.after_kw * power, "boost": one.boost_kpa * boost,
        "would_be": _kw(one.would_be, answer, units), "reaches_claim": one.reaches_claim,
    }  # fmt: skip


def counts_of(answers: list[Any]) -> dict[str, int]:
    """How many claims have each verdict, and how many rows could not be read."""
    from models.claim_records import VERDICTS

    counts: dict[str, int] = {
        verdict: sum(one.problem is None and one.verdict == verdict for one in answers) for verdict in VERDICTS
    }
    return counts | {"not read": sum(one.problem is not None for one in answers)}


def claims_json(answers: list[Any], units: str, invented: bool) -> dict[str, Any]:
    """All claims of a file."""
    return {"counts": counts_of(answers), "claims": [claim_json(one, units, invented) | {"given": one.given} for one in answers]}


# --- CSV ----------------------------------------------------------------------------------------------------------------


def claims_csv(answers: list[Any], units: str) -> str:
    """The judged table as CSV; contributed text cannot become a formula in a spreadsheet."""
    import polars as pl

    from pipeline.spreadsheet_text import guard_text
    from reports.claim_sentences import say_claim

    system = _system(units)
    power = system.scales["power"].unit
    rows = []
    for one in answers:
        words, of = say_claim(one, system), one.expected
        row: dict[str, Any] = {
            "line": one.line,
            "name": one.name,
            "verdict": "not read" if one.problem else one.verdict,
            "percentile": one.percentile,
        }
        row |= {f"claimed_{power}": None if _is_rule(one) else _kw(one.claimed, one, units)}
        row |= {f"{end}_{power}": None if of is None else _kw(getattr(of, end), one, units) for end in _ENDS}
        row |= {f"rule_{power}": _kw(one.rule_kw, one, units), "seen": one.seen, "compared": one.compared, "builds": one.builds}
        row |= {"sentence": words.to_print or words.verdict, "sentence_to_avoid": words.to_avoid, "given": _as_given(one)}
        rows.append(row)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    texts = [name for name, kind in frame.schema.items() if kind == pl.String]
    return frame.with_columns(guard_text(pl.col(name)).alias(name) for name in texts).write_csv()


def _as_given(answer: Any) -> str:
    return "; ".join(f"{header}: {cell}" for header, cell in answer.given.items())


# --- text ---------------------------------------------------------------------------------------------------------------


def _head(answers: list[Any], invented: bool, units: str) -> None:
    if invented:
        click.echo("INVENTED DEMO DATA: these figures describe no real engine.\n")
    for text in cautions_of(answers):
        paragraph(text, units=units)
    if cautions_of(answers):
        click.echo("")


def show_claim(answer: Any, units: str, invented: bool) -> None:
    """One claim: verdict, what rule and physics say, what would have to be true, records, the two sentences."""
    from reports.claim_sentences import say_claim

    words = say_claim(answer, _system(units))
    _head([answer], invented, units)
    _fold(words.verdict)
    if answer.rule_kw is not None:
        rule, low, high = (_kw(value, answer, units) for value in (answer.rule_kw, answer.physics_low_kw, answer.physics_high_kw))
        unit = _system(units).scales["power"].unit
        physics = (
            ""
            if low is None or high is None
            else f"; heat, friction, belt and exhaust leave open {low:,.0f} to {high:,.0f} {unit}"
        )
        _fold(f"The rule says {rule:,.0f} {unit}{physics}.")
    _list("What would bring it in line, one at a time:", words.conditions)
    _list("Nearest records:", words.evidence[:MOST_RECORDS])
    _list("Mind:", words.caveats)
    click.echo("")
    _fold(f"To print:  {words.to_print}")
    _fold(f"To avoid:  {words.to_avoid}")


def _list(head: str, items: tuple[str, ...]) -> None:
    if not items:
        return
    click.echo("")
    _fold(head)
    for item in items:
        _fold(item, "  - ", "    ")


def _fold(text: str, lead: str = "", rest: str = "") -> None:
    click.echo(
        click.wrap_text(
            printable(text.replace("\u202f", " ")), width=terminal_width(), initial_indent=lead, subsequent_indent=rest
        )
    )


def show_claims(answers: list[Any], units: str, invented: bool) -> None:
    """A file of claims as a table, and how many have each verdict."""
    from reports.claim_sentences import say_claim

    _head(answers, invented, units)
    if terminal_width() >= TABLE_WIDTH:
        rows = [_table_row(one, units) for one in answers]
        print_table(rows, ["line", "claim", "verdict", "claimed", "80 % range", "below it"], {0, 3, 4, 5})
    else:
        for one in answers:
            _fold(
                f"line {one.line or '-'}{', ' + one.name if one.name else ''}: {say_claim(one, _system(units)).verdict}", "", "  "
            )
    problems = [one for one in answers if one.problem]
    for one in problems if terminal_width() >= TABLE_WIDTH else []:
        _fold(f"line {one.line or '-'}: {one.problem}", "", "  ")
    click.echo("")
    told = [f"{count} {verdict}" for verdict, count in counts_of(answers).items() if count]
    _fold(f"{plural(len(answers), 'claim')}: {', '.join(told) or 'none'}.")


def _table_row(one: Any, units: str) -> list[str]:
    from reports.claim_words import as_given, range_words

    system = _system(units)
    unit, of = system.scales["power"].unit, as_given(one)
    made = "-" if _is_rule(one) or one.claimed is None else f"{_kw(one.claimed, one, units):,.0f} {unit}"
    narrow = None if of is None else range_words(of, 80, system)
    name = one.name if len(one.name) <= _NAME_WIDTH else one.name[: _NAME_WIDTH - 1] + "\u2026"
    below = (
        "-"
        if one.percentile is None
        else "> 99 %"
        if one.percentile > 99
        else "< 1 %"
        if one.percentile < 1
        else f"{one.percentile:.0f} %"
    )
    return [
        str(one.line or "-"),
        name or "-",
        "not read" if one.problem else one.verdict,
        made,
        (narrow or "-").replace("\u202f", " "),
        below,
    ]
