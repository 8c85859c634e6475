"""Columns of the tables and CSV files of the answers' charts, and the tables of the appendix."""

from __future__ import annotations

from models.driver_records import Collinearity, DriverAnswers
from models.estimate import Estimate
from models.results import StudyResults
from reports.driver_words import contrast_words, level_words
from reports.labels import clean_text
from reports.numbers import SYSTEMS, InBothUnits, write_count, write_number
from reports.part_words import engine_words
from reports.quantities_in_text import in_reader_units
from reports.tables import Cell, Column, Table, estimate_cells

_SHARE_ENDS = (
    Column("ratio", "Share of the rule", "tenths", True, True), Column("low", "Lower end", "tenths", True, True),
    Column("high", "Upper end", "tenths", True, True),
)  # fmt: skip
_BUILD = (Column("name", "Build"), Column("publisher", "Publisher"))
_RESTS_ON = (Column("builds", "Builds", None, True), Column("runs", "Runs", None, True))
_LINES = (Column("name", "What"), Column("shown", "Share of the rule"), *_RESTS_ON, *_SHARE_ENDS)
_DEVIATOR = (
    *_BUILD, Column("shown", "Its own share of the rule"), Column("expected_shown", "Expected, %"),
    Column("physics_shown", "Physics expects, %"), Column("tested_by", "Given away by"), Column("summary", "Its record"),
    Column("q_value", "False discovery rate", "small", True), *_SHARE_ENDS,
)  # fmt: skip
_DIFFERENCE = (
    Column("ratio", "Adjusted difference", "points", True, True), Column("low", "Adjusted lower end", "points", True, True),
    Column("high", "Adjusted upper end", "points", True, True), Column("alone_ratio", "Lone difference", "points", True, True),
    Column("alone_low", "Lone lower end", "points", True, True), Column("alone_high", "Lone upper end", "points", True, True),
)  # fmt: skip

ANSWER_COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "within": ("shares", (Column("name", "Builds"), Column("shown", "Share of builds"), *_RESTS_ON)),
    "band": ("band", _LINES),
    "size": (
        "units",
        (*_BUILD, Column("na_power_kw", "Output without boost", "power", True), Column("shown", "Share of the rule"), *_SHARE_ENDS),
    ),
    "naive": (
        "naive",
        (
            Column("name", "Correlation of"), Column("observed", "In these records", "small", True),
            Column("null_mean", "With nothing to find", "small", True), Column("low", "from", "small", True),
            Column("high", "to", "small", True), Column("draws", "Data sets", None, True), Column("sentence", "What follows"),
        ),
    ),
    "drivers": (
        "drivers",
        (
            Column("driver", "Driver"), Column("what", "Compared"), Column("shown", "Adjusted, points"),
            Column("alone_shown", "Alone, points"), Column("builds_at_level", "Builds", None, True),
            Column("builds_against", "Against", None, True), Column("missing", "Not stated by", None, True),
            Column("why", "Why not"), *_DIFFERENCE,
        ),
    ),
    "physics": (
        "physics",
        (
            Column("name", "Class"), Column("builds", "Builds", None, True), Column("low", "Physics expects, from", "share", True),
            Column("high", "to", "share", True),
        ),
    ),
    "budget": (
        "budget",
        (
            Column("name", "Class"), Column("words", "Step"), Column("kind_change", "Kind assumptions", "points", True),
            Column("kind_to", "leads to", "share", True), Column("unkind_change", "Unkind assumptions", "points", True),
            Column("unkind_to", "leads to", "share", True),
        ),
    ),
    "deviators": ("deviators", _DEVIATOR),
    "breakers": ("breakers", (*_DEVIATOR[:3], Column("how", "Listed"), *_DEVIATOR[4:])),
    "funnel": (
        "funnel",
        (
            *_BUILD, Column("ratio", "Share of the rule", "share", True), Column("error", "Standard error", "tenths", True),
            Column("boost_kpa", "Highest boost", "boost", True),
        ),
    ),
    "withheld": (
        "withheld",
        (
            Column("words", "Builds"), Column("share_withheld", "Unpublished share of them", "share", True),
            Column("ratio", "Average share of the rule", "tenths", True),
            Column("unpublished", "Builds that nobody published", None, True),
        ),
    ),
    "kinds": (
        "kinds",
        (Column("name", "Kind of source"), Column("shown", "Share of the rule"), Column("difference", "Against all others, points"),
         *_RESTS_ON, *_SHARE_ENDS),
    ),
    "publishers": (
        "publishers",
        (Column("name", "Choice"), Column("shown", "Share of the rule"), Column("out", "Builds left out", None, True),
         *_RESTS_ON, *_SHARE_ENDS),
    ),
    "cancelling": (
        "cancelling",
        (Column("name", "Shortcut"), Column("shift", "Moves the average by", "points", True),
         Column("to", "leads to", "tenths", True)),
    ),
}  # fmt: skip

