"""Tables of the page: estimates, verdicts, sources, and the columns of each chart's own table and CSV file."""

from __future__ import annotations

from dataclasses import dataclass

from models.estimate import Estimate
from models.results import StudyResults
from models.rule import KPA_PER_PSI
from reports.labels import clean_text, safe_url
from reports.numbers import InBothUnits, UnitSystem, in_both, show_estimate, show_level, show_nominal, write_count
from reports.stored_results import STORED_PAGE, anchor_of

Cell = str | InBothUnits


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a chart's table: field of its rows, heading, quantity that the unit switch converts (None for text).

    ``only_csv`` columns stand in the file but not in the page.
    """

    field: str
    label: str
    quantity: str | None = None
    is_number: bool = False
    only_csv: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows ready to print; the first cell of a row is its heading. ``links`` holds an address (or None) for each row,
    ``ends`` a page of the report that its last cell leads to.
    """

    heads: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numeric: frozenset[int] = frozenset()
    links: tuple[str | None, ...] = ()
    ends: tuple[str | None, ...] = ()


#: Verdict of a rule of thumb -> style class; other verdicts are shown neutrally.
VERDICT_LOOKS: dict[str, str] = {"holds": "yes", "holds with a lean": "lean", "does not hold": "no", "cannot tell yet": "open"}


def estimate_cells(estimate: Estimate, *, share: bool = False) -> tuple[Cell, Cell, Cell]:
    """Best value, interval (or why there is none) and level."""

    def write_range(system: UnitSystem) -> str:
        if estimate.low is None or estimate.high is None:
            return estimate.why or "no range"
        return show_estimate(estimate, system, share=share, reference=1.0 if share else None).range

    best = in_both(lambda system: show_estimate(estimate, system, share=share, reference=1.0 if share else None).best)
    return best, in_both(write_range), show_level(estimate)


def table_estimates(results: StudyResults, with_stored: bool = False) -> Table:
    """Every estimate of the study with what it rests on; ``with_stored``: its last cell leads to the stored result."""
    lines: list[tuple[Cell, Estimate, bool, str]] = [
        ("Average share of the rule", results.rule_ratio, True, "rule_ratio"),
        ("Range for a build not yet tested", results.new_build_rule_ratio, True, "new_build_rule_ratio"),
        ("Spread between builds (standard deviation)", results.between_builds_sd, True, "between_builds_sd"),
        (
            in_both(lambda s: f"Next {s.boost_word} at {show_nominal(15 * KPA_PER_PSI, 'boost', s)} over the first"),
            results.last_over_first,
            True,
            "last_over_first",
        ),
        ("Curvature of the gain, all builds together", results.curvature, False, "curvature"),
        ("Curvature of the gain, within builds", results.curvature_within_builds, False, "curvature_within_builds"),
    ]
    if results.equivalence is not None:
        of = results.equivalence
        lines.insert(1, ("Average share of the rule, for the margin", of.mean_estimate, True, "equivalence mean_estimate"))
        lines.insert(3, ("Share of builds within the margin", of.share_of_builds, True, "equivalence share_of_builds"))
    if results.elasticity is not None:
        name = "Exponent of the worth of boost in output (the rule says 1)"
        lines.append((name, results.elasticity.elasticity, False, "elasticity elasticity"))
    if results.drivers is not None:
        name = "Share of the rule at the average build, drivers held equal"
        lines.append((name, results.drivers.mean_at_average, True, "drivers mean_at_average"))
    for point in results.marginal_yield:
        kpa = point.boost_kpa
        words = in_both(lambda s, kpa=kpa: f"Worth of the next {s.boost_word} at {show_nominal(kpa, 'boost', s)}")  # type: ignore[misc]
        lines.append((words, point.estimate, True, f"marginal_yield {kpa:.1f} kPa estimate"))
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (name, *estimate_cells(e, share=share), write_count(e.builds), write_count(e.runs)) for name, e, share, _ in lines
    )
    ends = tuple(f"{STORED_PAGE}#{anchor_of(path)}" for *_, path in lines) if with_stored else ()
    return Table(("Estimate", "Best", "Interval", "Level", "Builds", "Runs"), rows, frozenset({1, 2, 3, 4, 5}), ends=ends)


def table_sources(results: StudyResults) -> Table:
    """Sources with publisher, licence, day of publication and what they gave; only plain web addresses become links."""
    units: dict[str, int] = {}
    for unit in results.units:
        units[unit.source] = units.get(unit.source, 0) + 1
    rows = tuple(
        (
            clean_text(note.title), clean_text(note.publisher), clean_text(note.licence), clean_text(note.published_on),
            write_count(units.get(note.source, 0)), clean_text(note.source),
        )
        for note in results.sources
    )  # fmt: skip
    links = tuple(safe_url(note.url) for note in results.sources)
    return Table(("Title", "Publisher", "Licence", "Published", "Builds", "Folder"), rows, frozenset({4}), links)


RATIO_COLUMNS = (
    ("ratio", "Share of the rule"), ("low", "Lower end"), ("high", "Upper end"), ("shrunk", "Share drawn to its peers"),
)  # fmt: skip

CHART_COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "spread": (
        "units",
        (
            Column("name", "Build"), Column("publisher", "Publisher"), Column("class", "Class"),
            Column("na_power_kw", "Output without boost", "power", True), Column("shown", "Share of the rule"),
        ),
    ),
    "yield": (
        "runs",
        (
            Column("name", "Build"), Column("publisher", "Publisher"),
            Column("na_power_kw", "Output without boost", "power", True),
            Column("boost_kpa", "Boost", "boost", True), Column("power_kw", "Power", "power", True),
            Column("yield_kw_per_kpa", "Gain at sea level", "yield", True), Column("share", "Share of the rule", "share", True),
            Column("run_key", "Record"),
        ),
    ),
    "gain": (
        "runs",
        (
            Column("name", "Build"), Column("publisher", "Publisher"), Column("boost_kpa", "Boost", "boost", True),
            Column("x", "Boost ratio", "ratio", True), Column("gain", "Gain", "share", True),
            Column("share", "Share of the rule", "share", True), Column("run_key", "Record"),
        ),
    ),
    "marginal": (
        "marginal",
        (
            Column("boost_kpa", "Boost", "boost", True), Column("shown", "Share of the rule"),
            Column("builds", "Builds", None, True), Column("runs", "Runs", None, True),
        ),
    ),
    "builds": (
        "units",
        (
            Column("name", "Build"), Column("publisher", "Publisher"), Column("class", "Class"),
            Column("na_power_kw", "Output without boost", "power", True), Column("boost_kpa", "Highest boost", "boost", True),
            Column("boosted_runs", "Boosted runs", None, True), Column("shown", "Its own share of the rule"),
            Column("shrunk_shown", "Drawn to its peers"), Column("flags", "To know"),
            *(Column(field, label, "share", True, True) for field, label in RATIO_COLUMNS),
        ),
    ),
    "sensitivity": (
        "sensitivity",
        (
            Column("name", "Choice"), Column("shown", "Share of the rule"),
            Column("builds", "Builds", None, True), Column("runs", "Runs", None, True), Column("sentence", "What differs"),
            *(Column(field, label, "share", True, True) for field, label in RATIO_COLUMNS[:3]),
        ),
    ),
    "flow": ("flow", (Column("step", "Step"), Column("count", "Count", None, True), Column("reason", "Why"))),
}  # fmt: skip
