"""What is doubtful about a before/after pair: each doubt a code, whether it keeps the pair out of the figures, and a sentence.

A loss alone never bars a pair: leaving losses out would make every part look better than it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from models.gain_records import PairDoubt
from models.sample import LEVEL_GAP_KPA

Row = dict[str, Any]

#: Doubts that bar a pair from the figures of its kind and yet leave its gain a gain.
STILL_JUDGED = frozenset({"part_unknown", "repeated", "fuel_changed", "engine_stopped"})
BELT_DRIVEN = ("centrifugal", "positive_displacement")


@dataclass(frozen=True, slots=True)
class _Check:
    """A doubt: when it applies, and what is said."""

    code: str
    bars: bool
    applies: Callable[[Row], bool]
    say: Callable[[Row], str]


def _sides(row: Row, name: str) -> tuple[Any, Any]:
    return row[f"before_{name}"], row[f"after_{name}"]


def _differ(row: Row, name: str) -> bool:
    """Whether both sides state the fact and differ in it."""
    before, after = _sides(row, name)
    return None not in (before, after) and "unstated" not in (before, after) and before != after


def _either(row: Row, name: str, *values: Any) -> bool:
    return any(value in values for value in _sides(row, name))


def _missing(row: Row) -> bool:
    return None in _sides(row, "role")


def _same_run(row: Row) -> bool:
    return bool(row["before_run_key"] == row["after_run_key"])


def _one_sided(row: Row) -> bool:
    before, after = (role == "boosted" for role in _sides(row, "role"))
    return before != after


def _boost_unstated(row: Row) -> bool:
    """A boosted side without a boost, or unboosted sides of an engine with a compressor of which nothing more is said."""
    return any(_side_without_boost(row, side) for side in ("before", "after"))


def _side_without_boost(row: Row, side: str) -> bool:
    role, boost, step = (row[f"{side}_{name}"] for name in ("role", "boost_kpa", "boost_step_kpa"))
    if role == "boosted":
        return boost is None or boost <= 0
    charged = row[f"{side}_induction"] not in (None, "none")
    return bool(charged and step is None and row[f"{side}_baseline_hardware"] in (None, "unstated"))


def _run_backwards(row: Row) -> bool:
    """Whether the after run stands before the other in the session's order or in the calendar."""
    order, day = _sides(row, "pull_order"), _sides(row, "tested_on")
    if row["same_session"] and None not in order:
        return bool(order[1] < order[0])
    return None not in day and bool(day[1] < day[0])


def _lost(row: Row) -> bool:
    return row["verdict"] == "loss"


def _fuel_changed(row: Row) -> bool:
    return (
        any(_differ(row, name) for name in ("fuel", "octane_ron", "octane_aki", "ethanol_pct"))
        and "fuel_system" not in row["parts"]
    )


def _no_parts(row: Row) -> bool:
    return not row["parts"] or "other" in row["parts"]


def _own_setup(row: Row) -> bool:
    """Another kind of compressor although none was named as changed."""
    return _differ(row, "induction") and "compressor" not in row["parts"] and not _one_sided(row)


def _at_setting(row: Row) -> bool:
    return bool(row["is_boosted"] and row["held"] == "setting" and None not in _sides(row, "boost_kpa"))


def _boost_strayed(row: Row) -> bool:
    before, after = _sides(row, "boost_kpa")
    known = row["is_boosted"] and row["held"] != "setting" and None not in (before, after)
    return bool(known and abs(after - before) >= LEVEL_GAP_KPA)


def _no_tune(row: Row) -> bool:
    return row["retuned_each"] is False or False in _sides(row, "same_tune_target")


def _not_above(row: Row) -> bool:
    return row["gain_pct"] is not None and row["gain_pct"] <= 0


def _say_two(what: str, name: str, advice: str) -> Callable[[Row], str]:
    def say(row: Row) -> str:
        before, after = (str(v).replace("_", " ") for v in _sides(row, name))
        return f"{what}: {before} before, {after} after. {advice}"

    return say


def _say_setting(row: Row) -> str:
    before, after = _sides(row, "boost_kpa")
    belt = _either(row, "induction", *BELT_DRIVEN) or _either(row, "boost_control", "fixed_drive")
    what = "drive ratio" if belt else "wastegate setting"
    then = (
        "another drive ratio, not a boost setting, would have to make up for the part"
        if belt
        else "boost would have to be set anew"
    )
    return (
        f"The {what} was held, so that boost is a result: {before:.1f} kPa before, {after:.1f} kPa after. The gain at equal boost is "
        f"worked out with the mean curve of the study; {then}."
    )


def _say_strayed(row: Row) -> str:
    before, after = _sides(row, "boost_kpa")
    return (
        f"Boost was {before:.1f} kPa before and {after:.1f} kPa after: part of the gain is boost. The gain at equal boost is worked out "
        "with the mean curve of the study; a run at the boost before the change would show it."
    )


def _say_swapped(row: Row) -> str:
    return (
        f"The after run makes {abs(row['gain_pct']):.1f} % less and was run before the other: the two sides look swapped. "
        "Correct the record if so (before and after, or compared_with); the pair counts for nothing until then."
    )


