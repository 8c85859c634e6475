"""Captions of the charts against engine speed, and the columns of their tables."""

from __future__ import annotations

from models.results import StudyResults
from reports.captions import Caption, make_caption
from reports.charts.curves import MOST_CURVES
from reports.numbers import count_of
from reports.sentences_curves import say_gain_by_rpm, say_yield_by_rpm
from reports.tables import Column

CURVE_COLUMNS: dict[str, tuple[str, tuple[Column, ...]]] = {
    "yield_rpm": (
        "yield_by_rpm",
        (
            Column("name", "Build"), Column("publisher", "Publisher"), Column("rpm", "rpm", None, True),
            Column("boost_kpa", "Boost", "boost", True), Column("ratio", "Share of the rule", "share", True),
            Column("low", "Lower end", "share", True), Column("high", "Upper end", "share", True),
            Column("yield_kw_per_kpa", "Gain at sea level", "yield", True),
        ),
    ),
    "gain_rpm": (
        "gain_by_rpm",
        (
            Column("name", "Build"), Column("publisher", "Publisher"), Column("parts", "Changed"), Column("rpm", "rpm", None, True),
            Column("before_kw", "Before", "power", True), Column("after_kw", "After", "power", True),
            Column("gain_kw", "Won", "power", True), Column("low_kw", "Lower end", "power", True),
            Column("high_kw", "Upper end", "power", True),
        ),
    ),
}  # fmt: skip


def curve_captions(results: StudyResults) -> dict[str, Caption]:
    """Captions of what curves against engine speed show; none where there are no curves."""
    curves = results.curves
    if curves is None:
        return {}
    drawn = {name: _not_drawn(len(items)) for name, items in (("yields", curves.yields), ("gains", curves.gains))}
    return {
        "yield_rpm": make_caption(
            "What is a {psi} worth at other engine speeds?",
            "One line is one boosted curve against the unboosted curve of the same build at the same speed, by the boost logged "
            "there. Its band holds gauge error and the repeatability of both pulls, for each speed alone; where boost is low, "
            f"the gauge makes it wide. The dashed line is the rule.{drawn['yields']}",
            lambda s: (
                f"Lines of the share of the rule against engine speed for {count_of(len(curves.yields), 'boosted curve')}, "
                f"with bands. {say_yield_by_rpm(curves).in_system(s.code)}"
            ),
        ),
        "gain_rpm": make_caption(
            "Where in the rev range does a change pay?",
            "One line is one change: power after less power before, at equal speed. The band holds for each speed alone; most of its "
            "error is that of whole pulls, so the shape of a line is better known than its height. Above the dashed line power was "
            f"won.{drawn['gains']}",
            lambda s: (
                f"Lines of power won in {s.scales['power'].unit} against engine speed for {count_of(len(curves.gains), 'change')}, "
                f"with bands. {say_gain_by_rpm(curves).in_system(s.code)}"
            ),
        ),
    }


def _not_drawn(curves: int) -> str:
    if curves <= MOST_CURVES:
        return ""
    return f" The first {MOST_CURVES} are drawn and in the table, {curves - MOST_CURVES} are not."