DIAGNOSTIC_COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    name: (
        "diagnostics",
        (
            *_BUILD, Column("fitted", "Fitted share of the rule", "tenths", True), Column("residual", "Observed less fitted", "points", True),
            Column("studentised", "In standard errors", "small", True), Column("quantile", "Normal quantile", "small", True),
            Column("leverage", "Leverage", "small", True), Column("cooks", "Cook's distance", "small", True), Column("flag", "To know"),
        ),
    )
    for name in ("residuals", "quantiles", "influence")
}  # fmt: skip


def share_rows(results: StudyResults) -> list[dict[str, object]]:
    """The share of builds within the margin, corrected for measurement error and as the raw readings have it."""
    answer = results.equivalence
    if answer is None:
        return []
    share = answer.share_of_builds
    best, interval, _ = estimate_cells(share, share=True)
    raw = "\u2013" if answer.raw_share is None else f"{write_number(100 * answer.raw_share, 0)}\u202f%"
    in_us = [cell if isinstance(cell, str) else cell.us for cell in (best, interval)]
    return [
        {"name": "True share of the rule within the margin", "shown": " to ".join(in_us[1:]), "builds": share.builds, "runs": share.runs},
        {"name": "Readings within it, spread by measurement error", "shown": raw, "builds": share.builds, "runs": share.runs},
    ]  # fmt: skip


# --- appendix -----------------------------------------------------------------------------------------------------------


def _row(name: Cell, estimate: Estimate, *, share: bool) -> tuple[Cell, ...]:
    return (name, *estimate_cells(estimate, share=share), write_count(estimate.builds), write_count(estimate.runs))


def table_evidence(results: StudyResults, plain: frozenset[str]) -> Table:
    """Every figure that a rule of thumb is judged by; ``plain`` names those that are no shares."""
    rows = tuple(
        _row(_capital(in_reader_units(one.meaning)), one.estimate, share=one.name not in plain) for one in results.evidence
    )
    return Table(("Figure", "Best", "Interval", "Level", "Builds", "Runs"), rows, frozenset({1, 3, 4, 5}))


def _capital(text: InBothUnits) -> InBothUnits:
    return InBothUnits(*(t[:1].upper() + t[1:] for t in (text.us, text.si)))


def table_collinearity(drivers: DriverAnswers) -> Table:
    """How far each column of the joint model can be told from the others."""
    labels = {one.name: clean_text(one.label) for one in drivers.summaries}

    def factor(value: float | None) -> str:
        return "a sum of others" if value is None else write_number(value, 2)

    steps = {(one.name, one.level): contrast_words(one) for one in drivers.together if one.step is not None}

    def name(one: Collinearity) -> Cell:
        words = steps.get((one.name, one.level)) or in_reader_units(level_words(one.name, one.level))
        return InBothUnits(*(f"{labels.get(one.name, one.name)}: {text}" for text in (words.us, words.si)))

    rows = tuple(
        (
            name(one), factor(one.vif), factor(one.driver_vif),
            "" if one.goes_with is None else labels.get(one.goes_with, one.goes_with),
        )
        for one in (() if drivers.diagnostics is None else drivers.diagnostics.collinearity)
    )  # fmt: skip
    heads = ("Column of the model", "Variance inflation", "of its driver", "Cannot be told from")
    return Table(heads, rows, frozenset({1, 2}))


