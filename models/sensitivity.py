"""The headline under other reasonable choices, each declared with its name and its sentence.

Every choice that a critic could have made otherwise is a row of `ALTERNATIVES`: who is in, what
counts as ambient pressure, what the model contains. The fit itself is handed in, so that each
line is made exactly as the headline is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from models.estimate import Estimate
from models.results import CancellingErrors, OnePublisherOut, SensitivityLine
from models.sample_options import SampleOptions

Estimator = Literal["joint", "mixed_model", "clustered_regression", "two_stage"]


@dataclass(frozen=True, slots=True)
class Alternative:
    """One way to make the headline.

    Attributes
    ----------
    name : short stable name, as printed.
    sentence : what is done otherwise, and why one might.
    sample : who is in.
    with_curvature : let later psi be worth more or less than earlier ones.
    with_publisher_level : let publishers differ in the model; without it the spread between
        publishers enters through the jackknife alone.
    power_error_scale, boost_error_scale : times the stated errors of power (sessions included) and of boost (gauges included).
    without_deviators : leave out the builds that are unlike their peers.
    estimator : how the same builds are brought to one figure.
    """

    name: str
    sentence: str
    sample: SampleOptions = field(default_factory=SampleOptions)
    with_curvature: bool = True
    with_publisher_level: bool = True
    power_error_scale: float = 1.0
    boost_error_scale: float = 1.0
    without_deviators: bool = False
    estimator: Estimator = "joint"


MAIN = Alternative("Main analysis", "The main analysis.")

ALTERNATIVES: tuple[Alternative, ...] = (
    MAIN,
    Alternative(
        "14.7 psi for every site's air",
        "14.7 psi in place of each site's own air pressure; raises the ratio where sites lie high.",
        SampleOptions(standard_ambient=True),
    ),
    Alternative("Straight line, no curvature", "Every psi taken to be worth the same.", with_curvature=False),
    Alternative(
        "14.7 psi and straight line",
        "Both at once: the two can cancel and look right.",
        SampleOptions(standard_ambient=True),
        with_curvature=False,
    ),
    Alternative(
        "No publisher term",
        "No term for publishers in the model; how they differ enters through the jackknife that leaves one out at a time.",
        with_publisher_level=False,
    ),
    Alternative(
        "Stated ratings let in",
        "Stated ratings let in as baselines and results, with 7 % between them.",
        SampleOptions(qualities=("same_session", "same_engine", "stated")),
    ),
    Alternative(
        "Baselines of the same specification let in",
        "Baselines of another build of the same specification let in, with 4 % error on each side.",
        SampleOptions(qualities=("same_session", "same_engine", "same_spec")),
    ),
    Alternative(
        "Baselines from another dyno let in",
        "Baselines from another dyno let in, with 4 % error on each side.",
        SampleOptions(other_dyno=True),
    ),
    Alternative(
        "Wheel against crank with a stated loss let in",
        "Wheel figures with a stated flat loss let in against crank figures, with at least 4 % error.",
        SampleOptions(flat_loss=True),
    ),
    Alternative("Only pairs of one session", "Only pairs from one session.", SampleOptions(qualities=("same_session",))),
    Alternative("Without wheel and hub figures", "Wheel and hub figures left out.", SampleOptions(only_measured_at=("crank",))),
    Alternative(
        "Only recorded air pressure", "Only sites whose air pressure was recorded.", SampleOptions(only_recorded_ambient=True)
    ),
    Alternative(
        "Only with the compressor removed",
        "Only baselines without compressor hardware: what stays on costs power and flatters boost.",
        SampleOptions(only_baseline_hardware=("compressor_removed",)),
    ),
    Alternative("Only cooled builds", "Only builds with a charge cooler.", SampleOptions(only_cooled=True)),
    Alternative(
        "Only builds with several boost levels", "Only builds tested at two boosts or more.", SampleOptions(least_boost_levels=2)
    ),
    Alternative(
        "Baseline at ambient manifold pressure",
        "Power at ambient manifold pressure read off the line through runs within 25 kPa on both sides of it.",
        SampleOptions(interpolated_baseline=True),
    ),
    Alternative(
        "Without builds unlike their peers",
        "Builds that stand out from others of their class left out; they are not thereby wrong.",
        without_deviators=True,
    ),
    Alternative("Power errors halved", "Every stated error of power taken to be half as large.", power_error_scale=0.5),
    Alternative("Power errors doubled", "Every stated error of power taken to be twice as large.", power_error_scale=2.0),
    Alternative("Boost errors halved", "Every stated error of boost taken to be half as large.", boost_error_scale=0.5),
    Alternative("Boost errors doubled", "Every stated error of boost taken to be twice as large.", boost_error_scale=2.0),
    Alternative(
        "Mixed model of statsmodels",
        "Gain over boost by MixedLM with slopes by publisher and by build; baselines taken as exact, normal interval.",
        estimator="mixed_model",
    ),
    Alternative(
        "Regression clustered by publisher",
        "Gain over boost by least squares, every run alike, errors clustered by publisher; baselines taken as exact.",
        estimator="clustered_regression",
    ),
    Alternative(
        "Two stages, Knapp-Hartung",
        "Each build's own ratio, pooled by REML; how publishers differ is left out, so the interval is too narrow.",
        estimator="two_stage",
    ),
)

#: The table in three parts: two for two processes, of which the second has other questions to answer as well, and what waits for
#: the builds unlike their peers.
OF_PEERS = tuple(a for a in ALTERNATIVES if a.without_deviators)
_OF_ALL = tuple(a for a in ALTERNATIVES if not a.without_deviators)
FIRST_PART, LAST_PART = _OF_ALL[:-9], _OF_ALL[-9:]

_AMBIENT = "14.7 psi for every site's air"
_STRAIGHT = "Straight line, no curvature"
_BOTH = "14.7 psi and straight line"


def sensitivity_lines(
    answer: Callable[[Alternative], Estimate], alternatives: tuple[Alternative, ...] = ALTERNATIVES
) -> tuple[SensitivityLine, ...]:
    """The rule ratio under each alternative, in the order of the table.

    Parameters
    ----------
    answer : from an alternative to its rule ratio; gives an estimate with a ``why`` where it cannot be had.
    alternatives : what to try.
    """
    return tuple(SensitivityLine(a.name, a.sentence, answer(a)) for a in alternatives)


def publisher_lines(out: OnePublisherOut) -> tuple[SensitivityLine, ...]:
    """The two ends of the range with one publisher left out at a time, as lines of the table."""
    known = [line for line in out.lines if line.rule_ratio.value is not None]
    if not known:
        return ()
    ends = (("lowers", known[0]), ("raises", known[-1])) if len(known) > 1 else (("changes", known[0]),)
    return tuple(
        SensitivityLine(
            f"Without the publisher whose loss {verb} it most",
            f"All builds of {line.publisher} left out ({line.builds} builds); no other single publisher {verb} it as far.",
            line.rule_ratio,
        )
        for verb, line in ends
    )


def cancelling_errors(lines: Sequence[SensitivityLine]) -> CancellingErrors:
    """The two shortcuts that can cancel, as shifts of the headline."""
    value = {line.name: line.rule_ratio.value for line in lines}
    main, *others = (value.get(name) for name in (MAIN.name, _AMBIENT, _STRAIGHT, _BOTH))
    if main is None or any(other is None for other in others):
        return CancellingErrors(None, None, None, None, "The two shortcuts cannot be compared on these builds.")
    ambient, curvature, together = (float(other) - main for other in others if other is not None)
    cancels = ambient * curvature < 0.0 and abs(together) < max(abs(ambient), abs(curvature))
    both = "they work against each other, and both at once move it" if cancels else "both at once move it"
    return CancellingErrors(
        ambient,
        curvature,
        together,
        cancels,
        f"Taking 14.7 psi for every site's air moves the rule ratio by {ambient:+.3f}, leaving out curvature by {curvature:+.3f}; "
        f"{both} by {together:+.3f}. A figure that looks right may hold both errors.",
    )
