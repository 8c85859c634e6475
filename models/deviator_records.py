"""Records of what departs and of what may be said of it: deviators, elasticity, equivalence, selection.

Nothing here computes; the modules named like the records do. All rule ratios have no unit (1 is the rule), boost is in kPa,
power in kW.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.estimate import Estimate

DeviatorKind = Literal["unlike_peers", "breaks_rule"]
DeviatorTest = Literal["slope", "curvature"]
CauseBasis = Literal["recorded", "not stated", "ruled out"]
MeanVerdict = Literal["holds", "not shown", "does not hold", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause of a deviation, tested on the deviator's own record.

    Attributes
    ----------
    cause : stable code.
    tested : whether the record allowed a test of its size; False only where a figure that the test needs is missing.
    sentence : what was tested and what came out, with numbers.
    supports : the record allows the cause, and its direction and plausible size could explain the deviation.
    basis : ``recorded``: the record states the fact; ``not stated``: the record is silent where it should speak;
        ``ruled out``: the record speaks against it.
    """

    cause: str
    tested: bool
    sentence: str
    supports: bool
    basis: CauseBasis


@dataclass(frozen=True, slots=True)
class Deviator:
    """A build that departs from what is expected of it.

    Attributes
    ----------
    publisher, build, build_key, unit_id : which one; ``unit_id`` joins to the units and runs of the study.
    kind : ``unlike_peers`` (from builds of its class) or ``breaks_rule`` (more than 10 % away from the rule).
    rule_ratio : its own estimate, not drawn to the mean.
    expected : what its peers show, or 1 for the rule.
    expected_low, expected_high : range in which a single reading like this one was to be expected (95 %), or the rule's +-10 %.
    q_value : smallest false discovery rate at which Benjamini-Hochberg lists it.
    local_fdr : probability that it is within 10 % of the rule after all (``breaks_rule`` only), else None.
    is_strict : listed by Benjamini-Hochberg; otherwise by the local false discovery rate alone.
    tested_by : whether its mean yield (``slope``) or the fall of its yield with boost (``curvature``) gave it away.
    physics_low, physics_high : rule ratio that physics expects of it, where given.
    causes : every cause that was tested, those that the record supports first.
    summary : the causes in one sentence, or that nothing in its record explains it.
    """

    publisher: str
    build: str
    build_key: str
    unit_id: str
    kind: DeviatorKind
    rule_ratio: Estimate
    expected: float
    expected_low: float
    expected_high: float
    q_value: float
    local_fdr: float | None
    is_strict: bool
    tested_by: DeviatorTest
    physics_low: float | None
    physics_high: float | None
    causes: tuple[Cause, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class DeviatorAnswers:
    """Both lists, and what they rest on.

    Attributes
    ----------
    unlike_peers, breaks_rule : the lists, strongest first; each at most as long as a page can bear.
    unlike_peers_count, breaks_rule_count, breaks_rule_strict_count : how many there are in all.
    tested : builds that were tested.
    curvature_tested : of these, builds whose own curvature could be tested too.
    false_discovery_rate : share of false alarms that each list is held to.
    peer_sd : robust spread of builds about their class.
    peer_terms : facts by which peers were formed, as ``field: level``.
    why : sentence that says why nothing could be tested; None otherwise.
    notes : sentences to print beside the lists.
    """

    unlike_peers: tuple[Deviator, ...]
    breaks_rule: tuple[Deviator, ...]
    unlike_peers_count: int
    breaks_rule_count: int
    breaks_rule_strict_count: int
    tested: int
    curvature_tested: int
    false_discovery_rate: float
    peer_sd: float | None
    peer_terms: tuple[str, ...]
    why: str | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NaiveCorrelation:
    """What a plain correlation says, and what it says where there is nothing to find.

    Attributes
    ----------
    name : stable code.
    what : the two quantities in words.
    observed : the plain correlation in these data.
    null_mean, null_low, null_high : the same in data where the relation asked about was taken away: mean and central 95 %.
    draws : how many such data sets.
    sentence : what follows.
    """

    name: str
    what: str
    observed: float
    null_mean: float
    null_low: float
    null_high: float
    draws: int
    sentence: str


@dataclass(frozen=True, slots=True)
class ElasticityAnswers:
    """How yield scales with NA output.

    Attributes
    ----------
    elasticity : exponent of the yield in NA power; the rule says 1. No value where engines are too alike to tell.
    uncorrected : the same without correction for the error of the baseline that stands on both sides.
    noise_share : share of the spread of NA power that is measurement error; None where nothing could be computed.
    naive : what plain correlations say, and why they prove nothing.
    notes : sentences to print beside the figures.
    """

    elasticity: Estimate
    uncorrected: float | None
    noise_share: float | None
    naive: tuple[NaiveCorrelation, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EquivalenceAnswers:
    """Does the rule hold within a margin: on average, and for single builds.

    Attributes
    ----------
    mean : verdict on the mean: ``holds``, ``not shown``, ``does not hold``; ``cannot tell`` without an interval.
    mean_estimate : the mean with the interval that must lie inside the margin (90 %, two one-sided tests at 5 %).
    margin : half width of the band about 1.
    lower_t, upper_t : the two one-sided test statistics; None without an interval.
    p_value : the larger of the two one-sided p-values.
    share_of_builds : share of builds whose true rule ratio lies in the band, with its interval.
    raw_share : share of the builds' own estimates in the band: too low, because measurement error spreads them.
    sentence : both halves in words.
    """

    mean: MeanVerdict
    mean_estimate: Estimate
    margin: float
    lower_t: float | None
    upper_t: float | None
    p_value: float | None
    share_of_builds: Estimate
    raw_share: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One build of the funnel: its own rule ratio, that figure's standard error, and the boost that mostly sets the error."""

    unit_id: str
    publisher: str
    rule_ratio: float
    standard_error: float
    highest_boost_kpa: float


@dataclass(frozen=True, slots=True)
class SmallStudyTest:
    """A regression of rule ratios on a measure of precision (Egger's kind), clustered by publisher.

    Attributes
    ----------
    name : ``standard_error`` or ``boost_range`` (the check on the first).
    slope : change of the rule ratio per unit of the measure, with its interval.
    t_value, freedom, p_value : the test of no slope.
    sentence : what it says, and what it cannot.
    """

    name: str
    slope: Estimate
    t_value: float | None
    freedom: int
    p_value: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class SelectionLine:
    """What the mean would be if builds below a cut went unpublished with a stated probability.

    ``unpublished`` is the number of missing builds that this assumption implies; ``fits`` is False where the assumption
    leaves no mean that these data could have come from.
    """

    cut: float
    share_withheld: float
    rule_ratio: float | None
    unpublished: float | None
    fits: bool


@dataclass(frozen=True, slots=True)
class SourceKindMean:
    """Mean rule ratio of the builds of one kind of source, and its difference from all other kinds."""

    medium: str
    rule_ratio: Estimate
    difference: Estimate


@dataclass(frozen=True, slots=True)
class SelectionAnswers:
    """Does the published sample look picked.

    Attributes
    ----------
    sentence : what may honestly be said.
    lines : the mean under stated assumptions; a range, not corrected values.
    lowest, highest : ends of that range with the headline in it; None without a fit.
    tests : Egger's kind of test and the check beside it.
    kinds : means by kind of source, where the kinds are given and large enough.
    funnel : the points of the funnel.
    notes : sentences to print beside the figures.
    """

    sentence: str
    lines: tuple[SelectionLine, ...]
    lowest: float | None
    highest: float | None
    tests: tuple[SmallStudyTest, ...]
    kinds: tuple[SourceKindMean, ...]
    funnel: tuple[FunnelPoint, ...]
    notes: tuple[str, ...]