def table_levels(drivers: DriverAnswers) -> Table:
    """How many builds of how many publishers stand at each level of each driver, and what is not stated."""
    rows: list[tuple[Cell, ...]] = []
    for one in drivers.summaries:
        label, joint = clean_text(one.label), "yes" if one.is_in_joint_model else "no"
        why = in_reader_units(clean_text(one.why or "", 300))
        if one.kind == "number":
            middle = _range(one.low, one.middle, one.high, one.unit)
            rows.append((label, middle, write_count(one.stated), "", write_count(one.missing), joint, why))
        for place, level in enumerate(one.levels):
            first = place == 0
            rows.append((
                label, level_words(one.name, level.level), write_count(level.builds), write_count(level.publishers),
                write_count(one.missing) if first else "", joint if first else "", why if first else "",
            ))  # fmt: skip
    heads = (
        "Driver",
        "Level, or middle with the central nine tenths",
        "Builds",
        "Publishers",
        "Not stated by",
        "Joint model",
        "Why not",
    )
    return Table(heads, tuple(rows), frozenset({2, 3, 4}))


def _range(low: float | None, middle: float | None, high: float | None, unit: str | None) -> InBothUnits:
    if low is None or middle is None or high is None:
        return InBothUnits("\u2013", "\u2013")
    made = []
    for system in SYSTEMS.values():
        is_power = (unit or "").startswith("kW")
        factor = system.scales["power"].factor if is_power else 1 / 0.3048 if unit == "m" and system.code == "us" else 1.0
        shown = (unit or "").replace("kW", system.scales["power"].unit) if is_power else "ft" if factor != 1 else unit
        digits = 1 if abs(middle * factor) < 100 else 0
        numbers = [write_number(x * factor, digits) for x in (middle, low, high)]
        made.append(
            f"{numbers[0]} ({numbers[1]} to {numbers[2]})"
            + ("" if shown in {"1", None, ""} else f"\u202f{clean_text(shown or '')}")
        )
    return InBothUnits(*made)


def table_assumptions(results: StudyResults) -> Table:
    """What the expectation from physics has to assume, and where each range comes from."""
    assumptions = () if results.physics is None else results.physics.assumptions
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (clean_text(one.name), _assumed(one.low, one.high, one.unit), clean_text(one.source, 200)) for one in assumptions
    )
    return Table(("Assumption", "Range", "Where it comes from"), rows)


def _assumed(low: float, high: float, unit: str) -> InBothUnits:
    ends = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return in_reader_units(ends if unit == "1" else f"{ends} {unit}")


def table_tests(results: StudyResults) -> Table:
    """Tests whose statistic a reader may want: both halves of the equivalence test, small-study tests, uneven spread."""
    rows: list[tuple[Cell, ...]] = []
    same = results.equivalence
    if same is not None and same.lower_t is not None and same.upper_t is not None and same.p_value is not None:
        margin = f"{write_number(100 * same.margin, 0)}\u202f%"
        words = f"The average lies within {margin} of the rule (two one-sided t tests)"
        rows.append(
            (words, f"t = {write_number(same.lower_t, 2)} and {write_number(same.upper_t, 2)}", write_number(same.p_value, 4), "")
        )
    for test in () if results.selection is None else results.selection.tests:
        name = {
            "standard_error": "A build's share goes with its standard error",
            "boost_range": "A build's share goes with how little boost it saw",
        }
        known = test.t_value is not None and test.p_value is not None
        rows.append((
            name.get(test.name, test.name), f"t = {write_number(test.t_value or 0.0, 2)}, {test.freedom} degrees of freedom" if known else "",
            write_number(test.p_value or 0.0, 4) if known else "", clean_text(test.sentence, 400),
        ))  # fmt: skip
    diagnostics = None if results.drivers is None else results.drivers.diagnostics
    if diagnostics is not None and diagnostics.uneven_spread_p is not None:
        p = write_number(diagnostics.uneven_spread_p, 4)
        rows.append(("Residuals of the joint model spread unevenly (Breusch and Pagan)", "", p, ""))
    return Table(("Test", "Statistic", "p", "What it says"), tuple(rows), frozenset({2}))


def table_class_means(results: StudyResults) -> Table:
    """The average share of the rule of each class of engine, with what it rests on."""
    rows: list[tuple[Cell, ...]] = []
    for one in results.class_means:
        best, interval, level = estimate_cells(one.rule_ratio, share=True)
        counts = (write_count(one.builds), write_count(one.publishers))
        words = engine_words(one.induction, one.charge_cooling)
        rows.append((words[:1].upper() + words[1:], best, interval, level, *counts))
    heads = ("Class", "Average share of the rule", "Interval", "Level", "Builds", "Publishers")
    return Table(heads, tuple(rows), frozenset({1, 2, 3, 4, 5}))
