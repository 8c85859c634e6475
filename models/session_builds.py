"""Where the builds of a private session stand among those of the study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

import numpy as np

from models.compare_records import PlacedBuild, Standing
from models.estimate import Estimate
from models.laws import norm
from models.results import StudyResults, UnitResult
from models.rule import KPA_PER_PSI
from models.sample import Sample
from models.session_repeats import percentile
from models.session_slopes import OwnSlopes, own_slopes

#: Fewer others than this are no crowd to stand in.
FEWEST_OTHERS = 5
_WORDS = {
    "turbocharger": "turbocharged", "centrifugal": "centrifugally supercharged",
    "positive_displacement": "positive-displacement supercharged", "air_to_air": "air-to-air cooled",
    "air_to_water": "air-to-water cooled", "none": "uncooled",
}  # fmt: skip


def place_builds(sample: Sample, study: StudyResults, repeats: Mapping[str, str], level: float) -> tuple[PlacedBuild, ...]:
    """Each build of the session under one setup against the study.

    Parameters
    ----------
    sample : who of the session could be analysed.
    study : the stored study; its mean, curvature and builds.
    repeats : build of the session -> build of the study that prints the same figures (keys).
    level : coverage of the intervals.
    """
    mean = study.rule_ratio.value
    if mean is None:
        return ()
    slopes = own_slopes(sample, mean, study.curvature.value or 0.0)
    dropped = dict(slopes.dropped.iter_rows())
    fitted = {unit: i for i, unit in enumerate(slopes.units["unit"])}
    return tuple(
        _place(row, _own(row, slopes, fitted.get(row["unit"]), dropped, level), study, repeats.get(row["build_key"]))
        for row in sample.units.sort("unit").iter_rows(named=True)
    )


def _own(row: Mapping[str, Any], slopes: OwnSlopes, at: int | None, dropped: Mapping[int, str], level: float) -> Estimate:
    runs = row["boosted_runs"] + row["baseline_runs"]
    value = float("nan") if at is None else float(slopes.slope[at])
    if at is None or not isfinite(value):
        why = f"No figure can be given: {dropped.get(row['unit'], 'its runs say nothing about its slope')}."
        return Estimate(None, None, None, level, "1", 1, runs, why)
    half = float(norm.ppf(0.5 + level / 2)) * float(slopes.variance[at]) ** 0.5
    return Estimate(value, value - half, value + half, level, "1", 1, runs)


def _place(row: Mapping[str, Any], own: Estimate, study: StudyResults, repeats: str | None) -> PlacedBuild:
    less = less_mean(own, study.rule_ratio)
    against, new = _against_mean(less), against_range(own, study.new_build_rule_ratio)
    others, among = _others(study.units, row, repeats)
    standing, why = _standing(own, others, among)
    known = next((u for u in study.units if u.build_key == repeats), None)
    name = None if repeats is None else f"{known.publisher}: {known.build}" if known else repeats.replace("|", ": ")
    sentences = (
        _say_own(row, own), *_say_mean(less, against, study.rule_ratio), *_say_new(new, study.new_build_rule_ratio),
        *_say_standing(standing, why, own), *_say_repeats(name),
    )  # fmt: skip
    return PlacedBuild(
        row["build"], row["induction"], row["charge_cooling"], row["measured_at"], row["boosted_runs"], row["baseline_runs"],
        row["highest_boost_kpa"], own, less, against, new, standing, why, name, sentences,
    )  # fmt: skip


def less_mean(own: Estimate, mean: Estimate) -> Estimate:
    """A build less the study's mean; half-widths added in quadrature, since the two share no run."""
    if own.value is None or mean.value is None:
        return Estimate(None, None, None, own.level, "1", own.builds, own.runs, own.why or mean.why)
    value = own.value - mean.value
    if None in (own.low, own.high, mean.low, mean.high):
        why = mean.why or own.why or "The study's mean has no interval."
        return Estimate(value, None, None, own.level, "1", own.builds, own.runs, why)
    half = float(np.hypot((own.high - own.low) / 2, (mean.high - mean.low) / 2))  # type: ignore[operator]
    return Estimate(value, value - half, value + half, own.level, "1", own.builds, own.runs)


def _against_mean(less: Estimate) -> str:
    if less.low is None or less.high is None:
        return "cannot judge"
    return "above" if less.low > 0 else "below" if less.high < 0 else "not told apart"