def _fixed(text: str) -> Callable[[Row], str]:
    return lambda row: text


#: In the order in which they are told; those that bar come first.
_CHECKS: tuple[_Check, ...] = (
    _Check("run_missing", True, _missing, _fixed(
        "One run of the pair is not in the store: it was refused or withdrawn. See `poundworth refused`, mend the line and build again.")),
    _Check("same_run", True, _same_run, _fixed("Both sides name one run; a change needs a run before it and another after it.")),
    _Check("repeated", True, lambda r: _either(r, "is_repeat", True), _fixed(
        "The test was published before and is counted there.")),
    _Check("other_engine", True, lambda r: _differ(r, "engine_id"), _say_two(
        "Two engines", "engine_id", "Their difference is no gain of a part; compare runs of one engine.")),
    _Check("other_dyno", True, lambda r: _differ(r, "dyno_id") or _differ(r, "dyno_type"), lambda r: _say_two(
        "Two dynos", "dyno_id" if _differ(r, "dyno_id") else "dyno_type",
        "Dynos differ by more than most parts give; run both sides on one.")(r)),
    _Check("other_place", True, lambda r: _differ(r, "measured_at"), _say_two(
        "Power was measured at two places", "measured_at", "The drivetrain's loss would count as the part's; measure both at one.")),
    _Check("other_rating", True, lambda r: _differ(r, "rating_basis"), _say_two(
        "A net figure stands against a gross one", "rating_basis", "Run both with the same accessories and exhaust.")),
    _Check("other_correction", True, lambda r: r["basis"] is None and not _missing(r), _say_two(
        "The two figures carry different corrections", "correction",
        "They cannot be brought to one from what is recorded; give the air of both runs, or observed powers.")),
    _Check("stated_rating", True, lambda r: _either(r, "is_stated_rating", True), _fixed(
        "One side is a stated rating and was never measured; run the engine as it was on the same dyno.")),
    _Check("part_throttle", True, lambda r: _either(r, "wide_open", False) or _either(r, "role", "throttled"), _fixed(
        "One side was not run at full throttle; a gain at part throttle is a matter of the pedal.")),
    _Check("engine_stopped", True, lambda r: _either(r, "outcome", "failed", "stopped_knock", "stopped_heat"), _fixed(
        "One of the pulls was stopped or ended in a failure; its figure is no settled one.")),
    _Check("boost_unstated", True, _boost_unstated, _fixed(
        "The engine carries a compressor and boost is not stated: state it for both runs, and 0 where the compressor was bypassed.")),
    _Check("boosted_one_side", True, _one_sided, _fixed(
        "One run is boosted and the other is not: that is the worth of boost, not of a part. Compare at equal boost.")),
    _Check("other_compressor", True, _own_setup, _say_two(
        "Two kinds of compressor", "induction", "Name the compressor among the parts, or compare runs with one.")),
    _Check("fuel_changed", True, _fuel_changed, _fixed(
        "The fuel differs between the two runs: what it gave cannot be told from the part. Run both on one fuel.")),
    _Check("part_unknown", True, _no_parts, _fixed(
        "What was changed is not stated, or is not a part known here; name it (see `poundworth dictionary`, parts).")),
    _Check("swapped_order", True, lambda r: _lost(r) and _run_backwards(r), _say_swapped),
    _Check("loss", False, lambda r: _lost(r) and not _run_backwards(r), _fixed(
        "A loss beyond the error of the test: the part cost power on this engine, or before and after are swapped. Check the record; "
        "it counts as a loss.")),
    _Check("no_gain", False, lambda r: _not_above(r) and not _lost(r), _fixed(
        "The gain is zero or below, so that there is nothing for boost to offset.")),
    _Check("correction_unstated", False, lambda r: not _missing(r) and _either(r, "correction", None, "unstated") and r["basis"] is not None, _fixed(
        "The correction is not stated; both figures are taken to carry the same.")),
    _Check("boost_moved", False, _boost_strayed, _say_strayed),
    _Check("setting_held", False, _at_setting, _say_setting),
    _Check("retuned", False, lambda r: r["retuned_each"] is True, _fixed(
        "The tune changed with the part: each state was tuned for itself, so that the gain is that of part and tune.")),
    _Check("not_retuned", False, _no_tune, _fixed(
        "One tune served both states: the part may be worth more once tuned for.")),
)  # fmt: skip

#: Doubts after which nothing further is worth checking: the other checks need both runs.
_ENDS = frozenset({"run_missing", "same_run"})


def find_doubts(row: Row) -> tuple[PairDoubt, ...]:
    """Doubts about one pair, those that bar it first.

    Parameters
    ----------
    row : a row of :func:`models.gain_pairs.pair_rows` with ``gain_pct`` (None without powers) and ``verdict`` added.
    """
    found: list[PairDoubt] = []
    for check in _CHECKS:
        if check.applies(row):
            found.append(PairDoubt(check.code, check.say(row), check.bars))
            if check.code in _ENDS:
                break
    return tuple(found)
