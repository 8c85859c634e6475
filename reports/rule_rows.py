"""Rules of thumb as the page lists them: statement, verdict, what was measured, and where that lies in the tolerance."""

from __future__ import annotations

from dataclasses import dataclass

from models.results import RuleVerdict, StudyResults
from models.rule_table import RULES
from models.rules_of_thumb import VERDICTS, judge_outside
from reports.labels import clean_text
from reports.numbers import InBothUnits
from reports.quantities_in_text import in_reader_units
from reports.sentences import say_why
from reports.small_plots import RuleStrip, plot_rule
from reports.stored_results import anchor_of
from reports.tables import VERDICT_LOOKS, Cell, estimate_cells

#: Figures without a unit that are no shares: exponents.
PLAIN_FIGURES = frozenset({"elasticity", "offset_boost_by_output"})
_DECLARED = {rule.id: rule for rule in RULES}


@dataclass(frozen=True, slots=True)
class RuleRow:
    """One rule ready to print.

    ``look`` is its style class; ``missing`` says why nothing was measured, None where something was; ``would_tell`` is the test
    that would settle it; ``stored`` the anchor of its figure among the stored results.
    """

    statement: InBothUnits
    verdict: str
    look: str
    missing: InBothUnits | None
    best: Cell
    interval: Cell
    level: Cell
    tolerance: InBothUnits
    would_tell: InBothUnits
    strip: RuleStrip | None
    stored: str = ""


def rule_rows(results: StudyResults) -> list[RuleRow]:
    """All rules, by verdict and within it in the order of the table."""
    order = {verdict: place for place, verdict in enumerate(VERDICTS)}
    return [_row(rule) for rule in sorted(results.rules, key=lambda rule: order.get(rule.verdict, len(order)))]


def _row(rule: RuleVerdict) -> RuleRow:
    share = rule.estimate.unit == "1" and rule.tested_by not in PLAIN_FIGURES
    known = rule.estimate.low is not None and rule.estimate.high is not None
    best, interval, level = estimate_cells(rule.estimate, share=share)
    declared = _DECLARED.get(rule.id)
    strip = None
    if declared is not None:
        strip = plot_rule(rule.estimate, declared.low, declared.high, declared.predicts, outside=declared.judge is judge_outside)
    return RuleRow(
        statement=in_reader_units(clean_text(rule.statement, 400)),
        verdict=rule.verdict,
        look=VERDICT_LOOKS.get(rule.verdict, "open"),
        missing=None if known else in_reader_units(clean_text(say_why(rule.estimate), 400)),
        best=best,
        interval=interval,
        level=level,
        tolerance=in_reader_units(clean_text(rule.tolerance, 300)),
        would_tell=in_reader_units(clean_text(rule.would_tell, 400)),
        strip=strip,
        stored=anchor_of(f"rules {rule.id} estimate"),
    )