def against_range(own: Estimate, new: Estimate) -> str:
    """Whether the whole interval of a build lies inside or outside the range for a new build."""
    if own.low is None or own.high is None or new.low is None or new.high is None:
        return "cannot judge"
    if own.low >= new.low and own.high <= new.high:
        return "inside"
    return "outside" if own.high < new.low or own.low > new.high else "not told apart"


def _others(units: Sequence[UnitResult], row: Mapping[str, Any], repeats: str | None) -> tuple[list[UnitResult], str]:
    """Builds of the study of the same induction and cooling as far as stated, and what they are in words."""
    asked = {name: row[name] for name in ("induction", "charge_cooling") if row[name] not in (None, "unstated")}
    like = [u for u in units if u.build_key != repeats and all(getattr(u, name) == code for name, code in asked.items())]
    if len(like) < FEWEST_OTHERS and len(asked) == 2:
        del asked["charge_cooling"]
        like = [u for u in units if u.build_key != repeats and u.induction == row["induction"]]
    words = ", ".join(_WORDS.get(code, code.replace("_", " ")) for code in asked.values())
    return like, f"{words} builds of the study" if words else "builds of the study"


def _standing(own: Estimate, others: Sequence[UnitResult], among: str) -> tuple[Standing | None, str | None]:
    values = np.array([u.rule_ratio.value for u in others if u.rule_ratio.value is not None])
    if own.value is None:
        return None, own.why
    if values.size < FEWEST_OTHERS:
        return None, f"The study holds {values.size} {among}; a place among them needs {FEWEST_OTHERS}."
    ends = [None if v is None else percentile(v, values) for v in (own.low, own.high)]
    return Standing(
        among, values.size, percentile(own.value, values), ends[0], ends[1], float(values.min()), float(values.max())
    ), None


def _pct(value: float) -> str:
    return f"{100 * value:.0f}"


def _count(n: int, one: str) -> str:
    return f"{n} {one}{'' if n == 1 else 's'}"


def _say_own(row: Mapping[str, Any], own: Estimate) -> str:
    rests = (
        f"{_count(row['boosted_runs'], 'boosted run')} and {_count(row['baseline_runs'], 'unboosted one')}, up to "
        f"{row['highest_boost_kpa'] / KPA_PER_PSI:.1f} psi ({row['highest_boost_kpa']:.0f} kPa)"
    )
    if own.value is None or own.low is None or own.high is None:
        return f"{row['build']}: {rests}. {own.why}"
    return f"{row['build']} gives {_pct(own.value)} % of the rule ({_pct(own.low)} to {_pct(own.high)} %), from {rests}."


def _say_mean(less: Estimate, against: str, mean: Estimate) -> tuple[str, ...]:
    if less.value is None or less.low is None or less.high is None or mean.value is None:
        return ()
    between = f"({100 * less.low:+.0f} to {100 * less.high:+.0f} points)"
    if against == "not told apart":
        return (f"It cannot be told from the study's average build, which gives {_pct(mean.value)} % {between}.",)
    return (
        f"That is {abs(100 * less.value):.0f} points {against} the study's average build, which gives {_pct(mean.value)} % {between}.",
    )


def _say_new(new: str, of: Estimate) -> tuple[str, ...]:
    if new == "cannot judge" or of.low is None or of.high is None:
        return ()
    expected = f"where a new build is expected ({_pct(of.low)} to {_pct(of.high)} %)"
    if new == "inside":
        return (f"It lies {expected}.",)
    if new == "outside":
        return (f"It lies outside the range {expected}: look at boost, ambient, correction and baseline before believing it.",)
    return (f"Its interval crosses the edge of the range {expected}.",)


def _say_standing(standing: Standing | None, why: str | None, own: Estimate) -> tuple[str, ...]:
    if standing is None:
        return (why,) if why and own.value is not None else ()
    ends = "" if standing.low is None or standing.high is None else f" ({standing.low:.0f} to {standing.high:.0f} %)"
    spans = f"they span {_pct(standing.lowest)} to {_pct(standing.highest)} % of the rule"
    return (f"Of {standing.others} {standing.among}, {standing.percentile:.0f} % gave less{ends}; {spans}.",)


def _say_repeats(name: str | None) -> tuple[str, ...]:
    if name is None:
        return ()
    return (f"Its figures are those of {name}, which the study holds already; it is compared with the others.",)
