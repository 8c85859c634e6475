"""What a private session shows beside the study: frozen records, made anew each time and kept nowhere.

Percentages are percentages, boosts kPa gauge. Every record carries its sentence, so that text and JSON say the same.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.estimate import Estimate
from models.results import FlowStep


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one figure stands among others of its kind.

    Attributes
    ----------
    among : the others in words.
    others : how many.
    percentile : share of the others below it, ties counted half [%].
    low, high : the same at the ends of its interval [%]; None where there is none.
    lowest, highest : range of the others, in the figure's unit.
    """

    among: str
    others: int
    percentile: float
    low: float | None
    high: float | None
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class PlacedBuild:
    """One build of the session against the study.

    Attributes
    ----------
    build, induction, charge_cooling, measured_at : of the build; None where not stated.
    boosted_runs, baseline_runs, highest_boost_kpa : what it was tested at.
    rule_ratio : its own, from no boost to the reference boost, at the study's curvature.
    less_mean : the same less the study's mean over builds.
    against_mean : ``above``, ``below``, ``not told apart`` or ``cannot judge``.
    against_new_build : ``inside``, ``outside``, ``not told apart`` or ``cannot judge``: the range for one new build.
    standing : among builds like it; None where there are too few, and ``standing_why`` says so.
    repeats : the build of the study whose figures these are, or None.
    sentences : all of it in words.
    """

    build: str
    induction: str | None
    charge_cooling: str | None
    measured_at: str | None
    boosted_runs: int
    baseline_runs: int
    highest_boost_kpa: float
    rule_ratio: Estimate
    less_mean: Estimate
    against_mean: str
    against_new_build: str
    standing: Standing | None
    standing_why: str | None
    repeats: str | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlacedChange:
    """One before/after pair of the session.

    Attributes
    ----------
    line : line or row of the file.
    build, parts : what was changed on what; several parts changed at once stay together.
    boosted : whether both runs had boost.
    gain_pct : power after over before, less one [%].
    smallest_gain_pct : smallest gain whose interval would not hold 0; None where no gain is given.
    verdict : ``gain``, ``loss``, ``not told from nothing`` or ``cannot judge``.
    standing : among the same change in the study; None where there are too few.
    sentences : all of it in words.
    """

    line: int
    build: str
    parts: tuple[str, ...]
    boosted: bool
    gain_pct: Estimate
    smallest_gain_pct: float | None
    verdict: str
    standing: Standing | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PullError:
    """How well one pull repeats.

    Attributes
    ----------
    rel_sd : relative standard deviation of one pull.
    freedom : degrees of freedom; None where it is taken as known.
    origin : where it comes from, in words.
    kind : ``pulls`` of the session itself, of the ``study``, or ``assumed``.
    """

    rel_sd: float
    freedom: int | None
    origin: str
    kind: str


@dataclass(frozen=True, slots=True)
class SmallestGain:
    """Smallest gain that is shown four times in five, with so many pulls before and as many after [%]."""

    pulls: int
    gain_pct: float


@dataclass(frozen=True, slots=True)
class SessionRepeats:
    """Repeatability of one dyno in one session.

    Attributes
    ----------
    session, dyno : names as given; None where not stated.
    pulls, repeated : rows with a power, and those of them that repeat another back to back.
    repeatability_pct : standard deviation of one pull, from the session's own repeats.
    pull_error : what the figures below rest on.
    drift_pct : a state run again later against the same state before, mean over states.
    drift_states : how many states were run again.
    drift_is_baseline : whether they are unboosted baselines.
    smallest : smallest gains, by pulls a side.
    sentences : all of it in words.
    """

    session: str | None
    dyno: str | None
    pulls: int
    repeated: int
    repeatability_pct: Estimate
    pull_error: PullError
    drift_pct: Estimate
    drift_states: int
    drift_is_baseline: bool
    smallest: tuple[SmallestGain, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SessionComparison:
    """A whole session beside the study; ``invented`` says that the study rests on invented demo data."""

    invented: bool
    study_mean: Estimate
    new_build: Estimate
    builds: tuple[PlacedBuild, ...]
    left_out: tuple[FlowStep, ...]
    changes: tuple[PlacedChange, ...]
    repeatability: tuple[SessionRepeats, ...]
    cautions: tuple[str, ...]
